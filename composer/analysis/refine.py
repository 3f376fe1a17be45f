"""From beats on a 10 ms grid to beats on the sound: where things start, and the line through them.

A beat is moved to a robust straight line through the sharpest starts near the beats around it, so that one player's
early note does not bend it, and a beat without any note of its own still lies right.
"""

from __future__ import annotations

import numpy as np

from .features import FINE_FPS, Doubles, Floats

EARLY_S = 0.0013  # the steepest rise of the logarithm comes before the sound's own: measured by benchmarks/hearing.py
REACH_S = 0.03  # a start within this distance may belong to a beat
NEAR = 8  # beats to either side that a line runs through
FAR_BEATS = 0.2  # how far, of a beat, a line may lie from a beat near which nothing starts
WEAKEST = 0.02  # a start must rise by this much


def starts(fine: Floats) -> tuple[Doubles, Doubles]:
    """Where sounds start, from the fine rise: (seconds, strength) of its peaks, between frames by a parabola."""
    inner = fine[1:-1]
    i = np.flatnonzero((inner > fine[:-2]) & (inner >= fine[2:]) & (inner > WEAKEST)) + 1
    a, b, c = (fine[i + k].astype(float) for k in (-1, 0, 1))
    off = 0.5 * (a - c) / (a - 2 * b + c - 1e-12)
    return (i + off) / FINE_FPS + EARLY_S, b


def refined(beats: Doubles, at: Doubles, strength: Doubles) -> tuple[Doubles, Doubles]:
    """Beats (seconds) moved onto the starts `at`.

    Returns (beats, residual): the residual is how far, in seconds, the starts stray from the line at each beat
    (NaN where there are too few).
    """
    beats = np.array(beats, float)
    spread = np.full(len(beats), np.nan)
    if len(beats) < 4 or len(at) == 0:
        return beats, spread
    for reach in (REACH_S, 0.6 * REACH_S, 0.6 * REACH_S):
        near, weight = _nearest(beats, at, strength, reach)
        beats, spread = _lines(beats, near, weight, reach)
        order = np.maximum.accumulate(beats)
        beats = np.where(beats < order, order + 1e-6, beats)
    return beats, spread


def _nearest(beats: Doubles, at: Doubles, strength: Doubles, reach: float) -> tuple[Doubles, Doubles]:
    """The start that speaks loudest for each beat (NaN: none within reach), and its weight."""
    near, weight = np.full(len(beats), np.nan), np.zeros(len(beats))
    lows, highs = np.searchsorted(at, beats - reach), np.searchsorted(at, beats + reach)
    for k in np.flatnonzero(highs > lows):
        row = slice(lows[k], highs[k])
        speaks = strength[row] * np.exp(-0.5 * ((at[row] - beats[k]) / (0.5 * reach)) ** 2)
        best = lows[k] + int(np.argmax(speaks))
        near[k], weight[k] = at[best], strength[best]
    return near, weight


def _lines(beats: Doubles, near: Doubles, weight: Doubles, reach: float) -> tuple[Doubles, Doubles]:
    """Each beat on the weighted robust line (Cauchy weights) through the starts of its neighbourhood."""
    n = len(beats)
    offsets = np.arange(-NEAR, NEAR + 1)
    rows = np.arange(n)[:, None] + offsets
    inside = (rows >= 0) & (rows < n)
    rows = np.clip(rows, 0, n - 1)
    y = near[rows]
    used = inside & ~np.isnan(y)
    y = np.where(used, y, 0.0)
    x = np.broadcast_to(offsets.astype(float), y.shape)
    base = np.where(used, weight[rows] * np.exp(-0.5 * (offsets / (0.6 * NEAR)) ** 2), 0.0)
    w = base.copy()
    intercept = beats.copy()
    scale = np.full(n, np.nan)
    enough = used.sum(axis=1) >= 4
    for _ in range(5):
        total = w.sum(axis=1) + 1e-12
        mx, my = (w * x).sum(axis=1) / total, (w * y).sum(axis=1) / total
        sxx = (w * (x - mx[:, None]) ** 2).sum(axis=1)
        slope = (w * (x - mx[:, None]) * (y - my[:, None])).sum(axis=1) / np.maximum(sxx, 1e-9)
        intercept = my - slope * mx
        left = np.where(used, y - (intercept[:, None] + slope[:, None] * x), np.nan)
        scale = np.full(n, np.nan)
        scale[enough] = np.maximum(1.4826 * np.nanmedian(np.abs(left[enough]), axis=1), 0.0015)
        w = np.where(used, base / (1 + np.nan_to_num(left / (1.5 * scale[:, None])) ** 2), 0.0)
    # A beat that has no start of its own cannot be held against the line.
    far = np.where(np.isnan(near), FAR_BEATS * slope, 1.2 * reach)
    good = enough & (np.abs(intercept - beats) < far)
    return np.where(good, intercept, beats), np.where(good, scale, np.nan)
