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

from exporters import codec, quotes
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
from exporters.spec import CHANGES, LAST_BLOCK, QUOTES, ROWS, STEP, RollBroken

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
    """A unit for `made_roll`."""

    frames: int
    depth: int
    how: int
    payload: bytes


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
    head = pack_head(Head(header, tuple(records), tuple(entries), window_bits, at))
    assert len(head) == payloads_at
    return head + b"".join(unit.payload for unit in units)


class Chain:
    """Units of which each leans on the one before: `add` arranges and packs the next."""

    def __init__(self, frame_bytes: int, window_bits: int = 12) -> None:
        self.stand, self.history, self.window = np.zeros(frame_bytes, np.uint8), codec.NO_HISTORY, b""
        self.depth, self.window_bits = 0, window_bits

    def add(self, frames: np.ndarray, how: int, level: int = 9, strategy: int = zlib.Z_DEFAULT_STRATEGY) -> Made:
        """frames: uint8 (frames, frame_bytes). By rows where quotes would be longer than the frames."""
        if codec.kind_of(how) == QUOTES:
            body = quotes.Quoting.of(frames, self.history.ravel(), (how & STEP) + 1, 8).written(bool(how & CHANGES))
            how = how if len(body) <= frames.size else ROWS
        if codec.kind_of(how) != QUOTES:
            body = codec.arrange(frames, how, self.stand)
        made = Made(len(frames), self.depth, how, deflated(body, self.window, self.window_bits, level, strategy))
        self.stand, self.history = frames[-1], frames if codec.keeps_frames(how) else codec.NO_HISTORY
        self.depth, self.window = self.depth + 1, self.window + body
        return made


def any_quotes(rng: np.random.Generator, size: int, how: int) -> bytes:
    """Quotes of `size` bytes by lot, also from before the stretch and from farther away than anything lies."""
    step, out, at = (how & STEP) + 1, b"", 0
    while at < size:
        left = -(-(size - at) // step)
        if rng.integers(3) == 0:
            far = int(rng.choice((1, 2, left, -(-at // step) + 1, 1 + size // step, int(rng.integers(1, 65_536)))))
            out += b"\0\0" + far.to_bytes(2, "little")
        copy = min(left, int(rng.choice((0, 3, 255))))
        run = min(left - copy, int(rng.integers(4)))
        if copy + run:
            stop = min(size, at + (copy + run) * step)
            out += bytes([copy, run]) + rng.integers(1, 256, max(0, stop - at - copy * step), np.uint8).tobytes()
            at = stop
    return out


def quoting_roll(seed: int, frame_bytes: int, jumps: int = 0) -> bytes:
    """Chains with many quotes by lot, also behind units that keep no frames and before changes that count on from them.

    Two groups a unit, from the first to the last; or so many `jumps` to any frame of any unit.
    """
    rng = np.random.default_rng(seed)
    header = RollHeader("", "q", 0, "00" * 32, strings_of(frame_bytes))
    units: list[Made] = []
    hows = rng.choice((*range(24, 32), 24, 29, 16, 16, 0, 4, 13, 20), (6, 8))
    hows[0] = 4, 25, 16, 30, 27, 13, 24, 28
    for chain in hows.tolist():
        window = b""
        for depth, how in enumerate(chain[: int(rng.integers(2, 9))] if units else chain):
            frames = int(rng.integers(2, 7))
            if how >= QUOTES:
                bodies = (any_quotes(rng, frames * frame_bytes, how) for _ in range(200))
                body = next((body for body in bodies if len(body) <= frames * frame_bytes), b"")
            if how < QUOTES or not body:
                how = how if how < QUOTES else ROWS
                body = rng.integers(0, 256, frames * frame_bytes, np.uint8).tobytes()
            units.append(Made(frames, depth, how, deflated(body, window, 12, 9, zlib.Z_DEFAULT_STRATEGY)))
            window += body
    groups = [(n, first, made.frames - 1 if first else 1) for n, made in enumerate(units) for first in (0, 1)]
    if jumps:
        groups = []
        for n in rng.integers(0, len(units), jumps).tolist():
            first = int(rng.integers(units[n].frames))
            groups.append((n, first, int(rng.integers(1, units[n].frames - first + 1))))
    return made_roll(header, units, groups)


def every_arrangement(header: RollHeader) -> tuple[bytes, np.ndarray]:
    """A roll with a unit of each `how`, in chains of four that lean on each other, of blocks of every kind.

    Its frames, uint8 (frames, frame_bytes), in the order of its groups: two a unit, which are entered in order.
    """
    rng = np.random.default_rng(7)
    units, groups, shown = [], [], []
    for number, how in enumerate(rng.permutation(32)):
        if number % 4 == 0:
            chain = Chain(header.frame_bytes)
        count = int(rng.integers(20, 40))
        frames = np.tile(chain.stand, (count, 1))
        for _ in range(2 * count if header.frame_bytes > 32 else 1):  # few changes, so that quotes are shorter
            frame, byte = int(rng.integers(count)), int(rng.integers(header.frame_bytes))
            frames[frame:, byte : byte + 5] += np.uint8(rng.integers(256))
        strategy = (zlib.Z_DEFAULT_STRATEGY, zlib.Z_FIXED, zlib.Z_HUFFMAN_ONLY, zlib.Z_RLE)[number % 4]
        units.append(chain.add(frames, int(how), 0 if number % 7 == 0 else 9, strategy))
        groups += [(number, 0, count // 2), (number, count // 2, count - count // 2)]
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
    units = _chains(blocks, (6, 13, 20, 30))  # columns, pairs, rows, quotes
    groups = [(number, first, frames) for number in range(8) for first, frames in ((0, 3), (3, 2))]
    return made_roll(RollHeader("", "q", 0, "00" * 32, strings_of(7)), units, groups)


def _chains(blocks: Sequence[np.ndarray], hows: Sequence[int]) -> list[Made]:
    """A unit of each block of frames, in chains of as many as there are `hows`."""
    units: list[Made] = []
    for number, frames in enumerate(blocks):
        if number % len(hows) == 0:
            chain = Chain(frames.shape[1])
        units.append(chain.add(frames, hows[number % len(hows)], strategy=zlib.Z_FIXED))
    return units
