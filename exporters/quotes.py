"""Frames <-> quotes, as ROLL.md section 9 says: what stood before quoted, the rest spelled out.

What moves comes by again: the same bytes, some frames back and some pixels further on, farther away than deflate
looks. Which bytes are quoted from where is a shortest path, as in `deflate`: over cells, with a price for a pair, for a
cell that is spelled out, and for another distance. The kernels are compiled, and let go of Python's lock.

Conventions: a *cell* is `step` bytes. `history` are the bytes that lie before the unit's first: frames of the unit that
it leans on, or nothing; before them all is dark.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]
Cells = NDArray[np.int64]

MOST = 255  # cells that a pair quotes, or spells out
FARTHEST = 65_535  # cells that a distance has at most
PLENTY = 64  # cells quoted at once: no other distance is looked for within them
HASH_BITS = 15
PAIR_BITS, BYTE_BITS, DISTANCE_BITS = 10.0, 5.0, 20.0  # about what deflate makes of them
SPELLED, QUOTED, TURNED = 0, 1, 2  # a step: a cell spelled out; cells quoted; cells quoted from another distance
FINE, SHORT, BEYOND, NO_DISTANCE, TOO_MUCH = range(5)
FAULTS = (
    "", "the quotes end before the frames do", "the quotes reach beyond the frames", "the quotes set a distance of 0",
    "the quotes go on after the frames",
)  # fmt: skip


@dataclass(frozen=True)
class Quoting:
    """What of a unit is quoted from where, and what is spelled out: the same whether as values or as changes.

    data: uint8 (n,), darkness and history, then from `begin` on the frames up to `end`. kinds, lengths, distances: of
    each step, in cells.
    """

    data: Bytes
    begin: int
    end: int
    frame_bytes: int
    step: int
    kinds: NDArray[np.int8]
    lengths: NDArray[np.int32]
    distances: NDArray[np.int32]

    @classmethod
    def of(cls, frames: Bytes, history: Bytes, step: int, depth: int) -> Quoting:
        """Look for what to quote.

        frames: uint8 (frames, frame_bytes). history: uint8 (n,). step: bytes of a cell, 1-4. depth: how many places are
        looked at for something to quote, besides the same place in the frame before.
        """
        frame_bytes = frames.shape[1]
        # A frame of darkness, for the first frame to quote from; and whole cells.
        before = np.concatenate((np.zeros(frame_bytes, np.uint8), history))
        data = np.concatenate((np.zeros(-len(before) % step, np.uint8), before, frames.ravel()))
        end = len(data)
        begin = end - frames.size
        data = np.concatenate((data, np.zeros(-end % step, np.uint8)))
        cells = np.zeros(len(data) // step, np.int64)
        for k in range(step):
            cells = cells << 8 | data[k::step]
        # Where the frame before is no whole number of cells away, a distance must be set first.
        first = 0 if frame_bytes % step else frame_bytes // step
        steps = _cheapest(cells, begin // step, first, BYTE_BITS * step, depth)
        return cls(data, begin, end, frame_bytes, step, *steps)

    def written(self, changes: bool) -> bytes:
        """The quotes. changes: what is spelled out is a change from what would be quoted."""
        steps = self.kinds, self.lengths, self.distances
        return _written(self.data, self.begin, self.end, *steps, self.step, changes, self.frame_bytes).tobytes()


def unquote(arranged: bytes, frames: int, frame_bytes: int, step: int, changes: bool, history: Bytes) -> Bytes:
    """The frames of quotes, uint8 (frames, frame_bytes). Raises `ValueError` for what section 9 does not allow."""
    data = np.empty(len(history) + frames * frame_bytes, np.uint8)
    data[: len(history)] = history
    fault = _made(np.frombuffer(arranged, np.uint8), data, len(history), frame_bytes, step, changes)
    if fault:
        raise ValueError(FAULTS[fault])
    return data[len(history) :].reshape(frames, frame_bytes)


@njit(cache=True, nogil=True)
def _made(arranged: Bytes, data: Bytes, begin: int, distance: int, step: int, changes: bool) -> int:
    """Make data[begin:] of quotes; FINE or what is wrong."""
    at, end, n = begin, len(data), len(arranged)
    place = 0
    while at < end:
        if place + 2 > n:
            return SHORT
        copy, run = int(arranged[place]) * step, int(arranged[place + 1]) * step
        place += 2
        if copy + run == 0:
            if place + 2 > n:
                return SHORT
            distance = (int(arranged[place]) | int(arranged[place + 1]) << 8) * step
            place += 2
            if distance == 0:
                return NO_DISTANCE
            continue
        if copy + run >= end - at + step:
            return BEYOND
        stop = min(at + copy, end)
        while at < stop:
            data[at] = data[at - distance] if at >= distance else 0
            at += 1
        stop = min(at + run, end)
        if place + stop - at > n:
            return SHORT
        while at < stop:
            data[at] = arranged[place]
            if changes and at >= distance:
                data[at] += data[at - distance]
            at += 1
            place += 1
    return FINE if place == n else TOO_MUCH


# ---- the shortest path ------------------------------------------------------------------------------------------


@njit(cache=True, nogil=True)
def _alike(cells: Cells, one: int, other: int, most: int) -> int:
    """How many cells are the same from two places on."""
    n = 0
    while n < most and cells[one + n] == cells[other + n]:
        n += 1
    return n


@njit(cache=True, nogil=True)
def _cheapest(
    cells: Cells, start: int, first: int, cell_bits: float, depth: int
) -> tuple[NDArray[np.int8], NDArray[np.int32], NDArray[np.int32]]:
    """Kind, cells and distance of each step of the shortest path from cell `start` on.

    first: the distance at the beginning, 0 if it is no whole number of cells. What a step costs depends on the
    distance that stands, and on whether the step before spelled out; the cheapest way to each place in either case is
    kept, with its distance.
    """
    n = len(cells) - start
    cost = np.full((n + 1, 2), np.inf)  # [1]: the last step spelled out
    distance = np.zeros((n + 1, 2), np.int32)
    length = np.zeros((n + 1, 2), np.int32)
    came = np.zeros((n + 1, 2), np.int8)
    kind = np.zeros((n + 1, 2), np.int8)
    cost[0, 0], distance[0, 0] = 0.0, first
    newest, older = np.full(1 << HASH_BITS, -1, np.int32), np.full(len(cells), -1, np.int32)
    wanted = 0
    for at in range(len(cells)):
        candidate = -1
        if at + 1 < len(cells):
            key = ((cells[at] * 0x9E3779B1 + cells[at + 1] * 0x85EBCA6B) & 0xFFFFFFFF) >> (32 - HASH_BITS)
            candidate = newest[key]
            newest[key] = at
            older[at] = candidate
        if at < start:
            continue
        p = at - start
        most = min(MOST, len(cells) - at)
        goes_on = 0  # the most cells that can be quoted without another distance
        for spelled in range(2):
            base, far = cost[p, spelled], distance[p, spelled]
            if base == np.inf or (spelled and base >= cost[p, 0] and far == distance[p, 0]):
                continue
            if base + cell_bits < cost[p + 1, 1]:
                cost[p + 1, 1], distance[p + 1, 1], length[p + 1, 1] = base + cell_bits, far, 1
                came[p + 1, 1], kind[p + 1, 1] = spelled, SPELLED
            if far == 0 or (not spelled and p and length[p, 0] < MOST):
                continue  # what is quoted at one distance is quoted at once
            same = _alike(cells, at, at - far, most) if far <= at else 0
            goes_on = max(goes_on, same)
            for k in range(same, 0, -1):
                if base + PAIR_BITS >= cost[p + k, 0]:
                    break  # an earlier step has come as far, and so to all places before
                cost[p + k, 0], distance[p + k, 0], length[p + k, 0] = base + PAIR_BITS, far, k
                came[p + k, 0], kind[p + k, 0] = spelled, QUOTED
        if goes_on >= PLENTY:
            wanted = max(wanted, p + goes_on)
        if p < wanted:
            continue
        spelled = 0 if cost[p, 0] <= cost[p, 1] else 1
        base, standing = cost[p, spelled] + PAIR_BITS + DISTANCE_BITS, distance[p, spelled]
        best = 1
        for _ in range(depth):
            if candidate < 0 or at - candidate > FARTHEST:
                break
            if at - candidate != standing and at + best < len(cells) and cells[candidate + best] == cells[at + best]:
                same = _alike(cells, at, candidate, most)
                for k in range(same, best, -1):
                    if base < cost[p + k, 0]:
                        cost[p + k, 0], distance[p + k, 0], length[p + k, 0] = base, at - candidate, k
                        came[p + k, 0], kind[p + k, 0] = spelled, TURNED
                best = max(best, same)
                if same == most:
                    break
            candidate = older[candidate]
        if best >= PLENTY:
            wanted = p + best
    spelled = 0 if cost[n, 0] <= cost[n, 1] else 1
    steps, at = 0, n
    kinds, lengths, distances = np.empty(n, np.int8), np.empty(n, np.int32), np.empty(n, np.int32)
    while at:
        kinds[steps], lengths[steps], distances[steps] = kind[at, spelled], length[at, spelled], distance[at, spelled]
        at, spelled = at - length[at, spelled], came[at, spelled]
        steps += 1
    return kinds[:steps][::-1].copy(), lengths[:steps][::-1].copy(), distances[:steps][::-1].copy()


@njit(cache=True, nogil=True)
def _written(
    data: Bytes,
    begin: int,
    end: int,
    kinds: NDArray[np.int8],
    lengths: NDArray[np.int32],
    distances: NDArray[np.int32],
    step: int,
    changes: bool,
    first: int,
) -> Bytes:
    """The steps as quotes of data[begin:end]. first: the distance at the beginning, in bytes."""
    out = np.empty(6 * len(kinds) + (end - begin) + 8, np.uint8)
    n, at, i, far = 0, begin, 0, first
    while i < len(kinds):
        copy = 0
        if kinds[i] != SPELLED:
            if kinds[i] == TURNED:
                out[n], out[n + 1], out[n + 2], out[n + 3] = 0, 0, distances[i] & 255, distances[i] >> 8
                n += 4
                far = distances[i] * step
            copy = lengths[i]
            i += 1
        at += copy * step
        out[n] = copy
        n += 1
        run = 0
        while i < len(kinds) and kinds[i] == SPELLED and run < MOST:
            run += 1
            i += 1
        out[n] = run
        n += 1
        stop = min(at + run * step, end)
        while at < stop:
            out[n] = data[at]
            if changes:
                out[n] -= data[at - far]
            n += 1
            at += 1
    return out[:n]
