"""One unit <-> its payload. The outside truth: RFC 1951, walked token by token here, zlib's inflate, and units worked
by hand from the page (truth/roll_units.json)."""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from exporters.codec import (
    AT_ONCE,
    FAIR,
    FULL,
    LONG,
    NO_HISTORY,
    QUICK,
    Effort,
    Packed,
    arrange,
    decode_unit,
    encode_chain,
    encode_unit,
    keeps_frames,
    kind_of,
    undo,
)  # fmt: skip
from exporters.spec import (
    CHANGES,
    COLUMNS,
    LAST_BLOCK,
    MOST_FRAMES,
    MOST_UNIT_BYTES,
    PAIRS,
    QUOTES,
    ROWS,
    RollError,
)

UNITS: list[dict[str, Any]] = json.loads((Path(__file__).parent / "truth" / "roll_units.json").read_text())["units"]
HOWS = st.integers(0, QUOTES - 1)
EFFORTS = st.sampled_from([AT_ONCE, QUICK, FAIR, FULL, LONG])

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


def replay(tokens: list[tuple[str, int, int]], window: bytes = b"") -> bytes:
    """The bytes the tokens stand for after those of the window; a distance before its first byte is an error."""
    out = bytearray(window)
    for kind, value, distance in tokens:
        if kind == "literal":
            out.append(value)
        elif kind == "match":
            assert distance <= len(out)
            for _ in range(value):
                out.append(out[-distance])
    return bytes(out[len(window) :])


def repeats(apart: int) -> np.ndarray:
    """Noise whose every byte recurs after so many."""
    once = np.random.default_rng(5).integers(0, 256, apart, np.uint8)
    return np.concatenate([once, once, once]).reshape(1, -1)


def furthest(payload: bytes) -> int:
    """The greatest distance of a payload."""
    return max(distance for _, _, distance in inflate_tokens(payload))


def back(packed: Packed, frames: np.ndarray, **on: Any) -> np.ndarray:
    """What a packed unit of the shape of `frames` decodes to."""
    got, arranged = decode_unit(packed.payload, packed.how, *frames.shape, **on)
    assert arranged == packed.arranged
    return got


# ---- the token walker itself ------------------------------------------------------------------------------------


def test_the_length_and_distance_tables_are_those_of_rfc_1951() -> None:
    # A few of 3.2.5's rows, as printed there.
    assert [LENGTHS[code - 257] for code in (257, 264, 265, 269, 284, 285)] == [3, 10, 11, 19, 227, 258]
    assert [LENGTH_BITS[code - 257] for code in (257, 264, 265, 269, 284, 285)] == [0, 0, 1, 2, 5, 0]
    assert [DISTANCES[code] for code in (0, 3, 4, 9, 23, 24, 29)] == [1, 4, 5, 25, 3073, 4097, 24577]
    assert [DISTANCE_BITS[code] for code in (0, 3, 4, 9, 23, 24, 29)] == [0, 0, 1, 3, 10, 11, 13]


def test_the_walker_sees_a_distance_beyond_4_kib_when_there_is_one() -> None:
    packer = zlib.compressobj(9, zlib.DEFLATED, -15)
    tokens = list(inflate_tokens(packer.compress(repeats(5_000).tobytes()) + packer.flush(zlib.Z_SYNC_FLUSH)))
    assert max(distance for _, _, distance in tokens) == 5_000
    assert replay(tokens) == repeats(5_000).tobytes()


# ---- what an encoder must not do --------------------------------------------------------------------------------


@pytest.mark.parametrize("effort", [QUICK, FAIR, FULL, LONG])
@pytest.mark.parametrize("bits", [12, 13])
@pytest.mark.parametrize("frames", [repeats(5_000), repeats(9_000), repeats(3_601), np.zeros((24, 900), np.uint8)])
def test_no_distance_exceeds_the_window(frames: np.ndarray, bits: int, effort: Effort) -> None:
    packed = encode_unit(frames, effort=effort, window_bits=bits)
    tokens = list(inflate_tokens(packed.payload))
    assert max(distance for _, _, distance in tokens) <= 2**bits
    assert replay(tokens) == packed.arranged


@pytest.mark.parametrize(("bits", "apart"), [(12, 3_601), (13, 3_601), (13, 7_201)])
def test_matches_far_back_inside_the_window_are_found(bits: int, apart: int) -> None:
    # Noise that comes three times: found again, it is stored once (noise itself cannot be made smaller).
    assert apart <= len(encode_unit(repeats(apart), window_bits=bits, effort=LONG).payload) < 1.1 * apart


@pytest.mark.parametrize(("bits", "found"), [(12, 3_000), (13, 6_000)])
def test_a_leaning_unit_points_back_into_the_window_and_no_further(bits: int, found: int) -> None:
    # Noise, so that nothing repeats by chance; once its 1,000 bytes are in the window's reach, once they are not.
    noise = np.random.default_rng(8).integers(0, 256, 20_000, np.uint8).tobytes()
    for start in (len(noise) - found, 1_000):
        frame = np.frombuffer(noise[start : start + 1_000], np.uint8).reshape(1, -1)
        packed = encode_unit(frame, before=np.zeros(1_000, np.uint8), window=noise, window_bits=bits)
        tokens = list(inflate_tokens(packed.payload))
        assert max(distance for _, _, distance in tokens) <= 2**bits
        assert replay(tokens, noise) == packed.arranged
        assert (len(packed.payload) < 100) == (start == len(noise) - found)


@settings(max_examples=40, deadline=None)
@given(frames=GROUPS | QUIET_GROUPS, effort=EFFORTS)
def test_a_payload_holds_no_final_block_and_ends_in_a_stored_block_of_one_byte(
    frames: np.ndarray, effort: Effort
) -> None:
    packed = encode_unit(frames, effort=effort)
    tokens = list(inflate_tokens(packed.payload))
    assert {final for kind, final, _ in tokens if kind == "block"} == {0}
    assert tokens[-2:] == [("block", 0, 0), ("literal", packed.arranged[-1], 0)]


@settings(max_examples=25, deadline=None)
@given(groups=st.lists(GROUPS | QUIET_GROUPS, min_size=2, max_size=5), order=st.randoms(use_true_random=False))
def test_one_inflater_serves_all_payloads_in_any_order(groups: list[np.ndarray], order: object) -> None:
    order.shuffle(groups)  # type: ignore[attr-defined]
    inflater = zlib.decompressobj(-13)
    for frames in groups:
        packed = encode_unit(frames)
        assert inflater.decompress(packed.payload, len(packed.arranged)) == packed.arranged
        assert inflater.unconsumed_tail == b""


@settings(max_examples=25, deadline=None)
@given(seeds=st.lists(st.integers(0, 3), min_size=2, max_size=5), bits=st.sampled_from([12, 13]))
def test_one_inflater_serves_a_chain_in_its_order(seeds: list[int], bits: int) -> None:
    inflater, before, window = zlib.decompressobj(-bits), None, b""
    for seed in seeds:
        frames = np.random.default_rng(seed).integers(0, 3, (6, 500), np.uint8)
        packed = encode_unit(frames, before=before, window=window, window_bits=bits)
        assert inflater.decompress(packed.payload) == packed.arranged
        assert np.array_equal(back(packed, frames, before=before, window=window, window_bits=bits), frames)
        before, window = frames[-1], window + packed.arranged


# ---- arrangements -----------------------------------------------------------------------------------------------


def stored(body: bytes) -> bytes:
    """A payload of stored blocks alone (RFC 1951, 3.2.4)."""
    first, last = body[:-1], body[-1:]
    return (
        b"\0"
        + len(first).to_bytes(2, "little")
        + (len(first) ^ 0xFFFF).to_bytes(2, "little")
        + first
        + b"\0"
        + LAST_BLOCK
        + last
    )


@pytest.mark.parametrize("unit", [unit for unit in UNITS if unit["shown"] != "broken"], ids=lambda unit: unit["name"])
def test_a_unit_worked_by_hand_shows_its_frames(unit: dict[str, Any]) -> None:
    before = None if unit["before"] is None else np.array(unit["before"], np.uint8)
    leant_on = unit.get("leans_on", [{"how": ROWS, "shown": [unit["before"] or []]}])[-1]
    kept = leant_on["shown"] if leant_on["how"] in (ROWS, *range(QUOTES, QUOTES + 8)) else [[]]
    frames, _ = decode_unit(
        stored(bytes(unit["arranged"])), unit["how"], unit["frames"], unit["frame_bytes"], before=before,
        history=np.array(kept, np.uint8),
    )  # fmt: skip
    assert frames.tolist() == unit["shown"]


@pytest.mark.parametrize("unit", [unit for unit in UNITS if unit["shown"] == "broken"], ids=lambda unit: unit["name"])
def test_a_unit_worked_by_hand_to_be_broken_is_refused(unit: dict[str, Any]) -> None:
    with pytest.raises(RollError, match="does not hold|holds more|quotes"):
        decode_unit(stored(bytes(unit["arranged"])), unit["how"], unit["frames"], unit["frame_bytes"])


@pytest.mark.parametrize(
    "unit",
    [unit for unit in UNITS if unit["shown"] != "broken" and kind_of(unit["how"]) != QUOTES],
    ids=lambda unit: unit["name"],
)
def test_frames_are_arranged_as_worked_by_hand(unit: dict[str, Any]) -> None:
    stand = np.array(unit["before"] or [0] * unit["frame_bytes"], np.uint8)
    assert list(arrange(np.array(unit["shown"], np.uint8), unit["how"], stand)) == unit["arranged"]


def test_every_kind_stands_among_the_units_worked_by_hand() -> None:
    kinds = {(kind_of(unit["how"]), bool(unit["how"] & CHANGES)) for unit in UNITS if unit["shown"] != "broken"}
    assert kinds == {(kind, changes) for kind in (COLUMNS, PAIRS, ROWS, QUOTES) for changes in (False, True)}


@settings(max_examples=150, deadline=None)
@given(frames=GROUPS | QUIET_GROUPS, how=HOWS, stand=st.integers(0, 255))
def test_undo_undoes_arrange(frames: np.ndarray, how: int, stand: int) -> None:
    before = np.full(frames.shape[1], stand, np.uint8)
    assert np.array_equal(undo(arrange(frames, how, before), how, len(frames), before), frames)


@settings(max_examples=60, deadline=None)
@given(
    frames=GROUPS | QUIET_GROUPS,
    channels=st.sampled_from([3, 4]),
    effort=EFFORTS,
    leans=st.booleans(),
)
def test_frames_come_back_as_they_went_in(frames: np.ndarray, channels: int, effort: Effort, leans: bool) -> None:
    on: dict[str, Any] = {}
    if leans:
        on = {"before": frames[-1].copy(), "history": frames[::-1].copy(), "window": frames.tobytes()}
    got = back(encode_unit(frames, channels=channels, effort=effort, **on), frames, **on)
    assert got.dtype == np.uint8
    assert np.array_equal(got, frames)


def as_zlib_packs_it(frames: np.ndarray, how: int, level: int) -> int:
    """Bytes of a payload of these frames, arranged so."""
    packer = zlib.compressobj(level, zlib.DEFLATED, -13)
    arranged = arrange(frames, how, np.zeros(frames.shape[1], np.uint8))
    packed = packer.compress(arranged[:-1]) + packer.flush(zlib.Z_SYNC_FLUSH)  # which ends in an empty stored block
    return len(packed) + 1


@settings(max_examples=30, deadline=None)
@given(frames=GROUPS | QUIET_GROUPS, like=st.integers(0, 15))
def test_how_the_unit_before_is_arranged_is_tried_as_well(frames: np.ndarray, like: int) -> None:
    assert len(encode_unit(frames, like=like).payload) <= as_zlib_packs_it(frames, like, FULL.level)


@settings(max_examples=30, deadline=None)
@given(frames=GROUPS | QUIET_GROUPS)
def test_the_long_search_is_never_larger_than_what_zlib_makes_of_any_arrangement(frames: np.ndarray) -> None:
    small = len(encode_unit(frames, effort=LONG).payload)
    for kind, changes, step in [(COLUMNS, 0, 1), (COLUMNS, CHANGES, 3), (PAIRS, CHANGES, 3), (ROWS, 0, 3)]:
        assert small <= as_zlib_packs_it(frames, kind + changes + step - 1, 9)


@settings(max_examples=40, deadline=None)
@given(frames=GROUPS | QUIET_GROUPS)
def test_no_unit_inflates_to_more_than_its_frames(frames: np.ndarray) -> None:
    assert len(encode_unit(frames).arranged) <= frames.size


def test_encoding_leaves_the_frames_alone_and_takes_views() -> None:
    wide = np.random.default_rng(1).integers(0, 256, (12, 40), np.uint8)
    before, view = wide.copy(), wide[::2, 5:35]
    assert np.array_equal(back(encode_unit(view), view), view)
    assert np.array_equal(wide, before)


STILL = np.random.default_rng(3).integers(0, 256, (1, 300), np.uint8)


def stretches(lots: np.random.Generator) -> np.ndarray:
    """A colour of 100 pixels: four stretches of one value each."""
    return np.repeat(lots.integers(0, 256, 4), np.diff([0, *np.sort(lots.integers(1, 100, 3)), 100]))


STRETCHES = np.stack([stretches(np.random.default_rng(seed)) for seed in range(36)]).reshape(12, 3, 100)
PACES = np.random.default_rng(4).integers(0, 256, (30, 300))


@pytest.mark.parametrize(
    ("frames", "kinds"),
    [
        # Every byte counts up at a pace of its own, and takes a new one at moments of its own.
        (
            np.cumsum([PACES[(f + np.arange(300) * 7) // 10 % 30, np.arange(300)] for f in range(40)], 0),
            {COLUMNS, PAIRS},
        ),
        # Four stretches of one value in each colour, from lots of their own: what is alike lies along the string.
        (STRETCHES.swapaxes(1, 2).reshape(12, 300), {ROWS}),
        # One pixel in a hundred that goes to a new value now and then.
        (np.where(np.arange(300) // 3 == 40, np.arange(40)[:, None] // 8 * 37, 0), {QUOTES}),
    ],
)
def test_each_arrangement_wins_where_it_was_made_to(frames: np.ndarray, kinds: set[int]) -> None:
    assert kind_of(encode_unit(frames.astype(np.uint8)).how) in kinds


def test_a_still_group_costs_little_more_than_its_first_frame() -> None:
    assert len(encode_unit(np.tile(STILL, (24, 1))).payload) < 1.1 * STILL.size + 120


def test_a_still_group_after_its_own_frame_costs_nearly_nothing() -> None:
    assert len(encode_unit(np.tile(STILL, (24, 1)), before=STILL[0]).payload) < 30


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
        encode_unit(frames)  # type: ignore[arg-type]


@pytest.mark.parametrize("count", [0, MOST_FRAMES + 1])
def test_a_unit_of_no_or_too_many_frames_is_refused(count: int) -> None:
    with pytest.raises(RollError, match="1 to 255 frames, not"):
        encode_unit(np.zeros((count, 3), np.uint8))


def test_a_unit_beyond_the_limit_is_refused_before_memory_is_taken() -> None:
    with pytest.raises(RollError, match="1 to 16777216 bytes, not"):
        decode_unit(b"", 0, 255, MOST_UNIT_BYTES)


def deflated(body: bytes, *, last: bytes = LAST_BLOCK, final: bool = False) -> bytes:
    """A payload that may break the rules."""
    packer = zlib.compressobj(6, zlib.DEFLATED, -12)
    start = packer.compress(body[:-1])
    return start + (packer.flush() if final else packer.flush(zlib.Z_SYNC_FLUSH)[:-4] + last + body[-1:])


@pytest.mark.parametrize(
    ("payload", "message"),
    [
        (b"", "does not end in a block of one byte"),
        (deflated(bytes(6), last=b"\0\0\xff\xff"), "does not end in a block of one byte"),
        (deflated(bytes(6), final=True), "does not end in a block of one byte"),
        # One stored block of six bytes (RFC 1951, 3.2.4), the last five of which only look like another.
        (b"\0\6\0\xf9\xff\x09" + LAST_BLOCK + b"\5", "does not end in a block of one byte"),
        (b"\xff\xff" + LAST_BLOCK + b"\0", "is not deflate"),
        (deflated(bytes(5)), "does not hold 2 frames of 3 bytes"),
        (deflated(bytes(7)), "holds more than 2 frames of 3 bytes"),
        (deflated(bytes(1_000_000)), "holds more than 2 frames of 3 bytes"),
        (deflated(bytes(7), final=True) + LAST_BLOCK + b"\0", "holds a final block"),
    ],
)
def test_a_payload_that_breaks_the_rules_is_refused(payload: bytes, message: str) -> None:
    with pytest.raises(RollError, match=message):
        decode_unit(payload, ROWS, 2, 3)


def test_the_payload_these_refusals_start_from_is_accepted() -> None:
    frames, arranged = decode_unit(deflated(bytes(range(6))), ROWS, 2, 3)
    assert np.array_equal(frames, [[0, 1, 2], [3, 4, 5]])
    assert arranged == bytes(range(6))


@pytest.mark.parametrize("empty_blocks", [1, 3])
def test_empty_blocks_before_the_last_are_accepted(empty_blocks: int) -> None:
    frames, _ = decode_unit(b"\0\0\0\xff\xff" * empty_blocks + deflated(bytes(6)), ROWS, 2, 3)
    assert np.array_equal(frames, np.zeros((2, 3)))


@settings(max_examples=150, deadline=None)
@given(arranged=st.binary(min_size=1, max_size=60), how=HOWS, frames=st.integers(1, 6), frame_bytes=st.integers(1, 12))
def test_whatever_a_payload_inflates_to_the_only_error_is_ours(
    arranged: bytes, how: int, frames: int, frame_bytes: int
) -> None:
    try:
        got, _ = decode_unit(stored(arranged), how, frames, frame_bytes)
    except RollError:
        return
    assert got.shape == (frames, frame_bytes)


def test_what_is_read_at_once_stands_as_it_is() -> None:
    frames = np.arange(4 * 30, dtype=np.uint8).reshape(4, 30)
    packed = encode_unit(frames, effort=AT_ONCE)
    assert packed.arranged == frames.tobytes() and packed.arranged[:-1] in packed.payload
    assert (back(packed, frames) == frames).all()


@pytest.mark.parametrize("seed", [47, 50])
def test_a_chain_searched_long_is_no_larger_than_one_that_is_searched_less(seed: int) -> None:
    """A pulse that goes round among sparks: here the smallest arrangement of each unit is not that of the chain."""
    rng = np.random.default_rng(seed)
    place = (np.arange(40) - np.arange(60)[:, None] * 0.37 * (1 + seed % 3)) % 40
    pulse = np.repeat(np.clip(255 - 40 * np.abs(place - 5), 0, 255).astype(np.uint8), 3, axis=1)
    pulse[rng.random(pulse.shape) < 0.004] = 255
    units = np.split(pulse, 3)
    chain = encode_chain(units, effort=LONG)
    assert sum(len(one.payload) for one in chain) <= sum(len(one.payload) for one in encode_chain(units))
    before, history, window = None, NO_HISTORY, b""
    for frames, packed in zip(units, chain, strict=True):
        got = back(packed, frames, before=before, history=history, window=window)
        assert np.array_equal(got, frames)
        history = frames if keeps_frames(packed.how) else NO_HISTORY
        before, window = frames[-1], window + packed.arranged
