"""Lines of text in, lines out, without taking memory. exporters/LINK.md, section 1."""

MOST_LINE = 240
MOST_WORDS = 8


class Line:
    """Gathers the bytes of a line, and reads its words. `good` tells whether the last number asked for was one."""

    def __init__(self):
        self.bytes = bytearray(MOST_LINE + 24)  # two more words before a line of a packet
        self.n = 0
        self.words = 0
        self.good = True
        self._at = bytearray(MOST_WORDS)
        self._end = bytearray(MOST_WORDS)
        self._full = False
        self.long = False

    def feed(self, byte):
        """One more byte: True when the line is whole. Then `long` tells whether it was too long to be kept."""
        if self._full:
            self._full = False
            self.n = 0
            self.long = False
        if byte == 10:
            if self.n and self.bytes[self.n - 1] == 13 and not self.long:
                self.n -= 1
            self._full = self.n > 0 or self.long
            self.split(0)
            return self._full
        if self.n >= MOST_LINE - 1:
            self.long = True
        else:
            self.bytes[self.n] = byte
            self.n += 1
        return False

    def split(self, first):
        """Find the words from byte `first` on. The last word may hold spaces: `rest` gives it whole."""
        self.words = 0
        at = first
        while at < self.n and self.words < MOST_WORDS:
            end = at
            while end < self.n and self.bytes[end] != 32:
                end += 1
            self._at[self.words] = at
            self._end[self.words] = end
            self.words += 1
            at = end + 1

    def begins(self, word):
        """Whether the first word is `word`."""
        at = self._at[0]
        if not self.words or self._end[0] - at != len(word):
            return False
        for i in range(len(word)):
            if self.bytes[at + i] != word[i]:
                return False
        return True

    def rest(self, k):
        """From word k to the end, as bytes: takes memory."""
        return bytes(self.bytes[self._at[k] : self.n]) if k < self.words else b""

    def where(self, k):
        """The byte with which word k begins."""
        return self._at[k]

    def number(self, k, most):
        """Word k as a whole number up to `most`, or 0 and not `good`."""
        self.good = k < self.words and self._at[k] < self._end[k]
        value = 0
        at = self._at[k]
        while self.good and at < self._end[k]:
            digit = self.bytes[at] - 48
            value = value * 10 + digit
            self.good = 0 <= digit <= 9 and value <= most
            at += 1
        return value if self.good else 0

    def thousandths(self, k):
        """Word k, a decimal number, in thousandths (further digits are ignored), or 0 and not `good`."""
        self.good = k < self.words
        if not self.good:
            return 0
        at, end = self._at[k], self._end[k]
        minus = at < end and self.bytes[at] == 45
        if minus:
            at += 1
        value, places, digits = 0, -1, 0
        while at < end and self.good:
            byte = self.bytes[at]
            if byte == 46 and places < 0:
                places = 0
            elif 48 <= byte <= 57:
                digits += 1
                if places < 3:
                    value = value * 10 + byte - 48
                    places += places >= 0
                self.good = value <= 4_294_967
            else:
                self.good = False
            at += 1
        while places < 3 and self.good:
            value *= 10
            places = max(places, 0) + 1
        self.good = self.good and digits > 0 and value <= 4_294_967
        return (-value if minus else value) if self.good else 0

    def hex32(self, k, into):
        """Word k, eight small hexadecimal digits, as 4 bytes, least significant first, for a checksum."""
        self.good = k < self.words and self._end[k] - self._at[k] == 8
        for i in range(8 if self.good else 0):
            byte = self.bytes[self._at[k] + i]
            digit = byte - 48 if 48 <= byte <= 57 else byte - 87 if 97 <= byte <= 102 else -1
            if digit < 0:
                self.good = False
                return
            place = 3 - (i >> 1)
            into[place] = digit if not i & 1 else into[place] << 4 | digit


class Answer:
    """A line that is put together in place. bytes[:n]"""

    def __init__(self):
        self.bytes = bytearray(480)
        self.n = 0

    def text(self, text):
        """Bytes as they are."""
        for i in range(min(len(text), 479 - self.n)):
            self.bytes[self.n] = text[i]
            self.n += 1

    def number(self, value, digits=1):
        """A whole number, at least so many digits."""
        if value < 0:
            self.text(b"-")
            value = -value
        size = 1
        while size < digits or size < len(POWERS) and value >= POWERS[size]:
            size += 1
        while size:
            size -= 1
            self.bytes[self.n] = 48 + value // POWERS[size] % 10
            self.n += 1

    def seconds(self, ms):
        """Milliseconds as seconds with three digits after the point."""
        if ms < 0:
            self.text(b"-")
            ms = -ms
        self.number(ms // 1000)
        self.text(b".")
        self.number(ms % 1000, 3)


POWERS = (1, 10, 100, 1000, 10_000, 100_000, 1_000_000, 10_000_000, 100_000_000, 1_000_000_000)
