"""What is no fault of a score, and probably not meant: told as remarks, and the show is baked all the same."""

from __future__ import annotations

import contextlib
import glob
import json
import os
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path

from exporters import report

from ..clock import SECOND, Moment
from ..effects.table import Pace
from ..faults import Fault, Faults
from ..files import score_path
from ..power.advice import feeds_as_built
from ..rig import Rig
from ..score import Score
from ..songmap import file_sha256, fixes_path, load_fixes, misplaced
from ..timeline import MASTER_LAYER, Cue
from .show import Show, files_of

Doubt = tuple[str, str]  # where, what


def doubts(show: Show) -> list[Fault]:
    """Each thing that is probably not meant, in the shape of a fault; each clip as written is named once."""
    found = [*_another_song(show), *_late_beats(show), *_clips(show)]
    if not show.score.grid and any(moment.kind == "bar" for _, moment in _moments(show.score)):
        what = f'is missing: write grid = "{show.song.grid}", and you are told should the song\'s bars change under '
        found.append(("grid", what + "the score"))
    return [Fault(show.score.path.name, where, what) for where, what in found]


def rig_doubts(rig: Rig) -> list[str]:
    """A line for each feed that lacks its fuse, or has one that protects nothing: what can be told without a show."""
    found = feeds_as_built(rig)
    return [f"{rig.path}: {wrong}" for name, row in found.items() for wrong in report.feed_wrongs(name, row)]


def made_of(show: Path) -> dict[str, str]:
    """What a person made of a show, as an audit keeps it: each file, named from the show's folder, and its SHA-256."""
    score = score_path(show)
    found = {}
    for path in files_of(show):
        with contextlib.suppress(OSError, Faults):
            stat = path.stat()
            if path.is_file():
                found[_from(score.parent, path)] = _sha256(path, stat.st_mtime_ns, stat.st_size)
    return found


def baked_of(out: Path) -> dict[str, str] | None:
    """What lies baked in a folder was made of; None where no audit says so."""
    try:
        said = json.loads((out / "audit.json").read_text(encoding="utf-8"))["made_of"]
        return {str(name): str(sha256) for name, sha256 in said.items()}
    except (OSError, ValueError, LookupError, TypeError, AttributeError):
        return None


def changed_since_bake(show: Path, out: Path | None = None) -> list[str]:
    """A line where what a person made of a show is not what its rolls were made of: by the files' content, and by their
    times where the audit beside the rolls says nothing of that."""
    score = score_path(show)
    out = out or score.parent / "out"
    made = [path for path in files_of(show) if path.is_file()]
    songs = [path for path in made if path.suffix not in (".toml", ".csv", ".svg")]
    rolls = [roll for song in songs for roll in out.glob(f"*/{glob.escape(song.stem)}.roll")]
    if not rolls:
        return []
    before = baked_of(out)
    if before is None:
        baked_ns = min(path.stat().st_mtime_ns for path in rolls)
        changed = {path.name for path in made if path.stat().st_mtime_ns > baked_ns}
    else:
        now = made_of(show)
        changed = {Path(name).name for name in before.keys() | now.keys() if before.get(name) != now.get(name)}
    names = ", ".join(sorted(changed))
    return [f"{score.parent}: changed since it was baked: {names}; bake again to have it"] if changed else []


def _from(folder: Path, path: Path) -> str:
    try:
        return Path(os.path.relpath(path, folder)).as_posix()
    except ValueError:  # on another drive
        return path.as_posix()


@lru_cache(256)
def _sha256(path: Path, mtime_ns: int, size: int) -> str:
    """A file's SHA-256; a song is not read again while it stays as it is."""
    return file_sha256(path)


def _moments(score: Score) -> Iterator[tuple[str, Moment]]:
    """Every place that a score says in the song's own bars, and where it says so; not those inside phrases."""
    stretches = [(block.where, block.stretch) for block in score.clips]
    stretches += [(trigger.where, trigger.stretch) for trigger in score.triggers]
    for where, stretch in stretches:
        if stretch is not None:
            yield f"{where}.at", stretch.at
            if stretch.to is not None:
                yield f"{where}.to", stretch.to
    for name, moments in score.order.items():
        for i, moment in enumerate(moments):
            yield f"order.{name}[{i + 1}]", moment
    for level in score.master:
        yield f"{level.where}.at", level.at


def _another_song(show: Show) -> Iterator[Doubt]:
    """Corrections that were made for another recording."""
    with contextlib.suppress(Faults):
        if other := misplaced(show.song, load_fixes(fixes_path(show.score.song))):
            what = f"{other}: they are applied all the same; listen --as-heard takes those of beats and bars back"
            yield "song", what


def _late_beats(show: Show) -> Iterator[Doubt]:
    """Beats past the last of their bar."""
    grid = show.clock.grid
    for where, moment in _moments(show.score):
        if moment.kind == "bar" and moment.beat >= grid.bar_beats(moment.bar) + 1:
            there = grid.address(grid.position(moment.bar, moment.beat))
            beats = grid.bar_beats(moment.bar)
            yield where, f"bar {moment.bar} has {beats} beats, so {moment.bar}.{float(moment.beat):g} is {there}"


def _clips(show: Show) -> Iterator[Doubt]:
    """Clips whose fades do not fit into them, or that show nowhere."""
    seen = set()
    for cue in show.cues:
        if cue.clip in seen or cue.layer == MASTER_LAYER:
            continue
        seen.add(cue.clip)
        faded = sum(_share(show, cue, pace) for pace in (cue.fade_in, cue.fade_out) if pace is not None)
        if faded > 1 + 1e-9:
            yield cue.address, f"its fades take {faded:.2g} times as long as the clip: it never shows in full"
        zones = show.rig.zones
        if cue.zone in zones and not zones[cue.zone].pixels:
            yield cue.address, f'every pixel of "{cue.zone}" is skipped: it shows nowhere'
        elif cue.only and not set(zones[cue.zone].pixels) & set(zones[cue.only].pixels):
            yield cue.address, f'nothing of "{cue.zone}" lies in "{cue.only}": it shows nowhere'


def _share(show: Show, cue: Cue, pace: Pace) -> float:
    """What part of its clip a fade takes."""
    if pace.unit == "beats":
        return float(pace.value / cue.length) if cue.length else 0.0
    seconds = (show.clock.frame_us(cue.end) - show.clock.frame_us(cue.first)) / SECOND
    return float(pace.value) / seconds if seconds else 0.0
