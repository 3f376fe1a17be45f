"""Effects that stay where they are: hold, blend, swell, accent, gate."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from .basis import NUDGE, Light, Place, Times, ease, flat, gradient, in_turn, single, steps

ONE = np.ones((1, 1), np.float32)


def hold(times: Times, place: Place, p: Mapping[str, Any], seed: int) -> Light:
    """Steady colour; several take turns, with a crossfade at the end of each turn."""
    colours = p["colour"]
    if len(colours) == 1:
        return flat(colours), ONE
    turn, x = steps(times.count_or_share(p["every"], len(colours)))
    after = turn + 1 if p["every"] is not None else np.minimum(turn + 1, len(colours) - 1)
    over = max(p["crossfade"], NUDGE)
    share = np.clip((x - (1 - over)) / over, 0, 1)
    if not share.any():
        return in_turn(colours, turn), ONE
    pairs = np.stack([turn % len(colours), after % len(colours)], axis=-1).reshape(-1, 2)
    light = [gradient(colours[pair], s, p["mixing"]) for pair, s in zip(pairs, share[:, 0], strict=True)]
    return single(light)[:, None, :], ONE


def blend(times: Times, place: Place, p: Mapping[str, Any], seed: int) -> Light:
    """A gradient along the zone. Still and once: from the first pixel's middle to the last's. Else a closed loop."""
    line = place.line(p["axis"], p["direction"])
    closed = p["every"] is not None or p["repeat"] != 1 or p["phase"] > 0
    if not closed:
        low, high = line.mid.min(), line.mid.max()
        at = (line.mid - low) / max(high - low, np.float32(NUDGE))
        return gradient(p["colour"], at, p["mixing"]), ONE
    gone = p["phase"] + (times.count(p["every"])[:, None] if p["every"] is not None else np.zeros((1, 1)))
    at = line.mid * np.float32(p["repeat"] / line.length) - single(gone % 1.0)
    return gradient(p["colour"], at, p["mixing"], closed=True), ONE


def swell(times: Times, place: Place, p: Mapping[str, Any], seed: int) -> Light:
    """Light from `from` to `reach`: once over the clip, or there and back every period; the far end may lag."""
    if p["lag"] > 0:
        line = place.line(p["axis"], p["direction"])
        late = np.float32(p["lag"]) * (line.mid / np.float32(line.length))
    else:
        late = np.zeros((1, 1), np.float32)
    if p["every"] is None:
        way = single((single(times.progress())[:, None] - late) / np.float32(1 - p["lag"]))
    else:
        count = times.count(p["every"])[:, None]
        since = single(count % 1.0) - late
        # Still at its start until the swell has come this far for the first time.
        since = np.where(since < 0, np.where(count >= 1, since + 1, np.float32(0)), since)
        way = single(1 - np.abs(1 - 2 * since))
    way = single(ease(way, p["easing"]))
    cover = np.float32(p["from"]) + np.float32(p["reach"] - p["from"]) * way
    light = flat(p["colour"]) if len(p["colour"]) == 1 else gradient(p["colour"], way, p["mixing"])
    return light, cover


def accent(times: Times, place: Place, p: Mapping[str, Any], seed: int) -> Light:
    """Full at the first frame, dark after `decay`; hit again every period."""
    age = times.count(p["decay"])[:, None]
    if p["every"] is not None:
        age = steps(times.count(p["every"]))[1] * times.ratio(p["every"], p["decay"])
    gone = single(ease(age, p["easing"]))
    cover = single(1 - gone)
    light = flat(p["colour"]) if len(p["colour"]) == 1 else gradient(p["colour"], gone, p["mixing"])
    line = place.line(p["axis"], p["direction"])
    width = p["width"]
    lit = line.pixels(width)
    if line.folded and width.unit != "share":
        lit /= 2  # so many pixels about the middle, not to each side of it
    if p["strength"] == "width":
        lit *= times.strength
    soft = line.pixels(p["soft"])
    if lit >= line.length and p["shrink"] == 0 and soft == 0:
        return light, cover
    end = np.float32(lit) * (1 - np.float32(p["shrink"]) * gone)
    return light, cover * line.before(end, soft)


def gate(times: Times, place: Place, p: Mapping[str, Any], seed: int) -> Light:
    """Open for a share of each step that the rhythm marks; parts of the zone may take the steps in turn."""
    step, x = steps(times.count(p["every"]))
    rhythm = np.array([mark == "x" for mark in p["rhythm"]])
    opens = rhythm[step % len(rhythm)]
    share = x / p["open"]
    cover = single(opens & (share < 1 - NUDGE))
    if p["soft"] > 0:
        cover *= single(ease((1 - share) / max(p["soft"], NUDGE), "ease"))
    if p["split"] > 1:
        line = place.line(p["axis"])
        part = np.minimum((line.mid * np.float32(p["split"] / line.length)).astype(np.int64), p["split"] - 1)
        cover = cover * (step % p["split"] == part)
    if len(p["colour"]) == 1:
        return flat(p["colour"]), cover
    before = np.concatenate([[0], np.cumsum(rhythm)])
    number = step // len(rhythm) * before[-1] + before[step % len(rhythm)]
    return in_turn(p["colour"], number), cover
