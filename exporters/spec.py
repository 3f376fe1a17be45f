"""ROLL, version 0: the constants of ROLL.md in the page's order, and the two errors of the exporting wing.

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
U32 = 0xFFFF_FFFF

# ---- limits -----------------------------------------------------------------------------------------------------

MOST_STRINGS = 32
MOST_SUPPLIES = 32
MOST_GROUPS = 65_535
MOST_FRAMES = 255  # of one group
MOST_FRAME_BYTES = 1 << 20
MOST_GROUP_BYTES = 1 << 24  # frames x frame_bytes
MOST_PRODUCT = (1 << 30) - 1  # frames x (end_us - start_us): small integers of MicroPython have 31 bits

# ---- header -----------------------------------------------------------------------------------------------------

MAGIC = b"ROLL"
VERSION = 0
WINDOW_BITS = 12

HEADER: Record = (
    Field("magic", 4),
    Field("version", 1, VERSION, VERSION),
    Field("window_bits", 1, WINDOW_BITS, WINDOW_BITS),
    Field("strings", 1, 1, MOST_STRINGS),
    Field("supplies", 1, 0, MOST_SUPPLIES),
    Field("file_bytes", 4, 0, U32),
    Field("frame_bytes", 4, 3, MOST_FRAME_BYTES),
    Field("groups", 4, 1, MOST_GROUPS),
    Field("most_payload_bytes", 4, 6, (1 << 24) - 1),
    Field("most_frames", 1, 1, MOST_FRAMES),
    Field("reserved", 1, 0, 0),
    Field("names_bytes", 2, 6, U16),
    Field("song_us", 4, 0, U32),
    Field("song_sha256", 32),
)

# ---- strings, supplies, names -----------------------------------------------------------------------------------

NO_PIN = 255

STRING: Record = (
    Field("pin", 1, 0, 254),
    Field("clock_pin", 1, 0, NO_PIN),
    Field("pixels", 2, 1, U16),
    Field("order", 4),
)

SUPPLY: Record = (Field("milliamps", 4, 0, U32),)

MOST_NAME_BYTES = 255  # each name: one byte with its length, then UTF-8

# ---- index ------------------------------------------------------------------------------------------------------

ENTRY: Record = (
    Field("start_us", 4, 0, U32),
    Field("payload_at", 4, 0, U32),
    Field("payload_bytes", 3, 6, (1 << 24) - 1),
    Field("frames", 1, 1, MOST_FRAMES),
    Field("crc", 4, 0, U32),
)

INDEX_END: Record = (
    Field("end_us", 4, 1, U32),
    Field("head_crc", 4, 0, U32),
)

ENTRY_CHECKED = 12  # the bytes of an entry before its crc: these, and the next start, are covered by it

# ---- payload ----------------------------------------------------------------------------------------------------

HOW_PLAIN = 0  # frames one after another, as they go down the wire
MOST_STEP = 4  # how = 1..4: differences in time, each byte's frames together, bytes taken in steps of `how`

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
