"""Follows every pixel through its transitions, and counts those of each second by zone."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from .light import Eye, Frames, Largest, Times

LIMIT = 3  # flashes in a second, WCAG 2.3.1
# Frame times are rounded down to a microsecond each, so two stamps one second apart may measure 2 us less.
SECOND_US = 1_000_000 - 2
SWING = 0.1
DARKER = 0.8
SATURATED = 0.8
RED_SWING = 20 / 320
RED_APART = 0.2

_MEASURES = 4  # general by WCAG's weights, general by the chip's, red older, red newer
_MOST = 64  # flashes a second that are told apart


class Counter:
    """Follows every pixel through its transitions and counts those of the last second."""

    def __init__(self, eye: Eye, zones: tuple[npt.NDArray[np.int64], ...], largest: Largest) -> None:
        self.eye, self.zones, self.largest = eye, zones, largest
        pixels, count = len(eye.at), len(zones[2])
        self.state = np.zeros(pixels, _STATE)
        self.counts = np.zeros((pixels, _MEASURES, 2), np.int16)
        self.reached = np.zeros((count, _MEASURES, _MOST + 1), np.int64)
        self.worst = np.zeros((count, _MEASURES), np.int64)
        self.worst_at = np.zeros((count, _MEASURES), np.int64)
        self.moments = np.zeros((_MEASURES, 2), np.int64)
        self.together = np.zeros((_MEASURES, 2), np.int64)
        self.events = np.zeros((0, pixels), np.uint8)
        self.times = np.zeros(0, np.int64)
        self.over: list[list[list[int]]] = [[] for _ in range(count)]
        self.zero_us: int | None = None
        self.last: Frames = np.zeros(0, np.uint8)

    def copy(self) -> Counter:
        """A counter that goes on from here by itself."""
        other = Counter(self.eye, self.zones, self.largest)
        for name in ("state", "counts", "reached", "worst", "worst_at", "moments", "together", "events", "times"):
            setattr(other, name, getattr(self, name).copy())
        other.over = [[span.copy() for span in spans] for spans in self.over]
        other.zero_us, other.last = self.zero_us, self.last
        return other

    def add(self, times: Times, frames: Frames) -> None:
        """Go on with these frames."""
        fresh = self.zero_us is None
        if self.zero_us is None:
            self.zero_us = int(times[0])
        padded = self.eye.padded(frames)
        old = len(self.times)
        events = np.concatenate([self.events, np.zeros((len(frames), self.events.shape[1]), np.uint8)])
        all_times = np.concatenate([self.times, times])
        over = np.zeros((len(frames), len(self.zones[2])), np.bool_)
        largest = np.array([self.largest.wcag, self.largest.chip, self.largest.channel])
        last = padded[0] if fresh else self.last
        _watch(padded, last, fresh, self.eye.at, self.eye.shares, largest, self.state, events[old:])
        starts, zones, least = self.zones
        left = _count(
            all_times, events, old, starts, zones, least, self.counts, self.reached, self.worst, self.worst_at,
            self.moments, self.together, over,
        )  # fmt: skip
        self.last = padded[-1]
        self.events, self.times = events[left:].copy(), all_times[left:]
        for zone in np.flatnonzero(over.any(axis=0)):
            for time in times[over[:, zone]]:
                spans = self.over[zone]
                if spans and time - SECOND_US <= spans[-1][1]:
                    spans[-1][1] = int(time)
                else:
                    spans.append([int(time) - SECOND_US, int(time)])

    def spot(self, zone: int, length_s: float) -> dict[str, Any]:
        """The findings for one zone; times within the show, seconds."""
        zero = self.zero_us or 0
        worst, at = self.worst[zone], (self.worst_at[zone] - zero) / 1e6 % length_s + zero / 1e6
        general, red = (max(pair, key=lambda m: (worst[m], -at[m])) for pair in ((0, 1), (2, 3)))
        spans = [[max(zero, a) / 1e6, min(b / 1e6, zero / 1e6 + length_s)] for a, b in self.over[zone]]
        return {
            "worst_per_s": int(worst[general]),
            "at_s": float(at[general]) if worst[general] else 0.0,
            "red_worst_per_s": int(worst[red]),
            "red_at_s": float(at[red]) if worst[red] else 0.0,
            "ok": bool(worst.max() <= LIMIT),
            "over_s": spans,
        }


# ---- kernels -----------------------------------------------------------------------------------------------------

# A pixel's state. For each of three running values (luminance twice, redness): the extreme since the last transition,
# the lowest value while no transition has been seen, the direction (+1 rising, -1 falling, 0 none yet), whether the
# transition was counted, and the direction counted last. For the newer red: in red (1), out of it (2), and where.
_STATE = np.dtype(
    [
        ("extreme", np.float64, 3),
        ("lowest", np.float64, 3),
        ("direction", np.int8, 3),
        ("counted", np.int8, 3),
        ("counted_last", np.int8),
        ("extreme_red", np.int8),
        ("lowest_red", np.int8),
        ("place", np.int8),
        ("red_u", np.float64),
        ("red_v", np.float64),
        ("other_u", np.float64),
        ("other_v", np.float64),
    ]
)


@njit(cache=True, nogil=True)
def _watch(frames: Any, last: Any, fresh: bool, at: Any, shares: Any, largest: Any, state: Any, events: Any) -> None:
    """Find transitions: bit 2m of events (n, pixels) is a rise of measure m, bit 2m + 1 a fall.

    frames uint8 (n, bytes + 1); last (bytes + 1,) is the frame before them, or their first when `fresh`.
    """
    if largest[2] <= 0:
        return
    for i in range(frames.shape[0]):
        row = frames[i]
        prior = frames[i - 1] if i else last
        first = fresh and i == 0
        for p in range(at.shape[0]):
            a, b, c, d = at[p, 0], at[p, 1], at[p, 2], at[p, 3]
            if not first and row[a] == prior[a] and row[b] == prior[b] and row[c] == prior[c] and row[d] == prior[d]:
                continue
            white = float(row[d])
            red, green, blue = row[a] + white, row[b] + white, row[c] + white
            wcag = (0.2126 * red + 0.7152 * green + 0.0722 * blue) / largest[0]
            chip = (shares[p, 0] * red + shares[p, 1] * green + shares[p, 2] * blue) / largest[1]
            red, green, blue = red / largest[2], green / largest[2], blue / largest[2]
            redness = max(0.0, red - green - blue)
            is_red = red > 0 and red >= (SATURATED - 1e-9) * (red + green + blue)
            s = state[p]
            if first:
                s.extreme[0], s.extreme[1], s.extreme[2] = wcag, chip, redness
                s.lowest[0], s.lowest[1], s.lowest[2] = wcag, chip, redness
                s.extreme_red, s.lowest_red = is_red, is_red
            found = _general(s, 0, wcag) | _general(s, 1, chip) << 2 | _older_red(s, redness, is_red) << 4
            events[i, p] = found | _newer_red(s, red, green, blue, is_red) << 6


@njit(cache=True, nogil=True)
def _general(s: Any, m: int, value: float) -> int:
    """A luminance moves on: 1 a rise counts now, 2 a fall, 0 neither.

    A fall counts once it has reached below 80 %: the darker of its two states is the later one.
    """
    swing = SWING - 1e-9
    if s.direction[m] >= 0 and s.extreme[m] - value >= swing:
        s.direction[m], s.extreme[m], s.counted[m] = -1, value, 0
    elif s.direction[m] == 0 and value - s.lowest[m] >= swing:
        s.direction[m], s.extreme[m] = 1, value
        return 1 if s.lowest[m] < DARKER - 1e-9 else 0
    elif s.direction[m] < 0 and value - s.extreme[m] >= swing:
        darker = s.extreme[m]
        s.direction[m], s.extreme[m] = 1, value
        return 1 if darker < DARKER - 1e-9 else 0
    elif s.direction[m] < 0:
        s.extreme[m] = min(s.extreme[m], value)
    else:
        s.extreme[m] = max(s.extreme[m], value)
        s.lowest[m] = min(s.lowest[m], value)
    if s.direction[m] < 0 and s.counted[m] == 0 and value < DARKER - 1e-9:
        s.counted[m] = 1
        return 2
    return 0


@njit(cache=True, nogil=True)
def _older_red(s: Any, value: float, is_red: bool) -> int:
    """Redness (R-G-B) moves on: 1 a rise counts now, 2 a fall, 0 neither.

    A transition counts once one of its two states is a saturated red, and only against an opposing one.
    """
    turned = 0
    if s.direction[2] >= 0 and s.extreme[2] - value > RED_SWING:
        turned = -1
        from_red = s.extreme_red
    elif s.direction[2] == 0 and value - s.lowest[2] > RED_SWING:
        turned = 1
        from_red = s.lowest_red
    elif s.direction[2] < 0 and value - s.extreme[2] > RED_SWING:
        turned = 1
        from_red = s.extreme_red
    if turned != 0:
        s.direction[2], s.extreme[2], s.extreme_red = turned, value, is_red
        s.counted[2] = 0
        involved = from_red or is_red
    else:
        if s.direction[2] < 0 and value <= s.extreme[2] or s.direction[2] >= 0 and value >= s.extreme[2]:
            s.extreme[2], s.extreme_red = value, is_red
        if s.direction[2] == 0 and value < s.lowest[2]:
            s.lowest[2], s.lowest_red = value, is_red
        involved = is_red
    direction = s.direction[2]
    if direction != 0 and s.counted[2] == 0 and involved and s.counted_last != direction:
        s.counted[2] = 1
        s.counted_last = direction
        return 1 if direction > 0 else 2
    return 0


@njit(cache=True, nogil=True)
def _newer_red(s: Any, red: float, green: float, blue: float, is_red: bool) -> int:
    """A colour moves on: 1 into saturated red, 2 out of it, 0 neither.

    Darkness has no chromaticity; it is taken as the white point, so that red on black counts. Below 20/320 of the
    largest channel (the older definition's change) a pixel is dark here, so that the tail of a fade is.
    """
    if max(red, green, blue) <= RED_SWING:
        u, v, is_red = 0.19784, 0.46834, False
    else:
        x = 0.4124 * red + 0.3576 * green + 0.1805 * blue
        y = 0.2126 * red + 0.7152 * green + 0.0722 * blue
        z = 0.0193 * red + 0.1192 * green + 0.9505 * blue
        total = x + 15 * y + 3 * z
        u, v = 4 * x / total, 9 * y / total
    if s.place == 0:
        s.place = 1 if is_red else 2
        s.red_u, s.red_v, s.other_u, s.other_v = u, v, u, v
        return 0
    # A slow change is measured from its outermost state: the red nearest to the primary, the other farthest from it.
    outer = (u - 0.4507) ** 2 + (v - 0.5229) ** 2
    if s.place == 1:
        if is_red and outer < (s.red_u - 0.4507) ** 2 + (s.red_v - 0.5229) ** 2:
            s.red_u, s.red_v = u, v
        elif not is_red and (u - s.red_u) ** 2 + (v - s.red_v) ** 2 > RED_APART**2:
            s.place, s.other_u, s.other_v = 2, u, v
            return 2
    elif is_red and (u - s.other_u) ** 2 + (v - s.other_v) ** 2 > RED_APART**2:
        s.place, s.red_u, s.red_v = 1, u, v
        return 1
    elif not is_red and outer > (s.other_u - 0.4507) ** 2 + (s.other_v - 0.5229) ** 2:
        s.other_u, s.other_v = u, v
    return 0


@njit(cache=True, nogil=True)
def _count(
    times: Any, events: Any, old: int, starts: Any, zones: Any, least: Any, counts: Any, reached: Any, worst: Any,
    worst_at: Any, moments: Any, together: Any, over: Any,
) -> int:  # fmt: skip
    """Slide a second over events (n, pixels), of which the first `old` are in it already. Returns its first frame.

    A pixel's flashes in a second are its rises or its falls, whichever are more. `reached[zone, measure, n]` counts
    the pixels that have n or more now; `least[zone]` of them are enough. The last zone is the whole rig.
    """
    begin = 0
    rig = len(least) - 1
    for i in range(old, len(times)):
        while times[i] - times[begin] >= SECOND_US:
            _step(events[begin], -1, starts, zones, counts, reached)
            _moment(events[begin], -1, least[rig], starts, moments)
            begin += 1
        _step(events[i], 1, starts, zones, counts, reached)
        if _moment(events[i], 1, least[rig], starts, moments):
            for m in range(_MEASURES):
                for way in range(2):
                    together[m, way] = max(together[m, way], moments[m, way])
        for z in range(len(least)):
            for m in range(_MEASURES):
                while worst[z, m] < _MOST and reached[z, m, worst[z, m] + 1] >= least[z]:
                    worst[z, m] += 1
                    worst_at[z, m] = times[_first_of(events, begin, i, z, m, starts, zones)]
                if reached[z, m, LIMIT + 1] >= least[z]:
                    over[i - old, z] = True
    return begin


@njit(cache=True, nogil=True)
def _step(row: Any, sign: int, starts: Any, zones: Any, counts: Any, reached: Any) -> None:
    """Add (+1) or take away (-1) one frame's transitions (pixels,)."""
    for p in range(len(row)):
        if row[p] == 0:
            continue
        for m in range(_MEASURES):
            bits = row[p] >> (2 * m) & 3
            if bits == 0:
                continue
            before = min(_MOST, max(counts[p, m, 0], counts[p, m, 1]))
            counts[p, m, 0] += sign * (bits & 1)
            counts[p, m, 1] += sign * (bits >> 1)
            after = min(_MOST, max(counts[p, m, 0], counts[p, m, 1]))
            for k in range(starts[p], starts[p + 1]):
                if after > before:
                    reached[zones[k], m, after] += 1
                elif after < before:
                    reached[zones[k], m, before] -= 1


@njit(cache=True, nogil=True)
def _moment(row: Any, sign: int, least: int, starts: Any, moments: Any) -> bool:
    """Count a frame in which `least` pixels of the rig (a quarter) rise (or fall). Returns whether there was one."""
    found = False
    for m in range(_MEASURES):
        for way in range(2):
            bit = 1 << (2 * m + way)
            pixels = 0
            for p in range(len(row)):
                if row[p] & bit and starts[p + 1] > starts[p]:
                    pixels += 1
            if pixels >= least:
                moments[m, way] += sign
                found = True
    return found


@njit(cache=True, nogil=True)
def _first_of(events: Any, begin: int, end: int, zone: int, m: int, starts: Any, zones: Any) -> int:
    """The first frame from `begin` to `end` in which a pixel of the zone has a transition of measure m."""
    for i in range(begin, end):
        for p in range(events.shape[1]):
            if events[i, p] >> (2 * m) & 3:
                for k in range(starts[p], starts[p + 1]):
                    if zones[k] == zone:
                        return i
    return end
