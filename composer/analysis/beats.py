"""Beats and bars: what the lattice is asked, and which of its answers is believed.

What a bar sounds like is a table of log likelihood ratios, fitted once on songs with known beats
(`benchmarks/fit_hearing.py` writes `patterns.json`): how often a band's rise has a level at a place in a bar, against
how often anywhere. The lattice finds the best chain of beats in overlapping tempo windows, for straight and swung
time and for bars of four and three. Its answers are then weighed as readings of the whole song: a reading that is
right explains what is heard, keeps its tempo, and lies in the range that people tap to.
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
PRICE, CAP = 120.0, 120.0  # nats: steady readings carried over to other songs better than nimble ones
PRIOR_BPM, PRIOR_WIDTH, PRIOR_WEIGHT = 118.0, 0.42, 0.8

_BLOCK = 4096  # frames worked on at once, for memory's sake
Levels = npt.NDArray[np.uint8]


@dataclass(frozen=True)
class Heard:
    """What beats are looked for in: `levels` (frames, 6) 0-9, `log` (frames, MELS), `chroma` (coarser frames, 24)."""

    levels: Levels
    log: Floats
    chroma: Floats


@dataclass(frozen=True)
class Reading:
    """One way to beat time to the song.

    frames : (beats + 1,) where beats start, and where the last one ends
    worth : (2, beats, BAR) nats of each beat as the first, second ... of a bar, in straight and in swung time
    """

    frames: npt.NDArray[np.int64]
    worth: Doubles


def prepare(log: Floats, chroma: Floats) -> Heard:
    """Everything that the search and the weighing look at, from the log-mel spectrum and the chroma."""
    return Heard(quantise(features.rise_bands(log, features.rises(log))), log, chroma)


def quantise(rise: Floats) -> Levels:
    """Rises, measured against an 8 s mean, as levels 0-9 by their rank in the song."""
    out = np.empty(rise.shape, np.uint8)
    for k in range(rise.shape[1]):
        column = rise[:, k]
        ratio = column / (features.running_mean(column, int(LOCAL_S * FPS)) + 0.1 * column.mean() + 1e-9)
        cuts = NOVELTY_CUTS if k == rise.shape[1] - 1 else RISE_CUTS
        # A rise of nothing is level 0 however many there are: a value on a cut stays below it.
        out[:, k] = np.searchsorted(np.quantile(ratio, cuts), ratio, side="left")
    return out


@cache
def patterns() -> dict[str, Any]:
    """What was fitted: tables `straight` and `swing` (6, BAR, PLACES, LEVELS) nats; judges of `beat` and `bar`."""
    text = resources.files(__package__).joinpath("patterns.json").read_text(encoding="utf-8")
    return unpacked(json.loads(text))


def unpacked(content: dict[str, Any]) -> dict[str, Any]:
    """Tables as arrays. They are written in hundredths of a nat, whole numbers in one flat list."""
    shape = (len(TEMPER), BAR, lattice.PLACES, LEVELS)
    out = dict(content)
    for name in ("straight", "swing"):
        out[name] = np.array(content[name], np.float32).reshape(shape) / 100
    return out


def frame_scores(levels: Levels, table: Floats) -> Floats:
    """(frames, BAR, PLACES) nats of a frame at a place of each beat of a bar of four."""
    out = np.zeros((len(levels), table.shape[1], table.shape[2]), np.float32)
    for k, temper in enumerate(TEMPER):
        rows = np.ascontiguousarray(np.moveaxis(table[k], 2, 0)) * np.float32(temper)
        for i in range(0, len(levels), _BLOCK):
            out[i : i + _BLOCK] += rows[levels[i : i + _BLOCK, k]]
    return out


def kinds_of(bar: int) -> npt.NDArray[np.int64]:
    """Which kind each beat of a bar is. A bar of four has four kinds, any other two: the first and the rest."""
    return np.arange(BAR) if bar == BAR else np.minimum(np.arange(bar), 1)


def readings(levels: Levels, tables: dict[str, Any], bars: tuple[int, ...] = (4, 3)) -> list[Reading]:
    """All ways to beat time that deserve a thought: the lattice's answers, each once, and each half a beat later."""
    windows = np.array([(a - lattice.SHORTEST, b + 1 - lattice.SHORTEST) for a, b in WINDOWS], np.int64)
    bpm = 60 * FPS / lattice.LENGTHS
    prior = -PRIOR_WEIGHT * 0.5 * (np.log(bpm / PRIOR_BPM) / PRIOR_WIDTH) ** 2
    chains: list[npt.NDArray[np.int64]] = []
    scores = np.stack([frame_scores(levels, tables[time]) for time in ("straight", "swing")])
    for time in range(2):
        for bar in bars:
            kinds = scores[time] if bar == BAR else _two_kinds(scores[time])
            for _, frames, _ in lattice.search(kinds, kinds_of(bar), windows, prior, PRICE, CAP):
                _add(chains, frames)
    for frames in list(chains):
        _add(chains, (frames[:-1] + frames[1:]) // 2)
    return [Reading(frames, worth_of(scores, frames)) for frames in chains]


def swings(reading: Reading) -> bool:
    """Whether swung time explains a reading better than straight time."""
    straight, swung = (max(bar_worth(reading.worth[time], size).max() for size in (4, 3)) for time in range(2))
    return bool(swung > straight)


def _two_kinds(scores: Floats) -> Floats:
    return np.stack([scores[:, 0], scores[:, 1:].mean(axis=1)], axis=1)


def _add(chains: list[npt.NDArray[np.int64]], frames: npt.NDArray[np.int64]) -> None:
    """Keep a chain of beats unless nine in ten of its beats are those of a chain that is kept."""
    if len(frames) < 9:
        return
    for other in chains:
        if abs(len(other) - len(frames)) <= 0.1 * len(frames):
            near = np.clip(np.searchsorted(other, frames), 1, len(other) - 1)
            off = np.minimum(np.abs(other[near] - frames), np.abs(other[near - 1] - frames))
            if np.mean(off <= 4) > 0.9:
                return
    chains.append(frames)


def worth_of(scores: Floats, frames: npt.NDArray[np.int64]) -> Doubles:
    """(2, beats, BAR) nats of the beats of a chain. `scores` (2, frames, BAR, PLACES)."""
    lengths = np.minimum(np.diff(frames), 2 * lattice.LONGEST)
    beat = np.repeat(np.arange(len(lengths)), lengths)
    inside = np.arange(len(beat)) - np.repeat(np.cumsum(lengths) - lengths, lengths)
    t = frames[beat] + inside
    keep = (t >= 0) & (t < scores.shape[1])
    beat, inside, t = beat[keep], inside[keep], t[keep]
    place = lattice.place_table()[lengths[beat], inside]
    out = np.zeros((len(scores), len(lengths), BAR))
    for time in range(len(scores)):
        for kind in range(BAR):
            out[time, :, kind] = np.bincount(beat, scores[time, t, kind, place], len(lengths))
    return out


# ---- weighing readings -------------------------------------------------------------------------------------------


def bar_worth(worth: Doubles, size: int) -> Doubles:
    """(size,) nats of a song whose bars of `size` beats start on the 1st, 2nd ... beat. `worth` (beats, BAR)."""
    two = np.stack([worth[:, 0], worth[:, 1:].mean(axis=1)], axis=1) if size != BAR else worth
    kinds = kinds_of(size)
    out = np.zeros(size)
    for first in range(size):
        out[first] = two[np.arange(len(two)), kinds[(np.arange(len(two)) - first) % size]].sum()
    return out
