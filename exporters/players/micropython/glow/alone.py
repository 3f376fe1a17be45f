"""Songs without a computer: the list, the button, the wire to and from other boards."""

from .pulse import MARK, MARK_MS, START, STOP, Lead, Listener
from .states import CUED, IDLE, PLAYING

BOOT_STOP_MS = 3_000  # after so long a lead says stop, so that all know where the list is
EARLY_MS = -300  # where a song begins that a button or the list starts
BOUNCE_MS = 40  # of a button


class Alone:
    """on: songs come from the list."""

    def __init__(self, player):
        self._player = player
        settings = player.settings
        self.on = False
        self._song = 0
        self._next_ms = -1  # when the next song begins; -1: not by itself
        self._stop_heard = False
        self.listener = Listener(player.hw)
        self.lead = Lead(player.hw) if settings["pulse_out_pin"] is not None else None
        self._told_start = self._told_stop = False
        self.told_mark = 0
        self._pressed_ms = 0
        self._was_pressed = False
        if settings["start"] == "boot" and player.hw.power_on():
            self._next_ms = BOOT_STOP_MS + 1_000

    def off(self):
        """No song begins by itself any more."""
        self.on = False
        self._next_ms = -1

    def step(self):
        """What a pulse, the button or the time asks for."""
        if self.lead:
            self._lead()
        self._pulses()
        self._button()
        if self._next_ms >= 0 and self._player.up_ms >= self._next_ms:
            self._next_ms = -1
            self._start_song(EARLY_MS)

    def _start_song(self, ms, us=0):
        """The next song of the list. A broken one is passed over."""
        songs = self._player.settings["songs"]
        for _ in songs:
            name = songs[self._song]
            self._song = (self._song + 1) % len(songs)
            why = self._player.cue(name)
            if not why:
                self.on = True
                self._told_start = False
                self._player.start(ms, us)
                return
            self._player.why = why if why == "memory" else "roll"
            self._player.talk.say("stop", f"{why} {name}")

    def after_song(self):
        """The next song comes after a pause; a listener waits for its lead."""
        if self._song or self._player.settings["loop"]:
            if self._player.settings["pulse_in_pin"] is None:
                self._next_ms = self._player.up_ms + 1000 * self._player.settings["pause_s"] + 1
            self._quiet()
        else:
            self.on = False
            if self.lead:
                self.lead.raise_(STOP)

    def _quiet(self):
        """Between songs, a quiet look of one's own."""
        name = self._player.settings["quiet_look"]
        if name and not self._player.cue(name):
            self._player.start(0)

    def _button(self):
        pressed = self._player.hw.button()
        if pressed == self._was_pressed or self._player.up_ms - self._pressed_ms < BOUNCE_MS:
            return
        self._was_pressed = pressed
        self._pressed_ms = self._player.up_ms
        if not pressed:
            return
        if self._player.state == IDLE or self._player.state == CUED:
            self._start_song(EARLY_MS)
        else:
            self._song = 0
            self._player.stop("button")
            self._player.talk.say("stop", "button")
            if self.lead:
                self.lead.raise_(STOP)

    def _pulses(self):
        kind = self.listener.heard()
        if not kind:
            return
        age = self.listener.age_us
        if kind == MARK and self._player.state == PLAYING:
            self._player.clock.tick()
            was_us = self._player.clock.us - age
            was_ms = self._player.clock.ms + was_us // 1000
            mark = (was_ms + MARK_MS // 2) // MARK_MS * MARK_MS
            if mark > 0 and abs(was_ms - mark) <= 250:
                self._player.sample(mark + age // 1000, age % 1000)
        elif kind == START and (self._stop_heard or len(self._player.settings["songs"]) == 1):
            self._start_song(-250 + age // 1000, age % 1000)
        elif kind == STOP:
            self._stop_heard = True
            self._song = 0
            if self._player.state != IDLE:
                self._player.stop("pulse")
                self._player.talk.say("stop", "pulse")

    def _lead(self):
        lead = self.lead
        lead.step()
        if not self._told_stop and self._player.up_ms >= BOOT_STOP_MS:
            self._told_stop = True
            if self._player.state == IDLE:
                lead.raise_(STOP)
        if self._player.state != PLAYING or self._player.file == self._player.settings["quiet_look"]:
            return
        ms = self._player.clock.ms
        if not self._told_start and ms >= -250:
            self._told_start = True
            if ms < -200:
                lead.raise_(START)
        if ms >= self.told_mark + MARK_MS:
            late = ms - (self.told_mark + MARK_MS)
            self.told_mark = ms // MARK_MS * MARK_MS
            if late < 20:
                lead.raise_(MARK)
