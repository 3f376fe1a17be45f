"""A board that follows `exporters/LINK.md`, written from the page and not from the player or the computer's side.

It lives on a clock that the test turns: its own crystal is off by `ppm`, it reads lines only when its frame is done,
and it can restart. `light_s` is where its light is.
"""

from __future__ import annotations

import random
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field

FRAME_S = 0.025


@dataclass
class Roll:
    """A file on the board."""

    crc: str
    sha256: str
    seconds: float


@dataclass
class ModelBoard:
    """`now`: true seconds. `files`: what is on its flash."""

    now: Callable[[], float]
    controller: str = "quay"
    files: dict[str, Roll] = field(default_factory=dict)
    ppm: float = 0.0
    frame_bytes: int = 300
    room: int = 256

    state: str = "idle"
    file: str = "-"
    bright: int = 255
    blackout: bool = False
    jumps_ms: list[float] = field(default_factory=list)
    heard: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self._offset_s = 0.0
        self._samples: deque[float] = deque(maxlen=16)
        self._last_s = self._spoken_s = self.now()
        self._followed = False
        self._leader: str | None = None
        self._frame = bytearray(self.frame_bytes)
        self._pause_s = 0.0
        self.frames_shown: list[bytes] = []

    # ---- its clock

    def count_s(self) -> float:
        """Its own crystal."""
        return self.now() * (1 + self.ppm / 1e6)

    def position_s(self) -> float:
        """Where it is in the song."""
        return self._pause_s if self.state == "paused" else self.count_s() + self._offset_s

    @property
    def lit(self) -> bool:
        """Whether anything but darkness is on its strings."""
        return self.state in ("playing", "paused", "live") and not self.blackout and self.position_s() >= 0

    def run(self) -> None:
        """Do what is due: slew, the roll's end, silence."""
        passed_s, self._last_s = self.now() - self._last_s, self.now()
        if self.state in ("playing", "lost") and self._samples:
            self._correct(max(self._samples) - self._offset_s, 0.005 * passed_s)
        if self.state in ("playing", "lost") and self.position_s() >= self.files[self.file].seconds:
            self.state = "cued"
        if self.state in ("playing", "paused") and self._followed and self.now() - self._spoken_s > 10:
            self.state = "lost"

    def _correct(self, error_s: float, most_s: float) -> None:
        if self.position_s() < 0 or error_s > 0.25 or (error_s < -0.25 and len(self._samples) == 16):
            if self.position_s() >= 0:
                self.jumps_ms.append(1000 * error_s)
            self._offset_s += error_s
            newest = self._samples[-1]
            self._samples.clear()
            self._samples.append(max(newest, self._offset_s) if error_s > 0 else self._offset_s)
        else:
            down_s = most_s if error_s < -0.020 else most_s / 10
            self._offset_s += max(-down_s, min(most_s, error_s))

    def restart(self) -> list[str]:
        """The power went and came."""
        self.state, self.file, self.bright, self.blackout = "idle", "-", 255, False
        self._samples.clear()
        self._followed, self._leader = False, None
        return [f"* boot {self.controller}"]

    # ---- its lines

    def hear(self, line: str, who: str = "serial") -> str:
        """The answer to one line."""
        self.run()
        self.heard.append(line)
        verb, _, rest = line.partition(" ")
        if verb not in ("hello", "list", "hash", "state", "stop") and line != "dark 1":
            if self._leader not in (None, who) and self.now() - self._spoken_s < 10:
                return f"no {verb} busy"
        if self._leader == who:
            self._spoken_s = self.now()
        answer = getattr(self, f"_{verb}", None)
        return answer(rest, who) if answer else "no verb"

    def _hello(self, rest: str, who: str) -> str:
        return f"ok hello 1 pico {self.room} {self.frame_bytes} {self.controller}"

    def _list(self, rest: str, who: str) -> str:
        names = sorted(self.files)
        if int(rest) >= len(names):
            return "no list end"
        return f"ok list {rest} {len(names)} 1000 {names[int(rest)]}"

    def _hash(self, rest: str, who: str) -> str:
        if rest not in self.files:
            return "no hash file"
        return f"ok hash {self.files[rest].sha256} 1000 {rest}"

    def _cue(self, rest: str, who: str) -> str:
        if rest not in self.files:
            return "no cue file"
        self._lead(who)
        self.state, self.file = "cued", rest
        return f"ok cue {self.files[rest].crc} {rest}"

    def _lead(self, who: str) -> None:
        self._leader, self._spoken_s = who, self.now()

    def _start(self, rest: str, who: str) -> str:
        if self.state not in ("cued", "playing", "paused", "lost"):
            return "no start state"
        self._lead(who)
        wanted = float(rest) - self.count_s()
        ahead_s = wanted - self._offset_s
        if self.state == "playing" and -0.25 <= ahead_s <= 0:
            self._samples.append(wanted)
        else:
            self._offset_s = wanted
            self._samples.clear()
            self._samples.append(wanted)
            self._followed = False
        self.state = "playing"
        return f"ok start {self.position_s():.3f}"

    def _at(self, rest: str, who: str) -> str:
        if self.state not in ("playing", "lost"):
            return "no at state"
        self._lead(who)
        self._samples.append(float(rest) - self.count_s())
        if self.state == "lost":
            self.state = "playing"
        self._followed = True
        self.run()
        return f"ok at {self.position_s():.3f}"

    def _pause(self, rest: str, who: str) -> str:
        if self.state != "playing":
            return "no pause state"
        self._pause_s = self.position_s()
        self.state = "paused"
        return f"ok pause {self._pause_s:.3f}"

    def _stop(self, rest: str, who: str) -> str:
        self.state, self.file, self.blackout, self._leader = "idle", "-", False, None
        return "ok stop"

    def _bright(self, rest: str, who: str) -> str:
        self.bright = int(rest)
        return f"ok bright {rest}"

    def _dark(self, rest: str, who: str) -> str:
        self.blackout = rest == "1"
        return f"ok dark {rest}"

    def _state(self, rest: str, who: str) -> str:
        return f"ok state {self.state} {self.position_s():.3f} 0 0 0 {self.file}"

    def _put(self, rest: str, who: str) -> str:
        import base64
        import zlib

        first, crc, data = rest.split(" ")
        piece = base64.b64decode(data, validate=True)
        if f"{zlib.crc32(piece):08x}" != crc:
            return "no put crc"
        if int(first) + len(piece) > self.frame_bytes or len(piece) > 144:
            return "no put words"
        self._frame[int(first) : int(first) + len(piece)] = piece
        return "ok put"

    def _show(self, rest: str, who: str) -> str:
        import zlib

        if f"{zlib.crc32(self._frame):08x}" != rest:
            return "no show crc"
        self.state = "live"
        self.frames_shown.append(bytes(self._frame))
        return "ok show"


class ModelWire:
    """A wire to a model board in made-up time: every line takes `delay_s()` there and back, or is lost.

    A delayed line waits further until the board's frame is done. UDP may overtake; serial keeps its order.
    """

    def __init__(
        self,
        board: ModelBoard,
        *,
        udp: bool = False,
        loss: float = 0.0,
        delay_s: tuple[float, float] = (0.0005, 0.002),
        seed: int = 1,
    ) -> None:
        self.board, self.loss, self.delay_s = board, loss, delay_s
        self.name = f"model of {board.controller}"
        self.ordered, self.starts = (False, 3) if udp else (True, 1)
        self.plugged = True
        self._random = random.Random(seed)
        self._there: list[tuple[float, int, str]] = []
        self._back: list[tuple[float, int, str]] = []
        self._number = 0
        self._newest = 0
        self._phase_s = self._random.uniform(0, FRAME_S)

    def _way_s(self) -> float:
        return self._random.uniform(*self.delay_s)

    def send(self, line: str) -> int:
        """A line on its way."""
        if not self.plugged:
            raise OSError(19, "No such device")
        self._number += 1
        number = 0 if self.ordered else self._number
        if self._random.random() >= self.loss:
            self._there.append((self.board.now() + self._way_s(), self._number, line))
        return number

    def receive(self) -> list[tuple[int, str]]:
        """Answers that are there by now."""
        if not self.plugged:
            raise OSError(19, "No such device")
        now_s = self.board.now()
        due = sorted(item for item in self._back if item[0] <= now_s)
        self._back = [item for item in self._back if item[0] > now_s]
        return [(0 if self.ordered else number, line) for _, number, line in due]

    def turn(self) -> None:
        """The board reads what has arrived when its frame is done; call it often."""
        now_s = self.board.now()
        frame = int((now_s - self._phase_s) / FRAME_S)
        if frame == getattr(self, "_frame", None):
            return
        self._frame = frame
        self.board.run()
        due = sorted(item for item in self._there if item[0] <= now_s)
        self._there = [item for item in self._there if item[0] > now_s]
        for _, number, line in due:
            if not self.ordered and number <= self._newest:
                continue  # doubled or overtaken
            self._newest = number
            answer = self.board.hear(line)
            if self._random.random() >= self.loss:
                self._back.append((now_s + self._way_s(), number, answer))

    def say(self, lines: list[str]) -> None:
        """What the board says by itself."""
        self._back.extend((self.board.now(), 0, line) for line in lines)

    def close(self) -> None:
        """Nothing to let go of."""


class Turned:
    """Time that the test turns: call it for now, `turn` to go on."""

    def __init__(self) -> None:
        self.s = 1000.0

    def __call__(self) -> float:
        return self.s
