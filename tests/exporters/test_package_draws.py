"""The draws in a roll's head: the player's sum of a frame is the audit's."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shows import RIG, make_show

from composer.cli import main
from composer.faults import FaultList, parse_toml
from composer.pipeline.packing import draws_of
from composer.power import CurrentModel
from composer.rig import Rig, load_rig, rig_from
from exporters.rollfile import Draw, RollReader

READINGS = """
[[string.rail.reading]]
level = 0
amps = 0.0437

[[string.rail.reading]]
level = 255
amps = 2.0219
"""


def rig_of(text: str) -> Rig:
    faults = FaultList("rig.toml")
    rig = rig_from(parse_toml(text, "rig.toml"), Path("rig.toml"), faults)
    faults.raise_if_any()
    return rig


def summed_ua(draws: tuple[Draw, ...], rig: Rig, controller: str, frame: np.ndarray) -> dict[str, int]:
    """Microamperes of each supply, as ROLL.md section 5 adds them up: whole numbers, straight from the page."""
    out: dict[str, int] = {}
    at = {s.name: rig.byte_slices[s.name].start for s in rig.strings_of(controller)}
    for draw in draws:
        channels = rig.strings[draw.string].channels
        first = at[draw.string] + draw.first_pixel * channels
        pixels = frame[first : first + draw.pixels * channels].reshape(-1, channels).astype(int)
        total = int(pixels.max(axis=1).sum() if draw.law == "max" else pixels.sum())
        drawn = draw.pixels * draw.idle_ua + total // 255 * draw.channel_ua + total % 255 * draw.channel_ua // 255
        out[draw.supply] = out.get(draw.supply, 0) + drawn
    return out


@pytest.mark.parametrize(
    "text", [RIG, RIG.replace("[string.mast]", READINGS + "[string.mast]")], ids=["table", "readings"]
)
@given(seed=st.integers(0, 2**32 - 1), level=st.sampled_from([0, 1, 40, 255]))
def test_the_sum_by_draws_is_the_models_rounded_up(text: str, seed: int, level: int) -> None:
    model = CurrentModel(rig_of(text))
    frame = np.random.default_rng(seed).integers(0, level + 1, model.rig.frame_bytes, np.uint8)
    expected = {}
    above = model.draw_a(model.run_sums(frame[None]))[0]
    for i, draw in enumerate(model.draws):
        idle = sum(run.idle_a("high") for run in model.runs if run.draw == i)
        expected[draw.controller, model.supplies[draw.supply]] = 1e6 * (above[i] + idle)
    found = {}
    for controller in model.rig.controllers:
        for supply, ua in summed_ua(draws_of(model, controller), model.rig, controller, frame).items():
            found[controller, supply] = ua
    assert found.keys() == expected.keys()
    for key, ua in expected.items():
        # Rounding down loses less than 1 uA a run; rounding the figures up gains at most 1 uA a pixel and channel.
        pixels = sum(s.pixels * (1 + s.channels) for s in model.rig.strings_of(key[0]))
        assert ua - 3 <= found[key] <= ua + pixels + 3


def test_baked_rolls_hold_their_draws(baked: Path) -> None:
    with RollReader(baked / "out" / "quay" / "tide.roll") as reader:
        # chips.toml's high figures: WS2812B 1.0 mA dark and 20 mA a channel, SK6812 RGBW 1.0 mA and 20 mA.
        assert reader.header.draws == (
            Draw("rail", "shed", 0, 60, 1_000, 20_000, "sum"),
            Draw("mast", "shed", 0, 24, 1_000, 20_000, "sum"),
        )
        assert [name for name, _ in reader.header.allotments] == ["shed"]
    with RollReader(baked / "out" / "deck" / "tide.roll") as reader:
        assert reader.header.draws == (Draw("boom", "boat", 0, 30, 2_100, 15_000, "max"),)


def most_over_ua(path: Path, rig: Rig, controller: str) -> int:
    """By how much the worst frame of a roll is over its allotments, as its player adds it up (less than 0: under)."""
    with RollReader(path) as reader:
        allowed = {supply: 1000 * milliamps for supply, milliamps in reader.header.allotments}
        first = min(rig.byte_slices[s.name].start for s in rig.strings_of(controller))
        whole = np.zeros(rig.frame_bytes, np.uint8)
        most = -(2**40)
        for _, frames in reader:
            for frame in frames:
                whole[first : first + len(frame)] = frame
                for supply, ua in summed_ua(reader.header.draws, rig, controller, whole).items():
                    most = max(most, ua - allowed[supply])
        return most


def test_no_baked_frame_is_dimmed_by_its_own_player(baked: Path) -> None:
    rig = load_rig(baked / "rig.toml")
    for controller in ("quay", "deck"):
        assert -(2**30) < most_over_ua(baked / "out" / controller / "tide.roll", rig, controller) <= 0


# Two boards on one supply, which hits its limit; none of them hangs on it itself.
SHARED = (
    RIG.replace('supply = "shed"\n\n[controller.deck]', "\n[controller.deck]")
    .replace('board = "esp32"\nsupply = "boat"', 'board = "esp32"')
    .replace('chip = "ws2815"', 'chip = "ws2812b"')
    .replace('supply = "boat"', 'supply = "shed"')
    .replace("amps = 10.0", "amps = 3.33")
)


def test_boards_whose_frames_exceed_their_shares_are_not_dimmed_either(tmp_path: Path) -> None:
    show = make_show(tmp_path / "tide", rig=SHARED)
    assert main(["bake", str(show)]) == 0
    notes = json.loads((show / "out" / "audit.json").read_text(encoding="utf-8"))["notes"]
    told = [note.partition(":")[0] for note in notes if "its player does not add up" in note]
    rig = load_rig(show / "rig.toml")
    without = []
    for controller in ("quay", "deck"):
        path = show / "out" / controller / "tide.roll"
        with RollReader(path) as reader:
            if not reader.header.draws:
                without.append(controller)
        assert most_over_ua(path, rig, controller) <= 0
    assert without == told and without != []


def test_the_audit_of_what_is_baked_is_that_of_the_bake(tmp_path: Path) -> None:
    show = make_show(tmp_path / "tide", rig=SHARED)
    assert main(["bake", str(show)]) == 0
    path = show / "out" / "audit.json"
    baked = json.loads(path.read_text(encoding="utf-8"))
    assert main(["audit", str(show)]) == 0
    assert json.loads(path.read_text(encoding="utf-8")) == baked
    assert "its player does not add up" in str(baked["notes"]) and "grid: is missing" in str(baked["notes"])


def test_a_cut_string_is_a_draw_for_each_piece() -> None:
    cut = RIG.replace("path = [[0, 0], [2, 0]]", "path = [[0, 0], [2, 0]]\ncut = [25]").replace(
        "[string.mast]", '[[string.rail.feed]]\nat = "end"\nsupply = "shed"\n\n[string.mast]'
    )
    draws = draws_of(CurrentModel(rig_of(cut)), "quay")
    assert [(d.string, d.first_pixel, d.pixels) for d in draws] == [("rail", 0, 25), ("rail", 25, 35), ("mast", 0, 24)]


def test_a_draw_too_large_for_a_small_integer_is_split() -> None:
    model = CurrentModel(rig_of(RIG.replace("pixels = 60", "pixels = 60000").replace("amps = 10.0", "amps = 900.0")))
    rail = [draw for draw in draws_of(model, "quay") if draw.string == "rail"]
    assert len(rail) == 4 and sum(draw.pixels for draw in rail) == 60_000
    # ROLL.md, section 5: pixels x (idle_ua + letters in order x channel_ua) is below 2^30.
    assert max(draw.pixels * (draw.idle_ua + 3 * draw.channel_ua) for draw in rail) < 2**30
    assert [draw.first_pixel for draw in rail[1:]] == [sum(d.pixels for d in rail[: i + 1]) for i in range(3)]


def test_more_runs_than_a_roll_holds_leave_no_draws_at_all() -> None:
    rig = rig_of(RIG)
    rail = rig.strings["rail"]
    feeds = tuple(replace(rail.feeds[0], name=f"rail@{at}", at=at) for at in range(60))
    many = replace(rig, strings={**rig.strings, "rail": replace(rail, cuts=tuple(range(1, 60)), feeds=feeds)})
    assert len(draws_of(CurrentModel(many), "quay")) == 61
    more = {f"rail{i}": replace(many.strings["rail"], name=f"rail{i}", pin=i) for i in range(2)}
    assert draws_of(CurrentModel(replace(rig, strings={**rig.strings, **more})), "quay") == ()
