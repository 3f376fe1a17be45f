"""The frame clock: musical time, seconds and frames, exactly. The truth is arithmetic, worked beside each check."""

from __future__ import annotations

import itertools
import math
import time
from fractions import Fraction

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from composer.clock import (
    GROUP_FRAMES,
    GROUP_PRODUCT,
    SECOND,
    BarGrid,
    FrameClock,
    Group,
    Moment,
    Span,
    frame_clock,
    frames_per_beat,
    parse_moment,
    parse_number,
    parse_span,
)

F = Fraction


def grid_of(beats_us: list[int], bars: list[int] | None = None, beats_per_bar: int = 4) -> BarGrid:
    return BarGrid(tuple(beats_us), tuple(bars or [0]), beats_per_bar)


def even(beats: int, beat_us: int = 500_000, start_us: int = 0) -> list[int]:
    return [start_us + i * beat_us for i in range(beats)]


def clock_of(beats_us: list[int], song_us: int, **more: object) -> FrameClock:
    return frame_clock(grid_of(beats_us), song_us, **more)  # type: ignore[arg-type]


def shapes(clock: FrameClock) -> list[tuple[int, int, int]]:
    return [(g.start_us, g.end_us, g.frames) for g in clock.groups]


# ---- lengths as people write them ----


@pytest.mark.parametrize(
    ("text", "span"),
    [
        ("2 bars", Span(bars=F(2))),
        ("1 bar", Span(bars=F(1))),
        ("1/2 beat", Span(beats=F(1, 2))),
        ("1.5 beats", Span(beats=F(3, 2))),
        ("0.5 s", Span(seconds=F(1, 2))),
        ("3 seconds", Span(seconds=F(3))),
        ("250ms", Span(seconds=F(1, 4))),
        ("  4   beats ", Span(beats=F(4))),
        ("0 beats", Span()),
    ],
)
def test_lengths(text: str, span: Span) -> None:
    assert parse_span(text) == span


@pytest.mark.parametrize("text", ["", "2", "beats", "-1 beat", "2 bats", "1 / 2 beat", "two beats", "1e3 beats"])
def test_what_is_no_length_is_told_how_to_write_one(text: str) -> None:
    with pytest.raises(ValueError, match=r'is not a length: write "2 bars", "1/2 beat" or "0\.5 s"'):
        parse_span(text)


def test_a_number_without_a_unit_takes_the_one_that_is_given() -> None:
    assert parse_span("3/4", bare="beats") == Span(beats=F(3, 4))


@pytest.mark.parametrize("text", ["1/0", "1/00"])
def test_nothing_is_divided_by_zero(text: str) -> None:
    with pytest.raises(ValueError, match=r"divides by zero"):
        parse_number(text)
    with pytest.raises(ValueError, match=r"divides by zero"):
        parse_span(f"{text} beat")
    with pytest.raises(ValueError, match=r"divides by zero"):
        parse_moment(f"17.1+{text}")


def test_a_length_is_positive_when_it_goes_on_and_nowhere_back() -> None:
    assert Span(beats=F(1)).positive and Span(bars=F(1), seconds=F(1)).positive
    assert not Span().positive and not (-Span(beats=F(1))).positive
    assert not (Span(beats=F(1)) + -Span(bars=F(1))).positive


# ---- places as people write them ----


@pytest.mark.parametrize(
    ("text", "moment"),
    [
        ("17", Moment("bar", bar=17)),
        ("17.3", Moment("bar", bar=17, beat=F(3))),
        ("17.10", Moment("bar", bar=17, beat=F(10))),
        ("0.4", Moment("bar", bar=0, beat=F(4))),
        ("-1.2", Moment("bar", bar=-1, beat=F(2))),
        ("17.3+1/2", Moment("bar", bar=17, beat=F(3), plus=Span(beats=F(1, 2)))),
        ("17.3 - 0.25", Moment("bar", bar=17, beat=F(3), plus=Span(beats=F(-1, 4)))),
        ("83.5s", Moment("seconds", seconds=F(167, 2))),
        ("83 s", Moment("seconds", seconds=F(83))),
        ("start", Moment("start")),
        ("end", Moment("end")),
        ("end - 2 bars", Moment("end", plus=Span(bars=F(-2)))),
        ("end - 2 bars + 1 beat", Moment("end", plus=Span(bars=F(-2), beats=F(1)))),
        ("start + 250 ms", Moment("start", plus=Span(seconds=F(1, 4)))),
        ("section B", Moment("section", name="B")),
        ("section B[2]", Moment("section", name="B", nth=2)),
        ("section B[2]+1", Moment("section", name="B", nth=2, plus=Span(beats=F(1)))),
        ("section B + 1 bar", Moment("section", name="B", plus=Span(bars=F(1)))),
        ("label door", Moment("label", name="door")),
        ("label the big door - 1 beat", Moment("label", name="the big door", plus=Span(beats=F(-1)))),
        ("label verse-2", Moment("label", name="verse-2")),
        ("label verse-2 - 2", Moment("label", name="verse-2", plus=Span(beats=F(-2)))),
        ("label pre-chorus", Moment("label", name="pre-chorus")),
        ("label end", Moment("label", name="end")),
        (" 17.3 ", Moment("bar", bar=17, beat=F(3))),
    ],
)
def test_places(text: str, moment: Moment) -> None:
    assert parse_moment(text) == moment


MANY = "9" * 5000  # more digits than Python turns into a number


@pytest.mark.parametrize(
    "text", ["", "seventeen", "17.3.2", "17,3", "17.", ".3", "17.3+", "section", "label ", "ending", "1:23", "17+1 bat"]
)
def test_what_is_no_place_is_told_how_to_write_one(text: str) -> None:
    with pytest.raises(ValueError, match=r'is not a musical time: write "17\.3", "17\.3\+1/2", "83\.5s"'):
        parse_moment(text)


@pytest.mark.parametrize("text", [MANY, f"17.{MANY}", f"{MANY}s", f"17 + 1/{MANY}", f"section B[{MANY}]"])
def test_a_place_of_endless_digits_is_no_place(text: str) -> None:
    with pytest.raises(ValueError, match="is not a musical time"):
        parse_moment(text)


def test_a_wrong_place_of_many_steps_is_told_at_once() -> None:
    began = time.perf_counter()
    with pytest.raises(ValueError, match="is not a musical time"):
        parse_moment("17" + " + 1" * 24 + " x")  # when each step doubled the time, these took 6 s
    assert time.perf_counter() - began < 0.5


def test_beats_and_places_count_from_one() -> None:
    with pytest.raises(ValueError, match=r'"17\.0": beats of a bar are counted from 1'):
        parse_moment("17.0")
    with pytest.raises(ValueError, match=r'"section B\[0\]": places are counted from 1'):
        parse_moment("section B[0]")


@given(st.text(max_size=30))
def test_any_text_is_a_place_or_a_value_error(text: str) -> None:
    for parse in (parse_moment, parse_span):
        try:
            parse(text)
        except ValueError as error:
            assert str(error)


# ---- bars ----


def test_a_pickup_is_bar_zero_and_bar_one_starts_at_the_first_bar_line() -> None:
    #  beats  0    1 2 3 4    5 6 7    8 9 10 11      bar 2 has three beats
    #  bar    0    1          2        3
    grid = grid_of(even(12), [1, 5, 8])
    assert [grid.bar_start(bar) for bar in (-1, 0, 1, 2, 3, 4, 5)] == [-7, -3, 1, 5, 8, 12, 16]
    assert [grid.bar_beats(bar) for bar in (-1, 0, 1, 2, 3, 4)] == [4, 4, 4, 3, 4, 4]
    assert grid.address(F(0)) == "0.4"  # the pickup is the last beat of the bar before
    assert grid.address(F(1)) == "1.1"
    assert grid.address(F(7)) == "2.3"
    assert grid.address(F(8)) == "3.1"
    assert grid.address(F(17, 2)) == "3.1+1/2"
    assert grid.address(F(-1, 3)) == "0.3+2/3"
    assert grid.address(F(16)) == "5.1"


def test_a_beat_past_the_last_of_its_bar_runs_into_the_next() -> None:
    grid = grid_of(even(12), [0, 4, 7])
    assert grid.position(2, F(4)) == grid.position(3, F(1)) == 7


def test_bars_go_on_by_their_own_lengths() -> None:
    grid = grid_of(even(12), [0, 4, 7, 11])
    assert grid.step_bars(F(2), F(1)) == 6  # beat 3 of bar 1 -> beat 3 of bar 2
    assert grid.step_bars(F(2), F(2)) == 9
    assert grid.step_bars(F(6), F(-1)) == 2
    assert grid.step_bars(F(0), F(3, 2)) == F(11, 2)  # half of the bar of three that it falls in
    assert grid.step_bars(F(0), F(-1)) == -4


def test_a_place_a_hair_before_a_beat_is_named_as_that_beat() -> None:
    grid = grid_of(even(12), [0, 4, 8])
    assert grid.address(F(4) - F(1, 10**9)) == "2.1"


def test_without_beats_the_grid_is_even_at_120_a_minute_from_the_start() -> None:
    grid = BarGrid.of([], [], 3, 2_100_000)
    assert grid.beats_us == (0, 500_000, 1_000_000, 1_500_000, 2_000_000)
    assert (grid.bars, grid.beats_per_bar) == ((0,), 3)


def test_beats_and_bars_after_the_songs_end_are_left_out() -> None:
    grid = BarGrid.of([0.5, 1.0, 1.5, 2.0], [1, 3], 4, 2 * SECOND)
    assert grid.beats_us == (500_000, 1_000_000, 1_500_000)
    assert grid.bars == (1,)


_bar_grids = st.builds(
    lambda pickup, sizes, usual: grid_of(
        even(pickup + sum(sizes)), [pickup + sum(sizes[:i]) for i in range(len(sizes))], usual
    ),
    st.integers(0, 3),
    st.lists(st.integers(1, 7), min_size=1, max_size=8),
    st.integers(1, 7),
)


@given(_bar_grids, st.fractions(-20, 60, max_denominator=48))
def test_an_address_read_again_is_the_same_place(grid: BarGrid, position: Fraction) -> None:
    moment = parse_moment(grid.address(position))
    assert grid.position(moment.bar, moment.beat) + moment.plus.beats == position


@given(_bar_grids, st.fractions(-20, 60, max_denominator=48))
def test_a_place_lies_in_the_bar_it_is_said_to_lie_in(grid: BarGrid, position: Fraction) -> None:
    bar = grid.bar_of(position)
    assert grid.bar_start(bar) <= position < grid.bar_start(bar + 1)
    assert grid.bar_beats(bar) >= 1


# ---- how many frames a beat ----


@pytest.mark.parametrize(
    ("wanted", "most", "frames"),
    [
        (F(20), 1000, 24),  # 40 a second at 120 beats a minute: 12 is 40 % off, 24 is 20 %
        (F(24), 1000, 24),
        (F(40), 1000, 36),  # 60 a minute: 36 is nearer by ratio (1.11) than 48 (1.2)
        (F(120, 7), 1000, 16),  # 140 a minute: 17.1; 12 and 24 are both further than 25 %
        (F(15), 1000, 12),
        (F(12), 1000, 12),
        (F(10), 1000, 12),
        (F(9), 1000, 8),
        (F(5, 2), 1000, 4),
        (F(1, 10), 1000, 4),  # never fewer than 4 where the wire allows it: halves must fall on frames
        (F(20), 23, 20),  # 24 is more than the wire allows, 12 is 40 % off
        (F(20), 13, 12),
        (F(20), 5, 4),
        (F(20), 3, 3),
        (F(20), 1, 1),
    ],
)
def test_frames_a_beat(wanted: Fraction, most: int, frames: int) -> None:
    assert frames_per_beat(wanted, most) == frames


@given(st.fractions(F(1, 100), 300), st.integers(1, 400))
def test_a_multiple_of_12_within_a_quarter_else_of_4_and_never_more_than_the_wire_allows(
    wanted: Fraction, most: int
) -> None:
    frames = frames_per_beat(wanted, most)
    assert 1 <= frames <= most
    assert frames % 4 == 0 or frames == most < 4
    aim = min(wanted, F(most))
    twelves = [k for k in range(12, most + 1, 12) if abs(k / aim - 1) <= F(1, 4)]
    assert (frames % 12 == 0) >= bool(twelves)


# ---- a song worked by hand ----


def test_an_even_song_worked_by_hand() -> None:
    # 120 beats a minute, 8 beats, 4 s: K = 24, a frame every 500,000 / 24 = 20,833.3 us.
    clock = clock_of(even(8), 4 * SECOND)
    assert (clock.frames_per_beat, clock.frames, len(clock.groups)) == (24, 192, 8)
    assert [clock.frame_us(i) for i in (0, 1, 2, 3, 24, 25, 191, 192)] == [
        0, 20_833, 41_666, 62_500, 500_000, 520_833, 3_979_166, 4_000_000,
    ]  # fmt: skip
    assert clock.frame_beat(12) == F(1, 2) and clock.frame_beat(8) == F(1, 3)
    assert (clock.start, clock.end) == (0, 8)
    assert clock.groups[2] == Group(2, 48, 24, 1_000_000, 1_500_000, F(2), F(1, 24))


def test_lead_in_and_tail_run_on_at_the_neighbouring_tempo() -> None:
    # First beat at 1.3 s, beats of 0.5 s, song of 4.0 s: before the first beat 1.3 s = 2 beats of 0.5 s would leave
    # 0.3 s, 0.6 beats, laid as 2/4 (n = 2..6 quarters). After the last beat (2.8 s) 1.2 s = 1 beat + 0.7 s, 1.4 = 6/4.
    clock = clock_of(even(4, start_us=1_300_000), 4 * SECOND)
    assert clock.start == F(-5, 2)
    assert clock.end == F(3 + 1) + F(6, 4)
    assert clock.us_at(F(-2)) == 300_000 and clock.us_at(F(-1)) == 800_000
    assert clock.us_at(F(4)) == 3_300_000
    assert shapes(clock)[0] == (0, 300_000, 12)
    assert shapes(clock)[-1] == (3_300_000, 4_000_000, 36)


def test_a_song_of_one_beat_runs_at_120_a_minute_about_it() -> None:
    clock = clock_of([750_000], 2 * SECOND)
    assert clock.us_at(F(-1)) == 250_000
    assert clock.us_at(F(1)) == 1_250_000
    assert clock.frame_us(0) == 0 and clock.frame_us(clock.frames) == 2 * SECOND


@pytest.mark.parametrize("song_us", [1, 20, 1_000, 30_000, 124_999])
def test_very_short_songs_have_a_frame_at_their_start(song_us: int) -> None:
    clock = frame_clock(BarGrid.of([], [], 4, song_us), song_us)
    assert clock.frames >= 1
    assert (clock.frame_us(0), clock.frame_us(clock.frames)) == (0, song_us)


def test_a_song_shorter_than_a_frame_on_its_wire_has_none() -> None:
    assert frame_clock(BarGrid.of([], [], 4, 2_000), 2_000, shortest_us=3_000).frames == 0


def test_a_short_piece_before_the_first_beat_keeps_about_the_wanted_rate() -> None:
    # A first beat 10 ms into the song: the piece before it must not be a burst of frames.
    clock = clock_of(even(8, start_us=10_000), 4 * SECOND)
    assert shapes(clock)[0] == (0, 10_000, 1)


def test_a_slow_wire_takes_fewer_frames_and_beats_still_start_on_frames() -> None:
    # 300 pixels on one string, 9.3 ms a frame: 24 frames of 20.8 ms fit. 2,400 pixels, 72.3 ms: 6 in 500 ms, so K = 4.
    assert clock_of(even(8), 4 * SECOND, shortest_us=9_300).frames_per_beat == 24
    slow = clock_of(even(8), 4 * SECOND, shortest_us=72_300)
    assert slow.frames_per_beat == 4
    assert [slow.frame_us(slow.frame_at(F(i))) for i in range(8)] == even(8)


def test_a_beat_shorter_than_a_frame_takes_none_and_the_next_frame_stands_for_both() -> None:
    beats = [0, 500_000, 1_000_000, 1_002_000, 1_500_000, 2_000_000, 2_500_000]
    clock = clock_of(beats, 3 * SECOND, shortest_us=9_300)
    assert clock.frame_at(F(2)) == clock.frame_at(F(3))
    assert clock.frame_us(clock.frame_at(F(2))) == 1_002_000


def test_a_beat_too_short_for_the_wire_takes_half_its_frames_so_that_halves_still_fall_on_frames() -> None:
    # K = 24 needs 480 ms of a wire that takes 20 ms a frame. 400 ms would hold 20 frames, but takes 12; 220 ms, less
    # than 1/1.6 of a beat, takes 12 to begin with and would hold 11: it takes 6.
    periods = [500_000] * 20 + [400_000] + [500_000] * 20 + [220_000] + [500_000] * 20
    beats = list(itertools.accumulate(periods, initial=0))
    clock = clock_of(beats, beats[-1], shortest_us=20_000)
    assert clock.frames_per_beat == 24
    frames = [group.frames for group in clock.groups]
    assert (frames[20], frames[41]) == (12, 6)
    assert {n for i, n in enumerate(frames) if i not in (20, 41)} == {24}


def test_beats_much_longer_or_shorter_than_the_typical_take_twice_or_half_the_frames() -> None:
    beats = [0, 500_000, 1_000_000, 1_500_000, 1_750_000, 2_250_000, 3_250_000, 3_750_000, 4_250_000, 6_250_000]
    clock = clock_of(beats, 6_750_000)
    frames = {g.start_us: g.frames for g in clock.groups}
    assert frames[1_500_000] == 12  # 0.25 s
    assert frames[2_250_000] == 48  # 1 s
    assert frames[4_250_000] == 96  # 2 s
    assert frames[500_000] == frames[3_750_000] == 24


def test_a_beat_of_three_typical_ones_takes_four_times_the_frames() -> None:
    # log2 3 = 1.58, rounded to 2.
    clock = clock_of([0, 500_000, 1_000_000, 1_500_000, 3_000_000, 3_500_000, 4_000_000], 4_500_000)
    assert {g.start_us: g.frames for g in clock.groups}[1_500_000] == 96


def test_a_tempo_that_wanders_keeps_k() -> None:
    periods = [500_000 + 3_000 * i for i in range(-40, 60)]  # 143 down to 89 beats a minute
    beats = list(itertools.accumulate(periods, initial=0))
    clock = clock_of(beats, beats[-1])
    assert {group.frames for group in clock.groups} == {clock.frames_per_beat}


# ---- in any song ----


@st.composite
def _songs(draw: st.DrawFn) -> tuple[BarGrid, int]:
    """Songs with lead-ins, wandering tempo and outliers; of one beat; without a beat; of a moment only."""
    kind = draw(st.sampled_from(["beats", "beats", "beats", "one", "none"]))
    if kind == "none":
        song_us = draw(st.integers(1, 20 * SECOND))
        return BarGrid.of([], [], draw(st.integers(1, 7)), song_us), song_us
    lead = draw(st.one_of(st.just(0), st.integers(1, 50_000), st.integers(0, 5 * SECOND)))
    usual = draw(st.integers(200_000, 1_500_000))
    wander = st.integers(-usual // 20, usual // 20).map(lambda by: usual + by)
    odd = st.integers(1_000, 4 * SECOND)
    periods = draw(st.lists(st.one_of(wander, wander, wander, odd), max_size=0 if kind == "one" else 24))
    beats = list(itertools.accumulate(periods, initial=lead))
    song_us = beats[-1] + draw(st.one_of(st.integers(1, 50_000), st.integers(1, 5 * SECOND)))
    return grid_of(beats, [min(1, len(beats) - 1)], draw(st.integers(1, 7))), song_us


_shortest = st.one_of(st.just(1), st.integers(1, 60_000))
_rates = st.sampled_from([5.0, 24.0, 39.97, 40.0, 60.0, 240.0])
_most = st.sampled_from([1, 7, 24, 255])


@settings(deadline=None, max_examples=200)
@given(_songs(), _rates, _shortest, _most)
@example((grid_of([0, 500_000]), 500_001), 40.0, 1, 255)
def test_no_two_frames_come_nearer_than_the_wire_allows(
    song: tuple[BarGrid, int], rate: float, shortest_us: int, most: int
) -> None:
    clock = frame_clock(*song, rate, shortest_us, most)
    times = [clock.frame_us(i) for i in range(clock.frames)]
    gaps = [b - a for a, b in itertools.pairwise([*times, song[1]])] if times else [shortest_us]
    assert min(gaps) >= shortest_us
    assert all(0 <= us < song[1] for us in times)


@settings(deadline=None, max_examples=200)
@given(_songs(), _rates, _shortest, _most)
def test_groups_are_equal_parts_of_beats_numbered_without_a_gap(
    song: tuple[BarGrid, int], rate: float, shortest_us: int, most: int
) -> None:
    clock = frame_clock(*song, rate, shortest_us, most)
    assert [group.index for group in clock.groups] == list(range(len(clock.groups)))
    first, end_us = 0, 0
    for group in clock.groups:
        assert group.first == first and group.start_us >= end_us
        assert 1 <= group.frames <= min(most, GROUP_FRAMES)
        assert (group.frames - 1) * (group.end_us - group.start_us) < GROUP_PRODUCT
        first, end_us = group.end, group.end_us
    assert clock.frames == first and end_us <= song[1]
    # The parts of one beat: the same number of frames, the same step, lengths that differ by rounding alone.
    for _, beat in itertools.groupby(clock.groups, lambda g: (math.floor(g.beat), g.step)):
        parts = list(beat)
        assert len({g.frames for g in parts}) == 1
        lengths = [g.end_us - g.start_us for g in parts]
        assert max(lengths) - min(lengths) <= 1


@settings(deadline=None, max_examples=200)
@given(_songs(), _rates, _shortest, _most)
def test_frames_positions_and_times_lead_back_to_each_other(
    song: tuple[BarGrid, int], rate: float, shortest_us: int, most: int
) -> None:
    clock = frame_clock(*song, rate, shortest_us, most)
    for frame in range(0, clock.frames, max(1, clock.frames // 40)):
        beat, us = clock.frame_beat(frame), clock.frame_us(frame)
        assert clock.frame_at(beat) == frame
        assert clock.frame_at_us(us) == frame
        assert clock.group_at(frame).first <= frame < clock.group_at(frame).end
        # A frame latches at its own position, floored to a microsecond (once for the group, once within it).
        assert -1 <= us - clock.us_at(beat) + 1 <= 2
        assert clock.us_at(clock.beat_at_us(us)) == us
    beats = [clock.frame_beat(i) for i in range(clock.frames)]
    assert all(a < b for a, b in itertools.pairwise(beats))


@settings(deadline=None)
@given(_songs(), st.integers(-5 * SECOND, 60 * SECOND))
def test_every_time_has_a_position_that_sounds_at_that_time(song: tuple[BarGrid, int], us: int) -> None:
    clock = frame_clock(*song)
    assert clock.us_at(clock.beat_at_us(us)) == us


@settings(deadline=None)
@given(_songs(), st.fractions(-10, 40, max_denominator=96))
def test_the_first_frame_at_or_after_a_position_is_just_that(song: tuple[BarGrid, int], position: Fraction) -> None:
    clock = frame_clock(*song)
    frame = clock.frame_at(position)
    assert all(clock.frame_beat(i) < position for i in range(max(0, frame - 3), frame))
    assert all(clock.frame_beat(i) >= position for i in range(frame, min(frame + 3, clock.frames)))


@settings(deadline=None, max_examples=60)
@given(_songs(), _shortest)
def test_every_heard_beat_has_a_frame_of_its_own_or_none_but_the_next(
    song: tuple[BarGrid, int], shortest_us: int
) -> None:
    grid, song_us = song
    clock = frame_clock(grid, song_us, 40.0, shortest_us)
    roomy = {a for a, b in itertools.pairwise(grid.beats_us) if b - a >= shortest_us}
    assert roomy <= {group.start_us for group in clock.groups}
    assert [clock.frame_at(F(i)) for i in range(len(grid.beats_us))] == [clock.frame_at_us(us) for us in grid.beats_us]


def test_a_song_of_three_hours_stays_exact_to_its_end() -> None:
    # 129.3 beats a minute for three hours. The last beat's frames lie where the first one's do.
    beat_us = 464_037
    count = 3 * 3600 * SECOND // beat_us
    clock = clock_of(even(count, beat_us), count * beat_us, shortest_us=9_300)
    last = clock.groups[-1]
    assert (last.start_us, last.end_us) == ((count - 1) * beat_us, count * beat_us)
    assert clock.frames == count * clock.frames_per_beat
    near = [clock.frame_us(i) for i in range(clock.frames_per_beat)]
    far = [clock.frame_us(clock.frames - clock.frames_per_beat + i) - last.start_us for i in range(len(near))]
    assert near == far


def test_beats_an_hour_apart_are_cut_into_groups_that_a_board_can_reckon_with() -> None:
    clock = clock_of([0, 3600 * SECOND], 7200 * SECOND)
    assert max((g.frames - 1) * (g.end_us - g.start_us) for g in clock.groups) < GROUP_PRODUCT
    assert clock.frames >= 2 * 3600 * 30


# ---- one misheard beat ----


@settings(deadline=None, max_examples=60)
@given(st.integers(3, 59), st.sampled_from(["missed", "extra", "late"]), st.integers(-4_000, 4_000))
def test_one_misheard_beat_costs_only_itself(where: int, how: str, wander: int) -> None:
    beats = [i * 500_000 + (wander * i % 3_000) for i in range(64)]
    wrong = list(beats)
    if how == "missed":
        del wrong[where]
    elif how == "extra":
        wrong.insert(where + 1, (beats[where] + beats[where + 1]) // 2)
    else:
        wrong[where] += 200_000
    song_us = 64 * 500_000
    right, heard = shapes(clock_of(beats, song_us)), shapes(clock_of(wrong, song_us))
    low, high = beats[where - 1], beats[where + 1]
    assert [g for g in right if not low <= g[0] < high] == [g for g in heard if not low <= g[0] < high]


def test_a_misheard_beat_at_the_edge_does_not_set_the_tempo_of_the_lead_in() -> None:
    beats = even(16, start_us=4 * SECOND)
    wrong = [beats[0], beats[0] + 250_000, *beats[1:]]
    right, heard = clock_of(beats, 12 * SECOND), clock_of(wrong, 12 * SECOND)
    assert [g for g in shapes(right) if g[0] < beats[0]] == [g for g in shapes(heard) if g[0] < beats[0]]


def test_a_bar_at_another_tempo_has_its_frames_at_the_same_musical_places() -> None:
    # The band speeds up from 100 to 132 beats a minute.
    periods = [600_000 - 5_000 * i for i in range(33)]
    beats = list(itertools.accumulate(periods, initial=0))
    clock = frame_clock(BarGrid(tuple(beats), tuple(range(0, 33, 4)), 4), beats[-1])

    def places(bar: int) -> list[Fraction]:
        start, end = clock.grid.bar_start(bar), clock.grid.bar_start(bar + 1)
        return [clock.frame_beat(i) - start for i in range(clock.frame_at(start), clock.frame_at(end))]

    assert places(1) == places(4) == places(8)
    assert len(places(1)) == 4 * clock.frames_per_beat


# ---- moving about ----


def test_a_span_moves_by_bars_then_beats_then_seconds() -> None:
    clock = frame_clock(BarGrid(tuple(even(16)), (0, 4, 7, 11), 4), 8 * SECOND)
    assert clock.add(F(0), Span(bars=F(2))) == 7
    assert clock.add(F(1), Span(beats=F(1, 2))) == F(3, 2)
    assert clock.add(F(0), Span(seconds=F(3, 4))) == F(3, 2)
    assert clock.add(F(8), Span(seconds=F(-1))) == 6
    assert clock.add(F(0), Span(bars=F(1), beats=F(1), seconds=F(1, 2))) == 6


def test_positions_run_on_past_both_ends_of_the_song() -> None:
    clock = clock_of(even(4), 2 * SECOND)
    assert clock.us_at(F(-2)) == -SECOND and clock.us_at(F(6)) == 3 * SECOND
    assert clock.beat_at_us(-SECOND) == -2 and clock.beat_at_us(3 * SECOND) == 6
    assert clock.frame_at(F(-1)) == 0 and clock.frame_at(F(9)) == clock.frames
    assert clock.frame_at_us(9 * SECOND) == clock.frames


def test_frames_outside_the_show_are_an_index_error() -> None:
    clock = clock_of(even(4), 2 * SECOND)
    for frame in (-1, clock.frames):
        with pytest.raises(IndexError, match=rf"frame {frame} of {clock.frames}"):
            clock.group_at(frame)
    with pytest.raises(IndexError, match=r"frame -1"):
        clock.frame_us(-1)
