"""From shows to boards: what was baked is checked against the rig as it is now, and against the evening, and copied."""

from __future__ import annotations

import tempfile
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from exporters import loading
from exporters.loading import Choices, Job, Loaded
from exporters.mpboard import BoardError
from exporters.package import Package, PackageError, fits_together, read_package, write_package

from ..faults import Fault, Faults, ShowFails, nearest, read_toml
from ..files import score_path
from ..rig import Rig
from .packing import row_of, settings_of
from .rolls import MISSING
from .show import Tell, rig_of, silent


def load(
    shows: Sequence[Path],
    out: Path | None = None,
    *,
    controller: str | None = None,
    ports: Sequence[str] = (),
    wiring: bool = False,
    look: Path | None = None,
    alone: Mapping[str, Any] | None = None,
    choices: Choices | None = None,
    tell: Tell = silent,
) -> tuple[list[Loaded], list[str]]:
    """Copy what was baked to the boards that are plugged in, and verify it: what was done, and whose boards were not
    there.

    `shows`: their folders, in the order of the evening; with `wiring` one show or rig file, of which only player and
    settings are copied. `out`: where they were baked to, instead of each show's `out`. `controller`: only this one.
    `look`: a show that loops in the pauses; `alone`: further settings for boards that run without a computer.
    Raises `Faults`, and `ShowFails` for shows that do not fit a board together.
    """
    with tempfile.TemporaryDirectory() as scratch:
        try:
            if wiring:
                jobs = wiring_jobs(shows[0], controller, Path(scratch))
            else:
                jobs = show_jobs(shows, controller, out, look, alone)
            done = loading.load(list(jobs.values()), ports, choices, tell)
        except loading.Refused as error:
            raise _faults(error.lines) from None
        except (BoardError, PackageError) as error:
            raise _faults([str(error)]) from None
    there = {loaded.controller for loaded in done}
    return done, [name for name in jobs if name not in there]


def show_jobs(
    shows: Sequence[Path],
    controller: str | None = None,
    out: Path | None = None,
    look: Path | None = None,
    alone: Mapping[str, Any] | None = None,
) -> dict[str, Job]:
    """What is to lie on each controller's board (or on one's), by controller.

    Raises `Faults`, `ShowFails`, and `PackageError` for a roll that this version cannot read.
    """
    packages: dict[str, dict[Path, Package]] = {}
    songs: dict[str, list[str]] = {}
    looks: dict[str, str] = {}
    rigs: dict[str, Rig] = {}
    lines: list[str] = []
    for show in (*shows, look) if look is not None else shows:
        score = score_path(show)
        rig, roll = rig_of(show), _roll_of(score)
        for name in _chosen(rig, controller):
            place = (out or score.parent / "out") / name
            try:
                package = read_package(place)
                if roll not in [file.name for file in package.rolls]:
                    raise PackageError(f"{place / roll}: {MISSING}")
                if package.settings != settings_of(rig, name, package.settings.get("songs", ())):
                    raise PackageError(f"{place}: the rig has changed since it was baked: bake the show again")
            except PackageError as error:
                lines.append(str(error))
                continue
            packages.setdefault(name, {})[place.resolve()] = package
            rigs[name] = rig
            if show is look:
                looks[name] = roll
            else:
                songs.setdefault(name, []).append(roll)
    if lines:
        raise _faults(dict.fromkeys(lines))
    jobs = {}
    for name, found in packages.items():
        board = rigs[name].controllers[name].board
        plays = tuple(songs.get(name, ()))
        all_of_it = tuple(found.values())
        lines += fits_together(row_of(board), all_of_it, {*plays, looks.get(name, "")})
        jobs[name] = Job(name, row_of(board), board.machine, all_of_it, plays, looks.get(name), alone or {})
    if lines:
        raise ShowFails("\n".join(lines))
    return jobs


def _roll_of(score: Path) -> str:
    """What the rolls of a score are called. Raises `Faults`."""
    song = read_toml(score).get("song")
    if not isinstance(song, str):
        raise Faults.one(score, "song", "is missing")
    return f"{Path(song).stem}.roll"


def wiring_jobs(show: Path, controller: str | None, scratch: Path) -> dict[str, Job]:
    """Player and settings alone for each controller of a rig (or for one), written into `scratch`. Raises `Faults`."""
    rig = rig_of(show)
    jobs = {}
    for name in _chosen(rig, controller):
        board = rig.controllers[name].board
        folder = scratch / name
        folder.mkdir()
        package = write_package(folder, name, board.name, settings_of(rig, name, ()))
        jobs[name] = Job(name, row_of(board), board.machine, (package,), (), wiring=True)
    return jobs


def _chosen(rig: Rig, controller: str | None) -> list[str]:
    if controller is None:
        return list(rig.controllers)
    if controller not in rig.controllers:
        what = f'there is no controller "{controller}"'
        raise Faults.one(rig.path, "controller", what, nearest(controller, rig.controllers))
    return [controller]


def _faults(lines: Iterable[str]) -> Faults:
    """Lines that begin with a port or a file, as faults."""
    return Faults(
        Fault(file if what else "load", "", what or file) for file, _, what in (s.partition(": ") for s in lines)
    )


__all__ = ["Choices", "Job", "Loaded", "load", "rig_of", "show_jobs", "wiring_jobs"]
