"""Reads a roll as it is played: groups and their frames, no memory taken for them.

Follows exporters/ROLL.md, section 10. Two units are in memory, the one that is shown and the one that comes next, as
they were inflated; frames are made from them one by one. The work of getting the next is cut into short steps, to be
taken between frames:

    roll = Roll("quay.roll")                RollError, OSError: must not be played
    roll.enter(0)
    while not roll.ready: roll.work()
    lit = roll.frame(0)                     the group's first frame stands in roll.row; False: the group is dark
    ...
    while roll.work(): pass                 meanwhile, a step at a time

Groups are entered in any order. Frames of a group are quick in rising order, but may be asked for in any.
"""

import gc

from .head import TABLE, Head, RollError, begin, crc_is, fast, span, u16, u32
from .units import BROKEN, NONE, PIECE, SOUND, Loader, Place


class Roll:
    """An open roll.

    head: see `Head`. row: the frame that stands, bytearray(frame_bytes). group, frames, length_us: the group that was
    entered. ready: whether its frames can be had. broken: the unit that was last found broken, or -1; its groups, and
    those whose units lean on it, are dark.
    """

    def __init__(self, path):
        """Opens and checks the file, and takes all memory. Raises RollError, OSError, MemoryError."""
        self._file = open(path, "rb")  # the inflater's
        self._other = None
        try:
            self._other = open(path, "rb")  # for checksums and the index, which are read in between
            piece = bytearray(PIECE)
            self.head = Head(self._other, piece)
            # The largest pieces first, while memory lies in one piece; the inflater comes last and finds a hole.
            gc.collect()
            try:
                room = bytearray((1 << self.head.window_bits) + 2560)
                self._here = Place(self.head.most_unit_bytes)
                self._next = Place(self.head.most_unit_bytes)
            except MemoryError:
                self.head.check()  # perhaps it lies
                raise
            self.head.check()
            self._loader = Loader(self.head, self._file, self._other, piece)
        except Exception:
            self.close()
            raise
        self.row = bytearray(self.head.frame_bytes)
        self._base = bytearray(self.head.frame_bytes)  # what stood before the shown unit, if it leans
        self._row_frame = NONE  # which frame of the shown unit `row` is; NONE: what stood before it
        self._page = bytearray(136)
        self._page_number = NONE
        self._page_crc = bytearray(4)
        self._ahead = 0  # the first group that may need another unit
        self._want = NONE  # the unit that is loaded, or for which others are
        self._entering = False  # nothing is shown: go through the frames of the units that it leans on
        self._applying = False
        self.broken = NONE
        self.group = NONE
        self.first = self.frames = self.length_us = 0
        self.ready = False
        room = None  # noqa: F841
        gc.collect()

    def close(self):
        """Close the files."""
        for file in (self._file, self._other):
            if file:
                file.close()

    # ---- groups and frames ------------------------------------------------------------------------------------

    def enter(self, group):
        """Go to a group, from wherever. At once `ready` if it follows and `work` had the time. Raises RollError."""
        at = self._entry(group)
        page = self._page
        unit = u16(page, at + 4)
        self.group, self.first, self.frames, self.length_us = group, page[at + 6], page[at + 7], span(page, at)
        self._ahead = group + 1
        self.ready = not self._entering and self._here.unit == unit
        if self.ready:
            return
        if self._want != NONE:
            if self._want == unit and (self._entering or self._may_cross(unit)):
                return  # it is on its way
            self._leave()
        if self._next.unit == unit and self._cross():
            self.ready = True
        else:
            self._begin(unit, True)

    def find(self, us):
        """The group that stands at a time of the song: the first one before the show, None from its end on."""
        if us >= self.head.end_us:
            return None
        low, high = 0, self.head.groups
        while high - low > 1:
            middle = (low + high) // 2
            if self.start_us(middle) <= us:
                low = middle
            else:
                high = middle
        return low

    def start_us(self, group):
        """When a group starts, microseconds of the song. Takes memory where that is beyond 2^30."""
        return u32(self._page, self._entry(group))

    def due_us(self, i):
        """When frame i latches, microseconds after the group's start; due_us(frames) is its end."""
        return i * self.length_us // self.frames

    def frame_at(self, us):
        """The frame that stands `us` after the group's start; `us` lies within the group."""
        return ((us + 1) * self.frames - 1) // self.length_us

    def frame(self, i):
        """Put frame i of the group into `row`. False if the group is dark. To be asked for once `ready`."""
        i += self.first
        if not self._here.sound or i >= self._here.frames:
            return False
        self._to(i)
        return True

    def _to(self, i):
        """`row` becomes frame i of the unit that is shown."""
        here, size = self._here, self.head.frame_bytes
        if i < self._row_frame or self._row_frame == NONE:
            self._row_frame = NONE
            if here.depth:
                fast.copy(self.row, 0, self._base, size)
            else:
                fast.fill(self.row, size, 0)
            here.st[0], here.st[1] = 6, here.first_value
        if here.how & 24 == 24:
            while self._row_frame < i:
                self._row_frame += 1
                fast.marks(self.row, here.bytes, here.st, size, here.how)
            return
        if not here.how & 4 and self._row_frame < i:
            self._row_frame = i - 1  # values need no frame before them
        while self._row_frame < i:
            self._row_frame += 1
            fast.dense(self.row, here.bytes, here.st, size, here.frames, self._row_frame, here.how)

    def _entry(self, group):
        """Where in `_page` the entry of a group lies. Raises RollError for a page that does not check."""
        number = group >> 4
        if number != self._page_number:
            self._page_number = NONE
            n = 8 * min(16, self.head.groups - (number << 4)) + 8
            self._other.seek(self.head.index_at + 136 * number)
            got = self._other.readinto(self._page, n)
            begin(self._page_crc)
            fast.crc(TABLE, self._page_crc, self._page, n - 4)
            if got != n or not crc_is(self._page_crc, self._page, n - 4):
                raise RollError(f"page {number} of the index does not match its checksum")
            self._page_number = number
        return (group & 15) << 3

    # ---- the unit that comes next -----------------------------------------------------------------------------

    def work(self):
        """One step towards the unit that comes next. False when there is nothing to do. Raises RollError, OSError."""
        if self._want == NONE:
            return self._look_ahead()
        if self._applying:
            self._apply()
            return True
        loader = self._loader
        loader.work()
        if loader.stained != NONE:
            self._stain(loader.stained)
        if loader.state == SOUND:
            self._loaded()
        elif loader.state == BROKEN:
            self._breaks()
        return True

    def _look_ahead(self):
        if not self.ready or self._ahead >= self.head.groups:
            return False
        unit = u16(self._page, self._entry(self._ahead) + 4)
        if unit == self._here.unit:
            self._ahead += 1
            return True
        if unit == self._next.unit or not self._may_cross(unit):
            return False
        self._begin(unit, False)
        return True

    def _may_cross(self, unit):
        """Whether `unit` can follow the one that is shown without a pause: it begins from darkness, or from that."""
        return self._here.unit == unit - 1 or not self._loader.depth(unit)

    def _cross(self):
        """Go on to the unit that waits in the other place. False if what stood before it is not known."""
        here, coming = self._here, self._next
        if coming.depth and coming.sound:
            if here.unit != coming.unit - 1 or not here.sound:
                return False
            self._to(here.frames - 1)
            fast.copy(self._base, 0, self.row, self.head.frame_bytes)
        self._swap()
        return True

    def _swap(self):
        self._here, self._next = self._next, self._here
        self._row_frame = NONE

    def _begin(self, unit, entering):
        """Begin to load a unit, first those that it leans on, unless they were inflated just now."""
        self._want, self._entering = unit, entering
        if entering:
            self._here.unit = NONE
        depth = self._loader.depth(unit)
        if depth > unit or not entering and self._loader.inflated == unit - 1:
            depth = 0  # a depth that cannot be is damaged, as its checksum will say
        self._load(unit - depth)

    def _load(self, unit):
        self._loader.load(unit, self._next)
        if self._loader.state == BROKEN:
            self._breaks()

    def _leave(self):
        """Give up the unit that is under way."""
        self._loader.leave()
        if self._entering:
            self._here.unit = NONE
        self._next.unit = NONE
        self._want = NONE
        self._entering = self._applying = False

    def _loaded(self):
        unit = self._loader.unit
        if self._entering:
            self._swap()
            self._next.unit = NONE
            if unit == self._want:
                self._entered()
            else:
                self._applying = True
        elif unit != self._want:
            self._load(unit + 1)
        else:
            self._arrived()

    def _apply(self):
        """One frame of a unit that another leans on; after its last, on to the next unit."""
        here = self._here
        self._to(self._row_frame + 1)
        if self._row_frame + 1 == here.frames:
            self._applying = False
            fast.copy(self._base, 0, self.row, self.head.frame_bytes)
            here.unit = NONE
            self._load(self._loader.unit + 1)

    def _breaks(self):
        """A unit is broken, and so is the one that leans on it: dark."""
        self.broken = self._loader.unit
        place = self._next
        place.unit, place.sound, place.depth = self._want, False, 0
        if self._entering:
            self._swap()
            self._next.unit = NONE
            self._entered()
        else:
            self._arrived()

    def _entered(self):
        self._want = NONE
        self._entering = False
        self.ready = True

    def _arrived(self):
        """The next unit is there. If it is waited for already, go on to it."""
        unit, self._want = self._want, NONE
        if not self.ready:
            if self._cross():
                self.ready = True
            else:
                self._begin(unit, True)

    def _stain(self, unit):
        self._loader.stained = NONE
        self.broken = unit
        for place in (self._here, self._next):
            if place.unit == unit:
                place.sound = False
