"""Quotes, as ROLL.md section 9 says. The outside truth: quotes written by hand, and a reader of them from the page
alone that makes byte after byte."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from exporters import codec
from exporters.quotes import FAULTS, Quoting, unquote
from exporters.rollfile import RollHeader, RollReader, RollWriter, StringSpec
from exporters.spec import CHANGES, QUOTES, ROWS, RollError

NOTHING = np.zeros(0, np.uint8)
LITTLE = st.sampled_from([0, 0, 0, 1, 2, 255])
FRAMES = st.tuples(st.integers(1, 12), st.integers(1, 40)).flatmap(
    lambda shape: st.tuples(
        hnp.arrays(np.uint8, shape, elements=LITTLE),
        hnp.arrays(np.uint8, st.integers(0, 3).map(lambda n: (n * shape[1],)), elements=LITTLE),
    )
)


def quote(frames: np.ndarray, history: np.ndarray, step: int, changes: bool, depth: int) -> bytes:
    """A unit's frames as quotes, found and written."""
    return Quoting.of(frames, history, step, depth).written(changes)


def made_by_the_page(
    arranged: list[int], size: int, frame_bytes: int, step: int, changes: bool, history: list[int]
) -> list[int]:
    """The stretch, byte after byte, of quotes that section 9 allows."""
    stretch, distance, at = list(history), frame_bytes, 0
    end = len(history) + size
    while len(stretch) < end:
        copy, run = arranged[at], arranged[at + 1]
        at += 2
        if (copy, run) == (0, 0):
            distance = (arranged[at] + 256 * arranged[at + 1]) * step
            at += 2
        for spelled, cells in ((False, copy), (True, run)):
            for _ in range(min(cells * step, end - len(stretch))):
                value = stretch[-distance] if distance <= len(stretch) else 0
                if spelled:
                    value = (arranged[at] + value * changes) % 256
                    at += 1
                stretch.append(value)
    assert at == len(arranged)
    return stretch[len(history) :]


@pytest.mark.parametrize(
    ("step", "changes", "history", "arranged", "made"),
    [
        # Frames of four bytes. The frame before, at first; darkness before the first.
        (1, False, [], [0, 4, 1, 2, 3, 4, 4, 0], [1, 2, 3, 4, 1, 2, 3, 4]),
        (1, False, [], [4, 4, 1, 2, 3, 4], [0, 0, 0, 0, 1, 2, 3, 4]),
        # With a distance of one byte, the last one over and over.
        (1, False, [], [0, 1, 7, 0, 0, 1, 0, 7, 0], [7] * 8),
        # Two bytes a cell; the distance is in cells as well.
        (2, False, [], [0, 1, 7, 8, 0, 0, 1, 0, 3, 0], [7, 8] * 4),
        # A distance of more than 255 cells; so far back all is dark.
        (1, False, [], [0, 4, 1, 2, 3, 4, 0, 0, 0, 1, 4, 0], [1, 2, 3, 4, 0, 0, 0, 0]),
        # Out of the unit before: its last frame, or any other.
        (1, False, [9, 8, 7, 6, 5, 4, 3, 2], [4, 0, 4, 0], [5, 4, 3, 2, 5, 4, 3, 2]),
        (1, False, [9, 8, 7, 6, 5, 4, 3, 2], [0, 0, 8, 0, 8, 0], [9, 8, 7, 6, 5, 4, 3, 2]),
        # Out of the unit before and on into this one.
        (1, False, [9, 8, 7, 6], [0, 0, 2, 0, 8, 0], [7, 6] * 4),
        # Changes: what would be quoted, and more; over darkness the byte itself.
        (1, True, [], [0, 4, 1, 2, 3, 4, 1, 2, 255, 1, 1, 0], [1, 2, 3, 4, 1, 1, 4, 4]),
        (1, True, [9, 8, 7, 6], [0, 4, 1, 1, 1, 250, 4, 0], [10, 9, 8, 0, 10, 9, 8, 0]),
        # Three bytes a cell: eight bytes are three cells, the last of two bytes, spelled out or quoted.
        (3, False, [], [0, 3, 1, 2, 3, 4, 5, 6, 7, 8], [1, 2, 3, 4, 5, 6, 7, 8]),
        (3, False, [], [0, 1, 1, 2, 3, 0, 0, 1, 0, 2, 0], [1, 2, 3, 1, 2, 3, 1, 2]),
        # The distance set twice; the last one holds.
        (1, False, [], [0, 2, 1, 2, 0, 0, 1, 0, 0, 0, 2, 0, 6, 0], [1, 2] * 4),
    ],
)
def test_quotes_written_by_hand_make_their_frames(
    step: int, changes: bool, history: list[int], arranged: list[int], made: list[int]
) -> None:
    got = unquote(bytes(arranged), 2, 4, step, changes, np.array(history, np.uint8))
    assert got.ravel().tolist() == made
    assert made_by_the_page(arranged, 8, 4, step, changes, history) == made


FORBIDDEN = [
    (1, [0, 4, 1, 2, 3, 4], "the quotes end before the frames do"),
    (1, [0, 4, 1, 2, 3, 4, 4], "the quotes end before the frames do"),
    (1, [0, 4, 1, 2, 3], "the quotes end before the frames do"),
    (1, [0, 4, 1, 2, 3, 4, 0, 0, 1], "the quotes end before the frames do"),
    (1, [], "the quotes end before the frames do"),
    (1, [0, 4, 1, 2, 3, 4, 5, 0], "the quotes reach beyond the frames"),
    (1, [8, 1, 1], "the quotes reach beyond the frames"),
    (3, [4, 0], "the quotes reach beyond the frames"),
    (3, [3, 1, 1, 2, 3], "the quotes reach beyond the frames"),
    (1, [0, 0, 0, 0, 8, 0], "the quotes set a distance of 0"),
    (1, [8, 0, 0], "the quotes go on after the frames"),
    (1, [8, 0, 0, 0, 1, 0], "the quotes go on after the frames"),
]


@pytest.mark.parametrize(("step", "arranged", "why"), FORBIDDEN)
def test_quotes_that_the_page_forbids_are_refused(step: int, arranged: list[int], why: str) -> None:
    with pytest.raises(ValueError, match=why):
        unquote(bytes(arranged), 2, 4, step, False, NOTHING)


def test_every_fault_of_quotes_is_tried() -> None:
    assert {why for _, _, why in FORBIDDEN} == set(FAULTS[1:])


@settings(max_examples=150, deadline=None)
@given(drawn=FRAMES, step=st.integers(1, 4), changes=st.booleans(), depth=st.sampled_from([0, 1, 40]))
def test_frames_come_back_from_their_quotes(
    drawn: tuple[np.ndarray, np.ndarray], step: int, changes: bool, depth: int
) -> None:
    frames, history = drawn
    arranged = quote(frames, history, step, changes, depth)
    count, frame_bytes = frames.shape
    assert np.array_equal(unquote(arranged, count, frame_bytes, step, changes, history), frames)
    made = made_by_the_page(list(arranged), frames.size, frame_bytes, step, changes, history.tolist())
    assert made == frames.ravel().tolist()


@settings(max_examples=300, deadline=None)
@given(
    arranged=st.lists(st.integers(0, 9), max_size=40).map(bytes),
    step=st.integers(1, 4),
    changes=st.booleans(),
    history=st.binary(max_size=12),
)
def test_whatever_the_bytes_are_quotes_make_frames_or_are_refused(
    arranged: bytes, step: int, changes: bool, history: bytes
) -> None:
    try:
        made = unquote(arranged, 3, 5, step, changes, np.frombuffer(history, np.uint8)).ravel().tolist()
    except ValueError as error:
        made = []
        assert str(error) in FAULTS
    expected = made and made_by_the_page(list(arranged), 15, 5, step, changes, list(history))
    assert made == expected


def test_a_light_that_comes_round_is_quoted_from_its_last_round() -> None:
    # A tail of ten bytes in no order, over a hundred dark ones, that moves by one byte a frame and comes round once.
    tail = np.random.default_rng(1).integers(1, 256, 10, np.uint8)
    frames = np.zeros((100, 100), np.uint8)
    for frame in range(100):
        frames[frame, (frame + np.arange(10)) % 100] = tail
    # One step of two pairs and a distance at first, then pairs alone: what was at a frame and a byte before.
    assert len(quote(frames, NOTHING, 1, False, 32)) < 250


def test_the_frame_before_needs_no_distance() -> None:
    still = np.tile(np.random.default_rng(2).integers(0, 256, 90, np.uint8), (3, 1))
    assert list(quote(still, NOTHING, 3, False, 0)) == [0, 30, *still[0].tolist(), 60, 0]
    assert list(quote(still, still[0], 3, False, 0)) == [90, 0]


TAILS = np.random.default_rng(7).integers(1, 256, (9, 240), np.uint8)


def light(group: int) -> np.ndarray:
    """Six frames, uint8 (6, 1220): one of nine tails in turn, always further on, and a spark by lot."""
    sparks = np.random.default_rng(group)
    frames = np.zeros((6, 1220), np.uint8)
    for frame, at in enumerate(range(6 * group, 6 * group + 6)):
        frames[frame, (15 * at + np.arange(240)) % 1220] = TAILS[at % 9]
        frames[frame, sparks.integers(0, 1220)] = 255
    return frames


@pytest.fixture(scope="module")
def rounds(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A roll of twelve groups in chains of units. What comes again was last shown farther back than deflate looks."""
    path = tmp_path_factory.mktemp("rounds") / "a.roll"
    strings = (StringSpec("rail", 16, None, 400, 3, "grb", "ws2812b"), StringSpec("lamp", 2, None, 5, 4, "grbw", "x"))
    header = RollHeader("", "quay", 1_200_000, "0" * 64, strings)
    with RollWriter(path, header, groups=12, unit_bytes=header.frame_bytes * 12) as writer:
        for group in range(12):
            writer.add(group * 100_000, (group + 1) * 100_000, light(group))
    return path


def test_units_quote_from_the_unit_they_lean_on(rounds: Path) -> None:
    with RollReader(rounds) as reader:
        assert [unit.depth for unit in reader.units[:4]] == [0, 1, 2, 3]
        assert {codec.kind_of(unit.how) for unit in reader.units} == {QUOTES}
        for group in np.random.default_rng(0).permutation(12):
            assert np.array_equal(reader.group(int(group)), light(int(group)))


def test_what_leans_is_smaller_than_what_does_not(rounds: Path) -> None:
    with RollReader(rounds) as reader:
        assert reader.units[1].payload_bytes < 0.8 * reader.units[0].payload_bytes


@pytest.mark.parametrize(
    ("how", "kept"), [(QUOTES, True), (QUOTES + CHANGES + 2, True), (ROWS, True), (ROWS + 2, False), (ROWS + 4, False)]
)
def test_what_keeps_its_frames_can_be_quoted_from(how: int, kept: bool) -> None:
    assert codec.keeps_frames(how) is kept


def test_quotes_longer_than_their_frames_are_never_written() -> None:
    # Nothing comes again: each byte is spelled out, and two more say so.
    frames = np.array([[7, 200, 31]], np.uint8)
    assert len(quote(frames, NOTHING, 3, False, 8)) == 5
    assert codec.kind_of(codec.encode_unit(frames).how) != QUOTES


def test_a_fault_of_quotes_is_a_fault_of_the_unit() -> None:
    frames = np.zeros((2, 4), np.uint8)
    payload = codec.encode_unit(frames).payload
    with pytest.raises(RollError):
        codec.decode_unit(payload, QUOTES + 3, 9, 9)
