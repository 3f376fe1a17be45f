"""The computer's side of the link against the boards' real player, in a real MicroPython, in time that the test turns.

Crystals are off by 100 parts in a million, the sound card by as much the other way. Tolerance as in
test_link_in_step.py: 10 ms, of which ITU-R BT.1359-1 (1998) would notice 45 ms of late light.
"""

from __future__ import annotations

import json
import random
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from board_model import Turned
from players.mpy_kit_runner import KIT, PLAYER, unix_port

from composer.pipeline.playing import head_crc
from exporters.link import Board, Hello, LiveFrames, Want
from exporters.rollfile import RollHeader, RollWriter, StringSpec

pytestmark = pytest.mark.skipif(unix_port() is None, reason="needs MicroPython's unix port")

STATES = ("idle", "cued", "playing", "paused", "lost", "live", "wiring")
STEP_S = 0.004
LOOK_US = 1000  # how long one look of the player takes: coarse, so that 20 minutes pass soon
SETTINGS = {
    "format": 1, "controller": "quay", "board": "pico", "outputs_at_once": 8, "led_pin": "LED", "button_pin": None,
    "pulse_in_pin": None, "pulse_out_pin": None, "start": "wait", "songs": ["long.roll"], "loop": False, "pause_s": 0,
    "brightness": 255, "udp_port": 5005, "wifi": None, "quiet_look": None,
    "strings": [{
        "name": "rail", "pin": 16, "clock_pin": None, "pixels": 5, "channels": 3, "order": "grb", "chip": "ws2812b",
        "clocked": False, "reset_us": 300, "t0h_ns": 400, "t0l_ns": 850, "t1h_ns": 800, "t1l_ns": 450,
    }],
}  # fmt: skip


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A board's files: a roll of 21 minutes, 25 frames a second, always lit."""
    made = tmp_path_factory.mktemp("board")
    (made / "settings.json").write_text(json.dumps(SETTINGS), encoding="utf-8")
    header = RollHeader("", "quay", 1_260_000_000, "0" * 64, (StringSpec("rail", 16, None, 5, 3, "grb", "ws2812b"),))
    with RollWriter(made / "long.roll", header, groups=1260) as writer:
        for second in range(1260):
            frames = np.full((25, 15), 1 + second % 2, np.uint8)
            writer.add(second * 1_000_000, (second + 1) * 1_000_000, frames)
    return made


class RealBoard:
    """The player in its own process, and a wire to it with delays, losses and a sound beside it."""

    ordered: bool
    starts: int
    name = "real"

    def __init__(
        self, folder: Path, ppm: int, *, udp: bool = False, loss: float = 0.0, delay_s: tuple[float, float]
    ) -> None:
        self.ordered, self.starts = not udp, 3 if udp else 1
        self.now = Turned()
        self._zero_s = self.now.s
        self._begin_s = self.now.s + 2.0
        self.sound_ppm = -ppm
        self.loss, self.delay_s = loss, delay_s
        self._random = random.Random(7)
        self._there: list[tuple[float, int, str]] = []
        self._back: list[tuple[float, int, str]] = []
        self._number = 0
        self._process = subprocess.Popen(
            [str(unix_port()), str(Path(__file__).with_name("mpy_bridge.py")), str(PLAYER), str(KIT), str(folder),
             str(ppm), str(LOOK_US)],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1 << 16,
        )  # fmt: skip
        self.state, self.position_s, self.lit, self.late = "idle", 0.0, False, 0
        self.said: list[str] = []
        self.board = Board(self, Hello(1, "pico", 4096, 15, "quay"), self.place, self.now, self._wait)
        self.board.want = Want("playing", "long.roll", head_crc((folder / "long.roll").read_bytes()))

    def place(self) -> float:
        """The position of the sound now."""
        return (self.now() - self._begin_s) * (1 + self.sound_ppm / 1e6)

    # the wire

    def send(self, line: str) -> int:
        self._number += 1
        if self._random.random() >= self.loss:
            self._there.append((self.now() + self._random.uniform(*self.delay_s), self._number, line))
        return 0 if self.ordered else self._number

    def receive(self) -> list[tuple[int, str]]:
        due = sorted(item for item in self._back if item[0] <= self.now())
        self._back = [item for item in self._back if item[0] > self.now()]
        return [(number, line) for _, number, line in due]

    def close(self) -> None:
        self._tell("")  # nothing: the end of its input ends it
        self._process.communicate(timeout=10)

    # time

    def _tell(self, text: str) -> None:
        assert self._process.stdin is not None
        self._process.stdin.write(text)

    def turn(self, restart: bool = False) -> None:
        """Let STEP_S go by."""
        end_s = self.now() + STEP_S
        due = sorted(item for item in self._there if item[0] <= end_s)
        self._there = [item for item in self._there if item[0] > end_s]
        if restart:
            self._tell("R\n")
        for at_s, number, line in due:
            self._run_until(at_s)
            self._tell(f"L {line}\n" if self.ordered else f"P 4711 {number} {line}\n")
        self._run_until(end_s)

    def _run_until(self, at_s: float) -> None:
        """The board lives until then; what it says meanwhile goes on its way."""
        assert self._process.stdin is not None and self._process.stdout is not None
        self.now.s = max(self.now.s, at_s)
        self._tell(f"T {round((self.now() - self._zero_s) * 1e6)}\n")
        self._process.stdin.flush()
        while True:
            line = self._process.stdout.readline().rstrip("\n")
            assert line, "the player ended"
            if line[0] == "=":
                state, ms, lit, late = line[2:].split(" ")
                self.state, self.position_s = STATES[int(state)], float(ms) / 1000
                self.lit, self.late = lit == "1", int(late)
                return
            self.said.append(line[2:])
            if self._random.random() >= self.loss:
                back_s = self.now() + self._random.uniform(*self.delay_s)
                if line[0] == "S":
                    self._back.append((back_s, 0, line[2:]))
                else:
                    _, seq, answer = line[2:].split(" ", 2)
                    self._back.append((back_s, int(seq), answer))

    def _wait(self, seconds: float) -> None:
        self.turn()

    def run(self, seconds: float) -> Iterator[float]:
        """Lead it for a while; yields how far the light is before the sound, seconds."""
        for _ in range(round(seconds / STEP_S)):
            self.turn()
            self.board.step()
            yield self.position_s - self.place()

    def settle(self, seconds: float) -> None:
        """Lead it for a while."""
        for _ in self.run(seconds):
            pass


SERIAL: dict[str, object] = {"delay_s": (0.0005, 0.003)}
UDP: dict[str, object] = {"udp": True, "loss": 0.1, "delay_s": (0.002, 0.020)}
BOTH = pytest.mark.parametrize("wire", [SERIAL, UDP], ids=["serial", "lossy network"])


@pytest.mark.parametrize(
    ("ppm", "wire", "minutes"),
    [(100, SERIAL, 5), (-100, UDP, 20), (-100, SERIAL, 3), (100, UDP, 3)],
    ids=["fast, serial", "slow, lossy network", "slow, serial", "fast, lossy network"],
)
def test_within_10_ms_of_the_sound(folder: Path, ppm: int, wire: dict[str, object], minutes: int) -> None:
    real = RealBoard(folder, ppm, **wire)  # type: ignore[arg-type]
    real.settle(3.0)
    errors = np.array(list(real.run(60.0 * minutes)))
    assert np.abs(errors).max() < 0.010
    assert np.abs(np.diff(errors)).max() < 0.005  # no step that anybody could see
    assert (real.state, real.lit, real.late) == ("playing", True, 0)
    health = real.board.health
    assert health.well and health.state == "playing"
    real.close()


@BOTH
def test_a_board_that_restarts_comes_back_in_place(folder: Path, wire: dict[str, object]) -> None:
    real = RealBoard(folder, 100, **wire)  # type: ignore[arg-type]
    real.settle(20.0)
    assert real.lit
    real.turn(restart=True)
    assert not real.lit
    real.settle(5.0)
    assert real.lit
    errors = list(real.run(20.0))
    assert max(map(abs, errors)) < 0.010
    real.close()


def test_stop_pause_blackout_and_brightness_as_the_page_says(folder: Path) -> None:
    real = RealBoard(folder, 0, **SERIAL)  # type: ignore[arg-type]
    real.settle(5.0)
    playing = real.board.want
    for want, state, lit in [
        (Want("paused", playing.file, playing.head_crc), "paused", {True}),
        (Want("playing", playing.file, playing.head_crc, dark=True), "playing", {False}),
        # Bytes are 1 in even seconds and 2 in odd ones: at a brightness of 200 of 255, rounded down, 0 and 1.
        (Want("playing", playing.file, playing.head_crc, bright=200), "playing", {False, True}),
        (Want(), "idle", {False}),
    ]:
        real.board.want = want
        real.settle(1.0)
        assert real.board.settled
        seen = [(real.state, real.lit) for _ in real.run(2.0)]
        assert set(seen) == {(state, on) for on in lit}
    assert any(line.startswith("* stop asked") for line in real.said)
    real.close()


@pytest.mark.parametrize("mode", ["playing", "paused"])
def test_a_silent_computer_leaves_darkness(folder: Path, mode: str) -> None:
    real = RealBoard(folder, 0, **SERIAL)  # type: ignore[arg-type]
    real.settle(5.0)
    real.board.want = replace(real.board.want, mode=mode)
    real.settle(1.0)
    assert (real.state, real.lit) == (mode, True)
    for _ in range(3000):
        real.turn()
    assert (real.state, real.lit) == ("lost", False)
    real.settle(3.0)
    assert (real.state, real.lit) == (mode, True)
    real.board.want = replace(real.board.want, mode="playing")
    real.settle(1.0)
    assert abs(real.position_s - real.place()) < 0.010
    real.close()


def test_live_frames_light_the_board(folder: Path) -> None:
    real = RealBoard(folder, 0, **SERIAL)  # type: ignore[arg-type]
    lamps = LiveFrames(real.board)
    lamps.send_frame(bytes(range(15)))
    real.turn()
    assert (real.state, real.lit) == ("live", True)
    lamps.send_frame(bytes(15))
    real.turn()
    assert (real.state, real.lit) == ("live", False)
    for _ in range(625):
        real.turn()
    assert real.state == "idle"
    real.close()
