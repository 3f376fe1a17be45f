"""Amperes from wire bytes, against published figures and arithmetic on them."""

from __future__ import annotations

import tomllib
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from composer.clock import Group
from composer.faults import FaultList
from composer.power import CurrentModel, PowerAudit, Reading, fit_chip
from composer.power.model import lit
from composer.rig import Rig, chips, rig_from


def rig_of(text: str) -> Rig:
    faults = FaultList("rig.toml")
    rig = rig_from(tomllib.loads(text), Path("rig.toml"), faults)
    faults.raise_if_any()
    return rig


def one_string(chip: str, pixels: int, volts: float = 5.0, extra: str = "") -> CurrentModel:
    return CurrentModel(
        rig_of(f"""
        [supply.shed]
        volts = {volts}
        amps = 40.0
        [controller.quay]
        board = "pico"
        [string.rail]
        controller = "quay"
        pin = 16
        pixels = {pixels}
        chip = "{chip}"
        {extra}
        [[string.rail.feed]]
        at = "start"
        supply = "shed"
        """)
    )


# ---- 300 pixels ----


def test_300_white_pixels_by_the_planning_figure() -> None:
    # Adafruit, "NeoPixel Uberguide: Powering": plan 60 mA a pixel at full white; "Powering NeoPixels": about 1 mA a
    # pixel when dark. 300 x 61 mA.
    assert one_string("ws2812b", 300).full_white_a() == pytest.approx([18.3])


def test_300_white_pixels_of_the_thriftiest_measured_part() -> None:
    # PJRC, "How Much Current Do WS2812/NeoPixel LEDs Really Use?": 33.5 mA a LED for one of two parts sold under the
    # same name, 10.05 A for 300. Ours is made of a measured slope and an idle figure from elsewhere: within 2 %.
    assert one_string("ws2812b", 300).full_white_a("low") == pytest.approx([10.05], rel=0.02)


def test_both_measured_parts_lie_inside_the_band() -> None:
    # PJRC, same page: 33.5 and 52.5 mA a LED.
    model = one_string("ws2812b", 1000)
    assert model.full_white_a("low")[0] <= 33.5 * 1.02 < 52.5 <= model.full_white_a("high")[0]


def test_300_white_pixels_of_12_ma_a_channel() -> None:
    # Worldsemi WS2812B-V5 vendor text: 12 mA a channel; WS2813A manual p.5 (same maker): 0.6 mA idle. 300 x 36.6 mA.
    assert one_string("ws2812b-v5", 300).full_white_a("low") == pytest.approx([10.98])


def test_300_dark_pixels() -> None:
    # 0.6 mA (WS2813A manual p.5) to 1 mA (Adafruit, PJRC) a pixel.
    model = one_string("ws2812b", 300)
    assert (model.idle_a("low")[0], model.idle_a("high")[0]) == pytest.approx((0.18, 0.30))


def test_a_white_rgbw_pixel_by_the_planning_figure() -> None:
    # Adafruit, "NeoPixel Uberguide: Powering": 80 mA a RGBW pixel, and 1 mA idle.
    assert one_string("sk6812-rgbw", 100).full_white_a() == pytest.approx([8.1])


# ---- laws ----


def test_channels_add_up_where_they_are_parallel() -> None:
    # (51 + 102 + 153) / 255 = 1.2 channels of 20 mA, and 1 mA idle.
    model = one_string("ws2812b", 1)
    assert model.supply_a(np.array([[51, 102, 153]], np.uint8)) == pytest.approx(np.array([[0.025]]))


@pytest.mark.parametrize("levels", [(204, 51, 102), (51, 204, 102), (102, 51, 204)])
def test_the_largest_channel_counts_where_dies_are_in_series(levels: tuple[int, int, int]) -> None:
    # 204/255 of 15 mA, and 2.1 mA idle.
    model = one_string("ws2815", 1, volts=12.0)
    assert model.supply_a(np.array([levels], np.uint8)) == pytest.approx(np.array([[0.0141]]))


def test_three_leds_in_series_draw_the_current_of_one() -> None:
    # Worldsemi WS2811: 18.5 mA an output (from memory); 50 data pixels of three LEDs on 12 V, 0.7 mA idle.
    assert one_string("ws2811-12v", 50, volts=12.0).full_white_a() == pytest.approx([50 * (0.7 + 55.5) / 1000])


@pytest.mark.parametrize("name", sorted(chips()))
def test_every_chip_reaches_from_idle_to_full_white(name: str) -> None:
    chip = chips()[name]
    model = one_string(name, 7, volts=chip.volts, extra="clock_pin = 17" if chip.clocked else "")
    lit = {"sum": chip.channels, "max": 1}[chip.law]
    full = [7 * (chip.idle_ma[1] + lit * chip.channel_ma[1]) / 1000]
    assert model.full_white_a() == pytest.approx(full)
    assert model.supply_a(model.white(0))[0] == pytest.approx([7 * chip.idle_ma[1] / 1000])
    assert model.sources()[name]["source"]["channel_ma"]


def test_brightness_of_the_wire_scales_the_current_above_idle() -> None:
    # What a cap of 30 % does to the 18.3 A above: 0.3 + 0.3 x 18.0 A (level 76.5, so 76 and 77 lie either side).
    model = one_string("ws2812b", 300)
    assert model.supply_a(model.white(76))[0, 0] < 0.3 + 0.3 * 18.0 < model.supply_a(model.white(77))[0, 0]


# ---- a rig of two supplies ----

TWO = """
[supply.shed]
volts = 5.0
amps = 10.0
[supply.pole]
volts = 12.0
amps = 5.0
[controller.quay]
board = "pico"
supply = "shed"
[controller.pier]
board = "pico-w"
supply = "pole"
[string.rail]
controller = "quay"
pin = 2
pixels = 20
cut = [12]
skip = ["3-4"]
[[string.rail.feed]]
at = "start"
supply = "shed"
[[string.rail.feed]]
at = 12
supply = "lamp"
[supply.lamp]
volts = 5.0
amps = 2.0
[string.net]
controller = "pier"
pin = 4
pixels = 9
chip = "ws2815"
[[string.net.feed]]
at = "end"
supply = "pole"
"""


def test_each_pixel_belongs_to_the_supply_of_its_run() -> None:
    model = CurrentModel(rig_of(TWO))
    assert model.supplies == ("shed", "pole", "lamp")
    assert model.supply_of_pixel.tolist() == [0] * 12 + [2] * 8 + [1] * 9
    frame = np.zeros((1, model.rig.frame_bytes), np.uint8)
    frame[0, 12 * 3] = 255  # first pixel after the cut
    assert (model.supply_a(frame) - model.constant_a)[0] == pytest.approx([0, 0, 0.020])


def test_boards_are_a_row_of_their_own_and_12_v_goes_through_a_converter() -> None:
    # Board table: 100 mA and 250 mA at 5 V; a converter of 85 % (practice) turns 250 mA at 5 V into 122.5 mA at 12 V.
    model = CurrentModel(rig_of(TWO))
    assert model.boards_a() == pytest.approx([0.1, 0.25 * 5 / (12 * 0.85), 0])
    assert model.constant_a == pytest.approx(model.idle_a() + model.boards_a())


def test_skipped_pixels_stay_dark_at_full_white() -> None:
    # 12 pixels idle, 10 of them lit, and the board.
    assert CurrentModel(rig_of(TWO)).full_white_a()[0] == pytest.approx(0.012 + 10 * 0.060 + 0.1)


@settings(deadline=None, max_examples=30)
@given(st.integers(0, 2**32 - 1), st.integers(1, 9))
def test_pixels_idle_and_boards_sum_to_the_supplies_in_any_chunk(seed: int, chunk: int) -> None:
    model = CurrentModel(rig_of(TWO))
    frames = np.random.default_rng(seed).integers(0, 256, (10, model.rig.frame_bytes), dtype=np.uint8)
    whole = model.supply_a(frames)
    pixels = model.pixel_a(frames) + model.pixel_idle_a()
    for i in range(len(model.supplies)):
        mine = model.supply_of_pixel == i
        assert pixels[:, mine].sum(axis=1) + model.boards_a()[i] == pytest.approx(whole[:, i])
    parts = np.concatenate([model.supply_a(frames[i : i + chunk]) for i in range(0, len(frames), chunk)])
    assert np.array_equal(parts, whole)


def test_on_phases_that_line_up_draw_every_lit_channel_at_once() -> None:
    model = one_string("ws2812b", 10)
    frame = np.zeros((1, 30), np.uint8)
    frame[0, :7] = 1
    assert model.aligned_a(model.run_sums(lit(frame)))[0] == pytest.approx([0.010 + 7 * 0.020])
    assert model.supply_a(frame)[0] == pytest.approx([0.010 + 7 * 0.020 / 255])


def test_frames_of_another_shape_are_refused() -> None:
    model = one_string("ws2812b", 10)
    with pytest.raises(ValueError, match=r"shape \(1, 29\), need \(n, 30\)"):
        model.supply_a(np.zeros((1, 29), np.uint8))
    with pytest.raises(ValueError, match="did you pass colour codes"):
        model.supply_a(np.zeros((1, 30), np.float32))


# ---- an ammeter's word ----


def test_a_chip_is_fitted_to_two_readings() -> None:
    # 150 pixels: dark 0.12 A is 0.8 mA each; white 7.62 A is 50 mA more each, 16.67 mA a channel.
    readings = [Reading(150, (0, 0, 0), 0.12), Reading(150, (255, 255, 255), 7.62)]
    chip, residual_a = fit_chip(chips()["ws2812b"], readings)
    assert chip.idle_ma == pytest.approx((0.8, 0.8))
    assert chip.channel_ma == pytest.approx((50 / 3, 50 / 3))
    assert residual_a == pytest.approx(0, abs=1e-12)
    assert chip.source["channel_ma"] == "your own ammeter readings"


def test_readings_that_disagree_show_a_residual() -> None:
    # Red says 10 mA, green says 14 mA a channel: the best line is 12 mA, 0.2 A off for 100 pixels.
    readings = [Reading(100, (0, 0, 0), 0.1), Reading(100, (0, 255, 0), 1.1), Reading(100, (255, 0, 0), 1.5)]
    chip, residual_a = fit_chip(chips()["ws2812b"], readings)
    assert chip.channel_ma[0] == pytest.approx(12)
    assert residual_a == pytest.approx(0.2)


def test_readings_that_cannot_tell_are_refused() -> None:
    white = Reading(100, (255, 255, 255), 3.5)
    with pytest.raises(ValueError, match="at least two different patterns"):
        fit_chip(chips()["ws2812b"], [white, white])
    with pytest.raises(ValueError, match="did you give mA as A"):
        fit_chip(chips()["ws2812b"], [Reading(100, (0, 0, 0), 80), Reading(100, (255, 255, 255), 3500)])
    with pytest.raises(ValueError, match="3 levels 0-255"):
        fit_chip(chips()["ws2812b"], [Reading(100, (0, 0), 0.1)])


# ---- the audit ----


def group(index: int, frames: int, beat_us: int = 500_000) -> Group:
    start = index * beat_us
    return Group(index, index * frames, frames, start, start + beat_us, Fraction(index), Fraction(1, frames))


def test_ten_seconds_of_white_and_ten_of_dark() -> None:
    # 18.3 A and 0.3 A at 5 V for 10 s each: (18.3 + 0.3) x 5 V x 10 s / 3600 = 0.2583 Wh, 9.3 A in the mean.
    model = one_string("ws2812b", 300)
    audit = PowerAudit(model)
    for index in range(40):
        audit.add(group(index, 12), np.repeat(model.white(255 if index < 20 else 0), 12, axis=0))
    supply = audit.result(lambda seconds: f"at {seconds}")["supplies"]["shed"]
    assert supply["peak_a"] == pytest.approx(18.3)
    assert supply["mean_a"] == pytest.approx(9.3)
    assert supply["energy_wh"] == pytest.approx(930 / 3600)
    assert supply["p99_a"] == pytest.approx(18.3)
    assert supply["budget_a"] == 32.0
    assert audit.amps.shape == (480, 1)
    assert audit.over_budget() == []


def test_one_bright_frame_in_200_is_the_peak_but_not_the_99th_percentile() -> None:
    model = one_string("ws2812b", 300)
    audit = PowerAudit(model)
    frames = np.repeat(model.white(0), 200, axis=0)
    frames[77] = 255
    audit.add(group(0, 200, 5_000_000), frames)
    result = audit.result(lambda seconds: f"at {seconds:.3f}")["supplies"]["shed"]
    assert (result["peak_a"], result["p99_a"]) == pytest.approx((18.3, 0.3))
    assert result["peak_s"] == pytest.approx(77 * 0.025)
    assert result["peak_at"] == "at 1.925"
    assert audit.peak_frame == {"shed": 77}
    assert audit.peak_bytes["shed"].min() == 255


SHARED = """
[supply.shed]
volts = 5.0
amps = 4.0
[controller.quay]
board = "pico"
[controller.pier]
board = "pico"
[string.rail]
controller = "quay"
pin = 2
pixels = 50
[[string.rail.feed]]
supply = "shed"
[string.mast]
controller = "pier"
pin = 2
pixels = 30
[[string.mast.feed]]
supply = "shed"
"""


def test_boards_that_take_turns_meet_when_they_run_apart() -> None:
    # 50 px white, then 30 px white 50 ms later: 3 A and 1.8 A never meet in step, but do for boards 50 ms apart.
    model = CurrentModel(rig_of(SHARED))
    frames = np.zeros((20, 240), np.uint8)
    frames[8, :150] = 255
    frames[10, 150:] = 255
    apart = {}
    for skew_ms in (49, 50):
        audit = PowerAudit(model, skew_ms)
        audit.add(group(0, 20), frames)
        apart[skew_ms] = audit.result(str)["supplies"]["shed"]["skewed_a"]
    assert apart == pytest.approx({49: 0.08 + 3.0, 50: 0.08 + 4.8})


# ---- volts, feeds, wires ----

HARBOUR = """
[supply.shed]
volts = 5.0
amps = 30.0
[controller.quay]
board = "pico"
[string.rail]
controller = "quay"
pin = 16
pixels = 300
path = [[0, 0], [4.983333, 0]]
rail_ohm_per_m = 0.062
[[string.rail.feed]]
at = "start"
supply = "shed"
wire = {awg = 18, metres = 2}
fuse = 5
[[string.rail.feed]]
at = "end"
supply = "shed"
wire = {awg = 22, metres = 1}
fuse = 10
"""


def harbour(level: int) -> tuple[dict[str, dict[str, float]], dict[str, dict[str, float]]]:
    """Two seconds of dark with one grey frame at 0.75 s."""
    model = CurrentModel(rig_of(HARBOUR))
    audit = PowerAudit(model)
    for index in range(4):
        frames = np.repeat(model.white(0), 20, axis=0)
        if index == 1:
            frames[10] = level
        audit.add(group(index, 20), frames)
    result = audit.result(str)
    return result["feeds"], result["strings"]


def test_the_lowest_volts_say_where_and_when() -> None:
    # 300 px x (1 + 60 x 51/255) mA = 3.9 A. The wires differ, so the lowest place lies off the middle: by hand, a
    # strip of uniform load between two sources of R1 = 2 x 20.948 mohm, R2 = 52.962 mohm (ASTM B258, IEC 60028), rail
    # 0.31 ohm: I1 = I (R2 + rail/2) / (R1 + R2 + rail), drop on one conductor I1 R1 + I1^2 rail / (2 I).
    feeds, strings = harbour(51)
    total_a, rail, r1, r2 = 3.9, 0.31, 2 * 0.020948, 0.052962
    first_a = total_a * (r2 + rail / 2) / (r1 + r2 + rail)
    assert feeds["rail@start"]["peak_a"] == pytest.approx(first_a, rel=1e-4)
    assert feeds["rail@end"]["peak_a"] == pytest.approx(total_a - first_a, rel=1e-4)
    drop = 2 * (first_a * r1 + first_a**2 * rail / (2 * total_a))
    assert strings["rail"]["min_v"] == pytest.approx(5 - drop, abs=1e-4)
    assert strings["rail"]["min_v_pixel"] == pytest.approx(300 * first_a / total_a, abs=1)
    assert strings["rail"]["min_v_s"] == pytest.approx(0.75)
    assert (strings["rail"]["currents_hold"], strings["rail"]["low_frames"]) == (True, 0)


def test_wires_and_fuses_are_judged() -> None:
    # NEC 240.4(D): 18 AWG 7 A (from memory). 22 AWG has no code value, about 2 A by the rule of thumb; 10 A is no fuse
    # for it.
    feeds, _ = harbour(51)
    assert feeds["rail@start"]["wire_ok"] is True
    assert feeds["rail@start"]["fuse_ok"] is True
    assert feeds["rail@end"]["wire_ok"] is False
    assert "no code value" in str(feeds["rail@end"]["wire_basis"])
    assert harbour(255)[0]["rail@start"]["fuse_ok"] is False


def test_a_short_at_the_far_end_is_compared_with_three_times_the_fuse() -> None:
    # 5 V / (2 x (2 x 0.020948 + 0.31)) = 7.1 A: less than 3 x 5 A, so the fuse would be slow.
    feeds, _ = harbour(51)
    assert feeds["rail@start"]["short_a"] == pytest.approx(5 / (2 * (2 * 0.020948 + 0.31)), rel=1e-3)
    assert feeds["rail@start"]["short_clears"] is False


def test_a_lost_feed_leaves_the_far_end_lower() -> None:
    # 300 px x (1 + 60 x 34/255) mA = 2.7 A, without the second feed all of it from the start:
    # 2 x 2.7 x (0.041896 + 0.31 / 2) = 1.06 V less.
    feeds, strings = harbour(34)
    assert feeds["rail@end"]["lost_min_v"] == pytest.approx(5 - 2 * 2.7 * (0.041896 + 0.155), abs=0.001)
    assert feeds["rail@end"]["lost_min_v"] < strings["rail"]["min_v"]


def test_chips_that_starve_are_told() -> None:
    _, strings = harbour(255)
    assert strings["rail"]["currents_hold"] is False
    assert strings["rail"]["low_frames"] == strings["rail"]["starved_frames"] == 1
    assert strings["rail"]["ok"] is False
    assert 2.5 < strings["rail"]["min_v"] < 4.5
    assert strings["rail"]["white_min_v"] == pytest.approx(strings["rail"]["min_v"])


def test_the_data_level_of_a_3_v_board_is_below_the_datasheets_at_5_v() -> None:
    # Worldsemi WS2812B datasheet: VIH 0.7 VDD, 3.5 V at 5.0 V; a 3.3 V pin is below it.
    _, strings = harbour(51)
    assert strings["rail"]["data_v"] == pytest.approx(3.5)
    assert strings["rail"]["logic_v"] == pytest.approx(3.3)


def test_an_audit_of_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="no frames"):
        PowerAudit(one_string("ws2812b", 1)).result(str)
