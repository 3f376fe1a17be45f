"""Bytes -> deflate (RFC 1951), smaller than zlib makes it, for payloads that are written once and read every night.

zlib decides on each match as it passes by. This looks at all of them: which literals and matches cost the fewest bits
is a shortest path; what they cost follows from how often they stand, so it is walked a few times; and blocks end where
the codes had better change. The result is ordinary deflate. zlib has no such search, and the libraries that do take
neither a smaller window, nor bytes before the first, nor an end that is not final, all of which ROLL.md needs.

Conventions: costs are in bits, symbols and codes those of RFC 1951, section 3.2. A *step* is a literal or a match, and
a *place* a byte of what is packed, counted from its first. The kernels are compiled, and let go of Python's lock.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numba import njit
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]
Ints = NDArray[np.int64]
Costs = NDArray[np.float64]

LEAST_MATCH, MOST_MATCH, MOST_DISTANCE = 3, 258, 1 << 13
LITERALS, DISTANCES, CODE_LENGTHS = 286, 30, 19  # symbols; the lengths of matches are the last of the "literals"
END_OF_BLOCK, FIRST_LENGTH = 256, 257
KEPT = 12  # matches that are kept of a place: each longer than the one before it, at the least distance for its length
PLENTY = 96  # a match as long is taken, and none is looked for within it
HASH_BITS = 15
PIECES, LEAST_PIECE = 48, 96  # a block may end where one of so many pieces does, of at least so many steps
BLOCK_BITS, NAMED_BITS = 70.0, 3.5  # a block's header, about: it alone, and for each symbol that it names


def _bases(first: int, extra: Ints) -> Ints:
    return first + np.concatenate(([0], np.cumsum(1 << extra[:-1])))


# RFC 1951, 3.2.5: extra bits and least value of each symbol; the symbol of each length and distance.
LENGTH_EXTRA = np.array([0] * 8 + [k // 4 - 1 for k in range(8, 28)] + [0])
LENGTH_BASE = np.append(_bases(LEAST_MATCH, LENGTH_EXTRA)[:28], MOST_MATCH)
DISTANCE_EXTRA = np.array([0, 0] + [k // 2 - 1 for k in range(2, DISTANCES)])
DISTANCE_BASE = _bases(1, DISTANCE_EXTRA)
LENGTH_SYMBOL = np.searchsorted(LENGTH_BASE, np.arange(MOST_MATCH + 1), "right") - 1
DISTANCE_SYMBOL = np.searchsorted(DISTANCE_BASE, np.arange(MOST_DISTANCE + 1), "right") - 1
# 3.2.6, the fixed codes, and 3.2.7, the order of the lengths of codes of code lengths, and their extra bits.
FIXED_LITERALS = np.repeat([8, 9, 7, 8], [144, 112, 24, 8])
FIXED_DISTANCES = np.full(DISTANCES, 5)
TURN = np.array([16, 17, 18, 0, 8, 7, 9, 6, 10, 5, 11, 4, 12, 3, 13, 2, 14, 1, 15])
REPEAT_EXTRA = np.array([0] * 16 + [2, 3, 7])


def deflate(body: bytes, window: bytes, window_bits: int, *, passes: int = 3, depth: int = 48) -> bytes:
    """Blocks, none of them final, that inflate to `body`, then the bits that a stored block begins with, to a byte.

    window: what was inflated before it; matches begin at most 2^window_bits bytes back, of at most 8,192. passes: how
    often the shortest path is walked; depth: how many places are looked at for a match. The more, the smaller.
    """
    bits = Bits()
    before = window[-(1 << window_bits) :]
    data = np.frombuffer(before + body, np.uint8)
    matches = _find_matches(data, len(before), 1 << window_bits, depth)
    ends = np.array([len(body)])
    literal_costs, distance_costs = np.full((1, LITERALS), 8.0), np.full((1, DISTANCES), 5.0)  # about the fixed codes
    blocks: list[tuple[int, int]] = []
    for walk in range(passes if body else 0):
        steps = Steps.of(
            data, len(before), *_cheapest(data, len(before), *matches, ends, literal_costs, distance_costs)
        )
        # The first walk says what symbols cost, the second one where blocks may end, the others keep nearly to that.
        cuts = steps.cuts() if walk == 1 else [0, *np.searchsorted(steps.places, ends)]
        blocks = list(pairwise(cuts))
        ends = steps.places[cuts[1:]]
        counts = [steps.counts(*block) for block in blocks]
        literal_costs = np.array([_costs(literals) for literals, _ in counts])
        distance_costs = np.array([_costs(distances) for _, distances in counts])
    for block in blocks:
        _put_block(bits, steps, *block)
    bits.put(0b000, 3)
    return bits.packed()


# ---- the shortest path ------------------------------------------------------------------------------------------


@njit(cache=True, nogil=True)
def _alike(data: Bytes, one: int, other: int, most: int) -> int:
    """How many bytes are the same from two places on."""
    n = 0
    while n < most and data[one + n] == data[other + n]:
        n += 1
    return n


@njit(cache=True, nogil=True)
def _key(data: Bytes, at: int, n: int) -> int:
    """A number below 2^HASH_BITS that n bytes from here on mostly have to themselves."""
    value = 0
    for k in range(n):
        value = value << 8 | data[at + k]
    return (value * 0x9E3779B1 & 0xFFFFFFFF) >> (32 - HASH_BITS)


@njit(cache=True, nogil=True)
def _find_matches(
    data: Bytes, start: int, window: int, depth: int
) -> tuple[NDArray[np.int16], NDArray[np.int16], NDArray[np.uint8]]:
    """Of each place its matches: lengths and distances, (places, KEPT), and how many. The first is at `start`.

    Three bytes are looked for where they stood last: farther away they save nothing. Longer ones at up to `depth` of
    the places where their first four stood, the nearest first.
    """
    end = len(data)
    lengths, distances = np.zeros((end - start, KEPT), np.int16), np.zeros((end - start, KEPT), np.int16)
    found = np.zeros(end - start, np.uint8)
    newest_three, newest_four = np.full(1 << HASH_BITS, -1, np.int32), np.full(1 << HASH_BITS, -1, np.int32)
    older = np.full(end, -1, np.int32)
    wanted = start  # no matches are looked for before
    for at in range(end - 2):
        three = _key(data, at, 3)
        candidate, then = newest_three[three], -1
        newest_three[three] = at
        if at + 3 < end:
            four = _key(data, at, 4)
            then = newest_four[four]
            newest_four[four] = at
            older[at] = then
        if at < wanted:
            continue
        place, most, best, n = at - start, min(MOST_MATCH, end - at), LEAST_MATCH - 1, 0
        for _ in range(depth):
            if candidate >= 0 and at - candidate <= window and data[candidate + best] == data[at + best]:
                length = _alike(data, candidate, at, most)
                if length > best:
                    best = length
                    n -= n == KEPT  # the longest one is kept in any case
                    lengths[place, n], distances[place, n] = length, at - candidate
                    n += 1
                    if length == most:
                        break
            candidate = then
            if candidate < 0 or at - candidate > window:
                break
            then = older[candidate]
        found[place] = n
        if best >= PLENTY:
            wanted = at + best
    return lengths, distances, found


@njit(cache=True, nogil=True)
def _cheapest(
    data: Bytes,
    start: int,
    lengths: NDArray[np.int16],
    distances: NDArray[np.int16],
    found: NDArray[np.uint8],
    ends: Ints,
    literal_costs: Costs,
    distance_costs: Costs,
) -> tuple[NDArray[np.int16], NDArray[np.int16]]:
    """Length (1: a literal) and distance (0) of each step of the shortest path.

    ends: the places where the costs change: row b, (blocks, symbols), holds before the b-th.
    """
    n = len(data) - start
    cost = np.full(n + 1, np.inf)
    cost[0] = 0.0
    by_length, by_distance = np.ones(n + 1, np.int16), np.zeros(n + 1, np.int16)
    length_cost = np.zeros(MOST_MATCH + 1)
    block, wanted = -1, 0
    for at in range(n):
        if block < 0 or at == ends[block]:
            block += 1
            for length in range(LEAST_MATCH, MOST_MATCH + 1):
                symbol = LENGTH_SYMBOL[length]
                length_cost[length] = literal_costs[block, FIRST_LENGTH + symbol] + LENGTH_EXTRA[symbol]
        if at < wanted:
            continue
        here = cost[at]
        total = here + literal_costs[block, data[start + at]]
        if total < cost[at + 1]:
            cost[at + 1], by_length[at + 1], by_distance[at + 1] = total, 1, 0
        shortest = LEAST_MATCH
        for k in range(found[at]):
            distance = distances[at, k]
            symbol = DISTANCE_SYMBOL[distance]
            to_distance = here + distance_costs[block, symbol] + DISTANCE_EXTRA[symbol]
            longest = lengths[at, k]
            if longest >= PLENTY:
                shortest = longest
                wanted = at + longest
            for length in range(shortest, longest + 1):
                total = to_distance + length_cost[length]
                if total < cost[at + length]:
                    cost[at + length], by_length[at + length], by_distance[at + length] = total, length, distance
            shortest = longest + 1
    steps, at = 0, n
    while at:
        at -= by_length[at]
        steps += 1
    step_lengths, step_distances = np.empty(steps, np.int16), np.empty(steps, np.int16)
    at = n
    while at:
        steps -= 1
        step_lengths[steps], step_distances[steps] = by_length[at], by_distance[at]
        at -= by_length[at]
    return step_lengths, step_distances


@dataclass(frozen=True)
class Steps:
    """A way through what is packed. int64 (steps,), but for `places` (steps + 1,): where each begins, and the end."""

    lengths: Ints
    distances: Ints  # 0: a literal
    places: Ints
    literals: Ints  # the symbol of the literal or of the match's length

    @classmethod
    def of(cls, data: Bytes, start: int, lengths: NDArray[np.int16], distances: NDArray[np.int16]) -> Steps:
        """From the kernel's."""
        places = np.concatenate(([0], np.cumsum(lengths, dtype=np.int64)))
        literals = np.where(distances > 0, FIRST_LENGTH + LENGTH_SYMBOL[lengths], data[start + places[:-1]])
        return cls(lengths.astype(np.int64), distances.astype(np.int64), places, literals)

    def counts(self, first: int, last: int) -> tuple[Ints, Ints]:
        """How often each symbol stands from one step to before another: literals, distances."""
        distances = self.distances[first:last]
        of_distances = DISTANCE_SYMBOL[distances[distances > 0]]
        return (
            np.bincount(self.literals[first:last], minlength=LITERALS),
            np.bincount(of_distances, minlength=DISTANCES),
        )

    def cuts(self) -> list[int]:
        """The steps where blocks had best begin, and the last one's end: a shortest path over evenly cut pieces."""
        steps = len(self.lengths)
        pieces = max(1, min(PIECES, steps // LEAST_PIECE))
        edges = [steps * piece // pieces for piece in range(pieces + 1)]
        counts = [np.concatenate(self.counts(*piece)) for piece in pairwise(edges)]
        up_to = np.cumsum([np.zeros(LITERALS + DISTANCES, np.int64), *counts], axis=0)
        cost, begun = [0.0], [0]
        for last in range(1, pieces + 1):
            costs = cost + _block_bits(up_to[last] - up_to[:last])
            begun.append(int(costs.argmin()))
            cost.append(float(costs[begun[-1]]))
        cuts = [pieces]
        while cuts[-1]:
            cuts.append(begun[cuts[-1]])
        return [edges[cut] for cut in reversed(cuts)]


def _block_bits(counts: Ints) -> Costs:
    """About what blocks with so many of each symbol take: counts (blocks, LITERALS + DISTANCES) -> (blocks,)."""
    bits: Costs = BLOCK_BITS + NAMED_BITS * np.count_nonzero(counts, axis=1)
    logarithms = np.log2(np.maximum(counts, 1))
    for kind in (slice(LITERALS), slice(LITERALS, None)):
        total = counts[:, kind].sum(axis=1)
        bits += total * np.log2(np.maximum(total, 1)) - (counts[:, kind] * logarithms[:, kind]).sum(axis=1)
    return bits


def _costs(counts: Ints) -> Costs:
    """What a symbol costs that stands so often; one that does not, somewhat more than the dearest that does."""
    costs: Costs = np.log2(max(counts.sum(), 1)) - np.log2(np.maximum(counts, 1)) + (counts == 0)
    return costs


# ---- codes ------------------------------------------------------------------------------------------------------


def code_lengths(counts: Ints, most: int) -> Ints:
    """Huffman's lengths for symbols that stand so often, none above `most`; at least two symbols get one.

    A code of one symbol would do, but not every reader takes it. What comes out too long is cut, and others grow until
    all fit: a hair longer than the best, and hardly ever needed.
    """
    counts = counts.copy()
    for symbol in range(2):
        if np.count_nonzero(counts) < 2:
            counts[symbol] = max(counts[symbol], 1)
    seldom_first = np.argsort(counts, kind="stable")[np.count_nonzero(counts == 0) :]
    lengths = np.zeros(len(counts), np.int64)
    lengths[seldom_first] = _lengths(counts[seldom_first], most)
    return lengths


@njit(cache=True, nogil=True)
def _lengths(counts: Ints, most: int) -> Ints:
    """Huffman's lengths for two symbols or more, those that stand least first."""
    symbols = len(counts)
    # The tree: first its symbols, then what joins two of it, both in the order of how often they stand. So the two
    # that stand least are always among the next symbol and the next two that were joined.
    weights, parents = np.empty(2 * symbols - 1, np.int64), np.empty(2 * symbols - 1, np.int64)
    for symbol in range(symbols):
        weights[symbol] = counts[symbol]
    symbol, joined = 0, symbols
    for node in range(symbols, 2 * symbols - 1):
        weights[node] = 0
        for _ in range(2):
            if joined == node or (symbol < symbols and weights[symbol] <= weights[joined]):
                least = symbol
                symbol += 1
            else:
                least = joined
                joined += 1
            weights[node] += weights[least]
            parents[least] = node
    depths = np.zeros(2 * symbols - 1, np.int64)
    of_length = np.zeros(most + 1, np.int64)
    for node in range(2 * symbols - 3, -1, -1):
        depths[node] = depths[parents[node]] + 1
        if node < symbols:
            of_length[depths[node] if depths[node] < most else most] += 1
    too_much = -(1 << most)
    for length in range(1, most + 1):
        too_much += of_length[length] << (most - length)
    for _ in range(too_much):  # one of the longest goes beside a shorter one, both a bit longer
        shorter = most - 1
        while of_length[shorter] == 0:
            shorter -= 1
        of_length[shorter] -= 1
        of_length[shorter + 1] += 2
        of_length[most] -= 1
    lengths = np.empty(symbols, np.int64)
    at = 0
    for length in range(most, 0, -1):
        for _ in range(of_length[length]):
            lengths[at] = length
            at += 1
    return lengths


@njit(cache=True, nogil=True)
def codes(lengths: Ints) -> Ints:
    """The codes of RFC 1951, 3.2.2, by their lengths; turned round, so that the first bit is the lowest."""
    out = np.zeros(len(lengths), np.int64)
    code = 0
    for length in range(1, lengths.max() + 1):
        code <<= 1
        for symbol in range(len(lengths)):
            if lengths[symbol] == length:
                for bit in range(length):
                    out[symbol] |= (code >> bit & 1) << (length - 1 - bit)
                code += 1
    return out


@njit(cache=True, nogil=True)
def run_lengths(lengths: Ints) -> tuple[Ints, Ints]:
    """Code lengths as symbols of RFC 1951, 3.2.7, and the value of each one's extra bits."""
    symbols, extras = np.zeros(len(lengths), np.int64), np.zeros(len(lengths), np.int64)
    at = n = 0
    while at < len(lengths):
        value, run = lengths[at], 1
        while at + run < len(lengths) and lengths[at + run] == value:
            run += 1
        if value == 0 and run >= 3:
            run = min(run, 138)
            symbols[n], extras[n] = (17, run - 3) if run < 11 else (18, run - 11)
        elif at > 0 and value == lengths[at - 1] and run >= 3:
            run = min(run, 6)
            symbols[n], extras[n] = 16, run - 3
        else:
            run = 1
            symbols[n] = value
        at += run
        n += 1
    return symbols[:n], extras[:n]


# ---- writing ----------------------------------------------------------------------------------------------------


class Bits:
    """Values of some bits each, put one after another, their lowest bits first."""

    def __init__(self) -> None:
        self._values: list[Ints] = []
        self._widths: list[Ints] = []

    def put(self, values: Ints | list[int] | int, widths: Ints | list[int] | int) -> None:
        """Values and how many bits each has, of the same shape."""
        self._values.append(np.atleast_1d(values))
        self._widths.append(np.atleast_1d(widths))

    def packed(self) -> bytes:
        """All of them in bytes, the lowest bits first."""
        values, widths = np.concatenate(self._values), np.concatenate(self._widths)
        begin = np.cumsum(widths) - widths
        bit = np.arange(widths.sum()) - np.repeat(begin, widths)
        return np.packbits((np.repeat(values, widths) >> bit & 1).astype(np.uint8), bitorder="little").tobytes()


def _put_block(bits: Bits, steps: Steps, first: int, last: int) -> None:
    """A block of some steps, with codes of its own or the fixed ones, whichever is shorter."""
    counts = steps.counts(first, last)
    counts[0][END_OF_BLOCK] = 1
    literal_lengths, distance_lengths = (code_lengths(of, 15) for of in counts)
    header = _header(literal_lengths, distance_lengths)
    own = header[1].sum() + (counts[0] * literal_lengths).sum() + (counts[1] * distance_lengths).sum()
    if (counts[0] * FIXED_LITERALS[:LITERALS]).sum() + (counts[1] * FIXED_DISTANCES).sum() <= own:
        literal_lengths, distance_lengths = FIXED_LITERALS, FIXED_DISTANCES
        bits.put(0b010, 3)
    else:
        bits.put(0b100, 3)
        bits.put(*header)
    literal_codes, distance_codes = codes(literal_lengths), codes(distance_lengths)
    literals, lengths, distances = steps.literals[first:last], steps.lengths[first:last], steps.distances[first:last]
    # Of each step: its literal or length, that one's extra bits, its distance, that one's; no bits where it has none.
    match = distances > 0
    length, distance = np.where(match, literals - FIRST_LENGTH, 0), DISTANCE_SYMBOL[distances]
    values = (
        literal_codes[literals], lengths - LENGTH_BASE[length], distance_codes[distance],
        distances - DISTANCE_BASE[distance],
    )  # fmt: skip
    widths = (
        literal_lengths[literals], match * LENGTH_EXTRA[length], match * distance_lengths[distance],
        match * DISTANCE_EXTRA[distance],
    )  # fmt: skip
    bits.put(np.column_stack(values).ravel(), np.column_stack(widths).ravel())
    bits.put(literal_codes[END_OF_BLOCK], literal_lengths[END_OF_BLOCK])


def _header(literal_lengths: Ints, distance_lengths: Ints) -> tuple[Ints, Ints]:
    """What says the codes of a block (RFC 1951, 3.2.7): values and widths."""
    literals, distances = (int(np.flatnonzero(of)[-1]) + 1 for of in (literal_lengths, distance_lengths))
    runs, extras = run_lengths(np.concatenate((literal_lengths[:literals], distance_lengths[:distances])))
    lengths = code_lengths(np.bincount(runs, minlength=CODE_LENGTHS), 7)
    named = int(np.flatnonzero(lengths[TURN])[-1]) + 1
    values = np.concatenate(([literals - FIRST_LENGTH, distances - 1, named - 4], lengths[TURN[:named]]))
    widths = np.concatenate(([5, 5, 4], np.full(named, 3)))
    # Of each length its code, then its extra bits.
    values = np.concatenate((values, np.column_stack((codes(lengths)[runs], extras)).ravel()))
    widths = np.concatenate((widths, np.column_stack((lengths[runs], REPEAT_EXTRA[runs])).ravel()))
    return values, widths
