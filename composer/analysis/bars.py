"""Bar lines: how many beats a bar has, and on which beat it starts.

Every bar length and every first beat is a candidate; what speaks for it is weighed as for beats (`belief`): the fitted
patterns, how alike bars sound, and whether chords, timbre and bass change on its first beats more than on others.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from .beats import Heard, Reading, bar_worth, swings
from .features import Doubles

SIZES = (4, 3, 2, 5, 6, 7)


def candidates() -> list[tuple[int, int]]:
    """(beats a bar, place of the first bar line) of every candidate."""
    return [(size, first) for size in SIZES for first in range(size)]


def bar_marks(heard: Heard, reading: Reading) -> Doubles:
    """(candidates, marks) for one way to beat time."""
    starts = np.clip(reading.frames[:-1], 0, len(heard.levels) - 1)
    beats = len(starts)
    tone = _mean_tone(heard, reading)
    changes = [_change(tone, reach) for reach in (1, 2, 4, 8)]
    around = np.clip(starts[:, None] + np.arange(-2, 4), 0, len(heard.levels) - 1)
    sharp = heard.levels[around].max(axis=1).astype(float)
    bass, low, timbre, rest = sharp[:, 0], sharp[:, 1], sharp[:, 5], sharp[:, 2:5].mean(axis=1)
    columns = np.stack([*changes, changes[2] ** 2, changes[3] ** 2, timbre, bass, low, rest], axis=1)
    columns = (columns - columns.mean(axis=0)) / (columns.std(axis=0) + 1e-6)
    worth = reading.worth[int(swings(reading))]
    rise = sharp - sharp.mean(axis=0)
    alike = {size: (_likeness(rise, size), _likeness(tone - tone.mean(axis=0), size)) for size in (1, *SIZES)}
    rows = []
    for size in SIZES:
        nats = bar_worth(worth, size)
        for first in range(size):
            down = np.arange(beats) % size == first
            contrast = _contrast(columns, down, ~down)
            rows.append(
                [nats[first] / beats, (nats[first] - nats.mean()) / beats, *contrast,
                 alike[size][0] - alike[1][0], alike[size][1] - alike[1][1], *(float(size == s) for s in SIZES[1:])]
            )  # fmt: skip
    return np.array(rows)


def _contrast(columns: Doubles, here: npt.NDArray[np.bool_], there: npt.NDArray[np.bool_]) -> Doubles:
    if not here.any() or not there.any():
        return np.zeros(columns.shape[1])
    return np.asarray(columns[here].mean(axis=0) - columns[there].mean(axis=0))


def _change(tone: Doubles, reach: int) -> Doubles:
    """How much the next `reach` beats differ from the last, at every beat."""
    beats = len(tone)
    total = np.vstack([np.zeros(tone.shape[1]), np.cumsum(tone, axis=0)])
    i = np.arange(beats)
    start, end = np.maximum(i - reach, 0), np.minimum(i + reach, beats)
    after = (total[end] - total[i]) / (end - i)[:, None]
    before = (total[i] - total[start]) / np.maximum(1, i - start)[:, None]
    out = np.sqrt(((after - before) ** 2).mean(axis=1))
    out[: min(reach, 2)] = out[-min(reach, 2) :] = out.mean()  # the ends know one side only
    return np.asarray(out)


def _mean_tone(heard: Heard, reading: Reading) -> Doubles:
    """What each beat sounds like on the whole: (beats, MELS)."""
    edges = np.clip(reading.frames, 0, len(heard.log))
    total = np.vstack([np.zeros(heard.log.shape[1]), np.cumsum(heard.log, axis=0, dtype=float)])
    return np.asarray((total[edges[1:]] - total[edges[:-1]]) / np.maximum(1, np.diff(edges))[:, None])


def _likeness(beatwise: Doubles, lag: int) -> float:
    """How alike beats `lag` apart sound: cosine over the whole song."""
    if len(beatwise) <= lag + 2:
        return 0.0
    a, b = beatwise[:-lag], beatwise[lag:]
    return float((a * b).sum() / np.sqrt((a * a).sum() * (b * b).sum() + 1e-9))
