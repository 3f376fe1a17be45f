"""The whole path, one function a step: a song and a rig in, audited rolls out.

    load_show   score + rig + song map, every fault at once       show.py
    soften      clips that flash too often, softened              softening.py
    frames_of   cues -> light -> bytes, group by group            render, wire (cached, in parallel)
    limited     bytes within every supply's budget                power
    Bakery      bytes -> one roll a controller, read back         rolls.py   (the exporters' door)
    audit       amperes, volts, flashes of what was read back     results.py
    Film        the song as a picture                             pictures.py

The verbs of the command line, and the studio, call these functions and nothing below them.
"""

from __future__ import annotations

import json
from collections.abc import Generator, Iterable, Iterator
from contextlib import closing
from dataclasses import dataclass, replace
from itertools import zip_longest
from pathlib import Path
from typing import Any, cast

import numpy as np
from numpy.typing import NDArray

from exporters import report
from exporters.report import in_amps, in_bytes, plain, wrongs

from ..clock import SECOND, Group
from ..faults import Faults, ShowFails, read_toml
from ..files import score_path
from ..flash import FlashAudit, Largest
from ..power import CurrentModel, PowerAudit, limited
from ..power.limiter import Limited, Mode
from ..render import Renderer
from ..rig import Rig, load_rig
from ..songmap import SongMap
from ..wire import Wiring
from . import parallel, results, softening
from .doubts import baked_of, changed_since_bake, doubts, made_of, rig_doubts
from .pictures import Film, draw_rig, film, video
from .repeats import Repeats
from .results import dimmed_by, remarks
from .rolls import Bakery, Frames, inspect, read_back, roll_path
from .sheet import quiet_of
from .show import Show, Tell, files_of, hear, load_show, no_score, rig_of, silent

NO_ROLL = "no roll was written, "


@dataclass(frozen=True)
class Baked:
    """What a bake left: its folder, each controller's roll, the audit as in audit.json, remarks on the song."""

    out: Path
    rolls: dict[str, Path]
    audit: dict[str, Any]
    remarks: list[str]


def bake(
    folder: Path,
    out: Path | None = None,
    *,
    small: bool = False,
    limiter: str | None = None,
    strict: bool = False,
    no_red: bool = False,
    soften: bool = False,
    distance_m: float | None = None,
    jobs: int = 1,
    dask: str | None = None,
    tell: Tell = silent,
) -> Baked:
    """Bake a show: rolls, audit.json, audit.html, sheet.html and film.png into `out` (FOLDER/out).

    `limiter` overrides the score's mode; `strict` makes too many flashes a failure, as the rig's `no_flash` does,
    `no_red` whatever the audit has in red. `soften` (or the score's `flashes`) softens the clips that flash too often;
    `distance_m` is how far the nearest viewers are, instead of what the rig says. `jobs` processes render, or the
    workers of the Dask scheduler at the address `dask`; the bytes do not depend on that. Raises `Faults` for bad input
    and `ShowFails` for a show that fails a check: then the audit is written, and no loadable roll is left.
    """
    origin = made_of(folder)  # before they are read: what changes meanwhile counts as changed
    show = _seen_from(load_show(folder, tell), distance_m)
    out = out or show.folder / "out"
    mode = limiter or show.score.limiter
    with Bakery(show, out, small, jobs) as bakery:
        softened: list[dict[str, Any]] = []
        try:
            if soften or show.score.flashes == "soften":
                made = softening.soften(show, lambda show: _bytes_of(show, mode, jobs, dask), tell)
                show, softened = made.show, made.rows()
        except ShowFails:
            bakery.withdraw()
            raise
        renderer = renderer_of(show)
        gains = []
        rendered = frames_of(renderer, jobs, dask, bakery.oven)
        stream = within_budget(show, told(rendered, show, "baking", tell), mode)

        def kept() -> Iterator[tuple[Group, Frames]]:
            for group, frames, gain in stream:
                gains.append(gain)
                yield group, frames

        try:
            bakery.write(kept())
        except ShowFails:
            bakery.withdraw()
            raise
        tell("reading back", 0.0)
        found, power = _audited(show, bakery, iter(gains), renderer, jobs)
        results.add_boards(found, show.rig, bakery.paths(), show.song.song.seconds)
        found["limiter"], found["softened"], found["made_of"] = mode, softened, origin
        found["notes"] += remarks(show)
        tell("drawing", 0.0)
        bakery.film.replace(out / bakery.film.name)
        try:
            _judged(out, show.rig, found, _series(show, power), strict, no_red, _flash_line(found, show), NO_ROLL)
        except ShowFails:
            bakery.withdraw()
            raise
        rolls = bakery.deliver()
    tell("done", 1.0)
    return Baked(out, rolls, found, remarks(show) + bakery.strangers())


def _audited(
    show: Show,
    bakery: Bakery,
    gains: Iterator[NDArray[np.float64]],
    renderer: Renderer,
    jobs: int,
) -> tuple[dict[str, Any], PowerAudit]:
    """The audit of rolls just written, clips and all, and the film of them in the oven.

    With `jobs` a process counts flashes and draws the film meanwhile, by the largest luminances of what was written.
    Raises ShowFails where the frames read back have others.
    """
    rig, paths, address = show.rig, bakery.paths(), results.address_of(show.clock)
    if jobs == 1:
        picture = Film(show)
        found, power = results.audit(rig, lambda: read_back(rig, paths), address, gains, renderer, picture.add)
        results.add_clips(found, renderer, power)
        picture.save(bakery.film)
        return found, power
    written = bakery.brightest.largest
    with parallel.beside(_flashes_and_film, show, paths, written, bakery.film) as flashes:
        found, power, largest = results.amperes(rig, read_back(rig, paths), address, gains)
        if largest != written:
            raise ShowFails("the rolls do not hold the frames that were written to them: bake the show again")
        results.add_clips(found, renderer, power)
        results.add_flashes(found, flashes(), address, renderer)
    return found, power


def _flashes_and_film(show: Show, paths: dict[str, Path], written: Largest, film: Path) -> FlashAudit:
    picture = Film(show)
    flashes = results.flashes_in(show.rig, read_back(show.rig, paths), written, picture.add)
    picture.save(film)
    return flashes


def audit(
    folder: Path,
    out: Path | None = None,
    *,
    csv: Path | None = None,
    strict: bool = False,
    no_red: bool = False,
    distance_m: float | None = None,
    tell: Tell = silent,
) -> dict[str, Any]:
    """The audit of what is baked: audit.json, audit.html, sheet.html, perhaps a CSV of each frame. Raises as `bake`."""
    show = _seen_from(load_show(folder, tell), distance_m)
    out = out or show.folder / "out"
    paths = {name: roll_path(out, name, show.name) for name in show.rig.controllers}
    mode, softened = _said_before(out)
    show = softening.resoftened(show, softening.steps_of(softened))
    renderer = renderer_of(show)
    gains = _gains_behind(show, renderer, paths)

    def frames() -> Iterator[tuple[Group, Frames]]:
        return read_back(show.rig, paths)

    address, known = results.address_of(show.clock), gains is not None
    found, power = results.audit(
        show.rig, frames, address, iter(gains or ()) if known else None, renderer if known else None
    )
    found["limiter"], found["softened"] = mode, softened
    if (origin := baked_of(out)) is not None:  # the rolls are the same as before
        found["made_of"] = origin
    if gains is None:
        found["notes"].append("The show has changed since it was baked: who draws what is not known. Bake it again.")
        _forget(found, "limited_frames", "most_dimmed", "mean_clips", "thin_out")
    else:
        results.add_clips(found, renderer, power)
    results.add_boards(found, show.rig, paths, show.song.song.seconds)
    found["notes"] += remarks(show)
    series = _series(show, power)
    if csv is not None:
        places = [show.clock.grid.address(show.clock.beat_at_us(int(us))) for us in power.times_us]
        report.write_csv(csv, power.times_us / 1e6, places, dict(series.amps))
    return _judged(out, show.rig, found, series, strict, no_red, _flash_line(found, show))


def audit_rolls(
    rolls: list[Path],
    rig_path: Path,
    out: Path,
    *,
    csv: Path | None = None,
    strict: bool = False,
    no_red: bool = False,
    distance_m: float | None = None,
) -> dict[str, Any]:
    """The audit of rolls and a rig without their score: what needs the score is null. Raises `Faults`, `ShowFails`."""
    rig = load_rig(rig_path)
    if distance_m is not None:
        rig = replace(rig, viewing_m=distance_m)
    paths: dict[str, Path] = {}
    for path in rolls:
        name = inspect(path)["controller"]
        if name not in rig.controllers:
            raise Faults.one(path, "", f'is for controller "{name}", which {rig_path} does not have')
        if name in paths:
            raise Faults.one(path, "", f'is for controller "{name}", as {paths[name]} is')
        paths[name] = path
    found, power = results.audit(rig, lambda: read_back(rig, paths), lambda seconds: "")
    _forget(found, "peak_at", "limited_frames", "most_dimmed", "mean_clips", "thin_out")
    missing = ", ".join(name for name in rig.controllers if name not in paths)
    if missing:
        found["notes"].append(f"Without their rolls, the strings of {missing} count as dark.")
    seconds = power.times_us[-1] / SECOND
    results.add_boards(found, rig, paths, seconds)
    series = results.series_of(", ".join(path.stem for path in rolls), power, [], [], seconds)
    if csv is not None:
        report.write_csv(csv, power.times_us / 1e6, [""] * len(power.times_us), dict(series.amps))
    out.mkdir(parents=True, exist_ok=True)
    return _judged(out, rig, found, series, strict, no_red, _flash_line(found, None))


def _forget(found: dict[str, Any], *keys: str) -> None:
    """What cannot be known is null, not 0."""
    for row in found["supplies"].values():
        row.update(dict.fromkeys(keys))


def _gains_behind(show: Show, renderer: Renderer, paths: dict[str, Path]) -> list[NDArray[np.float64]] | None:
    """The limiter's gains behind what is baked, (frames, supplies) a group; None where the rolls hold other frames
    than the show renders now."""
    for mode in ("on", "off"):
        gains = []
        try:
            for rendered, baked in zip_longest(
                within_budget(show, frames_of(renderer), mode), read_back(show.rig, paths)
            ):
                if rendered is None or baked is None or not np.array_equal(rendered[1], baked[1]):
                    break
                gains.append(rendered[2])
            else:
                return gains
        except ShowFails:  # a broken roll fails the audit anyhow; a budget below idle is the audit's to tell
            continue
    return None


def _seen_from(show: Show, distance_m: float | None) -> Show:
    return show if distance_m is None else replace(show, rig=replace(show.rig, viewing_m=distance_m))


def _said_before(out: Path) -> tuple[str | None, list[dict[str, Any]]]:
    """The limiter's mode and what was softened, as the audit of the bake has them; the bytes will tell what is so."""
    try:
        said = json.loads((out / "audit.json").read_text(encoding="utf-8"))
        rows = [{key: row[key] for key in ("clip", "over_beats", "opacity")} for row in said["softened"]]
        return said.get("limiter"), rows
    except (OSError, ValueError, LookupError, TypeError, AttributeError):
        return None, []


def _judged(
    out: Path,
    rig: Rig,
    found: dict[str, Any],
    series: report.Series,
    strict: bool,
    no_red: bool,
    flash_line: str,
    left: str = "",
) -> dict[str, Any]:
    """Writes the audit with its verdict; raises ShowFails where that is bad, ending with what is `left` and where to
    look. `strict`: with flashes; `no_red`: with whatever the audit has in red."""
    lines = results.complaints(found) + (report.electric_wrongs(found) if no_red else [])
    if (strict or no_red or rig.no_flash) and not found["flashes"]["ok"]:
        lines.append(flash_line + ("; the rig's no_flash forbids it" if rig.no_flash else ""))
    found["ok"] = not lines
    found["quiet"] = quiet_of(rig)
    results.write(out, rig, found, series)
    if lines:
        raise ShowFails("\n".join(lines) + f"; {left}see {out / 'audit.html'}", found)
    return found


def _series(show: Show, power: PowerAudit) -> report.Series:
    bars, sections = results.bar_lines(show), results.section_spans(show)
    return results.series_of(show.score.title, power, bars, sections, show.song.song.seconds)


def _flash_line(found: dict[str, Any], show: Show | None) -> str:
    flashes = found["flashes"]
    at = results.address_of(show.clock)(flashes["at_s"]) + ", " if show and flashes["at_s"] is not None else ""
    worst = max(flashes["worst_per_s"], flashes["red_worst_per_s"])
    return (
        f"flashes: {worst} in one second ({at}{flashes['at_s'] or 0:.2f} s) exceed the WCAG 2.3.1 three-per-second "
        "figure, applied to lights by analogy"
    )


def draw_film(folder: Path, out: Path | None = None, tell: Tell = silent) -> Path:
    """The whole song as a picture (FOLDER/out/film.png), from the frames that a bake would write.

    Raises as `bake` does.
    """
    show = load_show(folder, tell)
    if show.score.flashes == "soften":
        show = softening.soften(show, lambda show: _bytes_of(show, show.score.limiter), tell).show
    stream = told(frames_of(renderer_of(show)), show, "rendering", tell)
    limit = within_budget(show, stream, show.score.limiter)
    if out is None:
        out = show.folder / "out" / "film.png"
        out.parent.mkdir(exist_ok=True)
    draw = video if out.suffix.lower() == ".mp4" else film
    draw(show, ((group, frames) for group, frames, _ in limit), out)
    return out


def score_and_song(folder: Path) -> tuple[Path, str, SongMap]:
    """A show's score file, its text to the letter, and the current map of its song: what renumbering needs.

    Raises `Faults`.
    """
    path = score_path(folder)
    if not path.exists():
        raise no_score(path)
    name = read_toml(path).get("song")
    if not isinstance(name, str):
        raise Faults.one(path, "song", "is missing")
    text = path.read_bytes().decode("utf-8")  # its line ends are to stay as they are
    return path, text, hear(path.parent / name)


def _bytes_of(show: Show, mode: str, jobs: int = 1, dask: str | None = None) -> Iterator[tuple[Group, Frames]]:
    """The bytes that a bake of the show would write."""
    stream = within_budget(show, frames_of(renderer_of(show), jobs, dask), mode)
    return ((group, frames) for group, frames, _ in stream)


def within_budget(show: Show, stream: Iterable[tuple[Group, Frames]], mode: str) -> Iterator[Limited]:
    """A show's frames behind the limiter in a mode, with its gains; see `power.limited`."""
    keep = {pixel for zone in show.score.keep for pixel in show.rig.zones[zone].pixels}
    return limited(stream, CurrentModel(show.rig), cast(Mode, mode), show.rig.skew_ms, keep)


# ---- frames ------------------------------------------------------------------------------------------------------


def renderer_of(show: Show) -> Renderer:
    """The renderer of a show."""
    return Renderer(show.rig, show.clock, show.cues, show.song.loudness)


def frames_of(
    renderer: Renderer, jobs: int = 1, dask: str | None = None, aside: Path | None = None
) -> Iterator[tuple[Group, Frames]]:
    """Every group's bytes before the limiter: (group, uint8 (frames, rig.frame_bytes)), in order.

    Groups of equal key are rendered once, and come as the very same array while memory lasts. `jobs` processes render,
    or the workers of the Dask scheduler at the address `dask`; the bytes do not depend on that. What memory does not
    hold lies in a nameless file in the folder `aside`, or where temporary files go.
    """
    groups = renderer.clock.groups
    keys = [renderer.key(group) for group in groups]
    firsts = dict(zip(reversed(keys), reversed(groups), strict=True))
    different = [group for key, group in zip(keys, groups, strict=True) if firsts[key] is group]
    with closing(Repeats(keys, aside)) as repeats, closing(_rendered(renderer, different, jobs, dask)) as rendered:
        for key, group in zip(keys, groups, strict=True):
            if firsts[key] is group:
                frames = next(rendered)
                repeats.keep(key, frames)
            else:
                frames = repeats.again(key)
            yield group, frames


def _rendered(renderer: Renderer, groups: list[Group], jobs: int, dask: str | None) -> Generator[Frames]:
    """The bytes of some groups, in their order; arrays that stay as they are."""
    if dask is not None:
        from . import cluster

        yield from cluster.rendered(renderer, groups, dask)
    elif jobs > 1:
        yield from parallel.rendered(renderer, groups, jobs)
    else:
        worker = renderer, Wiring(renderer.rig)
        for group in groups:
            yield parallel.fixed(parallel.bytes_of(worker, group))


def told(stream: Iterator[tuple[Group, Frames]], show: Show, what: str, tell: Tell) -> Iterator[tuple[Group, Frames]]:
    """The same stream, with word of how far it is."""
    for group, frames in stream:
        tell(what, group.first / max(show.clock.frames, 1))
        yield group, frames


__all__ = [
    "Baked", "Show", "Tell", "audit", "audit_rolls", "bake", "baked_of", "changed_since_bake", "dimmed_by",
    "doubts", "draw_film", "draw_rig", "files_of", "frames_of", "hear", "in_amps", "in_bytes", "inspect",
    "load_show", "made_of", "plain", "remarks", "renderer_of", "rig_doubts", "rig_of", "score_and_song", "wrongs",
]  # fmt: skip
