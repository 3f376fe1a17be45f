"""Resistors between numbered nodes: the equations of a network, and their solution.

Node analysis: matrix x potentials = currents into the nodes. One node of each part that hangs together is held at 0 V.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import scipy.sparse as sp
from scipy.linalg import solveh_banded
from scipy.sparse.csgraph import connected_components, reverse_cuthill_mckee
from scipy.sparse.linalg import splu

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

MOST_BAND = 16  # a string on one supply has its nodes in a row, each tied to few after it
STEPS = 100  # of Newton's method; a few are enough
CLOSE_V = 1e-9


class Network:
    """Resistors between numbered nodes, some with a source in series; the first nodes are supplies' minus poles."""

    def __init__(self, supplies: Sequence[str]) -> None:
        self.minus = {name: i for i, name in enumerate(supplies)}
        self.nodes = len(supplies)
        self._links: list[tuple[Ints, Ints, Floats]] = []
        self._into: list[tuple[int, float]] = []

    def row(self, spots: Floats, places: Floats, at: Sequence[int], cuts: set[int], least_ohm: float) -> Ints:
        """New nodes along a rail: those at `spots` (ohms along it, rising), then those at `places` (likewise).

        The place number i lies before spot `at[i]`. The rail is open before each spot in `cuts`; a place there is
        behind the opening. Between two nodes are at least `least_ohm`.
        """
        count = len(spots)
        numbers = self.nodes + np.arange(count + len(places))
        self.nodes += len(numbers)
        # In a row: a place before the spot it lies before; behind a cut, so the cut is before the place.
        before = np.concatenate([np.arange(count) + 0.5, np.array(at, float)])
        order = np.argsort(before, kind="stable")
        ohms = np.concatenate([spots, places])[order]
        nodes = numbers[order]
        spot_of = np.ceil(before[order] - 0.5).astype(int)  # the spot a node is, or lies before
        apart = np.maximum(np.diff(ohms), least_ohm)
        opened = np.isin(spot_of[1:], list(cuts)) & (spot_of[1:] != spot_of[:-1])
        joined = ~opened
        self._links.append((nodes[:-1][joined], nodes[1:][joined], 1 / apart[joined]))
        return numbers

    def resistor(self, node: int, other: int, ohm: float, volts: float) -> None:
        """A resistor from `node` to `other` raised by a source of `volts`."""
        self._links.append((np.array([node]), np.array([other]), np.array([1 / ohm])))
        self._into += [(node, volts / ohm), (other, -volts / ohm)]

    def closed(self) -> Closed:
        """The network as equations."""
        one, other, siemens = (np.concatenate([link[i] for link in self._links]) for i in range(3))
        diagonal = np.bincount(one, siemens, self.nodes) + np.bincount(other, siemens, self.nodes)
        links = sp.coo_matrix((siemens, (one, other)), (self.nodes, self.nodes))
        matrix = (sp.diags(diagonal) - links - links.T).tocsc()
        _, part = connected_components(links, directed=False)
        keep = np.setdiff1d(np.arange(self.nodes), np.unique(part, return_index=True)[1])
        into = np.zeros(self.nodes)
        for node, amps in self._into:
            into[node] += amps
        return Closed(self.nodes, keep, matrix[keep][:, keep], into[keep])


@dataclass(frozen=True, eq=False)
class Closed:
    """matrix x potentials of the nodes `keep` = into (amperes)."""

    nodes: int
    keep: Ints
    matrix: sp.csc_matrix
    into: Floats

    def across(self, plus: Ints, minus: Ints, pixels: Ints, count: int) -> sp.csc_matrix:
        """(nodes kept, pixels): +1 where a pixel's V+ is, -1 where its ground is."""
        ones = np.ones(len(pixels))
        whole = sp.coo_matrix((ones, (plus, pixels)), (self.nodes, count)) - sp.coo_matrix(
            (ones, (minus, pixels)), (self.nodes, count)
        )
        return whole.tocsc()[self.keep]

    def answers(self, rows: list[tuple[dict[int, float], float]]) -> list[tuple[Floats, float]]:
        """For each row (weights of nodes, constant): its answer to one ampere into each node, and with none at all.

        The matrix is symmetric, so one solve with a row gives its answer to every node (reciprocity).
        """
        weights = np.zeros((self.nodes, len(rows)))
        for j, (of, _) in enumerate(rows):
            for node, value in of.items():
                weights[node, j] = value
        responses = np.zeros((self.nodes, len(rows)))
        responses[self.keep] = self.factored(weights[self.keep])
        still = self.into @ responses[self.keep]
        return [(responses[:, j], constant + float(still[j])) for j, (_, constant) in enumerate(rows)]

    @cached_property
    def factored(self) -> Callable[[Floats], Floats]:
        """Solves the equations for other currents, (nodes kept,) or (nodes kept, k)."""
        solve: Callable[[Floats], Floats] = splu(self.matrix).solve
        return solve

    def sinking(
        self, across: sp.csc_matrix, least: Floats, above: Floats, none_v: Floats, span_v: Floats
    ) -> tuple[Floats, Floats]:
        """Volts (pixels,) and currents (pixels,) of pixels that draw `least`, and `above` where they have the volts.

        What is drawn above falls in a straight line from all at `none_v + span_v` to nothing at `none_v`. Such a
        current is the slope of a convex function of the volts, and the network's losses are one too, so the answer is
        the least point of their sum: Newton steps with an exact line search.
        """

        def drawn(volts: Floats) -> Floats:
            current: Floats = least + above * np.clip((volts - none_v) / span_v, 0, 1)
            return current

        stiffened = _Stiffened(self.matrix, across)
        at = self.factored(self.into - across @ least)
        for _ in range(STEPS):
            volts = across.T @ at
            slope = np.where((volts > none_v) & (volts < none_v + span_v), above / span_v, 0.0)
            pull = self.matrix @ at - self.into
            step = stiffened.solve(slope, -pull - across @ drawn(volts))
            change = across.T @ step
            if np.abs(change).max() < CLOSE_V:
                break
            level, bend = float(step @ pull), float(step @ (self.matrix @ step))
            at = at + _part(level, bend, change, volts, drawn) * step
        volts = across.T @ at
        return volts, drawn(volts)


class _Band(NamedTuple):
    """A symmetric matrix as its diagonals: node order, place of each node in it, lower diagonals (band + 1, nodes)."""

    order: Ints
    place: Ints
    lower: Floats


class _Stiffened:
    """Solves (matrix + across diag(slope) across^T) x = right for many slopes.

    Where all nodes stand in a row the matrix is a narrow band, which is solved in a fraction of the time.
    """

    def __init__(self, matrix: sp.csc_matrix, across: sp.csc_matrix) -> None:
        self.matrix, self.across = matrix, across
        self.band = _banded(matrix, across)
        if self.band is not None:
            entries = self.across.tocoo()
            place, pixel, sign = self.band.place[entries.row], entries.col, entries.data
            by_pixel = np.argsort(pixel, kind="stable")
            place, pixel, sign = place[by_pixel], pixel[by_pixel], sign[by_pixel]
            pairs = np.flatnonzero(pixel[1:] == pixel[:-1])
            low, high = np.minimum(place[pairs], place[pairs + 1]), np.maximum(place[pairs], place[pairs + 1])
            self.own = place, pixel
            self.both = high - low, low, pixel[pairs], sign[pairs] * sign[pairs + 1]

    def solve(self, slope: Floats, right: Floats) -> Floats:
        """x (nodes,), for slope (pixels,) and right (nodes,)."""
        if self.band is None:
            solved: Floats = splu((self.matrix + self.across @ sp.diags(slope) @ self.across.T).tocsc()).solve(right)
            return solved
        lower = self.band.lower.copy()
        place, pixel = self.own
        np.add.at(lower[0], place, slope[pixel])
        apart, low, shared, sign = self.both
        np.add.at(lower, (apart, low), sign * slope[shared])
        out = np.empty_like(right)
        out[self.band.order] = solveh_banded(lower, right[self.band.order], lower=True, check_finite=False)
        return out


def _banded(matrix: sp.csc_matrix, across: sp.csc_matrix) -> _Band | None:
    """The matrix as a band wide enough for the pixels too; None where that is too wide."""
    together = (abs(matrix) + abs(across) @ abs(across).T).tocsc()
    order = np.asarray(reverse_cuthill_mckee(together, symmetric_mode=True), np.int64)
    place = np.empty_like(order)
    place[order] = np.arange(len(order))
    wide = together.tocoo()
    band = int(np.abs(place[wide.row] - place[wide.col]).max(initial=0))
    if band > MOST_BAND:
        return None
    entries: Any = matrix.tocoo()
    row, column = place[entries.row], place[entries.col]
    below = row >= column
    lower = np.zeros((band + 1, len(order)))
    np.add.at(lower, (row[below] - column[below], column[below]), entries.data[below])
    return _Band(order, place, lower)


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
