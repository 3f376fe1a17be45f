"""The reader in Python under a fuzzer that is led by coverage: what reaches a line or a branch anew is changed further.

It starts from the vectors, 6 s long unless GLOWSCORE_FUZZ_SECONDS says otherwise, with a fixed seed. Half of what it
tries has its checksums put right, so that it gets past them. Whatever the bytes: the roll is refused, or each group is
broken or has its frames; no other exception.
"""

from __future__ import annotations

import os
import random
import sys
import time
import zlib
from collections.abc import Callable
from pathlib import Path
from types import FrameType
from typing import Any

from c_damage import small_roll
from c_kit import Made, every_arrangement, jumping_roll, made_roll, stored, strings_of, tide

import exporters
from exporters import spec
from exporters.rollfile import RollHeader, RollReader
from exporters.spec import RollBroken, RollError, width

SECONDS = float(os.environ.get("GLOWSCORE_FUZZ_SECONDS", "6"))
OURS = str(Path(exporters.__file__).parent)
ODD = bytes([0, 1, 2, 3, 4, 6, 12, 13, 15, 16, 24, 26, 31, 32, 127, 128, 254, 255])


def vectors() -> list[bytes]:
    header = RollHeader("Tide", "quay", 1_000_000, "5a" * 32, strings_of(7))
    short = RollHeader("Tide", "quay", 1_000_000, "5a" * 32, strings_of(3))
    quoted = stored(bytes([0, 1, 9, 0, 0, 1, 0, 10, 1, 5]))  # a byte, its distance, ten quoted, the last byte
    leaning = stored(bytes([0, 0, 2, 0, 3, 1, 1, 2, 3]))  # two cells back, three of them; changes of the fourth
    units = [Made(4, 0, spec.QUOTES, quoted), Made(4, 1, spec.QUOTES + spec.CHANGES + 2, leaning)]
    pages = made_roll(short, units, [(0, 0, 4), (1, 0, 4)] * 10, 13)
    return [small_roll(), tide(), jumping_roll(), every_arrangement(header)[0], pages]


def put_right(data: bytearray) -> bytes:
    """Every length and checksum that can be found by the header's own counts: ROLL.md sections 2 to 8."""
    if len(data) < width(spec.HEADER):
        return bytes(data)
    number = lambda at, n: int.from_bytes(data[at : at + n], "little")  # noqa: E731
    tables = 8 * data[6] + 4 * data[7] + 13 * data[8] + number(10, 2)
    units_at, groups, units = 68 + tables, number(20, 2), number(22, 2)
    index_at = units_at + 14 * units
    end = index_at + 8 * groups + 8 * -(-groups // 16)
    if end + 4 > len(data):
        return bytes(data)
    data[12:16] = len(data).to_bytes(4, "little")
    for at in range(units_at, index_at, 14):
        payload = data[number(at, 4) :][: number(at + 4, 3)]
        data[at + 10 : at + 14] = zlib.crc32(data[at : at + 10], zlib.crc32(payload)).to_bytes(4, "little")
    for first in range(0, groups, 16):
        at = index_at + first // 16 * 136
        n = 8 * min(16, groups - first) + 4
        data[at + n : at + n + 4] = zlib.crc32(data[at : at + n]).to_bytes(4, "little")
    data[end : end + 4] = zlib.crc32(data[:end]).to_bytes(4, "little")
    return bytes(data)


def changed(one: bytes, other: bytes, lot: random.Random) -> bytes:
    data = bytearray(one)
    for _ in range(lot.randint(1, 4)):
        at = lot.randrange(max(1, len(data)))
        kind = lot.randrange(6)
        if kind == 0:
            data[at : at + 1] = bytes([data[at] ^ 1 << lot.randrange(8)]) if data else b""
        elif kind == 1:
            data[at : at + 1] = bytes([lot.choice(ODD)])
        elif kind == 2:
            data[at : at + 1] = lot.randbytes(1)
        elif kind == 3:
            del data[at : at + lot.randint(1, 16)]
        elif kind == 4:
            data[at:at] = data[at : at + lot.randint(1, 16)]
        else:
            there = lot.randrange(len(other))
            data[at : at + 12] = other[there : there + 12]
    return put_right(data) if lot.random() < 0.5 else bytes(data)


def read_all(path: Path) -> None:
    try:
        with RollReader(path) as reader:
            reader.verify()
            for number in range(len(reader)):
                try:
                    frames = reader.group(number)
                except RollBroken:
                    continue
                assert frames.shape == (reader.groups[number].frames, reader.header.frame_bytes)
    except RollError:
        pass


def steps_of(what: Callable[[], None]) -> set[tuple[str, int, int]]:
    """The steps from line to line that our own code takes meanwhile."""
    steps = set()
    last: dict[FrameType, int] = {}

    def watch(frame: FrameType, event: str, _: Any) -> Any:
        if not frame.f_code.co_filename.startswith(OURS):
            return None
        steps.add((frame.f_code.co_filename, last.get(frame, 0), frame.f_lineno))
        last[frame] = frame.f_lineno
        return watch

    before = sys.gettrace()
    sys.settrace(watch)
    try:
        what()
    finally:
        sys.settrace(before)
    return steps


def test_led_by_coverage_nothing_but_refusals_and_frames_is_found(tmp_path: Path) -> None:
    path, lot, end = tmp_path / "a.roll", random.Random(1), time.monotonic() + SECONDS
    corpus, known, tried = vectors(), set[tuple[str, int, int]](), 0
    for data in corpus:
        path.write_bytes(data)
        known |= steps_of(lambda: read_all(path))
    begun, grown = len(known), len(corpus)
    while time.monotonic() < end or tried < 300:
        data = changed(lot.choice(corpus), lot.choice(corpus), lot)
        path.write_bytes(data)
        tried += 1
        try:
            steps = steps_of(lambda: read_all(path))
        except Exception as error:
            raise AssertionError(f"{type(error).__name__} {error} at {data.hex()}") from error
        if not steps <= known:
            known |= steps
            corpus.append(data)
    # It got somewhere that the vectors had not been: into refusals, and what lies behind checksums.
    assert len(corpus) > grown + 10 and len(known) > begun + 30
