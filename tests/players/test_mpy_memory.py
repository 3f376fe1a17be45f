"""Whether the player and the largest units that are baked for a board fit into a board's memory, in real MicroPythons.

What a board's heap holds: MicroPython's issue 12557 has 215,904 bytes free on a Pico (1.20, in 2023), its pull request
12141 has 64,000 and at most 188,352 more on an ESP32-S3; issue 8940 lists 69,256 + 13,440 + 112,208 bytes of an ESP32,
of which Wi-Fi wants some 50,000. Nothing here was tried on a board.
"""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from mpy_kit_runner import PLAYER, node_modules, unix, unix_port, web

from exporters.package import unit_room
from exporters.rollfile import RollHeader, RollReader, RollWriter, StringSpec

pytestmark = pytest.mark.skipif(unix_port() is None, reason="MicroPython's unix port is not installed")

ROWS = tomllib.loads((Path(__file__).parents[2] / "composer" / "boards.toml").read_text(encoding="utf-8"))
HEAPS = {"pico": 215_904, "esp32": 69_256 + 13_440 + 112_208 - 50_000, "esp32-s3": 64_000 + 188_352 - 50_000}
FRAMES = 120

# The test's interpreter has pointers of 64 bits. There the modules take 78 KB and not 72, the largest of them 56 KB and
# not 28 while it is compiled, and lists twice as much: rooms.py has both figures. Buffers take the same.
WIDE = (135_168 + 14_336) - (101_376 + 7_168)
KIT_BYTES = 26_000  # what the test itself holds: `begun`
TABLES = 1.014  # a heap's own tables: gc.mem_alloc() + gc.mem_free() is so much less than the size that is asked for


def settings_of(board: str, pixels: int) -> dict[str, Any]:
    string = {"clock_pin": None, "pixels": pixels, "channels": 3, "order": "grb", "chip": "ws2812b", "clocked": False,
              "reset_us": 300, "t0h_ns": 400, "t0l_ns": 850, "t1h_ns": 800, "t1l_ns": 450}  # fmt: skip
    return {"format": 1, "controller": "quay", "board": board, "outputs_at_once": 8, "led_pin": "LED",
            "strings": [string | {"name": f"s{n}", "pin": 2 + n} for n in range(4)], "button_pin": None,
            "pulse_in_pin": None, "pulse_out_pin": None, "start": "wait", "songs": ["a.roll"], "loop": False,
            "pause_s": 0, "brightness": 255, "udp_port": 5005, "wifi": None, "quiet_look": None}  # fmt: skip


def baked(folder: Path, board: str, pixels: int) -> tuple[Path, Path, int]:
    """Settings, a roll of noise whose groups fill the units that the row allows, and its largest unit."""
    settings = settings_of(board, pixels)
    strings = tuple(StringSpec(f"s{n}", 2 + n, None, pixels, 3, "grb", "ws2812b") for n in range(4))
    header = RollHeader("", "quay", 0, "00" * 32, strings)
    room = unit_room(ROWS[board]["ram_bytes"][0], settings)
    each = min(255, room // header.frame_bytes)
    groups = FRAMES // each
    rng = np.random.default_rng(3)
    with RollWriter(folder / "a.roll", header, groups=groups, unit_bytes=room) as writer:
        for group in range(groups):
            frames = rng.integers(0, 256, (each, header.frame_bytes), np.uint8)
            writer.add(group * 50_000 * each, (group + 1) * 50_000 * each, frames)
    with RollReader(folder / "a.roll") as reader:
        most = reader.stats.most_unit_bytes
    assert most == each * header.frame_bytes > room - header.frame_bytes
    (folder / "settings.json").write_text(json.dumps(settings))
    return folder / "settings.json", folder / "a.roll", groups * each


@pytest.mark.parametrize("board", HEAPS)
def test_a_thousand_pixels_play_in_a_boards_memory(board: str, tmp_path: Path) -> None:
    settings, roll, frames = baked(tmp_path, board, 250)
    heap = int((HEAPS[board] + WIDE + KIT_BYTES) * TABLES)
    [answer] = unix("fits.py", settings, roll, "play", heap=str(heap))
    told = json.loads(answer)
    assert told["begun"][0] <= KIT_BYTES
    assert sum(told["begun"]) <= HEAPS[board] + WIDE + KIT_BYTES + 1_024
    assert len(told["taken"]) == 3 and told["kept"] == 2  # it was there before the modules, and they found room too
    assert told["answer"] is None
    assert (told["late"], told["dark"]) == (0, 0)
    assert frames <= told["frames"] <= frames + 4  # and dark ones around them


def test_a_row_that_promises_too_much_is_told_from_one_that_fits(tmp_path: Path) -> None:
    """The same with a heap less by a quarter: not enough, which the player says and does not crash of."""
    settings, roll, _ = baked(tmp_path, "pico", 250)
    heap = int((HEAPS["pico"] * 3 // 4 + WIDE + KIT_BYTES) * TABLES)
    told = json.loads(unix("fits.py", settings, roll, "play", heap=str(heap))[0])
    assert told["taken"] == [] and told["answer"] == "memory"


@pytest.mark.skipif(node_modules() is None, reason="MicroPython for the web is not installed")
def test_what_the_modules_take_on_32_bits(tmp_path: Path) -> None:
    """Without native code there, which is 3 KB more on a board (mpy-cross -march=armv6m): 72 KB in all."""
    settings, roll, _ = baked(tmp_path, "pico", 250)
    told = json.loads(web("fits.py", settings, roll, "load")[0])
    assert 60_000 < told["swept"][0] - 15_000 < 70_000  # 15 KB: what the test itself holds
    assert (PLAYER / "rooms.py").read_text().count("101_376") == 1
