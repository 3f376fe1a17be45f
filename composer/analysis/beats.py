"""Beats and bars: what the lattice is asked, and which of its answers is believed.

What a bar sounds like is a table of log likelihood ratios, fitted once on songs with known beats
(`benchmarks/fit_hearing.py` writes `patterns.json`): how often a band's rise has a level at a place in a bar, against
how often anywhere. The lattice finds the best chain of beats in overlapping tempo windows, for straight and swung
time and for bars of four and three. Its answers are then weighed as readings of the whole song: a reading that is
right repeats itself from bar to bar, keeps its tempo, and lies in the range that people tap to.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

import numpy as np
import numpy.typing as npt

from . import features, lattice
from .features import FPS, Doubles, Floats

LEVELS = 10  # a rise is one of ten sizes within its song
RISE_CUTS = (0.4, 0.55, 0.65, 0.73, 0.8, 0.86, 0.91, 0.95, 0.98)
NOVELTY_CUTS = (0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9)
LOCAL_S = 8.0  # a rise is measured against its surroundings
BAR = 4  # beats that the tables tell apart
WINDOWS = ((28, 34), (32, 39), (37, 45), (43, 53), (50, 61), (58, 71), (68, 83), (79, 97), (92, 112), (28, 112))
TEMPER = (0.3, 0.3, 0.3, 0.3, 0.3, 0.15)  # frames of a song are not independent: their evidence is thinned
PRICE, CAP = 60.0, 25.0
PRIOR_BPM, PRIOR_WIDTH, PRIOR_WEIGHT = 118.0, 0.42, 0.8

Levels = npt.NDArray[np.uint8]


@dataclass(frozen=True)
class Heard:
    """What beats are looked for in: `levels` (frames, 6) 0-9, `rise` (frames, 6), `log` (frames, MELS)."""

    levels: Levels
    rise: Floats
    log: Floats


@dataclass(frozen=True)
class Reading:
    """One answer of the lattice: frames where beats start, each beat's place in the bar, nats a frame."""

    frames: npt.NDArray[np.int64]
    places: npt.NDArray[np.int64]
    bar: int
    swing: bool
    window: tuple[int, int]
    nats: float


def prepare(log: Floats) -> Heard:
    """Everything that the search and the weighing look at, from the log-mel spectrum."""
    rise = features.rise_bands(log, features.rises(log))
    return Heard(quantise(rise), rise, log)


def quantise(rise: Floats) -> Levels:
    """Rises, measured against an 8 s mean, as levels 0-9 by their rank in the song."""
    out = np.empty(rise.shape, np.uint8)
    for k in range(rise.shape[1]):
        column = rise[:, k]
        ratio = column / (features.running_mean(column, int(LOCAL_S * FPS)) + 0.1 * column.mean() + 1e-9)
        cuts = NOVELTY_CUTS if k == rise.shape[1] - 1 else RISE_CUTS
        out[:, k] = np.searchsorted(np.quantile(ratio, cuts), ratio, side="right")
    return out


@cache
def patterns() -> dict[str, Any]:
    """The fitted tables: `straight` and `swing` (6, BAR, PLACES, LEVELS) nats, and the weights of the readings."""
    text = resources.files(__package__).joinpath("patterns.json").read_text(encoding="utf-8")
    return unpacked(json.loads(text))


def unpacked(content: dict[str, Any]) -> dict[str, Any]:
    """Tables as arrays. They are written in hundredths of a nat, whole numbers in one flat list."""
    shape = (len(TEMPER), BAR, lattice.PLACES, LEVELS)
    out = dict(content)
    for name in ("straight", "swing"):
        out[name] = np.array(content[name], np.float32).reshape(shape) / 100
    return out


def frame_scores(levels: Levels, table: Floats, bar: int) -> Floats:
    """(frames, kinds, PLACES) nats. A bar of four has four kinds of beat, any other two: the first and the rest."""
    if bar != BAR:
        table = np.stack([table[:, 0], table[:, 1:].mean(axis=1)], axis=1)
    out = np.zeros((len(levels), table.shape[1], table.shape[2]), np.float32)
    for k, temper in enumerate(TEMPER):
        rows = np.ascontiguousarray(np.moveaxis(table[k], 2, 0)) * np.float32(temper)
        out += rows[levels[:, k]]
    return out


def kinds_of(bar: int) -> npt.NDArray[np.int64]:
    """Which kind each beat of a bar is, for `frame_scores`."""
    return np.arange(BAR) if bar == BAR else np.minimum(np.arange(bar), 1)


def readings(levels: Levels, tables: dict[str, Any], bars: tuple[int, ...] = (4, 3)) -> list[Reading]:
    """The lattice's answers, in every tempo window, straight and swung, for each bar length."""
    windows = np.array([(a - lattice.SHORTEST, b + 1 - lattice.SHORTEST) for a, b in WINDOWS], np.int64)
    bpm = 60 * FPS / lattice.LENGTHS
    prior = -PRIOR_WEIGHT * 0.5 * (np.log(bpm / PRIOR_BPM) / PRIOR_WIDTH) ** 2
    out = []
    for swing in (False, True):
        for bar in bars:
            scores = frame_scores(levels, tables["swing" if swing else "straight"], bar)
            found = lattice.search(scores, kinds_of(bar), windows, prior, PRICE, CAP)
            for window, (nats, frames, places) in zip(WINDOWS, found, strict=True):
                if len(frames) >= 8:
                    out.append(Reading(frames, places, bar, swing, window, nats / len(levels)))
    return out


# ---- weighing readings -------------------------------------------------------------------------------------------

STEPS = 12  # places of a beat at which its sound is compared with other beats'


def marks(heard: Heard, reading: Reading) -> Doubles:
    """What speaks for and against a reading, as numbers for `weigh`."""
    starts = reading.frames.astype(float)
    steps = np.diff(starts)
    at = (starts[:-1, None] + steps[:, None] * np.arange(STEPS) / STEPS).ravel()
    i = np.clip(np.round(at).astype(int), 1, len(heard.levels) - 2)
    rise = _beatwise(heard.levels[i].astype(float), len(steps))
    tone = _beatwise(heard.log[i].astype(float), len(steps))
    bar = reading.bar
    alike = [_likeness(rise, lag) for lag in (1, 2, bar, 2 * bar)]
    tonal = [_likeness(tone, lag) for lag in (1, bar)]
    pace = float(np.log(60 * FPS / np.median(steps) / PRIOR_BPM))
    jitter = float(np.mean(np.abs(np.diff(steps)) / steps[1:]))
    return np.array(
        [10 * reading.nats, pace, pace**2, reading.swing, bar == 3, *alike, *tonal, alike[2] - alike[0], 10 * jitter]
    )


def _beatwise(values: Doubles, beats: int) -> Doubles:
    return (values - values.mean(axis=0)).reshape(beats, -1)


def _likeness(beatwise: Doubles, lag: int) -> float:
    """How alike beats `lag` apart sound: cosine over the whole song."""
    if len(beatwise) <= lag + 2:
        return 0.0
    a, b = beatwise[:-lag], beatwise[lag:]
    return float((a * b).sum() / np.sqrt((a * a).sum() * (b * b).sum() + 1e-9))


def weigh(heard: Heard, found: list[Reading], weights: list[float]) -> Doubles:
    """The share of belief in each reading, (readings,), summing to 1."""
    worth = np.array([marks(heard, reading) for reading in found]) @ np.array(weights)
    worth = np.exp(worth - worth.max())
    return np.asarray(worth / worth.sum())
