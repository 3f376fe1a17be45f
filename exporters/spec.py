"""ROLL, version 2: the constants of ROLL.md in the page's order, and the two errors of the exporting wing.

One table a record drives writing, reading, range checks and (by test) the page itself. Integers are little-endian
and unsigned. This room imports nothing but the standard library.
"""

from __future__ import annotations

from typing import Any, NamedTuple


class RollError(ValueError):
    """A roll that cannot be written or must not be played: what is wrong, in one line, without the file's name."""


class RollBroken(RollError):
    """One group of a roll is broken (`group`, from 0); the groups around it may be whole."""

    def __init__(self, group: int, why: str) -> None:
        super().__init__(f"group {group} is broken: {why}")
        self.group = group


class Field(NamedTuple):
    """One field: its name, its width in bytes, its least and greatest value. Plain bytes have no range."""

    name: str
    width: int
    low: int | None = None
    high: int | None = None


Record = tuple[Field, ...]

U16 = 0xFFFF
U24 = 0xFF_FFFF
U32 = 0xFFFF_FFFF

# ---- limits -----------------------------------------------------------------------------------------------------

MOST_STRINGS = 32
MOST_SUPPLIES = 32
MOST_DRAWS = 64
MOST_GROUPS = 65_535
MOST_UNITS = 65_535
MOST_FRAMES = 255  # of one unit, and so of one group
MOST_FRAME_BYTES = 1 << 20
MOST_UNIT_BYTES = 1 << 24  # frames x frame_bytes
MOST_PRODUCT = (1 << 30) - 1  # small integers of MicroPython have 31 bits
MOST_DEPTH = 15
LEAST_PAYLOAD_BYTES = 6

# ---- header -----------------------------------------------------------------------------------------------------

MAGIC = b"ROLL"
VERSION = 2
LEAST_WINDOW_BITS = 12
MOST_WINDOW_BITS = 13

HEADER: Record = (
    Field("magic", 4),
    Field("version", 1, VERSION, VERSION),
    Field("window_bits", 1, LEAST_WINDOW_BITS, MOST_WINDOW_BITS),
    Field("strings", 1, 1, MOST_STRINGS),
    Field("supplies", 1, 0, MOST_SUPPLIES),
    Field("draws", 1, 0, MOST_DRAWS),
    Field("most_frames", 1, 1, MOST_FRAMES),
    Field("names_bytes", 2, 6, U16),
    Field("file_bytes", 4, 0, U32),
    Field("frame_bytes", 4, 3, MOST_FRAME_BYTES),
    Field("groups", 2, 1, MOST_GROUPS),
    Field("units", 2, 1, MOST_UNITS),
    Field("most_unit_bytes", 4, 1, MOST_UNIT_BYTES),
    Field("most_payload_bytes", 4, LEAST_PAYLOAD_BYTES, U24),
    Field("song_us", 4, 0, U32),
    Field("song_sha256", 32),
)

# ---- strings, supplies, draws, names ----------------------------------------------------------------------------

NO_PIN = 255

STRING: Record = (
    Field("pin", 1, 0, 254),
    Field("clock_pin", 1, 0, NO_PIN),
    Field("pixels", 2, 1, U16),
    Field("order", 4),
)

SUPPLY: Record = (Field("milliamps", 4, 0, U32),)

LAW_SUM, LAW_MAX = 0, 1  # a pixel draws the sum of its channels, or its largest one
LAWS = ("sum", "max")

DRAW: Record = (
    Field("string", 1, 0, MOST_STRINGS - 1),
    Field("supply", 1, 0, MOST_SUPPLIES - 1),
    Field("law", 1, LAW_SUM, LAW_MAX),
    Field("first_pixel", 2, 0, U16),
    Field("pixels", 2, 1, U16),
    Field("idle_ua", 3, 0, U24),
    Field("channel_ua", 3, 0, U24),
)

MOST_NAME_BYTES = 255  # each name: one byte with its length, then UTF-8

# ---- units ------------------------------------------------------------------------------------------------------

UNIT: Record = (
    Field("payload_at", 4, 0, U32),
    Field("payload_bytes", 3, LEAST_PAYLOAD_BYTES, U24),
    Field("frames", 1, 1, MOST_FRAMES),
    Field("depth", 1, 0, MOST_DEPTH),
    Field("how", 1, 0, 31),
    Field("crc", 4, 0, U32),
)

UNIT_CHECKED = 10  # the bytes of a unit's record before its crc, which covers them after the payload

# ---- index ------------------------------------------------------------------------------------------------------

PAGE_ENTRIES = 16

ENTRY: Record = (
    Field("start_us", 4, 0, U32),
    Field("unit", 2, 0, MOST_UNITS - 1),
    Field("first", 1, 0, MOST_FRAMES - 1),
    Field("frames", 1, 1, MOST_FRAMES),
)

PAGE_END: Record = (
    Field("end_us", 4, 1, U32),
    Field("page_crc", 4, 0, U32),
)

HEAD_CRC: Record = (Field("head_crc", 4, 0, U32),)

# ---- payloads ---------------------------------------------------------------------------------------------------

# how = a kind + CHANGES or not + (step - 1)
STEP = 3  # the bits that hold step - 1
CHANGES = 4
COLUMNS, PAIRS, ROWS, QUOTES = 0, 8, 16, 24

LAST_BLOCK = b"\x01\x00\xfe\xff"  # length 1 and its complement: the head of the last stored block (RFC 1951, 3.2.4)


def width(record: Record) -> int:
    """Bytes of one record."""
    return sum(field.width for field in record)


def pack(record: Record, values: dict[str, Any]) -> bytes:
    """One record as bytes. Raises `RollError` for a value outside its field's range."""
    out = bytearray()
    for field in record:
        value = values[field.name]
        out += value if field.low is None else _ranged(field, value).to_bytes(field.width, "little")
    return bytes(out)


def unpack(record: Record, data: bytes, at: int = 0) -> dict[str, Any]:
    """The values of the record at byte `at` of `data`. Raises `RollError` for one outside its field's range."""
    values: dict[str, Any] = {}
    for field in record:
        raw = data[at : at + field.width]
        values[field.name] = raw if field.low is None else _ranged(field, int.from_bytes(raw, "little"))
        at += field.width
    return values


def _ranged(field: Field, value: int) -> int:
    if field.low is not None and field.high is not None and not field.low <= value <= field.high:
        raise RollError(f"{field.name} is {value}, it must be {field.low} to {field.high}")
    return value
