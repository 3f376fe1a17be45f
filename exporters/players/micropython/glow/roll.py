"""Reads a roll as it is played: groups and their frames, no memory taken for them.

Follows exporters/ROLL.md, section 10. Two units are in memory, the one that is shown and the one that comes next, as
they were inflated, or as frames if they were quotes; what is shown is made from them frame by frame. The work of
getting the next is cut into short steps, to be taken between frames:

    roll = Roll("quay.roll")                RollError, OSError: must not be played
    roll.enter(0)
    while not roll.ready: roll.work()
    lit = roll.frame(0)                     the group's first frame stands in roll.row; False: the group is dark
    ...
    while roll.work(): pass                 meanwhile, a step at a time

Groups are entered in any order. Frames of a group are quick in rising order, but may be asked for in any.
"""

import gc

from .chain import Chain
from .head import Head
from .units import NONE, PIECE, Loader, Place
from .words import TABLE, RollError, begin, crc_is, fast, span, u16, u32


class Roll:
    """An open roll.

    head: see `Head`. row: the frame that stands, bytearray(frame_bytes). group, frames, length_us: the group that was
    entered.
    """

    def __init__(self, path, feed=None, places=None):
        """Opens and checks the file, and takes all memory. Raises RollError, OSError, MemoryError.

        feed: called now and then meanwhile. places: of a roll that was closed, used again if they are large enough.
        """
        self._file = open(path, "rb")  # the inflater's
        self._other = None
        try:
            self._other = open(path, "rb")  # for checksums and the index, which are read in between
            piece = bytearray(PIECE)
            self.head = Head(self._other, piece)
            # The largest pieces first, while memory lies in one piece; the inflater comes last and finds a hole.
            gc.collect()
            room = None
            most = self.head.most_unit_bytes
            if places and len(places[0].bytes) >= most:
                here, coming = places
                here.unit = here.holds = coming.unit = coming.holds = NONE
            else:
                places = None
                try:
                    room = bytearray((1 << self.head.window_bits) + 2560)
                    here, coming = Place(bytearray(most)), Place(bytearray(most))
                except MemoryError:
                    self.head.check(feed)  # perhaps it lies
                    raise
            self.head.check(feed)
            self._loader = Loader(self.head, self._file, self._other, piece)
            self._chain = Chain(self.head, self._loader, here, coming)
        except Exception:
            self.close()
            raise
        self.row = self._chain.row
        self._page = bytearray(136)
        self._page_number = NONE
        self._page_crc = bytearray(4)
        self._ahead = 0  # the first group that may need another unit
        self.group = NONE
        self.first = self.frames = self.length_us = 0
        del room
        gc.collect()

    @property
    def ready(self):
        """Whether the frames of the group that was entered can be had."""
        return self._chain.ready

    @property
    def broken(self):
        """The unit that was last found broken, or -1; its groups, and those whose units lean on it, are dark."""
        return self._chain.broken

    def places(self):
        """The memory of its units, for another roll once this one is closed."""
        return self._chain.here, self._chain.next

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
        self.group, self._ahead = group, group + 1
        self.first, self.frames = page[at + 6], page[at + 7]
        self.length_us = span(page, at)
        self._chain.go(unit)

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
        return self._chain.frame(i + self.first)

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
        chain = self._chain
        if chain.want != NONE:
            chain.step()
            return True
        if not chain.ready or self._ahead >= self.head.groups:
            return False
        unit = u16(self._page, self._entry(self._ahead) + 4)
        if unit == chain.here.unit:
            self._ahead += 1
            return True
        if unit == chain.next.unit or not chain.may_cross(unit):
            return False
        chain.begin(unit, False)
        return True
