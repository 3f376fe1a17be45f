"""Onsets in three bands, and drum hits: what triggers hang on.

Conventions: events are (seconds, strength 0-1), ascending; strength 1 is as strong as the strongest 2 % of the song.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from . import features
from .features import FPS, Doubles, Floats

Events = tuple[tuple[float, float], ...]

APART_S = 0.03  # two onsets are at least this far apart
AROUND_S = 0.2  # the surroundings that an onset must stand out from
TIMES, MORE = 1.5, 0.035  # it is so many times their mean, and such a share of the song's strong rises more
REACH_S = 0.03  # from the coarse peak to the exact start


def onsets(rise: Floats, at: Doubles, strength: Doubles) -> dict[str, Events]:
    """Onsets by band from the rises (frames, MELS) and the exact starts (`refine.starts`).

    Onsets are found in the whole sound, and an onset belongs to every band that takes part in it: at least to the one
    that rises most by its own measure.
    """
    frames, _ = picked(rise.mean(axis=1))
    times = exact(frames, at, strength)
    curves = {band: rise[:, rows].mean(axis=1) for band, rows in features.band_of().items()}
    shares = np.stack([_share(curve, frames) for curve in curves.values()])
    stands = np.stack([_stands_out(curve, frames) for curve in curves.values()])
    stands[np.argmax(shares, axis=0), np.arange(len(frames))] = True
    return {band: _events(times[stands[i]], shares[i][stands[i]]) for i, band in enumerate(curves)}


def exact(frames: npt.NDArray[np.int64], at: Doubles, strength: Doubles) -> Doubles:
    """Seconds of coarse peaks, each moved to the start nearby that speaks loudest."""
    times = frames / FPS
    lows, highs = np.searchsorted(at, times - REACH_S), np.searchsorted(at, times + REACH_S)
    for k in np.flatnonzero(highs > lows):
        row = slice(lows[k], highs[k])
        speaks = strength[row] * np.exp(-0.5 * ((at[row] - times[k]) / (0.5 * REACH_S)) ** 2)
        times[k] = at[lows[k] + int(np.argmax(speaks))]
    return np.asarray(np.maximum(times, 0.0))


def _top(curve: Floats) -> float:
    """The height of a song's strong rises."""
    return float(np.percentile(curve[curve > 0], 98)) if (curve > 0).any() else 0.0


def _near(curve: Floats, frames: npt.NDArray[np.int64]) -> Floats:
    """The highest value within a frame of each."""
    return np.asarray(np.max([curve[np.clip(frames + k, 0, len(curve) - 1)] for k in (-1, 0, 1)], axis=0))


def _share(curve: Floats, frames: npt.NDArray[np.int64]) -> Floats:
    return np.asarray(np.clip(_near(curve, frames) / (_top(curve) + 1e-9), 0, 1))


def _stands_out(curve: Floats, frames: npt.NDArray[np.int64]) -> npt.NDArray[np.bool_]:
    around = features.running_mean(curve, int(AROUND_S * FPS))
    return np.asarray(_near(curve, frames) > TIMES * around[frames] + 0.1 * _top(curve))


def picked(curve: Floats) -> tuple[npt.NDArray[np.int64], Floats]:
    """Peaks of a curve that stand out from their surroundings: (frames, strength 0-1)."""
    from scipy.ndimage import maximum_filter1d

    top = _top(curve)
    if len(curve) < 5 or top <= 0:
        return np.zeros(0, np.int64), np.zeros(0, np.float32)
    around = features.running_mean(curve, int(AROUND_S * FPS))
    highest = maximum_filter1d(curve, 2 * int(APART_S * FPS) + 1)
    frames = np.flatnonzero((curve >= highest) & (curve > TIMES * around + MORE * top))
    frames = frames[np.diff(frames, prepend=-9) > 1]
    return frames, np.clip(curve[frames] / top, 0, 1)


def _events(times: Doubles, shares: Floats) -> Events:
    out: dict[float, float] = {}
    for time, share in zip(times.tolist(), shares.tolist(), strict=True):
        time = round(time, 6)
        out[time] = max(out.get(time, 0.0), round(share, 3))
    return tuple(sorted(out.items()))


DRUM_MARGIN = -0.4  # log odds from which a start counts as a drum: a missed kick is worse than one too many
AFTER = 3  # frames after a start at which its colour is heard


def drum_marks(rise: Floats, log: Floats, frames: npt.NDArray[np.int64]) -> Floats:
    """(onsets, 2 MELS): what rises at each onset and what sounds 30 ms later."""
    later = log[np.clip(frames + AFTER, 0, len(log) - 1)]
    return np.concatenate([_near(rise, frames), later], axis=1)


def hits(rise: Floats, log: Floats, at: Doubles, strength: Doubles, judge: Mapping[str, Any]) -> dict[str, Events]:
    """Kick, snare and hat: onsets that a fitted judge of their colour takes for one (several at once, or none).

    judge : `weights` (3, 2 MELS), `offset` (3,), `mean` and `spread` (2 MELS,), fitted by benchmarks/fit_hearing.py
    """
    frames, _ = picked(rise.mean(axis=1))
    if len(frames) == 0:
        return {drum: () for drum in DRUM_HZ}
    x = (drum_marks(rise, log, frames) - np.array(judge["mean"])) / np.array(judge["spread"])
    odds = x @ np.array(judge["weights"]).reshape(len(DRUM_HZ), -1).T + np.array(judge["offset"])
    times = exact(frames, at, strength)
    _, centres = features.mel_filters()
    out = {}
    for k, (drum, (low, high)) in enumerate(DRUM_HZ.items()):
        chosen = odds[:, k] > DRUM_MARGIN
        shares = _share(rise[:, (centres >= low) & (centres < high)].mean(axis=1), frames)
        out[drum] = _events(times[chosen], shares[chosen])
    return out


DRUM_HZ = {"kick": (0.0, 150.0), "snare": (150.0, 6000.0), "hat": (5500.0, 12_000.0)}  # where its strength is read
