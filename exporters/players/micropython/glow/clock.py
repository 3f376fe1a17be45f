"""The board's position in the song: its own ticks, and corrections that are never seen. exporters/LINK.md, section 4.

All numbers stay small: a position is whole milliseconds and 0 to 999 microseconds beside them.
"""

from array import array

SAMPLES = 16
UP, DOWN, EASE = 50, 50, 5  # ten-thousandths of its own pace that the position may gain or lose
FAR_US = 20_000  # behind by more, it loses at DOWN, else at EASE
JUMP_US = 250_000
MOST_MS = 400_000  # differences beyond are as good as this one


class Clock:
    """ms, us: the position as of the last `tick`. running: whether it goes on."""

    def __init__(self, hw):
        self._hw = hw
        self._last = hw.ticks()
        self._samples = array("i", bytes(4 * SAMPLES))  # wanted corrections, counted as `_done` is
        self._known = 0
        self._next = 0
        self._done = 0  # corrections since the last jump, us
        self._wanted = 0  # the greatest sample
        self._budget = 0  # ten-thousandths of a microsecond
        self.running = False
        self.ms = 0
        self.us = 0

    def tick(self):
        """Go on to now: by the ticks since the last time, so that they may wrap round, and by the slew."""
        now = self._hw.ticks()
        passed = self._hw.ticks_diff(now, self._last)
        self._last = now
        if not self.running:
            return
        error = self._wanted - self._done
        step = 0
        if error:
            pace = UP if error > 0 else DOWN if error < -FAR_US else EASE
            self._budget += min(passed, 1_000_000) * pace
            step = self._budget // 10_000
            self._budget -= step * 10_000
            step = min(error, step) if error > 0 else -min(-error, step)
            self._done += step
        self._move(passed + step)

    def _move(self, us):
        us += self.us
        self.ms += us // 1000
        self.us = us % 1000

    def start(self, ms, us=0):
        """Be at a position, and go on from there. What was heard before is forgotten."""
        self.tick()
        self.ms, self.us = ms, us
        self.running = True
        self._forget()

    def _forget(self):
        self._known = 1
        self._next = 1
        self._samples[0] = self._done = self._wanted = self._budget = 0

    def ahead_us(self, ms, us=0):
        """How far that is ahead of the position, at most 400 s."""
        return max(-MOST_MS, min(MOST_MS, ms - self.ms)) * 1000 + us - self.us

    def sample(self, ms, us=0):
        """The sound is there now, or was a little while ago. True if the position jumped."""
        ahead = self.ahead_us(ms, us)
        self._samples[self._next] = ahead + self._done
        self._next = (self._next + 1) % SAMPLES
        self._known = min(self._known + 1, SAMPLES)
        most = self._samples[0]
        for i in range(self._known):
            if self._samples[i] > most:
                most = self._samples[i]
        self._wanted = most
        error = most - self._done
        if self.ms < 0:
            if error > 0:  # nothing is lit yet: take it at once
                self._done = most
                self._move(error)
            return False
        if error > JUMP_US or error < -JUMP_US and self._known == SAMPLES:
            if ms - self.ms > MOST_MS:
                self.ms, self.us = ms, us
            else:
                self._move(error)
            self._forget()
            return True
        return False
