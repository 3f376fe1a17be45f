"""The evening from its first song to its last: the verb `play`, and its clap test."""

from __future__ import annotations

import random
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, ExitStack, contextmanager
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from pathlib import Path

from ..faults import Faults
from ..pipeline import rig_of
from ..pipeline.lamps import Lamps
from ..pipeline.playing import Baked, e131, load_baked, patch_of
from ..pipeline.show import Tell, silent
from . import terminal
from .clap import RATE, clap, click_track
from .company import Company, check_company, fits_names
from .evening import Evening, brightness_at, find_evening, minute_of, order, window, within
from .keys import HELP, Keys
from .lock import only_one
from .sound import Card, Silent, Sound, load_samples
from .stage import Controls, Stage, signals_end

HALF_DAY = timedelta(hours=12)
LOOK_S = 1.0  # how often the clock of the evening is looked at


@dataclass(frozen=True)
class Options:
    """What the command line adds to an evening. `ports` None: all on USB; `e131`: a host, or "multicast"."""

    ports: tuple[str, ...] | None = None
    network: tuple[str, ...] = ()
    device: str | None = None
    silent: bool = False
    offset_ms: float | None = None
    partly: bool = False
    boards: bool = True
    e131: str | None = None
    universe: int = 1


@contextmanager
def _no_progress() -> Iterator[Tell]:
    yield silent


def play_evening(
    paths: Sequence[Path],
    options: Options | None = None,
    progress: Callable[[], AbstractContextManager[Tell]] = _no_progress,
) -> bool:
    """Play shows, or an evening.toml. Returns whether all went well to the end.

    Raises `Faults` and `ShowFails` before anything is lit: bad files, missing boards, wrong rolls, no sound device,
    another `play` that runs.
    """
    options = options or Options()
    evening = _with(find_evening(paths), options)
    with ExitStack() as stack:
        stack.enter_context(only_one())
        with progress() as tell:
            shows = {folder: load_baked(folder, None, tell) for folder in _folders(evening)}
            fits_names(shows.values())
            if not evening.silent:  # better now than at the first note
                _card(shows[evening.shows[0]], evening).close()
            company = Company(options.ports, evening.network) if options.boards else None
            if company is not None:
                stack.callback(company.close)
                check_company(company.boards, shows.values(), options.partly, company.quiet, tell)
        controls = Controls(offset_ms=evening.offset_ms)
        stack.enter_context(signals_end(controls))  # first, so that a second Ctrl-C leaves no terminal without echo
        keys = stack.enter_context(Keys().listening())
        stage = Stage([], controls, keys.pressed, terminal.say, terminal.show)
        if company is not None:
            needed = dict.fromkeys(name for baked in shows.values() for name in baked.rolls)
            stage.boards = [board for board in company.boards if board.name in needed]
            stage.missing = tuple(name for name in needed if name not in {board.name for board in stage.boards})
            if stage.missing:
                terminal.say(f"{', '.join(stage.missing)}: missing")
            stage.returned = company.returned
        if options.e131 is not None:
            stage.sender = _sender(shows[evening.shows[0]], options)
        try:
            return Night(evening, shows, stage).run()
        finally:
            dark = stage.darken()
            terminal.end()
            if dark:
                terminal.say(
                    f"{', '.join(dark)}: did not say that it is dark; it goes dark by itself 10 s after our last word"
                )


def clap_test(
    show: Path,
    options: Options | None = None,
    progress: Callable[[], AbstractContextManager[Tell]] = _no_progress,
) -> float:
    """The clap test on the boards of a show (or of a rig file); returns the offset that was found, milliseconds.

    Raises `Faults`: bad files, no board, no sound device; `ShowFails`: another `play` that runs.
    """
    options = options or Options()
    with ExitStack() as stack:
        stack.enter_context(only_one())
        with progress() as tell:
            rig = rig_of(show)
            tell("looking for the boards", 0.0)
            lamps = stack.enter_context(Lamps(rig, options.ports))
        sound: Sound = Silent() if options.silent else Card(click_track(), RATE, options.device)
        stack.callback(sound.close)
        controls = Controls(offset_ms=options.offset_ms or 0.0)
        stack.enter_context(signals_end(controls))  # first, so that a second Ctrl-C leaves no terminal without echo
        keys = stack.enter_context(Keys().listening())
        try:
            return clap(lamps, sound, controls, keys.pressed, terminal.show)
        finally:
            terminal.end()


def _with(evening: Evening, options: Options) -> Evening:
    """An evening with what the command line says instead."""
    return replace(
        evening,
        device=options.device or evening.device,
        silent=options.silent or evening.silent,
        offset_ms=evening.offset_ms if options.offset_ms is None else options.offset_ms,
        network=options.network or evening.network,
    )


def _folders(evening: Evening) -> list[Path]:
    return list(dict.fromkeys([*evening.shows, *([evening.look] if evening.look else [])]))


def _sender(baked: Baked, options: Options) -> e131.Sender:
    try:
        patches = patch_of(baked.rig, options.universe)
    except ValueError as error:
        raise Faults.one("--universe", "", str(error)) from None
    host = None if options.e131 == "multicast" else options.e131
    try:
        sender = e131.Sender(patches, host)
    except OSError as error:
        raise Faults.one("--e131", str(host), f"no such receiver: {error.strerror or error}") from None
    for p in patches:
        last = p.first_pixel + p.pixels - 1
        terminal.say(f"universe {p.universe}: {p.string} pixels {p.first_pixel} to {last}, {p.slots} slots")
    return sender


def _card(baked: Baked, evening: Evening) -> Card:
    samples, rate = load_samples(baked.song, baked.seconds)
    return Card(samples, rate, evening.device)


class Night:
    """The evening from its first song to its last."""

    def __init__(
        self,
        evening: Evening,
        shows: dict[Path, Baked],
        stage: Stage,
        clock: Callable[[], datetime] = datetime.now,
        chance: random.Random | None = None,
        sound: Callable[[Baked, Evening], Sound] | None = None,
    ) -> None:
        self.evening, self.shows, self.stage = evening, shows, stage
        self.clock, self.chance = clock, chance or random.Random()
        self.sound = sound or _sound
        self._clock = clock()
        self.start, self.end = window(evening, self._clock)
        self._looked_s = -1e9
        whose = [("the evening's", evening.quiet_hours)]
        whose += [("the rig's", baked.rig.quiet_hours) for baked in shows.values()]
        self._quiet = [(name, hours) for name, hours in whose if hours is not None]

    def run(self) -> bool:
        """Everything; returns whether it went well."""
        if self.clock() < self.start:
            self.stage.tell(f"waiting until {self.start:%H:%M}")
        if self._dark_until(self._begins) == "quit":
            return True
        first = True
        for number in order(self.evening, self.chance):
            if not first and self._pause() == "quit":
                return True
            if self._over() or self._hush():
                self.stage.tell(self._why_over())
                return True
            if first:
                self.stage.tell(HELP)
            first = False
            baked = self.shows[self.evening.shows[number]]
            try:
                sound = self.sound(baked, self.evening)
            except Faults as error:  # it was there when the evening began
                self.stage.tell(f"{error}: dark")
                return False
            try:
                outcome = self.stage.play(baked, sound, until=self._until)
            finally:
                sound.close()
            if outcome in ("quit", "fault"):
                return outcome == "quit"
            if outcome == "clock":
                self.stage.tell(self._why_over())
                return True
        return True

    def _begins(self) -> bool:
        """Whether the evening begins. A clock that is set to another day meanwhile, as the network does for a computer
        that has none of its own, makes it another day's evening."""
        was, self._clock = self._clock, self.clock()
        if abs(self._clock - was) > HALF_DAY:
            self.start, self.end = window(self.evening, self._clock)
            self.stage.tell(f"the clock was set anew: waiting until {self.start:%H:%M}")
        return self._clock >= self.start

    def _why_over(self) -> str:
        hush = self._hush()
        return f"{hush}; the evening ends here" if hush else "the evening's end"

    def _over(self) -> bool:
        return self.end is not None and self.clock() >= self.end

    def _hush(self) -> str:
        """The quiet hours that hold now, in words; '' when there are none."""
        for whose, (start, end) in self._quiet:
            if within(minute_of(self.clock()), (start, end)):
                return f"quiet hours, {start // 60}:{start % 60:02} to {end // 60}:{end % 60:02}: dark ({whose} own)"
        return ""

    def _until(self) -> str:
        """What the clock says to a song that plays: brightness by the hour, quiet hours, the end when it may cut."""
        now_s = self.stage.now()
        if now_s - self._looked_s < LOOK_S:
            return ""
        self._looked_s = now_s
        self.stage.controls.allowed = brightness_at(self.evening, self.clock())
        return "clock" if self._hush() or (self.evening.cut and self._over()) else ""

    def _pause(self) -> str:
        """Between two songs: the quiet look, or darkness."""
        end_s = self.stage.now() + self.evening.pause_s
        return self._between(lambda: self.stage.now() >= end_s)

    def _between(self, done: Callable[[], bool]) -> str:
        """Wait; with the quiet look where there is one and nobody has asked for quiet. Returns "quit" or ''."""
        if done():
            return self.stage.controls.asked

        def until() -> str:
            return "over" if done() or self._over() else self._until()

        look = self.evening.look
        if look is not None and not self._hush():
            outcome = self.stage.play(self.shows[look], Silent(self.stage.now), until=until, loop=True)
            return outcome if outcome == "quit" else ""
        return self._dark_until(lambda: bool(until()))

    def _dark_until(self, done: Callable[[], bool]) -> str:
        """Wait in the dark, whatever the hour. Returns "quit" or ''."""
        while not done():
            if self.stage.controls.asked:
                return self.stage.controls.asked
            for key in self.stage.keys():
                if key == "quit":
                    return key
                if key == "next":
                    return ""
            self.stage.idle()
            self.stage.wait(0.02)
        return self.stage.controls.asked


def _sound(baked: Baked, evening: Evening) -> Sound:
    return Silent(time.monotonic) if evening.silent else _card(baked, evening)
