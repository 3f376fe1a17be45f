"""Cues + effects -> light, group by group.

A group's light depends on nothing but its cues, so groups render in any order, alone or in parallel. `Renderer.key`
says when two groups look the same: the same cues at the same musical phase. A bar that repeats has the key of the
first time, at any tempo, and is rendered once.
"""

from __future__ import annotations

import bisect
import itertools
import math
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import replace
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

from . import kernels
from .clock import SECOND, FrameClock, Group
from .effects import EFFECTS, Place, Times, draw, to_arrays
from .faults import ShowFails
from .rig import Rig
from .songmap import Loudness
from .timeline import WHOLE_RIG, Along, Cue

Floats = NDArray[np.float64]
Light = NDArray[np.float32]

EXACT = 1 << 20  # light is averaged in steps of a millionth, whole numbers of them
MOST_OVER = 4096  # frames that a softened clip is averaged over

MIXES = {"replace": kernels.REPLACE, "add": kernels.ADD, "max": kernels.MAX}


class Renderer:
    """Renders any group of a show. `cues` are in the order in which they cover each other."""

    def __init__(self, rig: Rig, clock: FrameClock, cues: Sequence[Cue], loudness: Loudness) -> None:
        self.rig = rig
        self.clock = clock
        self.cues = list(cues)
        self.loudness = loudness
        self._pixels: dict[tuple[str, bool], NDArray[np.int32]] = {}
        self._places: dict[tuple[str, bool], Place] = {}
        self._masks: dict[tuple[str, bool, str], Light] = {}
        self._params: dict[int, dict[str, Any]] = {}
        self._curves: dict[str, Floats] = {}
        self._kinds: dict[Cue, int] = {}
        self._kind_of = [self._kind(cue) for cue in self.cues]
        self._active = self._spread()

    def _kind(self, cue: Cue) -> int:
        """A number for all of a cue but where it stands; cues alike share it."""
        alike = replace(cue, address="", first=0, end=0, start=Fraction(0), layer=0, order=0)
        return self._kinds.setdefault(alike, len(self._kinds))

    def _spread(self) -> list[list[int]]:
        """For each group the numbers of its cues, in covering order; without those whose every pixel is skipped."""
        firsts = [group.first for group in self.clock.groups]
        active: list[list[int]] = [[] for _ in firsts]
        for number, cue in enumerate(self.cues):
            if not self._zone(cue).size:
                continue
            for at in range(bisect.bisect_right(firsts, cue.first) - 1, bisect.bisect_left(firsts, cue.end)):
                active[at].append(number)
        return active

    def key(self, group: Group) -> Hashable:
        """What a group's light depends on: its cues, each at its phase. Groups of equal key have equal light.

        Keys of different renderers do not compare: they hold numbers that each gives its own cues.
        """
        parts: list[Hashable] = [group.frames, group.step]
        for number in self._active[group.index]:
            cue = self.cues[number]
            parts.append((self._kind_of[number], group.beat - cue.start, *self._within(cue, group)))
            if cue.by_seconds:
                first_us, end_us = self._ends_us(cue)
                parts.append((group.start_us - first_us, group.end_us - group.start_us, end_us - first_us))
            if EFFECTS[cue.effect].uses_sound or (cue.soft and cue.by_seconds):  # the tempo around it counts too
                parts.append(group.start_us)
        return tuple(parts)

    def light(self, group: Group) -> Light:
        """The light of a group, float32 (frames, rig pixels, 3), codes 0-1. Raises ShowFails naming a faulty effect."""
        out = np.zeros((group.frames, self.rig.pixels, 3), np.float32)
        for number in self._active[group.index]:
            cue = self.cues[number]
            first, end = self._within(cue, group)
            light, cover, opacity = self._draw(number, group, first, end)
            kernels.lay(out, self._zone(cue), light, cover, opacity, first, MIXES[cue.mix])
        return out

    def shares(self, frame: int) -> list[tuple[Cue, NDArray[np.float32]]]:
        """Who lights what in one frame: each cue with its part of every pixel's red, green and blue.

        Parts are float32 (rig pixels, 3). The parts of a lit channel sum to 1; a cue that shows nowhere is left out.
        """
        group = self.clock.group_at(frame)
        numbers = [n for n in self._active[group.index] if self.cues[n].first <= frame < self.cues[n].end]
        parts = np.zeros((len(numbers), self.rig.pixels, 3), np.float32)
        out = np.zeros((1, self.rig.pixels, 3), np.float32)
        at = frame - group.first
        for i, number in enumerate(numbers):
            cue = self.cues[number]
            light, cover, opacity = self._draw(number, group, at, at + 1)
            kernels.lay_shares(parts, out, self._zone(cue), light, cover, opacity[0], i, MIXES[cue.mix])
        total = parts.sum(axis=0)
        parts = np.divide(parts, total, out=np.zeros_like(parts), where=total > 0)
        return [(self.cues[number], parts[i]) for i, number in enumerate(numbers) if parts[i].any()]

    def _within(self, cue: Cue, group: Group) -> tuple[int, int]:
        """The group's frames, counted within it, that a cue covers."""
        return max(cue.first - group.first, 0), min(cue.end - group.first, group.frames)

    def _draw(self, number: int, group: Group, first: int, end: int) -> tuple[Light, Light, Light]:
        """A cue's light (F|1, N|1, 3), cover (F|1, N|1) and opacity (F,) in frames [first, end) of a group."""
        if self.cues[number].soft:
            return self._draw_soft(number, group, first, end)
        return self._draw_sharp(number, group, first, end)

    def _draw_soft(self, number: int, group: Group, first: int, end: int) -> tuple[Light, Light, Light]:
        """A softened cue: each frame the average of those around it, as far as `Cue.soft` beats reach.

        All of them are drawn at the pace of this group, whatever groups they fall in, so that its light still depends
        on nothing but what `key` says. Frames outside `Cue.span` count as nothing. The sums are whole numbers: exact,
        whatever the frames that are drawn together.
        """
        cue = self.cues[number]
        over = min(max(1, round(cue.soft / group.step)), MOST_OVER)
        before = over // 2
        begin, stop = (math.ceil((cue.start + place - group.beat) / group.step) for place in cue.span)
        low, high = max(first - before, begin), min(end - 1 - before + over, stop)
        opacity = np.full(end - first, cue.faint, np.float32)
        if high <= low:
            return np.zeros((1, 1, 3), np.float32), np.zeros((1, 1), np.float32), opacity
        light, cover, level = self._draw_sharp(number, group, low, high)
        thick = cover * level[:, None]
        places = np.arange(first, end) - before - low
        starts, ends = np.clip(places, 0, high - low), np.clip(places + over, 0, high - low)
        covered = _sums_of(thick, starts, ends)
        shone = _sums_of(light * thick[:, :, None], starts, ends)
        light = np.divide(shone, covered[:, :, None], out=np.zeros(shone.shape), where=covered[:, :, None] > 0)
        return light.astype(np.float32), (covered / (over * EXACT)).astype(np.float32), opacity

    def _draw_sharp(self, number: int, group: Group, first: int, end: int) -> tuple[Light, Light, Light]:
        """A cue as it is, in frames [first, end) counted from the group's first, whether inside the group or not."""
        cue = self.cues[number]
        kind = self._kind_of[number]
        if kind not in self._params:
            self._params[kind] = to_arrays(dict(cue.params))
        params, place, times = self._params[kind], self._place(cue), self._times(cue, group, first, end)
        along = {key: value for key, value in params.items() if isinstance(value, Along)}
        try:
            if along:
                light, cover = self._draw_along(cue, group, first, end, place, params, along)
            else:
                light, cover = draw(cue.effect, times, place, params, cue.seed)
        except (ArithmeticError, LookupError, TypeError, ValueError) as error:
            raise ShowFails(f"effect {cue.effect} failed in {cue.address}: {error}") from error
        if cue.only:
            cover = cover * self._mask(cue)
        level = np.ones(end - first)
        if isinstance(cue.opacity, Along):
            level[:] = [cue.opacity.at(_into(cue, group, i)) for i in range(first, end)]
        else:
            level *= cue.opacity
        opacity = _faded(level, cue, times).astype(np.float32)
        return np.ascontiguousarray(light, np.float32), np.ascontiguousarray(cover, np.float32), opacity

    def _draw_along(
        self, cue: Cue, group: Group, first: int, end: int, place: Place, params: Mapping[str, Any],
        along: Mapping[str, Along],
    ) -> tuple[Light, Light]:  # fmt: skip
        """A clip some of whose numbers change: frames in which they stay the same are drawn together."""
        rows = [tuple(line.value(_into(cue, group, i)) for line in along.values()) for i in range(first, end)]
        parts, at = [], first
        for values, run in itertools.groupby(rows):
            after = at + len(list(run))
            now = {**params, **dict(zip(along, values, strict=True))}
            parts.append((after - at, draw(cue.effect, self._times(cue, group, at, after), place, now, cue.seed)))
            at = after
        light, cover = (_joined([(count, drawn[i]) for count, drawn in parts]) for i in (0, 1))
        return light, cover

    def _times(self, cue: Cue, group: Group, first: int, end: int) -> Times:
        beats = evenly(group.beat + first * group.step - cue.start, group.step, end - first)
        seconds, length_s = np.zeros(end - first), 0.0
        sound: Mapping[str, Light] = {}
        if cue.by_seconds:
            # Only then: light that is said to depend on musical time alone must have nothing else to depend on.
            if cue.soft:  # frames of other groups, at this one's pace: their time by their place, whatever the group
                frame_us = np.array([self.clock.us_at(group.beat + i * group.step) for i in range(first, end)])
            else:
                frame_us = np.array([group.frame_us(i) for i in range(first, end)])
            start_us, end_us = self._ends_us(cue)
            seconds = (frame_us - start_us) / SECOND
            length_s = (end_us - start_us) / SECOND
            if EFFECTS[cue.effect].uses_sound:
                sound = self._sound(frame_us / SECOND)
        return Times(beats, seconds, float(cue.length), length_s, sound, cue.strength)

    def _ends_us(self, cue: Cue) -> tuple[int, int]:
        """When a clip's first frame latches, and its last one's time is up: of all of it, and before any softening."""
        first, end = self.clock.frame_at(cue.start), self.clock.frame_at(cue.start + cue.length)
        return self.clock.frame_us(first), self.clock.frame_us(end)

    def _sound(self, seconds: Floats) -> dict[str, Light]:
        hop = self.loudness.hop_s
        out = {}
        for band in ("low", "mid", "high", "all"):
            if band not in self._curves:
                self._curves[band] = np.asarray(getattr(self.loudness, band), np.float64)
            curve = self._curves[band]
            if len(curve):
                out[band] = np.interp(seconds, np.arange(len(curve)) * hop, curve).astype(np.float32)
            else:
                out[band] = np.zeros(len(seconds), np.float32)
        return out

    def _zone(self, cue: Cue) -> NDArray[np.int32]:
        key = (cue.zone, cue.mirror)
        if key not in self._pixels:
            pixels = range(self.rig.pixels) if cue.zone == WHOLE_RIG else self.rig.zones[cue.zone].pixels
            self._pixels[key] = np.array(pixels[::-1] if cue.mirror else pixels, np.int32)
        return self._pixels[key]

    def _mask(self, cue: Cue) -> Light:
        """1 for the pixels of a cue's zone on which it may show, else 0: float32 (1, N)."""
        key = (cue.zone, cue.mirror, cue.only)
        if key not in self._masks:
            inside = np.isin(self._zone(cue), self.rig.zones[cue.only].pixels)
            self._masks[key] = inside.astype(np.float32)[None, :]
        return self._masks[key]

    def _place(self, cue: Cue) -> Place:
        key = (cue.zone, cue.mirror)
        if key not in self._places:
            points = np.array([self.rig.places[pixel] for pixel in self._zone(cue)], np.float64).reshape(-1, 2)
            if cue.mirror and len(points):
                # As in a mirror that stands before the zone: left for right, and what is up stays up.
                points[:, 0] = points[:, 0].min() + points[:, 0].max() - points[:, 0]
            self._places[key] = Place.of(points)
        return self._places[key]


def _into(cue: Cue, group: Group, i: int) -> Fraction:
    """How many beats into a cue frame i of a group is."""
    return group.beat + i * group.step - cue.start


def _sums_of(values: Light, starts: NDArray[np.int64], ends: NDArray[np.int64]) -> NDArray[np.int64]:
    """Sums of rows [start, end) of values 0-1 (F', ...), in steps of 1 / EXACT: int64 (F, ...)."""
    upto = np.zeros((len(values) + 1, *values.shape[1:]), np.int64)
    np.cumsum(np.rint(values * np.float32(EXACT)).astype(np.int64), axis=0, out=upto[1:])
    sums: NDArray[np.int64] = upto[ends] - upto[starts]
    return sums


def _joined(parts: list[tuple[int, Light]]) -> Light:
    """Frames one after the other: each part has as many as it says, or one that stands for them; pixels likewise."""
    pixels = max(part.shape[1] for _, part in parts)
    return np.concatenate([np.broadcast_to(part, (count, pixels, *part.shape[2:])) for count, part in parts])


def evenly(start: Fraction, step: Fraction, count: int) -> Floats:
    """start + i x step for i < count, float64 (count,), each the float nearest to the exact value.

    So a frame has the same time whatever group it is rendered in.
    """
    below = math.lcm(start.denominator, step.denominator)
    first, by = int(start * below), int(step * below)
    if abs(first) + abs(by) * count < 2**53 and below < 2**53:
        return (first + by * np.arange(count)) / below
    return np.array([float(start + i * step) for i in range(count)])


def _faded(level: Floats, cue: Cue, times: Times) -> Floats:
    """A clip's opacity with its fades, float64 (F,)."""
    if cue.fade_in is not None:
        level = level * np.clip(times.count(cue.fade_in), 0, 1)
    if cue.fade_out is not None:
        by_beats = cue.fade_out.unit == "beats"
        left = times.length_beats - times.beats if by_beats else times.length_s - times.seconds
        level = level * np.clip(left / float(cue.fade_out.value), 0, 1)
    return level
