"""One roll while it plays: which frame is due, makes it ready before that, and lets it leave in time.

A frame is due at an absolute time, its group's start and its place in it. A frame that is late is shown if it is still
the one that stands, else it is skipped and counted; nothing is added up. Frames begin to leave `lead_us` before they
are due, so that they latch then.
"""

from .roll import Roll

HOLD_US = 250_000  # how long the last frame may stay when the next unit is late
NEAR_US = 1_500  # so near to a frame's time nothing else is begun


class Show:
    """roll: open. late: frames skipped; dark_groups: groups that were dark because they are broken."""

    def __init__(self, path, output, feed, places=None):
        """Opens the roll; memory of an earlier one is used again. Raises RollError, OSError, MemoryError."""
        self.roll = Roll(path, feed, places)
        self._out = output
        self.late = 0
        self.dark_groups = 0
        self._start_ms = self._start_us = 0  # of the group that was entered
        self._sent = -1  # the frame of the group that was sent last
        self._ready = -1  # the frame that is prepared
        self._told = -1  # the broken group that was counted last
        self.lit = False  # whether something that may be lit was sent last
        self.over = False

    def places(self):
        """The memory of its units, for the next roll."""
        return self.roll.places()

    def seek(self, clock):
        """Go to where the clock is."""
        out = self._out
        ahead = clock.us + out.lead_us
        us = max(0, clock.ms * 1000 + ahead)
        group = self.roll.find(us)
        self.over = group is None
        if self.over:
            return
        self.roll.enter(group)
        start = self.roll.start_us(group)
        self._start_ms, self._start_us = start // 1000, start % 1000
        now = self._now(clock)
        self._sent = self.roll.frame_at(now) - 1 if now >= 0 else -1
        self._ready = -1

    def _now(self, clock):
        """Microseconds since the group's start, as of the frame that would leave now."""
        return self._out.lead_us - clock.ahead_us(self._start_ms, self._start_us)

    def _enter_next(self):
        roll = self.roll
        us = self._start_us + roll.length_us
        self._start_ms += us // 1000
        self._start_us = us % 1000
        roll.enter(roll.group + 1)
        self._sent = self._ready = -1

    def step(self, clock, hw, blackout):
        """Do what is due, or one step of work. True if the next frame's time is so near that nothing may be begun."""
        roll = self.roll
        now = self._now(clock)
        if now >= roll.length_us:
            if roll.group + 1 >= roll.head.groups:
                self.over = True
                return False
            self.late += roll.frames - 1 - self._sent
            self._enter_next()
            return False
        if not roll.ready:
            if now > HOLD_US and self.lit:
                self._darken(hw)
            roll.work()
            return False
        if self._sent + 1 >= roll.frames:
            roll.work()
            return False
        if self._ready < 0:
            if hw.busy():
                roll.work()
                return False
            self._prepare(max(self._sent + 1, roll.frame_at(now) if now >= 0 else 0), blackout)
            return False
        wait = roll.due_us(self._ready) - now
        if wait > 0:
            if wait > NEAR_US:
                roll.work()
                return False
            return True
        stands = roll.frame_at(now)
        if stands > self._ready:
            self._prepare(stands, blackout)
        self._out.send()
        self.late += self._ready - self._sent - 1
        self._sent = self._ready
        self._ready = -1
        if self._sent + 1 == roll.frames and roll.group + 1 < roll.head.groups:
            self._enter_next()
        return False

    def early(self, clock):
        """Whether the first frame is still to come."""
        return not self.over and self._now(clock) < 0

    def again(self, clock, hw, blackout):
        """Show the frame that stands once more, in another brightness: True when that is done."""
        if hw.busy():
            return False
        if not blackout:
            if self._sent < 0:
                self.seek(clock)  # it belongs to the group before the one that was entered
                if self.over or self.early(clock):
                    return True
                self._sent += 1
            if not self.roll.ready:
                self.roll.work()
                return False
        self._prepare(self._sent, blackout)
        self._ready = -1
        self._out.send()
        return True

    def _prepare(self, i, blackout):
        roll = self.roll
        whole = i >= 0 and roll.ready and roll.frame(i)
        if i >= 0 and roll.ready and not whole and self._told != roll.group:
            self._told = roll.group
            self.dark_groups += 1
        self.lit = whole and not blackout
        self._out.prepare(roll.row, self.lit)
        self._ready = i

    def _darken(self, hw):
        if not hw.busy():
            self._out.prepare(self.roll.row, False)
            self._out.send()
            self.lit = False
