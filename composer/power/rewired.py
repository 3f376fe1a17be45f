"""What feeds carry once their wires are others: thicker ones take more of the current they share."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from ..rig import Rig, Wire, awg_mm2
from .ladder import Circuit, Island, Rails
from .network import Floats

ASSUMED_M = 1.0  # a feed whose wire the rig does not give


def picks(rig: Rig, advised: Mapping[str, Mapping[str, Any]], take: Sequence[str]) -> Iterator[dict[str, Wire]]:
    """Wires by feed, as someone may buy them who follows `wire_for` at the feeds in `take`: all by AWG, or all metric.

    A feed for which no wire is advised keeps its own.
    """
    metres = {name: wire.metres if (wire := rig.feeds[name].wire) else ASSUMED_M for name in take}
    for by in ("awg", "mm2"):
        sizes = {name: advised[name][by] for name in take if advised[name][by] is not None}
        if sizes:
            yield {
                name: Wire(awg_mm2(size), metres[name], size) if by == "awg" else Wire(size, metres[name])
                for name, size in sizes.items()
            }


def most_with(
    rig: Rig,
    strings: Sequence[str],
    amps: Floats,
    choices: Iterable[Mapping[str, Wire]],
    known: dict[Hashable, Circuit],
) -> dict[str, tuple[float, float]]:
    """The most that each feed's plus and ground wire carry in some frames, amperes, with any of the choices of wires.

    `strings` feel each other and nothing else; `amps` (frames, their pixels), idle included. At 20 C. `known`:
    networks that were solved before, to which others are added.
    """
    feeds = [feed.name for name in strings for feed in rig.strings[name].feeds]
    most = np.zeros((2, len(feeds)))
    volts_of = {name: supply.volts for name, supply in rig.supplies.items()}
    for wires in choices:
        changed = {
            name: replace(
                rig.strings[name],
                feeds=tuple(replace(feed, wire=wires.get(feed.name, feed.wire)) for feed in rig.strings[name].feeds),
            )
            for name in strings
        }
        rails = {name: Rails(string, 20.0) for name, string in changed.items()}
        island = Island(changed, rails, volts_of, slice(0, amps.shape[1]), np.arange(len(feeds)), known)
        both = island.feed_a(amps), np.abs(island.ground_a(amps))
        most = np.maximum(most, [of.max(axis=0) for of in both])
    return {name: (float(most[0, i]), float(most[1, i])) for i, name in enumerate(feeds)}
