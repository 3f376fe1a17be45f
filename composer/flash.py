"""Wire bytes -> flashes a second, by WCAG's figures, applied to lights by analogy.

WCAG 2.3.1 (W3C, "general flash and red flash thresholds") is written for screens. Here a pixel stands for a place of
the picture, and the bytes on the wire are its linear light.

- A *general flash* is a pair of opposing changes in relative luminance of 10 % or more of the largest, where the
  darker state is below 80 % of it. "Largest" is the show's own largest, so that a dim flash at night is a flash.
  Counted with WCAG's weights and with the chip's own photometry; the stricter counts.
- A *red flash* is a pair of opposing transitions that involve a saturated red, by both published definitions: the
  older (R/(R+G+B) >= 0.8 in either state, (R-G-B) x 320 changing by more than 20) and that of WCAG 2.2 (to or from
  R/(R+G+B) >= 0.8, more than 0.2 apart in CIE 1976 u'v'). The stricter counts. R, G, B are relative to the show's
  largest channel.
- A transition is stamped at the frame in which it has reached the threshold; a flash at its first transition. A pixel
  flashes too often when more than three flashes fall in one half-open second [t, t + 1). As the last frame is followed
  by the first when a show is played again, the seam counts.
- A zone is flagged when a quarter or more of its pixels do so in the same second, in whatever phase; so is the rig.
- Given a viewing distance, WCAG's area rule is judged too: 0.006 steradian within any 10-degree field. A pixel stands
  for a square as wide as it is far from its neighbour on the string, seen straight on. It flags, and excuses nothing.

No figure here says that a show is harmless: people differ, and rooms do.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from .rig import Chip, LedString, Rig, Zone

Frames = npt.NDArray[np.uint8]
Times = npt.NDArray[np.int64]

FIELD_SR = 0.006  # WCAG: 25 % of a 10-degree field
FIELD_RAD = math.radians(5)  # half of one
LIMIT = 3  # flashes in a second, WCAG 2.3.1
AREA = 4  # one part in four: 25 % of the 10-degree field, WCAG; here of a zone's pixels
# Frame times are rounded down to a microsecond each, so two stamps one second apart may measure 2 us less.
SECOND_US = 1_000_000 - 2
SWING = 0.1
DARKER = 0.8
SATURATED = 0.8
RED_SWING = 20 / 320
RED_APART = 0.2

# Relative luminance, WCAG / Rec. ITU-R BT.709.
WCAG_WEIGHTS = (0.2126, 0.7152, 0.0722)
# Luminous intensity of the dies, mcd. Other chips are taken as WS2812B.
PHOTOMETRY_MCD = {
    "ws2812b": (405.0, 690.0, 190.0),  # Worldsemi WS2812B datasheet: 390-420, 660-720, 180-200
    "ws2813": (480.0, 1500.0, 320.0),  # WS2813A, WS2813 manual p.5
}

_MEASURES = 4  # general by WCAG's weights, general by the chip's, red older, red newer
_MOST = 64  # flashes a second that are told apart


@dataclass(frozen=True)
class Largest:
    """The show's largest luminance (WCAG's weights, the chips' own) and channel, in bytes (0-255, white adds)."""

    wcag: float = 0.0
    chip: float = 0.0
    channel: float = 0.0


class FlashAudit:
    """Counts the flashes of a show, fed group by group.

    `distance_m`: how far the nearest viewers are, for the area rule; None leaves it out. The thresholds follow the
    show's largest luminance. Without `largest` the frames are kept until `result` (arrays
    that come more than once are kept once); with it, given by `largest_of`, they are not.
    """

    def __init__(
        self,
        rig: Rig,
        zones: Mapping[str, Zone] | None = None,
        largest: Largest | None = None,
        distance_m: float | None = None,
    ) -> None:
        self._eye = _Eye(rig)
        self._bytes = rig.frame_bytes
        self._names = list(rig.zones if zones is None else zones)
        skipped = {rig.pixel_slices[s.name].start + i for s in rig.strings.values() for i in s.skip}
        whole = [pixel for pixel in range(rig.pixels) if pixel not in skipped]
        members = [list(zone.pixels) for zone in (rig.zones if zones is None else zones).values()]
        fields = [] if distance_m is None else fields_of(rig, distance_m)
        self._distance_m = distance_m
        quarters = [_quarter(len(zone)) for zone in members]
        self._zones = _members(
            [*members, *(pixels for pixels, _ in fields), whole],
            [*quarters, *(least for _, least in fields), _quarter(len(whole))],
            rig.pixels,
        )
        self._kept: list[tuple[Times, Frames]] = []
        self._first: list[tuple[Times, Frames]] = []
        self._counter = None if largest is None else _Counter(self._eye, self._zones, largest)
        self._largest = Largest() if largest is None else largest
        self._times: tuple[int, int, int] | None = None  # first, last but one, last

    def add(self, times_us: Times, frames: Frames) -> None:
        """Add frames uint8 (n, frame_bytes) that latch at `times_us` int64 (n,), rising over the whole show.

        Raises ValueError for other shapes, or times that do not rise (did you pass seconds?).
        """
        if frames.dtype != np.uint8 or frames.ndim != 2 or frames.shape[1] != self._bytes:
            raise ValueError(f"frames are {frames.dtype} {frames.shape}, need uint8 (n, {self._bytes}) for this rig")
        times = np.ascontiguousarray(times_us, np.int64)
        if times.shape != (len(frames),):
            raise ValueError(f"{len(frames)} frames need as many times, got shape {times.shape}")
        if not len(times):
            return
        if (np.diff(times) <= 0).any() or self._times is not None and times[0] <= self._times[2]:
            raise ValueError("times must rise from frame to frame, in microseconds (did you pass seconds?)")
        before = times[0] if self._times is None else self._times[2]
        start = int(times[0]) if self._times is None else self._times[0]
        self._times = (start, int(times[-2]) if len(times) > 1 else int(before), int(times[-1]))
        if self._counter is None:
            self._largest = self._eye.largest([frames], self._largest)
            self._kept.append((times, frames))
        else:
            if times[0] - start < SECOND_US:
                self._first.append((times, frames))
            self._counter.add(times, frames)

    def result(self) -> dict[str, Any]:
        """`flashes` as in audit.json. Each of `rig` and `zones` {name} holds

        `worst_per_s` flashes in the worst second of the quarter that flashes most, `at_s` when that second's first
        flash is, `red_worst_per_s`, `red_at_s`, `ok`, and `over_s`, spans [[from, to]] of seconds with more than three
        (general or red). The top level is the worst of them. `area` is the worst field's by the area rule, with its
        `distance_m`; None without a distance. `together_per_s` (rig only, not judged): seconds' worst
        number of moments in which a quarter of the rig's pixels brighten, or darken, whichever pixels those are.
        Raises ValueError without frames.
        """
        if self._times is None:
            raise ValueError("the audit has no frames")
        counter = self._counter
        first = self._first
        if counter is None:
            counter = _Counter(self._eye, self._zones, self._largest)
            for times, frames in self._kept:
                counter.add(times, frames)
            first = self._kept
        else:
            counter = counter.copy()
        start, before, last = self._times
        length = last - start + max(1, last - before)
        if last > start:
            self._play_on(counter, first, start, length)
        every = [counter.spot(i, length / 1e6) for i in range(len(self._zones[2]))]
        fields, spots = every[len(self._names) : -1], [*every[: len(self._names)], every[-1]]
        area = None
        if self._distance_m is not None:
            nowhere = {"worst_per_s": 0, "at_s": 0.0, "red_worst_per_s": 0, "red_at_s": 0.0, "ok": True, "over_s": []}
            area = max(
                fields,
                key=lambda spot: (not spot["ok"], max(spot["worst_per_s"], spot["red_worst_per_s"]), -spot["at_s"]),
                default=nowhere,
            ) | {"distance_m": self._distance_m}
        worst = max(spots, key=lambda spot: (spot["worst_per_s"], -spot["at_s"]))
        rig = {**spots[-1], "together_per_s": int(counter.together.max())}
        return {
            "worst_per_s": worst["worst_per_s"],
            "at_s": worst["at_s"],
            "red_worst_per_s": max(spot["red_worst_per_s"] for spot in spots),
            "ok": all(spot["ok"] for spot in every),
            "area": area,
            "rig": rig,
            "zones": dict(zip(self._names, spots[:-1], strict=True)),
        }

    @staticmethod
    def _play_on(counter: _Counter, first: list[tuple[Times, Frames]], start: int, length: int) -> None:
        """Play the show's first second after its end; a show shorter than that, as often as fits."""
        for lap in range(1, 2 + SECOND_US // length):
            for times, frames in first:
                end = int(np.searchsorted(times, start + SECOND_US - (lap - 1) * length))
                if not end:
                    return
                counter.add(times[:end] + lap * length, frames[:end])


def largest_of(rig: Rig, chunks: Iterable[Frames]) -> Largest:
    """The show's largest luminances, for a first pass over frames uint8 (n, frame_bytes)."""
    return _Eye(rig).largest(chunks)


def photometry(chip: Chip) -> tuple[float, float, float]:
    """Shares of red, green, blue in the luminous intensity of white (datasheet mcd; unknown chips as WS2812B)."""
    red, green, blue = PHOTOMETRY_MCD.get(chip.name, PHOTOMETRY_MCD["ws2812b"])
    total = red + green + blue
    return red / total, green / total, blue / total


class _Eye:
    """Where each pixel's red, green, blue and white bytes are, and its chip's photometry."""

    def __init__(self, rig: Rig) -> None:
        self.at = np.full((rig.pixels, 4), -1, np.int64)
        self.shares = np.zeros((rig.pixels, 3))
        for name, string in rig.strings.items():
            pixels, start = rig.pixel_slices[name], rig.byte_slices[name].start
            for channel, letter in enumerate("rgbw"):
                if letter in string.order:
                    places = start + string.order.index(letter) + np.arange(string.pixels) * string.channels
                    self.at[pixels, channel] = places
            self.shares[pixels] = photometry(string.chip)
        # A byte of padding, always dark, stands in for a missing white channel.
        self.at[self.at < 0] = rig.frame_bytes

    def padded(self, frames: Frames) -> Frames:
        """Frames with one dark byte at the end of each, where a missing channel looks."""
        return np.pad(frames, ((0, 0), (0, 1)))

    def largest(self, chunks: Iterable[Frames], so_far: Largest | None = None) -> Largest:
        """The largest luminances and channel of frames, and of what was found before."""
        best = np.zeros(3) if so_far is None else np.array([so_far.wcag, so_far.chip, so_far.channel])
        for frames in chunks:
            _largest(self.padded(frames), self.at, self.shares, best)
        return Largest(*map(float, best))


def _quarter(size: int) -> int:
    """How many pixels of a zone are a quarter of it or more."""
    return max(1, -(-size // AREA))


def fields_of(rig: Rig, distance_m: float) -> list[tuple[list[int], int]]:
    """The 10-degree fields in which enough pixels hang for 0.006 sr, and how many of their pixels make that up.

    Fields are a quarter of their radius wider than 10 degrees and lie on a grid so close that each field of 10 degrees
    is inside one. Where pixels stand for unlike squares, the largest are counted first. Both err to the strict side.
    """
    areas_sr = np.concatenate([_squares_m2(string) for string in rig.strings.values()]) / distance_m**2
    areas_sr[[rig.pixel_slices[s.name].start + i for s in rig.strings.values() for i in s.skip]] = 0.0
    places = np.array(rig.places, float)
    radius = distance_m * math.tan(FIELD_RAD)
    grid = radius / 4 * math.sqrt(2)
    near = np.arange(-4, 5)
    around = np.stack(np.meshgrid(near, near), axis=-1).reshape(-1, 2)
    cells = np.unique(np.floor(places / grid).astype(np.int64), axis=0)
    centres = (np.unique((cells[:, None] + around[None]).reshape(-1, 2), axis=0) + 0.5) * grid
    found: dict[bytes, tuple[list[int], int]] = {}
    for x, y in centres:
        inside = np.flatnonzero(np.hypot(places[:, 0] - x, places[:, 1] - y) <= 1.25 * radius)
        upto = np.cumsum(np.sort(areas_sr[inside])[::-1])
        if len(upto) and upto[-1] >= FIELD_SR:
            found[inside.tobytes()] = inside.tolist(), int(np.searchsorted(upto, FIELD_SR)) + 1
    return list(found.values())


def _squares_m2(string: LedString) -> npt.NDArray[np.float64]:
    """The square that each pixel of a string stands for: as wide as it is far from its nearer neighbour, (pixels,)."""
    places = np.array(string.places, float)
    if len(places) < 2:
        return np.zeros(len(places))
    apart = np.hypot(*np.diff(places, axis=0).T)
    squares: npt.NDArray[np.float64] = np.minimum(np.append(apart, np.inf), np.insert(apart, 0, np.inf)) ** 2
    return squares


def _members(zones: list[list[int]], least: list[int], pixels: int) -> tuple[npt.NDArray[np.int64], ...]:
    """Zones of each pixel as (starts (pixels + 1,), zones), and how many pixels of each zone are enough."""
    of: list[list[int]] = [[] for _ in range(pixels)]
    for number, zone in enumerate(zones):
        for pixel in zone:
            of[pixel].append(number)
    starts = np.cumsum([0, *map(len, of)], dtype=np.int64)
    flat = np.array([zone for row in of for zone in row], np.int64)
    return starts, flat, np.array(least, np.int64)


class _Counter:
    """Follows every pixel through its transitions and counts those of the last second."""

    def __init__(self, eye: _Eye, zones: tuple[npt.NDArray[np.int64], ...], largest: Largest) -> None:
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

    def copy(self) -> _Counter:
        """A counter that goes on from here by itself."""
        other = _Counter(self.eye, self.zones, self.largest)
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
def _largest(frames: Any, at: Any, shares: Any, best: Any) -> None:
    """frames uint8 (n, bytes + 1), at int64 (pixels, 4), shares (pixels, 3); best (3,) grows in place."""
    wcag, chip, channel = best[0], best[1], best[2]
    for i in range(frames.shape[0]):
        for p in range(at.shape[0]):
            white = float(frames[i, at[p, 3]])
            red = frames[i, at[p, 0]] + white
            green = frames[i, at[p, 1]] + white
            blue = frames[i, at[p, 2]] + white
            wcag = max(wcag, 0.2126 * red + 0.7152 * green + 0.0722 * blue)
            chip = max(chip, shares[p, 0] * red + shares[p, 1] * green + shares[p, 2] * blue)
            channel = max(channel, red, green, blue)
    best[0], best[1], best[2] = wcag, chip, channel


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
