"""Beat grids as plain lists: beats in seconds, bar lines as indices into them. Nothing here knows a song."""

from __future__ import annotations

import hashlib
import itertools
import math
import statistics
from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

HAIR_S = 0.02  # a beat found this little before the song starts is its first sample


@dataclass(frozen=True)
class Grid:
    """Beats (seconds, ascending) and which of them start a bar."""

    beats: tuple[float, ...]
    bars: tuple[int, ...]
    beats_per_bar: int


def grid_id(bars: Iterable[int], beats_per_bar: int) -> str:
    """Short id of a bar numbering: eight hex digits over the bar lines' places among the beats.

    The times are left out on purpose: a beat that moves by milliseconds does not renumber a score.
    """
    text = f"{beats_per_bar}:{','.join(str(i) for i in bars)}"
    return hashlib.sha256(text.encode("ascii")).hexdigest()[:8]


def tempo_of(beats: Sequence[float]) -> float:
    """Mean beats a minute, from the beats themselves; 0.0 below two beats."""
    if len(beats) < 2:
        return 0.0
    return round(60.0 * (len(beats) - 1) / (beats[-1] - beats[0]), 3)


def common_bar(bars: Sequence[int], otherwise: int = 4) -> int:
    """The commonest bar length in beats; the longer one of equals."""
    sizes = [b - a for a, b in itertools.pairwise(bars)]
    return max(sorted(set(sizes), reverse=True), key=sizes.count) if sizes else otherwise


def extend(grid: Grid, first: float, last: float) -> Grid:
    """Run a grid on to the first and last sound, seconds, at the tempo of its nearest beats.

    A beat is added while it lies within a tenth of a beat of the sound. Bar lines run on at the grid's bar length.
    """
    if len(grid.beats) < 2:
        return grid
    beats = list(grid.beats)
    periods = [b - a for a, b in itertools.pairwise(beats)]
    lead, tail = statistics.median(periods[:8]), statistics.median(periods[-8:])
    added = 0
    while beats[0] - lead >= max(-HAIR_S, first - 0.1 * lead):
        beats.insert(0, max(0.0, beats[0] - lead))
        added += 1
    while beats[-1] + tail <= last + 0.1 * tail:
        beats.append(beats[-1] + tail)
    bars = run_on([i + added for i in grid.bars], len(beats), grid.beats_per_bar)
    return Grid(rounded(beats), bars, grid.beats_per_bar)


def run_on(bars: Sequence[int], beats: int, size: int) -> tuple[int, ...]:
    """Bar lines continued to both ends of `beats` beats, `size` beats a bar."""
    if not bars:
        return tuple(range(0, beats, size))
    before = range(bars[0] % size, bars[0], size)
    after = range(bars[-1] + size, beats, size)
    return (*before, *bars, *after)


def doubled(grid: Grid) -> Grid:
    """A beat between every two; bars keep their count of beats, so there are twice as many. The first one stays."""
    beats, size = grid.beats, grid.beats_per_bar
    middle = [(a + b) / 2 for a, b in itertools.pairwise(beats)]
    lines = [2 * i for i in grid.bars]
    lines = sorted([*lines, *((a + b) // 2 for a, b in itertools.pairwise(lines))])
    lines += range(lines[-1] + size, 2 * len(beats) - 1, size) if lines else ()  # in the last bar, which ends nowhere
    return Grid(rounded(sorted([*beats, *middle])), tuple(lines), size)


def halved(grid: Grid) -> Grid:
    """Every other beat, counted so that the first bar line stays, and from there bars of as many beats as before."""
    odd = (grid.bars[0] if grid.bars else 0) % 2
    beats = grid.beats[odd::2]
    first = (grid.bars[0] - odd) // 2 if grid.bars else 0
    return Grid(beats, run_on([first], len(beats), grid.beats_per_bar), grid.beats_per_bar)


def between(grid: Grid) -> Grid:
    """The off-beat: every beat half a beat later."""
    beats = grid.beats
    if len(beats) < 2:
        return grid
    return Grid(moved(beats, 0.5), grid.bars, grid.beats_per_bar)


def moved(beats: Sequence[float], by: float) -> tuple[float, ...]:
    """Beats moved along the grid itself by a number of beats, running on past its ends."""
    return rounded(time_at(beats, i + by) for i in range(len(beats)))


def time_at(beats: Sequence[float], position: float) -> float:
    """Seconds at a place on the beats (0.0 = the first), running on at the neighbouring tempo."""
    i = min(max(math.floor(position), 0), len(beats) - 2)
    return beats[i] + (position - i) * (beats[i + 1] - beats[i])


def place_at(beats: Sequence[float], time: float) -> float:
    """The place on the beats at a time: the inverse of `time_at`."""
    i = min(max(bisect_right(beats, time) - 1, 0), len(beats) - 2)
    return i + (time - beats[i]) / (beats[i + 1] - beats[i])


def rounded(times: Iterable[float]) -> tuple[float, ...]:
    return tuple(round(float(t), 6) for t in times)
