"""Raspberry Pi Pico, Pico W, Pico 2 (RP2040, RP2350): state machines send, DMA feeds them, the processor is free.

Not yet tried on a board. Where `rp2.DMA` is missing (MicroPython before 1.22) the processor feeds the state machines
itself, string after string, and waits.
"""

import machine
import rp2
from machine import Pin

from glow.hw_common import Common

NS = (50, 100, 200, 400)  # lengths of a state machine's cycle: the finest that reaches is taken
MOST_CYCLES = 32  # of one instruction: itself, and a delay of 5 bits (RP2040 datasheet, 3.4.1)

# RP2040 datasheet, 4.7.6 and 2.1.2: the watchdog's CTRL, bit 30 ENABLE, and the alias that clears bits. RP2350: its
# base is another (from memory).
WATCHDOG_CLEAR = {"RP2040": 0x4005B000, "RP2350": 0x400DB000}
ENABLE = 1 << 30


def cycles_of(string):
    """(cycle in ns, cycles high of a 0 and a 1, cycles in all) nearest to a string's bit times."""
    for ns in NS:
        high_0, high_1 = round(string["t0h_ns"] / ns), round(string["t1h_ns"] / ns)
        whole = round(max(string["t0h_ns"] + string["t0l_ns"], string["t1h_ns"] + string["t1l_ns"]) / ns)
        if max(high_0, high_1 - high_0, whole - high_1) <= MOST_CYCLES:
            break
    return ns, high_0, high_1, whole


def one_wire(string):
    """The program for a string of one wire, and how fast it runs.

    A byte that DMA writes stands in all four bytes of the word (RP2040 datasheet, 2.1.4); the first eight bits go out.
    While nothing comes it waits at `out`, and the line is low.
    """
    ns, high_0, high_1, whole = cycles_of(string)

    @rp2.asm_pio(
        out_init=rp2.PIO.OUT_LOW,
        set_init=rp2.PIO.OUT_LOW,
        out_shiftdir=rp2.PIO.SHIFT_LEFT,
        autopull=True,
        pull_thresh=8,
    )
    def program(first=high_0 - 1, second=high_1 - high_0 - 1, low=whole - high_1 - 2):
        wrap_target()  # noqa: F821
        out(x, 1)  # noqa: F821
        set(pins, 1)[first]  # noqa: F821
        mov(pins, x)[second]  # noqa: F821
        set(pins, 0)[low]  # noqa: F821
        wrap()  # noqa: F821

    return program, 1_000_000_000 // ns


def two_wires(string):
    """The program for a clocked string: data settles while the clock is low, and is taken as it rises."""

    @rp2.asm_pio(
        out_init=rp2.PIO.OUT_LOW,
        sideset_init=rp2.PIO.OUT_LOW,
        out_shiftdir=rp2.PIO.SHIFT_LEFT,
        autopull=True,
        pull_thresh=8,
    )
    def program():
        wrap_target()  # noqa: F821
        out(pins, 1).side(0)  # noqa: F821
        nop().side(1)  # noqa: F821
        wrap()  # noqa: F821

    return program, 2_000_000_000 // string["bit_ns"]


class Lane:
    """One string with its state machine and its DMA channel."""

    def __init__(self, string, view, bits_us, reset_us, number):
        self.view = view
        self.n = len(view)
        self.quiet_us = bits_us + reset_us
        program, freq = two_wires(string) if string["clocked"] else one_wire(string)
        pin = Pin(string["pin"], Pin.OUT, value=0)
        self.sm = rp2.StateMachine(number)
        if string["clocked"]:
            clock = Pin(string["clock_pin"], Pin.OUT, value=0)
            self._setting = (program, freq, pin, clock)
        else:
            self._setting = (program, freq, pin, None)
        self.dma = None
        if hasattr(rp2, "DMA"):
            self.dma = rp2.DMA()
            # Paced by the state machine's own request: 8 numbers a block, those for sending first (2.5.3.1).
            pace = (number >> 2) * 8 + (number & 3)
            self._control = self.dma.pack_ctrl(size=0, inc_write=False, treq_sel=pace)

    def take(self):
        """Give the state machine to this string."""
        program, freq, pin, clock = self._setting
        if clock is None:
            self.sm.init(program, freq=freq, set_base=pin, out_base=pin)
        else:
            self.sm.init(program, freq=freq, out_base=pin, sideset_base=clock)
        self.sm.active(1)
        if self.dma:
            self.dma.config(read=self.view, write=self.sm, count=self.n, ctrl=self._control, trigger=False)

    def send(self):
        """Begin to send; without DMA, send."""
        if self.dma:
            self.dma.read = self.view
            self.dma.count = self.n
            self.dma.active(1)
        else:
            self.sm.put(self.view, 24)


class Hw(Common):
    """See hw_common.py."""

    def __init__(self, settings):
        super().__init__(settings)
        self._batches = []
        self._batch = -1
        self._since = 0
        self._quiet_us = 0
        chip = "RP2350" if settings["board"].startswith("pico-2") else "RP2040"
        self._watchdog_clear = WATCHDOG_CLEAR[chip]

    def power_on(self):
        """Whether this boot came from power, not from the watchdog or a reset by software."""
        return machine.reset_cause() == machine.PWRON_RESET

    def at_once(self, most):
        """How many strings leave at the same time."""
        return most if hasattr(rp2, "DMA") else 1

    def attach(self, strings, views, bits_us, resets_us, at_once):
        """Take the pins. views: what `send` sends of each string."""
        # The wireless chip of a Pico W takes state machine 4 (from memory).
        numbers = [n for n in range(12) if not (self._settings["board"] == "pico-w" and n == 4)]
        for first in range(0, len(strings), at_once):
            batch = []
            for i in range(first, min(first + at_once, len(strings))):
                batch.append(Lane(strings[i], views[i], bits_us[i], resets_us[i], numbers[i - first]))
            self._batches.append(batch)
        if len(self._batches) == 1:
            for lane in self._batches[0]:
                lane.take()

    def send(self):
        """All strings, the first batch now, the others from `busy`."""
        self._batch = -1
        self._next_batch()

    def _next_batch(self):
        self._batch += 1
        self._quiet_us = 0
        for lane in self._batches[self._batch]:
            if len(self._batches) > 1:
                lane.take()
            lane.send()
            self._quiet_us = max(self._quiet_us, lane.quiet_us)
        self._since = self.ticks()

    def busy(self):
        """Whether bits are still leaving, or the low time after the last one is not over."""
        if self._batch < 0 or self.ticks_diff(self.ticks(), self._since) < self._quiet_us:
            return self._batch >= 0
        for lane in self._batches[self._batch]:
            if lane.dma and lane.dma.active():
                return True
        if self._batch + 1 < len(self._batches):
            self._next_batch()
            return True
        self._batch = -1
        return False

    def watchdog_off(self):
        """Stop the watchdog: True if it is off now."""
        if self._watchdog:
            machine.mem32[self._watchdog_clear] = ENABLE
            self._watchdog = None
        return True
