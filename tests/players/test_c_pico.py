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
BYTE_US = 10  # WS2812B datasheet: 1.25 us a bit
LOW_US = 300

Sent = tuple[int, int, bytes]  # at, pin, bytes


WIRED = {28: 10, 27: 15}  # pixels by pin, as the program of most tests has them


def built(folder: Path, wired: dict[int, int]) -> Path:
    program = folder / "pico"
    table = ", ".join(f"{{{pin}, {pixels}}}" for pin, pixels in wired.items())
    flags = [
        "-std=gnu99",
        "-g",
        "-O1",
        "-Wall",
        "-Wextra",
        "-Werror",
        "-fsanitize=address,undefined",
        f"-DWIRED={table}",
    ]
    sources = [str(MAIN), str(PLAYER / "roll.c"), str(STUB / "sdk.c")]
    command = ["gcc", *flags, "-fno-sanitize-recover=all", f"-I{STUB}", f"-I{PLAYER}", "-o", str(program), *sources]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    return program


@pytest.fixture(scope="module")
def board(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return built(tmp_path_factory.mktemp("pico"), WIRED)


def power(
    board: Path,
    roll: Path | None,
    until_us: int,
    busy_us: int = 0,
    wired: dict[int, int] = WIRED,
    spoilt_us: int | None = None,
) -> list[Sent]:
    """Power on, power off at `until_us`: everything that was sent after the first, the zeros to the pins of WIRED."""
    settings = {"STUB_OFFSET": OFFSET, "STUB_UNTIL": until_us, "STUB_BUSY": busy_us, "STUB_SPOILT": spoilt_us or 0}
    environment = {**os.environ, **{name: str(value) for name, value in settings.items()}}
    if roll is not None:
        environment["STUB_ROLL"] = str(roll)
    done = subprocess.run([str(board)], capture_output=True, text=True, timeout=120, env=environment)
    assert done.returncode == 0, done.stderr
    rows = [line.split() for line in done.stdout.splitlines()]
    sent = [(int(at), int(pin), bytes.fromhex(data)) for at, pin, data in rows]
    first, later = sorted(sent[: len(wired)], key=lambda one: list(wired).index(one[1])), sent[len(wired) :]
    assert [(pin, data) for _, pin, data in first] == [(pin, bytes(4 * pixels)) for pin, pixels in wired.items()]
    assert max(at for at, _, _ in first) < 100 + len(wired) * busy_us
    quiet = max(at + BYTE_US * len(data) for at, _, data in first) + LOW_US
    assert all(at >= quiet for at, _, _ in later)
    return later


def dark_from(sent: list[Sent], at_us: int, wired: dict[int, int], until_us: int) -> None:
    """Only zeros on these pins (bytes by pin), again and again until power goes, and 300 us of low after each."""
    rows = [one for one in sent if one[0] >= at_us]
    assert {pin for _, pin, _ in rows} == set(wired)
    for pin, size in wired.items():
        mine = [(at, data) for at, its, data in rows if its == pin]
        assert {data for _, data in mine} == {bytes(size)}
        ends = [at + BYTE_US * size for at, _ in mine]
        begins = [*(at for at, _ in mine[1:]), until_us]
        assert all(LOW_US <= begin - end < 1_100_000 for end, begin in zip(ends, begins, strict=True))
        assert mine[0][0] - at_us < 1_100_000


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
    assert sent[0][2] == bytes(6) and sent[0][0] < 2_000  # dark from power-on
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
    sent = power(board, tmp_path / "a.roll", 12_000_000, busy_us)
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


WIRED_BYTES = {pin: 4 * pixels for pin, pixels in WIRED.items()}


def test_without_a_roll_the_wired_pins_are_kept_dark(board: Path) -> None:
    dark_from(power(board, None, 3_500_000), 0, WIRED_BYTES, 3_500_000)


def test_a_roll_cut_short_in_flash_is_not_played_and_all_is_dark(board: Path, tmp_path: Path) -> None:
    several(tmp_path / "whole.roll")
    whole = (tmp_path / "whole.roll").read_bytes()
    (tmp_path / "a.roll").write_bytes(whole[:300])  # the rest of the flash is FF
    dark_from(power(board, tmp_path / "a.roll", 3_500_000), 0, WIRED_BYTES, 3_500_000)


@pytest.mark.parametrize("at", [4, 12, 70, 150])
def test_a_roll_with_a_broken_head_is_not_played_and_all_is_dark(board: Path, tmp_path: Path, at: int) -> None:
    several(tmp_path / "whole.roll")
    data = bytearray((tmp_path / "whole.roll").read_bytes())
    data[at] ^= 0x40
    (tmp_path / "a.roll").write_bytes(data)
    dark_from(power(board, tmp_path / "a.roll", 2_500_000), 0, WIRED_BYTES, 2_500_000)


def test_at_the_end_of_the_roll_its_pins_are_kept_dark(board: Path, tmp_path: Path) -> None:
    (tmp_path / "tide.roll").write_bytes(tide())
    sent = power(board, tmp_path / "tide.roll", 4_500_000)
    last = max(at for at, _, data in sent if any(data))
    dark_from(sent, last + 1, {16: 6}, 4_500_000)


def test_pins_that_the_table_and_the_roll_name_in_another_order_are_the_rolls(tmp_path: Path) -> None:
    wired = {4: 3, 3: 2, 2: 5, 16: 8}
    header = several(tmp_path / "a.roll")
    sent = power(built(tmp_path, wired), tmp_path / "a.roll", 3_500_000, wired=wired)
    frames = expected(tmp_path / "a.roll")
    assert {pin for _, pin, _ in sent} == {string.pin for string in STRINGS}  # 16 had its zeros, and stays low
    for string in STRINGS:
        mine = [data for _, pin, data in sent if pin == string.pin]
        assert mine[1 : 1 + len(frames)] == [frame[header.byte_slices[string.name]] for _, frame in frames]


def test_when_the_flash_fails_midway_it_is_dark_from_the_end_of_what_was_read(board: Path, tmp_path: Path) -> None:
    """Forty groups of 100 ms: the index is in three pages, which are read as they are needed; so are the payloads."""
    header = RollHeader("", "quay", 0, "00" * 32, (StringSpec("rail", 16, None, 20, 3, "grb", "ws2812b"),))
    rng = np.random.default_rng(6)
    with RollWriter(tmp_path / "a.roll", header, groups=40, unit_bytes=300) as writer:
        for group in range(40):
            frames = rng.integers(1, 256, (4, 60), np.uint8)
            writer.add(group * 100_000, (group + 1) * 100_000, frames)
    whole = power(board, tmp_path / "a.roll", 6_500_000)
    sent = power(board, tmp_path / "a.roll", 6_500_000, spoilt_us=500_000)
    lit = [(at, data) for at, _, data in sent if any(data)]
    assert lit == [(at, data) for at, _, data in whole if any(data)][: len(lit)]  # nothing that was not baked
    assert 10 < len(lit) and lit[-1][0] < 500_000 + 2 * 100_000
    dark_from(sent, lit[-1][0] + 1, {16: 60}, 6_500_000)


def test_a_table_longer_than_there_are_state_machines_is_not_compiled(tmp_path: Path) -> None:
    with pytest.raises(AssertionError, match="wired_is_no_longer"):
        built(tmp_path, {pin: 5 for pin in range(9)})


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
    dark_from(power(board, tmp_path / "a.roll", 2_500_000), 0, WIRED_BYTES, 2_500_000)


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
