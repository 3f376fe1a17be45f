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

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from ..rig import Rig, Zone
from .counting import LIMIT, SECOND_US, Counter
from .light import Brightest, Eye, Frames, Largest, Times, fields_of, largest_of, photometry

AREA = 4  # one part in four: 25 % of the 10-degree field, WCAG; here of a zone's pixels


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
        self._eye = Eye(rig)
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
        self._counter = None if largest is None else Counter(self._eye, self._zones, largest)
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
            counter = Counter(self._eye, self._zones, self._largest)
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
    def _play_on(counter: Counter, first: list[tuple[Times, Frames]], start: int, length: int) -> None:
        """Play the show's first second after its end; a show shorter than that, as often as fits."""
        for lap in range(1, 2 + SECOND_US // length):
            for times, frames in first:
                end = int(np.searchsorted(times, start + SECOND_US - (lap - 1) * length))
                if not end:
                    return
                counter.add(times[:end] + lap * length, frames[:end])


def _quarter(size: int) -> int:
    """How many pixels of a zone are a quarter of it or more."""
    return max(1, -(-size // AREA))


def _members(zones: list[list[int]], least: list[int], pixels: int) -> tuple[npt.NDArray[np.int64], ...]:
    """Zones of each pixel as (starts (pixels + 1,), zones), and how many pixels of each zone are enough."""
    of: list[list[int]] = [[] for _ in range(pixels)]
    for number, zone in enumerate(zones):
        for pixel in zone:
            of[pixel].append(number)
    starts = np.cumsum([0, *map(len, of)], dtype=np.int64)
    flat = np.array([zone for row in of for zone in row], np.int64)
    return starts, flat, np.array(least, np.int64)


__all__ = ["LIMIT", "Brightest", "FlashAudit", "Largest", "fields_of", "largest_of", "photometry"]
