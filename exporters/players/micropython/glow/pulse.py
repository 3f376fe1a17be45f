"""The wire between boards: marks each 4 s, a start, a stop. exporters/LINK.md, section 7."""

MARK, START, STOP = 1, 2, 3
MARK_MS = 4000
WIDTHS_US = (0, 50_000, 150_000, 400_000)  # by kind
GAP_US = 20_000  # low between two pulses, at least


class Listener:
    """Tells pulses by their width. `age_us`: how long ago the last one's rising edge was."""

    def __init__(self, hw):
        self._hw = hw
        self._rose = self._edge = 0
        self._high = False
        self._any = False
        self.age_us = 0

    def heard(self):
        """MARK, START or STOP if one has ended since the last time, else 0."""
        hw = self._hw
        while hw.edge():
            at = hw.edge_ticks
            if self._any and 0 <= hw.ticks_diff(at, self._edge) < 5_000:  # below 0: minutes ago, wrapped round
                self._edge = at
                continue  # noise
            self._any = True
            self._edge = at
            if hw.edge_high:
                self._rose = at
                self._high = True
            elif self._high:
                self._high = False
                width = hw.ticks_diff(at, self._rose)
                self.age_us = hw.ticks_diff(hw.ticks(), self._rose)
                if 15_000 <= width <= 95_000:
                    return MARK
                if 105_000 <= width <= 250_000:
                    return START
                if 300_000 <= width <= 600_000:
                    return STOP
        return 0


class Lead:
    """Raises the wire for others. busy: a pulse is not over."""

    def __init__(self, hw):
        self._hw = hw
        self._rose = 0
        self._width = 0
        self._high = False
        self.busy = False

    def raise_(self, kind):
        """Begin a pulse."""
        self._hw.pulse(True)
        self._rose = self._hw.ticks()
        self._width = WIDTHS_US[kind]
        self._high = self.busy = True

    def step(self):
        """End it in time."""
        if not self.busy:
            return
        passed = self._hw.ticks_diff(self._hw.ticks(), self._rose)
        if self._high and passed >= self._width:
            self._hw.pulse(False)
            self._high = False
            self._width = passed + GAP_US
        self.busy = self._high or 0 <= passed < self._width
