"""The player: states, lines, songs, the loop. exporters/LINK.md says what a line does; PLAYER.md the rest.

Nothing here writes to the flash. Whatever goes wrong, the strings go dark, the reason is said on the serial line and
blinks on the board's own LED, and the player waits.
"""

import gc

from .alone import Alone
from .clock import Clock
from .output import Output
from .pulse import MARK_MS
from .show import Show
from .states import CUED, IDLE, LIVE, LOST, PAUSED, PLAYING, WIRING
from .talk import Talk
from .units import Place
from .wiring import Wiring
from .words import RollError

SILENCE_MS = 10_000
LIVE_SILENCE_MS = 2_000
AGAIN_MS = 1_000  # dark strings are told so again, in case a disturbance lit a pixel
WATCHDOG_MS = 2_000
SWEEP_MS = 10_000  # how often memory that packets took is swept, after a frame has gone

# Blinks of the board's own LED: so many short ones, then a pause. None while playing: it is on.
BLINKS = {"asked": 1, "end": 1, "button": 1, "pulse": 1, "link": 2, "roll": 3, "memory": 4, "error": 5, "reset": 6}


class Player:
    """One board. `step` is called for ever; it never waits longer than a frame takes."""

    def __init__(self, hw, settings, rooms=None):
        self.hw = hw
        self.settings = settings
        self.output = Output(hw, settings)
        self.output.dark()
        self.clock = Clock(hw)
        self.state = IDLE
        self.show = None
        self.file = None
        self.blackout = False
        self.followed = False  # an `at` was heard since `start`
        self.spoken_ms = 0
        self.up_ms = 0  # milliseconds since boot
        self._last = hw.ticks()
        self._rest_us = 0
        self.live = bytearray(self.output.frame_bytes)
        self._live_ms = 0
        self._before_live = IDLE
        self._wiring = None
        self._redo = False  # the frame that stands is to be sent again
        self._dark_ms = 0
        self.why = "asked"
        self._places = None
        if rooms:
            self._places = Place(rooms[0]), Place(rooms[1])
            rooms.clear()  # whoever took them holds nothing of them any more
        self._swept_ms = 0
        self.talk = Talk(self)
        self._feed = hw.feed
        if not hw.power_on():
            self.why = "reset"
        self.alone = Alone(self)
        self.talk.say("boot", settings["controller"])

    # ---- what a line, a button or a pulse asks for: None, or the reason why not --------------------------------

    def cue(self, name):
        """Open a roll. Dark."""
        self._darken()
        self.state = IDLE
        self._close()
        try:
            self.show = Show(name, self.output, self._feed, self._places)
        except RollError:
            return "roll"
        except OSError:
            return "file"
        except MemoryError:
            self._places = None
            gc.collect()
            return "memory"
        head = self.show.roll.head
        self._places = self.show.places()
        if head.controller != self.settings["controller"].encode() or not self.output.fits(head):
            self._close()
            return "other"
        self.output.watch(head)
        self.output.dimmed = 0
        self.file = name
        self.state = CUED
        self.clock.running = False
        self.clock.ms = self.clock.us = 0
        return None

    def start(self, ms, us=0):
        """Play from a position. While playing, a late repeat counts as an `at`."""
        if self.state == WIRING or self.state == LIVE or not self.show:
            return "state"
        clock = self.clock
        clock.tick()
        if self.state == PLAYING and -250_000 <= clock.ahead_us(ms, us) <= 0:
            self.sample(ms, us)
            return None
        self._watch()
        repeat = self.state == PLAYING and abs(clock.ahead_us(ms, us)) <= 250_000
        clock.start(ms, us)
        self.followed = False
        self._to_clock()
        if not repeat:
            self.alone.begins(self.file, ms)
        return None

    def _to_clock(self):
        self.state = PLAYING
        self.show.seek(self.clock)
        if self.show.early(self.clock):
            self._darken()
        self.alone.told_mark = max(0, self.clock.ms) // MARK_MS * MARK_MS
        self.hw.led(True)

    def at(self, ms, us=0):
        """The sound is there now."""
        if self.state != PLAYING and self.state != LOST:
            return "state"
        self.clock.tick()
        if self.clock.running:
            self.sample(ms, us)
        else:
            self.clock.start(ms, us)  # it was lost while it paused
        self.followed = True
        if self.state == LOST:
            self._to_clock()
        return None

    def sample(self, ms, us):
        """A sound that was there a little while ago, or a mark."""
        if self.clock.sample(ms, us) and self.state == PLAYING:
            self._to_clock()

    def pause(self):
        """Hold the frame that stands."""
        if self.state == PAUSED:
            return None
        if self.state != PLAYING:
            return "state"
        self.clock.tick()
        self.clock.running = False
        self.state = PAUSED
        self.alone.dark_others()
        return None

    def taken_over(self):
        """A computer asks for something else than the list's songs."""
        self.alone.off()
        if self.state == PLAYING or self.state == PAUSED or self.state == LOST:
            self.alone.dark_others()

    def stop(self, why="asked"):
        """Dark, close the roll, wait."""
        self.blackout = False
        self._halt(why)
        self.alone.off()
        self.alone.dark_others()

    def _halt(self, why):
        self._darken()
        self._close()
        self.state = IDLE
        self.clock.running = False
        self.clock.ms = self.clock.us = 0
        self.why = why.split(" ")[0]
        self.hw.led(False)
        self.hw.watchdog_off()

    def bright(self, level):
        """0 to 255, from now on."""
        self.output.bright = level
        self._redo = True

    def dark(self, on):
        """Dark while everything runs on, or light again."""
        self.blackout = on
        self._redo = True

    def wiring(self, on):
        """Begin or end the wiring test."""
        if on:
            self.stop()
            self._watch()
            self._wiring = Wiring(self.output.strings, self.live)
            self.output.watch(None)
            self.state = WIRING
            self.hw.led(True)
        elif self.state == WIRING:
            self._wiring = None
            self.stop()
            for i in range(len(self.live)):
                self.live[i] = 0

    def show_live(self):
        """Light the live frame."""
        if self.state not in (IDLE, CUED, LIVE):
            return "state"
        if self.state != LIVE:
            self._before_live = self.state
            self._watch()
            self.output.watch(None)
        self.state = LIVE
        self._redo = True
        self._live_ms = self.up_ms
        return None

    def heard_live(self):
        """A piece of a live frame has come."""
        self._live_ms = self.up_ms

    # ---- the loop ---------------------------------------------------------------------------------------------

    def run(self):
        """For ever, until Ctrl-C."""
        try:
            while True:
                self.step()
        finally:
            while not self._left():
                pass

    def _left(self):
        """Dark, and no watchdog. False if another Ctrl-C came in between: often they come in pairs."""
        try:
            self._darken()
            self.hw.led(False)
            if not self.hw.watchdog_off():
                self.hw.reset()
        except KeyboardInterrupt:
            return False
        return True

    def step(self):
        """One round. Errors end in darkness, with their reason."""
        try:
            self._step()
        except RollError:
            self.fail("roll")
        except OSError as error:
            self.fail(f"error {error}")
        except MemoryError:
            self._places = None
            self.fail("memory")
        except Exception as error:
            self.fail(f"error {type(error).__name__} {error}")

    def fail(self, why):
        """Dark, and say why. The list goes on."""
        alone = self.alone
        quiet = self.file is not None and self.file == self.settings["quiet_look"]
        if alone.on:
            self._halt(why)
        else:
            self.stop(why)
        gc.collect()
        self.talk.say("stop", why)
        if alone.on and not quiet and not alone.waits:
            alone.after_song()

    def _step(self):
        hw = self.hw
        hw.feed()
        self._count()
        near = False
        if self.state == PLAYING:
            near = self._play()
        elif self.state == PAUSED:
            # Asked each time: it is what lets strings of a second batch leave.
            if not hw.busy() and self._redo and self.show.again(self.clock, hw, self.blackout):
                self._redo = False
        elif self.state == LIVE:
            self._live()
        elif self.state == WIRING:
            self._walk()
        else:
            self._wait()
        if near:
            return
        self.talk.step()
        self._silence()
        self.alone.step()
        if self.state == IDLE or self.state == CUED:
            hw.sleep_ms(1)

    def _count(self):
        now = self.hw.ticks()
        us = self._rest_us + self.hw.ticks_diff(now, self._last)
        self._last = now
        self.up_ms += us // 1000
        self._rest_us = us % 1000

    def _play(self):
        clock, show = self.clock, self.show
        clock.tick()
        if show.over:
            self._end()
            return False
        if self._redo:
            self._redo = not show.again(clock, self.hw, self.blackout)
            return False
        return show.step(clock, self.hw, self.blackout)

    def _end(self):
        """The roll's end: dark, and ready to begin again."""
        self._darken()
        self.clock.running = False
        self.clock.ms = self.clock.us = 0
        self.state = CUED
        self.why = "end"
        self.hw.led(False)
        if self.alone.on and self.file == self.settings["quiet_look"]:
            self.start(0)  # again, until the next song
            return
        self.talk.say("end", self.file)
        if self.alone.on:
            self.alone.after_song()

    def _live(self):
        if self.up_ms - self._live_ms > LIVE_SILENCE_MS:
            self._darken()
            self.state = self._before_live
            if self.show:
                self.output.watch(self.show.roll.head)
            for i in range(len(self.live)):
                self.live[i] = 0
        elif not self.hw.busy() and self._redo:
            self._redo = False
            self.output.prepare(self.live, not self.blackout)
            self.output.send()

    def _walk(self):
        if self.hw.busy():
            return
        new = self._wiring.step(self.up_ms)
        if new or self._redo:
            self._redo = False
            self.output.prepare(self.live, not self.blackout)
            self.output.send()
            if new and not self._wiring.word.startswith("pixel"):
                string = self.output.strings[self._wiring.string]
                self.talk.say("wiring", f"{self._wiring.word} {string['name']} pin {string['pin']}")

    def _wait(self):
        if self.state == LOST:
            self.clock.tick()
            if self.clock.ms * 1000 + self.clock.us >= self.show.roll.head.end_us:
                self._end()
        if self.up_ms - self._dark_ms > AGAIN_MS and not self.hw.busy():
            self._dark_ms = self.up_ms
            self.output.prepare(self.live, False)
            self.output.send()
        blinks = BLINKS.get(self.why, 5)
        phase = self.up_ms % (400 * blinks + 2_000)
        self.hw.led(phase < 400 * blinks and phase % 400 < 150)

    def _silence(self):
        lit = self.state == PLAYING or self.state == PAUSED
        if lit and self.followed and self.up_ms - self.spoken_ms > SILENCE_MS:
            self._darken()
            self.state = LOST
            self.why = "link"
            self.hw.led(False)
            self.talk.say("stop", "link")
        if self.talk.packets and self.up_ms - self._swept_ms > SWEEP_MS:
            self._swept_ms = self.up_ms
            self.talk.packets = 0
            gc.collect()

    def _darken(self):
        self.output.dark()
        self._dark_ms = self.up_ms

    def _close(self):
        self.output.watch(None)
        if self.show:
            self.show.roll.close()
            self.show = None
        self.file = None

    def _watch(self):
        self.hw.watchdog_on(WATCHDOG_MS)
