"""Light to bytes: the lightness curve against CIE 15 and colour-science, colour orders down to each byte."""

from __future__ import annotations

import numpy as np
import pytest
from colour.colorimetry import lightness_CIE1976, luminance_CIE1976
from colour.models import eotf_inverse_sRGB
from hypothesis import given
from hypothesis import strategies as st
from rooms_kit import SMALL_RIG, rig_of

from composer import kernels
from composer.rig import Rig, chips
from composer.wire import DUTY_OF_CODE, Duties, Wiring, duty_of_lightness, lightness_of_duty, order_of, screen_of_duty

# ---- the lightness curve ----


def test_the_curve_is_the_one_of_colour_science() -> None:
    lightness = np.linspace(0, 100, 2001)
    # An independent implementation of CIE 15's L*, relative luminance with Yn = 1.
    np.testing.assert_allclose(duty_of_lightness(lightness), luminance_CIE1976(lightness, 1.0), atol=1e-12)
    duty = np.linspace(0, 1, 2001)
    np.testing.assert_allclose(lightness_of_duty(duty), lightness_CIE1976(duty, 1.0), atol=1e-9)


# CIE 15 / ISO 11664-4: below L* = 8 a straight line of slope 27^3/29^3 a hundred times (24389/27 = 903.2963 L* a unit
# of Y), above it the cube of (L* + 16) / 116. Worked with a calculator.
@pytest.mark.parametrize(
    ("lightness", "duty"),
    [(0, 0.0), (1, 27 / 24389), (8, 216 / 24389), (10, 0.01126020), (50, 0.18418652), (75, 0.48278104), (100, 1.0)],
)
def test_values_worked_from_the_standard(lightness: float, duty: float) -> None:
    assert float(duty_of_lightness(np.array(lightness))) == pytest.approx(duty, abs=5e-9)


def test_the_two_branches_meet_at_eight() -> None:
    # A copy of the formula that goes round has them apart here.
    below, above = duty_of_lightness(np.array([8 - 1e-9, 8 + 1e-9]))
    assert above - below == pytest.approx(2e-9 * 27 / 24389, rel=1e-3)


@given(st.floats(0, 100))
def test_lightness_and_duty_lead_back_to_each_other(lightness: float) -> None:
    assert float(lightness_of_duty(duty_of_lightness(np.array(lightness)))) == pytest.approx(lightness, abs=1e-9)


def test_the_table_of_codes_is_the_curve_from_end_to_end_and_never_falls() -> None:
    assert len(DUTY_OF_CODE) == kernels.CODE_STEPS + 1
    assert (DUTY_OF_CODE[0], DUTY_OF_CODE[-1]) == (0, 1)
    assert (np.diff(DUTY_OF_CODE) > 0).all()


def test_screen_colours_are_srgb() -> None:
    duty = np.linspace(0, 1, 500)
    expected = np.rint(eotf_inverse_sRGB(duty) * 255)  # IEC 61966-2-1, as colour-science has it
    np.testing.assert_array_equal(screen_of_duty(duty), expected)
    np.testing.assert_array_equal(screen_of_duty(np.array([-1.0, 2.0])), [0, 255])


# ---- bytes ----


def one_string(chip: str = "ws2812b", keys: str = "", pixels: int = 1) -> Rig:
    row = chips()[chip]
    clock = "clock_pin = 17" if row.clocked else ""
    return rig_of(f"""
    [supply.shed]
    volts = {row.volts}
    amps = 10.0
    [controller.quay]
    board = "pico"
    [string.rail]
    controller = "quay"
    pin = 16
    pixels = {pixels}
    chip = "{chip}"
    {clock}
    {keys}
    [[string.rail.feed]]
    supply = "shed"
    """)


def wire(rig: Rig, *colours: tuple[float, float, float]) -> list[int]:
    """The bytes of one frame whose pixels have these codes."""
    light = np.array([colours], np.float32)
    return Wiring(rig).bytes_of(light)[0].tolist()


# Codes 1, 0.75, 0.5 are L* 100, 75, 50: duties 1, 0.48278, 0.18419; times 255: 255, 123.1, 47.0.
RED, GREEN, BLUE = 255, 123, 47
ORANGE = (1.0, 0.75, 0.5)


# Orders from the datasheets: see test_rig. WS2815 and WS2811 as their rows say.
@pytest.mark.parametrize(
    ("chip", "expected"),
    [
        ("ws2812b", [GREEN, RED, BLUE]),
        ("ws2812b-v5", [GREEN, RED, BLUE]),
        ("ws2813", [GREEN, RED, BLUE]),
        ("ws2815", [RED, GREEN, BLUE]),
        ("sk6812", [GREEN, RED, BLUE]),
        ("ws2811-12v", [RED, GREEN, BLUE]),
        ("apa102", [BLUE, GREEN, RED]),
        # What red, green and blue share goes to white: duties less 0.18419: 0.81581, 0.29859, 0; white 0.18419.
        ("sk6812-rgbw", [76, 208, 0, 47]),
    ],
)
def test_the_bytes_of_every_chip(chip: str, expected: list[int]) -> None:
    assert wire(one_string(chip), ORANGE) == expected


@pytest.mark.parametrize("order", ["rgb", "rbg", "grb", "gbr", "brg", "bgr"])
def test_every_order_of_three_colours(order: str) -> None:
    values = {"r": RED, "g": GREEN, "b": BLUE}
    assert wire(one_string(keys=f'order = "{order}"'), ORANGE) == [values[letter] for letter in order]


@pytest.mark.parametrize("order", ["grbw", "wrgb", "bgrw", "rwbg"])
def test_orders_of_four_colours(order: str) -> None:
    values = {"r": 208, "g": 76, "b": 0, "w": 47}
    assert wire(one_string("sk6812-rgbw", f'order = "{order}"'), ORANGE) == [values[letter] for letter in order]


def test_greys_on_four_colours_are_white_alone() -> None:
    rig = one_string("sk6812-rgbw")
    assert wire(rig, (1, 1, 1)) == [0, 0, 0, 255]
    assert wire(rig, (0.5, 0.5, 0.5)) == [0, 0, 0, 47]
    assert wire(rig, (0, 0, 1)) == [0, 0, 255, 0]


@pytest.mark.parametrize(("brightness", "expected"), [(0.5, [62, 128, 23]), (0.1, [12, 26, 5]), (0.0, [0, 0, 0])])
def test_brightness_scales_the_duty_of_its_string(brightness: float, expected: list[int]) -> None:
    # 0.5 x 123.11 = 61.55, 127.5, 23.48; 0.1 x 123.11 = 12.31, 25.5, 4.70: rounded to the nearest, halves up.
    assert wire(one_string(keys=f"brightness = {brightness}"), ORANGE) == expected


def test_skipped_pixels_stay_dark() -> None:
    rig = one_string(keys='skip = [1, "3-4"]', pixels=6)
    lit = np.array(wire(rig, *[(1, 1, 1)] * 6)).reshape(6, 3)
    assert lit.any(axis=1).tolist() == [True, False, True, False, False, True]


def test_codes_beyond_their_range_are_cut_to_it() -> None:
    assert wire(one_string(), (1.5, -0.5, 1.0)) == [0, 255, 255]


def test_each_string_has_its_own_bytes_where_the_rig_says() -> None:
    rig = rig_of(SMALL_RIG)  # 12 RGB pixels, then 6 RGBW
    light = np.zeros((2, 18, 3), np.float32)
    light[0, 11] = ORANGE
    light[1, 12] = ORANGE
    out = Wiring(rig).bytes_of(light)
    assert (out.shape, out.dtype) == ((2, 60), np.uint8)
    assert {int(i): int(out[0, i]) for i in out[0].nonzero()[0]} == {33: GREEN, 34: RED, 35: BLUE}
    assert {int(i): int(out[1, i]) for i in out[1].nonzero()[0]} == {36: 76, 37: 208, 39: 47}


@pytest.mark.parametrize("shape", [(1, 17, 3), (1, 18, 4), (18, 3)])
def test_light_of_another_shape_is_refused(shape: tuple[int, ...]) -> None:
    with pytest.raises(ValueError, match=r"light has shape .* the rig needs \(frames, 18, 3\)"):
        Wiring(rig_of(SMALL_RIG)).bytes_of(np.zeros(shape, np.float32))


def test_more_light_is_never_a_smaller_byte_and_every_byte_is_reached() -> None:
    rig = one_string()
    codes = np.linspace(0, 1, 60_000, dtype=np.float32)
    light = np.repeat(codes[:, None, None], 3, axis=2)
    out = Wiring(rig).bytes_of(light)[:, 0].astype(int)
    assert (np.diff(out) >= 0).all()
    assert np.unique(out).tolist() == list(range(256))
    # Against the curve itself: the nearest byte, but for codes within a table step of half-way between two.
    exact = luminance_CIE1976(codes.astype(np.float64) * 100, 1.0) * 255
    assert np.abs(out - exact).max() <= 0.5 + 255 * 3 / kernels.CODE_STEPS


@given(
    st.sampled_from([("ws2812b", "brg"), ("ws2812b", "grb"), ("apa102", "gbr"), ("sk6812-rgbw", "wrgb")]),
    st.lists(st.tuples(*[st.floats(0, 1, width=32)] * 3), min_size=1, max_size=4),
)
def test_bytes_lead_back_to_the_duty_they_carry(
    chip: tuple[str, str], colours: list[tuple[float, float, float]]
) -> None:
    rig = one_string(chip[0], f'order = "{chip[1]}"', pixels=len(colours))
    light = np.array([colours], np.float32)
    duty = Duties(rig).of(Wiring(rig).bytes_of(light))
    expected = luminance_CIE1976(light.astype(np.float64) * 100, 1.0)
    # Half a byte; RGBW rounds a colour and its white apart.
    assert np.abs(duty - expected).max() <= 1.01 / 255


def test_a_white_die_counts_to_all_three_and_is_cut_at_one() -> None:
    rig = one_string("sk6812-rgbw", 'order = "wrbg"')
    duty = Duties(rig).of(np.array([[51, 255, 0, 102]], np.uint8))  # white 0.2, red 1, blue 0, green 0.4
    assert duty[0, 0].tolist() == pytest.approx([1.0, 0.6, 0.2])


TWO_STRINGS = """
[supply.shed]
volts = 5.0
amps = 9.0
[controller.quay]
board = "pico"
[string.rail]
controller = "quay"
pin = 2
pixels = 5
[[string.rail.feed]]
supply = "shed"
[string.window]
controller = "quay"
pin = 3
pixels = 4
chip = "sk6812-rgbw"
order = "wrbg"
skip = [1]
[[string.window.feed]]
supply = "shed"
"""


@pytest.mark.parametrize("pixels", [None, [7, 0, 5, 5], [3, 1], [8, 6]])
def test_duties_of_some_pixels_are_picked_from_the_bytes_of_the_rig(pixels: list[int] | None) -> None:
    """Against each pixel's bytes picked by hand: five of g r b, then four of w r b g."""
    rig = rig_of(TWO_STRINGS)
    frames = np.random.default_rng(2).integers(0, 256, (6, 5 * 3 + 4 * 4), dtype=np.uint8)
    found = Duties(rig, None if pixels is None else np.array(pixels)).of(frames)
    assert found.dtype == np.float32 and found.shape == (6, 9 if pixels is None else len(pixels), 3)
    for place, pixel in enumerate(range(9) if pixels is None else pixels):
        g, r, b = frames[:, 3 * min(pixel, 4) :][:, :3].T / 255
        w, red, blue, green = frames[:, 15 + 4 * max(pixel - 5, 0) :][:, :4].T / 255
        wanted = (r, g, b) if pixel < 5 else (red + w, green + w, blue + w)
        assert found[:, place] == pytest.approx(np.minimum(np.array(wanted).T, 1), abs=1e-6)


def test_order_of_names_what_each_byte_carries() -> None:
    assert order_of(one_string("sk6812-rgbw", 'order = "wbgr"').strings["rail"]).tolist() == [3, 2, 1, 0]
