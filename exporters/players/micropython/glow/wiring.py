"""The wiring test: what is connected where. Each string in turn red, green, blue (and white), then one pixel along it.

Never more than one string is lit, and dimly: it must be gentle to a supply that nobody has sized yet.
"""

COLOUR_MS = 1000
PIXEL_MS = 60
LEVEL = 40  # of 255


class Wiring:
    """`step` fills `row`, the bytes of a frame, as time passes. string: the one that is lit; word: what it shows."""

    def __init__(self, strings, row):
        self._strings, self._row = strings, row
        self.string = -1
        self.word = ""
        self._first = 0
        self._part = 0
        self._since_ms = 0
        self._length_ms = 0

    def step(self, ms):
        """True if the frame has changed. ms: a running count of milliseconds."""
        if self.string >= 0 and ms - self._since_ms < self._length_ms:
            return False
        self._since_ms = ms
        here = self._strings[self.string] if self.string >= 0 else None
        if here is None or self._part >= len(here["order"]) + here["pixels"]:
            self._first = 0 if here is None else self._first + here["pixels"] * here["channels"]
            self.string = (self.string + 1) % len(self._strings)
            if self.string == 0:
                self._first = 0
            here = self._strings[self.string]
            self._part = 0
        for i in range(len(self._row)):
            self._row[i] = 0
        channels = here["channels"]
        if self._part < channels:
            letter = "rgbw"[self._part]
            self.word = {"r": "red", "g": "green", "b": "blue", "w": "white"}[letter]
            at = self._first + here["order"].index(letter)
            for pixel in range(here["pixels"]):
                self._row[at + pixel * channels] = LEVEL
            self._length_ms = COLOUR_MS
        else:
            pixel = self._part - channels
            self.word = f"pixel {pixel}"
            for i in range(channels):
                self._row[self._first + pixel * channels + i] = LEVEL
            self._length_ms = PIXEL_MS
        self._part += 1
        return True
