"""The head of a roll: what it says of itself, of its units and of its groups <-> the bytes before the payloads.

Everything here is checked against the limits of ROLL.md on the way in and on the way out. Times are whole
microseconds of the song; currents are microamperes.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from typing import Any, BinaryIO

from .spec import (
    DRAW,
    ENTRY,
    HEAD_CRC,
    HEADER,
    LAWS,
    MAGIC,
    MOST_DRAWS,
    MOST_FRAME_BYTES,
    MOST_NAME_BYTES,
    MOST_PRODUCT,
    MOST_STRINGS,
    MOST_SUPPLIES,
    MOST_UNIT_BYTES,
    NO_PIN,
    PAGE_END,
    PAGE_ENTRIES,
    STRING,
    SUPPLY,
    U24,
    U32,
    UNIT,
    UNIT_CHECKED,
    VERSION,
    RollError,
    pack,
    unpack,
    width,
)

TABLES = (("strings", STRING), ("supplies", SUPPLY), ("draws", DRAW))


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
class Draw:
    """What pixels of a string take from a supply: each `idle_ua` when dark, and `channel_ua` a channel full on.

    Microamperes. `law`: "sum", a pixel's channels add up; "max", it draws what its largest channel does.
    """

    string: str
    supply: str
    first_pixel: int
    pixels: int
    idle_ua: int
    channel_ua: int
    law: str = "sum"


@dataclass(frozen=True)
class RollHeader:
    """What a roll says of itself. `allotments`: what this board may draw of each supply, (supply, milliamps).

    `draws`: which pixels draw how much of which supply, so that a player can add up a frame.
    """

    title: str
    controller: str
    song_us: int
    song_sha256: str
    strings: tuple[StringSpec, ...]
    allotments: tuple[tuple[str, int], ...] = ()
    draws: tuple[Draw, ...] = ()

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
class RollUnit:
    """Frames that are stored, checked and inflated as one. `depth`: units before it that must be inflated first."""

    payload_at: int
    payload_bytes: int
    frames: int
    depth: int
    how: int
    crc: int


@dataclass(frozen=True)
class RollGroup:
    """One entry of the index, with the start of the next as its end: frames of a unit from its frame `first` on."""

    start_us: int
    end_us: int
    frames: int
    unit: int
    first: int

    @property
    def place(self) -> tuple[int, int]:
        """(unit, first): groups of equal place and equal `frames` hold equal bytes."""
        return self.unit, self.first

    @property
    def payload_at(self) -> int:
        """`place` as one number, under the name that it had in version 0."""
        return self.unit << 8 | self.first

    def frame_us(self, frame: int) -> int:
        """When a frame latches, microseconds; `frame_us(frames)` is the end."""
        return self.start_us + frame * (self.end_us - self.start_us) // self.frames

    def frame_at(self, us: int) -> int:
        """The frame that stands at a time within the group: the last one that is due by then."""
        return ((us - self.start_us + 1) * self.frames - 1) // (self.end_us - self.start_us)


@dataclass(frozen=True)
class Head:
    """All that lies before the payloads."""

    header: RollHeader
    units: tuple[RollUnit, ...]
    groups: tuple[RollGroup, ...]
    window_bits: int
    file_bytes: int

    @property
    def most_unit_bytes(self) -> int:
        """The most bytes that the frames of a unit have."""
        return max(unit.frames for unit in self.units) * self.header.frame_bytes

    @property
    def bytes_long(self) -> int:
        """Where the payloads begin."""
        return head_bytes(len(pack_tables(self.header)), len(self.units), len(self.groups))


# ---- to bytes ---------------------------------------------------------------------------------------------------


def pack_head(head: Head) -> bytes:
    """The head as bytes."""
    header = pack(
        HEADER,
        {
            "magic": MAGIC,
            "version": VERSION,
            "window_bits": head.window_bits,
            "strings": len(head.header.strings),
            "supplies": len(head.header.allotments),
            "draws": len(head.header.draws),
            "most_frames": max(unit.frames for unit in head.units),
            "names_bytes": len(_pack_names(head.header)),
            "file_bytes": head.file_bytes,
            "frame_bytes": head.header.frame_bytes,
            "groups": len(head.groups),
            "units": len(head.units),
            "most_unit_bytes": head.most_unit_bytes,
            "most_payload_bytes": max(unit.payload_bytes for unit in head.units),
            "song_us": head.header.song_us,
            "song_sha256": bytes.fromhex(head.header.song_sha256),
        },
    )
    data = bytearray(header + pack_tables(head.header))
    for unit in head.units:
        data += pack(UNIT, vars(unit))
    for first in range(0, len(head.groups), PAGE_ENTRIES):
        page = head.groups[first : first + PAGE_ENTRIES]
        body = b"".join(pack(ENTRY, vars(group)) for group in page) + page[-1].end_us.to_bytes(4, "little")
        data += body + zlib.crc32(body).to_bytes(4, "little")
    return bytes(data) + zlib.crc32(data).to_bytes(4, "little")


def head_bytes(tables_bytes: int, units: int, groups: int) -> int:
    """Bytes before the first payload."""
    pages = -(-groups // PAGE_ENTRIES)
    index = groups * width(ENTRY) + pages * width(PAGE_END)
    return width(HEADER) + tables_bytes + units * width(UNIT) + index + width(HEAD_CRC)


def checked_part(unit: RollUnit) -> bytes:
    """What a unit's CRC covers after the payload: its record before the CRC."""
    return pack(UNIT, vars(unit))[:UNIT_CHECKED]


def pack_tables(header: RollHeader) -> bytes:
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
    string_names = [string.name for string in header.strings]
    supply_names = [supply for supply, _ in header.allotments]
    draws = [
        {
            **vars(draw),
            "string": string_names.index(draw.string),
            "supply": supply_names.index(draw.supply),
            "law": LAWS.index(draw.law),
        }
        for draw in header.draws
    ]
    tables: tuple[list[dict[str, Any]], ...] = (strings, supplies, draws)
    rows = [pack(record, row) for (_, record), table in zip(TABLES, tables, strict=True) for row in table]
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


# ---- from bytes -------------------------------------------------------------------------------------------------


def read_head(file: BinaryIO, file_bytes: int) -> Head:
    """The head of an open file, checked. Sizes are checked before memory is taken. Raises `RollError`."""
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
    tables_bytes = head["names_bytes"] + sum(head[name] * width(record) for name, record in TABLES)
    size = head_bytes(tables_bytes, head["units"], head["groups"])
    if size > file_bytes:
        raise RollError(f"the head needs {size} bytes, the file has {file_bytes}")
    data = start + file.read(size - len(start))
    if zlib.crc32(data[:-4]) != unpack(HEAD_CRC, data, size - 4)["head_crc"]:
        raise RollError("the checksum of the head does not match")
    units_at = width(HEADER) + tables_bytes
    header = _unpack_tables(head, data[:units_at])
    if header.frame_bytes != head["frame_bytes"]:
        raise RollError(f"frame_bytes is {head['frame_bytes']}, the strings have {header.frame_bytes}")
    units = tuple(RollUnit(**unpack(UNIT, data, units_at + number * width(UNIT))) for number in range(head["units"]))
    _check_units(head, units, size)
    groups = _unpack_index(head, data, units_at + head["units"] * width(UNIT))
    for number, group in enumerate(groups):
        check_times(number, group.start_us, group.end_us, group.frames, group.start_us)
        if group.unit >= len(units) or group.first + group.frames > units[group.unit].frames:
            raise RollError(f"group {number}: unit {group.unit} does not hold its frames")
    return Head(header, units, groups, head["window_bits"], file_bytes)


def _unpack_index(head: dict[str, Any], data: bytes, at: int) -> tuple[RollGroup, ...]:
    entries, ends = [], []
    for first in range(0, head["groups"], PAGE_ENTRIES):
        begin, count = at, min(PAGE_ENTRIES, head["groups"] - first)
        for _ in range(count):
            entries.append(unpack(ENTRY, data, at))
            at += width(ENTRY)
        end = unpack(PAGE_END, data, at)
        if zlib.crc32(data[begin : at + 4]) != end["page_crc"]:
            raise RollError(f"the checksum of page {first // PAGE_ENTRIES} of the index does not match")
        ends += [entry["start_us"] for entry in entries[first + 1 :]] + [end["end_us"]]
        at += width(PAGE_END)
        if ends[first - 1] != entries[first]["start_us"] and first:
            raise RollError(f"group {first} starts at {entries[first]['start_us']} us, its page before ends elsewhere")
    return tuple(RollGroup(end_us=end, **entry) for entry, end in zip(entries, ends, strict=True))


def _check_units(head: dict[str, Any], units: tuple[RollUnit, ...], payloads_at: int) -> None:
    frame_bytes = head["frame_bytes"]
    for number, unit in enumerate(units):
        if unit.payload_at < payloads_at or unit.payload_at + unit.payload_bytes > head["file_bytes"]:
            raise RollError(f"unit {number}: its payload lies outside the file's payloads")
        if unit.depth and unit.depth != (units[number - 1].depth + 1 if number else 0):
            raise RollError(f"unit {number}: its depth is {unit.depth}, that of the one before does not lead to it")
        if unit.frames * frame_bytes > MOST_UNIT_BYTES:
            raise RollError(f"unit {number}: a unit has at most {MOST_UNIT_BYTES} bytes")
    for name, most in (
        ("most_unit_bytes", max(unit.frames for unit in units) * frame_bytes),
        ("most_payload_bytes", max(unit.payload_bytes for unit in units)),
        ("most_frames", max(unit.frames for unit in units)),
    ):
        if head[name] != most:
            raise RollError(f"{name} is {head[name]}, the units have {most}")


def _unpack_tables(head: dict[str, Any], data: bytes) -> RollHeader:
    """The header from the bytes before the units."""
    at = width(HEADER)
    tables = []
    for name, record in TABLES:
        tables.append([unpack(record, data, at + number * width(record)) for number in range(head[name])])
        at += head[name] * width(record)
    rows, supplies, draw_rows = tables
    names = iter(_unpack_names(data[at:], 2 + 2 * len(rows) + len(supplies)))
    title, controller = next(names), next(names)
    strings = []
    for row in rows:
        clock_pin = None if row["clock_pin"] == NO_PIN else row["clock_pin"]
        order = row["order"].rstrip(b"\0").decode("ascii", "replace")
        strings.append(StringSpec(next(names), row["pin"], clock_pin, row["pixels"], len(order), order, next(names)))
    allotments = tuple((next(names), row["milliamps"]) for row in supplies)
    draws = []
    for row in draw_rows:
        if row["string"] >= len(strings) or row["supply"] >= len(allotments):
            raise RollError("a draw names a string or a supply that is not there")
        named = {"string": strings[row["string"]].name, "supply": allotments[row["supply"]][0], "law": LAWS[row["law"]]}
        draws.append(Draw(**{**row, **named}))
    header = RollHeader(
        title, controller, head["song_us"], head["song_sha256"].hex(), tuple(strings), allotments, tuple(draws)
    )
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


# ---- limits -----------------------------------------------------------------------------------------------------


def check_header(header: RollHeader) -> None:
    """Raise `RollError` unless the header is within the limits of ROLL.md."""
    _check_range("strings of a roll", len(header.strings), 1, MOST_STRINGS)
    _check_range("supplies of a roll", len(header.allotments), 0, MOST_SUPPLIES)
    _check_range("draws of a roll", len(header.draws), 0, MOST_DRAWS)
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
    for draw in header.draws:
        _check_draw(draw, header)


def _check_draw(draw: Draw, header: RollHeader) -> None:
    string = next((string for string in header.strings if string.name == draw.string), None)
    if string is None or draw.supply not in dict(header.allotments):
        raise RollError(f"a draw of {draw.string} from {draw.supply}: no such string, or no allotment of that supply")
    what = f"string {draw.string}: draw from {draw.supply}"
    if draw.law not in LAWS:
        raise RollError(f'{what}: law "{draw.law}" must be one of {", ".join(LAWS)}')
    _check_range(f"{what}: first_pixel", draw.first_pixel, 0, string.pixels - 1)
    _check_range(f"{what}: pixels", draw.pixels, 1, string.pixels - draw.first_pixel)
    _check_range(f"{what}: idle_ua", draw.idle_ua, 0, U24)
    _check_range(f"{what}: channel_ua", draw.channel_ua, 0, U24)
    full = draw.pixels * (draw.idle_ua + string.channels * draw.channel_ua)
    _check_range(f"{what}: microamperes full on", full, 0, MOST_PRODUCT)


def _check_range(what: str, value: int, low: int, high: int) -> None:
    if not isinstance(value, int) or not low <= value <= high:
        raise RollError(f"{what} must be {low} to {high}, not {value}")


def check_times(number: int, start_us: int, end_us: int, frames: int, expected_us: int) -> None:
    if not 0 <= start_us < end_us <= U32:
        raise RollError(f"group {number}: from {start_us} to {end_us} us is not a time of a song up to 71 minutes")
    if start_us != expected_us:
        raise RollError(f"group {number} starts at {start_us} us, the one before ends at {expected_us}")
    if end_us - start_us < frames:
        raise RollError(f"group {number}: {frames} frames in {end_us - start_us} us")
    if frames * (end_us - start_us) > MOST_PRODUCT:
        raise RollError(f"group {number}: {frames} frames in {end_us - start_us} us: frames x us must be below 2^30")
