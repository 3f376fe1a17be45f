"""Two units in memory, the one that is shown and the one that comes next, and the frame that stands.

Follows exporters/ROLL.md, section 10: a unit that leans goes on from the last frame of the one before it.
"""

from .units import BROKEN, NONE, SENT, SOUND
from .words import fast


class Chain:
    """here, next: places of units. row: the frame that stands. want: the unit that is loaded, or for which others are.

    ready: whether the unit that was asked for is `here`. broken: the unit that was last found broken, or -1; it is dark
    and so are those that lean on it.
    """

    def __init__(self, head, loader, here, coming):
        self._loader = loader
        self._size = head.frame_bytes
        self.here, self.next = here, coming
        self.row = bytearray(self._size)
        self._base = bytearray(self._size)  # what stood before the shown unit, if it leans
        self._row_frame = NONE  # which frame of the shown unit `row` is; NONE: what stood before it
        self.want = NONE
        self.entering = False  # nothing is shown: go through the frames of the units that the wanted one leans on
        self._applying = False
        self.ready = False
        self.broken = NONE

    def go(self, unit):
        """Ask for a unit. At once `ready` if it is here or waits in the other place."""
        self.ready = not self.entering and self.here.unit == unit
        if self.ready:
            return
        if self.want != NONE:
            if self.want == unit and (self.entering or self.may_cross(unit)):
                return  # it is on its way
            self._leave()
        if self.next.unit == unit and self._cross():
            self.ready = True
        else:
            self.begin(unit, True)

    def frame(self, i):
        """Put frame i of the unit that is here into `row`. False if it is dark."""
        if not self.here.sound or i >= self.here.frames:
            return False
        self._to(i)
        return True

    def step(self):
        """One step towards the unit that is wanted."""
        if self._applying:
            self._apply()
            return
        loader = self._loader
        loader.work()
        if loader.stained != NONE:
            self._stain(loader.stained)
        if loader.state == SOUND:
            self._loaded()
        elif loader.state == BROKEN:
            self._breaks()

    def _to(self, i):
        """`row` becomes frame i of the unit that is shown."""
        here, size = self.here, self._size
        if here.how == SENT:
            if self._row_frame != i:
                self._row_frame = i
                fast.copy(self.row, 0, here.bytes, i * size, size)
            return
        if i < self._row_frame or self._row_frame == NONE:
            self._row_frame = NONE
            if here.depth:
                fast.copy(self.row, 0, self._base, 0, size)
            else:
                fast.fill(self.row, size, 0)
        if not here.how & 4 and self._row_frame < i:
            self._row_frame = i - 1  # values need no frame before them
        while self._row_frame < i:
            self._row_frame += 1
            fast.dense(self.row, here.bytes, here.st, size, here.frames, self._row_frame, here.how)

    def may_cross(self, unit):
        """Whether `unit` can follow the one that is shown without a pause: it begins from darkness, or from that."""
        return self.here.unit == unit - 1 or not self._loader.depth(unit)

    def _cross(self):
        """Go on to the unit that waits in the other place. False if what stood before it is not known."""
        here, coming = self.here, self.next
        if coming.depth and coming.sound:
            if here.unit != coming.unit - 1 or not here.sound:
                return False
            self._to(here.frames - 1)
            fast.copy(self._base, 0, self.row, 0, self._size)
        self._swap()
        return True

    def _swap(self):
        self.here, self.next = self.next, self.here
        self._row_frame = NONE

    def begin(self, unit, entering):
        """Begin to load a unit, first those that it leans on, unless they were inflated just now."""
        self.want, self.entering = unit, entering
        if entering:
            self.here.unit = NONE
        depth = self._loader.depth(unit)
        if depth > unit or not entering and self._loader.inflated == unit - 1:
            depth = 0  # a depth that cannot be is damaged, as its checksum will say
        self._load(unit - depth)

    def _load(self, unit):
        self._loader.load(unit, self.next, self.here)
        if self._loader.state == BROKEN:
            self._breaks()

    def _leave(self):
        """Give up the unit that is under way."""
        self._loader.leave()
        if self.entering:
            self.here.unit = NONE
        self.next.unit = self.next.holds = NONE
        self.want = NONE
        self.entering = self._applying = False

    def _loaded(self):
        unit = self._loader.unit
        if self.entering:
            self._swap()
            self.next.unit = NONE
            if unit == self.want:
                self._entered()
            else:
                self._applying = True
        elif unit != self.want:
            # It was loaded for the inflater's window alone: the one that is wanted quotes from what is `here`.
            self.next.holds = NONE
            self._load(unit + 1)
        else:
            self._arrived()

    def _apply(self):
        """One frame of a unit that another leans on; after its last, on to the next unit."""
        here = self.here
        self._to(self._row_frame + 1 if here.how & 4 else here.frames - 1)  # values need no frame before them
        if self._row_frame + 1 == here.frames:
            self._applying = False
            fast.copy(self._base, 0, self.row, 0, self._size)
            here.unit = NONE
            self._load(self._loader.unit + 1)

    def _breaks(self):
        """A unit is broken, and so is the one that leans on it: dark."""
        self.broken = self._loader.unit
        place = self.next
        place.unit, place.sound, place.depth = self.want, False, 0
        if self.entering:
            self._swap()
            self.next.unit = NONE
            self._entered()
        else:
            self._arrived()

    def _entered(self):
        self.want = NONE
        self.entering = False
        self.ready = True

    def _arrived(self):
        """The next unit is there. If it is waited for already, go on to it."""
        unit, self.want = self.want, NONE
        if not self.ready:
            if self._cross():
                self.ready = True
            else:
                self.begin(unit, True)

    def _stain(self, unit):
        self._loader.stained = NONE
        self.broken = unit
        for place in (self.here, self.next):
            if place.unit == unit:
                place.sound = False
