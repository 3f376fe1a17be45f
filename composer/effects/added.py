"""Effects that other packages bring, through the entry point group `glowscore.effects`. EFFECTS.md shows how.

Nothing is looked up on import: whoever runs a show calls `load_added` once (and once in every process it starts).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from importlib.metadata import EntryPoint, entry_points
from typing import Any

import numpy as np

from ..faults import Fault, Faults
from .basis import Light, Place, Times, single
from .table import EFFECTS, OURS, Effect, defaults

GROUP = "glowscore.effects"
Drawer = Callable[[Times, Place, Mapping[str, Any], int], Light]

# A clip's own keys: an effect's parameter of that name could never be written.
CLIP_KEYS = frozenset(
    "name zone only effect phrase at to for bars layer mix opacity fade_in fade_out seed mirror speed colours".split()
)


class EffectFails(ValueError):
    """An effect of another package went wrong; the message names it and its package."""


@dataclass(frozen=True)
class AddedEffect:
    """What an entry point stands for: a row of the table, and `draw(times, place, params, seed) -> light, cover`."""

    effect: Effect
    draw: Drawer


_added: dict[str, tuple[AddedEffect, str]] = {}


def load_added() -> dict[str, str]:
    """Find and check the effects of all installed packages, and add them to `table.EFFECTS`.

    Returns name -> package and version. Raises `Faults` with everything that is wrong; then none is added.
    """
    faults: list[Fault] = []
    found: dict[str, tuple[AddedEffect, str]] = {}
    for entry in sorted(entry_points(group=GROUP), key=lambda entry: (entry.name, entry.value)):
        source = _source(entry)
        try:
            found[entry.name] = _checked_row(entry, found), source
        except ValueError as error:
            faults.append(Fault(source, f'effect "{entry.name}"', str(error)))
    if faults:
        raise Faults(faults)
    for name in _added:
        EFFECTS.pop(name, None)
    _added.clear()
    _added.update(found)
    EFFECTS.update({name: added.effect for name, (added, _) in found.items()})
    return {name: source for name, (_, source) in found.items()}


def _source(entry: EntryPoint) -> str:
    return f"{entry.dist.name} {entry.dist.version}" if entry.dist else entry.value


def _checked_row(entry: EntryPoint, found: Mapping[str, Any]) -> AddedEffect:
    try:
        added = entry.load()
    except Exception as error:  # anything may go wrong in someone else's module
        raise ValueError(f"{entry.value} cannot be loaded: {type(error).__name__}: {error}") from error
    if not isinstance(added, AddedEffect):
        raise ValueError(f"{entry.value} is not an AddedEffect")
    effect = added.effect
    if effect.name != entry.name:
        raise ValueError(f'calls itself "{effect.name}"')
    if effect.name in OURS or effect.name in found:
        raise ValueError("there is an effect of this name already")
    keys = [param.key for param in effect.params]
    taken = sorted(CLIP_KEYS.intersection(keys)) + sorted({key for key in keys if keys.count(key) > 1})
    if taken:
        raise ValueError(f'the parameter "{taken[0]}" cannot be written: the name is taken')
    try:
        defaults(effect)
    except (ValueError, TypeError, AttributeError) as error:
        raise ValueError(f"a default of its parameters does not read: {error}") from error
    return added


def checked(name: str, times: Times, place: Place, params: Mapping[str, Any], seed: int) -> Light:
    """The light of an added effect, its arrays checked. Raises EffectFails; KeyError for a name nobody brought."""
    added, source = _added[name]
    try:
        light, cover = (single(array) for array in added.draw(times, place, params, seed))
    except Exception as error:
        raise EffectFails(f'the effect "{name}" of {source} failed: {type(error).__name__}: {error}') from error
    frames, pixels = len(times.beats), len(place.index)
    for what, array, shape in (("light", light, (frames, pixels, 3)), ("cover", cover, (frames, pixels))):
        fits = array.ndim == len(shape) and all(a in (1, b) for a, b in zip(array.shape, shape, strict=True))
        if not fits or array.shape[2:] not in ((), (3,)):
            raise EffectFails(f'the effect "{name}" of {source}: {what} has shape {array.shape}, needs {shape}')
        if not (np.isfinite(array).all() and array.min() >= 0 and array.max() <= 1):
            raise EffectFails(f'the effect "{name}" of {source}: {what} is not within 0 to 1')
    return light, cover
