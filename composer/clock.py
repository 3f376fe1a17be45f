"""Musical time <-> seconds <-> frames, exactly.

Conventions
-----------
A *position* is a `Fraction` of beats counted from the first heard beat (0; lead-in positions are negative). Times are
whole microseconds. Frames are whole numbers, ranges are [first, end). Bar 1 starts at the first bar line, a pickup is
bar 0, and `17.3+1/2` is half a beat after beat 3 of bar 17. No float decides anything here.

    position   -2        -1         0         1         2         3
    beat        .         .         |         |         |         |        (heard beats; before and after them the
    us          0 ...                   the song's own microseconds         clock runs on at the neighbouring tempo)
    frames      | | | | | | | | | | | | | | | | | | | | | | | | | | | |     K to a beat
    groups      [-------] [-------] [-------] [-------] [-------]           a beat's frames, or an equal part of them
"""

from __future__ import annotations

import bisect
import itertools
import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property

SECOND = 1_000_000  # microseconds
EVEN_BEAT_US = 500_000  # a song without a beat gets an even clock of 120 beats a minute
ODD_BEAT = Fraction(8, 5)  # a beat this many times longer or shorter than the typical one takes K x 2^j frames
GROUP_PRODUCT = 1 << 30  # the board computes i x length without passing this
GROUP_FRAMES = 255  # a byte counts them


# ---- spans and moments as people write them ----------------------------------------------------------------------


@dataclass(frozen=True)
class Span:
    """A length of musical time: beats, bars and seconds add up (usually one of them is used)."""

    beats: Fraction = Fraction(0)
    bars: Fraction = Fraction(0)
    seconds: Fraction = Fraction(0)

    def __neg__(self) -> Span:
        return Span(-self.beats, -self.bars, -self.seconds)

    def __add__(self, other: Span) -> Span:
        return Span(self.beats + other.beats, self.bars + other.bars, self.seconds + other.seconds)

    @property
    def positive(self) -> bool:
        """Whether this is a length (and not nothing, or a step back)."""
        return min(self.beats, self.bars, self.seconds) >= 0 and max(self.beats, self.bars, self.seconds) > 0


@dataclass(frozen=True)
class Moment:
    """A place in the song as written, before anyone knows the beats.

    `kind` is one of bar, seconds, start, end, section, label. `bar` and `beat` count from 1; `nth` counts places of a
    section or label from 1; `plus` is added at the end.
    """

    kind: str
    bar: int = 0
    beat: Fraction = Fraction(1)
    seconds: Fraction = Fraction(0)
    name: str = ""
    nth: int = 1
    plus: Span = Span()


_NUMBER = r"\d{1,40}(?:\.\d{1,40})?(?:/\d{1,40})?"
_SPAN = re.compile(rf"\s*({_NUMBER})\s*(beats?|bars?|s|seconds?|ms)?\s*")
_MOMENT = re.compile(
    r"\s*(?:(?P<word>start|end)\b"
    # A name ends at a space or a bracket, so that "label verse-2" is that label and "label verse - 2" comes before it.
    r"|(?P<of>section|label)\s+(?P<name>[^\[\]]+?)(?=[\s\[]|$)\s*(?:\[\s*(?P<nth>\d{1,9})\s*\])?"
    r"|(?P<seconds>\d{1,40}(?:\.\d{1,40})?)\s*s\b"
    r"|(?P<bar>-?\d{1,9})(?:\.(?P<beat>\d{1,9}))?)"
    # A space belongs to one place of the pattern only: were there two, a wrong line of twenty steps would take minutes.
    rf"(?P<rest>(?:\s*[+-]\s*{_NUMBER}(?:\s*(?:beats?|bars?|seconds?|ms|s))?)*)\s*"
)
_STEP = re.compile(rf"\s*([+-])\s*({_NUMBER}\s*(?:beats?|bars?|seconds?|ms|s)?)")


def parse_number(text: str) -> Fraction:
    """`3`, `0.75`, `1/2` or `1.5/2` as a fraction. Raises ValueError."""
    top, _, bottom = text.partition("/")
    if bottom and int(bottom) == 0:
        raise ValueError(f'"{text}" divides by zero')
    return Fraction(top) / int(bottom or 1)


def parse_span(text: str, bare: str = "") -> Span:
    """A length such as `2 bars`, `1/2 beat`, `0.5 s`, `250 ms`. `bare` is the unit of a number without one.

    Raises ValueError saying what a length looks like.
    """
    match = _SPAN.fullmatch(text)
    unit = (match.group(2) or bare) if match else ""
    if not match or not unit:
        raise ValueError(f'"{text}" is not a length: write "2 bars", "1/2 beat" or "0.5 s"')
    number = parse_number(match.group(1))
    if unit == "ms":
        return Span(seconds=number / 1000)
    if unit.startswith("s"):
        return Span(seconds=number)
    return Span(beats=number) if unit.startswith("beat") else Span(bars=number)


def parse_moment(text: str) -> Moment:
    """A place such as `17.3`, `17.3+1/2`, `83.5s`, `end - 2 bars`, `section B[2]`, `label door`.

    Raises ValueError saying what a place looks like.
    """
    match = _MOMENT.fullmatch(text)
    if not match:
        raise ValueError(
            f'"{text}" is not a musical time: write "17.3", "17.3+1/2", "83.5s", "end - 2 bars" or "section B"'
        )
    plus = Span()
    for sign, length in _STEP.findall(match["rest"] or ""):
        span = parse_span(length, bare="beats")
        plus = plus + (span if sign == "+" else -span)
    if match["word"]:
        return Moment(match["word"], plus=plus)
    if match["of"]:
        if match["nth"] and int(match["nth"]) < 1:
            raise ValueError(f'"{text}": places are counted from 1')
        return Moment(match["of"], name=match["name"].strip(), nth=int(match["nth"] or 1), plus=plus)
    if match["seconds"]:
        return Moment("seconds", seconds=Fraction(match["seconds"]), plus=plus)
    beat = Fraction(match["beat"] or 1)
    if beat < 1:
        raise ValueError(f'"{text}": beats of a bar are counted from 1')
    return Moment("bar", bar=int(match["bar"]), beat=beat, plus=plus)


# ---- beats and bars ----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class BarGrid:
    """The beats of a song, microseconds, and which of them start a bar (indices, ascending).

    The grid runs on to both sides: bars before the first and after the last line have `beats_per_bar` beats.
    """

    beats_us: tuple[int, ...]
    bars: tuple[int, ...]
    beats_per_bar: int = 4

    @classmethod
    def of(cls, beats_s: Iterable[float], bars: Sequence[int], beats_per_bar: int, song_us: int) -> BarGrid:
        """The grid of a song map (seconds). Without beats, an even grid of 120 beats a minute from the start."""
        beats = tuple(round(s * SECOND) for s in beats_s)
        beats = tuple(b for b in beats if b < song_us)
        if not beats:
            return cls(tuple(range(0, max(song_us, 1), EVEN_BEAT_US)), (0,), max(1, beats_per_bar))
        lines = tuple(i for i in bars if i < len(beats)) or (0,)
        return cls(beats, lines, max(1, beats_per_bar))

    def bar_start(self, bar: int) -> Fraction:
        """Position where a bar starts; any whole number is a bar."""
        lines, size = self.bars, self.beats_per_bar
        if bar < 1:
            return Fraction(lines[0] + (bar - 1) * size)
        if bar > len(lines):
            return Fraction(lines[-1] + (bar - len(lines)) * size)
        return Fraction(lines[bar - 1])

    def bar_of(self, position: Fraction) -> int:
        """The bar that a position lies in."""
        lines, size = self.bars, self.beats_per_bar
        if position < lines[0]:
            return 1 + math.floor((position - lines[0]) / size)
        if position >= lines[-1]:
            return len(lines) + math.floor((position - lines[-1]) / size)
        return bisect.bisect_right(lines, position)

    def bar_beats(self, bar: int) -> int:
        """Beats in a bar."""
        return int(self.bar_start(bar + 1) - self.bar_start(bar))

    def position(self, bar: int, beat: Fraction = Fraction(1)) -> Fraction:
        """Position of a beat of a bar, both counted as musicians do. A beat past the bar's last runs into the next."""
        return self.bar_start(bar) + beat - 1

    def address(self, position: Fraction) -> str:
        """A position as `17.3` or `17.3+1/2`."""
        bar = self.bar_of(position)
        beat, part = divmod(position - self.bar_start(bar), 1)
        part = part.limit_denominator(1000)
        if part == 1:  # a hair before the next beat
            return self.address(Fraction(math.ceil(position)))
        return f"{bar}.{beat + 1}" + (f"+{part}" if part else "")

    def step_bars(self, position: Fraction, bars: Fraction) -> Fraction:
        """The same place in the bar, so many bars on; a part of a bar counts by the length of the bar it falls in."""
        bar = self.bar_of(position)
        inside = position - self.bar_start(bar)
        whole = math.floor(bars)
        landed = self.bar_start(bar + whole) + inside
        return landed + (bars - whole) * self.bar_beats(self.bar_of(landed))


# ---- frames ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Group:
    """A beat's frames, or an equal part of them: the unit of rendering, caching, coding, seeking and recovery.

    Frame i (0 <= i < frames) latches at start_us + i * (end_us - start_us) // frames and stands at musical position
    beat + i * step.
    """

    index: int
    first: int
    frames: int
    start_us: int
    end_us: int
    beat: Fraction
    step: Fraction

    @property
    def end(self) -> int:
        """The frame after the last."""
        return self.first + self.frames

    def frame_us(self, i: int) -> int:
        """When frame i of the group latches."""
        return self.start_us + i * (self.end_us - self.start_us) // self.frames


class FrameClock:
    """The times of all frames of a show. Made by `frame_clock`.

    `frames_per_beat` is the song's K, `shortest_us` the time that every board needs for a frame.
    """

    def __init__(
        self, grid: BarGrid, knots: list[tuple[Fraction, int]], groups: list[Group], frames_per_beat: int, song_us: int
    ) -> None:
        self.grid = grid
        self.groups = tuple(groups)
        self.frames_per_beat = frames_per_beat
        self.song_us = song_us
        self._knot_beats = [beat for beat, _ in knots]
        self._knot_us = [us for _, us in knots]

    @cached_property
    def frames(self) -> int:
        """How many frames the show has."""
        return self.groups[-1].end if self.groups else 0

    @cached_property
    def start(self) -> Fraction:
        """Position of the first frame."""
        return self._knot_beats[0]

    @cached_property
    def end(self) -> Fraction:
        """Position of the end of the song."""
        return self._knot_beats[-1]

    @cached_property
    def _group_firsts(self) -> list[int]:
        return [group.first for group in self.groups]

    @cached_property
    def _group_beats(self) -> list[Fraction]:
        return [group.beat for group in self.groups]

    def group_at(self, frame: int) -> Group:
        """The group that holds a frame. Raises IndexError outside the show."""
        if not 0 <= frame < self.frames:
            raise IndexError(f"frame {frame} of {self.frames}")
        return self.groups[bisect.bisect_right(self._group_firsts, frame) - 1]

    def frame_us(self, frame: int) -> int:
        """When a frame latches, microseconds; the frame after the last stands for the end."""
        if frame == self.frames and self.groups:
            return self.groups[-1].end_us
        group = self.group_at(frame)
        return group.frame_us(frame - group.first)

    def frame_beat(self, frame: int) -> Fraction:
        """The musical position of a frame."""
        group = self.group_at(frame)
        return group.beat + (frame - group.first) * group.step

    def frame_at(self, position: Fraction) -> int:
        """The first frame at or after a position (0 before the show, `frames` after it)."""
        at = bisect.bisect_right(self._group_beats, position) - 1
        if at < 0:
            return 0
        group = self.groups[at]
        return group.first + min(math.ceil((position - group.beat) / group.step), group.frames)

    def frame_at_us(self, us: int) -> int:
        """The first frame that latches at or after a time."""
        return bisect.bisect_left(range(self.frames), us, key=self.frame_us)

    def us_at(self, position: Fraction) -> int:
        """When a position sounds, microseconds, rounded to the nearest; runs on past both ends."""
        i, beats, times = self._piece(self._knot_beats, position)
        share = (position - beats[i]) / (beats[i + 1] - beats[i])
        return round(times[i] + share * (times[i + 1] - times[i]))

    def beat_at_us(self, us: int) -> Fraction:
        """The position at a time, exactly; runs on past both ends."""
        i, beats, times = self._piece(self._knot_us, us)
        return beats[i] + (beats[i + 1] - beats[i]) * Fraction(us - times[i], times[i + 1] - times[i])

    def _piece(self, keys: Sequence[Fraction | int], at: Fraction | int) -> tuple[int, list[Fraction], list[int]]:
        i = min(max(bisect.bisect_right(keys, at) - 1, 0), len(keys) - 2)
        return i, self._knot_beats, self._knot_us

    def add(self, position: Fraction, span: Span) -> Fraction:
        """A position moved by a span: bars first, then beats, then seconds."""
        moved = self.grid.step_bars(position, span.bars) + span.beats
        if span.seconds:
            moved = self.beat_at_us(self.us_at(moved) + round(span.seconds * SECOND))
        return moved


def frame_clock(
    grid: BarGrid, song_us: int, rate: float = 40.0, shortest_us: int = 1, most_group_frames: int = GROUP_FRAMES
) -> FrameClock:
    """Lay the frames of a song.

    Parameters
    ----------
    grid : beats (at least one) and bars
    song_us : length of the song
    rate : wanted frames a second
    shortest_us : shortest time between two frames that the slowest board can keep; never undercut
    most_group_frames : frames that fit a board's buffer; beats are cut into equal groups that do not pass it

    Every beat takes K frames, one K for the song (`frames_per_beat`). A beat more than 1.6 times as long or as short
    as the typical one takes K x 2^j; one shorter than a frame takes none, and the next beat's first frame stands for
    both. Lead-in and tail run on in whole beats of the neighbouring tempo and one odd piece at the outer end,
    whose length is a whole number of quarter beats.
    """
    typical, fast = _typical_beats(grid.beats_us)
    per_beat = frames_per_beat(Fraction(rate) * typical / SECOND, max(1, fast // shortest_us))
    groups: list[Group] = []
    knots = _knots(grid.beats_us, song_us)
    for (beat, start), (next_beat, end) in itertools.pairwise(knots):
        beats = next_beat - beat
        frames = max(1, math.floor(beats * _frames_in_beat((end - start) / beats, typical, per_beat)))
        most = (end - start) // shortest_us
        # Where the wire is too slow: halve while that stays whole, so that halves still fall on frames.
        while frames > most and frames % 2 == 0:
            frames //= 2
        _cut(groups, beat, beats, start, end, min(frames, most), most_group_frames)
    return FrameClock(grid, knots, groups, per_beat, song_us)


def frames_per_beat(wanted: Fraction, most: int) -> int:
    """K: the multiple of 12 nearest to `wanted` (above 0) if that is within 25 % of it, else of 4; never above `most`.

    12 so that halves, quarters, thirds and sixths of a beat fall on frames; nearest by ratio. Where the wire allows
    fewer than 4 frames a beat, as many as it allows.
    """
    wanted = min(wanted, Fraction(most))
    for unit in (12, 4):
        near = {unit * n for n in (math.floor(wanted / unit), math.ceil(wanted / unit)) if 0 < unit * n <= most}
        best = min(near, key=lambda k: max(k / wanted, wanted / k), default=0)
        if best and (unit == 4 or abs(best / wanted - 1) <= Fraction(1, 4)):
            return best
    return most


def _typical_beats(beats_us: Sequence[int]) -> tuple[int, int]:
    """The median beat, and a fast beat that nearly all are longer than (K must fit the wire for those)."""
    periods = sorted(_periods(beats_us))
    typical = periods[len(periods) // 2]
    return typical, max(periods[len(periods) // 20], 7 * typical // 10)


def _periods(beats_us: Sequence[int]) -> list[int]:
    return [b - a for a, b in itertools.pairwise(beats_us)] or [EVEN_BEAT_US]


def _frames_in_beat(period_us: Fraction, typical_us: int, per_beat: int) -> int:
    """K for an ordinary beat, K x 2^j for one that is 2^j times as long, j rounded; halved only while that is whole."""
    ratio, frames = period_us / typical_us, per_beat
    if 1 / ODD_BEAT <= ratio <= ODD_BEAT:
        return frames
    while ratio * ratio >= 2:
        ratio, frames = ratio / 2, frames * 2
    while ratio * ratio < Fraction(1, 2) and frames % 2 == 0:
        ratio, frames = ratio * 2, frames // 2
    return frames


def _knots(beats_us: Sequence[int], song_us: int) -> list[tuple[Fraction, int]]:
    """Where musical time is pinned to the song: lead-in beats, heard beats, tail beats, the end."""
    last = len(beats_us) - 1
    periods = _periods(beats_us)
    # The median of a few: one misheard beat at the edge must not set the tempo of the whole lead-in.
    lead = _outer(beats_us[0], sorted(periods[:4])[len(periods[:4]) // 2])
    tail = _outer(song_us - beats_us[-1], sorted(periods[-4:])[len(periods[-4:]) // 2])
    knots = [(-beats, beats_us[0] - us) for beats, us in reversed(lead)]
    knots += [(Fraction(i), us) for i, us in enumerate(beats_us)]
    knots += [(last + beats, beats_us[-1] + us) for beats, us in tail]
    if len(knots) == 1:
        knots.append((knots[0][0] + Fraction(1, 4), knots[0][1] + 1))
    return knots


def _outer(distance_us: int, period_us: int) -> list[tuple[Fraction, int]]:
    """Beats outward from the first or last heard beat, to a distance: whole ones, then one of n/4 beats, n = 2..6.

    Returns (beats, us) from near to far, empty when there is nothing to fill. Less than half a beat in all is one
    piece of a quarter beat at least.
    """
    if distance_us <= 0:
        return []
    whole = max(0, (2 * distance_us // period_us - 1) // 2)
    out = [(Fraction(i), i * period_us) for i in range(1, whole + 1)]
    rest = distance_us - whole * period_us
    quarters = max(1, round(Fraction(4 * rest, period_us)))
    return [*out, (whole + Fraction(quarters, 4), distance_us)]


def _cut(
    groups: list[Group], beat: Fraction, beats: Fraction, start: int, end: int, frames: int, most_frames: int
) -> None:
    """Append a beat's frames as the fewest equal groups that fit the buffer and the board's arithmetic."""
    if frames <= 0:
        return
    most_frames = max(1, min(most_frames, GROUP_FRAMES))
    parts = next(
        p
        for p in range(1, frames + 1)
        if frames % p == 0
        and (p == frames or (frames // p <= most_frames and (end - start) // p * (frames // p) < GROUP_PRODUCT // 2))
    )
    size = frames // parts
    step = beats / frames
    for part in range(parts):
        a = start + part * size * (end - start) // frames
        b = start + (part + 1) * size * (end - start) // frames
        first = groups[-1].end if groups else 0
        groups.append(Group(len(groups), first, size, a, b, beat + part * size * step, step))
