"""Gets one unit of a roll into memory, in short steps: checks its payload, then inflates it.

Follows exporters/ROLL.md, sections 7, 9 and 10. One inflater serves the whole show; it is never given a payload whose
checksum has not passed. It reads from a file of its own, byte by byte, so that it stops where the payload does.
"""

from array import array

import deflate

from .words import TABLE, begin, crc_is, fast, u24, u32

PIECE = 512  # bytes read or inflated in one step
PAIRS = 256  # marks checked in one step
NONE = -1

NOTHING, CHECK, INFLATE, MARKS, SOUND, BROKEN = 0, 1, 2, 3, 4, 5  # what a step does next; how the last unit came out


class Place:
    """Room for one unit, as it was inflated. unit: which; sound: whether its frames may be shown."""

    def __init__(self, room):
        self.bytes = room
        self.st = array("i", bytes(32))  # see plain.py
        self.unit = NONE
        self.sound = False
        self.frames = self.depth = self.how = self.total = self.first_value = 0


class Loader:
    """Loads one unit at a time. state: CHECK, INFLATE, MARKS: `work` has more to do; SOUND or BROKEN: it is done.

    unit: the one that is, or was, loaded. inflated: the unit whose bytes the inflater gave last, all of them.
    """

    def __init__(self, head, file, other, piece):
        self._head, self._file, self._other, self._piece = head, file, other, piece
        self._record = bytearray(14)
        self._one = bytearray(1)
        self._crc = bytearray(4)
        self._at = self._left = self._end = 0
        self._place = None
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

    def load(self, unit, place):
        """Begin to load a unit. Those it leans on must have been loaded just before. Raises OSError."""
        self._place, self.unit = place, unit
        record, head = self._record, self._head
        self._other.seek(head.units_at + 14 * unit)
        if self._other.readinto(record, 14) != 14:
            raise OSError(5)
        place.unit = NONE
        place.sound = False
        place.frames, place.depth, place.how = record[7], record[8], record[9]
        place.total = place.frames * head.frame_bytes
        self._left = u24(record, 4)
        self._end = u32(record, 0) + self._left
        room = head.most_unit_bytes
        fits = place.total <= room if place.how & 24 != 24 else min(place.total, room) >= 6
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
        """One step: a piece of the checksum, of the inflating or of the marks."""
        try:
            if self.state == CHECK:
                self._check()
            elif self.state == INFLATE:
                self._inflate()
            elif self.state == MARKS:
                self._check_marks()
        except (OSError, EOFError):
            self._fail()

    def _fail(self):
        if self.state == INFLATE:
            self.new_inflater()
        elif self.state == MARKS:
            self.inflated = NONE
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
        self._at = 0
        self._file.seek(self._end - u24(self._record, 4))
        if self._place.how & 24 == 24:
            self._place.total = 7  # their lengths come first, 6 bytes, and something after them
        self.state = INFLATE

    def _inflate(self):
        place = self._place
        sparse = place.how & 24 == 24
        got = self._inflater.readinto(self._piece, min(place.total - self._at - 1, PIECE) or 1)
        if not got:
            self._ended()
            return
        fast.copy(place.bytes, self._at, self._piece, got)
        self._at += got
        if sparse and self._at == 6:
            self._marks_head()
        left = place.total - self._at
        if left > 1 or self.state != INFLATE:
            return
        # The last byte comes alone, and with the five bytes of its own block: not one of them was needed before it.
        at = self._file.tell()
        if at > self._end - 5 if left else at != self._end:
            self._fail()
        if left or self.state != INFLATE:
            return
        self.inflated = self.unit
        size, step = self._head.frame_bytes, (place.how & 3) + 1
        for k in range(4):
            place.st[4 + k] = (size - k + step - 1) // step if k < step else 0
        if sparse:
            place.st[0], place.st[1] = 6, place.first_value
            place.st[2] = place.st[3] = 0
            self.state = MARKS
        else:
            self._done()

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
            self.load(self.unit, place)

    def _marks_head(self):
        place = self._place
        marks, values = u24(place.bytes, 0), u24(place.bytes, 3)
        place.first_value = 6 + marks
        place.total = 6 + marks + values
        most = min(self._head.most_unit_bytes, place.frames * self._head.frame_bytes)
        if marks & 1 or not marks or place.total > most:
            self._fail()

    def _check_marks(self):
        place = self._place
        size, step = self._head.frame_bytes, (place.how & 3) + 1
        cells = (size + step - 1) // step
        answer = fast.check_marks(
            place.bytes, place.st, place.total, place.first_value, place.frames, size, step, cells, PAIRS
        )
        if answer == 1:
            self._done()
        elif answer:
            self._fail()

    def _done(self):
        self._place.unit = self.unit
        self._place.sound = True
        self.state = SOUND
