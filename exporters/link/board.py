"""One board: led, kept in step, watched.

Leading works by wish and knowledge. `want` says what the board shall do, `known` what it last said that it does, and
each `step` sends the one line that brings the two nearer. So a board that joins late, restarts in the middle of a song
or missed a line needs no case of its own: what it is known to do differs from what is wanted, until it does not.
"""

from __future__ import annotations

import random
import statistics
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, replace

from .lines import SILENCE_S, VERSION, Hello, LinkError, answer_of, hello_of, number_of, seconds
from .wires import Wire

ANSWER_S = 0.5  # a line is asked again after this
DRAIN_S = 0.3  # what comes so soon after a missed answer belongs to the question before
START_GAP_S = 0.03
STATE_PERIOD_S = 2.0
RUN_UP_PERIOD_S = 0.1  # between `at` lines before position 0
AGAIN_S = 2.0  # before a refused line is tried again
AT_PERIOD_S = 0.25
UNEVEN_S = 0.05  # `at` lines in a strict beat would always meet a board in the middle of the same work
ROUND_TRIPS = 50
LATEST = 8  # measurements behind a figure for people
EXPECTED = ("ok ", "no ", "* boot ", "* end ", "* stop asked")  # no last words
ASTRAY_S, ASTRAY = 0.05, 4  # a board that is so far from the sound in so many answers is told to start anew
NO_SEEK = -1


@dataclass(frozen=True)
class Want:
    """What a board shall do. `seek` counts up when the position jumps: the board is told to start anew there.

    `head_crc`: of the roll as it was baked; a board whose file has another is not started. None: not known.
    """

    mode: str = "idle"  # idle, cued, playing, paused
    file: str = ""
    head_crc: int | None = None
    bright: int = 255
    dark: bool = False
    seek: int = 0


@dataclass(frozen=True)
class Health:
    """How a board does, for people and for those who decide. Times None: not measured yet.

    `ahead_ms`: its light before the sound (late light is negative), the median of the last measurements; `unanswered`:
    lines in a row that it gave no answer to.
    """

    state: str = "?"
    ahead_ms: float | None = None
    round_trip_ms: float | None = None
    late: int = 0
    broken: int = 0
    dimmed: int = 0
    silent_s: float = 0.0
    unanswered: int = 0
    gone: bool = False
    trouble: str = ""
    said: str = ""

    @property
    def mute(self) -> bool:
        """It gives no answer, and not because a few packets were lost or nobody asked."""
        return self.unanswered >= 4 and self.silent_s > SILENCE_S / 2

    @property
    def well(self) -> bool:
        """Nothing to tell."""
        return not self.gone and not self.trouble and self.silent_s < SILENCE_S / 4 and self.broken == 0


@dataclass
class _Known:
    """What the board last said of itself; None: ask."""

    mode: str | None = None
    file: str | None = None
    bright: int | None = None
    dark: bool | None = None
    seek: int | None = None


@dataclass
class _Asked:
    line: str
    verb: str
    number: int
    at_s: float
    want: Want


class Board:
    """One board on one wire. `place` gives the position of the sound now, seconds; `now` a clock that only goes on."""

    def __init__(
        self,
        wire: Wire,
        hello: Hello | None = None,
        place: Callable[[], float] = lambda: 0.0,
        now: Callable[[], float] = time.monotonic,
        wait: Callable[[float], None] = time.sleep,
    ) -> None:
        self.wire, self.hello, self.place = wire, hello, place
        self.now, self.wait = now, wait
        self.want = Want()
        self._known = _Known()
        self._asked: _Asked | None = None
        self._deaf_until_s = self._rest_until_s = -1e9
        self._at_s = self._state_s = -1e9
        self._heard_s = now()
        self._rest_mode = ""  # what was wanted when it was refused: another wish waits for nothing
        self._starts = 0
        self._cued: str | None = None  # the file that it opened for us, and that was the right one
        self._uneven_s, self._random = 0.0, random.Random(self.name)
        self._greeted = hello is not None
        self._round_trips_s: deque[float] = deque(maxlen=ROUND_TRIPS)
        self._ahead_s: deque[float] = deque(maxlen=LATEST)
        self._astray = self._unanswered = 0
        self._health = Health()

    @property
    def name(self) -> str:
        """The controller's name, or the wire's until it said one."""
        return self.hello.controller if self.hello else self.wire.name

    @property
    def health(self) -> Health:
        """How the board does now."""
        trips = self._round_trips_s
        return replace(
            self._health,
            ahead_ms=1000 * statistics.median(self._ahead_s) if self._ahead_s else None,
            round_trip_ms=1000 * min(trips) if trips else None,
            silent_s=self.now() - self._heard_s,
            unanswered=self._unanswered,
        )

    @property
    def latency_s(self) -> float:
        """How long a line takes to the board at its fastest: half of the shortest round trip seen lately."""
        return min(self._round_trips_s) / 2 if self._round_trips_s else 0.0

    def heard(self, round_trip_s: float | None = None) -> None:
        """The board spoke just now; `round_trip_s` where it answered a question that was asked once."""
        self._heard_s, self._unanswered = self.now(), 0
        if round_trip_s is not None:
            self._round_trips_s.append(round_trip_s)

    @property
    def settled(self) -> bool:
        """The board does what is wanted."""
        busy = self._asked is not None and self._asked.verb != "state"
        return not busy and self._next_line(asking_state=False) is None

    @property
    def says_dark(self) -> bool:
        """The board has said that it is idle, and so dark."""
        return self._known.mode == "idle" and not self._health.gone

    def reconnect(self, wire: Wire) -> None:
        """The board is on another wire now, or on its own again: everything is asked anew."""
        self.wire.close()
        self.wire = wire
        self._asked, self._known, self._greeted = None, _Known(), False
        self._round_trips_s.clear()
        self._heard_s, self._unanswered = self.now(), 0
        self._rest_until_s = -1e9
        self._health = replace(self._health, gone=False, trouble="", said="")

    # ---- leading ---------------------------------------------------------------------------------------------

    def step(self) -> None:
        """Read what has come and send what is next. Never waits, never raises: `health` says what is wrong."""
        if self._health.gone:
            return
        try:
            self._listen()
            now_s = self.now()
            if self._asked is not None and now_s - self._asked.at_s > ANSWER_S:
                self._missed()
            resting = now_s < self._rest_until_s and self.want.mode == self._rest_mode
            if self._asked is None and not resting and now_s >= self._deaf_until_s:
                line = self._next_line()
                if line is not None:
                    self._send(line)
        except OSError as error:
            self.wire.close()  # a port that is held would come back under another name
            said = self._health.said or error.strerror or ""
            self._health = replace(self._health, gone=True, state="?", said=said)

    def _next_line(self, asking_state: bool = True) -> str | None:
        """The line that brings what the board does nearer to what it shall do."""
        want, known, now_s = self.want, self._known, self.now()
        if not self._greeted:
            return "hello"
        if known.mode is None:
            return "state"
        if want.mode == "idle":
            if known.mode != "idle":
                return "stop"
            # Nothing else: a board that is started by its button later shall not be dark since somebody pressed b.
            return "state" if asking_state and now_s - self._state_s >= STATE_PERIOD_S else None
        if known.file != want.file or known.mode in ("idle", "live", "wiring"):
            return f"cue {want.file}"
        elif want.mode == "cued" and known.mode != "cued":
            return f"cue {want.file}"  # darkness, with the roll ready
        if known.dark != want.dark:
            return f"dark {int(want.dark)}"
        if known.bright != want.bright:
            return f"bright {want.bright}"
        if want.mode == "playing" and known.mode == "playing" and known.seek not in (None, want.seek):
            return "pause"  # while it plays, a `start` a little behind its place counts as a late repeat
        if want.mode in ("playing", "paused") and (known.seek != want.seek or known.mode in ("cued", "lost")):
            return self._start()
        if want.mode == "playing" and known.mode == "paused":
            return self._start()
        if want.mode == "playing" and self._starts > 0 and now_s - self._at_s >= START_GAP_S:
            return self._start()
        if want.mode == "paused" and known.mode == "playing":
            return "pause"
        if not asking_state:
            return None
        if want.mode == "playing" and now_s - self._at_s >= self._period_s():
            return f"at {seconds(self.place() + self.latency_s)}"
        if now_s - self._state_s >= STATE_PERIOD_S:
            return "state"
        return None

    def _start(self) -> str:
        return f"start {seconds(self.place() + self.latency_s)}"

    def _period_s(self) -> float:
        return RUN_UP_PERIOD_S if self.place() < 0 else AT_PERIOD_S + self._uneven_s

    def _send(self, line: str) -> None:
        verb = line.split(" ", 1)[0]
        now_s = self.now()
        if verb == "start" and (self._starts == 0 or self._known.mode != "playing"):
            self._starts = self.wire.starts  # a jump to a new place, said as often as this wire needs
        if verb in ("start", "at"):
            self._at_s, self._uneven_s = now_s, self._random.uniform(0, UNEVEN_S)
        if verb == "state":
            self._state_s = now_s
        number = self.wire.send(line)
        self._asked = _Asked(line, verb, number, now_s, self.want)

    def _missed(self) -> None:
        self._unanswered += 1
        verb, known = self._asked.verb if self._asked is not None else "", self._known
        if verb == "state":
            self._state_s = -1e9  # asked again at once
        # The line may have been obeyed all the same, and the wish may change before it is said again.
        if verb == "cue":
            known.file = None
        elif verb == "bright":
            known.bright = None
        elif verb in ("dark", "stop"):
            known.dark = None
        self._asked = None
        if self.wire.ordered:  # an answer that comes late must not pass for the next one's
            self._deaf_until_s = self.now() + DRAIN_S
        if self.now() - self._heard_s > SILENCE_S / 2:  # longer than a few packets that are lost
            self._known = _Known()  # it may have restarted meanwhile

    def _listen(self) -> None:
        for number, line in self.wire.receive():
            now_s = self.now()
            if line.startswith("* boot"):
                self._known = _Known()
            if now_s < self._deaf_until_s:
                continue
            asked = self._asked
            words = answer_of(line, asked.verb) if asked is not None else None
            if asked is None or words is None or number != asked.number:
                if line and number == 0 and not line.startswith(EXPECTED):
                    self._health = replace(self._health, said=line[:80])
                continue
            self.heard(now_s - asked.at_s)
            self._asked = None
            if words[0] == "ok":
                self._took(asked, words[1:], now_s)
            else:
                self._refused(asked, words[1] if len(words) > 1 else "words")

    def _took(self, asked: _Asked, words: list[str], now_s: float) -> None:
        known, want = self._known, asked.want
        if asked.verb == "hello":
            self._meet(hello_of(words))
            return
        if asked.verb == "cue":
            crc = words[0] if words else ""
            if want.head_crc is not None and crc != f"{want.head_crc:08x}":
                self._known, self._cued = _Known(), None
                self._trouble(f'holds another "{want.file}" than was baked: load it again')
                return
            # Between songs nobody leads: anybody may have said `bright`.
            known.mode, known.file, known.seek, known.bright = "cued", want.file, None, None
            self._cued = want.file
        elif asked.verb == "start":
            known.mode, known.seek = "playing", want.seek
            self._starts = max(0, self._starts - 1)
        elif asked.verb == "at":
            self._measured(words, now_s, now_s - asked.at_s)
            known.mode = "playing"
        elif asked.verb == "pause":
            known.mode = "paused"
        elif asked.verb == "stop":
            known.mode, known.file, known.dark = "idle", None, None
        elif asked.verb == "bright":
            known.bright = want.bright
        elif asked.verb == "dark":
            known.dark = want.dark
        elif asked.verb == "state":
            self._state(words)
        if asked.verb in ("cue", "start", "at", "stop"):
            self._health = replace(self._health, trouble="")

    def _meet(self, hello: Hello | None) -> None:
        if hello is None or hello.version != VERSION:
            self._trouble("has a player of another age: load it again")
        elif self.hello is not None and hello.controller != self.hello.controller:
            self._trouble(f'says that it is "{hello.controller}" now')
        else:
            self.hello, self._greeted = hello, True

    def _state(self, words: list[str]) -> None:
        if len(words) < 6:
            return
        state, file = words[0], " ".join(words[5:])
        counts = [int(word) if word.isdecimal() else 0 for word in words[2:5]]
        self._health = replace(self._health, state=state, late=counts[0], broken=counts[1], dimmed=counts[2])
        if state == "idle" and self._known.mode != "idle":
            self._known = _Known()  # it restarted, or was stopped: nothing of before holds
        self._known.mode = state
        self._known.file = file if file == self._cued else None

    def _measured(self, words: list[str], now_s: float, round_trip_s: float) -> None:
        """How far ahead of the sound the board is: its answer was true half a round trip ago."""
        position = number_of(words[0]) if words else None
        if position is None:
            return
        place = self.place()
        self._ahead_s.append(position - (place - round_trip_s / 2))
        # The computer slept, the network was slow, or a digit was lost on the way. Left to itself, a board comes back
        # slowly. An uneven network can make a `start` as wrong as its latency: less than that is left alone.
        far_s = self.latency_s + ASTRAY_S
        side = int(position - place > far_s) - int(place - round_trip_s - position > far_s)  # however the answer ran
        self._astray = self._astray + side if side * self._astray > 0 else side
        if abs(self._astray) >= ASTRAY:
            self._astray = 0
            self._known.seek = NO_SEEK if side > 0 else None  # late, a plain `start` takes it on

    def _refused(self, asked: _Asked, reason: str) -> None:
        self._known = _Known()  # it is not where we thought: perhaps it restarted
        if reason != "state":
            self._trouble(str(LinkError("", reason, asked.verb)).strip())

    def _trouble(self, what: str) -> None:
        self._health = replace(self._health, trouble=what)
        self._rest_until_s, self._rest_mode = self.now() + AGAIN_S, self.want.mode
