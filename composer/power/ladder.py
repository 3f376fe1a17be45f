"""Where the current flows: every string as a ladder of two rails, with its feeds, wires and supplies.

    supply +  --R--.        .--R--  supply +            R  a feed's wire, one conductor
                   |        |
     V+   ---r/2---+---r---...---r/2---                 r  the rail between two pixels
             |        |         |
           pixel0   pixel1    pixelN                    pixels draw their current whatever the voltage
             |        |         |                       (until it runs out: see `consistent`)
     GND  ---r/2---+---r---...---r/2---
                   |        |
    supply -  --R--'        '--R--  supply -

A feed before pixel k meets the rails half-way between pixels k-1 and k; at an end, half a pitch outside. V+ may be
cut, ground goes through. Supplies are stiff sources whose minus poles are joined by the strings' ground alone, as
floating supplies are.

The network is linear in the pixels' currents. How each feed's current follows from them is found once, by one sparse
solve a feed; then every frame costs two running sums a string: with x the resistance along a rail, C the running sum
of pixel currents and D that of r x C,

    V+(k) = V+(start) + D(k) - sum over feeds of F x max(0, x(k) - x(feed))        and likewise for ground.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import scipy.sparse as sp
from scipy.sparse.csgraph import connected_components
from scipy.sparse.linalg import splu

from ..rig import Feed, LedString, Rig, in_run
from .wires import rail_ohm_per_m, wire_ohm

Floats = npt.NDArray[np.float64]

LEAST_OHM = 1e-7  # between two pixels at the same place


class Headroom(NamedTuple):
    """Volts at a pixel below which its current sinks, and at which none is left above idle (straight between)."""

    full_v: float
    none_v: float


# Estimates: a blue die takes about 3.2 V and its driver 0.6 V; three in a row on 12 V.
HEADROOM_5V = Headroom(3.8, 2.5)
HEADROOM_12V = Headroom(10.2, 7.5)


def headroom(string: LedString) -> Headroom:
    """Where a string's chips run out of voltage (an estimate by supply voltage, not a datasheet figure)."""
    return HEADROOM_5V if string.chip.volts < 8 else HEADROOM_12V


@dataclass(frozen=True)
class Solved:
    """Volts between V+ and ground at each pixel by string (n, pixels); amperes of the feeds (n, feeds) as named;
    ground lift by string: volts of each pixel's ground above its first feed's supply minus (n, pixels)."""

    volts: Mapping[str, Floats]
    lift: Mapping[str, Floats]
    feeds: Floats


class Ladder:
    """The network of one rig. `feeds` are the names in the order of every (..., feeds) array.

    `celsius` is the temperature of wires and rails. `without` leaves out one feed, by name.
    """

    def __init__(self, rig: Rig, celsius: float = 20.0, without: str = "") -> None:
        self.rig = rig
        self.celsius = celsius
        self.strings = {name: _without(string, without) for name, string in rig.strings.items()}
        self.feeds = tuple(feed.name for string in self.strings.values() for feed in string.feeds)
        self.rails = {name: Rails(string, celsius) for name, string in self.strings.items()}
        self.fed: npt.NDArray[np.bool_] = np.ones(rig.pixels, bool)
        for name, rails in self.rails.items():
            for first, end, feeds in rails.runs:
                self.fed[rig.pixel_slices[name]][first:end] = bool(feeds)
        self._solve_network()

    # ---- once ----

    def _solve_network(self) -> None:
        """Feed currents of both rails and supplies' minus poles as linear functions of the pixels' currents.

        Node analysis of the whole rig; the matrix is symmetric, so one solve with a feed's own row gives that feed's
        answer to every pixel (reciprocity).
        """
        net = Network(list(self.rig.supplies))
        plus_rows, minus_rows, fixed = [], [], []
        where: dict[str, tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]] = {}
        for name, string in self.strings.items():
            rails = self.rails[name]
            plus = net.rail(rails, {cut for cut in string.cuts if 0 < cut < string.pixels})
            minus = net.rail(rails, set())
            where[name] = plus[: string.pixels], minus[: string.pixels]
            for i, feed in enumerate(string.feeds):
                pole, volts = net.minus[feed.supply], self.rig.supplies[feed.supply].volts
                ohm = rails.wire_ohm[i]
                net.resistor(plus[string.pixels + i], pole, ohm, volts)
                net.resistor(minus[string.pixels + i], pole, ohm, 0.0)
                plus_rows.append(({pole: 1 / ohm, plus[string.pixels + i]: -1 / ohm}, volts / ohm))
                minus_rows.append(({pole: -1 / ohm, minus[string.pixels + i]: 1 / ohm}, 0.0))
                fixed.append(feed)
        pole_rows = [({net.minus[name]: 1.0}, 0.0) for name in self.rig.supplies]
        self._net = net.closed()
        plus, minus = (np.concatenate([ends[i] for ends in where.values()]) for i in (0, 1))
        self._across = self._net.across(plus[self.fed], minus[self.fed], np.flatnonzero(self.fed), self.rig.pixels)
        answers = self._net.answers(plus_rows + minus_rows + pole_rows)
        count = len(self.feeds)
        draws = np.zeros((self.rig.pixels, len(answers)))
        still = np.empty(len(answers))
        for j, (response, constant) in enumerate(answers):
            still[j] = constant
            for name, (plus, minus) in where.items():
                draws[self.rig.pixel_slices[name], j] = response[minus] - response[plus]
        draws *= self.fed[:, None]
        self.plus_by_pixel, self.minus_by_pixel = draws[:, :count], draws[:, count : 2 * count]
        self.pole_by_pixel = draws[:, 2 * count :]
        self.plus_still, self.minus_still, self.pole_still = still[:count], still[count : 2 * count], still[2 * count :]

    # ---- every frame ----

    def feed_a(self, amps: Floats) -> Floats:
        """Amperes of each feed, (n, feeds), from those of each pixel, idle included, (n, pixels)."""
        return self.plus_still + amps @ self.plus_by_pixel

    def solve(self, amps: Floats) -> Solved:
        """Volts and feed currents from the pixels' currents, idle included, float64 (n, pixels of the rig)."""
        if not self.fed.all():
            amps = amps * self.fed
        plus_a, minus_a = self.feed_a(amps), self.minus_still + amps @ self.minus_by_pixel
        poles = self.pole_still + amps @ self.pole_by_pixel
        volts, lift = {}, {}
        first = 0
        supplies = list(self.rig.supplies)
        for name, string in self.strings.items():
            mine = slice(first, first + len(string.feeds))
            first = mine.stop
            pole = poles[:, [supplies.index(feed.supply) for feed in string.feeds]]
            source = np.array([self.rig.supplies[feed.supply].volts for feed in string.feeds])
            rails = self.rails[name]
            plus, minus = rails.potentials(
                amps[:, self.rig.pixel_slices[name]], plus_a[:, mine], minus_a[:, mine], pole, source
            )
            volts[name], lift[name] = plus - minus, minus - pole[:, :1]
        return Solved(volts, lift, plus_a)

    def volts(self, amps: Floats) -> dict[str, Floats]:
        """Volts at each pixel by string, (n, pixels)."""
        return dict(self.solve(amps).volts)

    # ---- where chips run out of headroom ----

    def consistent(self, amps: Floats, idle: Floats) -> tuple[dict[str, Floats], Floats]:
        """Volts by string (pixels,) and currents that agree with them (pixels of the rig,), for one frame.

        A chip that gets less than `Headroom.full_v` draws less above idle, in a straight line down to `none_v`. Such a
        current is the slope of a convex function of the volts, and the network's losses are one too, so the answer is
        the least point of their sum: Newton steps with an exact line search, on the network's own sparse matrix.
        """
        limits = [headroom(string) for string in self.strings.values() for _ in range(string.pixels)]
        none_v = np.array([limit.none_v for limit in limits])
        span_v = np.array([limit.full_v for limit in limits]) - none_v
        least, above = idle * self.fed, (amps - idle) * self.fed
        net, across = self._net, self._across

        def drawn(volts: Floats) -> Floats:
            current: Floats = least + above * np.clip((volts - none_v) / span_v, 0, 1)
            return current

        at: Floats = splu(net.matrix).solve(net.into - across @ least)
        for _ in range(100):
            volts = across.T @ at
            slope = np.where((volts > none_v) & (volts < none_v + span_v), above / span_v, 0.0)
            pull = net.matrix @ at - net.into
            step = splu((net.matrix + across @ sp.diags(slope) @ across.T).tocsc()).solve(-pull - across @ drawn(volts))
            change = across.T @ step
            if np.abs(change).max() < 1e-9:
                break
            level, bend = float(step @ pull), float(step @ (net.matrix @ step))
            at = at + _part(level, bend, change, volts, drawn) * step
        volts = across.T @ at
        return {name: volts[mine] for name, mine in self.rig.pixel_slices.items()}, drawn(volts)

    # ---- faults ----

    def short_a(self, feed: Feed) -> float:
        """Amperes through one feed, alone, with V+ and ground shorted at the far end of the run it feeds."""
        rails = self.rails[feed.string]
        number = [f.name for f in self.strings[feed.string].feeds].index(feed.name)
        at = float(rails.feed_x[number])
        first, end = next((first, end) for first, end, feeds in rails.runs if number in feeds)
        far = max(abs(rails.at(first) - at), abs(rails.at(end) - at))
        return self.rig.supplies[feed.supply].volts / (2 * (wire_ohm(feed.wire, self.celsius) + far))


def _part(level: float, bend: float, change: Floats, volts: Floats, drawn: Callable[[Floats], Floats]) -> float:
    """How much of a step to go, 0-1: to where the sum's slope along it, which only rises, passes zero."""

    def slope(part: float) -> float:
        return level + part * bend + float(change @ drawn(volts + part * change))

    if slope(1.0) <= 0:
        return 1.0
    low, high = 0.0, 1.0
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (low, middle) if slope(middle) > 0 else (middle, high)
    return high


def _without(string: LedString, feed: str) -> LedString:
    return replace(string, feeds=tuple(f for f in string.feeds if f.name != feed)) if feed else string


class Rails:
    """The geometry of one string in ohms along one rail: pixels, feeds, runs of V+."""

    def __init__(self, string: LedString, celsius: float) -> None:
        per_m = rail_ohm_per_m(string) * (1 + 0.00393 * (celsius - 20))
        lengths = [math.dist(a, b) for a, b in zip(string.places, string.places[1:], strict=False)]
        self.between: Floats = np.maximum(np.array(lengths, float) * per_m, LEAST_OHM)
        self.x: Floats = np.concatenate([[0.0], np.cumsum(self.between)])
        self.count = string.pixels
        self.feed_at = [feed.at for feed in string.feeds]
        self.feed_x: Floats = np.array([self.at(at) for at in self.feed_at])
        self.wire_ohm: Floats = np.array([wire_ohm(feed.wire, celsius) for feed in string.feeds])
        self.past: Floats = np.maximum(0.0, self.x[None, :] - self.feed_x[:, None])
        edges = [0, *string.cuts, string.pixels]
        self.runs = [
            (first, end, [i for i, at in enumerate(self.feed_at) if in_run(at, first, end, string.cuts)])
            for first, end in zip(edges, edges[1:], strict=False)
        ]

    def at(self, boundary: int) -> float:
        """Ohms along the rail, from pixel 0, of the place before pixel `boundary`."""
        if boundary <= 0:
            return -float(self.between[0]) / 2 if len(self.between) else -LEAST_OHM
        if boundary >= self.count:
            return float(self.x[-1] + self.between[-1] / 2) if len(self.between) else LEAST_OHM
        return float(self.x[boundary - 1] + self.between[boundary - 1] / 2)

    def potentials(
        self, amps: Floats, plus_a: Floats, minus_a: Floats, pole: Floats, source: Floats
    ) -> tuple[Floats, Floats]:
        """Potentials of V+ and ground at each pixel, (n, pixels) each; see the formula at the head of the file.

        amps (n, pixels); plus_a, minus_a and pole (the supply's minus) (n, feeds of the string); source (feeds,) volts.
        """
        upto = np.cumsum(amps, axis=1)
        sagged = np.zeros_like(amps)
        np.cumsum(upto[:, :-1] * self.between, axis=1, out=sagged[:, 1:])
        minus = minus_a @ self.past - sagged
        start = pole[:, 0] + self.wire_ohm[0] * minus_a[:, 0]
        minus += (start + self._sag(sagged, upto, 0, 0))[:, None]
        plus = sagged - plus_a @ self.past
        for first, end, feeds in self.runs:
            if not feeds:  # only when a lone feed has been taken away: nothing holds V+ up
                plus[:, first:end] = minus[:, first:end]
                continue
            one = feeds[0]
            part = plus[:, first:end]
            if first:
                before = upto[:, first - 1 : first]
                part -= sagged[:, first : first + 1] + before * (self.x[first:end] - self.x[first])
                # Feeds of earlier runs push into their own V+ alone.
                earlier = [i for run in self.runs for i in run[2] if run[0] < first]
                part += plus_a[:, earlier] @ self.past[earlier, first:end]
            start = pole[:, one] + source[one] - self.wire_ohm[one] * plus_a[:, one]
            part += (start - self._sag(sagged, upto, one, first))[:, None]
        return plus, minus

    def _sag(self, sagged: Floats, upto: Floats, feed: int, first: int) -> Floats:
        """D at a feed's place, counted from the run that starts at pixel `first`, (n,)."""
        left = self.feed_at[feed] - 1  # the pixel before the feed
        if left < first:
            return np.zeros(len(sagged))
        base = upto[:, first - 1] if first else np.zeros(len(sagged))
        at_left = sagged[:, left] - sagged[:, first] - base * (self.x[left] - self.x[first])
        along: Floats = at_left + (upto[:, left] - base) * (self.feed_x[feed] - self.x[left])
        return along


class Network:
    """Resistors between numbered nodes, some with a source in series; node 0 of each island is at 0 V."""

    def __init__(self, supplies: list[str]) -> None:
        self.minus = {name: i for i, name in enumerate(supplies)}
        self.nodes = len(supplies)
        self.one: list[int] = []
        self.other: list[int] = []
        self.siemens: list[float] = []
        self.into: list[tuple[int, float]] = []

    def rail(self, rails: Rails, cuts: set[int]) -> npt.NDArray[np.int64]:
        """A rail with its feeds' places; nodes of the pixels, then of the feeds. A feed at a cut is after it."""
        pixels = self.nodes + np.arange(rails.count)
        feeds = pixels[-1] + 1 + np.arange(len(rails.feed_at))
        self.nodes = int(feeds[-1] if len(feeds) else pixels[-1]) + 1
        spots = [(float(rails.x[k]), 1, k, int(pixels[k])) for k in range(rails.count)]
        order = {at: i for i, at in enumerate(rails.feed_at)}
        line = []
        for k, spot in enumerate(spots):
            if k in order:
                line.append((float(rails.feed_x[order[k]]), k, int(feeds[order[k]])))
            line.append((spot[0], k, spot[3]))
        if rails.count in order:
            line.append((float(rails.feed_x[order[rails.count]]), rails.count, int(feeds[order[rails.count]])))
        for (x, k, node), (next_x, next_k, next_node) in zip(line, line[1:], strict=False):
            if not (next_k in cuts and next_k != k):
                self.resistor(node, next_node, max(next_x - x, LEAST_OHM / 2), 0.0)
        return np.concatenate([pixels, feeds])

    def resistor(self, node: int, other: int, ohm: float, volts: float) -> None:
        """A resistor from `node` to `other` raised by a source of `volts`."""
        self.one.append(node)
        self.other.append(other)
        self.siemens.append(1 / ohm)
        self.into += [(node, volts / ohm), (other, -volts / ohm)]

    def closed(self) -> _Closed:
        """The network as equations; one node of each island is held at 0 V."""
        one, other, siemens = np.array(self.one), np.array(self.other), np.array(self.siemens)
        diagonal = np.bincount(one, siemens, self.nodes) + np.bincount(other, siemens, self.nodes)
        links = sp.coo_matrix((siemens, (one, other)), (self.nodes, self.nodes))
        matrix = (sp.diags(diagonal) - links - links.T).tocsc()
        _, island = connected_components(links, directed=False)
        keep = np.setdiff1d(np.arange(self.nodes), np.unique(island, return_index=True)[1])
        into = np.zeros(self.nodes)
        for node, amps in self.into:
            into[node] += amps
        return _Closed(self.nodes, keep, matrix[keep][:, keep], into[keep])


@dataclass(frozen=True)
class _Closed:
    """matrix x potentials of the nodes `keep` = into (amperes)."""

    nodes: int
    keep: npt.NDArray[np.int64]
    matrix: sp.csc_matrix
    into: Floats

    def across(
        self, plus: npt.NDArray[np.int64], minus: npt.NDArray[np.int64], pixels: npt.NDArray[np.int64], count: int
    ) -> sp.csc_matrix:
        """(nodes kept, pixels): +1 where a pixel's V+ is, -1 where its ground is."""
        ones = np.ones(len(pixels))
        whole = sp.coo_matrix((ones, (plus, pixels)), (self.nodes, count)) - sp.coo_matrix(
            (ones, (minus, pixels)), (self.nodes, count)
        )
        return whole.tocsc()[self.keep]

    def answers(self, rows: list[tuple[dict[int, float], float]]) -> list[tuple[Floats, float]]:
        """For each row (weights of nodes, constant): its answer to one ampere into each node, and with none at all."""
        factored = splu(self.matrix)
        out = []
        for weights, constant in rows:
            weight = np.zeros(self.nodes)
            for node, value in weights.items():
                weight[node] = value
            response = np.zeros(self.nodes)
            response[self.keep] = factored.solve(weight[self.keep])
            out.append((response, constant + float(response[self.keep] @ self.into)))
        return out
