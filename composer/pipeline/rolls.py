"""The door to the exporters: frames of a whole rig -> one roll a controller, with all its board needs, and back."""

from __future__ import annotations

import glob
import os
import shutil
import tempfile
import time
import zipfile
from collections.abc import Iterable, Iterator, Mapping
from concurrent.futures.process import BrokenProcessPool
from contextlib import ExitStack, contextmanager, suppress
from fractions import Fraction
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.typing import NDArray

from exporters.codec import LONG
from exporters.package import (
    MANIFEST,
    Package,
    PackageError,
    manifest_from,
    read_json,
    read_package,
    unit_room,
    write_package,
)
from exporters.rollfile import SEARCH_BYTES, Draw, Gathered, RollHeader, RollReader, RollWriter, StringSpec
from exporters.spec import RollError

from ..clock import Group
from ..faults import Faults, ShowFails, reading
from ..files import whole_file
from ..flash import Brightest
from ..power import CurrentModel, allotments
from ..rig import Rig
from .crew import Crew
from .packing import settings_of, watched
from .show import Show

Frames = NDArray[np.uint8]
OVEN = ".baking-"  # where rolls lie until all of them are whole
STALE_S = 24 * 3600
MEND = "bake the show again"
MISSING = "no such roll: bake the show (a bake that fails a check leaves none)"
KEPT_BYTES = 64 << 20  # frames kept while reading back, so that a bar that repeats is decoded once


def roll_path(out: Path, controller: str, name: str) -> Path:
    """Where a controller's roll lies in an output folder."""
    return out / controller / f"{name}.roll"


def header_of(show: Show, controller: str, allotments: Mapping[str, int], draws: tuple[Draw, ...] = ()) -> RollHeader:
    """What a controller's roll says of itself. A title is cut to what the format holds."""
    title = "".join(letter for letter in show.score.title if letter.isprintable())
    return RollHeader(
        title=title.encode()[:200].decode(errors="ignore"),
        controller=controller,
        song_us=show.song_us,
        song_sha256=show.song.song.sha256,
        strings=strings_of(show.rig, controller),
        allotments=tuple(allotments.items()),
        draws=draws,
    )


def strings_of(rig: Rig, controller: str) -> tuple[StringSpec, ...]:
    """A controller's strings as the roll describes them."""
    return tuple(
        StringSpec(s.name, s.pin, s.clock_pin, s.pixels, s.channels, s.order, s.chip.name)
        for s in rig.strings_of(controller)
    )


class Bakery:
    """Rolls in the making, in a folder of their own: nobody can load one before `deliver`.

    Use as a context; whatever is not delivered at its end is removed. `jobs` rolls are packed at a time, each by a
    process. `brightest` has the largest luminances of what was written.
    """

    def __init__(self, show: Show, out: Path, small: bool = False, jobs: int = 1) -> None:
        self.show, self.out, self.small, self.jobs = show, out, small, jobs
        self.brightest = Brightest(show.rig)
        self._new = not out.exists()
        out.mkdir(parents=True, exist_ok=True)
        for left in out.glob(f"{OVEN}*"):  # of a bake that was killed; one that runs is younger
            if time.time() - left.stat().st_mtime > STALE_S:
                shutil.rmtree(left, ignore_errors=True)
        try:
            self.oven = Path(tempfile.mkdtemp(prefix=OVEN, dir=out))
        except OSError as error:  # which names the folder that nobody asked for
            raise Faults.one(out, "", f"cannot be written: {error.strerror or error}") from None

    def __enter__(self) -> Bakery:
        return self

    def __exit__(self, *_: object) -> None:
        shutil.rmtree(self.oven, ignore_errors=True)
        if self._new and not any(self.out.iterdir()):
            self.out.rmdir()

    def paths(self) -> dict[str, Path]:
        """Each controller's unfinished roll."""
        return {name: roll_path(self.oven, name, self.show.name) for name in self.show.rig.controllers}

    @property
    def film(self) -> Path:
        """Where the film of the show lies until it is delivered."""
        return self.oven / "film.png"

    def write(self, stream: Iterable[tuple[Group, Frames]]) -> None:
        """Write every group of the show to each controller's roll. Raises ShowFails when a process that packs dies.

        What the frames draw at most goes into the rolls' heads, which are written last: allotments and draws.
        """
        show = self.show
        model = CurrentModel(show.rig)
        most_a = np.zeros(len(model.draws))
        with ExitStack() as stack:
            writers: dict[str, RollWriter] = {}
            for name, path in self.paths().items():
                path.parent.mkdir(parents=True, exist_ok=True)
                # Two units, decoder and player fit the board's memory: larger units make smaller rolls.
                settings = settings_of(show.rig, name, ())
                unit_bytes = unit_room(show.rig.controllers[name].board.ram_bytes, settings)
                writer = RollWriter(
                    path,
                    header_of(show, name, {}),
                    groups=len(show.clock.groups),
                    effort=LONG if self.small else None,
                    unit_bytes=unit_bytes,
                    search_bytes=SEARCH_BYTES // len(show.rig.controllers),
                )
                writers[name] = stack.enter_context(writer)
            for group, frames in stream:
                new = [
                    name
                    for name, writer in writers.items()
                    if writer.add(group.start_us, group.end_us, frames[:, show.rig.controller_slices[name]])
                ]
                if new:
                    self.brightest.add(frames)
                    np.maximum(most_a, model.most_a(frames, new), out=most_a)
            allotted = allotments(model, most_a)
            for name, writer in writers.items():
                draws = watched(model, name, most_a, allotted[name])
                writer.header = header_of(show, name, allotted[name], draws)
            if self.jobs > 1:
                _pack([writer.gathered() for writer in writers.values()], self.jobs)

    def deliver(self) -> dict[str, Path]:
        """Put the rolls, players, settings and manifests in their places.

        A folder's manifest goes first and comes last, so nobody can load a folder that is half old and half new.
        """
        delivered = {}
        rig = self.show.rig
        for name, path in self.paths().items():
            place = roll_path(self.out, name, self.show.name)
            rolls = [path, *rolls_beside(place, strings_of(rig, name))]
            songs = sorted(roll.name for roll in rolls)
            board = rig.controllers[name].board.name
            package = write_package(path.parent, name, board, settings_of(rig, name, songs), rolls)
            move_package(package, place.parent)
            delivered[name] = place
        self._clear_others()
        return delivered

    def withdraw(self) -> None:
        """A show that fails leaves no loadable roll, not even that of an earlier bake."""
        for name in self.show.rig.controllers:
            withdraw_roll(roll_path(self.out, name, self.show.name))
        self._clear_others()

    def _clear_others(self) -> None:
        """Rolls of this show for boards that the rig no longer has: loaded by mistake, they would play an old show."""
        for path in self.out.glob(f"*/{glob.escape(self.show.name)}.roll"):
            if path.parent.name not in self.show.rig.controllers:
                withdraw_roll(path)
                with suppress(OSError):  # something else lies there
                    path.parent.rmdir()

    def strangers(self) -> list[str]:
        """A line for each package in the folder whose controller the rig does not have: another's, or left over."""
        folders = sorted(path.parent for path in self.out.glob(f"*/{MANIFEST}"))
        lost = [f for f in folders if f.name not in self.show.rig.controllers and _files_of(f)]
        what = "the rig has no such controller: delete the folder if no other show needs it"
        return [f"{folder.resolve()}: {what}" for folder in lost]


def _pack(rolls: list[Gathered], jobs: int) -> None:
    """Pack rolls, `jobs` at a time."""
    with Crew(jobs) as pool:
        try:
            list(pool.map(Gathered.pack, rolls))
        except BrokenProcessPool:
            raise ShowFails("a process that packed rolls has died; --jobs 1 needs less memory") from None


def rolls_beside(place: Path, strings: tuple[StringSpec, ...]) -> list[Path]:
    """Other shows' rolls in a controller's folder that its strings can play: several bakes may share a folder."""
    beside = []
    for path in sorted(place.parent.glob("*.roll")):
        if path.name != place.name:
            with suppress(RollError, OSError), RollReader(path) as reader:
                if reader.header.strings == strings and reader.header.controller == place.parent.name:
                    beside.append(path)
    return beside


def move_package(package: Package, place: Path) -> None:
    """Move a package's files from the oven to their folder. What else lies in that folder stays, but for modules of an
    earlier player that this one does not have."""
    place.mkdir(parents=True, exist_ok=True)
    before = _files_of(place)
    (place / MANIFEST).unlink(missing_ok=True)
    for name in before - {file.name for file in package.files}:
        if not name.endswith(".roll"):
            (place / name).unlink(missing_ok=True)
    for name in [*(file.name for file in package.files), MANIFEST]:
        if (package.folder / name).exists():  # another show's roll is in its place already
            (place / name).parent.mkdir(parents=True, exist_ok=True)
            os.replace(package.folder / name, place / name)


def _files_of(folder: Path) -> set[str]:
    """The names in a folder's manifest; none where it has no sound one."""
    try:
        return {file.name for file in manifest_from(read_json(folder / MANIFEST), folder).files}
    except PackageError:
        return set()


def withdraw_roll(path: Path) -> None:
    """Remove a roll, and what was baked with it where no other roll is left that needs it."""
    folder = path.parent
    try:
        package = read_package(folder)
    except PackageError:
        package = None
    path.unlink(missing_ok=True)
    if package is None or not any(roll.name != path.name for roll in package.rolls):
        (folder / MANIFEST).unlink(missing_ok=True)
        for file in package.files if package is not None else ():
            (folder / file.name).unlink(missing_ok=True)
            if "/" in file.name:
                with suppress(OSError):  # not empty yet, or never will be
                    (folder / file.name).parent.rmdir()
    else:
        rest = [folder / roll.name for roll in package.rolls if roll.name != path.name]
        settings = package.settings | {"songs": [roll.name for roll in rest]}
        write_package(folder, package.controller, package.board, settings, rest)


def read_back(rig: Rig, paths: dict[str, Path]) -> Iterator[tuple[Group, Frames]]:
    """The frames of a whole rig from its controllers' rolls, group by group.

    Yields (group, uint8 (frames, rig.frame_bytes)); a group that repeats yields the very same array while it is
    kept. The groups know no music: their beat is 0. Raises Faults where a roll is missing, ShowFails where one is
    broken or not of this rig.
    """
    with ExitStack() as stack:
        readers = {}
        aside = stack.enter_context(_aside(next(iter(paths.values())).parent))
        for name, path in paths.items():
            try:
                readers[name] = stack.enter_context(RollReader(path, aside))
            except FileNotFoundError:
                raise Faults.one(path, "", MISSING) from None
            except RollError as error:
                raise _broken(path, error) from None
            if readers[name].header.strings != strings_of(rig, name):
                raise ShowFails(f"{path}: was baked for another rig than {rig.path}: {MEND}")
        yield from _joined(rig, readers, paths)


def _aside(folder: Path) -> IO[bytes]:
    """A nameless file: where rolls lie, as there is room for rolls, or where temporary files go."""
    with suppress(OSError):
        return tempfile.TemporaryFile(dir=folder)
    return tempfile.TemporaryFile()


def _joined(rig: Rig, readers: dict[str, RollReader], paths: dict[str, Path]) -> Iterator[tuple[Group, Frames]]:
    clocks = {tuple((g.start_us, g.end_us, g.frames) for g in reader.groups) for reader in readers.values()}
    if len(clocks) > 1:
        raise ShowFails(
            f"{', '.join(map(str, paths.values()))}: these rolls do not share one clock: bake the show again"
        )
    kept: dict[tuple[tuple[int, int, int], ...], Frames] = {}
    kept_bytes = 0
    first = 0
    for number, group in enumerate(next(iter(readers.values())).groups):
        key = tuple((*reader.groups[number].place, group.frames) for reader in readers.values())
        frames = kept.get(key)
        if frames is None:
            frames = np.zeros((group.frames, rig.frame_bytes), np.uint8)
            for name, reader in readers.items():
                try:
                    frames[:, rig.controller_slices[name]] = reader.group(number)
                except RollError as error:
                    raise _broken(paths[name], error) from None
            frames.setflags(write=False)
            if kept_bytes + frames.nbytes <= KEPT_BYTES:
                kept[key] = frames
                kept_bytes += frames.nbytes
        yield Group(number, first, group.frames, group.start_us, group.end_us, Fraction(0), Fraction(1)), frames
        first += group.frames


# ---- one roll as a person asks about it --------------------------------------------------------------------------


@contextmanager
def opened(path: Path) -> Iterator[RollReader]:
    """A roll to read from. Raises Faults for a file that cannot be read, ShowFails for one that is no sound roll."""
    try:
        with reading(path, "roll"):
            reader = RollReader(path)
        with reader:
            yield reader
    except RollError as error:
        raise _broken(path, error) from None


def _broken(path: Path, error: RollError) -> ShowFails:
    """What is wrong with a roll, and the way out, which is always the same."""
    return ShowFails(f"{path}: {error}" if str(error).startswith("not a roll") else f"{path}: {error}: {MEND}")


def inspect(path: Path, verify: bool = False, frames: Path | None = None) -> dict[str, Any]:
    """What a roll holds, as plain data. `verify` adds `faults`; `frames` writes every frame to an npz file.

    Raises as `opened`.
    """
    with opened(path) as reader:
        found = _described(path, reader)
        if verify:
            found["faults"] = reader.verify()
        if frames is not None:
            save_frames(reader, frames)
    return found


def _described(path: Path, reader: RollReader) -> dict[str, Any]:
    header, stats = reader.header, reader.stats
    return {
        "file": str(path),
        "title": header.title,
        "controller": header.controller,
        "song_s": header.song_us / 1e6,
        "song_sha256": header.song_sha256,
        "strings": [
            {
                "name": s.name, "pin": s.pin, "clock_pin": s.clock_pin, "pixels": s.pixels,
                "channels": s.channels, "order": s.order, "chip": s.chip,
            }
            for s in header.strings
        ],
        "allotments_ma": dict(header.allotments),
        "draws": [vars(draw) for draw in header.draws],
        "start_s": reader.groups[0].start_us / 1e6,
        "end_s": reader.groups[-1].end_us / 1e6,
        "groups": stats.groups,
        "stored_groups": stats.stored_groups,
        "frames": stats.frames,
        "roll_bytes": stats.file_bytes,
        "raw_bytes": stats.raw_bytes,
        "ram_bytes": stats.ram_bytes,
    }  # fmt: skip


def save_frames(reader: RollReader, path: Path) -> None:
    """Every frame of a roll as npz: each string's name -> uint8 (frames, pixels, channels) in wire order, `times_s`
    float64 (frames,) when each latches, `periods_us` float64 (frames,) how long each stands. Raises `Faults`."""
    total = sum(group.frames for group in reader.groups)
    arrays = {s.name: np.empty((total, s.pixels, s.channels), np.uint8) for s in reader.header.strings}
    times_us = np.empty(total + 1, np.int64)
    at = 0
    for number, (group, frames) in enumerate(reader):
        end = at + group.frames
        times_us[at:end] = reader.frame_times_us(number)
        for s in reader.header.strings:
            arrays[s.name][at:end] = frames[:, reader.header.byte_slices[s.name]].reshape(-1, s.pixels, s.channels)
        at = end
    times_us[total] = reader.groups[-1].end_us
    own = {"times_s": times_us[:-1] / 1e6, "periods_us": np.diff(times_us).astype(np.float64)}
    for name in own.keys() & arrays.keys():
        raise Faults.one(path, name, "a string of this name would stand in the place of the frames' own times")
    with whole_file(path) as draft, zipfile.ZipFile(draft, "w", zipfile.ZIP_DEFLATED) as file:
        for name, array in (own | arrays).items():  # numpy's own writer takes no string called "file"
            with file.open(f"{name}.npy", "w", force_zip64=True) as part:
                np.lib.format.write_array(part, np.asarray(array), allow_pickle=False)
