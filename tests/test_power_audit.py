"""The audit of a baked show beyond its sums: who draws on average, what the limiter's clips are, where it flashes."""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rooms_kit import SMALL_RIG, rig_of
from shows import RIG, SCORE, make_show

from composer.cli import main
from composer.clock import Group
from composer.pipeline import results
from composer.power import CurrentModel, Ladder, PowerAudit


def audit_of(show: Path) -> Any:
    return json.loads((show / "out" / "audit.json").read_text(encoding="utf-8"))


def no_constant(name: str) -> None:
    raise ValueError(f"{name} is no JSON")


def test_the_audit_is_json_as_its_standard_has_it(baked: Path) -> None:
    # RFC 8259, section 6: NaN and Infinity are not permitted.
    text = (baked / "out" / "audit.json").read_text(encoding="utf-8")
    assert json.loads(text, parse_constant=no_constant)["supplies"]


def test_the_page_shows_volts_along_every_string(baked: Path) -> None:
    page = (baked / "out" / "audit.html").read_text(encoding="utf-8")
    assert page.count("data:image/png;base64,") == 3
    assert {row["nominal_v"] for row in audit_of(baked)["strings"].values()} == {5.0, 12.0}


def test_every_supply_has_a_build_sheet(baked: Path) -> None:
    sheet = (baked / "out" / "sheet.html").read_text(encoding="utf-8")
    for word in (
        "shed<span>5 V, 10 A</span>",
        "boat<span>12 V, 0.6 A</span>",
        "rail@start",
        "boom@start",
        "pin <b>16</b>",
    ):
        assert word in sheet
    # The esp32 on 12 V hangs behind a converter.
    assert "through a step-down converter to 5 V" in sheet
    # The mast skips pixels, which its full white leaves dark.
    assert "without the limiter, skipped pixels dark" in sheet


def test_clips_on_average_draw_what_the_show_draws_on_average(baked: Path) -> None:
    for row in audit_of(baked)["supplies"].values():
        clips = sum(clip["a"] for clip in row["mean_clips"])
        always = row["idle_a"] + row["boards_a"]
        # From 20 to 39 frames of 576: near the mean of them all.
        assert clips + always == pytest.approx(row["mean_a"], rel=0.15)
        amps = [clip["a"] for clip in row["mean_clips"]]
        assert amps == sorted(amps, reverse=True)
    assert {clip["clip"] for clip in audit_of(baked)["supplies"]["shed"]["mean_clips"]} <= {
        "wave[1]", "glow", "white", "trigger[1]",
    }  # fmt: skip


def test_what_to_thin_out_is_what_the_limiter_dims(baked: Path) -> None:
    # Bar 4 is white all over: nothing else asks more of the boat's 0.48 A than there is.
    supplies = audit_of(baked)["supplies"]
    assert supplies["boat"]["limited_frames"] > 0
    assert supplies["boat"]["thin_out"][0]["clip"] == "white"
    assert supplies["shed"]["limited_frames"] == 0 and supplies["shed"]["thin_out"] == []


def test_allotments_stand_in_the_rolls_and_sum_to_the_budget_at_most(
    baked: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    found = audit_of(baked)["supplies"]
    sums = dict.fromkeys(found, 0)
    for board in ("quay", "deck"):
        assert main(["inspect", str(baked / "out" / board / "tide.roll"), "--json"]) == 0
        for supply, milliamps in json.loads(capsys.readouterr().out)["allotments_ma"].items():
            assert found[supply]["allotments"][board] == milliamps / 1000
            assert milliamps / 1000 >= found[supply]["boards"][board] - 0.001
            sums[supply] += milliamps
    assert {supply: sums[supply] / 1000 <= row["budget_a"] for supply, row in found.items()} == dict.fromkeys(
        found, True
    )
    assert min(sums.values()) > 0


def test_a_feed_over_its_fuse_fails_the_show_when_nothing_limits_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # 60 white pixels are 3.66 A by the high figures; swell reaches white in bar 4.
    show = make_show(tmp_path / "tide", rig=RIG.replace("fuse = 5", "fuse = 2").replace("amps = 0.6", "amps = 2.0"))
    assert main(["bake", str(show), "--limiter", "off"]) == 1
    told = capsys.readouterr().err
    assert told.startswith("feed rail@start: ") and "is over the 2.00 A of its 2 A fuse" in told
    assert audit_of(show)["ok"] is False
    assert main(["bake", str(show)]) == 0
    assert 1.9 < audit_of(show)["feeds"]["rail@start"]["peak_a"] <= 2.0


def test_what_is_over_by_little_reads_as_over() -> None:
    """No line names one and the same figure as what is over and what it is over."""
    supply = {"peak_a": 2.6931, "budget_a": 2.693, "peak_at": "3.1", "peak_s": 4.0}
    feed = {"peak_a": 2.004, "limit_a": 2.0, "peak_s": 4.0, "fuse_a": 2.0}
    assert results.complaints({"supplies": {"shed": supply}, "feeds": {"rail@start": feed}}) == [
        "supply.shed: 2.6931 A at 3.1 (4.00 s) is over its budget of 2.6930 A",
        "feed rail@start: 2.004 A (4.00 s) is over the 2.000 A of its 2 A fuse",
    ]


# ---- where it flashes --------------------------------------------------------------------------------------------

GATE = SCORE.replace('effect = "accent"', 'effect = "gate", every = "1/4 beat"').replace('"left"', '"all"')


def test_flashes_are_told_by_bar_and_by_clip(tmp_path: Path) -> None:
    # Four openings a beat at 120 beats a minute from bar 7 (12 s) on: 8 a second, in every zone.
    show = make_show(tmp_path / "tide", score=GATE, rig=RIG.replace("amps = 0.6", "amps = 2.0"))
    assert main(["bake", str(show)]) == 0
    spans = audit_of(show)["flashes"]["spans"]
    assert {span["zone"] for span in spans} == {"rail", "mast", "boom", "left", "all", "whole rig"}
    for span in spans:
        # A second with more than three begins at the earliest with the fourth flash, 3/8 s after the first.
        assert 11.0 < span["from_s"] < 12.0 < 15.5 < span["to_s"] <= 16.0
        assert span["at"] in ("6.3", "6.4")
        assert span["clips"][0] == "trigger[1]@7.1"
    page = (show / "out" / "audit.html").read_text(encoding="utf-8")
    assert "Where, and by which clips" in page and "trigger[1]@7.1" in page


def test_a_show_that_does_not_flash_has_no_such_places(baked: Path) -> None:
    assert audit_of(baked)["flashes"]["spans"] == []
    assert "Where, and by which clips" not in (baked / "out" / "audit.html").read_text(encoding="utf-8")


# ---- bars that repeat --------------------------------------------------------------------------------------------

PIERS = """
[supply.shed]
volts = 5.0
amps = 9.0
[supply.hut]
volts = HUT_V
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
rail_ohm_per_m = 2.0
path = [[0, 0], [1.3, 0]]
cut = [25]
[[string.rail.feed]]
supply = "shed"
[[string.rail.feed]]
at = "end"
supply = "RAIL_END"
[string.mast]
controller = "pier"
pin = 3
pixels = 30
rail_ohm_per_m = 1.0
path = [[0, 1], [1, 1]]
[[string.mast.feed]]
supply = "shed"
[string.boom]
controller = "pier"
pin = 4
pixels = 30
chip = "BOOM_CHIP"
cut = [15]
path = [[0, 2], [1, 2]]
[[string.boom.feed]]
supply = "hut"
[[string.boom.feed]]
at = "end"
supply = "BOOM_END"
"""


EACH_ALONE = {"RAIL_END": "shed", "BOOM_END": "hut", "BOOM_CHIP": "ws2815", "HUT_V": "12.0"}
JOINED = {"RAIL_END": "hut", "BOOM_END": "shed", "BOOM_CHIP": "ws2812b", "HUT_V": "5.0"}


@pytest.mark.parametrize("fed", [EACH_ALONE, JOINED], ids=["each string alone", "strings of two boards join supplies"])
def test_a_bar_that_repeats_counts_as_often_as_it_comes(fed: dict[str, str]) -> None:
    # Boards repeat their bars in their own order; the whole show as one stretch of frames says what is to come out.
    text = PIERS
    for word, value in fed.items():
        text = text.replace(word, value)
    model = CurrentModel(rig_of(text))
    rig = model.rig
    rng = np.random.default_rng(4)
    bars = [rng.integers(0, 200, (8, rig.frame_bytes), dtype=np.uint8) for _ in range(3)]
    bars[1][3] = 255
    orders = {"quay": [0, 1, 0, 2, 1, 1, 0], "pier": [0, 0, 2, 2, 1, 0, 1]}
    audit = PowerAudit(model)
    shown, new = [], []
    for index in range(7):
        frames = np.zeros((8, rig.frame_bytes), np.uint8)
        for board, order in orders.items():
            frames[:, rig.controller_slices[board]] = bars[order[index]][:, rig.controller_slices[board]]
        group = Group(index, 8 * index, 8, 200_000 * index, 200_000 * (index + 1), Fraction(0), Fraction(1))
        new.append(audit.add(group, frames))
        shown.append(frames)
    assert new == [True, True, True, True, True, False, fed is JOINED]  # joined, what boards show together counts
    found = audit.result(str)
    whole = np.concatenate(shown)
    amps = model.supply_a(whole)
    np.testing.assert_array_equal(audit.amps, amps.astype(np.float32))
    ladder = Ladder(rig)
    assert max(len(island.strings) for island in ladder.islands) == (2 if fed is JOINED else 1)
    solved = ladder.solve(model.pixel_a(whole) + model.pixel_idle_a())
    for i, supply in enumerate(model.supplies):
        assert found["supplies"][supply]["peak_a"] == amps[:, i].max()
        assert audit.peak_frame[supply] == amps[:, i].argmax()
        assert (audit.peak_bytes[supply] == whole[amps[:, i].argmax()]).all()
    for name, volts in solved.volts.items():
        row, string = found["strings"][name], rig.strings[name]
        lowest = volts.min(axis=1)
        assert row["min_v_s"] == pytest.approx(audit.times_us[lowest.argmin()] / 1e6)
        assert row["low_frames"] == (lowest < string.chip.min_v).sum()
        assert row["lift_v"] == pytest.approx(solved.lift[name][:, 0].max())
        np.testing.assert_allclose(audit.strip_v[name], volts.reshape(7, 8, -1).min(axis=1), rtol=1e-6)
    for i, feed in enumerate(rig.feeds):
        assert found["feeds"][feed]["peak_a"] == pytest.approx(solved.feeds[:, i].max())
    assert found["strings"]["rail"]["low_frames"] >= 3  # each time that all of it is white


# ---- samples -----------------------------------------------------------------------------------------------------


@settings(deadline=None, max_examples=25)
@given(st.lists(st.integers(1, 40), min_size=1, max_size=60))
def test_samples_are_few_and_evenly_spread(lengths: list[int]) -> None:
    model = CurrentModel(rig_of(SMALL_RIG))
    audit = PowerAudit(model)
    start = 0
    for index, count in enumerate(lengths):
        frames = np.full((count, model.rig.frame_bytes), index, np.uint8)
        audit.add(Group(index, start, count, start * 1000, (start + count) * 1000, Fraction(0), Fraction(1)), frames)
        start += count
    numbers = list(audit.samples)
    assert len(numbers) == start if start < 20 else 20 <= len(numbers) <= 39
    assert numbers[0] == 0 and len(set(np.diff(numbers))) <= 1
    assert start - numbers[-1] <= (numbers[1] if len(numbers) > 1 else 1)
    of_group = np.repeat(np.arange(len(lengths)), lengths)
    assert all((audit.samples[number] == of_group[number]).all() for number in numbers)
