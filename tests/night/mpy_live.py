"""Runs in MicroPython: the real player in real time on a terminal, its strings into a file instead of pins.

Usage: mpy_live.py PLAYER KIT FOLDER LOG. FOLDER has settings.json and the rolls. LOG gets a line for each frame that
was sent: microseconds since the start, and 1 where anything is lit.
"""

import json
import os
import select
import sys
import time

sys.path.insert(0, sys.argv[1])
sys.path.insert(0, sys.argv[2])
from glow.player import Player  # noqa: E402
from hw_fake import Hw  # noqa: E402

ROUND = 1 << 30


class Live(Hw):
    """The fake, by the machine's own clock, its serial line on stdin and stdout."""

    def __init__(self, log):
        self._begin = time.ticks_us()
        self._poll = select.poll()
        self._poll.register(sys.stdin, select.POLLIN)
        self._log = log
        super().__init__()
        self.keep = self._write_down

    def ticks(self):
        self.true_us = time.ticks_diff(time.ticks_us(), self._begin)
        return self.ticks_at(self.true_us)

    def sleep_ms(self, ms):
        time.sleep_ms(ms)

    def busy(self):
        self.ticks()
        return self.true_us < self._free_us

    def _write_down(self, at_us, frame):
        self._log.write(f"{at_us} {int(any(frame))}\n")
        self._log.flush()

    def read(self):
        if not self._poll.poll(0):
            return -1
        got = sys.stdin.buffer.read(1)
        return got[0] if got else -1

    def write(self, buffer, n):
        sys.stdout.buffer.write(bytes(buffer[:n]))


log = open(sys.argv[4], "w")
os.chdir(sys.argv[3])
with open("settings.json") as file:
    settings = json.load(file)
player = Player(Live(log), settings)
while True:
    player.step()
