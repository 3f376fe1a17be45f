"""Gets one unit of a roll into memory, in short steps: checks its payload, then inflates it.

Follows exporters/ROLL.md, sections 7, 9 and 10. One inflater serves the whole show; it is never given a payload whose
checksum has not passed. It reads from a file of its own, byte by byte, so that it stops where the payload does.
"""

from array import array

import deflate

from .words import TABLE, begin, crc_is, fast, u24, u32

PIECE = 512  # bytes read or inflated in one step
MADE = 1024  # bytes made of quotes in one step
PIECES = 8  # that often quotes are inflated in one step: it may be a few bytes each time
NONE = -1
SENT = 16  # how: rows of values, step 1, which are the frames as they are sent
QUOTES = 24

NOTHING, CHECK, INFLATE, SOUND, BROKEN = 0, 1, 2, 3, 4  # what a step does next; how the last unit came out


class Place:
    """Room for one unit, as it was inflated; quotes as frames, with SENT for their how.

    unit: which; sound: whether its frames may be shown. holds: the unit whose frames lie here as they are sent, for
    what leans on it to quote, whether it is shown or not; or NONE.
    """

    def __init__(self, room):
        self.bytes = room
        self.st = array("i", bytes(32))  # see plain.py
        self.unit = self.holds = NONE
        self.sound = False
        self.frames = self.depth = self.how = self.total = 0


class Loader:
    """Loads one unit at a time. state: CHECK, INFLATE: `work` has more to do; SOUND or BROKEN: it is done.

    unit: the one that is, or was, loaded. inflated: the unit whose bytes the inflater gave last, all of them.
    """

    def __init__(self, head, file, other, piece):
        self._head, self._file, self._other, self._piece = head, file, other, piece
        self._record = bytearray(14)
        self._one = bytearray(1)
        self._crc = bytearray(4)
        self._at = self._left = self._end = self._got = 0
        self._last = False  # whether the payload's last byte has come
        self._place = self._before = None
        self.state = NOTHING
        self.unit = NONE
        self.stained = NONE  # a unit that has turned out broken after it was loaded: its payload held a final block
        self.new_inflater()

    def new_inflater(self):
        """The only one of the show, unless a payload is broken under a sound checksum."""
        self._inflater = None
        self.inflated = NONE
        self._inflater = deflate.DeflateIO(self._file, deflate.RAW, self._head.window_bits)

    def depth(self, unit):
        """How many units this one leans on. Raises OSError."""
        self._other.seek(self._head.units_at + 14 * unit + 8)
        if self._other.readinto(self._one, 1) != 1:
            raise OSError(5)
        return self._one[0]

    def load(self, unit, place, before):
        """Begin to load a unit. Those it leans on must have been loaded just before. Raises OSError.

        before: the other place, where the frames may lie that it quotes.
        """
        self._place, self._before, self.unit = place, before, unit
        record, head = self._record, self._head
        place.unit = place.holds = NONE
        place.sound = False
        self._other.seek(head.units_at + 14 * unit)
        if self._other.readinto(record, 14) != 14:
            raise OSError(5)
        place.frames, place.depth, place.how = record[7], record[8], record[9]
        place.total = place.frames * head.frame_bytes
        self._left = u24(record, 4)
        self._end = u32(record, 0) + self._left
        fits = place.total <= head.most_unit_bytes
        inside = 6 <= self._left <= head.most_payload_bytes and self._end <= head.file_bytes
        leans = not place.depth or self.inflated == unit - 1
        begin(self._crc)
        self.state = CHECK if fits and inside and leans else BROKEN

    def leave(self):
        """Stop, but not in the middle of the inflater."""
        while self.state == INFLATE:
            self.work()
        self.state = NOTHING

    def work(self):
        """One step: a piece of the checksum, or of the inflating."""
        try:
            if self.state == CHECK:
                self._check()
            elif self.state == INFLATE:
                if self._place.how >= QUOTES:
                    self._quote()
                else:
                    self._inflate()
        except (OSError, EOFError):
            self._fail()

    def _fail(self):
        if self.state == INFLATE:
            self.new_inflater()
        self.state = BROKEN

    def _check(self):
        """A piece of the payload into the checksum; at its end the record, and the payload's last block."""
        piece, n = self._piece, min(self._left, PIECE)
        self._other.seek(self._end - self._left)
        if self._other.readinto(piece, n) != n:
            self._fail()
            return
        fast.crc(TABLE, self._crc, piece, n)
        self._left -= n
        if self._left:
            return
        fast.crc(TABLE, self._crc, self._record, 10)
        self._other.seek(self._end - 5)
        got = self._other.readinto(piece, 4)
        ends = got == 4 and piece[0] == 1 and piece[1] == 0 and piece[2] == 254 and piece[3] == 255
        if not ends or not crc_is(self._crc, self._record, 10):
            self._fail()
            return
        self._at = self._got = 0
        self._last = False
        self._file.seek(self._end - u24(self._record, 4))
        self._begin()
        self.state = INFLATE

    def _begin(self):
        """The numbers that the hot loops want: see plain.py."""
        place, size = self._place, self._head.frame_bytes
        st, step = place.st, (place.how & 3) + 1
        if place.how >= QUOTES:
            for k in range(6):
                st[k] = 0
            st[1], st[6] = size, place.total
            # ROLL.md, section 9: what lies before the first frame, if the unit before is of a kind that is quoted.
            st[7] = self._before.total if place.depth and self._before.holds == self.unit - 1 else 0
        else:
            for k in range(4):
                st[4 + k] = (size - k + step - 1) // step if k < step else 0

    def _read(self, least, most):
        """Inflate a piece, at most `most` bytes; how many. At least `least` are still to come: the last comes alone.

        0 if there was none, or if the payload ends too early or too late.
        """
        n = min(least - 1, most) or 1
        got = self._inflater.readinto(self._piece, n)
        if not got:
            self._ended()
            return 0
        self._at += got
        # The last byte comes alone, and with the five bytes of its own block: not one of them was needed before it.
        at = self._file.tell()
        self._last = at == self._end
        if at > self._end - 5 and not self._last:
            self._fail()
            return 0
        return got

    def _inflate(self):
        place = self._place
        got = self._read(place.total - self._at, PIECE)
        if not got:
            return
        fast.copy(place.bytes, self._at - got, self._piece, 0, got)
        if self._at == place.total or self._last:
            self._finish(self._at == place.total and self._last)

    def _quote(self):
        """Some pieces of quotes. They tell only while they are made how many bytes are still to come."""
        place = self._place
        st, piece = place.st, self._piece
        stop, left = st[0] + MADE, PIECE
        for _ in range(PIECES):
            least = fast.quotes(place.bytes, st[0], stop, st, piece, self._got, self._before.bytes, place.how)
            if least == fast.GO_ON:
                return
            if least < 0 or self._last:
                self._finish(least == fast.FULL and self._last)
                return
            if not left:
                return
            st[5] = 0
            self._got = self._read(least, left)
            if not self._got:
                return
            left -= self._got
            if self._at > place.total:
                self._fail()
                return

    def _finish(self, whole):
        """The payload has ended, or the unit is full: `whole` if both have."""
        if not whole:
            self._fail()
            return
        place = self._place
        self.inflated = place.unit = self.unit
        place.sound = True
        if place.how >= QUOTES:
            place.how = SENT
        if place.how == SENT:
            place.holds = self.unit
        self.state = SOUND

    def _ended(self):
        """The inflater gives no more: there was a final block, in this payload or at the end of the one before."""
        if self._at or self.inflated == NONE:
            self._fail()
            return
        # No reader sees that a payload's last block is the final one before it reads on: that unit is broken as well.
        self.stained = self.inflated
        place = self._place
        self.new_inflater()
        if place.depth:
            self.state = BROKEN
        else:
            self.load(self.unit, place, self._before)
