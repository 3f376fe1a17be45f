"""A board without pins, in time that the test turns. The interface: glow/hw_common.py.

true_us is the world's time, whole microseconds since the test began; the board's own ticks run `ppm` millionths faster,
begin just before they wrap, and are 30 bits as MicroPython's. Every look at the ticks takes `look_us` of time, so that
loops that wait get on; `work` of the decoder takes `work_us` if the test says so.
"""

ROUND = 1 << 30


class Hw:
    """sent: (true time of the latch, bytes of all strings) of each frame; a hook may keep less."""

    def __init__(self, ppm=0, look_us=40, first_ticks=ROUND - 1_000_000, cause=True):
        self.true_us = 0
        self.ppm = ppm
        self.look_us = look_us
        self._first = first_ticks
        self._cause = cause
        self.sent = []
        self.frames = 0
        self.keep = self._keep
        self._free_us = 0
        self.said = []
        self._line = b""
        self._input = []
        self.packets = []
        self.answers = []
        self.led_on = False
        self.leds = []
        self.pressed = False
        self.wire = []
        self.edges = []
        self.edge_ticks = 0
        self.edge_high = False
        self.watching_ms = None
        self._fed_us = 0
        self.longest_feed_us = 0
        self.was_reset = False
        self.at = []  # (true_us, function): done when that time has come

    # time

    def pass_us(self, us):
        """Time goes on, and what was to happen meanwhile happens."""
        until = self.true_us + us
        while self.at and self.at[0][0] <= until:
            at, do = self.at.pop(0)
            self.true_us = max(self.true_us, at)
            do()
        self.true_us = until

    def ticks(self):
        self.pass_us(self.look_us)
        return self.ticks_at(self.true_us)

    def ticks_at(self, true_us):
        return (self._first + true_us + true_us * self.ppm // 1_000_000) % ROUND

    def ticks_diff(self, a, b):
        return (a - b + ROUND // 2) % ROUND - ROUND // 2

    def sleep_ms(self, ms):
        self.pass_us(1000 * ms)

    # strings

    def at_once(self, most):
        return most

    def attach(self, strings, views, bits_us, resets_us, at_once):
        self.views = views
        self.bits_us, self.resets_us, self.together = bits_us, resets_us, at_once

    def send(self):
        assert self.true_us >= self._free_us, "sent while the last frame was leaving"
        begun = 0
        latches = []
        for first in range(0, len(self.views), self.together):
            batch = range(first, min(first + self.together, len(self.views)))
            for i in batch:
                latches.append(begun + self.bits_us[i] + self.resets_us[i])
            begun += max([self.bits_us[i] + self.resets_us[i] for i in batch])
        self._free_us = self.true_us + begun
        self.keep(self.true_us + sum(latches) // len(latches), b"".join([bytes(view) for view in self.views]))

    def _keep(self, at_us, frame):
        self.sent.append((at_us, frame))

    def last(self, at_us, frame):
        """To be `keep` in a long scene."""
        self.frames += 1
        self.sent = [(at_us, frame)]

    def busy(self):
        self.pass_us(self.look_us)
        return self.true_us < self._free_us

    @property
    def lit(self):
        return bool(self.sent) and any(self.sent[-1][1])

    # watchdog

    def watchdog_on(self, ms):
        if self.watching_ms is None:
            self.watching_ms = ms
            self._fed_us = self.true_us

    def feed(self):
        if self.watching_ms is not None:
            self.longest_feed_us = max(self.longest_feed_us, self.true_us - self._fed_us)
            self._fed_us = self.true_us

    def watchdog_off(self):
        self.watching_ms = None
        return True

    def reset(self):
        self.was_reset = True

    def power_on(self):
        return self._cause

    # LED, button, wire

    def led(self, on):
        if on != self.led_on:
            self.leds.append((self.true_us, on))
        self.led_on = on

    def button(self):
        return self.pressed

    def pulse(self, on):
        self.wire.append((self.true_us, on))
        for other in getattr(self, "listeners", ()):
            other.edges.append((other.ticks_at(self.true_us), on))

    def edge(self):
        if not self.edges:
            return False
        self.edge_ticks, self.edge_high = self.edges.pop(0)
        return True

    # links

    def type(self, line):
        """What a computer sends over serial."""
        self._input.extend(line.encode() + b"\n")

    def read(self):
        return self._input.pop(0) if self._input else -1

    def write(self, buffer, n):
        self._line += bytes(buffer[:n])
        while b"\n" in self._line:
            line, self._line = self._line.split(b"\n", 1)
            self.said.append(line.decode())

    def receive(self):
        return self.packets.pop(0) if self.packets else None

    def send_packet(self, packet):
        self.answers.append(packet)
