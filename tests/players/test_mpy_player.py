"""The board's player in a real MicroPython, on a board without pins whose time the test turns.

What a line does is held against exporters/LINK.md; what frames hold and when, against numbers worked here. Tolerances:
ITU-R BT.1359-1 has sound 45 ms early and 125 ms late as what is noticed; 10 ms is our own goal.
"""

from __future__ import annotations

import base64
import hashlib
import json
import re
import signal
import socket
import subprocess
import time
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from mpy_kit_runner import KIT, PLAYER, HandUnit, hand_roll, node_modules, unix, unix_port, web

from exporters.rollfile import Draw, RollReader, StringSpec

pytestmark = pytest.mark.skipif(unix_port() is None, reason="MicroPython's unix port is not installed")
needs_web = pytest.mark.skipif(node_modules() is None, reason="MicroPython for the web is not installed")

RAIL = (StringSpec("rail", 16, None, 5, 3, "grb", "ws2812b"),)
FRAME_US = 25_000
WIRE_US = 15 * 8 * 125 // 100 + 300  # 1.25 us a bit (WS2812B datasheet), and low for 300 us
PLAYING, PAUSED, CUED, IDLE, LOST = 2, 3, 1, 0, 4
DARK = [0] * 15


def show(seed: int = 1) -> np.ndarray:
    """Eight groups of ten frames of five pixels, all of them lit."""
    return np.random.default_rng(seed).integers(1, 256, (8, 10, 15), np.uint8)


def roll_of(frames: np.ndarray, **how: Any) -> bytes:
    units = [HandUnit(16, len(group), group.tobytes()) for group in frames]
    return hand_roll(15, units, strings=RAIL, **how)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A board's files: a roll of two seconds, another, and a broken one."""
    (tmp_path / "a.roll").write_bytes(roll_of(show()))
    (tmp_path / "b.roll").write_bytes(roll_of(show(2)))
    (tmp_path / "c.roll").write_bytes(roll_of(show(3)[:2]))
    (tmp_path / "broken.roll").write_bytes(roll_of(show())[:900])
    return tmp_path


@pytest.fixture(scope="module")
def long(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A roll of 20 minutes and 50 seconds at ten frames a second."""
    path = tmp_path_factory.mktemp("long")
    units = [HandUnit(16, 10, show()[number].tobytes()) for number in range(4)]
    groups = [(number % 4, 0, 10) for number in range(1250)]
    (path / "a.roll").write_bytes(hand_roll(15, units, groups, strings=RAIL, group_us=1_000_000))
    return path


def scene(name: str, folder: Path, *words: object) -> Any:
    [answer] = unix("play.py", name, folder, *words, heap="32M")
    return json.loads(answer)


def said(folder: Path, *lines: str) -> list[list[str]]:
    return scene("talk", folder, *lines)["said"]


# ---- frames in time ---------------------------------------------------------------------------------------------


def test_every_frame_latches_when_it_is_due_and_holds_its_bytes(folder: Path) -> None:
    got = scene("times", folder, -500)
    frames = show().reshape(80, 15).tolist()
    assert got["sent"][0][1] == DARK
    lit = got["sent"][1 : len(frames) + 1]
    assert [frame for _, frame in lit] == frames
    assert max(abs(at - number * FRAME_US) for number, (at, _) in enumerate(lit)) < 1_000
    assert got["late"] == 0


def test_after_the_last_frame_all_is_dark(folder: Path) -> None:
    got = scene("times", folder, 0)
    assert got["sent"][-1][1] == DARK
    assert 0 <= got["sent"][-1][0] - 80 * FRAME_US < 3_000
    assert got["said"][-1] == "* end a.roll"


def test_a_start_in_the_middle_begins_with_the_frame_that_stands(folder: Path) -> None:
    got = scene("times", folder, 610)
    assert got["sent"][0][1] == show().reshape(80, 15)[24].tolist()
    assert got["sent"][1] == [pytest.approx(25 * FRAME_US, abs=500), show().reshape(80, 15)[25].tolist()]
    assert got["late"] == 0


def test_before_position_0_all_is_dark(folder: Path) -> None:
    got = scene("times", folder, -1000)
    assert all(frame == DARK for at, frame in got["sent"] if at < -1_000)
    assert got["sent"][0][1] != DARK or got["sent"][0][0] < 0


@pytest.mark.parametrize("work_us", [3_000, 9_000])
def test_frames_that_are_late_are_skipped_and_nothing_adds_up(folder: Path, work_us: int) -> None:
    """Each step of the decoder takes so long: whatever is sent is what stands then, or was due within one step."""
    got = scene("times", folder, 0, 0, work_us)
    frames = show().reshape(80, 15).tolist()
    numbers = [frames.index(frame) for _, frame in got["sent"] if frame in frames]
    assert numbers == sorted(set(numbers))
    for at, frame in got["sent"][:-1]:
        assert -500 <= at - frames.index(frame) * FRAME_US <= FRAME_US + 2 * work_us
    assert numbers[-1] >= 78
    assert got["late"] == numbers[-1] + 1 - len(numbers)


def test_the_watchdog_is_fed_well_within_its_time(folder: Path) -> None:
    got = scene("times", folder, 0, 0, 3_000)
    assert 0 < got["longest_feed_us"] < 100_000


# ---- one clock --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("ppm", "at_ms", "delay_ms"), [(100, 1000, 5), (-100, 250, 20)])
def test_twenty_minutes_with_crystals_off_stay_within_10_ms_of_the_sound(
    long: Path, ppm: int, at_ms: int, delay_ms: int
) -> None:
    """Ticks wrap twice meanwhile. Lines are up to `delay_ms` late, by lot, and read once a frame's work is done."""
    got = scene("step_with_sound", long, ppm, 20, at_ms, delay_ms)
    assert -10_000 < got["behind_us"] < 0 or got["behind_us"] == 0
    assert 0 <= got["ahead_us"] < 10_000
    assert got["late"] == 0
    assert got["frames"] == pytest.approx(12_000, abs=5)


def seconds(answer: list[str]) -> float:
    return float(answer[0].split()[2])


def test_at_slews_by_half_a_percent_at_most(folder: Path) -> None:
    first, *_, last = said(folder, "cue a.roll", "start 0", "at 0.1", "+1000", "at 0.1")[1:]
    gained = seconds(last) - seconds(first) - 1.0
    assert 0.003 < gained < 0.008  # of the 0.1 s that it is behind, 5 ms, and the time that asking took


def test_more_than_250_ms_ahead_is_a_jump_and_less_is_not(folder: Path) -> None:
    _, _, near = said(folder, "cue a.roll", "start 0", "at 0.24")
    _, _, far = said(folder, "cue a.roll", "start 0", "at 1.2")
    assert seconds(near) < 0.01 and seconds(far) == pytest.approx(1.2, abs=0.002)


def test_fewer_than_sixteen_lines_never_jump_back(folder: Path) -> None:
    lines = ["cue a.roll", "start 1"] + ["at 0.1"] * 20
    positions = [seconds(answer) for answer in said(folder, *lines)[2:]]
    assert all(position > 0.99 for position in positions[:15])
    assert positions[-1] < 0.2


def test_a_late_repeat_of_start_does_not_set_it_back(folder: Path) -> None:
    *_, state = said(folder, "cue a.roll", "start 0.5", "+30", "start 0.5", "+30", "state")
    assert float(state[0].split()[3]) >= 0.56


# ---- lines ------------------------------------------------------------------------------------------------------


def test_the_lines_of_the_page(folder: Path) -> None:
    crc = zlib.crc32((folder / "a.roll").read_bytes()[: head_bytes(folder / "a.roll") - 4])
    digest = hashlib.sha256((folder / "a.roll").read_bytes()).hexdigest()
    size = (folder / "a.roll").stat().st_size
    asked = {
        "hello": "ok hello 1 pico 4096 15 quay",
        "list 0": f"ok list 0 4 {size} a.roll",
        "list 4": "no list end",
        "hash a.roll": f"ok hash {digest} {size} a.roll",
        "hash nothing": "no hash file",
        "start 0": "no start state",
        "at 0": "no at state",
        "pause": "no pause state",
        "cue nothing": "no cue file",
        "cue broken.roll": "no cue roll",
        "cue": "no cue words",
        "cue a.roll": f"ok cue {crc:08x} a.roll",
        "state": "ok state cued 0.000 0 0 0 a.roll",
        "start x": "no start words",
        "start -1.5": "ok start -1.500",
        "hash a.roll ": "no hash state",
        "list  0": "no list words",
        "at 4294.968": "no at words",
        "bright 256": "no bright words",
        "bright 17": "ok bright 17",
        "dark 2": "no dark words",
        "dark 1": "ok dark 1",
        "juggle": "no verb",
        "x" * 240: "no long",
        "stop": "ok stop",
    }
    assert dict(zip(asked, (answer[0] for answer in said(folder, *asked)), strict=True)) == asked


def head_bytes(path: Path) -> int:
    with RollReader(path) as reader:
        return min(unit.payload_at for unit in reader.units)


def test_a_roll_for_another_board_or_other_strings_is_refused(folder: Path) -> None:
    mine = roll_of(show())
    (folder / "other.roll").write_bytes(
        hand_roll(15, [HandUnit(16, 1, bytes(15))], strings=(StringSpec("rail", 17, None, 5, 3, "grb", "ws2812b"),))
    )
    at = mine.index(b"\x04quay") + 1
    body = mine[:at] + b"pier" + mine[at + 4 : head_bytes(folder / "a.roll") - 4]
    (folder / "pier.roll").write_bytes(body + zlib.crc32(body).to_bytes(4, "little") + mine[len(body) + 4 :])
    assert said(folder, "cue other.roll", "cue pier.roll", "cue a.roll")[:2] == [["no cue other"]] * 2


def test_pause_holds_the_frame_and_start_goes_on(folder: Path) -> None:
    got = scene("talk", folder, "cue a.roll", "start 0.3", "+100", "pause", "+500", "state")
    position = float(got["said"][-1][0].split()[3])
    assert position == pytest.approx(0.4, abs=0.01)
    assert got["frame"] == show().reshape(80, 15)[int((position + WIRE_US / 1e6) / 0.025)].tolist()


def test_blackout_and_brightness_act_at_once_while_playing_and_while_paused(folder: Path) -> None:
    frames = show().reshape(80, 15)
    for before in (["start 0.3"], ["start 0.3", "+10", "pause"], ["start 0.2495", "+1", "pause"]):
        dark = scene("talk", folder, "cue a.roll", *before, "dark 1", "+10")
        assert dark["frame"] == DARK and not dark["lit"]
        dim = scene("talk", folder, "cue a.roll", *before, "bright 100", "+10")["frame"]
        assert dim in (frames[:20].astype(int) * 100 // 255).tolist()
        back = scene("talk", folder, "cue a.roll", *before, "dark 1", "+5", "dark 0", "+10")["frame"]
        assert back in frames[:20].tolist()


def test_stop_darkens_and_stops_the_watchdog(folder: Path) -> None:
    playing = scene("talk", folder, "cue a.roll", "start 0.3", "+100")
    assert playing["lit"] and playing["watching"] <= 2_000
    stopped = scene("talk", folder, "cue a.roll", "start 0.3", "+100", "stop")
    assert not stopped["lit"] and stopped["watching"] is None


def test_live_frames(folder: Path) -> None:
    frame = bytes(range(1, 16))
    crc, text = f"{zlib.crc32(frame):08x}", base64.b64encode(frame).decode()
    lit = scene("talk", folder, f"put 0 {crc} {text}", f"show {crc}", "+100", "state")
    assert lit["frame"] == list(frame)
    assert lit["said"][0] == ["ok put"] and lit["said"][2][0].startswith("ok state live ")
    gone = scene("talk", folder, f"put 0 {crc} {text}", f"show {crc}", "+2500", "state")
    assert not gone["lit"] and gone["said"][2][0].startswith("ok state idle ")
    wrong = said(folder, f"put 0 {crc[::-1]} {text}", f"show {crc}", f"put 1 {crc} {text}", "put 0 0 AA==")
    assert wrong == [["no put crc"], ["no show crc"], ["no put words"], ["no put words"]]


def test_packets(folder: Path) -> None:
    lines = {
        "5 1 hello": ["5 1 ok hello 1 pico 4096 15 quay"],
        "5 1 hello ": [],  # doubled
        "5 3 cue a.roll": None,
        "5 2 stop": [],  # overtaken
        "5 4 start 0": None,
        "6 1 start 0": ["6 1 no start busy"],
        "6 2 bright 9": ["6 2 no bright busy"],
        "6 3 dark 0": ["6 3 no dark busy"],
        "6 4 dark 1": ["6 4 ok dark 1"],  # anyone may make it dark
        "6 5 stop\n": ["6 5 ok stop"],
        "6 6 cue b.roll": None,
        "words 1 hello": [],
        "0 1 hello": [],
        "9 1": [],
    }
    answers = dict(zip(lines, scene("packets", folder, *lines), strict=True))
    assert all(answers[line] == wanted for line, wanted in lines.items() if wanted is not None)
    assert [answers[line][0].split()[:4] for line in ("5 3 cue a.roll", "5 4 start 0", "6 6 cue b.roll")] == [
        ["5", "3", "ok", "cue"],
        ["5", "4", "ok", "start"],
        ["6", "6", "ok", "cue"],
    ]


# ---- without a computer -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("start", "cause", "state"),
    [("boot", "power", PLAYING), ("boot", "watchdog", IDLE), ("wait", "power", IDLE), ("button", "power", IDLE)],
)
def test_switched_on(folder: Path, start: str, cause: str, state: int) -> None:
    """Dark first of all. It plays by itself only where that is wanted, and never after a reset."""
    got = scene("boot", folder, start, cause)
    assert got["first"] == DARK
    assert got["state"] == state and got["lit"] == (state == PLAYING)
    assert got["said"][0] == "* boot quay"
    assert got["leds"] > 2


def test_the_button_starts_and_stops(folder: Path) -> None:
    got = scene("button", folder)
    assert [state for state, _ in got["states"]] == [PLAYING, PLAYING, IDLE, IDLE, PLAYING]
    assert not got["states"][2][1]
    assert "* stop button" in got["said"]


def test_the_songs_of_the_list_with_a_pause_and_a_broken_one_between(folder: Path) -> None:
    got = scene("songs", folder, 2, "")
    played = [(at, file) for at, (file, state) in got["seen"] if state == PLAYING]
    assert [file for _, file in played] == ["a.roll", "b.roll"]
    # 0.3 s before the song, two of the song, two of the pause.
    assert played[1][0] - played[0][0] == pytest.approx(4_300, abs=60)
    assert got["said"] == ["* boot quay", "* end a.roll", "* stop roll broken.roll", "* end b.roll"]


def test_a_quiet_look_between_songs(folder: Path) -> None:
    got = scene("songs", folder, 3, "c.roll")
    played = [file for _, (file, state) in got["seen"] if state == PLAYING]
    assert [file for number, file in enumerate(played) if played[number - 1 : number] != [file]] == [
        "a.roll",
        "c.roll",
        "b.roll",
    ]


def test_two_boards_and_the_wire(folder: Path) -> None:
    """The lead's button is pressed at 5 s; both play two songs in step, and the list's end stops the other as well."""
    got = scene("wire", folder, 100, -100, 25)
    assert ["a.roll", "a.roll"] in got["files"] and ["b.roll", "b.roll"] in got["files"]
    low, high = got["apart_us"]
    assert -10_000 < low <= high < 10_000
    assert got["lit"] == [False, False] and got["said"][1][-1] == "* stop pulse"
    widths = [down[0] - up[0] for up, down in zip(got["pulses"][::2], got["pulses"][1::2], strict=True)]
    assert widths[:3] == [pytest.approx(width, abs=3_000) for width in (400_000, 150_000, 150_000)]


def test_marks_on_the_wire_keep_two_boards_together(long: Path) -> None:
    """Ninety seconds, 200 parts in a million apart: without marks 18 ms."""
    (long / "b.roll").write_bytes((long / "a.roll").read_bytes())
    got = scene("wire", long, 100, -100, 95)
    low, high = got["apart_us"]
    assert -10_000 < low <= high < 10_000


def test_a_start_is_heard_however_long_the_wire_was_silent(folder: Path) -> None:
    """Ticks wrap round after 2^30 us; beyond half of that, 9 minutes, a difference is negative."""
    assert scene("pulses", folder, 1, 10, 500, 1_220, 2_200, 3_300) == [2] * 6


# ---- trouble ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("what", "why"), [("page", "roll"), ("bug", "error"), ("memory", "memory")])
def test_whatever_goes_wrong_ends_in_darkness_with_its_reason(folder: Path, what: str, why: str) -> None:
    got = scene("trouble", folder, what)
    assert got["before"] and not got["lit"]
    assert got["state"] == IDLE and got["leds"] > 3
    assert got["stopped"].startswith(f"* stop {why}")


def test_ctrl_c_ends_in_darkness_and_without_a_watchdog(folder: Path) -> None:
    got = scene("trouble", folder, "ctrl-c")
    assert got["before"] and not got["lit"] and got["watching"] is None


def test_a_board_lost_in_a_pause_goes_on_with_the_next_at(long: Path) -> None:
    """LINK.md, section 4: the next `at` brings the light back in place, and time goes on."""
    answers = said(long, "cue a.roll", "start 5", "at 5", "pause", "+11000", "state", "at 30", "+2000", "state")
    words = [answer.split() for [answer] in answers]
    assert words[4][2] == "lost"
    assert words[6][2] == "playing" and float(words[6][3]) == pytest.approx(32.05, abs=0.1)


def test_ten_seconds_of_silence_darken_and_the_next_line_brings_it_back(long: Path) -> None:
    got = scene("trouble", long, "silence")
    assert got["before"] and got["lost"] == [LOST, False]
    assert got["back"][0].startswith("ok at 11.") and got["lit"] and got["state"] == PLAYING


# ---- strings ----------------------------------------------------------------------------------------------------


def draw_ma(frame: np.ndarray, draws: list[tuple[int, int, int, int, str]]) -> float:
    """ROLL.md section 5: (first pixel, pixels, idle_ua, channel_ua, law)."""
    total = 0
    pixels = frame.reshape(-1, 3).astype(int)
    for first, count, idle_ua, channel_ua, law in draws:
        run = pixels[first : first + count]
        amount = run.sum() if law == "sum" else run.max(axis=1).sum()
        total += count * idle_ua + amount * channel_ua // 255
    return total / 1000


@pytest.mark.parametrize(("bright", "allotted"), [(255, 110), (200, 90)])
def test_the_second_net_dims_frames_beyond_the_allotment_and_no_other(folder: Path, bright: int, allotted: int) -> None:
    draws = [(0, 3, 1_000, 20_000, "sum"), (3, 2, 500, 12_000, "max")]
    header = tuple(Draw("rail", "shed", *draw[:4], law=draw[4]) for draw in draws)
    frames = show()
    frames[2:5] //= 8
    (folder / "a.roll").write_bytes(roll_of(frames, draws=header, milliamps=allotted))
    got = scene("net", folder, 255, f"bright {bright}")
    wanted = frames.reshape(80, 15).astype(int) * bright // 255
    assert 70 < len(got["sent"]) <= 80
    dimmed = 0
    for shown, full in zip(np.array(got["sent"]), wanted[: len(got["sent"])], strict=True):
        assert draw_ma(shown, draws) <= allotted
        less = not np.array_equal(shown, full)
        # Exact at full brightness; else up to two milliamperes early, and by what rounding down each byte has saved.
        assert less == (draw_ma(full, draws) > allotted) or bright < 255 and draw_ma(full, draws) > allotted - 3
        assert (shown <= full).all() and np.abs(shown - full * (shown.sum() / full.sum())).max() < 3
        dimmed += less
    assert int(got["state"][0].split()[6]) == pytest.approx(dimmed, abs=1)
    assert dimmed > 10


@pytest.mark.parametrize("more_ua", [0, 1])
def test_the_second_net_is_exact_to_the_microampere(folder: Path, more_ua: int) -> None:
    """One frame, 15 bytes of 255: 5 pixels x (idle + 3 x channel), against an allotment of 150 mA."""
    idle_ua, channel_ua = 1_500, 9_500
    draw = Draw("rail", "shed", 0, 4, idle_ua, channel_ua), Draw("rail", "shed", 4, 1, idle_ua + more_ua, channel_ua)
    assert 5 * (idle_ua + 3 * channel_ua) == 150_000
    frames = np.full((8, 10, 15), 255, np.uint8)
    (folder / "a.roll").write_bytes(roll_of(frames, draws=draw, milliamps=150))
    got = scene("net", folder, 255)
    assert all((frame == [255] * 15) == (more_ua == 0) for frame in got["sent"])
    assert (int(got["state"][0].split()[6]) > 0) == (more_ua == 1)


def test_what_a_clocked_chip_wants_besides_colours(folder: Path) -> None:
    """APA102 datasheet: 32 zero bits, then 111 and five bits of brightness before each pixel's colours."""
    got = scene("chips", folder)
    assert got["out"][0] == list(range(1, 16))
    lamp = range(16, 25)
    assert got["out"][1] == [0] * 4 + [255, *lamp[:3], 255, *lamp[3:6], 255, *lamp[6:9]] + [0]
    assert got["bits_us"] == [150, 8 * 17]
    assert min(got["resets_us"]) >= 300  # whatever a chip says: some are slow to latch
    # One after another: 450 us, and 450 + 136 + 300; the mean is how early both begin.
    assert got["lead_us"] == (450 + 450 + 136 + 300) // 2


def test_the_wiring_test_walks_and_names(folder: Path) -> None:
    got = scene("wiring", folder)
    green, red, blue = [40, 0, 0] * 5, [0, 40, 0] * 5, [0, 0, 40] * 5  # on the wire: green, red, blue
    assert got["frames"][:3] == [red, green, blue]
    assert got["frames"][3:8] == [[40 * (place // 3 == pixel) for place in range(15)] for pixel in range(5)]
    assert got["said"][:3] == [f"* wiring {word} rail pin 16" for word in ("red", "green", "blue")]
    assert got["end"] == ["ok wiring 0"] and not got["lit"]


# ---- memory and flash -------------------------------------------------------------------------------------------


@needs_web
def test_playing_takes_no_memory_nor_do_lines_that_are_heard_meanwhile(folder: Path) -> None:
    """On 32 bits: forty frames, four groups and several `at`."""
    [answer] = web("play.py", "alloc", "/", 4, 1, folder / "a.roll")
    got = json.loads(answer)
    assert got["groups"] == 4 and got["state"] == PLAYING
    assert got["bytes"] <= 4 * 64


def test_the_player_never_writes_a_file() -> None:
    for path in [*(PLAYER / "glow").glob("*.py"), PLAYER / "main.py"]:
        text = path.read_text()
        assert {mode for _, mode in re.findall(r"open\(([^()]*?)(?:, (\"\w+\"))?\)", text)} <= {"", '"rb"'}, path
        assert not re.search(r"os\.(remove|rename|mkdir|unlink)|writeblocks|\.flash|NVS", text), path


# ---- as on a board ----------------------------------------------------------------------------------------------


@contextmanager
def board_of(folder: Path, **other: Any) -> Iterator[subprocess.Popen[str]]:
    """main.py as a Pico runs it, pins but for, on these files and settings."""
    script = (Path(__file__).parent / "mpy_kit" / "play.py").read_text()
    made: dict[str, Any] = {}
    exec(script[script.index("STRING = {") : script.index("def run(")], made)
    (folder / "settings.json").write_text(json.dumps(made["settings"](**other)))
    command = [str(unix_port()), "-X", "heapsize=8M", str(KIT / "run_main.py"), str(PLAYER), str(folder)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1) as board:
        try:
            yield board
        finally:
            board.kill()


def test_main_with_real_lines_files_and_time(long: Path) -> None:
    """Dark, lines over a pipe, frames in real time, Ctrl-C, dark."""
    with board_of(long) as board:
        assert board.stdin is not None and board.stdout is not None
        lines = []
        assert board.stdout.readline() == "* boot quay\n"
        for line in ("hello", "cue a.roll", "start 0", "at 0.1", "state"):
            board.stdin.write(line + "\n")
            lines.append(board.stdout.readline().split())
        time.sleep(0.7)
        board.stdin.write("state\n")
        state = board.stdout.readline().split()
        board.send_signal(signal.SIGINT)
        end = board.stdout.readlines()
    assert [line[:2] for line in lines] == [["ok", word] for word in ("hello", "cue", "start", "at", "state")]
    assert state[2] == "playing" and float(state[3]) > 0.6
    notes = json.loads(end[-1])
    assert notes["first"] == [[16, [400, 850, 800, 450], DARK]]  # before all else
    assert notes["lit"] > 3 and notes["fed"] > 100
    assert not any(notes["last"]) and len(notes["stopped"]) == 1


def test_packets_over_a_real_network(folder: Path) -> None:
    """UDP on this machine: found, started, kept in time, and every answer comes back to where the packet came from."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as computer:
        computer.bind(("127.0.0.1", 0))
        computer.settimeout(5)
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
        with board_of(folder, board="pico-w", wifi={"ssid": "quay", "key": "low tide"}, udp_port=port) as board:
            assert board.stdout is not None
            board.stdout.readline()
            answers = []
            for seq, line in enumerate(("hello", "cue a.roll", "start 0", "at 0.2", "state", "stop"), 1):
                computer.sendto(f"77 {seq} {line}".encode(), ("127.0.0.1", port))
                answers.append(computer.recv(300).decode().split()[:4])
            board.send_signal(signal.SIGINT)
            notes = json.loads(board.stdout.readlines()[-1])
    assert answers == [
        ["77", str(n), "ok", word] for n, word in enumerate(("hello", "cue", "start", "at", "state", "stop"), 1)
    ]
    assert not any(notes["last"])


# ---- the page ---------------------------------------------------------------------------------------------------


def test_the_page_names_every_key_of_the_settings_and_every_module() -> None:
    page = (PLAYER.parent / "PLAYER.md").read_text()
    rows = {word for row in re.findall(r"^\| (.*?) \|", page, re.M) for word in re.findall(r"`(\w+)`", row)}
    script = (Path(__file__).parent / "mpy_kit" / "play.py").read_text()
    keys = set(re.findall(r'^ +"(\w+)": ', script.split("def run(")[0], re.M))
    clocked = {"bit_ns", "start_bytes", "level_byte", "end_bytes"}
    assert len(keys) > 20 and keys | clocked == rows & (keys | clocked)
    modules = {path.name for path in (PLAYER / "glow").glob("*.py")} - {"__init__.py"}
    assert modules <= set(re.findall(r"\w+\.py", page))


def test_the_page_gives_the_blinks_that_the_player_has() -> None:
    text = (PLAYER / "glow" / "player.py").read_text()
    [blinks] = re.findall(r"^BLINKS = \{(.*)\}", text, re.M)
    page = (PLAYER.parent / "PLAYER.md").read_text().split("## Why it stopped")[1]
    assert set(re.findall(r": (\d)", blinks)) == set(re.findall(r"^\| (\d) \|", page, re.M))
