"""What leaves the pins of a Pico and of an ESP32, against datasheets: state machines in a model of the RP2040's PIO.

Not tried on a board. The model is the PyPI package rp2040-pio-emulator; the rest of the chip is a set of stubs.
"""

from __future__ import annotations

import json
from itertools import groupby
from tempfile import NamedTemporaryFile
from typing import Any

import pytest
from mpy_kit_runner import unix, unix_port

pioemu = pytest.importorskip("pioemu", reason="the model of the PIO is not installed")
pytestmark = pytest.mark.skipif(unix_port() is None, reason="MicroPython's unix port is not installed")

# Worldsemi WS2812B datasheet V1.0, "data transfer time": ns, each +-150.
WS2812B = {"t0h_ns": 400, "t0l_ns": 850, "t1h_ns": 800, "t1l_ns": 450}
# SK6812 datasheet as quoted by ESP-IDF's led_strip; WS2811 at its low speed, as code that quotes the datasheet has it.
SK6812 = {"t0h_ns": 300, "t0l_ns": 900, "t1h_ns": 600, "t1l_ns": 600}
WS2811_SLOW = {"t0h_ns": 500, "t0l_ns": 2000, "t1h_ns": 1200, "t1l_ns": 1300}


def string(name: str, pin: int, pixels: int, channels: int = 3, **more: Any) -> dict[str, Any]:
    row = {"name": name, "pin": pin, "clock_pin": None, "pixels": pixels, "channels": channels, "order": "grb",
           "chip": "ws2812b", "clocked": False, "reset_us": 300}  # fmt: skip
    return row | (more or WS2812B)


def lamp(pixels: int) -> dict[str, Any]:
    return string("lamp", 6, pixels, clock_pin=7, chip="apa102", clocked=True, reset_us=0, bit_ns=1000, start_bytes=4,
                  level_byte=255, end_bytes=1)  # fmt: skip


def sent(strings: list[dict[str, Any]], board: str = "pico", at_once: int = 8, *words: str) -> dict[str, Any]:
    settings = {"controller": "quay", "board": board, "strings": strings, "outputs_at_once": at_once, "led_pin": None,
                "button_pin": None, "pulse_in_pin": None, "pulse_out_pin": None, "brightness": 255, "wifi": None,
                "udp_port": 5005}  # fmt: skip
    with NamedTemporaryFile("w", suffix=".json") as file:
        json.dump(settings, file)
        file.flush()
        [answer] = unix("pico.py", file.name, *words)
    return json.loads(answer)


def levels(words: list[int], data: list[int], cycles: int, side: bool = False) -> list[int]:
    """The pins after each cycle. DMA writes a byte, which the bus gives in all four places of the word (RP2040
    datasheet, 2.1.4)."""
    state = pioemu.State()
    state.transmit_fifo.extend(byte * 0x01010101 for byte in data)
    steps = pioemu.emulate(
        words,
        stop_when=pioemu.clock_cycles_reached(cycles),
        initial_state=state,
        auto_pull=True,
        pull_threshold=8,
        shift_osr_right=False,
        out_count=1,
        set_count=1,
        side_set_base=1,
        side_set_count=int(side),
    )
    out: list[int] = []
    for _, after in steps:
        out += [after.pin_values] * (after.clock - len(out))
    return out


@pytest.mark.parametrize("times", [WS2812B, SK6812, WS2811_SLOW])
def test_the_bits_of_one_wire_are_as_long_as_the_datasheet_has_them(times: dict[str, int]) -> None:
    got = sent([string("rail", 16, 2, **times)])
    [(number, freq, pins)] = got["lanes"]
    assert number == 0 and pins == [16, 16, None]
    assert got["programs"][0]["out"] and got["programs"][0]["set"]
    data = [0b10110010, 0x00, 0xFF]
    bits = [int(bit) for byte in data for bit in f"{byte:08b}"]  # most significant first
    ns = 1e9 / freq
    pins_over_time = levels(got["programs"][0]["words"], data, round((len(bits) + 2) * 3_000 / ns))
    runs = [(level & 1, len(list(same)) * ns) for level, same in groupby(pins_over_time)]
    assert runs[0][0] == 0 and runs[-1][0] == 0
    highs = [length for level, length in runs if level]
    lows = [length for level, length in runs[2:-1] if not level]
    assert len(highs) == len(bits)
    for bit, high in zip(bits, highs, strict=True):
        assert high == pytest.approx(times[f"t{bit}h_ns"], abs=150)
    for bit, low in zip(bits, lows, strict=False):
        assert low == pytest.approx(times[f"t{bit}l_ns"], abs=150)
    # With nothing more to send the line stays low, for as long as it takes.
    assert runs[-1][1] > 3_000


def test_a_clocked_string_changes_its_data_only_while_the_clock_is_low() -> None:
    """APA102 datasheet: data is taken as the clock rises."""
    got = sent([lamp(1)])
    [(_, freq, pins)] = got["lanes"]
    assert pins == [6, None, 7]
    data = [0b10110010, 0x0F]
    over_time = levels(got["programs"][0]["words"], data, 40, side=True)
    taken = [after & 1 for before, after in zip(over_time, over_time[1:], strict=False) if after & 2 and not before & 2]
    assert taken[:16] == [int(bit) for byte in data for bit in f"{byte:08b}"]
    assert all((a ^ b) & 1 == 0 for a, b in zip(over_time, over_time[1:], strict=False) if a & 2 and b & 2)
    assert 2 * 1e9 / freq == 1_000


def test_each_string_has_its_machine_and_its_request() -> None:
    """RP2040 datasheet, 2.5.3.1: requests 0 to 3 are those of PIO 0 for sending, 8 to 11 those of PIO 1."""
    got = sent([string(f"s{number}", number, 2) for number in range(6)])
    assert [lane[0] for lane in got["lanes"]] == [0, 1, 2, 3, 4, 5]
    assert [transfer[:3] for transfer in got["transfers"]] == [
        [0, 0, 6], [1, 1, 6], [2, 2, 6], [3, 3, 6], [4, 8, 6], [5, 9, 6],
    ]  # fmt: skip
    assert got["transfers"][5][3] == list(range(31, 37))
    wireless = sent([string(f"s{number}", number, 2) for number in range(6)], "pico-w")
    assert [lane[0] for lane in wireless["lanes"]] == [0, 1, 2, 3, 5, 6]


def test_a_frame_is_busy_until_the_line_was_low_long_enough() -> None:
    got = sent([string("rail", 16, 20)])
    assert 20 * 24 * 1.25 + 300 <= got["busy_us"] < 20 * 24 * 1.25 + 300 + 100_000
    assert got["lead_us"] == 20 * 24 * 1.25 + 300


@pytest.mark.parametrize("board", ["pico", "esp32"])
def test_a_frame_that_has_stood_for_minutes_is_not_busy(board: str) -> None:
    """Ticks wrap round after 2^30 us: a difference of ten minutes is negative."""
    assert sent([string("rail", 16, 2)], board)["busy_after_ten_minutes"] is False


def test_strings_beyond_those_at_once_leave_in_a_second_batch() -> None:
    got = sent([string(f"s{number}", number, 4) for number in range(3)], at_once=2)
    assert [transfer[0] for transfer in got["transfers"]] == [0, 1, 0]
    assert got["busy_us"] >= 2 * (4 * 24 * 1.25 + 300)


def test_without_dma_the_processor_feeds_the_machines() -> None:
    got = sent([string("rail", 16, 2), string("mast", 17, 1)], "pico", 8, "old")
    assert got["puts"] == [[0, [1, 2, 3, 4, 5, 6], 24], [0, [7, 8, 9], 24]]
    assert got["transfers"] == []


def test_the_watchdog_is_stopped_through_its_register() -> None:
    got = sent([string("rail", 16, 1)])
    assert got["watchdog_ms"] == 2_000 and got["fed"] == 1 and got["off"] and got["power_on"]
    # RP2040 datasheet: 0x40058000 is the watchdog (2.2), + 0x3000 clears bits (2.1.2), bit 30 is ENABLE (4.7.6).
    assert got["mem"] == [[0x40058000 + 0x3000, 1 << 30]]
    assert got["edge"] == [True, True, False]


# ---- ESP32 ------------------------------------------------------------------------------------------------------


def test_an_esp32_sends_one_string_after_another_with_the_times_of_its_chip() -> None:
    got = sent([string("rail", 16, 2), string("hull", 17, 1, **SK6812), lamp(1)], "esp32", 8)
    assert got["bitstream"] == [
        [16, [400, 850, 800, 450], [1, 2, 3, 4, 5, 6]],
        [17, [300, 900, 600, 600], [7, 8, 9]],
    ]
    # APA102 datasheet: 32 zero bits, 111 and the brightness, the colours; then clocks.
    assert got["spi"] == [[[1_000_000, 7, 6], [0, 0, 0, 0, 255, 10, 11, 12, 0]]]
    assert got["busy_us"] >= 300
    assert not got["off"]  # its watchdog cannot be stopped: the player ends in a reset
    ends = [60 + 300, 60 + 300 + 29 + 300, 60 + 300 + 29 + 300 + 72 + 300]
    assert got["lead_us"] == sum(ends) // 3
