"""The limiter's promises: the budget on the wire, locality, sameness, no pumping, colour."""

from __future__ import annotations

import itertools
import tomllib
from collections.abc import Iterable, Iterator
from fractions import Fraction
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from composer.clock import Group
from composer.faults import FaultList, ShowFails
from composer.power import CurrentModel, limited
from composer.power.ladder import Ladder
from composer.rig import rig_from

Frames = npt.NDArray[np.uint8]

RIG = """
[supply.shed]
volts = 5.0
amps = {amps}
[supply.pole]
volts = 12.0
amps = 0.4
[controller.quay]
board = "pico"
supply = "shed"
[controller.pier]
board = "pico"
[string.rail]
controller = "quay"
pin = 2
pixels = 40
[[string.rail.feed]]
supply = "shed"
[string.mast]
controller = "pier"
pin = 2
pixels = 30
chip = "sk6812-rgbw"
[[string.mast.feed]]
supply = "shed"
[string.net]
controller = "pier"
pin = 3
pixels = 20
chip = "ws2815"
[[string.net.feed]]
supply = "pole"
"""


ONE_BOARD = """
[supply.shed]
volts = 5.0
amps = {amps}
[controller.quay]
board = "pico"
[string.rail]
controller = "quay"
pin = 2
pixels = 40
[[string.rail.feed]]
supply = "shed"
"""


def model_of(amps: float = 3.0, text: str = RIG) -> CurrentModel:
    faults = FaultList("rig.toml")
    rig = rig_from(tomllib.loads(text.format(amps=amps)), Path("rig.toml"), faults)
    faults.raise_if_any()
    return CurrentModel(rig)


MODEL = model_of()
BYTES = MODEL.rig.frame_bytes


def groups(count: int, frames: int = 12, beat_us: Iterable[int] | int = 500_000, first: int = 0) -> list[Group]:
    lengths = itertools.repeat(beat_us) if isinstance(beat_us, int) else iter(beat_us)
    out, start = [], 0
    for index in range(count):
        end = start + next(lengths)
        out.append(Group(index, index * frames, frames, start, end, Fraction(first + index), Fraction(1, frames)))
        start = end
    return out


def run(frames: Iterable[Frames], where: list[Group], model: CurrentModel = MODEL, mode: str = "on") -> list[Frames]:
    return [out for _, out, _ in limited(zip(where, frames, strict=True), model, mode)]  # type: ignore[arg-type]


def flat(level: int, frames: int = 12) -> Frames:
    return np.full((frames, BYTES), level, np.uint8)


@st.composite
def shows(draw: st.DrawFn) -> tuple[list[Group], list[Frames]]:
    """Groups of odd lengths at 67 to 240 beats a minute; frames dark to white, uniform, low, sparse."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    where, frames, start, beat = [], [], 0, Fraction(0)
    for index in range(draw(st.integers(1, 7))):
        count = draw(st.sampled_from([1, 2, 5, 12]))
        step = Fraction(1, draw(st.sampled_from([4, 12, 24])))
        end = start + int(count * step * draw(st.integers(250_000, 900_000)))
        where.append(Group(index, 0, count, start, end, beat, step))
        top = rng.integers(0, 257, (count, 1)) if rng.random() < 0.7 else rng.integers(1, 20, (count, 1))
        content = rng.random((count, 1 if rng.random() < 0.3 else BYTES)) * top
        if rng.random() < 0.3:
            content = content * (rng.random(BYTES) < 0.03)
        frames.append(np.broadcast_to(content, (count, BYTES)).astype(np.uint8))
        start, beat = end, beat + count * step
    return where, frames


@settings(deadline=None, max_examples=60)
@given(shows(), st.floats(0.75, 8.0))
def test_no_frame_exceeds_a_budget(show: tuple[list[Group], list[Frames]], amps: float) -> None:
    model = model_of(amps)  # 0.6 A usable at the least, 0.17 A of it always there
    out = np.concatenate(run(show[1], show[0], model))
    assert (model.supply_a(out) <= model.budget_a).all()


@settings(deadline=None, max_examples=40)
@given(shows(), st.floats(0.75, 8.0))
def test_nor_do_boards_that_run_up_to_50_ms_apart(show: tuple[list[Group], list[Frames]], amps: float) -> None:
    model = model_of(amps)
    out = np.concatenate(run(show[1], show[0], model))
    times = np.concatenate([[g.frame_us(i) for i in range(g.frames)] for g in show[0]])
    draws = model.draw_a(model.run_sums(out))
    quay, pier = (i for i, draw in enumerate(model.draws) if model.supplies[draw.supply] == "shed")
    meet = np.abs(times[:, None] - times[None, :]) <= 50_000
    worst = (draws[:, quay, None] + draws[None, :, pier])[meet].max() + model.constant_a[0]
    assert worst <= model.budget_a[0]


def test_boards_that_take_turns_are_dimmed_only_if_they_may_meet() -> None:
    # 40 white pixels of one board (2.4 A), 50 ms later 30 of the other (2.4 A): either fits 3 A x 0.8 less 0.17 A when
    # a little dimmed, both at once need twice that.
    frames = flat(0)
    frames[2, MODEL.rig.byte_slices["rail"]] = 255
    frames[3, MODEL.rig.byte_slices["mast"]] = 255
    least = {}
    for skew_ms in (0, 60):
        ((_, _, gains),) = limited([(groups(1)[0], frames)], MODEL, "on", skew_ms)
        least[skew_ms] = gains[:, 0].min()
    assert least[0] == pytest.approx((2.4 - 0.17) / 2.4)
    assert least[60] == pytest.approx((2.4 - 0.17) / 4.8)


@settings(deadline=None, max_examples=30)
@given(shows())
def test_no_byte_grows_and_gains_say_what_was_done(show: tuple[list[Group], list[Frames]]) -> None:
    for before, (_, after, gains) in zip(show[1], limited(zip(*show, strict=True), MODEL), strict=True):
        assert (after <= before).all()
        assert gains.shape == (len(before), 2)
        assert ((0 <= gains) & (gains <= 1)).all()
        # Rounding takes away less than 1 a byte, and 255 / 65536 for the gain itself.
        shares = MODEL.run_sums(before) * gains[:, [run.supply for run in MODEL.runs]]
        assert (MODEL.run_sums(after) <= shares + 1e-6).all()
        rail = slice(0, 120)
        assert (after[:, rail] > before[:, rail] * gains[:, :1] - 1.005).all()


def test_budget_is_used_not_wasted() -> None:
    # Full white everywhere, steady: what comes out is within 1 % of the budget of each supply.
    out = run([flat(255)] * 8, groups(8))
    assert MODEL.supply_a(out[4])[0] == pytest.approx(MODEL.budget_a, rel=0.01)


def test_unlimited_frames_are_the_very_arrays_that_came_in() -> None:
    dim, bright = flat(20), flat(255)
    out = run([dim, dim, dim, bright, dim, dim, dim], groups(7))
    assert [a is dim for a in out] == [True, True, False, False, False, True, True]


def test_only_the_supply_that_needs_it_is_scaled() -> None:
    frames = flat(255)
    frames[:, MODEL.rig.byte_slices["net"]] = 9
    out = run([frames] * 5, groups(5))[2]
    assert (out[:, MODEL.rig.byte_slices["net"]] == 9).all()
    assert (out[:, MODEL.rig.byte_slices["rail"]] < 255).all()


@pytest.mark.parametrize("mode", ["warn", "off"])
def test_warn_and_off_leave_every_frame_alone(mode: str) -> None:
    bright = flat(255)
    for _, frames, gains in limited(zip(groups(3), [bright] * 3, strict=True), MODEL, mode):  # type: ignore[arg-type]
        assert frames is bright
        assert (gains == 1).all()


def test_another_mode_is_refused() -> None:
    with pytest.raises(ValueError, match='"off", "warn" or "on"'):
        limited([], MODEL, "maybe")  # type: ignore[arg-type]


def test_a_budget_below_idle_fails_before_any_frame() -> None:
    # 70 pixels of 1 mA and a board of 100 mA need 0.17 A; 0.2 A x 0.8 is 0.16 A.
    with pytest.raises(ShowFails, match=r"supply\.shed: its budget of 0\.16 A is below the 0\.17 A"):
        limited([], model_of(0.2))


FEEDS = """
[supply.shed]
volts = 5.0
amps = {amps}
[controller.quay]
board = "pico"
[string.rail]
controller = "quay"
pin = 2
pixels = 60
[[string.rail.feed]]
at = "start"
supply = "shed"
wire = {{awg = 18, metres = 2}}
fuse = 0.9
[[string.rail.feed]]
at = 40
supply = "shed"
wire = {{awg = 26, metres = 1}}
[string.mast]
controller = "quay"
pin = 3
pixels = 20
[[string.mast.feed]]
supply = "shed"
"""


@settings(deadline=None, max_examples=40)
@given(st.integers(0, 2**32 - 1), st.integers(1, 256))
def test_no_feed_exceeds_its_fuse_or_its_wire(seed: int, top: int) -> None:
    # 26 AWG: no code value; 6 A/mm2 x 0.1288 mm2 (ASTM B258) by the rule of thumb.
    model = model_of(40.0, FEEDS)
    rng = np.random.default_rng(seed)
    frames = [rng.integers(0, top, (12, 240), dtype=np.uint8) for _ in range(4)]
    frames[2][3] = top - 1
    out = np.concatenate(run(frames, groups(4), model))
    feeds = Ladder(model.rig).feed_a(model.pixel_a(out) + model.pixel_idle_a())
    assert (feeds[:, 0] <= 0.9).all()
    assert (feeds[:, 1] <= 6 * 0.1288).all()


@pytest.mark.parametrize("level", range(14, 44, 2))
def test_the_dither_of_low_levels_spares_no_feed(level: int) -> None:
    # 40 pixels between two fuses of 0.05 A: what is left above idle lights them at a few levels only. Lit are pixels
    # that the dither favours near one feed, and those that it does not near the other.
    text = ONE_BOARD + "fuse = 0.05\n[[string.rail.feed]]\nat = 'end'\nsupply = 'shed'\nfuse = 0.05"
    model = model_of(40.0, text)
    favoured = np.arange(40) * 0.6180339887498949 % 1 < 0.5
    lit = np.where(np.arange(40) < 20, favoured, ~favoured)
    for chosen in (lit, lit[::-1], ~lit):
        frames = [np.tile(np.repeat(chosen * level, 3), (12, 1)).astype(np.uint8)] * 3
        out = np.concatenate(run(frames, groups(3), model))
        assert out.any()
        assert (Ladder(model.rig).feed_a(model.pixel_a(out) + model.pixel_idle_a()) <= 0.05).all()


def test_a_feeds_limit_is_used_not_wasted() -> None:
    model = model_of(40.0, FEEDS)
    out = run([np.full((12, 240), 255, np.uint8)] * 4, groups(4), model)
    feeds = Ladder(model.rig).feed_a(model.pixel_a(out[2]) + model.pixel_idle_a())[0]
    assert max(feeds[0] / 0.9, feeds[1] / (6 * 0.12876)) == pytest.approx(1, rel=0.02)


def test_a_fuse_below_idle_fails_before_any_frame() -> None:
    # 60 pixels of 1 mA through a fuse of 0.05 A.
    text = ONE_BOARD.replace("pixels = 40", "pixels = 60") + "fuse = 0.05"
    with pytest.raises(ShowFails, match=r"feed rail@start: its 0\.05 A are below the 0\.06 A"):
        limited([], model_of(40.0, text))


# ---- how far it looks ----


def test_a_gain_knows_nothing_more_than_a_beat_away() -> None:
    rng = np.random.default_rng(5)
    frames = [rng.integers(0, 200, (12, BYTES), dtype=np.uint8) for _ in range(7)]
    base = list(limited(zip(groups(7), frames, strict=True), MODEL))
    for changed in range(7):
        other = [flat(255) if i == changed else f for i, f in enumerate(frames)]
        for i, (_, out, _) in enumerate(limited(zip(groups(7), other, strict=True), MODEL)):
            first, end = max(0, (changed - 1 - i) * 12), min(12, (changed + 2 - i) * 12)
            outside = [k for k in range(12) if not first <= k < end]
            assert np.array_equal(out[outside], base[i][1][outside])


def test_it_dims_before_a_hit_and_comes_back_after_it_within_a_beat() -> None:
    # One white frame on beat 4: the gain sinks and rises evenly, and is 1 a beat away.
    frames = [flat(2) for _ in range(8)]
    frames[4][0] = 255
    gain = np.concatenate([gains for _, _, gains in limited(zip(groups(8), frames, strict=True), MODEL)])[:, 0]
    hit = 4 * 12
    assert gain[hit] == pytest.approx(gain.min(), rel=1e-12)
    assert gain[hit] < 0.6
    assert (np.diff(gain[hit - 12 : hit + 1]) <= 1e-12).all()
    assert (np.diff(gain[hit : hit + 13]) >= -1e-12).all()
    assert gain[hit - 12] == gain[hit + 12] == 1
    assert np.abs(np.diff(gain)).max() < 0.25 * (1 - gain.min())


@pytest.mark.parametrize("every", [12, 6, 3])
def test_accents_on_every_beat_or_faster_do_not_pump(every: int) -> None:
    frames = [flat(40) for _ in range(8)]
    for content in frames:
        content[::every] = 255
    gain = np.concatenate([gains for _, _, gains in limited(zip(groups(8), frames, strict=True), MODEL)])[:, 0]
    steady = gain[12:-12]
    assert steady.max() < 1
    assert np.ptp(steady) < 1e-12


def test_bars_with_the_same_surroundings_bake_to_the_same_bytes_at_any_tempo() -> None:
    # A bar of four beats placed at beats 2 and 11 among dim ones, in a song that speeds up.
    rng = np.random.default_rng(3)
    bar = [rng.integers(0, 256, (12, BYTES), dtype=np.uint8) for _ in range(4)]
    dim = flat(30)
    frames = [dim, dim, *bar, dim, dim, dim, dim, dim, *bar, dim, dim]
    tempo = [600_000 - 11_111 * i for i in range(len(frames))]
    model = model_of(1.2, ONE_BOARD)
    out = run([f[:, : model.rig.frame_bytes] for f in frames], groups(len(frames), 12, tempo, first=-3), model)
    for i in range(4):
        assert np.array_equal(out[2 + i], out[11 + i])
        assert not np.array_equal(out[2 + i], frames[2 + i][:, : model.rig.frame_bytes])


def test_it_holds_a_few_beats_and_no_more() -> None:
    taken = 0

    def stream() -> Iterator[tuple[Group, Frames]]:
        nonlocal taken
        for group in groups(50):
            taken += 1
            yield group, flat(255)

    for out, _ in enumerate(limited(stream(), MODEL), 1):
        assert taken - out <= 1


# ---- what it does to colour ----


def test_equal_frames_and_equal_gains_give_equal_bytes() -> None:
    out = run([flat(255)] * 6, groups(6))
    assert np.array_equal(out[2], out[3])
    assert (np.ptp(out[2], axis=0) == 0).all()


def test_grey_stays_grey() -> None:
    frames = flat(255)
    frames[:, :60] = 7
    rail = run([frames] * 5, groups(5))[2][:, :120].reshape(12, 40, 3)
    assert (np.ptp(rail, axis=2) == 0).all()


def test_low_levels_keep_their_mean_colour_along_the_string() -> None:
    # Amber (9, 3, 0) in g, r, b beside white pixels that need the gain. Rounding down alone would turn 3 x gain into
    # a whole number and shift the hue; a static pattern along the string keeps the mean within 1/8 of a level.
    frames = flat(255)
    frames[:, :90] = np.tile([3, 9, 0], 30)
    out = list(limited(zip(groups(5), [frames] * 5, strict=True), MODEL))[2]
    gain = out[2][0, 0]
    pixels = out[1][0, :90].reshape(30, 3)
    assert 0 < gain < 0.9
    assert pixels.mean(axis=0) == pytest.approx(np.array([3, 9, 0]) * gain, abs=0.125)
    assert len(np.unique(pixels[:, 0])) == 2


def test_a_bar_that_comes_again_as_the_same_array_is_limited_as_its_copy_is() -> None:
    rng = np.random.default_rng(8)
    bars = [(rng.random((12, BYTES)) * 255).astype(np.uint8) for _ in range(2)]
    for bar in bars:
        bar.setflags(write=False)
    order = [0, 1, 0, 0, 1, 0]
    where = groups(len(order))
    same, copied = run([bars[i] for i in order], where), run([bars[i].copy() for i in order], where)
    np.testing.assert_array_equal(same, copied)
    assert (np.concatenate(same) < np.concatenate([bars[i] for i in order])).any()
