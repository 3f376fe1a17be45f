"""Where a string needs further feeds: the fewest that keep it above its chip's least volts.

A further feed never lowers a voltage: with the pixels' currents kept, the network is one of resistors and stiff
sources, and a feed only brings current to V+ and takes it from ground. So a set of places that leaves a pixel too low
even with every place to its right added can be dropped with all its continuations, and what is left is few enough to
look at: branch and bound, exact among the places that are looked at.

A feed more is a resistor more from V+ to its supply, and one from ground. The network is solved once without any, and
once for one ampere into each place; what some of them together do is a small dense solve (Woodbury's identity).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from ..rig import Feed, LedString, Rig
from .ladder import Rails, rails_of
from .model import CurrentModel
from .network import Floats, Network
from .wires import wire_ohm

MOST_FEEDS = 12
MOST_PLACES = 128  # places where a feed may go; a longer string has them evenly spread
EXACT_PLACES = 32  # of them those that the search for the fewest looks at, besides what was found before it
MOST_TRIALS = 1000  # networks that one search may solve


class NewFeeds(NamedTuple):
    """Places (before pixel N) where a string needs further feeds, and the lowest volts with them.

    `enough` is False where even `MOST_FEEDS` leave it below the limit (wires or supply are the matter then). `fewest`:
    that no smaller number would do at any of some 32 places along the string has been shown, and not only tried.
    """

    places: tuple[int, ...]
    min_v: float
    enough: bool
    fewest: bool = True


def more_feeds(
    model: CurrentModel,
    name: str,
    amps: Floats,
    celsius: float = 20.0,
    trials: int = MOST_TRIALS,
    places: Places | None = None,
) -> NewFeeds:
    """The fewest further feeds that keep one string above its chip's least volts, for the currents of one frame.

    `amps` (pixels of the string,), idle included. New feeds get the wire of the run's nearest one. The frame's own
    currents are kept (no chip starves once it is well fed), so an answer that suffices does. `trials` bounds the search
    for a smaller number than the one that was found step by step. `places`: where a string alike could be fed, at that
    temperature.
    """
    limit_v = model.rig.strings[name].chip.min_v
    network = _Fed(places or Places(model.rig, name, celsius), amps)
    added = _step_by_step(network, limit_v)
    min_v = network.lowest(added)[0]
    if min_v < limit_v:
        return NewFeeds(tuple(sorted(network.places[i] for i in added)), min_v, False, False)
    fewest = True
    if len(added) > 1:
        search = _Search(network, limit_v, sorted({*network.spread(EXACT_PLACES), *added}), trials)
        for count in range(1, len(added)):
            found = search.of(count)
            if found is not None:
                added, min_v = found, network.lowest(found)[0]
                break
            if search.left <= 0:
                fewest = False
                break
    return NewFeeds(tuple(sorted(network.places[i] for i in added)), min_v, True, fewest)


def _step_by_step(network: _Fed, limit_v: float) -> list[int]:
    """Numbers of places: a feed where the volts are lowest until they suffice, then each dropped that is not needed."""
    added: list[int] = []
    volts, pixel = network.lowest(added)
    while volts < limit_v and len(added) < MOST_FEEDS:
        place = network.nearest(pixel, added)
        if place is None:
            # Every place beside the lowest pixel is fed; what draws its current from there may be fed farther on.
            place = network.best(added, limit_v)
        if place is None:
            break
        added.append(place)
        volts, pixel = network.lowest(added)
    if volts >= limit_v:
        for place in list(added):
            fewer = [at for at in added if at != place]
            if network.lowest(fewer)[0] >= limit_v:
                added = fewer
    return added


class _Search:
    """Looks for a set of so many places that suffices. `left` is how many networks it may still solve."""

    def __init__(self, network: _Fed, limit_v: float, among: list[int], trials: int) -> None:
        self.network, self.limit_v, self.among, self.left = network, limit_v, among, trials

    def of(self, count: int) -> list[int] | None:
        """Numbers of `count` places that suffice, or None: there are none, or `left` has come to nothing."""
        return self._from([], 0, count)

    def _from(self, chosen: list[int], first: int, count: int) -> list[int] | None:
        if count == 0:
            return chosen if self._holds(chosen) else None
        # The first of the further feeds may lie so far along as all from there on would still suffice.
        last = first
        while last <= len(self.among) - count and self._holds([*chosen, *self.among[last:]]):
            last += 1
        for i in reversed(range(first, last)):
            found = self._from([*chosen, self.among[i]], i + 1, count - 1)
            if found is not None or self.left <= 0:
                return found
        return None

    def _holds(self, chosen: Sequence[int]) -> bool:
        self.left -= 1
        return self.left >= 0 and self.network.lowest(chosen)[0] >= self.limit_v


class Places:
    """One string with its feeds, and what a feed at each further place (before pixel N, rising) would do.

    All but the pixels' currents counts: strings that are alike (`ladder.likeness`) have the same.
    """

    def __init__(self, rig: Rig, name: str, celsius: float = 20.0) -> None:
        string = rig.strings[name]
        self.pixels = string.pixels
        taken = {feed.at for feed in string.feeds}
        spread = np.linspace(0, string.pixels, min(string.pixels + 1, MOST_PLACES))
        self.places = [at for at in sorted(set(np.rint(spread).astype(int).tolist())) if at not in taken]
        further = {at: _new_feed(string, at) for at in self.places}
        feeds = sorted([*string.feeds, *further.values()], key=lambda feed: feed.at)
        whole = replace(string, feeds=tuple(feeds))
        rails = Rails(whole, celsius)
        net = Network(list(dict.fromkeys(feed.supply for feed in feeds)))
        plus, minus = rails_of(net, whole, rails)
        ends: list[tuple[int, int]] = []
        volts: list[float] = []
        for i, feed in enumerate(feeds):
            pole, nodes = net.minus[feed.supply], (int(plus[string.pixels + i]), int(minus[string.pixels + i]))
            if feed.at in further:
                ends += [(node, pole) for node in nodes]
                volts += [rig.supplies[feed.supply].volts, 0.0]
            else:
                net.resistor(nodes[0], pole, float(rails.wire_ohm[i]), rig.supplies[feed.supply].volts)
                net.resistor(nodes[1], pole, float(rails.wire_ohm[i]), 0.0)
        self.closed = net.closed()
        into = np.zeros((net.nodes, len(ends)))
        for column, (node, pole) in enumerate(ends):
            into[node, column], into[pole, column] = 1.0, -1.0
        self.into: Floats = into[self.closed.keep]
        every = np.arange(string.pixels)
        self.across = self.closed.across(plus[: string.pixels], minus[: string.pixels], every, string.pixels)
        spreads = self.closed.factored(self.into)
        self.by_amp: Floats = self.across.T @ spreads
        self.between: Floats = self.into.T @ spreads
        self.volts: Floats = np.array(volts)
        self.ohm: Floats = np.repeat([wire_ohm(further[at].wire, celsius) for at in self.places], 2)


class _Fed:
    """One string in one frame, its pixels drawing `amps` (pixels,), and what feeds at further places would add."""

    def __init__(self, place: Places, amps: Floats) -> None:
        still = place.closed.factored(place.closed.into - place.across @ amps)
        self.pixels, self.places, self.ohm = place.pixels, place.places, place.ohm
        self.by_amp, self.between = place.by_amp, place.between
        self.still_v: Floats = place.across.T @ still
        self.missing_v: Floats = place.volts - place.into.T @ still

    def lowest(self, chosen: Sequence[int]) -> tuple[float, int]:
        """The lowest volts, and their pixel, with feeds at the places of these numbers."""
        volts = self.still_v
        if chosen:
            both = np.array([2 * i + end for i in chosen for end in (0, 1)])
            amps = np.linalg.solve(self.between[np.ix_(both, both)] + np.diag(self.ohm[both]), self.missing_v[both])
            volts = volts + self.by_amp[:, both] @ amps
        pixel = int(volts.argmin())
        return float(volts[pixel]), pixel

    def nearest(self, pixel: int, added: Sequence[int]) -> int | None:
        """The number of the place nearest to a pixel that has no feed yet; None where there is none beside it."""
        # The far end is as good as the last pixel, and easier to reach.
        wanted = self.pixels if pixel == self.pixels - 1 else pixel + 0.25
        reach = max(1.0, 1.5 * self.pixels / MOST_PLACES)
        free = [i for i, at in enumerate(self.places) if i not in added and abs(at - wanted) <= reach]
        return min(free, key=lambda i: abs(self.places[i] - wanted), default=None)

    def best(self, added: Sequence[int], limit_v: float) -> int | None:
        """The number of the free place that lifts the lowest volts most; None where feeds at all of them are not enough
        for `limit_v`."""
        every = list(range(len(self.places)))
        free = [i for i in every if i not in added]
        if not free or self.lowest(every)[0] < limit_v:
            return None
        return max(free, key=lambda i: self.lowest([*added, i])[0])

    def spread(self, count: int) -> list[int]:
        """Numbers of so many places, evenly spread."""
        every = np.linspace(0, len(self.places) - 1, min(count, len(self.places)))
        return sorted(set(np.rint(every).astype(int).tolist()))


def _new_feed(string: LedString, at: int) -> Feed:
    """A feed at a place, with supply and wire of the nearest feed of its run."""
    supply = next(supply for first, end, supply in string.segments if first <= min(at, string.pixels - 1) < end)
    near = min((f for f in string.feeds if f.supply == supply), key=lambda f: abs(f.at - at))
    return replace(near, name=f"{string.name}@{at}", at=at)


__all__ = ["MOST_FEEDS", "NewFeeds", "Places", "more_feeds"]
