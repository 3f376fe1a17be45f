"""The example for the Pico, compiled with a stand-in for its SDK: what goes down the wires, and when.

The stand-in's flash is a file and its time made believe; it holds what would go wrong on a board: a buffer changed
while it is sent, a line not low for long enough, a watchdog that is not fed. Nothing here was tried on a board.
Outside truth: the RP2040 datasheet, section 3.4, for the meaning of the program's words; the WS2812B datasheet
(Worldsemi, version 1.0) for the times of a bit.
"""

from __future__ import annotations

import os
import re
import subprocess
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from c_kit import GCC, HERE, PLAYER, Made, made_roll, read, stored, tide

from exporters import spec
from exporters.rollfile import Draw, RollHeader, RollReader, RollWriter, StringSpec

pytestmark = pytest.mark.skipif(GCC is None, reason="gcc is not installed: the C example is not compiled")

STUB = HERE / "c_stub"
MAIN = PLAYER / "main_pico.c"
OFFSET = 1024 * 1024
NEAR_US = 25  # looking at the clock takes a microsecond there

Sent = tuple[int, int, bytes]  # at, pin, bytes


@pytest.fixture(scope="module")
def board(tmp_path_factory: pytest.TempPathFactory) -> Path:
    program = tmp_path_factory.mktemp("pico") / "pico"
    flags = ["-std=gnu99", "-g", "-O1", "-Wall", "-Wextra", "-Werror", "-fsanitize=address,undefined"]
    sources = [str(MAIN), str(PLAYER / "roll.c"), str(STUB / "sdk.c")]
    command = ["gcc", *flags, "-fno-sanitize-recover=all", f"-I{STUB}", f"-I{PLAYER}", "-o", str(program), *sources]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    return program


def power(board: Path, roll: Path | None, until_us: int, busy_us: int = 0) -> list[Sent]:
    """Power on, power off at `until_us`: everything that was sent."""
    settings = {"STUB_OFFSET": OFFSET, "STUB_UNTIL": until_us, "STUB_BUSY": busy_us}
    environment = {**os.environ, **{name: str(value) for name, value in settings.items()}}
    if roll is not None:
        environment["STUB_ROLL"] = str(roll)
    done = subprocess.run([str(board)], capture_output=True, text=True, timeout=120, env=environment)
    assert done.returncode == 0, done.stderr
    rows = [line.split() for line in done.stdout.splitlines()]
    return [(int(at), int(pin), bytes.fromhex(data)) for at, pin, data in rows]


def expected(roll: Path) -> list[tuple[int, bytes]]:
    """(due, frame) of the whole roll; the frames of dark groups are zeros."""
    out = []
    with RollReader(roll) as reader:
        dark = bytes(reader.header.frame_bytes)
        for number, (start, end, frames) in read(roll).items():
            count = reader.groups[number].frames
            for i in range(count):
                due = start + i * (end - start) // count
                out.append((due, dark if frames is None else frames[i].tobytes()))
    return out


# ---- playing ----------------------------------------------------------------------------------------------------


def test_the_roll_of_the_page_goes_down_the_wire_when_it_is_due_and_dark_around_it(board: Path, tmp_path: Path) -> None:
    (tmp_path / "tide.roll").write_bytes(tide())
    sent = power(board, tmp_path / "tide.roll", 4_000_000)
    frames = expected(tmp_path / "tide.roll")
    assert {pin for _, pin, _ in sent} == {16}
    assert sent[0][2] == bytes(6) and sent[0][0] < 1_000  # dark from power-on
    shown = sent[1 : 1 + len(frames)]
    assert [data for _, _, data in shown] == [data for _, data in frames]
    zero = shown[0][0]
    for (at, _, _), (due, _) in zip(shown, frames, strict=True):
        assert abs(at - zero - due) <= NEAR_US
    after = sent[1 + len(frames) :]
    assert abs(after[0][0] - zero - 1_250_000) <= NEAR_US  # the end of section 15's last group
    assert len(after) >= 2 and all(data == bytes(6) for _, _, data in after)


STRINGS = tuple(
    StringSpec(f"s{number}", 2 + number, None, 5 + 7 * number, 4 if number % 3 == 1 else 3, order, "ws2812b")
    for number, order in enumerate(["grb", "grbw", "rgb", "bgr", "rgbw", "grb", "grb", "wrgb"])
)


def several(path: Path, strings: tuple[StringSpec, ...] = STRINGS, draws: tuple[Draw, ...] = ()) -> RollHeader:
    """Ten groups of six frames, 50 ms each, of noise that grows brighter."""
    header = RollHeader("", "quay", 0, "00" * 32, strings, (("shed", 250),) if draws else (), draws)
    rng = np.random.default_rng(1)
    with RollWriter(path, header, groups=10) as writer:
        for group in range(10):
            frames = rng.integers(0, 20 * group + 10, (6, header.frame_bytes)).astype(np.uint8)
            writer.add(group * 300_000, (group + 1) * 300_000, frames)
    return header


def test_every_string_gets_its_own_bytes(board: Path, tmp_path: Path) -> None:
    header = several(tmp_path / "a.roll")
    sent = power(board, tmp_path / "a.roll", 4_000_000)
    frames = expected(tmp_path / "a.roll")
    for string in STRINGS:
        mine = [data for _, pin, data in sent if pin == string.pin]
        at = header.byte_slices[string.name]
        assert mine[0] == bytes(string.frame_bytes)
        assert mine[1 : 1 + len(frames)] == [frame[at] for _, frame in frames]
        assert set(mine[1 + len(frames) :]) == {bytes(string.frame_bytes)}


def test_a_broken_unit_leaves_its_group_dark_and_the_next_in_time(board: Path, tmp_path: Path) -> None:
    header = RollHeader("", "quay", 0, "00" * 32, (StringSpec("rail", 16, None, 2, 3, "grb", "ws2812b"),))
    units = [Made(20, 0, spec.ROWS, stored(bytes([value] * 120))) for value in (1, 2, 3)]
    data = bytearray(made_roll(header, units, [(0, 0, 20), (1, 0, 20), (2, 0, 20)]))
    data[-150] ^= 1  # in the middle one's payload
    (tmp_path / "a.roll").write_bytes(data)
    assert [frames is None for _, _, frames in read(tmp_path / "a.roll").values()] == [False, True, False]
    sent = power(board, tmp_path / "a.roll", 1_000_000)
    assert [data for _, _, data in sent[1:61]] == [bytes([value] * 6) for value in (1, 0, 3) for _ in range(20)]
    assert abs(sent[41][0] - sent[1][0] - 40_000) <= NEAR_US


@pytest.mark.parametrize("busy_us", [7_000, 30_000, 130_000])
def test_a_board_that_is_late_leaves_frames_out_and_stays_in_step(board: Path, tmp_path: Path, busy_us: int) -> None:
    string = (StringSpec("rail", 16, None, 20, 3, "grb", "ws2812b"),)
    several(tmp_path / "a.roll", string)
    frames = expected(tmp_path / "a.roll")
    dues = {frame: due for due, frame in frames}
    assert len(dues) == len(frames)  # each tells when it is due
    sent = power(board, tmp_path / "a.roll", 8_000_000, busy_us)
    shown = [(at, dues[data]) for at, _, data in sent if data in dues]
    assert 5 < len(shown) <= len(frames)
    assert all(first < second for (_, first), (_, second) in pairwise(shown))
    # A frame is on time, or late by less than itself and what the board was kept from its work, thrice: three waits.
    late = [at - due for at, due in shown]
    assert max(late) - min(late) <= 50_000 + 3 * busy_us


def test_the_second_net_dims_what_a_supply_may_not_give(board: Path, tmp_path: Path) -> None:
    string = (StringSpec("rail", 16, None, 20, 3, "grb", "ws2812b"),)
    header = several(tmp_path / "a.roll", string, (Draw("rail", "shed", 0, 20, 1_000, 20_000),))
    sent = power(board, tmp_path / "a.roll", 4_000_000)
    dimmed = 0
    for (_, frame), (_, _, data) in zip(expected(tmp_path / "a.roll"), sent[1:61], strict=True):
        # Section 5.4: 20 dark pixels of 1 mA, and 20 mA a channel, of an allotment of 250 mA.
        own_ua, sent_ua = (20 * 1_000 + sum(values) * 20_000 // 255 for values in (frame, data))
        assert sent_ua <= 250_000
        assert data == frame or own_ua > 250_000
        dimmed += data != frame
    assert 20 < dimmed < 60 and header.frame_bytes == 60


# ---- what is no roll for this board -----------------------------------------------------------------------------


def test_without_a_roll_nothing_is_sent(board: Path) -> None:
    assert power(board, None, 3_000_000) == []


def test_a_roll_cut_short_in_flash_is_not_played(board: Path, tmp_path: Path) -> None:
    several(tmp_path / "whole.roll")
    whole = (tmp_path / "whole.roll").read_bytes()
    (tmp_path / "a.roll").write_bytes(whole[:300])  # the rest of the flash is FF
    assert power(board, tmp_path / "a.roll", 3_000_000) == []


@pytest.mark.parametrize(
    "strings",
    [
        (StringSpec("mast", 3, 4, 5, 3, "bgr", "apa102"),),
        tuple(StringSpec(f"s{n}", n, None, 1, 3, "grb", "ws2812b") for n in range(9)),
        (StringSpec("rail", 3, None, 11_000, 3, "grb", "ws2812b"),),
    ],
    ids=["a clock line", "nine strings", "a frame beyond its buffer"],
)
def test_a_roll_for_another_board_is_not_played(board: Path, tmp_path: Path, strings: tuple[StringSpec, ...]) -> None:
    header = RollHeader("", "quay", 0, "00" * 32, strings)
    with RollWriter(tmp_path / "a.roll", header, groups=1) as writer:
        writer.add(0, 100_000, np.full((1, header.frame_bytes), 9, np.uint8))
    assert power(board, tmp_path / "a.roll", 1_000_000) == []


# ---- the program of the state machines --------------------------------------------------------------------------


def words() -> list[int]:
    source = MAIN.read_text(encoding="utf-8")
    listed = re.search(r"bit_words\[\] = \{([^}]*)\}", source)
    assert listed is not None
    return [int(word, 16) for word in listed.group(1).split(",")]


def line_of(bits: list[int]) -> list[int]:
    """The pin's level in each cycle, by the datasheet, while these bits are sent.

    3.4.1: three bits of opcode, five of delay (no side-set), eight of arguments. An instruction takes one cycle and its
    delay. Only what the program needs: OUT X, SET PINS, MOV PINS from X.
    """
    levels, level, x, todo = [], 0, 0, list(bits)
    while todo:
        for word in words():
            opcode, delay, destination, rest = word >> 13, word >> 8 & 31, word >> 5 & 7, word & 31
            if (opcode, destination) == (0b011, 0b001):  # OUT X, so many bits
                assert rest == 1
                x = todo.pop(0)
            elif (opcode, destination) == (0b111, 0b000):  # SET PINS, data
                level = rest & 1
            elif (opcode, destination, rest) == (0b101, 0b000, 0b00001):  # MOV PINS, X, as it is
                level = x & 1
            else:
                raise AssertionError(f"{word:04x} is no instruction of this program")
            levels += [level] * (1 + delay)
    return levels


def test_a_bit_is_as_long_as_the_datasheet_wants() -> None:
    """WS2812B, version 1.0: 0 is 0.4 us high and 0.85 low, 1 is 0.8 high and 0.45 low, each within 0.15 us."""
    source = MAIN.read_text(encoding="utf-8")
    hertz = re.search(r"PIO_HZ (\d+)", source)
    assert hertz is not None
    cycle_us = 1e6 / int(hertz.group(1))
    for bit, high_us, low_us in ((0, 0.4, 0.85), (1, 0.8, 0.45)):
        levels = line_of([bit, bit, bit])
        rises = [cycle for cycle in range(1, len(levels)) if levels[cycle] and not levels[cycle - 1]]
        falls = [cycle for cycle in range(1, len(levels)) if levels[cycle - 1] and not levels[cycle]]
        assert (falls[0] - rises[0]) * cycle_us == pytest.approx(high_us, abs=0.15)
        assert (rises[1] - falls[0]) * cycle_us == pytest.approx(low_us, abs=0.15)
        assert (rises[1] - rises[0]) * cycle_us == pytest.approx(1.25)  # as BYTE_US has it


def test_the_line_is_low_where_the_program_waits_for_bytes() -> None:
    assert words()[0] == 0b011_00000_001_00001  # OUT X, 1: it waits here
    assert line_of([1, 1])[-1] == 0 and line_of([1])[0] == 0
