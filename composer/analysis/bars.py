"""Bar lines: how many beats a bar has, and on which beat it starts.

Every bar length and every first beat is a candidate; what speaks for it is weighed as for beats (`belief`): the fitted
patterns, how alike bars sound, and what changes or stands out on its first beat, on the beats beside it and in its
middle: bass notes, chords, timbre, drums on the beat and half a beat later.
"""

from __future__ import annotations

import numpy as np

from .beats import Heard, Reading, bar_worth, swings
from .features import Doubles
from .marks import PARTS, beat_chroma, on_grid, standing_out

SIZES = (4, 3, 2, 5, 6, 7)
CHORD_REACHES, TONE_REACHES = (1, 2, 4), (1, 2, 4, 8)  # beats that a change is measured over


def candidates() -> list[tuple[int, int]]:
    """(beats a bar, place of the first bar line) of every candidate."""
    return [(size, first) for size in SIZES for first in range(size)]


def bar_marks(heard: Heard, reading: Reading) -> Doubles:
    """(candidates, marks) for one way to beat time."""
    beats = len(reading.frames) - 1
    grid = on_grid(standing_out(heard), reading.frames).astype(float)
    drums = np.concatenate([_scaled(grid[:, 0], 0.2), _scaled(grid[:, PARTS // 2], 0.2)], axis=1)
    tone = _mean_tone(heard, reading)
    chroma = beat_chroma(heard.chroma, reading.frames)
    low, high = _leveled(chroma[:, :12]), _leveled(chroma[:, 12:])
    changes = [_change(part, reach) for part in (low, high) for reach in CHORD_REACHES]
    changes += [_change(tone, reach) for reach in TONE_REACHES] + [_arrivals(part) for part in (low, high)]
    signs = np.concatenate([_scaled(np.stack(changes, axis=1), 1e-6), drums], axis=1)
    parts = [drums, *(part - part.mean(axis=0) for part in (tone, low, high))]
    alike = {lag: np.array([_likeness(part, lag) for part in parts]) for lag in {1, *SIZES, *(2 * s for s in SIZES)}}
    worth = reading.worth[int(swings(reading))]
    rows = []
    for size in SIZES:
        nats = bar_worth(worth, size)
        mean = [signs[place::size].mean(axis=0) if place < beats else np.zeros(signs.shape[1]) for place in range(size)]
        twice = 2 * size if size not in (5, 7) else size
        for first in range(size):
            after, before, middle = (mean[(first + step) % size] for step in (1, -1, size // 2))
            rows.append(
                [nats[first] / beats, (nats[first] - nats.mean()) / beats, *mean[first], *(after - before), *middle,
                 *(alike[size] - alike[1]), *(alike[twice] - alike[1]), *(float(size == s) for s in SIZES[1:])]
            )  # fmt: skip
    return np.array(rows)


def _scaled(columns: Doubles, least: float) -> Doubles:
    return np.asarray((columns - columns.mean(axis=0)) / (columns.std(axis=0) + least))


def _leveled(chroma: Doubles) -> Doubles:
    """Chroma of even loudness, but what is hardly there stays small."""
    size = np.linalg.norm(chroma, axis=1, keepdims=True)
    return np.asarray(chroma / (size + size.mean() + 1e-6))


def _arrivals(chroma: Doubles) -> Doubles:
    """How much a beat has that the one before has not."""
    out = np.maximum(0, np.diff(chroma, axis=0, prepend=chroma[:1])).sum(axis=1)
    out[0] = out.mean()
    return np.asarray(out)


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
