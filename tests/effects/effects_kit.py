"""What the tests of the effects share: moments, zones, and one call that gives what a zone shows."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import numpy as np

from composer.effects import Pace, Place, Times, draw
from composer.effects.table import parse_colour, parse_width

BANDS = ("low", "mid", "high", "all")


def beats_of(text: str) -> Pace:
    return Pace(Fraction(text), "beats")


def seconds_of(text: str) -> Pace:
    return Pace(Fraction(text), "seconds")


def colours(*names: str) -> tuple[tuple[float, float, float], ...]:
    return tuple(parse_colour(name) for name in names)


def at_beats(beats: Any, length: float = 8.0, strength: float = 1.0, loud: Any = None) -> Times:
    """Moments at these beats, two beats a second; `loud` is the loudness of every band at each of them."""
    beats = np.asarray(beats, np.float64)
    level = np.broadcast_to(np.asarray(0.5 if loud is None else loud, np.float32), beats.shape)
    return Times(beats, beats / 2, length, length / 2, {band: level for band in BANDS}, strength)


def string_of(pixels: int, pitch_m: float = 0.1) -> Place:
    """A straight string to the right."""
    return Place.of(np.stack([np.arange(pixels) * pitch_m, np.zeros(pixels)], axis=1))


def covers(name: str, beats: Any, pixels: int = 10, place: Place | None = None, seed: int = 1, **params: Any) -> Any:
    """The cover of an effect at these beats, float (F, N), rounded to 6 places. `length`, `loud`, `strength_in` are
    the clip's; widths may be given as text."""
    times = at_beats(beats, params.pop("length", 8.0), params.pop("strength_in", 1.0), params.pop("loud", None))
    place = string_of(pixels) if place is None else place
    params = {
        k: parse_width(v) if k in ("width", "tail", "soft", "gap") and isinstance(v, str) else v
        for k, v in params.items()
    }
    _, cover = draw(name, times, place, params, seed)
    return np.round(np.broadcast_to(cover, (len(times.beats), len(place.index))).astype(np.float64), 6)


def shows(name: str, times: Times, place: Place, params: dict[str, Any], seed: int = 1) -> Any:
    """Light times cover: what the zone shows over black, float32 (F, N, 3)."""
    light, cover = draw(name, times, place, params, seed)
    shape = (len(times.beats), len(place.index))
    return np.broadcast_to(light, (*shape, 3)) * np.broadcast_to(cover, shape)[:, :, None]
