"""Rolls as files: what is written comes back, in time, from any group; nothing half-written is ever left."""

from __future__ import annotations

import multiprocessing
import os
import tracemalloc
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from exporters import codec
from exporters.rollfile import (
    INFLATER_BYTES,
    READ_BYTES,
    Draw,
    Gathered,
    RollGroup,
    RollHeader,
    RollReader,
    RollWriter,
    StringSpec,
)
from exporters.spec import RollError

RAIL = StringSpec("rail", 16, None, 20, 3, "grb", "ws2812b")
MAST = StringSpec("mast", 18, 19, 5, 3, "bgr", "apa102")
LAMP = StringSpec("lämp", 2, None, 1, 4, "grbw", "sk6812-rgbw")
DRAWS = (Draw("rail", "boat", 0, 15, 1_000, 20_000), Draw("rail", "shed", 15, 5, 1_000, 20_000, "max"))
HEADER = RollHeader(
    "Ebb & flood", "quay", 3_000_000, "0123456789abcdef" * 4, (RAIL, MAST, LAMP), (("shed", 4000), ("boat", 0)), DRAWS
)
ONE = RollHeader("", "quay", 0, "0" * 64, (StringSpec("rail", 0, None, 1, 3, "rgb", "ws2812b"),))


def noise(seed: int, frames: int = 12, header: RollHeader = HEADER) -> np.ndarray:
    return np.random.default_rng(seed).integers(0, 256, (frames, header.frame_bytes), np.uint8)


def write(path: Path, groups: list[np.ndarray], header: RollHeader = HEADER, us: int = 500_000) -> RollWriter:
    with RollWriter(path, header, groups=len(groups)) as writer:
        for number, frames in enumerate(groups):
            writer.add(number * us, (number + 1) * us, frames)
    return writer


@pytest.fixture
def roll(tmp_path: Path) -> Iterator[RollReader]:
    """Three groups from 1 s on: 12 frames in 500,000 us, 7 in 333,333 us, 1 in 400,001 us."""
    with RollWriter(tmp_path / "a.roll", HEADER, groups=3) as writer:
        writer.add(1_000_000, 1_500_000, noise(1))
        writer.add(1_500_000, 1_833_333, noise(2, 7))
        writer.add(1_833_333, 2_233_334, noise(3, 1))
    with RollReader(tmp_path / "a.roll") as reader:
        yield reader


# ---- round trip -------------------------------------------------------------------------------------------------


def test_header_and_frames_come_back(roll: RollReader) -> None:
    assert roll.header == HEADER
    for number, (seed, frames) in enumerate([(1, 12), (2, 7), (3, 1)]):
        assert np.array_equal(roll.group(number), noise(seed, frames))
    assert [(group.start_us, group.end_us, group.frames) for group, _ in roll] == [
        (1_000_000, 1_500_000, 12),
        (1_500_000, 1_833_333, 7),
        (1_833_333, 2_233_334, 1),
    ]
    assert len(roll) == 3
    assert roll.verify() == []


def test_groups_can_be_read_in_any_order(roll: RollReader) -> None:
    assert [roll.group(number)[0].tolist() for number in (2, 0, 1, 0)] == [
        noise(seed, frames)[0].tolist() for seed, frames in ((3, 1), (1, 12), (2, 7), (1, 12))
    ]


@pytest.mark.parametrize("number", [-1, 3])
def test_there_is_no_group_beyond_the_last(roll: RollReader, number: int) -> None:
    with pytest.raises(IndexError, match=f"no group {number}: the roll has 3"):
        roll.group(number)
    with pytest.raises(IndexError, match=f"no group {number}: the roll has 3"):
        roll.frame_times_us(number)


TEXT = st.text(st.characters(min_codepoint=32, exclude_categories=["Cs"], exclude_characters="\x7f"), max_size=60)
NAMES = TEXT.filter(bool)
ORDERS = st.sampled_from(["rgb", "grb", "bgr", "brg", "grbw", "wrgb"])


@settings(max_examples=40, deadline=None)
@given(data=st.data())
def test_any_header_within_the_limits_comes_back(data: st.DataObject, tmp_path_factory: pytest.TempPathFactory) -> None:
    names = data.draw(st.lists(NAMES, min_size=1, max_size=6, unique=True))
    pins = data.draw(st.permutations(range(0, 255, 17)))
    strings = tuple(
        StringSpec(
            name, pins[2 * at], pins[2 * at + 1] if at % 2 else None, pixels, len(order), order, data.draw(NAMES)
        )
        for at, (name, order, pixels) in enumerate(
            (name, data.draw(ORDERS), data.draw(st.integers(1, 40))) for name in names
        )
    )
    supplies = data.draw(st.dictionaries(NAMES, st.integers(0, 2**32 - 1), max_size=4))
    header = RollHeader(
        title=data.draw(TEXT),
        controller=data.draw(NAMES),
        song_us=data.draw(st.integers(0, 2**32 - 1)),
        song_sha256=data.draw(st.binary(min_size=32, max_size=32)).hex(),
        strings=strings,
        allotments=tuple(supplies.items()),
        draws=tuple(
            Draw(string.name, supply, string.pixels - 1, 1, 900, 65_536, law)
            for string in strings
            for supply, law in zip(supplies, ["sum", "max"], strict=False)
        ),
    )
    path = tmp_path_factory.mktemp("roll") / "a.roll"
    write(path, [noise(1, 2, header)], header)
    with RollReader(path) as reader:
        assert reader.header == header


def test_byte_slices_follow_each_other_in_the_order_of_the_strings() -> None:
    assert HEADER.byte_slices == {"rail": slice(0, 60), "mast": slice(60, 75), "lämp": slice(75, 79)}
    assert HEADER.frame_bytes == 79


def test_two_writings_of_one_show_are_the_same_file(tmp_path: Path) -> None:
    for name in ("a.roll", "b.roll"):
        write(tmp_path / name, [noise(1), noise(2), noise(1)])
    assert (tmp_path / "a.roll").read_bytes() == (tmp_path / "b.roll").read_bytes()


# ---- time -------------------------------------------------------------------------------------------------------


def test_frames_are_spaced_by_whole_division_with_the_remainder_spread(roll: RollReader) -> None:
    for number, group in enumerate(roll.groups):
        exact = [
            group.start_us + Fraction(i * (group.end_us - group.start_us), group.frames) for i in range(group.frames)
        ]
        assert roll.frame_times_us(number).tolist() == [int(due) for due in exact]
        assert [group.frame_us(i) for i in range(group.frames)] == [int(due) for due in exact]
        assert group.frame_us(group.frames) == group.end_us


@settings(max_examples=100, deadline=None)
@given(start=st.integers(0, 2**31), frames=st.integers(1, 255), extra=st.integers(0, 4_000_000))
def test_the_frame_that_stands_is_the_one_between_its_own_time_and_the_next(
    start: int, frames: int, extra: int
) -> None:
    group = RollGroup(start, start + frames + extra, frames, 0, 0)
    for frame in {0, 1 % frames, frames // 2, frames - 1}:
        due, end = group.frame_us(frame), group.frame_us(frame + 1)
        assert due < end
        assert group.frame_at(due) == group.frame_at(end - 1) == frame


def test_seek_goes_to_the_next_group_at_its_first_microsecond(roll: RollReader) -> None:
    assert roll.seek(1_499_999) == (0, 11)
    assert roll.seek(1_500_000) == (1, 0)
    assert roll.seek(1_833_332) == (1, 6)
    assert roll.seek(2_233_333) == (2, 0)


@pytest.mark.parametrize("us", [-1, 0, 999_999, 2_233_334, 2**40])
def test_before_the_first_frame_and_from_the_end_on_nothing_stands(roll: RollReader, us: int) -> None:
    assert roll.seek(us) is None


def test_the_last_moment_of_71_minutes_can_be_stored(tmp_path: Path) -> None:
    with RollWriter(tmp_path / "a.roll", ONE, groups=1) as writer:
        writer.add(2**32 - 2_000_001, 2**32 - 1, noise(1, 3, ONE))
    with RollReader(tmp_path / "a.roll") as reader:
        assert reader.frame_times_us(0).tolist() == [4_292_967_295, 4_293_633_961, 4_294_300_628]


# ---- one copy of what repeats -----------------------------------------------------------------------------------


def test_a_group_that_repeats_is_stored_once_at_any_tempo(tmp_path: Path) -> None:
    with RollWriter(tmp_path / "a.roll", HEADER, groups=4) as writer:
        writer.add(0, 500_000, noise(1))
        writer.add(500_000, 1_000_000, noise(2))
        writer.add(1_000_000, 1_444_444, noise(1))
        writer.add(1_444_444, 2_000_000, noise(2))
    assert writer.stats.stored_groups == 2
    with RollReader(tmp_path / "a.roll") as reader:
        assert [group.place for group in reader.groups] == [(0, 0), (0, 12), (0, 0), (0, 12)]
        assert np.array_equal(reader.group(2), noise(1))
        assert reader.verify() == []


def test_groups_of_the_same_bytes_in_other_shapes_are_not_mixed_up(tmp_path: Path) -> None:
    header = replace(ONE, strings=(replace(ONE.strings[0], pixels=2),))
    still, frames = np.zeros((2, 6), np.uint8), np.zeros((3, 6), np.uint8)
    write(tmp_path / "a.roll", [still, frames, still], header)
    with RollReader(tmp_path / "a.roll") as reader:
        assert [reader.group(number).shape for number in range(3)] == [(2, 6), (3, 6), (2, 6)]


# ---- units ------------------------------------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_any_order_of_groups_comes_back_and_no_jump_needs_more_than_one_unit(
    data: st.DataObject, tmp_path_factory: pytest.TempPathFactory
) -> None:
    seeds = data.draw(st.lists(st.integers(0, 12), min_size=1, max_size=40))
    groups = [np.random.default_rng(seed).integers(0, 3, (1 + seed % 3, 79), np.uint8) for seed in seeds]
    path = tmp_path_factory.mktemp("roll") / "a.roll"
    with RollWriter(path, HEADER, groups=len(groups), unit_bytes=data.draw(st.integers(1, 1_000))) as writer:
        for number, frames in enumerate(groups):
            writer.add(number * 1_000, number * 1_000 + 1_000, frames)
    with RollReader(path) as reader:
        assert all(np.array_equal(frames, own) for (_, frames), own in zip(reader, groups, strict=True))
        assert reader.verify() == []
        assert writer.stats == reader.stats
        assert reader.stats.stored_groups == len(set(seeds))
        units = [group.unit for group in reader.groups]
        jumps = [to for at, to in zip([None, *units], units, strict=False) if at is None or to not in (at, at + 1)]
        assert {reader.units[unit].depth for unit in jumps} == {0}


def test_a_reader_enters_a_chain_anywhere(tmp_path: Path) -> None:
    groups = [noise(seed) // 100 for seed in range(8)]
    with RollWriter(tmp_path / "a.roll", HEADER, groups=8, unit_bytes=1) as writer:
        for number, frames in enumerate(groups):
            writer.add(number * 1_000, number * 1_000 + 1_000, frames)
    for number in (7, 3, 0, 5):
        with RollReader(tmp_path / "a.roll") as reader:
            assert [unit.depth for unit in reader.units] == list(range(8))
            assert np.array_equal(reader.group(number), groups[number])


def test_with_a_file_to_put_units_aside_each_is_inflated_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    inflate = codec.decode_unit
    inflated: list[bytes] = []

    def counted(payload: bytes, *given: Any, **named: Any) -> Any:
        inflated.append(payload)
        return inflate(payload, *given, **named)

    monkeypatch.setattr(codec, "decode_unit", counted)
    shows = [[noise(seed, 12) for seed in seeds] for seeds in ((1, 2, 3, 1, 4, 5, 2, 6), (7, 7, 8, 9, 8, 7, 9, 1))]
    for name, groups in zip("ab", shows, strict=True):
        with RollWriter(tmp_path / name, HEADER, groups=8, unit_bytes=2 * groups[0].nbytes) as writer:
            for number, frames in enumerate(groups):
                writer.add(number * 500_000, (number + 1) * 500_000, frames)
    with (
        open(tmp_path / "aside", "w+b") as aside,
        RollReader(tmp_path / "a", aside) as a,
        RollReader(tmp_path / "b", aside) as b,
    ):
        for number in (*range(8), *range(8)):
            for reader, groups in zip((a, b), shows, strict=True):
                assert np.array_equal(reader.group(number), groups[number])
        assert len(inflated) == len(a.units) + len(b.units) > 4


def test_what_a_caller_does_to_a_groups_frames_stays_with_the_caller(roll: RollReader) -> None:
    roll.group(0)[:] = 0
    assert np.array_equal(roll.group(0), noise(1))


# ---- sizes ------------------------------------------------------------------------------------------------------


def test_stats_are_the_sizes_of_the_file(tmp_path: Path) -> None:
    writer = write(tmp_path / "a.roll", [noise(1), noise(2, 30), noise(1)])
    stats = writer.stats
    assert stats.file_bytes == (tmp_path / "a.roll").stat().st_size
    assert (stats.groups, stats.stored_groups, stats.frames) == (3, 2, 54)
    assert (stats.raw_bytes, stats.most_group_bytes) == (54 * 79, 30 * 79)
    # Noise does not pack: the one unit of 42 frames is a little longer than they are.
    assert (stats.units, stats.most_unit_bytes) == (1, 42 * 79)
    assert 42 * 79 < stats.most_payload_bytes < 42 * 79 + 20
    assert stats.ram_bytes == 2 * 42 * 79 + 79 + INFLATER_BYTES[13] + READ_BYTES
    with RollReader(tmp_path / "a.roll") as reader:
        assert reader.stats == stats


def test_stats_are_known_only_at_the_end(tmp_path: Path) -> None:
    with RollWriter(tmp_path / "a.roll", HEADER, groups=1) as writer:
        with pytest.raises(RollError, match="known after close"):
            print(writer.stats)
        writer.add(0, 1_000, noise(1))


def test_writing_takes_no_more_memory_for_a_longer_show(tmp_path: Path) -> None:
    header = replace(ONE, strings=(replace(ONE.strings[0], pixels=300),))

    def peak(groups: int) -> int:
        tracemalloc.start()
        with RollWriter(tmp_path / "a.roll", header, groups=groups, effort=codec.QUICK) as writer:
            for number in range(groups):
                writer.add(number * 500_000, (number + 1) * 500_000, noise(number, 12, header))
        top = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return top

    peak(2)  # what is loaded once is not counted
    assert peak(240) - peak(40) < 200 * 1_024  # 200 groups more are 2.2 MB of frames; chains of 16 are kept whole


# ---- packed by another process ----------------------------------------------------------------------------------


def test_what_was_gathered_is_packed_by_another_process_to_the_same_file(tmp_path: Path) -> None:
    groups = [noise(1), noise(2), noise(1)]
    write(tmp_path / "here.roll", groups)
    writer = RollWriter(tmp_path / "there.roll", HEADER, groups=3)
    new = [writer.add(500_000 * at, 500_000 * (at + 1), frames) for at, frames in enumerate(groups)]
    assert new == [True, True, False]
    with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn")) as pool:
        stats = pool.submit(Gathered.pack, writer.gathered()).result()
    assert (tmp_path / "there.roll").read_bytes() == (tmp_path / "here.roll").read_bytes()
    assert stats.file_bytes == (tmp_path / "there.roll").stat().st_size
    with pytest.raises(RollError, match="closed"):
        writer.add(1_500_000, 2_000_000, groups[0])
    writer.close()  # there is nothing left to do
    assert left(tmp_path) == ["here.roll", "there.roll"]


def test_what_was_gathered_and_never_packed_is_cleared(tmp_path: Path) -> None:
    with pytest.raises(Stop, match="renderer"), RollWriter(tmp_path / "a.roll", HEADER, groups=1) as writer:
        writer.add(0, 1_000, noise(1))
        writer.gathered()
        raise Stop("renderer")
    assert left(tmp_path) == []


# ---- nothing half-written ---------------------------------------------------------------------------------------


def left(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


class Stop(Exception):
    """Somebody's own failure in the middle of writing."""


def test_a_failure_in_the_middle_leaves_nothing(tmp_path: Path) -> None:
    with pytest.raises(Stop, match="renderer"), RollWriter(tmp_path / "a.roll", HEADER, groups=2) as writer:
        writer.add(0, 1_000, noise(1))
        raise Stop("renderer")
    assert left(tmp_path) == []


@pytest.mark.parametrize("error", [KeyboardInterrupt, SystemExit])
def test_an_interrupt_leaves_nothing(tmp_path: Path, error: type[BaseException]) -> None:
    with pytest.raises(error, match="now"), RollWriter(tmp_path / "a.roll", HEADER, groups=2) as writer:
        writer.add(0, 1_000, noise(1))
        raise error("now")
    assert left(tmp_path) == []


def test_a_failure_leaves_the_file_that_was_there(tmp_path: Path) -> None:
    (tmp_path / "a.roll").write_bytes(b"last year")
    with pytest.raises(Stop, match="renderer"), RollWriter(tmp_path / "a.roll", HEADER, groups=1):
        raise Stop("renderer")
    assert (tmp_path / "a.roll").read_bytes() == b"last year"
    assert left(tmp_path) == ["a.roll"]


@pytest.mark.parametrize("step", ["fsync", "replace"])
def test_a_disk_that_fails_at_the_end_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, step, full)
    with pytest.raises(OSError, match="No space left"):
        write(tmp_path / "a.roll", [noise(1)])
    assert left(tmp_path) == []


def test_a_roll_without_all_its_groups_is_not_written(tmp_path: Path) -> None:
    writer = RollWriter(tmp_path / "a.roll", HEADER, groups=2)
    writer.add(0, 1_000, noise(1))
    with pytest.raises(RollError, match="2 groups were announced, 1 added"):
        writer.close()
    assert left(tmp_path) == []


def test_until_it_is_whole_the_file_has_another_name(tmp_path: Path) -> None:
    with RollWriter(tmp_path / "a.roll", HEADER, groups=1) as writer:
        writer.add(0, 1_000, noise(1))
        assert not (tmp_path / "a.roll").exists()
        assert len(left(tmp_path)) == 1
    assert left(tmp_path) == ["a.roll"]


def test_a_roll_takes_the_place_of_an_older_one(tmp_path: Path) -> None:
    write(tmp_path / "a.roll", [noise(1)])
    write(tmp_path / "a.roll", [noise(2)])
    with RollReader(tmp_path / "a.roll") as reader:
        assert np.array_equal(reader.group(0), noise(2))


@pytest.mark.skipif(os.name != "posix", reason="permission bits are a POSIX matter")
def test_the_file_has_the_permissions_of_any_new_file(tmp_path: Path) -> None:
    write(tmp_path / "a.roll", [noise(1)])
    (tmp_path / "plain").write_bytes(b"")
    assert (tmp_path / "a.roll").stat().st_mode == (tmp_path / "plain").stat().st_mode


def test_a_folder_that_is_not_there_is_the_systems_error(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError, match="nowhere"):
        RollWriter(tmp_path / "nowhere" / "a.roll", HEADER, groups=1)


# ---- what the writer refuses ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"song_us": -1}, "song_us must be 0 to 4294967295, not -1"),
        ({"song_us": 2**32}, "song_us must be 0 to 4294967295"),
        ({"song_sha256": "ab"}, "64 hexadecimal digits"),
        ({"song_sha256": "AB" * 32}, "64 hexadecimal digits in lower case"),
        ({"strings": ()}, "strings of a roll must be 1 to 32, not 0"),
        ({"strings": tuple(replace(RAIL, name=f"s{n}", pin=n) for n in range(33))}, "must be 1 to 32, not 33"),
        ({"allotments": tuple((f"p{n}", 1) for n in range(33))}, "supplies of a roll must be 0 to 32, not 33"),
        ({"allotments": (("shed", 2**32),)}, "allotment of shed must be 0 to 4294967295"),
        ({"allotments": (("shed", 1), ("shed", 2))}, "one name twice among shed, shed"),
        ({"draws": (replace(DRAWS[0], string="oar"),)}, "a draw of oar from boat: no such string"),
        ({"draws": (replace(DRAWS[0], supply="sun"),)}, "a draw of rail from sun: .* no allotment"),
        ({"draws": DRAWS[:1] * 65}, "draws of a roll must be 0 to 64, not 65"),
        ({"draws": (replace(DRAWS[0], first_pixel=20),)}, "first_pixel must be 0 to 19, not 20"),
        ({"draws": (replace(DRAWS[0], first_pixel=15, pixels=6),)}, "pixels must be 1 to 5, not 6"),
        ({"draws": (replace(DRAWS[0], idle_ua=2**24),)}, "idle_ua must be 0 to 16777215"),
        ({"draws": (replace(DRAWS[0], channel_ua=-1),)}, "channel_ua must be 0 to 16777215, not -1"),
        (
            {"draws": (replace(DRAWS[0], pixels=20, idle_ua=2**24 - 1, channel_ua=2**24 - 1),)},
            "full on must be 0 to 1073741823",
        ),
        ({"draws": (replace(DRAWS[0], law="mean"),)}, 'law "mean" must be one of sum, max'),
        ({"draws": DRAWS, "strings": (replace(RAIL, name="oar"), RAIL)}, "two lines on one pin"),
        ({"strings": (RAIL, replace(MAST, name="rail"))}, "one name twice among rail, rail"),
        ({"strings": (RAIL, replace(MAST, pin=16))}, "two lines on one pin"),
        ({"strings": (replace(MAST, clock_pin=18),)}, "two lines on one pin"),
        ({"strings": (replace(RAIL, pin=255),)}, "string rail: pin must be 0 to 254, not 255"),
        ({"strings": (replace(MAST, clock_pin=255),)}, "string mast: clock_pin must be 0 to 254, not 255"),
        ({"strings": (replace(RAIL, pixels=0),)}, "string rail: pixels must be 1 to 65535, not 0"),
        ({"strings": (replace(RAIL, pixels=65_536),)}, "pixels must be 1 to 65535, not 65536"),
        ({"strings": (replace(RAIL, order="gr"),)}, 'order "gr" must hold r, g, b'),
        ({"strings": (replace(RAIL, order="GRB"),)}, 'order "GRB" must hold r, g, b'),
        ({"strings": (replace(RAIL, order="ggb"),)}, 'order "ggb" must hold r, g, b'),
        ({"strings": (replace(RAIL, channels=4),)}, '4 channels, but its order is "grb"'),
        (
            {"strings": tuple(replace(RAIL, name=f"s{n}", pin=n, pixels=65_535) for n in range(6))},
            "bytes of a frame must be 3 to 1048576, not 1179630",
        ),
        ({"controller": ""}, "a name has 1 to 255 bytes of UTF-8, not 0"),
        ({"title": "ä" * 128}, "a name has 0 to 255 bytes of UTF-8, not 256"),
        ({"title": "two\nlines"}, "control character"),
        ({"title": "\x1b[31m"}, "control character"),
        ({"title": "\ud800"}, "half a character"),
    ],
)
def test_a_header_beyond_the_limits_is_refused(tmp_path: Path, change: dict[str, object], message: str) -> None:
    with pytest.raises(RollError, match=message):
        RollWriter(tmp_path / "a.roll", replace(HEADER, **change), groups=1)  # type: ignore[arg-type]
    assert left(tmp_path) == []


@pytest.mark.parametrize("groups", [0, 65_536])
def test_no_or_too_many_groups_are_refused(tmp_path: Path, groups: int) -> None:
    with pytest.raises(RollError, match=f"1 to 65535 groups, not {groups}"):
        RollWriter(tmp_path / "a.roll", HEADER, groups=groups)
    assert left(tmp_path) == []


@pytest.mark.parametrize(
    ("start", "end", "frames", "message"),
    [
        (999, 2_000, 1, "group 1 starts at 999 us, the one before ends at 1000"),
        (1_001, 2_000, 1, "group 1 starts at 1001 us, the one before ends at 1000"),
        (1_000, 1_000, 1, "group 1: from 1000 to 1000 us is not"),
        (1_000, 999, 1, "group 1: from 1000 to 999 us is not"),
        (1_000, 2**32, 1, "not a time of a song up to 71 minutes"),
        (1_000, 1_011, 12, "group 1: 12 frames in 11 us"),
        (1_000, 1_000 + 2**30 // 16, 16, r"frames x us must be below 2\^30"),
    ],
)
def test_times_beyond_the_limits_are_refused(tmp_path: Path, start: int, end: int, frames: int, message: str) -> None:
    with pytest.raises(RollError, match=message), RollWriter(tmp_path / "a.roll", HEADER, groups=2) as writer:
        writer.add(0, 1_000, noise(1))
        writer.add(start, end, noise(2, frames))
    assert left(tmp_path) == []


def test_the_longest_group_and_the_shortest_frames_within_the_limits_are_taken(tmp_path: Path) -> None:
    with RollWriter(tmp_path / "a.roll", HEADER, groups=2) as writer:
        writer.add(0, 2**30 // 16 - 1, noise(1, 16))
        writer.add(2**30 // 16 - 1, 2**30 // 16 + 11, noise(1, 12))
    with RollReader(tmp_path / "a.roll") as reader:
        assert np.diff(reader.frame_times_us(1)).tolist() == [1] * 11


@pytest.mark.parametrize(
    ("frames", "message"),
    [
        (np.zeros((12, 80), np.uint8), "frames have 80 bytes, the header's strings 79"),
        (np.zeros((12, 79), np.int64), "uint8 array of shape"),
        (np.zeros((0, 79), np.uint8), "1 to 255 frames, not 0"),
    ],
)
def test_frames_of_another_kind_are_refused(tmp_path: Path, frames: np.ndarray, message: str) -> None:
    with pytest.raises(RollError, match=message), RollWriter(tmp_path / "a.roll", HEADER, groups=1) as writer:
        writer.add(0, 1_000, frames)


def test_more_groups_than_announced_are_refused(tmp_path: Path) -> None:
    with (
        pytest.raises(RollError, match="more than the 1 groups"),
        RollWriter(tmp_path / "a", HEADER, groups=1) as writer,
    ):
        writer.add(0, 1_000, noise(1))
        writer.add(1_000, 2_000, noise(1))


def test_nothing_is_added_to_a_closed_roll(tmp_path: Path) -> None:
    writer = write(tmp_path / "a.roll", [noise(1)])
    writer.close()
    with pytest.raises(RollError, match="already closed"):
        writer.add(500_000, 600_000, noise(1))


def test_seconds_given_for_microseconds_are_refused(tmp_path: Path) -> None:
    with pytest.raises(TypeError, match="float"), RollWriter(tmp_path / "a.roll", HEADER, groups=1) as writer:
        writer.add(0.0, 0.5, noise(1))  # type: ignore[arg-type]


def test_whole_numbers_of_numpy_are_taken(tmp_path: Path) -> None:
    with RollWriter(tmp_path / "a.roll", HEADER, groups=1) as writer:
        writer.add(np.int64(5), np.int64(1_005), noise(1))
    with RollReader(tmp_path / "a.roll") as reader:
        assert (reader.groups[0].start_us, reader.groups[0].end_us) == (5, 1_005)
