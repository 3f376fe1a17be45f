"""Rolls as files: write one group by group, read it back from any group, verify it.

Conventions: times are whole microseconds of the song, u32, so a show ends within 71 minutes. Frames are uint8, shape
(frames, frame_bytes), in wire order, strings in the order of the header. Groups, and the units that they are stored
in, are counted from 0; groups follow on each other without a gap. Errors are `RollError` and name the fault, not the
file; the caller knows the file.

    with RollWriter(path, header, groups=len(clock)) as writer:
        for start_us, end_us, frames in groups:
            writer.add(start_us, end_us, frames)
    print(writer.stats.file_bytes)

    with RollReader(path) as reader:
        for group, frames in reader:
            ...
"""

from __future__ import annotations

import bisect
import hashlib
import operator
import os
import secrets
import zlib
from collections import OrderedDict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from types import TracebackType
from typing import IO, BinaryIO, Self, SupportsIndex

import numpy as np
from numpy.typing import NDArray

from . import codec
from .codec import Frames
from .rollhead import (
    Draw,
    Head,
    RollGroup,
    RollHeader,
    RollUnit,
    StringSpec,
    check_header,
    check_times,
    checked_part,
    head_bytes,
    pack_head,
    pack_tables,
    read_head,
)
from .rollplan import PlannedUnit, chains, plan_units
from .spec import (
    LEAST_WINDOW_BITS,
    MOST_GROUPS,
    MOST_WINDOW_BITS,
    U32,
    RollBroken,
    RollError,
)

__all__ = [
    "Draw", "Gathered", "RollGroup", "RollHeader", "RollReader", "RollStats", "RollUnit", "RollWriter",
    "StringSpec", "check_header",
]  # fmt: skip

# What a board needs beside its two units: an inflater by its window (MicroPython's, measured there), and the piece in
# which it reads. With these and one frame it stays within 12 KiB up to 1,536 bytes a frame with the wide window.
INFLATER_BYTES = {12: 5_400, 13: 9_500}
READ_BYTES = 1_024
WIDE_WINDOW_FRAME_BYTES = 1_536

UNIT_BYTES = 34 << 10  # two units and 12 KiB fit into 80 KiB: a guess, for those who know nothing of the board
SEARCH_BYTES = 4 << 20  # of different frames: up to so many, and up to twice as many, some four seconds are spent
LOADED_UNITS = 8  # units that a reader keeps in memory


@dataclass(frozen=True)
class RollStats:
    """Sizes of a roll, bytes but for the counts. `ram_bytes` is what a board needs to play it without a pause."""

    file_bytes: int
    groups: int
    stored_groups: int
    units: int
    frames: int
    raw_bytes: int
    most_group_bytes: int
    most_unit_bytes: int
    most_payload_bytes: int
    ram_bytes: int


# ---- writing ----------------------------------------------------------------------------------------------------


class RollWriter:
    """Writes a roll: groups are put aside as they come, each once, and packed when the last is known.

    Memory does not grow with the frames, only by less than 1 KB a group; what is put aside lies in a file beside it.
    The roll appears under its name when all is written; after any error nothing is left of it and a file that was
    there before is untouched.
    """

    def __init__(
        self,
        path: str | Path,
        header: RollHeader,
        *,
        groups: int,
        effort: codec.Effort | None = None,
        unit_bytes: int = UNIT_BYTES,
        search_bytes: int = SEARCH_BYTES,
    ) -> None:
        """`groups`: how many will be added. Raises `RollError`.

        `effort`: as in `codec`. Unless it is given, it is less for frames that come to more than `search_bytes`, each
        different group counted once, and least for those that come to twice as much.

        `unit_bytes`: what a board can spare for a unit, of which it holds two; a group never needs less than its own
        frames. The more, the smaller the roll. `header` is packed at `close`: until then one with the same strings may
        take its place, such as one whose allotments are known only when all frames have passed.
        """
        check_header(header)
        if not 1 <= groups <= MOST_GROUPS:
            raise RollError(f"a roll has 1 to {MOST_GROUPS} groups, not {groups}")
        self.header = header
        self.path = Path(path)
        self._groups = groups
        self._unit_bytes = unit_bytes
        self._effort, self._search_bytes = effort, search_bytes
        self._times: list[tuple[int, int]] = []
        self._numbers: list[int] = []  # of each group, which different group it is
        self._frames: list[int] = []  # of each different group, its frames
        self._known: dict[bytes, int] = {}  # hash of frames -> number
        self._stats: RollStats | None = None
        self._aside_path = self.path.with_name(f".{self.path.name}.{secrets.token_hex(4)}.aside")
        self._aside: BinaryIO | None = open(self._aside_path, "xb")

    def add(self, start_us: SupportsIndex, end_us: SupportsIndex, frames: Frames) -> bool:
        """Add the next group: frames uint8 (frames, frame_bytes). It starts where the one before ends.

        Returns whether its frames are new to this roll.
        """
        if self._aside is None:
            raise RollError("this roll is already closed")
        start, end = operator.index(start_us), operator.index(end_us)
        number = len(self._times)
        if number == self._groups:
            raise RollError(f"more than the {self._groups} groups that were announced")
        codec.check_frames(frames)
        count = frames.shape[0]
        if frames.shape[1] != self.header.frame_bytes:
            raise RollError(f"frames have {frames.shape[1]} bytes, the header's strings {self.header.frame_bytes}")
        check_times(number, start, end, count, self._times[-1][1] if self._times else start)
        frames = np.ascontiguousarray(frames)
        key = hashlib.sha256(frames.data, usedforsecurity=False).digest() + bytes([count])
        new = key not in self._known
        if new:
            self._known[key] = len(self._frames)
            self._frames.append(count)
            self._aside.write(frames.data)
        self._times.append((start, end))
        self._numbers.append(self._known[key])
        return new

    def close(self) -> None:
        """Pack and write all, and give the file its name. Raises `RollError` if groups are missing."""
        if self._aside is not None:
            try:
                self._stats = self.gathered().pack()
            except BaseException:
                self.discard()
                raise

    def gathered(self) -> Gathered:
        """All that was added, to be packed by whoever asks for it, in this process or another. Instead of `close`.

        Raises `RollError` if groups are missing or the roll is closed.
        """
        if self._aside is None:
            raise RollError("this roll is already closed")
        if len(self._times) != self._groups:
            raise RollError(f"{self._groups} groups were announced, {len(self._times)} added")
        check_header(self.header)
        self._aside.close()
        self._aside = None
        return Gathered(
            self.path, self.header, self._aside_path, self._times, self._numbers, self._frames, self._unit_bytes,
            self._search_bytes, self._effort,
        )  # fmt: skip

    def discard(self) -> None:
        """Give up: nothing is left."""
        if self._aside is not None:
            self._aside.close()
            self._aside = None
        self._aside_path.unlink(missing_ok=True)

    @property
    def stats(self) -> RollStats:
        """Sizes of the finished roll. Raises `RollError` before `close`."""
        if self._stats is None:
            raise RollError("the roll is not finished: sizes are known after close")
        return self._stats

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if error is None:
            self.close()
        else:
            self.discard()


@dataclass(frozen=True)
class Gathered:
    """What was added to a roll, ready to be packed. Plain data, and the file `aside` with each different group once.

    As in `RollWriter`: `times` of the groups, `numbers` of the different one that each is, `frames` of each different
    one.
    """

    path: Path
    header: RollHeader
    aside: Path
    times: Sequence[tuple[int, int]]
    numbers: Sequence[int]
    frames: Sequence[int]
    unit_bytes: int
    search_bytes: int
    effort: codec.Effort | None

    def pack(self) -> RollStats:
        """Pack and write all, and give the file its name; what lay aside is removed."""
        part = self.aside.with_suffix(".part")
        try:
            with open(self.aside, "rb") as aside, open(part, "xb") as file:
                head = self._write(aside, file)
                file.flush()
                os.fsync(file.fileno())
            os.replace(part, self.path)
        except BaseException:
            part.unlink(missing_ok=True)
            raise
        finally:
            self.aside.unlink(missing_ok=True)
        return _stats(head)

    def _write(self, aside: BinaryIO, file: BinaryIO) -> Head:
        plan = plan_units(self.numbers, self.frames, self.header.frame_bytes, self.unit_bytes)
        first_payload = head_bytes(len(pack_tables(self.header)), len(plan), len(self.times))
        file.seek(first_payload)
        units = self._write_payloads(aside, file, plan)
        head = Head(self.header, tuple(units), tuple(self._entries(plan)), self._window_bits, file.tell())
        file.seek(0)
        file.write(pack_head(head))
        return head

    @property
    def _window_bits(self) -> int:
        return MOST_WINDOW_BITS if self.header.frame_bytes <= WIDE_WINDOW_FRAME_BYTES else LEAST_WINDOW_BITS

    def _write_payloads(self, aside: BinaryIO, file: BinaryIO, plan: Sequence[PlannedUnit]) -> list[RollUnit]:
        """Every unit's record."""
        frame_bytes, strings = self.header.frame_bytes, self.header.strings
        channels = max((3, 4), key=lambda n: sum(s.frame_bytes for s in strings if s.channels == n))
        much = sum(self.frames) * frame_bytes / self.search_bytes
        effort = self.effort or (codec.FULL if much <= 1 else codec.FAIR if much <= 2 else codec.QUICK)
        units: list[RollUnit] = []
        end = file.tell()
        for chain in chains(plan):
            filled = [
                np.frombuffer(aside.read(unit.frames * frame_bytes), np.uint8).reshape(unit.frames, -1)
                for unit in chain
            ]
            packed = codec.encode_chain(filled, window_bits=self._window_bits, channels=channels, effort=effort)
            for planned, one in zip(chain, packed, strict=True):
                unit = RollUnit(end, len(one.payload), planned.frames, planned.depth, one.how, 0)
                crc = zlib.crc32(checked_part(unit), zlib.crc32(one.payload))
                units.append(replace(unit, crc=crc))
                file.write(one.payload)
                end += len(one.payload)
                if end > U32:
                    raise RollError("a roll has at most 4 GiB")
        return units

    def _entries(self, plan: Sequence[PlannedUnit]) -> list[RollGroup]:
        place = {}
        for number, planned in enumerate(plan):
            first = 0
            for different in planned.groups:
                place[different] = number, first
                first += self.frames[different]
        return [
            RollGroup(start, end, self.frames[different], *place[different])
            for (start, end), different in zip(self.times, self.numbers, strict=True)
        ]


# ---- reading ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Loaded:
    """A unit inflated: its frames, and what the deflate of the next may point back into."""

    frames: Frames
    window: bytes


class RollReader:
    """Reads a roll. Opening checks everything but the payloads; each payload is checked before it is inflated."""

    def __init__(self, path: str | Path, aside: IO[bytes] | None = None) -> None:
        """Raises `RollError` for a file that is not a whole, sound roll of this version; `OSError` if unreadable.

        `aside`: a file open for writing and reading in which inflated units are kept, for one that asks for the same
        groups again and again; readers may share it.
        """
        self._file: BinaryIO = open(path, "rb")
        try:
            self._head = read_head(self._file, os.fstat(self._file.fileno()).st_size)
        except BaseException:
            self._file.close()
            raise
        self.header, self.units, self.groups = self._head.header, self._head.units, self._head.groups
        self._starts = [group.start_us for group in self.groups]
        self._loaded: OrderedDict[int, _Loaded] = OrderedDict()
        self._most_loaded = LOADED_UNITS if aside is None else 1  # where units lie aside, for the next one to lean on
        self._aside = aside
        self._aside_at: dict[int, int] = {}  # where each unit's frames lie aside

    @cached_property
    def stats(self) -> RollStats:
        """Sizes of this roll."""
        return _stats(self._head)

    def group(self, number: int) -> Frames:
        """The frames of one group, uint8 (frames, frame_bytes). Raises `RollBroken`; `IndexError` beyond the roll."""
        group = self._entry(number)
        try:
            if self._aside is not None:
                return self._from_aside(self._aside, group)
            return self._load(group.unit).frames[group.first : group.first + group.frames].copy()
        except RollError as error:
            raise RollBroken(number, str(error)) from None

    def _from_aside(self, aside: IO[bytes], group: RollGroup) -> Frames:
        """A group's frames; the first of its unit puts that aside. Raises `RollError`."""
        if group.unit not in self._aside_at:
            frames = self._load(group.unit).frames
            self._aside_at[group.unit] = aside.seek(0, os.SEEK_END)
            aside.write(frames.data)
        frame_bytes = self.header.frame_bytes
        aside.seek(self._aside_at[group.unit] + group.first * frame_bytes)
        return np.frombuffer(aside.read(group.frames * frame_bytes), np.uint8).reshape(-1, frame_bytes)

    def frame_times_us(self, number: int) -> NDArray[np.int64]:
        """When the frames of one group latch, int64 (frames,), microseconds of the song."""
        group = self._entry(number)
        steps = np.arange(group.frames, dtype=np.int64) * (group.end_us - group.start_us) // group.frames
        return group.start_us + steps

    def seek(self, us: int) -> tuple[int, int] | None:
        """(group, frame) that stands at a time of the song; None before the first frame and from the end on."""
        number = bisect.bisect_right(self._starts, us) - 1
        if number < 0 or us >= self.groups[number].end_us:
            return None
        return number, self.groups[number].frame_at(us)

    def verify(self) -> list[str]:
        """Every fault that opening did not find, a line each: broken groups, bytes that belong to no group."""
        whys: dict[int, str] = {}
        for number in range(len(self.units)):
            try:
                self._load(number)
            except RollError as error:
                whys[number] = str(error)
        faults = [
            str(RollBroken(number, whys[group.unit])) for number, group in enumerate(self.groups) if group.unit in whys
        ]
        used = {group.unit for group in self.groups}
        faults += [f"unit {number} belongs to no group" for number in range(len(self.units)) if number not in used]
        covered = self._head.bytes_long
        for unit in sorted(self.units, key=lambda unit: unit.payload_at):
            if unit.payload_at != covered:
                faults.append(f"payloads overlap or leave a gap at byte {min(unit.payload_at, covered)}")
            covered = max(covered, unit.payload_at + unit.payload_bytes)
        if covered != self._head.file_bytes:
            faults.append(f"bytes after {covered} belong to no unit")
        return faults

    def __iter__(self) -> Iterator[tuple[RollGroup, Frames]]:
        """Each group with its frames, in the order of time. Raises `RollBroken`."""
        for number, group in enumerate(self.groups):
            yield group, self.group(number)

    def __len__(self) -> int:
        return len(self.groups)

    def close(self) -> None:
        """Close the file."""
        self._file.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _entry(self, number: int) -> RollGroup:
        if not 0 <= number < len(self.groups):
            raise IndexError(f"there is no group {number}: the roll has {len(self.groups)}")
        return self.groups[number]

    def _load(self, number: int) -> _Loaded:
        """A unit, those it leans on first. Raises `RollError`."""
        if number in self._loaded:
            self._loaded.move_to_end(number)
            return self._loaded[number]
        unit = self.units[number]
        before, history, window = None, codec.NO_HISTORY, b""
        if unit.depth:
            leant_on = self._load(number - 1)
            before, window = leant_on.frames[-1], leant_on.window
            if codec.keeps_frames(self.units[number - 1].how):
                history = leant_on.frames
        self._file.seek(unit.payload_at)
        payload = self._file.read(unit.payload_bytes)
        if zlib.crc32(checked_part(unit), zlib.crc32(payload)) != unit.crc:
            raise RollError(f"the checksum of unit {number} does not match")
        bits = self._head.window_bits
        frames, arranged = codec.decode_unit(
            payload, unit.how, unit.frames, self.header.frame_bytes, before=before, history=history, window=window,
            window_bits=bits,
        )  # fmt: skip
        self._loaded[number] = loaded = _Loaded(frames, (window + arranged)[-(1 << bits) :])
        if len(self._loaded) > self._most_loaded:
            self._loaded.popitem(last=False)
        return loaded


def _stats(head: Head) -> RollStats:
    frames = sum(group.frames for group in head.groups)
    frame_bytes = head.header.frame_bytes
    return RollStats(
        file_bytes=head.file_bytes,
        groups=len(head.groups),
        stored_groups=len({group.place for group in head.groups}),
        units=len(head.units),
        frames=frames,
        raw_bytes=frames * frame_bytes,
        most_group_bytes=max(group.frames for group in head.groups) * frame_bytes,
        most_unit_bytes=head.most_unit_bytes,
        most_payload_bytes=max(unit.payload_bytes for unit in head.units),
        # Two units, since the next is made while one is shown; the frame that stands; and what reads and inflates.
        ram_bytes=2 * head.most_unit_bytes + frame_bytes + INFLATER_BYTES[head.window_bits] + READ_BYTES,
    )
