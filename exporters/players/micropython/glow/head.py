"""The head of a roll, read and checked piece by piece: exporters/ROLL.md sections 2 to 8 and 13.

Nothing is taken from a file before its length fits, and nothing is believed before `head_crc` has passed.
"""

from .index import check_index, check_units
from .words import TABLE, RollError, begin, crc_is, fast, u16, u24, u32

MOST_PRODUCT = 0x3FFFFFFF
MOST_UNIT_BYTES = 1 << 24


class Head:
    """What a roll says of itself, checked.

    strings: tuples (pin, clock_pin or None, pixels, channels); supplies: milliamperes; draws: tuples (first byte in a
    frame, pixels, channels, supply, law, idle_ua, channel_ua). title, controller, names: bytes of UTF-8.

    Made from the first 68 bytes, which tell how much memory to take; not to be believed before `check` has passed.
    """

    def __init__(self, file, buf):
        """`file`: open, at its start; `buf`: bytearray of at least 256, used meanwhile. Raises RollError, OSError."""
        self._file, self._buf = file, buf
        self._crc = bytearray(4)
        begin(self._crc)
        size = file.seek(0, 2)
        file.seek(0)
        got = file.readinto(buf, 68)
        if got < 4 or bytes(buf[:4]) != b"ROLL":
            raise RollError("not a roll")
        if got > 4 and buf[4] != 2:
            raise RollError(f"a roll of version {buf[4]}; this player knows 2")
        if got < 68:
            raise RollError("cut short")
        fast.crc(TABLE, self._crc, buf, 68)
        self.window_bits = self._ranged("window_bits", buf[5], 12, 13)
        self._counts = (
            self._ranged("strings", buf[6], 1, 32),
            self._ranged("supplies", buf[7], 0, 32),
            self._ranged("draws", buf[8], 0, 64),
            self._ranged("names_bytes", u16(buf, 10), 6, 65535),
        )
        self.most_frames = self._ranged("most_frames", buf[9], 1, 255)
        self.file_bytes = u32(buf, 12)
        self.frame_bytes = self._ranged("frame_bytes", u32(buf, 16), 3, 1 << 20)
        self.groups = self._ranged("groups", u16(buf, 20), 1, 65535)
        self.units = self._ranged("units", u16(buf, 22), 1, 65535)
        self.most_unit_bytes = self._ranged("most_unit_bytes", u32(buf, 24), 1, MOST_UNIT_BYTES)
        if self.most_unit_bytes != self.most_frames * self.frame_bytes:
            raise RollError(f"most_unit_bytes is {self.most_unit_bytes}, not that of most_frames")
        self.most_payload_bytes = self._ranged("most_payload_bytes", u32(buf, 28), 6, 0xFFFFFF)
        self.song_us = u32(buf, 32)
        self.song_sha256 = bytes(buf[36:68])
        if size != self.file_bytes:
            raise RollError(f"cut short or grown: {size} bytes, the head says {self.file_bytes}")
        strings, supplies, draws, names_bytes = self._counts
        self.units_at = 68 + 8 * strings + 4 * supplies + 13 * draws + names_bytes
        self.index_at = self.units_at + 14 * self.units
        self.bytes_long = self.index_at + 8 * self.groups + 8 * ((self.groups + 15) // 16) + 4
        if self.bytes_long > size:
            raise RollError(f"the head needs {self.bytes_long} bytes, the file has {size}")

    def check(self, feed=None):
        """Read and check the rest of the head, calling `feed` now and then. Raises RollError, OSError."""
        # The CRC of the whole head first, in one pass; what is read again below is checked by its sense alone.
        file, buf = self._file, self._buf
        left = self.bytes_long - 68 - 4
        while left:
            n = min(left, len(buf))
            self._take(n)
            fast.crc(TABLE, self._crc, buf, n)
            left -= n
        self._take(4)
        if not crc_is(self._crc, buf, 0):
            raise RollError("the checksum of the head does not match")
        self.crc = bytes(buf[:4])
        file.seek(68)
        self._read_tables(*self._counts)
        check_units(self, file, buf, feed)
        self.end_us = check_index(self, file, buf, feed)
        self._file = self._buf = self._crc = None

    def _ranged(self, name, value, low, high):
        if not low <= value <= high:
            raise RollError(f"{name} is {value}, it must be {low} to {high}")
        return value

    def _take(self, n):
        if self._file.readinto(self._buf, n) != n:
            raise RollError("cut short")

    def _read_tables(self, strings, supplies, draws, names_bytes):
        buf = self._buf
        self.strings = []
        firsts = []
        pins = []
        total = 0
        for _ in range(strings):
            self._take(8)
            order = bytes(buf[4:8]).rstrip(b"\0")
            if sorted(order) not in (sorted(b"rgb"), sorted(b"rgbw")):
                raise RollError("an order must hold r, g, b and perhaps w, once each")
            pixels = self._ranged("pixels", u16(buf, 2), 1, 65535)
            clock = None if buf[1] == 255 else buf[1]
            pins.append(self._ranged("pin", buf[0], 0, 254))
            if clock is not None:
                pins.append(clock)
            self.strings.append((buf[0], clock, pixels, len(order)))
            firsts.append(total)
            total += pixels * len(order)
        if len(set(pins)) != len(pins):
            raise RollError("two lines on one pin")
        if total != self.frame_bytes:
            raise RollError(f"frame_bytes is {self.frame_bytes}, the strings have {total}")
        self.supplies = []
        for _ in range(supplies):
            self._take(4)
            self.supplies.append(u32(buf, 0))
        self.draws = []
        for _ in range(draws):
            self._take(13)
            string, supply, law, first, pixels = buf[0], buf[1], buf[2], u16(buf, 3), u16(buf, 5)
            idle, channel = u24(buf, 7), u24(buf, 10)
            if string >= strings or supply >= supplies:
                raise RollError("a draw names a string or a supply that is not there")
            self._ranged("law", law, 0, 1)
            most, channels = self.strings[string][2:]
            if not pixels or first + pixels > most:
                raise RollError("a draw lies outside its string")
            if pixels * (idle + channels * channel) > MOST_PRODUCT:
                raise RollError("a draw is beyond its limit")
            self.draws.append((firsts[string] + first * channels, pixels, channels, supply, law, idle, channel))
        self._read_names(strings, supplies, names_bytes)

    def _read_names(self, strings, supplies, left):
        names = []
        for number in range(2 + 2 * strings + supplies):
            if left < 1:
                raise RollError("the names run over their end")
            self._take(1)
            n = self._buf[0]
            left -= 1 + n
            if left < 0:
                raise RollError("the names run over their end")
            if number and not n:
                raise RollError("a name is empty")
            self._take(n)
            names.append(bytes(self._buf[:n]))
            if not _is_text(names[-1]):
                raise RollError("a name is not UTF-8 without control characters")
        if left:
            raise RollError("bytes are left after the names")
        self.title, self.controller = names[:2]
        self.names = [names[2 + 2 * i] for i in range(strings)]
        fed = names[2 + 2 * strings :]
        if len(set(self.names)) != strings or len(set(fed)) != supplies:
            raise RollError("a name stands twice")


def _is_text(name):
    """Whether these bytes are UTF-8 (RFC 3629: shortest forms, no surrogates, to 10FFFF) without control characters."""
    left = least = code = 0
    for byte in name:
        if left:
            if byte & 0xC0 != 0x80:
                return False
            code = code << 6 | byte & 0x3F
            left -= 1
            if left == 0 and (code < least or 0xD800 <= code <= 0xDFFF or code > 0x10FFFF):
                return False
        elif byte < 0x80:
            if byte < 32 or byte == 127:
                return False
        elif 0xC2 <= byte <= 0xDF:
            left, least, code = 1, 0x80, byte & 0x1F
        elif byte & 0xF0 == 0xE0:
            left, least, code = 2, 0x800, byte & 0x0F
        elif 0xF0 <= byte <= 0xF4:
            left, least, code = 3, 0x10000, byte & 0x07
        else:
            return False
    return left == 0
