"""From a frame to the strings: brightness, the second net below the limiter, and what a chip wants besides colours."""

from .words import fast

LEAST_RESET_US = 300  # low after the last bit, whatever the settings say


class Output:
    """All strings of this board.

    lead_us: how long before its time a frame must begin to leave, so that it latches then. bright: 0 to 255. dimmed:
    frames that the second net made darker.
    """

    def __init__(self, hw, settings):
        """settings: see exporters/players/PLAYER.md. Takes memory for one frame."""
        self._hw = hw
        self.strings = settings["strings"]
        self._own = settings["brightness"]
        self.bright = 255
        self.dimmed = 0
        self._supplies = []
        self.frame_bytes = sum([string["pixels"] * string["channels"] for string in self.strings])
        self._out = bytearray(self.frame_bytes)
        self._clocked = []  # (buffer, first byte of it, first byte of the frame, pixels, channels, level)
        whole = memoryview(self._out)
        views = []
        first = 0
        for string in self.strings:
            pixels, channels = string["pixels"], string["channels"]
            n = pixels * channels
            if string["clocked"]:
                # The start frame is zeros, and so are the clocks after the last pixel, which push the last bits along.
                size = string["start_bytes"] + pixels * (1 + channels) + string["end_bytes"]
                buffer = bytearray(size)
                views.append(buffer)
                place = (buffer, string["start_bytes"], first, pixels, channels, string["level_byte"])
                self._clocked.append(place)
            else:
                views.append(whole[first : first + n])
            first += n
        self._resets = [max(LEAST_RESET_US, string["reset_us"]) for string in self.strings]
        self._bits_us = [bits_us(string, len(view)) for string, view in zip(self.strings, views)]  # noqa: B905
        at_once = hw.at_once(settings["outputs_at_once"])
        self.lead_us = self._lead_us(at_once)
        hw.attach(self.strings, views, self._bits_us, self._resets, at_once)

    def _lead_us(self, at_once):
        """From the first bit to the latch, the mean over the strings: they leave in batches, one after another."""
        begun = total = 0
        for first in range(0, len(self.strings), at_once):
            batch = range(first, min(first + at_once, len(self.strings)))
            for i in batch:
                total += begun + self._bits_us[i] + self._resets[i]
            begun += max([self._bits_us[i] + self._resets[i] for i in batch])
        return total // len(self.strings)

    def fits(self, head):
        """Whether a roll is for these strings."""
        if len(head.strings) != len(self.strings):
            return False
        for one, other in zip(self.strings, head.strings):  # noqa: B905
            if (one["pin"], one["clock_pin"], one["pixels"], one["channels"]) != other:
                return False
        return True

    def watch(self, head):
        """Add up frames against what a roll's head allows, ROLL.md section 5; None: no more."""
        self._supplies = []
        for number, milliamps in enumerate(head.supplies if head else ()):
            draws = [draw for draw in head.draws if draw[3] == number]
            idle_ua = sum([pixels * idle for _, pixels, _, _, _, idle, _ in draws])
            runs = [(at, pixels, channels, law, channel) for at, pixels, channels, _, law, _, channel in draws]
            if runs:
                self._supplies.append((milliamps - idle_ua // 1000, idle_ua % 1000, runs))

    def _allowed(self, row, factor):
        """`factor`, or the largest below it at which no supply gives more than it may."""
        most = factor
        for spare_ma, idle_ua, runs in self._supplies:
            ma = ua = 0
            for at, pixels, channels, law, channel_ua in runs:
                total = fast.summed(row, at, pixels, channels, law)
                run_ua = total // 255 * channel_ua + total % 255 * channel_ua // 255
                ma += run_ua // 1000
                ua += run_ua % 1000
            if most == 255 and ma + (ua + idle_ua + 999) // 1000 <= spare_ma:
                continue  # exactly: the sum is at most 1000 x milliamps
            # Dimmed, what is idle stays, and its last part of a milliampere counts whole.
            ma += (ua + 999) // 1000
            spare = max(0, spare_ma - (1 if idle_ua else 0))
            if most * ma > 255 * spare:
                most = 255 * spare // ma
        if most < factor:
            self.dimmed += 1
        return most

    def prepare(self, row, lit=True):
        """Make the next frame ready. The last must have left: `hw.busy()` is False."""
        factor = self.bright * self._own // 255 if lit else 0
        if factor and self._supplies:
            factor = self._allowed(row, factor)
        if factor:
            fast.scale(self._out, row, self.frame_bytes, factor)
        else:
            fast.fill(self._out, self.frame_bytes, 0)
        for buffer, at, first, pixels, channels, level in self._clocked:
            fast.clocked(buffer, at, self._out, first, pixels, channels, level)

    def send(self):
        """Let the prepared frame leave."""
        self._hw.send()

    def dark(self):
        """Dark now, whatever was under way."""
        while self._hw.busy():
            pass
        self.prepare(self._out, False)
        self._hw.send()
        while self._hw.busy():
            pass


def bits_us(string, n):
    """How long n bytes are on a string's wire, microseconds, rounded up."""
    if string["clocked"]:
        bit_ns = string["bit_ns"]
    else:
        bit_ns = max(string["t0h_ns"] + string["t0l_ns"], string["t1h_ns"] + string["t1l_ns"])
    return (8 * n * bit_ns + 999) // 1000
