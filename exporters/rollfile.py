"""Rolls as files: write one group by group, read it back from any group, verify it.

Conventions: times are whole microseconds of the song, u32, so a show ends within 71 minutes. Frames are uint8, shape
(frames, frame_bytes), in wire order, strings in the order of the header. Groups are counted from 0 and follow on each
other without a gap. Errors are `RollError` and name the fault, not the file; the caller knows the file.

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
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from types import TracebackType
from typing import Any, BinaryIO, Self, SupportsIndex

import numpy as np
from numpy.typing import NDArray

from . import codec
from .codec import Frames
from .spec import (
    ENTRY,
    ENTRY_CHECKED,
    HEADER,
    INDEX_END,
    MAGIC,
    MOST_FRAME_BYTES,
    MOST_GROUP_BYTES,
    MOST_GROUPS,
    MOST_NAME_BYTES,
    MOST_PRODUCT,
    MOST_STRINGS,
    MOST_SUPPLIES,
    NO_PIN,
    STRING,
    SUPPLY,
    U32,
    VERSION,
    WINDOW_BITS,
    RollBroken,
    RollError,
    pack,
    unpack,
    width,
)

# What an inflater takes besides its source: MicroPython's, with a 4 KiB window (measured there).
INFLATER_BYTES = 5_400


@dataclass(frozen=True)
class StringSpec:
    """One string: its pins (`clock_pin` None for chips without a clock line), pixels, wire order and chip."""

    name: str
    pin: int
    clock_pin: int | None
    pixels: int
    channels: int
    order: str
    chip: str

    @property
    def frame_bytes(self) -> int:
        """Bytes of one frame of this string."""
        return self.pixels * self.channels


@dataclass(frozen=True)
class RollHeader:
    """What a roll says of itself. `allotments`: what this board may draw of each supply, (supply, milliamps)."""

    title: str
    controller: str
    song_us: int
    song_sha256: str
    strings: tuple[StringSpec, ...]
    allotments: tuple[tuple[str, int], ...] = ()

    @property
    def frame_bytes(self) -> int:
        """Bytes of one frame, all strings."""
        return sum(string.frame_bytes for string in self.strings)

    @property
    def byte_slices(self) -> dict[str, slice]:
        """Where each string's bytes lie in a frame."""
        out, first = {}, 0
        for string in self.strings:
            out[string.name] = slice(first, first + string.frame_bytes)
            first += string.frame_bytes
        return out


@dataclass(frozen=True)
class RollGroup:
    """One entry of the index, with the start of the next as its end."""

    start_us: int
    end_us: int
    frames: int
    payload_at: int
    payload_bytes: int
    crc: int

    def frame_us(self, frame: int) -> int:
        """When a frame latches, microseconds; `frame_us(frames)` is the end."""
        return self.start_us + frame * (self.end_us - self.start_us) // self.frames

    def frame_at(self, us: int) -> int:
        """The frame that stands at a time within the group: the last one that is due by then."""
        return ((us - self.start_us + 1) * self.frames - 1) // (self.end_us - self.start_us)


@dataclass(frozen=True)
class RollStats:
    """Sizes of a roll, bytes but for the counts. `ram_bytes` is what a board needs to play it without a pause."""

    file_bytes: int
    groups: int
    stored_groups: int
    frames: int
    raw_bytes: int
    most_group_bytes: int
    most_payload_bytes: int
    ram_bytes: int


# ---- writing ----------------------------------------------------------------------------------------------------


class RollWriter:
    """Writes a roll group by group: memory does not grow with the frames, only by less than 1 KB a group.

    The file appears under its name when all is written; after any error nothing is left of it and a file that was
    there before is untouched.
    """

    def __init__(
        self, path: str | Path, header: RollHeader, *, groups: int, level: int = codec.LEVEL, small: bool = False
    ) -> None:
        """`groups`: how many will be added. `level`: zlib's effort. `small`: search long. Raises `RollError`."""
        check_header(header)
        if not 1 <= groups <= MOST_GROUPS:
            raise RollError(f"a roll has 1 to {MOST_GROUPS} groups, not {groups}")
        self.header = header
        self.path = Path(path)
        self._groups = groups
        self._level, self._small = level, small
        self._channels = max((3, 4), key=lambda n: sum(s.frame_bytes for s in header.strings if s.channels == n))
        self._tables = _pack_tables(header)
        self._entries: list[RollGroup] = []
        self._stored: dict[bytes, tuple[int, int, int]] = {}  # hash of frames -> payload's place, size, CRC
        self._stats: RollStats | None = None
        self._end = width(HEADER) + len(self._tables) + groups * width(ENTRY) + width(INDEX_END)
        self._part = self.path.with_name(f".{self.path.name}.{secrets.token_hex(4)}.part")
        self._file: BinaryIO | None = open(self._part, "xb")
        self._file.seek(self._end)

    def add(self, start_us: SupportsIndex, end_us: SupportsIndex, frames: Frames) -> None:
        """Add the next group: frames uint8 (frames, frame_bytes). It starts where the one before ends."""
        if self._file is None:
            raise RollError("this roll is already closed")
        start, end = operator.index(start_us), operator.index(end_us)
        number = len(self._entries)
        if number == self._groups:
            raise RollError(f"more than the {self._groups} groups that were announced")
        codec.check_frames(frames)
        count = frames.shape[0]
        if frames.shape[1] != self.header.frame_bytes:
            raise RollError(f"frames have {frames.shape[1]} bytes, the header's strings {self.header.frame_bytes}")
        _check_times(number, start, end, count, self._entries[-1].end_us if self._entries else start)
        frames = np.ascontiguousarray(frames)
        key = hashlib.blake2b(frames.data, digest_size=16, salt=bytes([count])).digest()
        if key not in self._stored:
            payload = codec.encode_group(frames, channels=self._channels, level=self._level, small=self._small)
            self._stored[key] = self._end, len(payload), zlib.crc32(payload)
            self._file.write(payload)
            self._end += len(payload)
            if self._end > U32:
                raise RollError("a roll has at most 4 GiB")
        at, size, payload_crc = self._stored[key]
        group = RollGroup(start, end, count, at, size, 0)
        crc = zlib.crc32(_checked_part(group), payload_crc)
        self._entries.append(RollGroup(start, end, count, at, size, crc))

    def close(self) -> None:
        """Write header and index, and give the file its name. Raises `RollError` if groups are missing."""
        if self._file is None:
            return
        try:
            if len(self._entries) != self._groups:
                raise RollError(f"{self._groups} groups were announced, {len(self._entries)} added")
            self._file.seek(0)
            self._file.write(self._head())
            self._file.flush()
            os.fsync(self._file.fileno())
            self._file.close()
            os.replace(self._part, self.path)
        except BaseException:
            self.discard()
            raise
        self._file = None
        self._stats = _stats(self.header, self._entries, self._end)

    def discard(self) -> None:
        """Give up: nothing is left."""
        if self._file is not None:
            self._file.close()
            self._file = None
            self._part.unlink(missing_ok=True)

    @property
    def stats(self) -> RollStats:
        """Sizes of the finished roll. Raises `RollError` before `close`."""
        if self._stats is None:
            raise RollError("the roll is not finished: sizes are known after close")
        return self._stats

    def _head(self) -> bytes:
        header = pack(
            HEADER,
            {
                "magic": MAGIC,
                "version": VERSION,
                "window_bits": WINDOW_BITS,
                "strings": len(self.header.strings),
                "supplies": len(self.header.allotments),
                "file_bytes": self._end,
                "frame_bytes": self.header.frame_bytes,
                "groups": self._groups,
                "most_payload_bytes": max(entry.payload_bytes for entry in self._entries),
                "most_frames": max(entry.frames for entry in self._entries),
                "reserved": 0,
                "names_bytes": len(_pack_names(self.header)),
                "song_us": self.header.song_us,
                "song_sha256": bytes.fromhex(self.header.song_sha256),
            },
        )
        index = b"".join(pack(ENTRY, vars(entry)) for entry in self._entries)
        head = header + self._tables + index + self._entries[-1].end_us.to_bytes(4, "little")
        return head + zlib.crc32(head).to_bytes(4, "little")

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if error is None:
            self.close()
        else:
            self.discard()


# ---- reading ----------------------------------------------------------------------------------------------------


class RollReader:
    """Reads a roll. Opening checks everything but the payloads; each payload is checked before it is inflated."""

    def __init__(self, path: str | Path) -> None:
        """Raises `RollError` for a file that is not a whole, sound roll of this version; `OSError` if unreadable."""
        self._file: BinaryIO = open(path, "rb")
        try:
            self._file_bytes = os.fstat(self._file.fileno()).st_size
            self.header, self.groups, self._head_bytes = _read_head(self._file, self._file_bytes)
        except BaseException:
            self._file.close()
            raise
        self._starts = [group.start_us for group in self.groups]

    @cached_property
    def stats(self) -> RollStats:
        """Sizes of this roll."""
        return _stats(self.header, self.groups, self._file_bytes)

    def group(self, number: int) -> Frames:
        """The frames of one group, uint8 (frames, frame_bytes). Raises `RollBroken`; `IndexError` beyond the roll."""
        group = self._entry(number)
        payload = self._payload(number)
        try:
            return codec.decode_group(payload, group.frames, self.header.frame_bytes)
        except RollError as error:
            raise RollBroken(number, str(error)) from None

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
        faults = []
        sound: set[tuple[int, int, int]] = set()
        for number, group in enumerate(self.groups):
            place = group.payload_at, group.payload_bytes, group.frames
            try:
                self._payload(number) if place in sound else self.group(number)
                sound.add(place)
            except RollBroken as error:
                faults.append(str(error))
        covered = self._head_bytes
        for at, size in sorted({(group.payload_at, group.payload_bytes) for group in self.groups}):
            if at != covered:
                faults.append(f"payloads overlap or leave a gap at byte {min(at, covered)}")
            covered = max(covered, at + size)
        if covered != self._file_bytes:
            faults.append(f"bytes after {covered} belong to no group")
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

    def _payload(self, number: int) -> bytes:
        group = self.groups[number]
        self._file.seek(group.payload_at)
        payload = self._file.read(group.payload_bytes)
        if zlib.crc32(_checked_part(group), zlib.crc32(payload)) != group.crc:
            raise RollBroken(number, "its checksum does not match")
        return payload


def _read_head(file: BinaryIO, file_bytes: int) -> tuple[RollHeader, tuple[RollGroup, ...], int]:
    """Everything before the payloads, checked: header, groups, bytes. Sizes are checked before memory is taken."""
    start = file.read(width(HEADER))
    if start[:4] != MAGIC:
        raise RollError("not a roll: it does not begin with ROLL")
    if len(start) > 4 and start[4] != VERSION:
        raise RollError(f"a roll of version {start[4]}; this reader knows version {VERSION}")
    if len(start) < width(HEADER):
        raise RollError(f"cut short: {file_bytes} bytes are not even a header")
    head = unpack(HEADER, start)
    if file_bytes != head["file_bytes"]:
        raise RollError(f"cut short or grown: {file_bytes} bytes, the header says {head['file_bytes']}")
    table_bytes = head["strings"] * width(STRING) + head["supplies"] * width(SUPPLY) + head["names_bytes"]
    index_at = width(HEADER) + table_bytes
    head_bytes = index_at + head["groups"] * width(ENTRY) + width(INDEX_END)
    if head_bytes > file_bytes:
        raise RollError(f"header and index need {head_bytes} bytes, the file has {file_bytes}")
    if head["most_frames"] * head["frame_bytes"] > MOST_GROUP_BYTES:
        raise RollError(f"a group has at most {MOST_GROUP_BYTES} bytes")
    data = start + file.read(head_bytes - len(start))
    end = unpack(INDEX_END, data, head_bytes - width(INDEX_END))
    if zlib.crc32(data[:-4]) != end["head_crc"]:
        raise RollError("the checksum of header and index does not match")
    header = _unpack_tables(head, data[:index_at])
    if header.frame_bytes != head["frame_bytes"]:
        raise RollError(f"frame_bytes is {head['frame_bytes']}, the strings have {header.frame_bytes}")
    groups = _unpack_index(head, data, index_at, end["end_us"])
    _check_index(head, groups, head_bytes)
    return header, groups, head_bytes


def _unpack_index(head: dict[str, Any], data: bytes, at: int, end_us: int) -> tuple[RollGroup, ...]:
    step = width(ENTRY)
    entries = [unpack(ENTRY, data, at + number * step) for number in range(head["groups"])]
    ends = [entry["start_us"] for entry in entries[1:]] + [end_us]
    return tuple(RollGroup(end_us=end, **entry) for entry, end in zip(entries, ends, strict=True))


def _check_index(head: dict[str, Any], groups: tuple[RollGroup, ...], head_bytes: int) -> None:
    for number, group in enumerate(groups):
        _check_times(number, group.start_us, group.end_us, group.frames, group.start_us)
        if group.payload_at < head_bytes or group.payload_at + group.payload_bytes > head["file_bytes"]:
            raise RollError(f"group {number}: its payload lies outside the file's payloads")
    for name, most in (
        ("most_payload_bytes", max(group.payload_bytes for group in groups)),
        ("most_frames", max(group.frames for group in groups)),
    ):
        if head[name] != most:
            raise RollError(f"{name} is {head[name]}, the index has {most}")


# ---- both -------------------------------------------------------------------------------------------------------


def check_header(header: RollHeader) -> None:
    """Raise `RollError` unless the header is within the limits of ROLL.md."""
    _check_range("strings of a roll", len(header.strings), 1, MOST_STRINGS)
    _check_range("supplies of a roll", len(header.allotments), 0, MOST_SUPPLIES)
    _check_range("song_us", header.song_us, 0, U32)
    if len(header.song_sha256) != 64 or not set(header.song_sha256) <= set("0123456789abcdef"):
        raise RollError("song_sha256 must be 64 hexadecimal digits in lower case")
    pins = []
    for string in header.strings:
        if sorted(string.order) not in (sorted("rgb"), sorted("rgbw")):
            raise RollError(f'string {string.name}: order "{string.order}" must hold r, g, b and perhaps w, once each')
        if string.channels != len(string.order):
            raise RollError(f'string {string.name}: {string.channels} channels, but its order is "{string.order}"')
        _check_range(f"string {string.name}: pin", string.pin, 0, 254)
        _check_range(f"string {string.name}: clock_pin", string.clock_pin or 0, 0, 254)
        _check_range(f"string {string.name}: pixels", string.pixels, 1, 65_535)
        pins += [pin for pin in (string.pin, string.clock_pin) if pin is not None]
    if len(set(pins)) != len(pins):
        raise RollError("two lines on one pin")
    _check_range("bytes of a frame", header.frame_bytes, 3, MOST_FRAME_BYTES)
    for supply, milliamps in header.allotments:
        _check_range(f"allotment of {supply}", milliamps, 0, U32)
    _pack_names(header)
    for names in ([string.name for string in header.strings], [supply for supply, _ in header.allotments]):
        if len(set(names)) != len(names):
            raise RollError(f"one name twice among {', '.join(names)}")


def _check_range(what: str, value: int, low: int, high: int) -> None:
    if not isinstance(value, int) or not low <= value <= high:
        raise RollError(f"{what} must be {low} to {high}, not {value}")


def _check_times(number: int, start_us: int, end_us: int, frames: int, expected_us: int) -> None:
    if not 0 <= start_us < end_us <= U32:
        raise RollError(f"group {number}: from {start_us} to {end_us} us is not a time of a song up to 71 minutes")
    if start_us != expected_us:
        raise RollError(f"group {number} starts at {start_us} us, the one before ends at {expected_us}")
    if end_us - start_us < frames:
        raise RollError(f"group {number}: {frames} frames in {end_us - start_us} us")
    if frames * (end_us - start_us) > MOST_PRODUCT:
        raise RollError(f"group {number}: {frames} frames in {end_us - start_us} us: frames x us must be below 2^30")


def _checked_part(group: RollGroup) -> bytes:
    """What an entry's CRC covers after the payload: the entry before its crc, and the next start."""
    return pack(ENTRY, vars(group))[:ENTRY_CHECKED] + group.end_us.to_bytes(4, "little")


def _pack_tables(header: RollHeader) -> bytes:
    strings = [
        {
            "pin": string.pin,
            "clock_pin": NO_PIN if string.clock_pin is None else string.clock_pin,
            "pixels": string.pixels,
            "order": string.order.encode("ascii").ljust(4, b"\0"),
        }
        for string in header.strings
    ]
    supplies = [{"milliamps": milliamps} for _, milliamps in header.allotments]
    rows = [pack(STRING, row) for row in strings] + [pack(SUPPLY, row) for row in supplies]
    return b"".join(rows) + _pack_names(header)


def _pack_names(header: RollHeader) -> bytes:
    names = [header.title, header.controller]
    for string in header.strings:
        names += [string.name, string.chip]
    names += [supply for supply, _ in header.allotments]
    out = bytearray()
    for number, name in enumerate(names):
        try:
            text = name.encode("utf-8")
        except UnicodeEncodeError:
            raise RollError("a name holds half a character") from None
        if len(text) > MOST_NAME_BYTES or not text and number > 0:
            least = 1 if number > 0 else 0
            raise RollError(f'"{name[:20]}": a name has {least} to {MOST_NAME_BYTES} bytes of UTF-8, not {len(text)}')
        if any(ord(letter) < 32 or ord(letter) == 127 for letter in name):
            raise RollError(f"a name holds a control character: {name!r}")
        out += bytes([len(text)]) + text
    return bytes(out)


def _unpack_tables(head: dict[str, Any], data: bytes) -> RollHeader:
    """The header from the bytes before the index."""
    at = width(HEADER)
    rows = [unpack(STRING, data, at + number * width(STRING)) for number in range(head["strings"])]
    at += head["strings"] * width(STRING)
    supplies = [unpack(SUPPLY, data, at + number * width(SUPPLY)) for number in range(head["supplies"])]
    names = iter(_unpack_names(data[at + head["supplies"] * width(SUPPLY) :], 2 + 2 * len(rows) + len(supplies)))
    title, controller = next(names), next(names)
    strings = []
    for row in rows:
        clock_pin = None if row["clock_pin"] == NO_PIN else row["clock_pin"]
        order = row["order"].rstrip(b"\0").decode("ascii", "replace")
        strings.append(StringSpec(next(names), row["pin"], clock_pin, row["pixels"], len(order), order, next(names)))
    allotments = tuple((next(names), row["milliamps"]) for row in supplies)
    header = RollHeader(title, controller, head["song_us"], head["song_sha256"].hex(), tuple(strings), allotments)
    check_header(header)
    return header


def _unpack_names(data: bytes, count: int) -> list[str]:
    names = []
    for _ in range(count):
        size = data[0] if data else 0
        if len(data) < 1 + size:
            raise RollError("the names run over their end")
        try:
            names.append(data[1 : 1 + size].decode("utf-8"))
        except UnicodeDecodeError:
            raise RollError("a name is not UTF-8") from None
        data = data[1 + size :]
    if data:
        raise RollError("bytes are left after the names")
    return names


def _stats(header: RollHeader, groups: list[RollGroup] | tuple[RollGroup, ...], file_bytes: int) -> RollStats:
    frames = sum(group.frames for group in groups)
    most_group = max(group.frames for group in groups) * header.frame_bytes
    most_payload = max(group.payload_bytes for group in groups)
    # One payload; two groups, each with its byte of how, since the next is made while one is shown; the frame itself.
    ram = most_payload + 2 * (most_group + 1) + header.frame_bytes + INFLATER_BYTES
    return RollStats(
        file_bytes=file_bytes,
        groups=len(groups),
        stored_groups=len({group.payload_at for group in groups}),
        frames=frames,
        raw_bytes=frames * header.frame_bytes,
        most_group_bytes=most_group,
        most_payload_bytes=most_payload,
        ram_bytes=ram,
    )
