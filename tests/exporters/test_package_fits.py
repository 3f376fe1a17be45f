"""Whether a roll fits its board, and whether what the message advises does fit."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

import numpy as np
import pytest

from exporters.package import BoardRow, Needs, needs_of, player_files, player_room, roll_room, room, unfit, unit_room
from exporters.rollfile import RollHeader, RollReader, RollWriter, StringSpec

PICO = BoardRow("pico", 1_441_792, 131_072, 200_000)
ROOMY = BoardRow("pico-2", 3_145_728, 327_680, 200_000)
NEEDS = Needs(
    file_bytes=100_000, ram_bytes=80_000, frame_bytes=900, read_bytes_per_s=5_000.0, frames_per_s=40.0,
    period_us=25_000.0, frame_us=9_300.0,
)  # fmt: skip

SETTINGS = {"strings": [{"pixels": 50, "channels": 3, "clocked": False}]}


def roll(path: Path, rate: int, seconds: int = 20, pixels: int = 50) -> RollReader:
    """A roll of noise, which no coding makes smaller: its size is that of its frames."""
    header = RollHeader(
        "noise", "quay", seconds * 1_000_000, "0" * 64, (StringSpec("rail", 0, None, pixels, 3, "grb", "x"),)
    )
    dice = np.random.default_rng(3)
    with RollWriter(path, header, groups=seconds) as writer:
        for second in range(seconds):
            frames = dice.integers(0, 256, (rate, pixels * 3), np.uint8)
            writer.add(second * 1_000_000, (second + 1) * 1_000_000, frames)
    return RollReader(path)


def test_room_is_counted_in_blocks() -> None:
    # littlefs, DESIGN.md: block n of a file begins with as many 4-byte pointers as n has factors of two, plus one; the
    # first block has none. So 3 blocks hold 4096 + 4092 + 4088 bytes, and never less than what is counted here.
    assert room({}) == 2 * 4096
    assert room({"a": 1}) == 3 * 4096
    assert room({"a": 4096}) == 3 * 4096
    assert room({"a": 4097}) == 4 * 4096
    assert room({"glow/a": 1, "glow/b": 1}) == 6 * 4096
    blocks = roll_room(1_000_000) // 4096
    held = 4096 + sum(4096 - 4 * ((n & -n).bit_length()) for n in range(1, blocks))
    assert held >= 1_000_000 > held - 2 * 4096


def test_the_player_takes_what_its_files_take() -> None:
    sizes = {name: len(data) for name, data in player_files().items()}
    settings = {"strings": ["x" * 5000]}
    least = room(sizes | {"settings.json": 5_020, "manifest.json": 1})
    assert least <= player_room(settings) <= least + 6 * 4096


def test_a_roll_that_fits_has_nothing_to_tell() -> None:
    assert unfit(PICO, NEEDS, 60_000, [PICO, ROOMY]) == []


def test_too_large_a_roll_is_told_the_rate_and_the_board_that_would_do() -> None:
    needs = dataclasses.replace(NEEDS, file_bytes=2_000_000)
    assert unfit(PICO, needs, 61_440, [PICO, ROOMY]) == [
        "does not fit: 2068480 bytes of roll, player and settings on a board with 1441792; would fit: about 26 "
        "frames a second, or a pico-2, or a shorter song"
    ]


def test_the_rate_that_is_advised_does_fit(tmp_path: Path) -> None:
    small = dataclasses.replace(PICO, fs_bytes=150_000)
    with roll(tmp_path / "a.roll", 40) as reader:
        (line,) = unfit(small, needs_of(reader, 9_300.0, SETTINGS), 61_440)
    advised = re.search(r"about (\d+) frames a second", line)
    assert advised is not None and 20 <= int(advised[1]) < 40
    with roll(tmp_path / "b.roll", int(advised[1])) as reader:
        assert unfit(small, needs_of(reader, 9_300.0, SETTINGS), 61_440) == []
    with roll(tmp_path / "c.roll", int(advised[1]) + 3) as reader:
        assert len(unfit(small, needs_of(reader, 9_300.0, SETTINGS), 61_440)) == 1


def test_a_song_far_too_long_is_not_told_a_rate_that_nobody_wants() -> None:
    lines = unfit(PICO, dataclasses.replace(NEEDS, file_bytes=40_000_000), 61_440, [PICO, ROOMY])
    assert len(lines) == 1 and lines[0].endswith("; would fit: a shorter song")


def test_too_much_memory_names_the_bytes_a_frame_that_would_do() -> None:
    needs = dataclasses.replace(NEEDS, ram_bytes=200_000, frame_bytes=60_000)
    (line,) = unfit(PICO, needs, 0, [PICO, ROOMY])
    assert line.startswith(
        "does not fit: 200000 bytes of memory on a board with 131072; would fit: a pico-2, or strings"
    )
    advised = re.search(r"strings of (\d+) bytes a frame", line)
    assert advised is not None
    # ROLL.md, section 10: two units, of a frame each at least, a frame, an inflater (9.5 kB), a piece to read in; and
    # three frames and 3 KiB of the player's own.
    rest = PICO.ram_bytes - 9_500 - 1_024 - 3_072
    assert 6 * int(advised[1]) <= rest < 6 * (int(advised[1]) + 1)


def test_units_are_as_large_as_memory_allows_and_no_larger() -> None:
    clocked = {"pixels": 100, "channels": 3, "clocked": True, "start_bytes": 4, "end_bytes": 7}
    for strings in (SETTINGS["strings"], [*SETTINGS["strings"], clocked]):
        frame = sum(3 * string["pixels"] for string in strings)
        rest = 4 * frame + 9_500 + 1_024 + 3_072 + (411 if clocked in strings else 0)
        assert 2 * unit_room(131_072, {"strings": strings}) + rest in (131_072, 131_071)
    assert unit_room(1_000, SETTINGS) == 1


def test_too_many_bytes_a_second_are_told() -> None:
    (line,) = unfit(PICO, dataclasses.replace(NEEDS, read_bytes_per_s=400_000.0), 0)
    assert line == (
        "does not fit: 400000 bytes a second from the flash of a board that reads 200000; "
        "would fit: about 19 frames a second"
    )


def test_the_busiest_moment_counts_both_readings_of_a_payload(tmp_path: Path) -> None:
    with roll(tmp_path / "a.roll", 40) as reader:
        needs = needs_of(reader, 9_300.0, SETTINGS)
        most = max(unit.payload_bytes for unit in reader.units)
        spans = [sum(g.end_us - g.start_us for g in reader.groups if g.unit == u) for u in range(len(reader.units))]
    assert needs.frames_per_s == pytest.approx(40) and needs.period_us == 25_000
    assert needs.read_bytes_per_s <= 2 * most / (min(spans) / 1e6)
    # Noise: what is read each second is at least what is shown in it, twice.
    assert needs.read_bytes_per_s >= 2 * 40 * 150 * 0.9


def test_frames_faster_than_the_wire_are_told() -> None:
    (line,) = unfit(PICO, dataclasses.replace(NEEDS, period_us=8_000.0), 0)
    assert line == (
        "does not fit: a frame every 8000 us, which takes 9300 us on its wires; "
        "would fit: 107 frames a second, or fewer pixels a string"
    )
