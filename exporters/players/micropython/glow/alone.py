"""Songs without a computer: the list, the button, the wire to and from other boards."""

from .pulse import MARK, MARK_MS, START, STOP, Lead, Listener
from .states import CUED, IDLE, PLAYING

BOOT_STOP_MS = 3_000  # after so long a lead says stop, so that all know where the list is
EARLY_MS = -300  # where a song begins that a button or the list starts
START_MS = -250  # where it is when the wire says start
NEXT_MS = 200  # between two starts, of which the first is for a song that is left out; nothing is lit before 0
LATE_MS = 50  # a start that comes later tells a wrong time
BOUNCE_MS = 40  # of a button


class Alone:
    """on: songs come from the list. waits: the next one begins by itself in a while."""

    def __init__(self, player):
        self._player = player
        settings = player.settings
        self.on = False
        self._song = 0
        self._next_ms = -1  # when the next song begins; -1: not by itself
        self._stop_heard = False
        self._unshown = False  # the start of a song that is not shown here was heard
        self.listener = Listener(player.hw)
        self.lead = Lead(player.hw) if settings["pulse_out_pin"] is not None else None
        self._told_stop = False
        self._told = 0  # starts that others have heard since their last stop, less whole rounds of the list
        self._led = False  # whether they have heard one
        self._to_tell = 0  # starts that they must hear yet
        self.told_mark = 0
        self._quiet_due = False
        self._pressed_ms = 0
        self._was_pressed = False
        if settings["start"] == "boot" and player.hw.power_on():
            self._next_ms = BOOT_STOP_MS + 1_000

    def off(self):
        """No song begins by itself any more."""
        self.on = self._quiet_due = False
        self._next_ms = -1

    @property
    def waits(self):
        return self._next_ms >= 0

    def step(self):
        """What a pulse, the button or the time asks for."""
        if self.lead:
            self._lead()
        self._pulses()
        self._button()
        if self._next_ms >= 0 and self._player.up_ms >= self._next_ms:
            songs = len(self._player.settings["songs"])
            self._start_song(songs if self._player.settings["loop"] else songs - self._song, EARLY_MS)
        elif self._quiet_due:
            self._quiet()

    def _start_song(self, most, ms, us=0):
        """The next song of the list. Broken ones are passed over until `most` have been tried."""
        songs = self._player.settings["songs"]
        self._next_ms = -1
        self._quiet_due = False
        self.on = True
        if self.lead and not self._song and (self._led or not self._told_stop):
            self._told_stop = True
            self._stop_others()  # each round anew, for who missed a start, or kept his place while this board restarted
        if self.lead and self.lead.busy:
            ms -= 500  # its stop must end first
        for _ in range(most):
            name = songs[self._song]
            self._song = (self._song + 1) % len(songs)
            why = self._player.cue(name)
            if not why:
                self._player.start(ms - NEXT_MS * self._left_out(name) if self.lead else ms, us)
                return
            self._player.why = why if why == "memory" else "roll"
            self._player.talk.say("stop", f"{why} {name}")
        self._list_over()

    def _list_over(self):
        self.on = False
        if self.lead:
            self._stop_others()

    def after_song(self):
        """The next song comes after a pause; a listener waits for its lead."""
        if self._song or self._player.settings["loop"]:
            if self._player.settings["pulse_in_pin"] is None:
                self._next_ms = self._player.up_ms + 1000 * self._player.settings["pause_s"] + 1
            self._quiet_due = True
        else:
            self._list_over()

    def _quiet(self):
        """Between songs, a quiet look of one's own."""
        self._quiet_due = False
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
            self._start_song(len(self._player.settings["songs"]), EARLY_MS)
        else:
            self._song = 0
            self._player.stop("button")
            self._player.talk.say("stop", "button")
            if self.lead:
                self._stop_others()

    def _pulses(self):
        kind = self.listener.heard()
        if not kind:
            return
        age = self.listener.age_us
        if self._player.talk.led():
            self._count(kind)  # it may be silent later
        elif kind == MARK and self._between():
            self._stop_heard = self._stop_heard and self._unshown  # a song whose start was missed
        elif kind == MARK and self._player.state == PLAYING:
            self._player.clock.tick()
            was_us = self._player.clock.us - age
            was_ms = self._player.clock.ms + was_us // 1000
            mark = (was_ms + MARK_MS // 2) // MARK_MS * MARK_MS
            if mark > 0 and abs(was_ms - mark) <= 250:
                self._player.sample(mark + age // 1000, age % 1000)
        elif kind == START and (self._stop_heard or len(self._player.settings["songs"]) == 1):
            # Never the one after it: that would be another song than the lead's.
            self._start_song(min(1, len(self._player.settings["songs"])), START_MS + age // 1000, age % 1000)
            self._unshown = self._player.state != PLAYING
        elif kind == STOP:
            self._count(kind)
            if self._player.state != IDLE:
                self._player.stop("pulse")
                self._player.talk.say("stop", "pulse")

    def _between(self):
        """Whether no song of the list plays."""
        player = self._player
        if player.state == PLAYING:
            return player.file == player.settings["quiet_look"]
        return player.state == IDLE or player.state == CUED

    def _count(self, kind):
        """Where the list is, whether or not a pulse is obeyed."""
        if kind == START and self._player.settings["songs"]:
            self._song = (self._song + 1) % len(self._player.settings["songs"])
            self._unshown = True
        elif kind == STOP:
            self._stop_heard = True
            self._song = 0

    # ---- others on the wire -----------------------------------------------------------------------------------

    def begins(self, name, ms):
        """A song begins, whoever asked for it. If others can be told in time they will be, else they must be dark."""
        if not self.lead or name == self._player.settings["quiet_look"]:
            return
        left_out = self._left_out(name)
        if left_out < 0 or ms > START_MS - NEXT_MS * left_out:
            self.dark_others()
        else:
            self._to_tell = left_out + 1

    def _left_out(self, name):
        """How many songs others must leave out before this one; -1 if it is not in the list."""
        songs = self._player.settings["songs"]
        for n in range(len(songs)):
            if songs[(self._told + n) % len(songs)] == name:
                return n
        return -1

    def dark_others(self):
        """What they show is no longer in step, or not wanted."""
        self._to_tell = 0
        if self._led:
            self._stop_others()

    def _stop_others(self):
        self.lead.raise_(STOP)
        self._to_tell = self._told = 0
        self._led = False

    def _lead(self):
        player, lead = self._player, self.lead
        lead.step()
        if not self._told_stop and player.up_ms >= BOOT_STOP_MS:
            if player.state != PLAYING or player.file == player.settings["quiet_look"]:
                self._told_stop = True
                self._stop_others()
        if player.state != PLAYING or player.file == player.settings["quiet_look"]:
            return
        ms = player.clock.ms
        if self._to_tell:
            late = ms - START_MS + NEXT_MS * (self._to_tell - 1)
            if late > LATE_MS:
                self.dark_others()
            elif late >= 0 and not lead.busy:
                self._to_tell -= 1
                self._told = (self._told + 1) % len(player.settings["songs"])
                self._led = True
                lead.raise_(START)
        if ms >= self.told_mark + MARK_MS:
            late = ms - (self.told_mark + MARK_MS)
            self.told_mark = ms // MARK_MS * MARK_MS
            if late < 20 and not lead.busy:
                lead.raise_(MARK)
