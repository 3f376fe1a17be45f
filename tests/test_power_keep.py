"""Zones that keep their light: dimmed last, and every budget still kept on the bytes, whoever keeps."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shows import RIG, SCORE, make_show
from test_power_limiter import BYTES, MODEL, flat, groups, model_of, run, shows

from composer.cli import main
from composer.clock import Group
from composer.power import CurrentModel, limited
from exporters.rollfile import RollReader

Frames = npt.NDArray[np.uint8]
RAIL, MAST = range(0, 40), range(40, 70)  # on one supply, by two boards; then the net, on another


def kept(frames: list[Frames], where: list[Group], keep: range | set[int], model: CurrentModel = MODEL) -> Frames:
    stream = zip(where, frames, strict=True)
    return np.concatenate([out for _, out, _ in limited(stream, model, "on", keep=keep)])


def pixels_of(frames: Frames, pixels: range) -> Frames:
    """Bytes (n, k) of some pixels of the rail or of the mast."""
    if pixels[0] < 40:
        return frames[:, pixels[0] * 3 : (pixels[-1] + 1) * 3]
    return frames[:, 120 + (pixels[0] - 40) * 4 : 120 + (pixels[-1] - 39) * 4]


@settings(deadline=None, max_examples=60)
@given(shows(), st.floats(0.75, 8.0), st.sets(st.integers(0, 89), max_size=60))
def test_no_frame_exceeds_a_budget_whatever_is_kept(
    show: tuple[list[Group], list[Frames]], amps: float, keep: set[int]
) -> None:
    model = model_of(amps)
    out = kept(show[1], show[0], keep, model)
    assert (model.supply_a(out) <= model.budget_a).all()
    assert (out <= np.concatenate(show[1])).all()


@settings(deadline=None, max_examples=40)
@given(shows(), st.floats(0.75, 8.0), st.sets(st.integers(0, 69), min_size=1, max_size=60))
def test_nor_do_boards_that_run_up_to_50_ms_apart(
    show: tuple[list[Group], list[Frames]], amps: float, keep: set[int]
) -> None:
    model = model_of(amps)
    out = kept(show[1], show[0], keep, model)
    times = np.concatenate([[g.frame_us(i) for i in range(g.frames)] for g in show[0]])
    draws = model.draw_a(model.run_sums(out))
    quay, pier = (i for i, draw in enumerate(model.draws) if model.supplies[draw.supply] == "shed")
    meet = np.abs(times[:, None] - times[None, :]) <= 50_000
    worst = (draws[:, quay, None] + draws[None, :, pier])[meet].max() + model.constant_a[0]
    assert worst <= model.budget_a[0]


def test_nor_does_a_board_that_meets_what_another_keeps_a_frame_later() -> None:
    """The rail is white in one frame, the mast that is kept in the next, and so on: 42 ms apart, within 50 ms.

    White each draws 2.4 A, and the budget is 2.4 A: the rail has nothing left but between them.
    """
    frames = [flat(0) for _ in range(3)]
    for group in frames:
        group[0::2, :120] = 255
        group[1::2, 120:240] = 255
    where = groups(3)
    out = kept(frames, where, MAST)
    times = np.concatenate([[g.frame_us(i) for i in range(g.frames)] for g in where])
    draws = MODEL.draw_a(MODEL.run_sums(out))
    quay, pier = (i for i, draw in enumerate(MODEL.draws) if MODEL.supplies[draw.supply] == "shed")
    meet = np.abs(times[:, None] - times[None, :]) <= 50_000
    assert (draws[:, quay, None] + draws[None, :, pier])[meet].max() + MODEL.constant_a[0] <= MODEL.budget_a[0]
    assert pixels_of(out, MAST).max() >= 235  # what is kept has all the headroom


FUSED = """
[supply.shed]
volts = 5.0
amps = 20
[controller.quay]
board = "pico"
[string.rail]
controller = "quay"
pin = 2
pixels = 40
[[string.rail.feed]]
supply = "shed"
wire = {awg = 20, metres = 2}
fuse = 1.0
"""


@settings(deadline=None, max_examples=30)
@given(st.integers(0, 2**31), st.sets(st.integers(0, 39), max_size=30))
def test_no_feed_exceeds_its_fuse_whatever_is_kept(seed: int, keep: set[int]) -> None:
    # One string with one feed: the feed carries every pixel's current (Kirchhoff), 1 mA + 20 mA x byte / 255 each.
    model = model_of(text=FUSED.replace("{awg", "{{awg").replace("2}", "2}}"))
    where = groups(2)
    frames = [np.random.default_rng(seed + i).integers(0, 256, (12, 120)).astype(np.uint8) for i in range(2)]
    out = kept(frames, where, keep, model)
    assert (40 * 0.001 + out.sum(axis=1, dtype=float) * 0.020 / 255 <= 1.0).all()


@given(shows(), st.floats(0.75, 8.0))
def test_to_keep_nothing_or_everything_is_to_dim_evenly(show: tuple[list[Group], list[Frames]], amps: float) -> None:
    model = model_of(amps)
    even = np.concatenate(run(show[1], show[0], model))
    np.testing.assert_array_equal(kept(show[1], show[0], set(), model), even)
    np.testing.assert_array_equal(kept(show[1], show[0], range(90), model), even)


def test_what_is_kept_keeps_its_light_and_the_others_use_what_is_left() -> None:
    # Budget 2.4 A, 0.1 A of it the board's, 0.07 A idle; white: the mast alone 30 x 80 mA = 2.4 A, the rail 2.4 A.
    # At level 100 each draws 0.94 A. Kept, the mast stays; the rail at white shares 2.23 - 0.94 = 1.29 A.
    frames = flat(255)
    frames[:, 120:240] = 100
    where = groups(3)
    out = kept([frames] * 3, where, MAST)
    assert (pixels_of(out, MAST) == 100).all()
    dimmed = pixels_of(out, RAIL)
    assert dimmed.sum(axis=1, dtype=float).max() * 0.020 / 255 == pytest.approx(
        2.23 - 30 * 4 * 0.020 * 100 / 255, rel=0.02
    )
    even = np.concatenate(run([frames] * 3, where))
    assert (pixels_of(even, MAST) < 100).all()  # without the wish it would have been dimmed like the others


def test_what_is_kept_is_dimmed_once_the_others_are_dark() -> None:
    model = model_of(1.0)  # 0.8 A, 0.63 A above what is always there; the mast alone would take 2.4 A
    out = kept([flat(255)] * 3, groups(3), MAST, model)
    assert not pixels_of(out, RAIL).any()
    assert pixels_of(out, MAST).sum(axis=1, dtype=float).min() * 0.020 / 255 == pytest.approx(0.63, rel=0.02)


def test_half_a_string_may_keep_its_light() -> None:
    out = kept([flat(255)] * 3, groups(3), range(0, 10))
    assert (pixels_of(out, range(0, 10)) == 255).all()
    assert (pixels_of(out, range(10, 40)) < 255).all()


def test_a_score_names_the_zones_that_keep_their_light(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # On bar 4 everything is white: more than a shed of 4 A gives, and the mast is the one that keeps its light.
    rig = RIG.replace("amps = 10.0", "amps = 4.0").replace("fuse = 5", "fuse = 10").replace("amps = 0.6", "amps = 2.0")
    bytes_of = {}
    for name, words in (("even", ""), ("kept", 'keep = ["mast"]\n')):
        show = make_show(tmp_path / name, score=SCORE.replace("format = 1\n", f"format = 1\n{words}"), rig=rig)
        assert main(["bake", str(show)]) == 0
        with RollReader(show / "out" / "quay" / "tide.roll") as reader:
            bytes_of[name] = np.concatenate([frames for _, frames in reader])
        assert main(["audit", str(show)]) == 0
    white = slice(15 * 24, 16 * 24)  # the last beat of bar 4
    rail, mast = slice(0, 180), slice(180, 260)
    assert bytes_of["kept"][white, mast].max() > bytes_of["even"][white, mast].max()
    assert bytes_of["kept"][white, rail].max() < bytes_of["even"][white, rail].max()

    (show / "score.toml").write_text(SCORE.replace("format = 1", 'format = 1\nkeep = ["mats"]'), encoding="utf-8")
    capsys.readouterr()
    assert main(["check", str(show)]) == 2
    assert capsys.readouterr().err.endswith('keep[1]: there is no zone "mats" (did you mean "mast"?)\n')


def test_the_net_on_its_own_supply_is_not_touched() -> None:
    frames = flat(255)
    frames[:, 240:] = 1
    out = kept([frames] * 3, groups(3), RAIL)
    assert (out[:, 240:BYTES] == 1).all()
