"""What every effect stands on: times, places, lines along a zone, easings, gradients, and numbers drawn by lot.

Conventions
-----------
F frames, N pixels of the zone, M colours. Shapes broadcast to (F, N): times are (F, 1), places (1, N). Light is
float32 codes 0-1 (L*/100 a channel), cover float32 0-1. Everything is done element by element, and with operations
that round the same whatever the length of the array (+ - * / sqrt, floor, comparisons): a frame drawn alone, or
among others, has the same bits. Hence no sin, exp or pow on arrays that depend on the frame.

Positions along a zone are in pixels: pixel i of a straight forward line covers [i, i + 1], and a boundary at 3.25
covers a quarter of pixel 3. That is the whole of the smoothing: light is averaged over each pixel's own width.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from .table import Pace, Width

F32: TypeAlias = NDArray[np.float32]
F64: TypeAlias = NDArray[np.float64]
I64: TypeAlias = NDArray[np.int64]
Light: TypeAlias = tuple[F32, F32]  # light (F or 1, N or 1, 3), cover (F or 1, N or 1)

NUDGE = 1e-6  # periods: a count such as 7/3 * 3 may come out just under the step it stands on
LUT_STEPS = 1024  # between two colours of a gradient: a quarter of an 8-bit step


# ---- time --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Times:
    """The moments of some frames of a clip, counted from the clip's start.

    `beats`, `seconds`: float64 (F,). `sound`: loudness 0-1, float32 (F,), under "low" "mid" "high" "all" (empty for
    an effect that does not use it). `strength`: 1, or that of the trigger that laid the clip, 0-1.
    """

    beats: F64
    seconds: F64
    length_beats: float
    length_s: float
    sound: Mapping[str, F32] = field(default_factory=dict)
    strength: float = 1.0

    def count(self, pace: Pace) -> F64:
        """How many periods have gone by, float64 (F,)."""
        return (self.beats if pace.unit == "beats" else self.seconds) / float(pace.value)

    def progress(self) -> F64:
        """The share of the clip that has gone by, float64 (F,), by beats."""
        return self.beats / self.length_beats if self.length_beats > 0 else np.zeros_like(self.beats)

    def count_or_share(self, pace: Pace | None, parts: float) -> F64:
        """Periods gone by; without a period the clip's length divided into `parts`."""
        return self.progress() * parts if pace is None else self.count(pace)

    def ratio(self, pace: Pace, to: Pace) -> float:
        """How many `to` there are in `pace`; beats against seconds by the clip's mean tempo."""
        value = float(pace.value) / float(to.value)
        if pace.unit == to.unit or self.length_beats <= 0 or self.length_s <= 0:
            return value
        beat_s = self.length_s / self.length_beats
        return value * beat_s if pace.unit == "beats" else value / beat_s


def steps(count: F64) -> tuple[I64, F64]:
    """Whole periods, int64 (F, 1), and the share of the one under way, float64 (F, 1) in [0, 1)."""
    whole = np.floor(count + NUDGE)
    return whole.astype(np.int64)[:, None], np.maximum(count - whole, 0.0)[:, None]


def ease(x: Any, easing: str) -> Any:
    """x clipped to 0-1 and eased: 0 stays 0, 1 stays 1. Any float array; raises ValueError for an unknown easing.

    linear x, ease 3x^2 - 2x^3, ease-in x^2, ease-out 1 - (1 - x)^2.
    """
    x = np.clip(x, 0, 1)
    if easing == "linear":
        return x
    if easing == "ease":
        return x * x * (3 - 2 * x)
    if easing == "ease-in":
        return x * x
    if easing == "ease-out":
        return x * (2 - x)
    raise ValueError(f"unknown easing {easing}")


def single(x: Any) -> F32:
    """As float32."""
    return np.asarray(x, np.float32)


# ---- place -------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Place:
    """Where the pixels of a zone are, in the zone's order.

    `index`: 0 .. N-1. `along`: (index + 1/2) / N, the middle of each pixel. `metres`: distance from the first pixel,
    from pixel to pixel. `xy`: float64 (N, 2), metres, x to the right, y up. All float64 (N,) but `xy`.
    """

    index: F64
    along: F64
    metres: F64
    xy: F64
    _lines: dict[tuple[str, str], Line] = field(default_factory=dict, repr=False)

    @classmethod
    def of(cls, xy: Any) -> Place:
        """The place of pixels at points (N, 2) in metres."""
        points = np.asarray(xy, np.float64).reshape(-1, 2)
        index = np.arange(len(points), dtype=np.float64)
        step = np.sqrt((np.diff(points, axis=0) ** 2).sum(axis=1))
        metres = np.concatenate([[0.0], np.cumsum(step)]) if len(points) else index
        return cls(index, (index + 0.5) / max(len(points), 1), metres, points)

    @cached_property
    def pitch_m(self) -> float:
        """The usual distance from pixel to pixel, metres (the median, so that gaps between strings do not count)."""
        gaps = np.diff(self.metres)
        return float(np.median(gaps)) if len(gaps) and np.median(gaps) > 0 else 1.0

    def line(self, axis: str = "string", direction: str = "forward") -> Line:
        """The zone seen as a line along "string", "x" or "y", in one of the four directions."""
        key = (axis, direction)
        if key not in self._lines:
            self._lines[key] = _line(self, axis, direction)
        return self._lines[key]


@dataclass(frozen=True, eq=False)
class Line:
    """A zone as a line from 0 to `length`, in pixels: each pixel covers [lo, hi] of it, float32 (1, N).

    Directions out and in fold the line at its middle: 0 is the middle (out) or both ends (in).
    """

    lo: F32
    hi: F32
    length: float
    pixel_m: float
    folded: bool

    @property
    def mid(self) -> F32:
        """The middle of each pixel, (1, N)."""
        return (self.lo + self.hi) * np.float32(0.5)

    @property
    def size(self) -> F32:
        """The length of each pixel, (1, N): 1, but 1/2 for the one that a fold cuts."""
        return self.hi - self.lo

    def pixels(self, width: Width) -> float:
        """A width as pixels of this line, at most its length twice over (shares are of this line)."""
        if width.unit == "share":
            value = width.value * self.length
        else:
            value = width.value if width.unit == "pixels" else width.value / self.pixel_m
        return min(value, 2 * self.length)

    def before(self, position: Any, soft: float = 0.0) -> F32:
        """How much of each pixel lies before a position (F, 1), over a ramp of `soft` pixels: float32 (F, N)."""
        share = (single(position) - self.mid) / np.maximum(self.size, np.float32(soft)) + np.float32(0.5)
        np.clip(share, 0, 1, out=share)
        return single(ease(share, "ease") if soft > 0 else share)

    def within(self, start: Any, end: Any) -> F32:
        """How much of each pixel lies between two positions (F, 1): float32 (F, N)."""
        share = np.minimum(self.hi, single(end)) - np.maximum(self.lo, single(start))
        share /= self.size
        return np.clip(share, 0, 1, out=share)


def _line(place: Place, axis: str, direction: str) -> Line:
    n = len(place.index)
    pitch_m = place.pitch_m
    if axis == "string":
        lo, length = np.arange(n, dtype=np.float64), float(max(n, 1))
    else:
        at = place.xy[:, {"x": 0, "y": 1}[axis]] / pitch_m
        lo = at - at.min() if n else at
        # A zone square to the axis is one pixel long on it: all of it moves as one.
        length = float(lo.max() if n else 0.0) + 1.0
    hi = lo + 1.0
    if direction in ("back", "in"):
        lo, hi = length - hi, length - lo
    folded = direction in ("out", "in")
    if folded:
        half = length / 2
        a, b = np.abs(lo - half), np.abs(hi - half)
        across = (lo < half) & (hi > half)
        lo, hi = np.where(across, 0.0, np.minimum(a, b)), np.maximum(a, b)
        length = half
        if direction == "in":
            lo, hi = length - hi, length - lo
    return Line(single(lo)[None, :], single(hi)[None, :], length, pitch_m, folded)


# ---- colour ------------------------------------------------------------------------------------------------------


def _duty(code: F64) -> F64:
    """CIE 1976 lightness to relative luminance, L* = 100 code (CIE 15; ISO 11664-4)."""
    lightness = 100 * code
    return np.where(lightness > 8, ((lightness + 16) / 116) ** 3, lightness * (27 / 24389))


def _code(duty: F64) -> F64:
    lightness = np.where(duty > (6 / 29) ** 3, 116 * np.cbrt(duty) - 16, duty * (24389 / 27))
    return np.clip(lightness / 100, 0, 1)


# Bjoern Ottosson, "A perceptual color space for image processing" (2020), linear sRGB to OKLab and back. The three
# dies of a pixel are taken for the sRGB primaries, which they only resemble; for an even path that is near enough.
_TO_CONES = np.array(
    [
        [0.4122214708, 0.5363325363, 0.0514459929],
        [0.2119034982, 0.6806995451, 0.1073969566],
        [0.0883024619, 0.2817188376, 0.6299787005],
    ]
)
_TO_LAB = np.array(
    [
        [0.2104542553, 0.7936177850, -0.0040720468],
        [1.9779984951, -2.4285922050, 0.4505937099],
        [0.0259040371, 0.7827717662, -0.8086757660],
    ]
)


def to_oklab(codes: Any) -> F64:
    """Codes 0-1 (..., 3) as OKLab (..., 3)."""
    lab: F64 = np.cbrt(_duty(np.asarray(codes, np.float64)) @ _TO_CONES.T) @ _TO_LAB.T
    return lab


def from_oklab(lab: Any) -> F64:
    """OKLab (..., 3) as codes (..., 3), clipped to 0-1."""
    cones = (np.asarray(lab, np.float64) @ np.linalg.inv(_TO_LAB).T) ** 3
    return _code(np.clip(cones @ np.linalg.inv(_TO_CONES).T, 0, 1))


@lru_cache(maxsize=256)
def _gradient_table(codes: bytes, mixing: str, closed: bool) -> F32:
    colours = np.frombuffer(codes, np.float32).reshape(-1, 3).astype(np.float64)
    stops = np.concatenate([colours, colours[:1]]) if closed else colours
    if len(stops) == 1:
        return single(stops)
    share = np.arange(LUT_STEPS)[:, None] / LUT_STEPS
    points = to_oklab(stops) if mixing == "oklab" else stops
    parts = [a + (b - a) * share for a, b in zip(points[:-1], points[1:], strict=True)]
    table = np.concatenate([*parts, points[-1:]])
    if mixing == "oklab":
        table = from_oklab(table)
        table[::LUT_STEPS] = stops  # the colours themselves, to the bit
    return single(table)


def gradient(colours: F32, at: Any, mixing: str = "codes", closed: bool = False) -> F32:
    """The colour at a share 0-1 of the way through `colours` (M, 3): float32 (..., 3) for `at` (...).

    `closed`: the last leads back to the first, and `at` counts round and round. To 1/1024 between two colours.
    """
    table = _gradient_table(np.ascontiguousarray(colours, np.float32).tobytes(), mixing, closed)
    at = single(at)
    at = at - np.floor(at) if closed else np.clip(at, 0, 1)
    at = at * np.float32(len(table) - 1)
    at += np.float32(0.5)
    return single(np.take(table, at.astype(np.intp), axis=0, mode="clip"))  # any other index is converted, slowly


def flat(colours: F32) -> F32:
    """The first colour, for every frame and pixel: (1, 1, 3)."""
    return colours[:1][None, :, :]


def in_turn(colours: F32, number: Any) -> F32:
    """Colour `number` modulo M, (..., 3)."""
    return single(np.take(colours, np.asarray(number) % len(colours), axis=0))


# ---- by lot ------------------------------------------------------------------------------------------------------

_GOLDEN = 0x9E3779B97F4A7C15
_STIR = (0xBF58476D1CE4E5B9, 0x94D049BB133111EB)
_LOW = 0xFFFFFFFFFFFFFFFF


def mix64(x: NDArray[np.uint64]) -> NDArray[np.uint64]:
    """The mixing step of splitmix64 (S. Vigna, public domain, 2015): uint64 -> uint64, one to one."""
    x = x ^ (x >> np.uint64(30))
    x *= np.uint64(_STIR[0])
    x ^= x >> np.uint64(27)
    x *= np.uint64(_STIR[1])
    x ^= x >> np.uint64(31)
    return x


def _mix_one(x: int) -> int:
    """`mix64` for one number, without an array."""
    x = ((x ^ (x >> 30)) * _STIR[0]) & _LOW
    x = ((x ^ (x >> 27)) * _STIR[1]) & _LOW
    return x ^ (x >> 31)


def lots(seed: int, kind: int, *counts: Any) -> F32:
    """Numbers in [0, 1), float32, one for each element of the broadcast whole numbers `counts`, the same every time.

    The kind of choice and each count are stirred in by one step of splitmix64; 24 bits of the result make the number.
    """
    state = np.array(_mix_one(((seed & _LOW) + (kind + 1) * _GOLDEN) & _LOW), np.uint64)
    for count in counts:
        stirred = (np.asarray(count).astype(np.int64).view(np.uint64) + np.uint64(1)) * np.uint64(_GOLDEN)
        state = mix64(stirred + state)
    return single((state >> np.uint64(40)).astype(np.float32) * np.float32(2.0**-24))


def to_arrays(params: Mapping[str, Any]) -> dict[str, Any]:
    """Parameters as effects take them: colours become float32 (M, 3); what already is an array stays."""
    return {key: single(value).reshape(-1, 3) if key == "colour" else value for key, value in params.items()}
