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
floating supplies are. So strings feel each other only where they join the same supplies: the rig falls into *islands*,
most of them one string, each a network of its own; islands that are alike are solved once.

The network is linear in the pixels' currents. How each feed's current follows from them is found once, by one sparse
solve a feed; then every frame costs two running sums a string: with x the resistance along a rail, C the running sum
of pixel currents and D that of r x C,

    V+(k) = V+(start) + D(k) - sum over feeds of F x max(0, x(k) - x(feed))        and likewise for ground.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import scipy.sparse as sp

from ..rig import Feed, LedString, Rig, in_run
from .network import Closed, Floats, Network
from .wires import rail_ohm_per_m, wire_ohm

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
    """Volts between V+ and ground at each pixel by string (n, pixels); amperes of the feeds' plus wires, and of their
    ground wires towards the supply (below 0: from it), (n, feeds) as named; ground lift by string: volts of each
    pixel's ground above its first feed's supply minus (n, pixels)."""

    volts: Mapping[str, Floats]
    lift: Mapping[str, Floats]
    feeds: Floats
    grounds: Floats


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
        self._known: dict[Hashable, Circuit] = {}
        number = {name: i for i, name in enumerate(self.feeds)}
        islands = []
        for names in _together(self.strings):
            slices = [rig.pixel_slices[name] for name in names]
            pixels: slice | npt.NDArray[np.intp] = slices[0]
            if len(names) > 1:
                pixels = np.concatenate([np.arange(one.start, one.stop) for one in slices])
            strings = {name: self.strings[name] for name in names}
            columns = np.array([number[f.name] for s in strings.values() for f in s.feeds], np.intp)
            rails = {name: self.rails[name] for name in names}
            islands.append(Island(strings, rails, self._volts_of(), pixels, columns, self._known))
        self.islands = tuple(islands)
        self.island_of = {name: island for island in self.islands for name in island.strings}

    def feed_a(self, amps: Floats) -> Floats:
        """Amperes of each feed, (n, feeds), from those of each pixel, idle included, (n, pixels)."""
        out = np.empty((len(amps), len(self.feeds)))
        for island in self.islands:
            out[:, island.columns] = island.feed_a(amps[:, island.pixels])
        return out

    def by_pixel(self) -> sp.csc_matrix:
        """What part of each pixel's current each feed's V+ wire carries, sparse (pixels of the rig, feeds)."""
        rows, columns, parts = [], [], []
        pixels = np.arange(self.rig.pixels)
        for island in self.islands:
            mine, weights = pixels[island.pixels], island.circuit.plus_by_pixel
            rows.append(np.repeat(mine, weights.shape[1]))
            columns.append(np.tile(island.columns, len(mine)))
            parts.append(weights.ravel())
        where = np.concatenate(rows), np.concatenate(columns)
        return sp.coo_matrix((np.concatenate(parts), where), (self.rig.pixels, len(self.feeds))).tocsc()

    def solve(self, amps: Floats) -> Solved:
        """Volts and feed currents from the pixels' currents, idle included, float64 (n, pixels of the rig)."""
        feeds, grounds = np.empty((2, len(amps), len(self.feeds)))
        volts: dict[str, Floats] = {}
        lift: dict[str, Floats] = {}
        for island in self.islands:
            solved = island.solve(amps[:, island.pixels])
            feeds[:, island.columns], grounds[:, island.columns] = solved.feeds, solved.grounds
            volts |= solved.volts
            lift |= solved.lift
        in_order = list(self.strings)
        return Solved({name: volts[name] for name in in_order}, {name: lift[name] for name in in_order}, feeds, grounds)

    def volts(self, amps: Floats) -> dict[str, Floats]:
        """Volts at each pixel by string, (n, pixels)."""
        return dict(self.solve(amps).volts)

    def consistent(self, amps: Floats, idle: Floats) -> tuple[dict[str, Floats], Floats]:
        """Volts by string (pixels,) and currents that agree with them (pixels of the rig,), for one frame.

        A chip that gets less than `Headroom.full_v` draws less above idle, in a straight line down to `none_v`.
        """
        volts: dict[str, Floats] = {}
        drawn = np.empty(self.rig.pixels)
        for island in self.islands:
            found, drawn[island.pixels] = island.consistent(amps[island.pixels], idle[island.pixels])
            volts |= found
        return {name: volts[name] for name in self.strings}, drawn

    def alone(self, name: str, without: str) -> Island:
        """One string by itself, without one of its feeds."""
        string = _without(self.strings[name], without)
        rails = {name: Rails(string, self.celsius)}
        pixels = self.rig.pixel_slices[name]
        return Island({name: string}, rails, self._volts_of(), pixels, np.zeros(0, np.intp), self._known)

    def _volts_of(self) -> dict[str, float]:
        return {name: supply.volts for name, supply in self.rig.supplies.items()}

    def short_a(self, feed: Feed) -> float:
        """Amperes through one feed, alone, with V+ and ground shorted at the far end of the run it feeds."""
        number = [f.name for f in self.strings[feed.string].feeds].index(feed.name)
        far_ohm = self.rails[feed.string].far_ohm(number)
        return self.rig.supplies[feed.supply].volts / (2 * (wire_ohm(feed.wire, self.celsius) + far_ohm))


class Island:
    """Strings that feel each other, and nothing else. `pixels` and `columns` say which of the rig's pixels and feeds.

    Currents and volts are those of its own pixels, its strings one after the other.
    """

    def __init__(
        self,
        strings: Mapping[str, LedString],
        rails: Mapping[str, Rails],
        volts_of: Mapping[str, float],
        pixels: slice | npt.NDArray[np.intp],
        columns: npt.NDArray[np.intp],
        known: dict[Hashable, Circuit],
    ) -> None:
        self.strings, self.rails, self.volts_of = strings, rails, volts_of
        self.pixels, self.columns = pixels, columns
        self.own: dict[str, slice] = {}
        at = 0
        for name, string in self.strings.items():
            self.own[name] = slice(at, at + string.pixels)
            at += string.pixels
        key = tuple(likeness(string, self.rails[name], self.volts_of) for name, string in self.strings.items())
        if key not in known:
            known[key] = Circuit(self.strings, self.rails, self.volts_of)
        self.circuit = known[key]

    def feed_a(self, amps: Floats) -> Floats:
        """Amperes of each of its feeds' plus wires, (n, feeds)."""
        out: Floats = self.circuit.plus_still + amps @ self.circuit.plus_by_pixel
        return out

    def ground_a(self, amps: Floats) -> Floats:
        """Amperes of each of its feeds' ground wires, towards the supply, (n, feeds)."""
        out: Floats = self.circuit.minus_still + amps @ self.circuit.minus_by_pixel
        return out

    @property
    def uneven(self) -> bool:
        """Whether a feed's ground wire may carry other than its plus wire: V+ is cut between feeds, ground is not."""
        return not np.allclose(self.circuit.plus_by_pixel, self.circuit.minus_by_pixel, atol=1e-6)

    def solve(self, amps: Floats) -> Solved:
        """Volts and feed currents, float64, from the pixels' currents, idle included, (n, pixels)."""
        circuit = self.circuit
        if not circuit.fed.all():
            amps = amps * circuit.fed
        plus_a, minus_a = self.feed_a(amps), self.ground_a(amps)
        poles = circuit.pole_still + amps @ circuit.pole_by_pixel
        volts, lift = {}, {}
        first = 0
        for name, string in self.strings.items():
            mine = slice(first, first + len(string.feeds))
            first = mine.stop
            pole = poles[:, mine]
            source = np.array([self.volts_of[feed.supply] for feed in string.feeds])
            plus, minus = self.rails[name].potentials(
                amps[:, self.own[name]], plus_a[:, mine], minus_a[:, mine], pole, source
            )
            volts[name], lift[name] = plus - minus, minus - pole[:, :1]
        return Solved(volts, lift, plus_a, minus_a)

    def consistent(self, amps: Floats, idle: Floats) -> tuple[dict[str, Floats], Floats]:
        """As `Ladder.consistent`, for its own pixels."""
        limits = [headroom(string) for string in self.strings.values()]
        counts = [string.pixels for string in self.strings.values()]
        none_v = np.repeat([limit.none_v for limit in limits], counts)
        span_v = np.repeat([limit.full_v for limit in limits], counts) - none_v
        circuit = self.circuit
        volts, drawn = circuit.closed.sinking(
            circuit.across, idle * circuit.fed, (amps - idle) * circuit.fed, none_v, span_v
        )
        return {name: volts[mine] for name, mine in self.own.items()}, drawn

    def lowest(self, name: str, amps: Floats, idle: Floats) -> tuple[float, int]:
        """Lowest volts of a string and its pixel, for one frame (pixels,), with currents that agree with them."""
        volts = self.solve(amps[None]).volts[name][0]
        if volts.min() < headroom(self.strings[name]).full_v:
            volts = self.consistent(amps, idle)[0][name]
        return float(volts.min()), int(volts.argmin())


class Circuit:
    """An island's network, solved: feed currents of both rails, and the supplies' minus poles at each feed, as linear
    functions of the pixels' currents, (pixels, feeds) and what there is without any, (feeds,)."""

    def __init__(
        self, strings: Mapping[str, LedString], rails: Mapping[str, Rails], volts_of: Mapping[str, float]
    ) -> None:
        self.fed: npt.NDArray[np.bool_] = np.concatenate([_fed(rails[name]) for name in strings])
        supplies = list(dict.fromkeys(feed.supply for string in strings.values() for feed in string.feeds))
        net = Network(supplies)
        plus_rows, minus_rows, pole_rows, ends = [], [], [], []
        for name, string in strings.items():
            plus, minus = rails_of(net, string, rails[name])
            ends.append((plus[: string.pixels], minus[: string.pixels]))
            for i, feed in enumerate(string.feeds):
                pole, volts, ohm = net.minus[feed.supply], volts_of[feed.supply], float(rails[name].wire_ohm[i])
                up, down = int(plus[string.pixels + i]), int(minus[string.pixels + i])
                net.resistor(up, pole, ohm, volts)
                net.resistor(down, pole, ohm, 0.0)
                plus_rows.append(({pole: 1 / ohm, up: -1 / ohm}, volts / ohm))
                minus_rows.append(({pole: -1 / ohm, down: 1 / ohm}, 0.0))
                pole_rows.append(({pole: 1.0}, 0.0))
        self.closed: Closed = net.closed()
        plus, minus = (np.concatenate([end[i] for end in ends]) for i in (0, 1))
        self.across = self.closed.across(plus[self.fed], minus[self.fed], np.flatnonzero(self.fed), len(self.fed))
        answers = self.closed.answers(plus_rows + minus_rows + pole_rows)
        count = len(plus_rows)
        draws = np.array([response[minus] - response[plus] for response, _ in answers]).reshape(3 * count, -1).T
        draws = np.ascontiguousarray(draws * self.fed[:, None])
        still = np.array([constant for _, constant in answers])
        parts = (slice(0, count), slice(count, 2 * count), slice(2 * count, 3 * count))
        self.plus_by_pixel, self.minus_by_pixel, self.pole_by_pixel = (
            np.ascontiguousarray(draws[:, part]) for part in parts
        )
        self.plus_still, self.minus_still, self.pole_still = (still[part] for part in parts)


def rails_of(net: Network, string: LedString, rails: Rails) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """A string's V+ and ground as new nodes of a network: those of its pixels, then those of its feeds' places."""
    cuts = {cut for cut in string.cuts if 0 < cut < string.pixels}
    plus = net.row(rails.x, rails.feed_x, rails.feed_at, cuts, LEAST_OHM / 2)
    return plus, net.row(rails.x, rails.feed_x, rails.feed_at, set(), LEAST_OHM / 2)


def _together(strings: Mapping[str, LedString]) -> Iterator[list[str]]:
    """Names of strings that feel each other: those that join supplies which others join too; the rest one by one."""
    joined: list[tuple[set[str], list[str]]] = []
    for name, string in strings.items():
        supplies = {feed.supply for feed in string.feeds}
        if len(supplies) < 2:
            yield [name]
            continue
        near = [one for one in joined if one[0] & supplies]
        joined = [one for one in joined if not one[0] & supplies]
        names = [other for one in near for other in one[1]]
        joined.append((supplies.union(*(one[0] for one in near)), [*names, name]))
    for _, names in joined:
        yield sorted(names, key=list(strings).index)


def likeness(string: LedString, rails: Rails, volts_of: Mapping[str, float]) -> Hashable:
    """Strings that are equal in this make equal networks, wherever their pixels and feeds are among the rig's."""
    supplies = list(dict.fromkeys(feed.supply for feed in string.feeds))
    joins = tuple(supplies) if len(supplies) > 1 else tuple(volts_of[supply] for supply in supplies)
    feeds = tuple((feed.at, volts_of[feed.supply], supplies.index(feed.supply)) for feed in string.feeds)
    return joins, feeds, string.cuts, rails.between.tobytes(), rails.wire_ohm.tobytes()


def _fed(rails: Rails) -> npt.NDArray[np.bool_]:
    fed = np.zeros(rails.count, bool)
    for first, end, feeds in rails.runs:
        fed[first:end] = bool(feeds)
    return fed


def _without(string: LedString, feed: str) -> LedString:
    return replace(string, feeds=tuple(f for f in string.feeds if f.name != feed)) if feed else string


class Rails:
    """The geometry of one string in ohms along one rail: pixels, feeds, runs of V+."""

    def __init__(self, string: LedString, celsius: float) -> None:
        per_m = rail_ohm_per_m(string) * (1 + 0.00393 * (celsius - 20))
        if string.pitch_m is None:
            lengths = [math.dist(a, b) for a, b in zip(string.places, string.places[1:], strict=False)]
        else:
            lengths = [string.pitch_m] * (string.pixels - 1)
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

    def far_ohm(self, feed: int) -> float:
        """Ohms along one rail from a feed, by its number, to the farther end of the run that it feeds."""
        first, end = next((first, end) for first, end, feeds in self.runs if feed in feeds)
        here = float(self.feed_x[feed])
        return max(abs(self.at(first) - here), abs(self.at(end) - here))

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
