"""One show on the stage: the sound runs, the boards follow, keys act, the end is dark whatever happens.

Everything happens in one thread, a few hundred times a second; the sound card and the search for boards that were
unplugged have threads of their own.
"""

from __future__ import annotations

import signal
import sys
import time
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field, replace
from typing import Any

from ..faults import Faults, ShowFails
from ..pipeline.playing import Baked, FramesByTime, e131, link
from .sound import Sound
from .status import status_line

RUN_UP_S = 1.5  # silence before the song, in which the boards find together
READY_S = 6.0  # how long a show waits for boards that do not answer
TICK_S = 0.002
STATUS_S = 0.2
DARKEN_S = 2.0  # how long the end waits for boards to say that they are dark
SOUND_JUMP_S = 0.030
STEP_BRIGHT = 13  # about a twentieth
STEP_OFFSET_MS = 5.0

Outcome = str  # "end", "next", "quit", "clock", or "fault"


@dataclass
class Controls:
    """What a person (or the clock of the evening) has set, kept from song to song."""

    bright: int = 255
    """0 to 255, by keys."""
    allowed: float = 1.0
    """The share that the evening's clock allows."""
    blackout: bool = False
    offset_ms: float = 0.0
    asked: str = ""
    """What a signal asked for: "quit"."""

    @property
    def level(self) -> int:
        """The boards' brightness now."""
        return round(self.bright * self.allowed)


@dataclass
class Stage:
    """The boards and what belongs to them for a whole evening.

    `keys` gives words of `keys.KEYS`; `tell` says what happened, a line each; `show` writes the line that changes.
    `returned` gives boards that were found again: name -> wire; `missing` are those that never were.
    """

    boards: list[link.Board]
    controls: Controls = field(default_factory=Controls)
    keys: Callable[[], Iterable[str]] = lambda: ()
    tell: Callable[[str], None] = lambda text: None
    show: Callable[[str], None] = lambda text: None
    returned: Callable[[list[str]], Mapping[str, link.Wire]] = lambda gone: {}
    now: Callable[[], float] = time.monotonic
    wait: Callable[[float], None] = time.sleep
    sender: e131.Sender | None = None
    missing: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        self._seek = 0
        self._paused = False
        self._was = (0.0, 0.0)  # when the sound was last looked at, and where it was; 0: not yet
        self._shown_s = -1e9
        self._told: dict[str, str] = {}
        self._frames: FramesByTime | None = None

    def play(self, baked: Baked, sound: Sound, *, until: Callable[[], str] = lambda: "", loop: bool = False) -> Outcome:
        """Play one show to its end, or until a key, a signal, the sound's failure or `until` ends it.

        `loop`: begin again at the end of the light, for a quiet look. The boards are dark afterwards, their rolls
        closed. `until` is asked often; its first word that is not '' becomes the outcome.
        """
        self._paused = False
        with ExitStack() as stack:
            try:
                self._frames = stack.enter_context(FramesByTime(baked))
            except (ShowFails, Faults) as error:  # the boards have rolls of their own
                self.tell(f"{error}; what the supplies carry is not known")
                if self.sender is not None:
                    return "fault"
            try:
                outcome = self._ready(baked, sound, until)
                if not outcome:
                    self._begin(sound, -RUN_UP_S)
                    outcome = self._run(baked, sound, until, loop)
            finally:
                self._frames = None
                self._want("idle")
                self.idle()
        return outcome

    def idle(self) -> None:
        """One step of darkness: between songs, call it often."""
        for board in self.boards:
            board.step()
        self._tell_changes()
        self._search()
        if self.sender is not None:
            self.sender.dark()

    def _ready(self, baked: Baked, sound: Sound, until: Callable[[], str]) -> Outcome:
        """Every board opens its roll; the show does not wait long for those that are away."""
        for board in self.boards:
            board.place = lambda: self._place(sound.position())
        end_s = self.now() + READY_S
        while self.now() < end_s:
            self._want("cued", baked)
            self._tick(baked, -RUN_UP_S)
            ended = self._ended(sound, until)
            if ended:
                return ended
            boards_ready = all(board.settled or board.health.gone or board.health.trouble for board in self.boards)
            if boards_ready and sound.steady:
                break
            self.wait(TICK_S)
        return ""

    def _run(self, baked: Baked, sound: Sound, until: Callable[[], str], loop: bool) -> Outcome:
        while True:
            position = sound.position()
            self._watch(position)
            for key in self.keys():
                ended = self._press(key, baked, sound, position)
                if ended:
                    return ended
            ended = self._ended(sound, until)
            if ended:
                return ended
            if position >= baked.end_s:
                if not loop:
                    return "end"
                self._begin(sound, 0.0)
            self._want("paused" if self._paused else "playing", baked)
            self._tick(baked, position)
            self.wait(TICK_S)

    def _watch(self, position: float) -> None:
        """A sound that jumps by itself (the computer was too busy to feed the card) takes the boards along."""
        now_s, (last_s, last) = self.now(), self._was
        self._was = (now_s, position)
        jump_s = position - last - (now_s - last_s)
        if last_s > 0 and not self._paused and abs(jump_s) > SOUND_JUMP_S:
            self._seek += 1
            self.tell(f"the sound jumped by {1000 * jump_s:+.0f} ms")

    def _ended(self, sound: Sound, until: Callable[[], str]) -> Outcome:
        if sound.fault:
            self.tell(f"{sound.fault}: dark")
            return "fault"
        return self.controls.asked or until()

    def _press(self, key: str, baked: Baked, sound: Sound, position: float) -> Outcome:
        controls = self.controls
        self._shown_s = -1e9  # what a key did is seen at once
        if key in ("quit", "next"):
            return key
        if key == "pause":
            if self._paused:
                self._begin(sound, position)
            else:
                sound.pause()
                self._paused = True
        elif key in ("forward", "back"):
            self._begin(sound, baked.bar_after(position) if key == "forward" else baked.bar_before(position))
        elif key == "blackout":
            controls.blackout = not controls.blackout
        elif key in ("brighter", "dimmer"):
            step = STEP_BRIGHT if key == "brighter" else -STEP_BRIGHT
            controls.bright = min(max(controls.bright + step, 0), 255)
        elif key in ("later", "earlier"):
            controls.offset_ms += STEP_OFFSET_MS if key == "later" else -STEP_OFFSET_MS
            self._seek += 1  # the boards begin anew there: slewing, it would take them seconds
        return ""

    def _begin(self, sound: Sound, at_s: float) -> None:
        """The sound goes on at a place, and the boards with it."""
        self._paused = False
        self._seek += 1
        self._was = (0.0, 0.0)
        sound.start(at_s)

    def _place(self, position: float) -> float:
        """Where the light shall be: the sound's place, later by the offset."""
        return position - self.controls.offset_ms / 1000

    # ---- boards ----------------------------------------------------------------------------------------------

    def _want(self, mode: str, baked: Baked | None = None) -> None:
        for board in self.boards:
            roll = baked.rolls.get(board.name) if baked is not None else None
            want = link.Want(bright=self.controls.level, dark=self.controls.blackout, seek=self._seek)
            if roll is not None:
                want = replace(want, mode=mode, file=roll.name, head_crc=roll.head_crc)
            board.want = want

    def _tick(self, baked: Baked, position: float) -> None:
        for board in self.boards:
            board.step()
        self._tell_changes()
        self._search()
        if self.sender is not None and self._frames is not None and self.sender.due:
            self.sender.send(self._lit(self._frames, self._place(position)))
        if self.now() - self._shown_s >= STATUS_S:
            self._shown_s = self.now()
            self._status(baked, position)

    def _status(self, baked: Baked, position: float) -> None:
        controls = self.controls
        marks = [mark for mark, on in (("paused", self._paused), ("blackout", controls.blackout)) if on]
        share = 0.0 if controls.blackout else controls.level / 255
        amps = self._frames.amps_at(position, share) if self._frames is not None else {}
        self.show(
            status_line(
                baked,
                position,
                self.boards,
                amps,
                bright=controls.level,
                offset_ms=controls.offset_ms,
                marks=marks,
                missing=len(set(self.missing) & set(baked.rolls)),
            )
        )

    def _search(self) -> None:
        """Boards that were unplugged and are found again go on."""
        gone = [board.name for board in self.boards if board.health.gone]
        for name, wire in self.returned(gone).items():
            next(board for board in self.boards if board.name == name).reconnect(wire)

    def _lit(self, frames: FramesByTime, position: float) -> dict[str, bytes]:
        """What E1.31 receivers show: as a board does, brightness and blackout included."""
        level = 0 if self.controls.blackout else self.controls.level
        found = frames.at(position)
        if level == 255:
            return found
        table = bytes(value * level // 255 for value in range(256))
        return {string: data.translate(table) for string, data in found.items()}

    def _tell_changes(self) -> None:
        for board in self.boards:
            health = board.health
            what = "unplugged" if health.gone else "does not answer" if health.mute else health.trouble
            if what != self._told.get(board.name, ""):
                said = f" (its last words: {health.said})" if health.gone and health.said else ""
                self.tell(f"{board.name}: {what}{said}" if what else f"{board.name}: is back")
                self._told[board.name] = what

    def darken(self) -> list[str]:
        """All dark, and said so by every board. Returns the boards that did not say so in time."""
        self._want("idle")
        end_s = self.now() + DARKEN_S
        there = [board for board in self.boards if not board.health.gone]
        while self.now() < end_s and not all(board.says_dark or board.health.gone for board in there):
            for board in there:
                board.step()
            self.wait(TICK_S)
        if self.sender is not None:
            self.sender.close()
            self.sender = None
        return [board.name for board in self.boards if not board.says_dark]


@contextmanager
def signals_end(controls: Controls) -> Iterator[None]:
    """Ctrl-C, a closed terminal and a polite kill ask for the end, instead of ending the process in mid-light."""

    def ask(number: int, frame: Any) -> None:
        controls.asked = "quit"

    names = ["SIGINT", "SIGTERM", *(["SIGHUP"] if sys.platform != "win32" else ["SIGBREAK"])]
    before = {name: signal.signal(getattr(signal, name), ask) for name in names}
    try:
        yield
    finally:
        for name, handler in before.items():
            signal.signal(getattr(signal, name), handler)
