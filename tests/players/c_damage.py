"""A small roll to be damaged, in the tests of the C decoder and of the reader in Python: where its parts lie."""

from __future__ import annotations

import zlib

import numpy as np
from c_kit import Chain, made_roll

from exporters import spec
from exporters.rollfile import Draw, RollHeader, StringSpec
from exporters.spec import width

STRINGS = (
    StringSpec("rail", 16, None, 2, 3, "grb", "ws2812b"),
    StringSpec("lamp", 2, None, 1, 4, "grbw", "sk6812-rgbw"),
)
SHOW = RollHeader(
    "Tide", "quay", 1_000_000, "5a" * 32, STRINGS, (("shed", 1500),), (Draw("lamp", "shed", 0, 1, 1_000, 18_000),)
)
DRAW_AT = width(spec.HEADER) + 2 * width(spec.STRING) + width(spec.SUPPLY)
NAMES_AT = DRAW_AT + width(spec.DRAW)
UNITS_AT = NAMES_AT + len("Tidequayrailws2812blampsk6812-rgbwshed") + 7
INDEX_AT = UNITS_AT + 3 * width(spec.UNIT)
HEAD_BYTES = INDEX_AT + 4 * width(spec.ENTRY) + width(spec.PAGE_END) + width(spec.HEAD_CRC)
US = 6_000  # of a group


def small_roll() -> bytes:
    """Four groups of six frames; group 2 is group 0 again; unit 1 leans on unit 0 and is quotes, unit 2 is noise."""
    rng = np.random.default_rng(1)
    noise = rng.integers(0, 256, (2, 6, SHOW.frame_bytes), np.uint8)
    sparse = np.tile(noise[0][-1], (6, 1))
    sparse[2:, 1] = 5
    sparse[4:, 6:9] = 9
    chain, alone = Chain(SHOW.frame_bytes), Chain(SHOW.frame_bytes)
    units = [chain.add(noise[0], 6), chain.add(sparse, 26, strategy=zlib.Z_FIXED), alone.add(noise[1], 16)]
    return made_roll(SHOW, units, [(0, 0, 6), (1, 0, 6), (0, 0, 6), (2, 0, 6)])


def with_head_crc(data: bytes) -> bytes:
    """The small roll with the checksums of its page and of its changed head put right."""
    page_crc = zlib.crc32(data[INDEX_AT : HEAD_BYTES - 8])
    body = data[: HEAD_BYTES - 8] + page_crc.to_bytes(4, "little")
    return body + zlib.crc32(body).to_bytes(4, "little") + data[HEAD_BYTES:]


def u32(value: int) -> bytes:
    return value.to_bytes(4, "little")


def repaired(data: bytearray) -> bytes:
    """The small roll, damaged, with every checksum put right that can be found."""
    for unit in range(3):
        record = data[UNITS_AT + 14 * unit : UNITS_AT + 14 * unit + 10]
        at, size = int.from_bytes(record[:4], "little"), int.from_bytes(record[4:7], "little")
        crc = zlib.crc32(record, zlib.crc32(data[at : at + size]))
        data[UNITS_AT + 14 * unit + 10 : UNITS_AT + 14 * unit + 14] = u32(crc)
    return with_head_crc(bytes(data))


def damaged(seed: int) -> bytes:
    """A few bytes of the small roll changed, of its payloads, its head, or both, under checksums that fit."""
    rng = np.random.default_rng(seed)
    data = bytearray(small_roll())
    low, high = ((HEAD_BYTES, len(data)), (0, HEAD_BYTES - 8), (0, len(data)))[seed % 3]
    for _ in range(int(rng.integers(1, 4))):
        at = int(rng.integers(low, high))
        data[at] = int(rng.integers(256)) if rng.integers(2) else data[at] ^ 1 << int(rng.integers(8))
    return repaired(data)
