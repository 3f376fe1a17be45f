"""One group <-> its payload. The outside truth: RFC 1951, walked token by token here, and zlib's inflate."""

from __future__ import annotations

import zlib
from collections.abc import Iterator

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from exporters.codec import arrange, decode_group, encode_group, undo
from exporters.spec import LAST_BLOCK, MOST_FRAMES, MOST_GROUP_BYTES, MOST_STEP, WINDOW_BITS, RollError

GROUPS = hnp.arrays(np.uint8, st.tuples(st.integers(1, 24), st.integers(3, 60)))
QUIET_GROUPS = hnp.arrays(
    np.uint8, st.tuples(st.integers(1, 24), st.integers(3, 60)), elements=st.sampled_from([0, 0, 0, 1, 128, 255])
)


# ---- an inflate that keeps its tokens, from RFC 1951 ------------------------------------------------------------

# 3.2.5: base and extra bits of length codes 257-285 and of distance codes 0-29.
LENGTHS = [*range(3, 11)] + [(4 + code % 4 << code // 4 - 1) + 3 for code in range(8, 28)] + [258]
LENGTH_BITS = [0] * 8 + [code // 4 - 1 for code in range(8, 28)] + [0]
DISTANCES = [1, 2] + [(2 + code % 2 << code // 2 - 1) + 1 for code in range(2, 30)]
DISTANCE_BITS = [0, 0] + [code // 2 - 1 for code in range(2, 30)]
CODE_LENGTH_ORDER = [16, 17, 18, 0, 8, 7, 9, 6, 10, 5, 11, 4, 12, 3, 13, 2, 14, 1, 15]  # 3.2.7


class Bits:
    """Bits of a byte string, least significant first (3.1.1)."""

    def __init__(self, data: bytes) -> None:
        self.data, self.at = data, 0

    def take(self, count: int) -> int:
        value = 0
        for place in range(count):
            value |= (self.data[self.at // 8] >> self.at % 8 & 1) << place
            self.at += 1
        return value

    def symbol(self, codes: dict[tuple[int, int], int]) -> int:
        code = 0
        for length in range(1, 16):
            code = code << 1 | self.take(1)
            if (length, code) in codes:
                return codes[length, code]
        raise AssertionError("no such code")


def huffman(lengths: list[int]) -> dict[tuple[int, int], int]:
    """3.2.2: (length, code) -> symbol of a canonical code."""
    codes, code = {}, 0
    for length in range(1, 16):
        for symbol, wanted in enumerate(lengths):
            if wanted == length:
                codes[length, code] = symbol
                code += 1
        code <<= 1
    return codes


def dynamic_codes(bits: Bits) -> tuple[dict[tuple[int, int], int], dict[tuple[int, int], int]]:
    """3.2.7: the two codes at the head of a dynamic block."""
    literals, distances, sizes = bits.take(5) + 257, bits.take(5) + 1, bits.take(4) + 4
    size_lengths = [0] * 19
    for symbol in CODE_LENGTH_ORDER[:sizes]:
        size_lengths[symbol] = bits.take(3)
    size_codes = huffman(size_lengths)
    lengths: list[int] = []
    while len(lengths) < literals + distances:
        symbol = bits.symbol(size_codes)
        if symbol < 16:
            lengths.append(symbol)
        elif symbol == 16:
            lengths += [lengths[-1]] * (3 + bits.take(2))
        else:
            lengths += [0] * (3 + bits.take(3) if symbol == 17 else 11 + bits.take(7))
    return huffman(lengths[:literals]), huffman(lengths[literals:])


def inflate_tokens(data: bytes) -> Iterator[tuple[str, int, int]]:
    """The tokens of raw deflate: ("block", final, type), ("literal", byte, 0), ("match", length, distance)."""
    bits = Bits(data)
    while bits.at < 8 * len(data):
        final, kind = bits.take(1), bits.take(2)
        yield "block", final, kind
        if kind == 0:
            bits.at = -(-bits.at // 8) * 8
            length = bits.take(16)
            assert bits.take(16) == length ^ 0xFFFF
            for _ in range(length):
                yield "literal", bits.take(8), 0
            continue
        if kind == 1:  # 3.2.6
            literal_codes, distance_codes = huffman([8] * 144 + [9] * 112 + [7] * 24 + [8] * 8), huffman([5] * 30)
        else:
            literal_codes, distance_codes = dynamic_codes(bits)
        while (symbol := bits.symbol(literal_codes)) != 256:
            if symbol < 256:
                yield "literal", symbol, 0
                continue
            length = LENGTHS[symbol - 257] + bits.take(LENGTH_BITS[symbol - 257])
            code = bits.symbol(distance_codes)
            yield "match", length, DISTANCES[code] + bits.take(DISTANCE_BITS[code])


def replay(tokens: list[tuple[str, int, int]]) -> bytes:
    """The bytes the tokens stand for; a distance before the first byte is an error."""
    out = bytearray()
    for kind, value, distance in tokens:
        if kind == "literal":
            out.append(value)
        elif kind == "match":
            assert distance <= len(out)
            for _ in range(value):
                out.append(out[-distance])
    return bytes(out)


def far_repeats() -> np.ndarray:
    """Noise whose every byte recurs after 5,000: only a window beyond 4 KiB would find it."""
    once = np.random.default_rng(5).integers(0, 256, 5_000, np.uint8)
    return np.concatenate([once, once, once]).reshape(1, -1)


def near_repeats() -> np.ndarray:
    """The same at 3,601, which the window does hold."""
    once = np.random.default_rng(5).integers(0, 256, 3_601, np.uint8)
    return np.concatenate([once, once, once]).reshape(1, -1)


# ---- the token walker itself ------------------------------------------------------------------------------------


def test_the_length_and_distance_tables_are_those_of_rfc_1951() -> None:
    # A few of 3.2.5's rows, as printed there.
    assert [LENGTHS[code - 257] for code in (257, 264, 265, 269, 284, 285)] == [3, 10, 11, 19, 227, 258]
    assert [LENGTH_BITS[code - 257] for code in (257, 264, 265, 269, 284, 285)] == [0, 0, 1, 2, 5, 0]
    assert [DISTANCES[code] for code in (0, 3, 4, 9, 23, 24, 29)] == [1, 4, 5, 25, 3073, 4097, 24577]
    assert [DISTANCE_BITS[code] for code in (0, 3, 4, 9, 23, 24, 29)] == [0, 0, 1, 3, 10, 11, 13]


def test_the_walker_sees_a_distance_beyond_4_kib_when_there_is_one() -> None:
    packer = zlib.compressobj(9, zlib.DEFLATED, -15)
    tokens = list(inflate_tokens(packer.compress(far_repeats().tobytes()) + packer.flush(zlib.Z_SYNC_FLUSH)))
    assert max(distance for _, _, distance in tokens) == 5_000
    assert replay(tokens) == far_repeats().tobytes()


# ---- what an encoder must not do --------------------------------------------------------------------------------


@pytest.mark.parametrize("small", [False, True])
@pytest.mark.parametrize("frames", [far_repeats(), near_repeats(), np.zeros((24, 900), np.uint8)])
def test_no_distance_exceeds_the_window(frames: np.ndarray, small: bool) -> None:
    payload = encode_group(frames, small=small)
    tokens = list(inflate_tokens(payload))
    assert max(distance for _, _, distance in tokens) <= 2**WINDOW_BITS
    assert len(replay(tokens)) == frames.size + 1


def test_matches_far_back_inside_the_window_are_found() -> None:
    tokens = list(inflate_tokens(encode_group(near_repeats())))
    assert max(distance for _, _, distance in tokens) == 3_601


@settings(max_examples=40, deadline=None)
@given(frames=GROUPS | QUIET_GROUPS, level=st.integers(0, 9))
def test_a_payload_holds_no_final_block_and_ends_in_a_stored_block_of_one_byte(frames: np.ndarray, level: int) -> None:
    tokens = list(inflate_tokens(encode_group(frames, level=level)))
    assert {final for kind, final, _ in tokens if kind == "block"} == {0}
    assert tokens[-2] == ("block", 0, 0)
    assert tokens[-1][0] == "literal"
    assert 0 <= tokens[-1][1] <= MOST_STEP


@settings(max_examples=25, deadline=None)
@given(groups=st.lists(GROUPS | QUIET_GROUPS, min_size=2, max_size=5), order=st.randoms(use_true_random=False))
def test_one_inflater_serves_all_payloads_in_any_order(groups: list[np.ndarray], order: object) -> None:
    order.shuffle(groups)  # type: ignore[attr-defined]
    inflater = zlib.decompressobj(-WINDOW_BITS)
    for frames in groups:
        *arranged, how = inflater.decompress(encode_group(frames), frames.size + 1)
        assert inflater.unconsumed_tail == b""
        assert np.array_equal(undo(bytes(arranged), how, *frames.shape), frames)


# ---- arrangements -----------------------------------------------------------------------------------------------


def test_arrangements_of_a_group_worked_by_hand() -> None:
    # Two frames of four bytes; the second byte wraps round zero upwards, the fourth downwards.
    frames = np.array([[1, 250, 3, 4], [2, 4, 3, 3]], np.uint8)
    assert list(arrange(frames, 0)) == [1, 250, 3, 4, 2, 4, 3, 3]
    assert list(arrange(frames, 1)) == [1, 1, 250, 10, 3, 0, 4, 255]
    assert list(arrange(frames, 2)) == [1, 1, 3, 0, 250, 10, 4, 255]
    assert list(arrange(frames, 3)) == [1, 1, 4, 255, 250, 10, 3, 0]
    assert list(arrange(frames, 4)) == [1, 1, 250, 10, 3, 0, 4, 255]


@settings(max_examples=60, deadline=None)
@given(frames=GROUPS, how=st.integers(0, MOST_STEP))
def test_undo_undoes_arrange(frames: np.ndarray, how: int) -> None:
    assert np.array_equal(undo(arrange(frames, how), how, *frames.shape), frames)


@settings(max_examples=60, deadline=None)
@given(frames=GROUPS | QUIET_GROUPS, channels=st.sampled_from([3, 4]), level=st.integers(0, 9), small=st.booleans())
def test_frames_come_back_as_they_went_in(frames: np.ndarray, channels: int, level: int, small: bool) -> None:
    payload = encode_group(frames, channels=channels, level=level, small=small)
    back = decode_group(payload, *frames.shape)
    assert back.dtype == np.uint8
    assert np.array_equal(back, frames)


@settings(max_examples=30, deadline=None)
@given(frames=GROUPS | QUIET_GROUPS)
def test_small_is_never_larger(frames: np.ndarray) -> None:
    assert len(encode_group(frames, small=True)) <= len(encode_group(frames))


def test_encoding_leaves_the_frames_alone_and_takes_views() -> None:
    wide = np.random.default_rng(1).integers(0, 256, (12, 40), np.uint8)
    before, view = wide.copy(), wide[::2, 5:35]
    assert np.array_equal(decode_group(encode_group(view), 6, 30), view)
    assert np.array_equal(wide, before)


@pytest.mark.parametrize(
    ("frames", "how"),
    [
        # Still light in the first channel only: sorted by channel, the others are one run of zeros.
        (np.tile(np.random.default_rng(3).integers(0, 256, (1, 300), np.uint8), (2, 1)) * ([1, 0, 0] * 100), 3),
        # Every pixel white at its own level; sorted by channel, its like would lie 4,800 bytes back.
        (np.repeat(np.random.default_rng(3).integers(0, 256, (24, 200), np.uint8), 3, axis=1), 1),
        # A pattern of pixels that moves by one pixel a frame.
        (np.array([np.roll(np.random.default_rng(3).integers(0, 256, 300), 3 * f) for f in range(12)]), 0),
    ],
)
def test_each_arrangement_wins_where_it_was_made_to(frames: np.ndarray, how: int) -> None:
    assert encode_group(frames.astype(np.uint8))[-1] == how


def test_a_still_group_costs_little_more_than_its_first_frame() -> None:
    frame = np.random.default_rng(2).integers(0, 256, (1, 450), np.uint8)
    assert len(encode_group(np.tile(frame, (24, 1)))) < 1.1 * frame.size + 150


# ---- refusals ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "frames",
    [
        np.zeros((2, 3), np.int16),
        np.zeros((2, 3), np.float32),
        np.zeros(6, np.uint8),
        np.zeros((1, 2, 3), np.uint8),
        [[0, 0, 0]],
    ],
)
def test_only_a_table_of_bytes_is_taken(frames: object) -> None:
    with pytest.raises(RollError, match="uint8 array of shape"):
        encode_group(frames)  # type: ignore[arg-type]


@pytest.mark.parametrize("count", [0, MOST_FRAMES + 1])
def test_a_group_of_no_or_too_many_frames_is_refused(count: int) -> None:
    with pytest.raises(RollError, match="1 to 255 frames, not"):
        encode_group(np.zeros((count, 3), np.uint8))


def test_a_group_beyond_the_limit_is_refused_before_memory_is_taken() -> None:
    with pytest.raises(RollError, match="1 to 16777216 bytes, not"):
        decode_group(b"", 255, MOST_GROUP_BYTES)


def deflated(body: bytes, *, last: bytes = LAST_BLOCK + b"\0", final: bool = False) -> bytes:
    """A payload that may break the rules."""
    packer = zlib.compressobj(6, zlib.DEFLATED, -WINDOW_BITS)
    return packer.compress(body) + (packer.flush() if final else packer.flush(zlib.Z_SYNC_FLUSH)[:-4] + last)


@pytest.mark.parametrize(
    ("payload", "message"),
    [
        (b"", "does not end in a block of one byte"),
        (deflated(bytes(6), last=b"\0\0\xff\xff"), "does not end in a block of one byte"),
        (deflated(bytes(6), final=True), "does not end in a block of one byte"),
        (b"\xff\xff" + LAST_BLOCK + b"\0", "is not deflate"),
        (deflated(bytes(5)), "does not hold 2 frames of 3 bytes"),
        (deflated(bytes(7)), "does not hold 2 frames of 3 bytes"),
        (deflated(bytes(1_000_000)), "does not hold 2 frames of 3 bytes"),
        (deflated(bytes(7), final=True) + LAST_BLOCK + b"\0", "holds a final block"),
        (deflated(bytes(6), last=LAST_BLOCK + b"\x05"), "how is 5, it must be 0 to 4"),
        (deflated(bytes(6), last=LAST_BLOCK + b"\xff"), "how is 255, it must be 0 to 4"),
    ],
)
def test_a_payload_that_breaks_the_rules_is_refused(payload: bytes, message: str) -> None:
    with pytest.raises(RollError, match=message):
        decode_group(payload, 2, 3)


def test_the_payload_these_refusals_start_from_is_accepted() -> None:
    assert np.array_equal(decode_group(deflated(bytes(range(6))), 2, 3), [[0, 1, 2], [3, 4, 5]])


@pytest.mark.parametrize("empty_blocks", [1, 3])
def test_empty_blocks_before_the_last_are_accepted(empty_blocks: int) -> None:
    assert np.array_equal(decode_group(b"\0\0\0\xff\xff" * empty_blocks + deflated(bytes(6)), 2, 3), np.zeros((2, 3)))
