"""Sections: stretches of bars that belong together, named A, B, A ... so that what returns has its name again."""

from __future__ import annotations

import numpy as np

from .features import FPS, Doubles, Floats

SHORTEST = 4  # bars
ALIKE = 0.35  # two sections are one name when their mean sounds are this near (z-scored distance a dimension)


def sections(
    log: Floats, lines: Doubles, first: float, last: float, shortest: int = SHORTEST
) -> list[tuple[float, float, str]]:
    """(start, end, name) in seconds, boundaries on bar lines, from the first bar line (or sound) to the last sound.

    lines : seconds of the bar lines, ascending
    """
    start = float(lines[0]) if len(lines) else first
    last = max(last, start + 1e-3)
    edges = np.array([line for line in lines if line < last - 0.05] + [last])
    if len(edges) > 2 and edges[-1] - edges[-2] < 0.5 * np.median(np.diff(lines)):
        edges = edges[:-1]  # what rings on after the last bar line is no bar of its own
    if len(edges) < 2 * shortest + 1:
        return [(round(start, 6), round(last, 6), "A")]
    bars = _bar_sounds(log, edges)
    cuts = _cuts(bars, shortest)
    ends = [*edges[:-1], last]
    names = _names([bars[a:b].mean(axis=0) for a, b in zip(cuts[:-1], cuts[1:], strict=True)])
    return [
        (round(float(edges[a]), 6), round(float(ends[b]), 6), name)
        for a, b, name in zip(cuts[:-1], cuts[1:], names, strict=True)
    ]


def _bar_sounds(log: Floats, edges: Doubles) -> Doubles:
    """What each bar sounds like, scaled so that every dimension counts alike: (bars, dimensions)."""
    at = np.clip(np.round(edges * FPS).astype(int), 0, len(log) - 1)
    rows = []
    for a, b in zip(at[:-1], at[1:], strict=True):
        bar = log[a : max(b, a + 1)]
        rows.append(np.concatenate([bar.mean(axis=0), bar.std(axis=0)]))
    out = np.array(rows, float)
    return np.asarray((out - out.mean(axis=0)) / (out.std(axis=0) + 0.05))


def _cuts(bars: Doubles, shortest: int) -> list[int]:
    """Where sections start, as bars, by dynamic programming: homogeneous stretches, lengths of four bars preferred."""
    n = len(bars)
    sums = np.vstack([np.zeros(bars.shape[1]), np.cumsum(bars, axis=0)])
    squares = np.concatenate([[0.0], np.cumsum((bars**2).sum(axis=1))])
    dims = bars.shape[1]
    best = np.full(n + 1, np.inf)
    best[0] = 0.0
    came = np.zeros(n + 1, int)
    for end in range(1, n + 1):
        for start in range(max(0, end - 32), end):
            size = end - start
            if size < shortest and end != n and start != 0:
                continue
            inner = squares[end] - squares[start] - ((sums[end] - sums[start]) ** 2).sum() / size
            odd = 0.0 if size % 4 == 0 else (0.5 if size % 2 == 0 else 1.0)
            cost = best[start] + inner / dims + 1.5 + odd
            if cost < best[end]:
                best[end], came[end] = cost, start
    cuts = [n]
    while cuts[-1] > 0:
        cuts.append(int(came[cuts[-1]]))
    return cuts[::-1]


def _names(means: list[Doubles]) -> list[str]:
    """A letter each; a section takes the letter of the nearest earlier one that sounds alike."""
    groups: list[list[Doubles]] = []
    names = []
    for mean in means:
        far = [float(np.mean((np.mean(group, axis=0) - mean) ** 2)) for group in groups]
        best = int(np.argmin(far)) if far else -1
        if best < 0 or far[best] > ALIKE:
            groups.append([])
            best = len(groups) - 1
        groups[best].append(mean)
        names.append(_letter(best))
    return names


def _letter(index: int) -> str:
    return chr(ord("A") + index) if index < 26 else _letter(index // 26 - 1) + chr(ord("A") + index % 26)
