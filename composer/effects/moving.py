"""Effects that travel: run, edge, pile, weave, rings."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np

from .basis import F32, F64, I64, NUDGE, Light, Line, Place, Times, ease, flat, in_turn, lots, single, steps
from .table import Width

MOST_RINGS = 16


def _strongest(layers: Iterable[tuple[F32, I64]], colours: F32) -> Light:
    """The strongest of several covers at each pixel, in that one's colour.

    `layers`: covers (F, N), each with the number of its colour, whole (F, 1) or (F, N).
    """
    cover: F32 | None = None
    number: I64 | None = None
    for strength, turn in layers:
        if cover is None or number is None:
            cover, number = strength, turn
            continue
        if len(colours) > 1:
            number = np.where(strength > cover, turn, number)
        np.maximum(cover, strength, out=cover)
    assert cover is not None and number is not None  # every caller yields at least one layer
    return flat(colours) if len(colours) == 1 else in_turn(colours, number), cover


def _pulse(away: F32, head: Any, full: Any, tail: float, size: F32) -> F32:
    """A pulse whose full part ends at `head` and is `full` long, with a tail behind it that falls as a square.

    `away` is each pixel's place, `size` its length; all in pixels. Where head and tail share a pixel their shares add.
    """
    front = single(head) - away
    back = (np.float32(tail / 2) - front + single(full)) / np.maximum(size, np.float32(tail)) + np.float32(0.5)
    front /= size
    front += np.float32(0.5)
    np.clip(front, 0, 1, out=front)
    np.clip(back, 0, 1, out=back)
    if tail > 0:
        back *= back
    front += back
    front -= 1
    np.maximum(front, 0, out=front)
    return front


def _visible(begun: Any, end: Any, length: float) -> bool:
    """Whether a pulse shows in any frame: it has begun, and the end of its tail (F, 1) has not left."""
    return bool((begun & (end < length)).any())


def run(times: Times, place: Place, p: Mapping[str, Any], seed: int) -> Light:
    """A pulse that stands whole at the start when its period begins, whole at the end when it is over."""
    line = place.line(p["axis"], p["direction"])
    full = min(line.pixels(p["width"]) * (times.strength if p["strength"] == "width" else 1.0), line.length)
    tail = line.pixels(p["tail"])
    count = times.count(p["every"]) + p["phase"]
    layers = {"leave": _leaving, "round": _round, "back": _bouncing}[p["turn"]](line, count, full, tail, p)
    return _strongest(layers, p["colour"])


def _leaving(line: Line, count: Any, full: float, tail: float, p: Mapping[str, Any]) -> Iterable[tuple[F32, I64]]:
    pulses = p["pulses"]
    newest = steps(count * pulses)[0]
    for k in range(math.ceil(pulses * (1 + (full + tail) / line.length)) + 1):
        number = newest - k
        x = count[:, None] - number / pulses
        head = full + (line.length - full) * ease(x, p["easing"]) + line.length * np.maximum(x - 1, 0)
        if k > 0 and not _visible(number >= 0, head - full - tail, line.length):
            continue
        yield _pulse(line.mid, head, full, tail, line.size) * (number >= 0), number


def _round(line: Line, count: Any, full: float, tail: float, p: Mapping[str, Any]) -> Iterable[tuple[F32, I64]]:
    length = np.float32(line.length)
    tail = min(tail, line.length - full)
    for k in range(p["pulses"]):
        lap, x = steps(count + k / p["pulses"])
        middle = (full - tail) / 2 + line.length * ease(x, p["easing"])
        away = line.mid - single(middle)
        away -= length * np.floor(away / length + np.float32(0.5))
        yield _pulse(away, (full + tail) / 2, full, tail, line.size), lap * p["pulses"] + k


def _bouncing(line: Line, count: Any, full: float, tail: float, p: Mapping[str, Any]) -> Iterable[tuple[F32, I64]]:
    for k in range(p["pulses"]):
        lap, x = steps(count + 2 * k / p["pulses"])
        # The lap under way, and what is left of the tail of those before it, which runs on out of the end.
        for ago in range(2 + math.ceil(tail / line.length)):
            mid = np.where((lap - ago) % 2 == 0, line.mid, np.float32(line.length) - line.mid)
            begun = (line.length - full) * ease(x + ago, p["easing"]) + line.length * np.maximum(x + ago - 1, 0)
            if ago > 0 and not _visible(lap >= ago, begun - tail, line.length):
                continue
            still = full if ago == 0 else 0.0
            yield _pulse(mid, begun + still, still, tail, line.size) * (lap >= ago), (lap - ago) * p["pulses"] + k


def edge(times: Times, place: Place, p: Mapping[str, Any], seed: int) -> Light:
    """A boundary crossing the zone; nothing is painted when a crossing begins, all of it when it ends."""
    line = place.line(p["axis"], p["direction"])
    colours = p["colour"]
    painting = p["then"] == "again"
    lap, x = steps(times.count_or_share(p["every"], len(colours) if painting else 2 * len(colours)))
    odd = lap % 2 == 1
    way = ease(x, p["easing"])
    if p["then"] == "back":
        way = np.where(odd, 1 - way, way)
    soft = line.pixels(p["soft"])
    cover = line.before(way * (line.length + soft) - soft / 2, soft)
    if not painting:
        cover = np.where(odd, 1 - cover, cover) if p["then"] == "clear" else cover
        return in_turn(colours, lap // 2), cover
    if len(colours) == 1:
        return flat(colours), cover
    new, old = in_turn(colours, lap), in_turn(colours, np.where(lap > 0, lap - 1, lap))
    return old + (new - old) * cover[:, :, None], np.where(lap > 0, np.float32(1), cover)


def pile(times: Times, place: Place, p: Mapping[str, Any], seed: int) -> Light:
    """Piece k lands on step k + ceil(fall); the heap is what has landed. Full after `pieces` landings."""
    line = place.line(p["axis"], p["direction"])
    length = line.length
    piece = max(line.pixels(p["width"]), 0.25)
    pieces = max(1, math.ceil(length / piece - NUDGE))
    ahead = math.ceil(p["fall"])
    count = times.count_or_share(p["every"], pieces + ahead)
    if p["again"]:
        count = count % (pieces + ahead)
    step, x = steps(count)
    landed = np.clip(step - ahead + 1, 0, pieces)
    cover = line.before(length) - line.before(length - np.minimum(landed * piece, length))
    colours = p["colour"]
    number: Any = np.floor((np.float32(length) - line.mid) / np.float32(piece)).astype(np.int64)
    for k in range(ahead):
        falling = np.maximum(step - ahead + 1, 0) + k
        gone = (step + x - (falling + ahead - p["fall"])) / p["fall"]
        top = np.maximum(length - (falling + 1) * piece, 0) * ease(gone, p["easing"])
        here = line.within(top, top + piece) * ((gone >= -NUDGE) & (falling < pieces))
        if len(colours) > 1:
            number = np.where(here > cover, falling, number)
        cover = np.maximum(cover, here)
    return flat(colours) if len(colours) == 1 else in_turn(colours, number), cover


def weave(times: Times, place: Place, p: Mapping[str, Any], seed: int) -> Light:
    """Colours of `width`, each with its gap, over and over; the pattern moves on by `step` widths each step."""
    line = place.line(p["axis"], p["direction"])
    colours = p["colour"]
    width = max(line.pixels(p["width"]), 1.0)
    cell = width + line.pixels(p["gap"])
    step, x = steps(times.count(p["every"]) + p["phase"])
    glide = max(p["glide"], NUDGE)
    moved = ease((x - (1 - glide)) / glide, p["easing"])
    # In cells. Whole repeats of the pattern are taken off while the numbers are still double.
    shift = single((p["step"] * (width / cell) * (step + moved)) % len(colours))
    if (shift == shift[0]).all():
        shift = shift[:1]  # the whole group at rest: one frame of it will do
    lo, hi = line.lo * np.float32(1 / cell) - shift, line.hi * np.float32(1 / cell) - shift
    first = np.floor(lo)
    painted = np.float32(width / cell)
    here = np.maximum(np.minimum(hi, first + painted) - lo, 0)
    after = np.clip(hi - (first + 1), 0, painted)
    both = here + after
    share = after / np.maximum(both, np.float32(1e-9))
    number = first.astype(np.int64)
    light = in_turn(colours, number)
    if len(colours) > 1:
        rim = np.nonzero(share > 0)
        light[rim] += (in_turn(colours, number[rim] + 1) - light[rim]) * share[rim][:, None]
    return light, np.minimum(both / (hi - lo), 1)


def rings(times: Times, place: Place, p: Mapping[str, Any], seed: int) -> Light:
    """Circles about a point: each a disc of its own width when it starts, at the farthest pixel after `spread`."""
    newest, x = steps(times.count(p["every"]))
    ratio = max(times.ratio(p["every"], p["spread"]), 1 / MOST_RINGS)
    reach = _reach(place, p)
    full = min(_pixels(place, p["width"], reach), reach) * (times.strength if p["strength"] == "width" else 1.0)
    tail = min(_pixels(place, p["tail"], reach), reach)
    size = np.ones((1, 1), np.float32)

    def layers() -> Iterable[tuple[F32, I64]]:
        for k in range(math.ceil((1 + (full + tail) / reach) / ratio) + 1):
            number = newest - k
            age = (x + k) * ratio
            head = full + (reach - full) * ease(age, p["easing"]) + reach * np.maximum(age - 1, 0)
            if k > 0 and not _visible(number >= 0, head - full - tail, reach):
                continue
            away = _away(place, p, reach, seed, number)
            level = single((number >= 0) * (1 - p["dim"] * np.minimum(age, 1)))
            yield _pulse(away, head, full, tail, size) * level, number

    return _strongest(layers(), p["colour"])


def _pixels(place: Place, width: Width, reach: float) -> float:
    if width.unit == "share":
        return width.value * reach
    return width.value if width.unit == "pixels" else width.value / place.pitch_m


def _centre(place: Place, p: Mapping[str, Any]) -> F64:
    if p["centre"] is not None:
        return np.array(p["centre"], np.float64)
    low, high = place.xy.min(axis=0), place.xy.max(axis=0)
    return np.asarray((low + high) / 2, np.float64)


def _distance(place: Place, centre: F64) -> F64:
    """From points (K, 1, 2) or (2,) to every pixel, in pixels: (K, N) or (N,)."""
    apart = (place.xy - centre) / place.pitch_m
    across, up = apart[..., 0], apart[..., 1]
    return np.asarray(np.sqrt(across * across + up * up), np.float64)


def _reach(place: Place, p: Mapping[str, Any]) -> float:
    """How far a ring spreads, in pixels: over the farthest pixel, or across the zone if it may start anywhere."""
    if p["anywhere"]:
        across = (place.xy.max(axis=0) - place.xy.min(axis=0)) / place.pitch_m
        return float(np.sqrt((across * across).sum())) + 1.0
    return float(_distance(place, _centre(place, p)).max()) + 1.0


def _away(place: Place, p: Mapping[str, Any], reach: float, seed: int, number: I64) -> F32:
    """The middle of each pixel on the ring's way, in pixels: (1, N), or (F, N) if every ring has its own centre.

    A pixel in the centre covers [0, 1] of that way, as the first pixel of a line does.
    """
    if p["anywhere"]:
        rings, which = np.unique(number, return_inverse=True)
        pixel = (lots(seed, 0, rings) * np.float32(len(place.index))).astype(np.int64)
        far = single(_distance(place, place.xy[np.minimum(pixel, len(place.index) - 1)][:, None, :]))[which.ravel()]
    else:
        far = single(_distance(place, _centre(place, p)))[None, :]
    far = far + np.float32(0.5)
    return np.float32(reach) - far if p["direction"] == "in" else far
