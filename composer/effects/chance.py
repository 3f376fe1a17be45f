"""Effects by lot: scatter, drift. Every choice is drawn from (seed, step, place), counted from the clip's start."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from .basis import F32, I64, NUDGE, Light, Place, Times, ease, flat, gradient, in_turn, lots, single, steps

MOST_DRAWS = 16
LIT, COLOUR, LATE, LATTICE, SHIFT = range(1, 6)  # what a lot is for, so that no two kinds of choice go together


def scatter(times: Times, place: Place, p: Mapping[str, Any], seed: int) -> Light:
    """At each step every patch draws a lot: `share` of them light up, grow for `rise`, and fade."""
    step, x = steps(times.count(p["every"]))
    life = min(times.ratio(p["decay"], p["every"]), float(MOST_DRAWS))
    patch = np.floor(place.index / max(place.line().pixels(p["width"]), 1.0)).astype(np.int64)
    share = np.float32(p["share"] * (times.strength if p["strength"] == "share" else 1.0))
    together, colours = p["together"], p["colour"]
    cover = np.zeros((len(step), len(patch)), np.float32)
    number = np.zeros((1, 1), np.int64)
    for ago in range(math.ceil(life) + (0 if together else 1)):
        drawn, which = np.unique(step - ago, return_inverse=True)
        rows = drawn[:, None]
        lit = single((lots(seed, LIT, rows, patch) < share) & (rows >= 0))
        age = single(x + ago)
        if together:
            level = lit[which.ravel()] * _life(age / np.float32(life), p["rise"])
        else:
            age = age - lots(seed, LATE, rows, patch)[which.ravel()]
            level = lit[which.ravel()] * _life(age / np.float32(life), p["rise"]) * (age >= 0)
        if len(colours) > 1:
            drawn_colour = (lots(seed, COLOUR, rows, patch) * np.float32(len(colours))).astype(np.int64)
            number = np.where(level > cover, drawn_colour[which.ravel()], number)
        np.maximum(cover, level, out=cover)
    return flat(colours) if len(colours) == 1 else in_turn(colours, number), cover


def _life(age: F32, rise: float) -> F32:
    """The light of a spark at a share of its life: up over `rise`, then down as a square; 0 when it is over."""
    left = np.clip((1 - age) / np.float32(1 - rise), 0, 1)
    left *= left
    return single(left if rise == 0 else left * ease(age / np.float32(max(rise, NUDGE)), "ease"))


def drift(times: Times, place: Place, p: Mapping[str, Any], seed: int) -> Light:
    """Two layers of smooth noise, the finer one half as strong at most, spread to 0-1 by `contrast`."""
    count = times.count(p["every"])
    axis = p["axis"]
    line = place.line("string" if axis == "plane" else axis, p["direction"])
    patch = max(line.pixels(p["width"]), 1.0)
    if axis == "plane":
        patch = max(_plane_patch(place, p), 1.0)
        where = single((place.xy - place.xy.min(axis=0)).T / (place.pitch_m * patch))
        if p["direction"] in ("back", "in"):
            where = -where
    else:
        where = line.mid / np.float32(patch)
    noise = _noise(where, count, p["flow"], seed)
    if p["detail"] > 0:
        # The finer layer turns over in between, so that not everything is new at once.
        fine = _noise(where * np.float32(2.17), count + 0.5, p["flow"] * 2.17, seed + 1)
        part = np.float32(p["detail"] / 2)
        noise = (noise + part * fine) / np.sqrt(1 + part * part)
    level = single(ease(np.float32(0.5) + np.float32(p["contrast"] * 0.8) * noise, "ease"))
    if len(p["colour"]) == 1:
        return flat(p["colour"]), level
    return gradient(p["colour"], level, p["mixing"]), np.ones((1, 1), np.float32)


def _plane_patch(place: Place, p: Mapping[str, Any]) -> float:
    """The size of a patch in pixels of distance; a share is of the zone's longer side."""
    if p["width"].unit == "share":
        return float(p["width"].value * np.ptp(place.xy, axis=0).max() / place.pitch_m)
    return float(p["width"].value / (1.0 if p["width"].unit == "pixels" else place.pitch_m))


def _noise(where: F32, count: Any, flow: float, seed: int) -> F32:
    """Smooth noise about 0 (most of it within -0.5 to 0.5) at places (1, N) or (2, N) in patches: float32 (F, N).

    Each whole period has a noise of its own over the places, with its own shift, so that no place is a node for ever;
    a frame passes from one to the next. Two unlike noises half and half would be flatter: the square root makes up.
    """
    step, x = steps(count)
    moved = single(flow * count)[:, None]
    if flow == 0:
        periods, which = np.unique(np.concatenate([step, step + 1]), return_inverse=True)
        rows = _field(where, np.zeros((1, 1), np.float32), periods[:, None], seed)
        # Mostly all frames lie in one period: then a row of each noise will do.
        now, then = np.split(rows if len(periods) == 2 else rows[which.ravel()], 2)
    else:
        now, then = _field(where, moved, step, seed), _field(where, moved, step + 1, seed)
    share = single(ease(x, "ease"))
    return _even(now, then, share)


def _field(where: F32, moved: F32, period: I64, seed: int) -> F32:
    """The noise of a period (F, 1) at places less `moved` (F, 1): values by lot at whole places, smooth between."""
    axes = []
    for axis, at in enumerate(where):
        at = at[None, :] + lots(seed, SHIFT + axis, period) - (moved if axis == 0 else 0)
        cell = np.floor(at)
        part = at - cell
        axes.append((cell.astype(np.int64), part * part * part * (part * (part * 6 - 15) + 10)))
    if len(axes) == 1:
        cell, part = axes[0]
        # Lots for the whole places once, not for each pixel: a patch has many.
        low, high = (int(cell.min()), int(cell.max())) if cell.size else (0, 0)
        lattice = lots(seed, LATTICE, period, np.arange(low, high + 2)[None, :]) - np.float32(0.5)
        cell -= low
        a, b = np.take_along_axis(lattice, cell, axis=1), np.take_along_axis(lattice, cell + 1, axis=1)
        return _even(a, b, part)
    (cx, px), (cy, py) = axes
    corners = np.stack([cx, cx + 1])[:, None], np.stack([cy, cy + 1])[None, :]
    (aa, ab), (ba, bb) = lots(seed, LATTICE, period, *corners) - np.float32(0.5)
    return _even(_even(aa, ba, px), _even(ab, bb, px), py)


def _even(a: F32, b: F32, share: F32) -> F32:
    """From a to b, as lively half-way as at the ends."""
    return single((a + (b - a) * share) / np.sqrt(share * share + (1 - share) * (1 - share)))
