"""What each board may draw: shares of a supply's budget, and a limiter that can hold each board to its own."""

from __future__ import annotations

import tomllib
from fractions import Fraction
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from composer.clock import Group
from composer.faults import FaultList
from composer.power import CurrentModel, PowerAudit, allotments, limited
from composer.rig import rig_from

Frames = npt.NDArray[np.uint8]

# Two boards on one supply, one of them with a string on another; the quay's board hangs on the shed too.
# WS2812B by the high figures: 1 mA dark, 60 mA white a pixel above that (published planning figure); a Pico 100 mA.
RIG = """
[supply.shed]
volts = 5.0
amps = {amps}
[supply.pole]
volts = 5.0
amps = 2.0
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
pixels = 20
[[string.mast.feed]]
supply = "shed"
[string.net]
controller = "pier"
pin = 3
pixels = 10
[[string.net.feed]]
supply = "pole"
"""


def model_of(amps: float) -> CurrentModel:
    faults = FaultList("rig.toml")
    rig = rig_from(tomllib.loads(RIG.format(amps=amps)), Path("rig.toml"), faults)
    faults.raise_if_any()
    return CurrentModel(rig)


def most_of(model: CurrentModel, frames: Frames) -> npt.NDArray[np.float64]:
    most: npt.NDArray[np.float64] = model.draw_a(model.run_sums(frames)).max(axis=0)
    return most


def test_the_most_of_some_boards_is_that_of_all_but_for_the_others() -> None:
    model = model_of(4.0)
    frames = np.random.default_rng(3).integers(0, 256, (5, model.rig.frame_bytes), dtype=np.uint8)
    every = most_of(model, frames)
    assert len(every) == 3 and (every > 0).all()
    for boards in ([], ["pier"], ["quay"], ["quay", "pier"]):
        wanted = [amps if draw.controller in boards else 0 for amps, draw in zip(every, model.draws, strict=True)]
        assert model.most_a(frames, boards).tolist() == wanted


def taking_turns(model: CurrentModel) -> Frames:
    """A second of the rail white, then a second of the mast, 40 frames a second."""
    frames = np.zeros((80, model.rig.frame_bytes), np.uint8)
    frames[:40, model.rig.byte_slices["rail"]] = 255
    frames[40:, model.rig.byte_slices["mast"]] = 255
    return frames


def run(model: CurrentModel, frames: Frames, skew_ms: float | None) -> Frames:
    """The limiter's bytes, a beat of half a second in 20 frames."""
    groups = [
        Group(i, 20 * i, 20, 500_000 * i, 500_000 * (i + 1), Fraction(i), Fraction(1, 20))
        for i in range(len(frames) // 20)
    ]
    stream = zip(groups, np.split(frames, len(groups)), strict=True)
    return np.concatenate([out for _, out, _ in limited(stream, model, "on", skew_ms)])


def test_a_budget_is_shared_by_what_each_board_adds_at_most() -> None:
    # 12.5 A x 0.8 = 10 A. Always there: 40 dark pixels and a board, 0.14 A, and 20 dark pixels, 0.02 A. White adds
    # 2.4 A and 1.2 A, so the quay gets two thirds of the 9.84 A left. The pole's 2 A x 0.8 are the pier's alone.
    model = model_of(12.5)
    found = allotments(model, most_of(model, taking_turns(model)))
    assert found == {"quay": {"shed": 140 + 6560}, "pier": {"shed": 20 + 3280, "pole": 1600}}


def test_what_is_always_drawn_is_allotted_first() -> None:
    # Budget 0.2 A: 0.16 A are there in the dark, of the 0.04 A left the quay gets two thirds.
    found = allotments(model_of(0.25))
    assert (found["quay"]["shed"], found["pier"]["shed"]) == (166, 33)
    # Budget 0.08 A, less than that: it is shared by what is always drawn, 0.14 A and 0.02 A.
    found = allotments(model_of(0.1))
    assert (found["quay"]["shed"], found["pier"]["shed"]) == (70, 10)


def test_without_frames_full_white_counts() -> None:
    # Every board white: the same largest frames as those that take turns.
    model = model_of(12.5)
    assert allotments(model) == allotments(model, most_of(model, taking_turns(model)))


def test_boards_that_take_turns_may_need_more_than_their_allotments() -> None:
    # 3.5 A x 0.8 = 2.8 A hold either board (2.54 A and the mast's 20 dark pixels, 2.56 A) but not 3.76 A at once.
    model = model_of(3.5)
    frames = taking_turns(model)
    out = run(model, frames, 50.0)
    # The limiter looks 7/8 of a beat around the moment in which both might be white: 20 frames before it nothing is.
    assert np.array_equal(out[:20], frames[:20])
    assert not np.array_equal(out, frames)
    found = allotments(model, most_of(model, out))
    assert found["quay"]["shed"] + found["pier"]["shed"] <= 2800
    assert found["quay"]["shed"] < 2540


def test_boards_that_nobody_keeps_in_step_are_each_held_to_their_part() -> None:
    # Above 0.16 A that are always there, 2.64 A: two thirds for the rail's 40 pixels, one for the mast's 20.
    model = model_of(3.5)
    out = run(model, taking_turns(model), None)
    most = most_of(model, out)
    shed = [i for i, draw in enumerate(model.draws) if model.supplies[draw.supply] == "shed"]
    assert model.draws[shed[0]].controller == "quay"
    assert most[shed[0]] == pytest.approx(2.64 * 2 / 3, rel=0.01)
    assert most[shed[1]] == pytest.approx(2.64 / 3, rel=0.02)
    assert most[shed[0]] <= 2.64 * 2 / 3 and most[shed[1]] <= 2.64 / 3


@settings(deadline=None, max_examples=30)
@given(st.integers(0, 2**32 - 1), st.floats(0.8, 8.0))
def test_held_to_its_part_every_board_fits_its_allotment(seed: int, amps: float) -> None:
    model = model_of(amps)
    rng = np.random.default_rng(seed)
    level = np.repeat(rng.integers(0, 256, (8, 3)), 10, axis=0)  # a level a string, for ten frames
    frames = np.zeros((80, model.rig.frame_bytes), np.uint8)
    for i, name in enumerate(("rail", "mast", "net")):
        frames[:, model.rig.byte_slices[name]] = level[:, i : i + 1]
    most = most_of(model, run(model, frames, None))
    found = allotments(model, most)
    for i, name in enumerate(model.supplies):
        assert sum(of.get(name, 0) for of in found.values()) <= 1000 * model.budget_a[i] + 1e-6
        for board, need_a in model.by_board(most)[i].items():
            assert found[board][name] > 1000 * need_a - 1  # whole milliamperes


def test_the_audit_says_what_boards_that_run_apart_may_draw() -> None:
    model = model_of(12.5)
    frames = taking_turns(model)
    worst = {}
    for skew_ms in (50.0, None):
        audit = PowerAudit(model, skew_ms)
        audit.add(Group(0, 0, 80, 0, 2_000_000, Fraction(0), Fraction(1, 20)), frames)
        worst[skew_ms] = audit.result(str)["supplies"]["shed"]
    # One second white each, one after the other: within 50 ms both are, so a skew that small is enough.
    assert worst[50.0]["peak_a"] == pytest.approx(40 * 0.061 + 20 * 0.001 + 0.1)
    assert worst[50.0]["skewed_a"] == pytest.approx(60 * 0.061 + 0.1)
    assert worst[None]["skewed_a"] == pytest.approx(60 * 0.061 + 0.1)
    assert worst[None]["boards"] == pytest.approx({"quay": 2.54, "pier": 1.22})
