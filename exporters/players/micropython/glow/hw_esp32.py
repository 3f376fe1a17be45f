"""ESP32 and its kin: `machine.bitstream` sends one string after another, and waits for each.

Not yet tried on a board.
"""

import machine
from machine import Pin

from glow.hw_common import Common


class Hw(Common):
    """See hw_common.py."""

    def __init__(self, settings):
        super().__init__(settings)
        self._lanes = []
        self._since = self.ticks()
        self._quiet_us = 0

    def power_on(self):
        """Whether this boot came from power, not from the watchdog or a reset by software."""
        return machine.reset_cause() == machine.PWRON_RESET

    def at_once(self, most):
        """How many strings leave at the same time."""
        return 1

    def attach(self, strings, views, bits_us, resets_us, at_once):
        """Take the pins. views: what `send` sends of each string."""
        for string, view, reset_us in zip(strings, views, resets_us):  # noqa: B905
            pin = Pin(string["pin"], Pin.OUT, value=0)
            if string["clocked"]:
                clock = Pin(string["clock_pin"], Pin.OUT, value=0)
                rate = 1_000_000_000 // string["bit_ns"]
                # SoftSPI wants an input too, which nothing is read from: the data pin serves (from memory).
                self._lanes.append((machine.SoftSPI(baudrate=rate, sck=clock, mosi=pin, miso=pin), None, view))
            else:
                times = (string["t0h_ns"], string["t0l_ns"], string["t1h_ns"], string["t1l_ns"])
                self._lanes.append((pin, times, view))
            self._quiet_us = max(self._quiet_us, reset_us)

    def send(self):
        """All strings, one after another."""
        for line, times, view in self._lanes:
            if times:
                machine.bitstream(line, 0, times, view)
            else:
                line.write(view)
        self._since = self.ticks()

    def busy(self):
        """Whether the low time after the last bit is not over."""
        return 0 <= self.ticks_diff(self.ticks(), self._since) < self._quiet_us  # below 0: minutes ago

    def watchdog_off(self):
        """This chip's cannot be stopped: True only if it never ran."""
        return self._watchdog is None
