"""Onsets in three bands, and drum hits: what triggers hang on.

Conventions: events are (seconds, strength 0-1), ascending; strength 1 is as strong as the strongest 2 % of the song.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from . import features
from .features import FPS, Doubles, Floats

Events = tuple[tuple[float, float], ...]

APART_S = 0.03  # two onsets of a band are at least this far apart
AROUND_S = 0.4  # the surroundings that an onset must stand out from
REACH_S = 0.03


def onsets(rise: Floats, at: Doubles, strength: Doubles) -> dict[str, Events]:
    """Onsets by band from the rises (frames, MELS) and the exact starts (`refine.starts`)."""
    return {band: events(rise[:, rows].mean(axis=1), at, strength) for band, rows in features.band_of().items()}


def events(curve: Floats, at: Doubles, strength: Doubles) -> Events:
    """Peaks of a curve on the coarse grid, each moved to the exact start nearest to it."""
    peaks, height = picked(curve)
    out: dict[float, float] = {}
    for time, share in zip(peaks / FPS, height, strict=True):
        low, high = np.searchsorted(at, [time - REACH_S, time + REACH_S])
        if high > low:
            speaks = strength[low:high] * np.exp(-0.5 * ((at[low:high] - time) / (0.5 * REACH_S)) ** 2)
            time = at[low + int(np.argmax(speaks))]
        time = round(max(0.0, float(time)), 6)
        out[time] = max(out.get(time, 0.0), round(float(share), 3))
    return tuple(sorted(out.items()))


def picked(curve: Floats) -> tuple[npt.NDArray[np.int64], Floats]:
    """Peaks that stand out from their surroundings: (frames, strength 0-1)."""
    if len(curve) < 5:
        return np.zeros(0, np.int64), np.zeros(0, np.float32)
    top = float(np.percentile(curve[curve > 0], 98)) if (curve > 0).any() else 0.0
    if top <= 0:
        return np.zeros(0, np.int64), np.zeros(0, np.float32)
    from scipy.ndimage import maximum_filter1d

    around = features.running_mean(curve, int(AROUND_S * FPS))
    wide = 2 * int(APART_S * FPS) + 1
    peak = (curve >= maximum_filter1d(curve, wide)) & (curve > 1.3 * around + 0.06 * top)
    frames = np.flatnonzero(peak)
    frames = frames[np.concatenate([[True], np.diff(frames) > 1])] if len(frames) else frames
    return frames, np.clip(curve[frames] / top, 0, 1)


def hits(rise: Floats, at: Doubles, strength: Doubles) -> dict[str, Events]:
    """Kick, snare and hat: starts with the spectrum of each."""
    _, centres = features.mel_filters()
    low = rise[:, centres < 110].mean(axis=1)
    body = rise[:, (centres >= 150) & (centres < 500)].mean(axis=1)
    noise = rise[:, (centres >= 2000) & (centres < 6000)].mean(axis=1)
    air = rise[:, centres >= 5500].mean(axis=1)
    curves = {"kick": np.maximum(0, low - 0.3 * body), "snare": np.sqrt(body * noise), "hat": np.maximum(0, air - body)}
    return {drum: events(curve, at, strength) for drum, curve in curves.items()}
