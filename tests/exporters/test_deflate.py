"""The search for small deflate: zlib inflates it, the codes are those of RFC 1951, and no way is cheaper."""

from __future__ import annotations

import heapq
import zlib

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from exporters import deflate as room
from exporters.deflate import code_lengths, codes, deflate, run_lengths

STORED_ONE = b"\x01\x00\xfe\xff"  # RFC 1951, 3.2.4: a stored block of one byte, after its three bits

BYTES = st.binary(max_size=300) | st.text("ab", max_size=900).map(str.encode)
REPEATS = st.tuples(st.binary(min_size=1, max_size=40), st.integers(1, 60)).map(lambda both: both[0] * both[1])


def inflated(blocks: bytes, window: bytes, bits: int, last: bytes = b"!") -> bytes:
    """By zlib, after a window, and followed by a stored block of one byte."""
    return zlib.decompressobj(-bits, zdict=window[-(1 << bits) :]).decompress(blocks + STORED_ONE + last)


@given(
    body=st.lists(BYTES | REPEATS, max_size=4).map(b"".join),
    window=st.lists(BYTES | REPEATS, max_size=3).map(b"".join),
    bits=st.sampled_from([9, 12, 13]),
    passes=st.integers(1, 4),
)
@example(body=b"", window=b"", bits=12, passes=3)
@example(body=b"a", window=b"a", bits=12, passes=1)
@example(body=bytes(70_000), window=b"", bits=12, passes=3)
def test_zlib_inflates_it_in_that_window_and_goes_on(body: bytes, window: bytes, bits: int, passes: int) -> None:
    assert inflated(deflate(body, window, bits, passes=passes), window, bits) == body + b"!"


@pytest.mark.parametrize("bits", [12, 13])
def test_a_match_reaches_as_far_as_the_window_and_no_farther(bits: int) -> None:
    noise = np.random.default_rng(bits).integers(0, 256, 300, np.uint8).tobytes()
    for between, most in (((1 << bits) - 300, 120), ((1 << bits) - 299, 420)):
        filling = np.random.default_rng(1).integers(0, 256, between, np.uint8).tobytes()
        blocks = deflate(noise, noise + filling, bits)
        assert most - 120 <= len(blocks) < most
        assert inflated(blocks, noise + filling, bits) == noise + b"!"


@pytest.mark.parametrize("seed", range(4))
def test_it_is_smaller_than_the_best_that_zlib_makes(seed: int) -> None:
    rng = np.random.default_rng(seed)
    steps = rng.integers(-2, 3, 20_000).cumsum() % 256
    body = np.where(rng.random(20_000) < 0.7, steps, steps // 16 * 16).astype(np.uint8).tobytes()
    packer = zlib.compressobj(9, zlib.DEFLATED, -13)
    assert len(deflate(body, b"", 13)) < 0.98 * len(packer.compress(body) + packer.flush())


def test_more_effort_is_seldom_larger() -> None:
    body = (np.sin(np.arange(30_000) / 37) * 40 + np.arange(30_000) % 7).astype(np.int8).tobytes()
    quick, long = deflate(body, b"", 13, passes=2, depth=8), deflate(body, b"", 13, passes=8, depth=500)
    assert len(long) < len(quick)


# ---- the shortest path ------------------------------------------------------------------------------------------


@given(body=st.binary(min_size=1, max_size=14) | st.text("ab", min_size=1, max_size=14).map(str.encode))
def test_no_way_through_a_few_bytes_costs_less(body: bytes) -> None:
    """Against a search of all ways, with the lengths of the fixed codes (RFC 1951, 3.2.6) as costs."""
    literal_costs = np.repeat([8.0, 9.0, 7.0, 8.0], [144, 112, 24, 6])[None]
    data = np.frombuffer(body, np.uint8)
    matches = room._find_matches(data, 0, 1 << 12, 1_000)
    ends = np.array([len(body)])
    lengths, distances = room._cheapest(data, 0, *matches, ends, literal_costs, np.full((1, 30), 5.0))
    assert int(lengths.sum()) == len(body)
    cost = {len(body): 0}
    for at in reversed(range(len(body))):
        ways = [fixed_bits(body[at]) + cost[at + 1]]
        for length in range(3, len(body) - at + 1):
            for back in range(1, at + 1):
                if all(body[at + k] == body[at + k - back] for k in range(length)):
                    ways.append(7 + (length > 10) + 5 + max(0, (back - 1).bit_length() - 2) + cost[at + length])
        cost[at] = min(ways)
    places = np.cumsum(lengths) - lengths
    own = [
        7 + (length > 10) + 5 + max(0, int(back - 1).bit_length() - 2) if back else fixed_bits(body[place])
        for place, length, back in zip(places, lengths, distances, strict=True)
    ]
    # A match of three bytes is looked for at the nearest place alone: farther ones may save an extra bit or two.
    assert cost[0] <= sum(own) <= cost[0] + 2 * sum(length == 3 for length in lengths) + 2


def fixed_bits(byte: int) -> int:
    return 8 if byte < 144 else 9


# ---- codes ------------------------------------------------------------------------------------------------------


def test_the_symbols_of_lengths_and_distances_are_those_of_rfc_1951() -> None:
    """Section 3.2.5, lines of its two tables."""
    of_length = {3: (257, 0), 10: (264, 0), 11: (265, 1), 12: (265, 1), 35: (273, 3), 227: (284, 5), 257: (284, 5)}
    of_length[258] = (285, 0)
    for length, (symbol, extra) in of_length.items():
        assert room.FIRST_LENGTH + room.LENGTH_SYMBOL[length] == symbol
        assert room.LENGTH_EXTRA[symbol - 257] == extra
    for distance, symbol, extra in (
        (1, 0, 0),
        (4, 3, 0),
        (5, 4, 1),
        (6, 4, 1),
        (33, 10, 4),
        (4097, 24, 11),
        (8192, 25, 11),
    ):
        assert room.DISTANCE_SYMBOL[distance] == symbol
        assert room.DISTANCE_EXTRA[symbol] == extra


def test_the_example_of_codes_is_that_of_rfc_1951() -> None:
    """Section 3.2.2: lengths 3, 3, 3, 3, 3, 2, 4, 4 for A to H."""
    wanted = ["010", "011", "100", "101", "110", "00", "1110", "1111"]
    lengths = np.array([3, 3, 3, 3, 3, 2, 4, 4])
    got = [f"{code:0{length}b}"[::-1] for code, length in zip(codes(lengths), lengths, strict=True)]
    assert got == wanted


@given(st.lists(st.integers(0, 1_000), min_size=2, max_size=286))
def test_code_lengths_are_huffmans(counts: list[int]) -> None:
    """Their sum is that of all joined weights (Huffman, 1952), where no length is beyond the limit."""
    lengths = code_lengths(np.array(counts), 15)
    used = [max(count, 1) for count, length in zip(counts, lengths, strict=True) if length]
    assert sum(2.0**-length for length in lengths if length) == 1.0
    assert all(length for count, length in zip(counts, lengths, strict=True) if count)
    heapq.heapify(used)
    joined = 0
    while len(used) > 1:
        weight = heapq.heappop(used) + heapq.heappop(used)
        joined += weight
        heapq.heappush(used, weight)
    total = sum(max(count, 1) * length for count, length in zip(counts, lengths, strict=True))
    assert total == joined


@pytest.mark.parametrize("most", [7, 15])
def test_a_code_that_would_be_too_long_is_kept_within_the_limit(most: int) -> None:
    fibonacci = [1, 1]
    while len(fibonacci) < 19:
        fibonacci.append(fibonacci[-1] + fibonacci[-2])
    lengths = code_lengths(np.array(fibonacci), most)
    assert lengths.max() == most
    assert sum(2.0**-length for length in lengths) == 1.0
    assert (np.diff(lengths) <= 0).all()  # what stands more often is never longer


@given(
    st.lists(st.integers(0, 15).flatmap(lambda value: st.integers(1, 200).map(lambda run: [value] * run)), max_size=6)
)
def test_runs_of_code_lengths_say_what_they_were(parts: list[list[int]]) -> None:
    values = sum(parts, [])
    said: list[int] = []
    for symbol, extra in zip(*run_lengths(np.array(values, np.int64)), strict=True):
        said += {16: said[-1:] * (extra + 3), 17: [0] * (extra + 3), 18: [0] * (extra + 11)}.get(symbol, [symbol])
        assert 0 <= extra < {16: 4, 17: 8, 18: 128}.get(symbol, 1)
    assert said == values
