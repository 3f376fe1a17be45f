"""Light as pure functions of musical time and place.

`draw` is the one door. An effect knows no rig, score, file or state: the same arguments give the same bytes, for any
choice of frames in any order. What parameters there are stands in `table`; how they read, in EFFECTS.md.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from ..clock import Span
from . import chance, moving, sound, steady
from .added import AddedEffect, Drawer, EffectFails, checked, load_added
from .basis import F32, Light, Place, Times, to_arrays
from .table import EFFECTS, Effect, Pace, Param, Width, defaults

DRAWERS: Mapping[str, Drawer] = {
    "hold": steady.hold,
    "blend": steady.blend,
    "swell": steady.swell,
    "accent": steady.accent,
    "gate": steady.gate,
    "run": moving.run,
    "edge": moving.edge,
    "scatter": chance.scatter,
    "pile": moving.pile,
    "weave": moving.weave,
    "drift": chance.drift,
    "rings": moving.rings,
    "gauge": sound.gauge,
}


def draw(name: str, times: Times, place: Place, params: Mapping[str, Any], seed: int) -> tuple[F32, F32]:
    """The light of an effect for F frames on a zone of N pixels.

    `params` as `table.read_params` gives them, each `Span` turned into a `Pace`; what is left out has its default.
    Returns light, float32 (F, N, 3), and cover, float32 (F, N), each axis of F and N perhaps 1 where nothing changes
    along it. Light is codes 0-1 (L*/100), cover 0-1 how much it hides what lies below. Raises ValueError when a
    parameter is not one of the effect's, or the sound it needs is missing; EffectFails, with its name and package,
    when an effect of another package fails or gives what is no light.
    """
    values = _defaults(name) | to_arrays(params)
    unknown = values.keys() - _defaults(name).keys()
    if unknown:
        raise ValueError(f"{name} has no parameter {', '.join(sorted(unknown))}")
    drawer = DRAWERS.get(name)
    light, cover = drawer(times, place, values, seed) if drawer else checked(name, times, place, values, seed)
    if values.get("strength") == "light" and times.strength != 1:
        cover = cover * np.float32(times.strength)
    return light, cover


def _defaults(name: str) -> dict[str, Any]:
    if name not in _ready:
        _ready[name] = to_arrays({key: _pace(value) for key, value in defaults(EFFECTS[name]).items()})
    return _ready[name]


_ready: dict[str, dict[str, Any]] = {}


def _pace(value: Any) -> Any:
    """A default in beats or seconds as a period (no default is in bars)."""
    if not isinstance(value, Span):
        return value
    return Pace(value.seconds, "seconds") if value.seconds else Pace(value.beats, "beats")


__all__ = [
    "DRAWERS", "EFFECTS", "AddedEffect", "Drawer", "Effect", "EffectFails", "Light", "Pace", "Param", "Place", "Times",
    "Width", "draw", "load_added", "to_arrays",
]  # fmt: skip
