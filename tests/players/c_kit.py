"""What the tests of the C decoder share: compiling it, playing a roll with it, and rolls put together by hand."""

from __future__ import annotations

import shutil
import struct
import subprocess
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from exporters import codec
from exporters.rollfile import RollReader
from exporters.rollhead import (
    Head,
    RollGroup,
    RollHeader,
    RollUnit,
    StringSpec,
    checked_part,
    head_bytes,
    pack_head,
    pack_tables,
)
from exporters.spec import LAST_BLOCK, RollBroken

HERE = Path(__file__).parent
HOSTS, BOARD = HERE / "c_hosts", HERE / "c_board"
TRUTH = HERE.parent / "exporters" / "truth"
PLAYER = HERE.parent.parent / "exporters" / "players" / "c"
GCC = shutil.which("gcc")

WARNINGS = ("-std=c99", "-Wall", "-Wextra", "-Wpedantic", "-Wconversion", "-Wsign-conversion", "-Werror")
WATCHED = ("-g", "-O1", "-fsanitize=address,undefined", "-fno-sanitize-recover=all")

# Of each group by its number: start_us, end_us, its frames, uint8 (frames, frame_bytes), or None if it is dark.
Shown = dict[int, tuple[int, int, np.ndarray | None]]


def compiled(folder: Path, name: str, *flags: str) -> Path:
    """A program of c_hosts with the decoder, under the watch of the sanitizers."""
    program = folder / name
    sources = [HOSTS / f"{name}.c", PLAYER / "roll.c"]
    command = ["gcc", *WARNINGS, *WATCHED, *flags, f"-I{PLAYER}", "-o", program, *sources]
    done = subprocess.run([str(word) for word in command], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    return program


@dataclass(frozen=True)
class Outcome:
    """What the decoder did: its status (0: opened), the memory it asked for, and what it showed by group number."""

    status: int
    needs: int
    shown: Shown


def play(program: Path, roll: Path, work: int | str, frame_bytes: int, groups: Sequence[int | str] = ()) -> Outcome:
    """Run the program `play`; `work` is what it does a frame, "share" for what the decoder says."""
    words = [str(program), str(roll), str(work), *map(str, groups)]
    done = subprocess.run(words, capture_output=True, timeout=120)
    assert done.returncode == 0, done.stderr.decode()
    line, _, body = done.stdout.partition(b"\n")
    _, status, needs = line.split()
    shown: Shown = {}
    at = 0
    while at < len(body):
        number, start, end, count = struct.unpack_from("<4I", body, at)
        at += 16
        frames = np.frombuffer(body, np.uint8, count * frame_bytes, at).reshape(count, frame_bytes)
        at += frames.size
        shown[number] = start, end, frames if count else None
    return Outcome(int(status), int(needs), shown)


def read(path: Path) -> Shown:
    """The same from the reader in Python."""
    out: Shown = {}
    with RollReader(path) as reader:
        for number, group in enumerate(reader.groups):
            try:
                frames: np.ndarray | None = reader.group(number)
            except RollBroken:
                frames = None
            out[number] = group.start_us, group.end_us, frames
    return out


def same(one: Shown, other: Shown) -> bool:
    """Whether the same groups show the same at the same times."""
    return _plain(one) == _plain(other)


def _plain(shown: Shown) -> dict[int, tuple[int, int, bytes | None]]:
    return {
        number: (start, end, None if frames is None else frames.tobytes())
        for number, (start, end, frames) in shown.items()
    }


# ---- rolls by hand ----------------------------------------------------------------------------------------------


def tide() -> bytes:
    """The roll of section 15, put together by hand."""
    lines = (TRUTH / "roll_tide.hex").read_text(encoding="utf-8").splitlines()
    return bytes.fromhex("".join(line for line in lines if not line.startswith("#")))


def strings_of(frame_bytes: int) -> tuple[StringSpec, ...]:
    """Strings whose frame has so many bytes, of one pixel of four letters and more of three as far as that goes."""
    fours = next(fours for fours in range(3) if frame_bytes >= 4 * fours and (frame_bytes - 4 * fours) % 3 == 0)
    threes = (frame_bytes - 4 * fours) // 3
    rail = (StringSpec("rail", 16, None, threes, 3, "grb", "ws2812b"),) if threes else ()
    return (*rail, *((StringSpec("lamp", 2, 3, fours, 4, "bgrw", "sk6812-rgbw"),) if fours else ()))


def stored(body: bytes) -> bytes:
    """A payload of stored blocks alone (RFC 1951, 3.2.4)."""
    first = len(body) - 1
    lengths = first.to_bytes(2, "little") + (first ^ 0xFFFF).to_bytes(2, "little")
    return b"\0" + lengths + body[:-1] + b"\0" + LAST_BLOCK + body[-1:]


def deflated(body: bytes, window: bytes, window_bits: int, level: int, strategy: int) -> bytes:
    """A payload of several blocks, an empty one among them, that may point back into `window`."""
    packer = zlib.compressobj(level, zlib.DEFLATED, -window_bits, 8, strategy, window[-(1 << window_bits) :])
    middle = len(body) // 2
    packed = packer.compress(body[:middle]) + packer.flush(zlib.Z_SYNC_FLUSH) + packer.compress(body[middle:-1])
    return (packed + packer.flush(zlib.Z_SYNC_FLUSH))[:-4] + LAST_BLOCK + body[-1:]


@dataclass(frozen=True)
class Made:
    """A unit for `made_roll`: frames, depth, how, payload, and the bytes that it inflates to (0: frames x bytes)."""

    frames: int
    depth: int
    how: int
    payload: bytes
    size: int = 0


def made_roll(
    header: RollHeader, units: Sequence[Made], groups: Sequence[tuple[int, int, int]], window_bits: int = 12
) -> bytes:
    """A roll of these units; groups are (unit, first, frames) of 1 ms a frame. Not by the writer of this project."""
    at = payloads_at = head_bytes(len(pack_tables(header)), len(units), len(groups))
    records = []
    for unit in units:
        record = RollUnit(at, len(unit.payload), unit.frames, unit.depth, unit.how, 0)
        crc = zlib.crc32(checked_part(record), zlib.crc32(unit.payload))
        records.append(RollUnit(at, len(unit.payload), unit.frames, unit.depth, unit.how, crc))
        at += len(unit.payload)
    entries, us = [], 0
    for unit_number, first, frames in groups:
        entries.append(RollGroup(us, us + 1_000 * frames, frames, unit_number, first))
        us += 1_000 * frames
    most = max(unit.size or unit.frames * header.frame_bytes for unit in units)
    head = pack_head(Head(header, tuple(records), tuple(entries), window_bits, most, at))
    assert len(head) == payloads_at
    return head + b"".join(unit.payload for unit in units)


def every_arrangement(header: RollHeader) -> tuple[bytes, np.ndarray]:
    """A roll with a unit of each `how`, in chains of four that lean on each other, of blocks of every kind.

    Its frames, uint8 (frames, frame_bytes), in the order of its groups: two a unit, which are entered in order.
    """
    rng = np.random.default_rng(7)
    units, groups, shown = [], [], []
    stand, window = np.zeros(header.frame_bytes, np.uint8), b""
    for number, how in enumerate(rng.permutation(32)):
        if number % 4 == 0:
            stand, window = np.zeros(header.frame_bytes, np.uint8), b""
        count = int(rng.integers(20, 40))
        frames = np.tile(stand, (count, 1))
        for _ in range(2 * count if header.frame_bytes > 32 else 1):  # few changes, so that marks hold them too
            frame, byte = int(rng.integers(count)), int(rng.integers(header.frame_bytes))
            frames[frame:, byte : byte + 5] += np.uint8(rng.integers(256))
        body = codec.arranged_as(frames, int(how), stand)
        strategy = (zlib.Z_DEFAULT_STRATEGY, zlib.Z_FIXED, zlib.Z_HUFFMAN_ONLY, zlib.Z_RLE)[number % 4]
        payload = deflated(body, window, 12, 0 if number % 7 == 0 else 9, strategy)
        units.append(Made(count, number % 4, int(how), payload))
        groups += [(number, 0, count // 2), (number, count // 2, count - count // 2)]
        stand, window = frames[-1], window + body
        shown.append(frames)
    return made_roll(header, units, groups), np.concatenate(shown)


def jumping_roll() -> bytes:
    """Chains of three units of three frames, entered at any frame and in any order."""
    rng = np.random.default_rng(9)
    units = _chains([rng.integers(0, 4, (3, 7)).astype(np.uint8) * 80 for _ in range(6)], (6, 20, 2))
    groups = [(int(rng.integers(6)), first := int(rng.integers(3)), 3 - first) for _ in range(14)]
    return made_roll(RollHeader("", "q", 0, "00" * 32, strings_of(7)), units, groups)


def chained_roll() -> bytes:
    """Chains of four units of changes, each of them two groups, played from the first to the last."""
    rng = np.random.default_rng(4)
    blocks = [rng.integers(0, 256, (5, 7), np.uint8) for _ in range(8)]
    for frames in blocks:
        frames[1:, 3:6] = frames[0, 3:6]
    units = _chains(blocks, (6, 13, 20, 30))  # columns, pairs, rows, marks
    groups = [(number, first, frames) for number in range(8) for first, frames in ((0, 3), (3, 2))]
    return made_roll(RollHeader("", "q", 0, "00" * 32, strings_of(7)), units, groups)


def _chains(blocks: Sequence[np.ndarray], hows: Sequence[int]) -> list[Made]:
    """A unit of each block of frames, in chains of as many as there are `hows`."""
    units: list[Made] = []
    for number, frames in enumerate(blocks):
        depth = number % len(hows)
        if depth == 0:
            stand, window = np.zeros(frames.shape[1], np.uint8), b""
        body = codec.arranged_as(frames, hows[depth], stand)
        units.append(Made(len(frames), depth, hows[depth], deflated(body, window, 12, 9, zlib.Z_FIXED)))
        stand, window = frames[-1], window + body
    return units
