"""Fit what the ear knows of bars and of readings; writes `composer/analysis/patterns.json`.

    python benchmarks/fit_hearing.py

Uses the songs of set A (see `benchmarks/hearing.py`, which cross-validates all of this by song).
"""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
from scipy.optimize import minimize

from composer.analysis import beats, lattice
from composer.analysis.features import FPS

OUT = Path(__file__).parent.parent / "composer" / "analysis" / "patterns.json"
SAME_BEAT = 30.0  # frames that the beat-independent table weighs against a level's overall share
SAME_BAR = 40.0  # frames that a beat's own table weighs against the beat-independent one
RIDGE = 0.02  # keeps the weights of the readings small


def count(levels: np.ndarray, beat_times: np.ndarray, down_times: np.ndarray) -> np.ndarray:
    """(bands, BAR, PLACES, LEVELS) frames of a song by beat of the bar, place in the beat and level."""
    out = np.zeros((levels.shape[1], beats.BAR, lattice.PLACES, beats.LEVELS))
    at = beat_times * FPS
    bar = np.searchsorted(down_times, beat_times + 0.01) - 1
    for i, (start, end) in enumerate(zip(at[:-1], at[1:], strict=True)):
        if not 20 <= end - start <= 130:
            continue
        line = down_times[max(bar[i], 0)]
        beat = (i - np.searchsorted(beat_times, line - 0.01)) % beats.BAR
        for t in range(max(0, int(np.ceil(start - 0.5))), min(len(levels), int(np.ceil(end - 0.5)))):
            place = lattice.places_of(t - start, end - start)
            for band in range(levels.shape[1]):
                out[band, beat, place, levels[t, band]] += 1
    return out


def table(counts: np.ndarray) -> np.ndarray:
    """Log likelihood ratios (bands, BAR, PLACES, LEVELS), nats, smoothed towards what all beats share."""
    out = np.zeros(counts.shape)
    for band in range(len(counts)):
        anywhere = counts[band].sum(axis=(0, 1)) + 1
        anywhere /= anywhere.sum()
        shared = counts[band].sum(axis=0) + SAME_BEAT * anywhere
        shared /= shared.sum(axis=1, keepdims=True)
        own = counts[band] + SAME_BAR * shared
        own /= own.sum(axis=2, keepdims=True)
        out[band] = np.log(own / anywhere)
    return out


def swung(counts: np.ndarray) -> np.ndarray:
    """Straight counts as if played swung: eighths fall on the last third, quarters between them say nothing."""
    out = counts.copy()
    elsewhere = counts[:, :, -1:, :]
    elsewhere = elsewhere / np.maximum(1, elsewhere.sum(axis=-1, keepdims=True))

    def part(i: int) -> slice:
        return slice(i * lattice.SPREAD, (i + 1) * lattice.SPREAD)

    for i in (1, 3, 5):
        out[:, :, part(i)] = elsewhere * counts[:, :, part(i)].sum(axis=-1, keepdims=True)
    out[:, :, part(4)] = counts[:, :, part(3)]
    out[:, :, part(2)] = 0.7 * counts[:, :, part(1)] + 0.3 * counts[:, :, part(3)]
    return out


def tables(counts: list[np.ndarray], swing: list[bool]) -> dict[str, np.ndarray]:
    """The straight table, and the swing table: of few swung songs, helped by the straight ones played swung."""
    straight = sum(c for c, s in zip(counts, swing, strict=True) if not s)
    swings = [c for c, s in zip(counts, swing, strict=True) if s]
    return {"straight": table(straight), "swing": table(sum(swings, 0.15 * swung(straight)))}


def weights(marks: list[np.ndarray], right: list[np.ndarray], ridge: float = RIDGE) -> np.ndarray:
    """Weights under which the expected F-measure of the believed reading is greatest, averaged over songs.

    marks : per song (readings, marks); right : per song (readings,) F-measure of each
    """
    spread = np.concatenate(marks).std(axis=0) + 1e-9

    def loss(w: np.ndarray) -> tuple[float, np.ndarray]:
        total, slope = ridge * float(w @ w), 2 * ridge * w
        for m, r in zip(marks, right, strict=True):
            x = m / spread
            p = x @ w
            p = np.exp(p - p.max())
            p /= p.sum()
            mean = float(p @ r)
            total -= np.log(mean + 0.02) / len(marks)
            slope = slope - (x.T @ (p * (r - mean))) / (mean + 0.02) / len(marks)
        return total, slope

    best = minimize(loss, np.zeros(marks[0].shape[1]), jac=True, method="L-BFGS-B")
    return np.asarray(best.x / spread)


def write(fitted: dict[str, np.ndarray], weigh: np.ndarray, path: Path = OUT) -> None:
    """The parameters as text, in hundredths of a nat."""
    content = {
        "made_by": "benchmarks/fit_hearing.py",
        "weights": [round(float(w), 4) for w in weigh],
        **{name: np.round(100 * values).astype(int).ravel().tolist() for name, values in fitted.items()},
    }
    path.write_text(json.dumps(content, separators=(",", ":")).replace('],"', '],\n"') + "\n", encoding="ascii")
