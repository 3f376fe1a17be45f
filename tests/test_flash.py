"""Flashes a second, just under and just over each of WCAG's figures.

Source of the figures: W3C, WCAG 2.1 and 2.2, "general flash and red flash thresholds", and its working definitions
of a red flash; a quarter of the field and "more than three in any one-second period" are from the same place.
"""

from __future__ import annotations

import itertools
import tomllib
from fractions import Fraction
from pathlib import Path
from typing import Any

import colour
import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from composer.faults import FaultList
from composer.flash import FlashAudit, largest_of, photometry
from composer.rig import Rig, chips, rig_from

Frames = npt.NDArray[np.uint8]
DARK, WHITE = (0, 0, 0), (255, 255, 255)


def rig_of(pixels: int, chip: str = "ws2813", zones: str = "") -> Rig:
    """One string in r, g, b order."""
    faults = FaultList("rig.toml")
    text = f"""
    [supply.shed]
    volts = 5.0
    amps = 10.0
    [controller.quay]
    board = "pico"
    [string.rail]
    controller = "quay"
    pin = 16
    pixels = {pixels}
    chip = "{chip}"
    order = "rgb"
    [[string.rail.feed]]
    supply = "shed"
    [zone]
    {zones}
    """
    rig = rig_from(tomllib.loads(text), Path("rig.toml"), faults)
    faults.raise_if_any()
    return rig


def audit(rig: Rig, frames: Frames, times_us: npt.NDArray[np.int64] | None = None) -> dict[str, Any]:
    """Audit frames (n, pixels, 3), every 25 ms unless said."""
    flashes = FlashAudit(rig)
    times = np.arange(len(frames)) * 25_000 if times_us is None else times_us
    flashes.add(times, frames.reshape(len(frames), -1))
    return flashes.result()


def blinking(per_s: int, one: tuple[int, ...], other: tuple[int, ...], pixels: int = 1, seconds: int = 4) -> Frames:
    """Pixel 0 holds white, so that "largest" is known; the others change from one to other `per_s` times a second."""
    frames = np.zeros((40 * seconds, pixels + 1, 3), np.uint8)
    frames[:, 0] = WHITE
    period = 40 // per_s
    on = np.arange(len(frames)) % period < period // 2
    frames[:, 1:] = np.where(on[:, None, None], one, other)
    return frames


def general(one: tuple[int, ...], other: tuple[int, ...], chip: str = "ws2813") -> int:
    rig = rig_of(2, chip, 'lamp = ["rail[1]"]')
    return int(audit(rig, blinking(4, one, other))["zones"]["lamp"]["worst_per_s"])


def red(one: tuple[int, ...], other: tuple[int, ...]) -> int:
    rig = rig_of(2, zones='lamp = ["rail[1]"]')
    return int(audit(rig, blinking(4, one, other))["zones"]["lamp"]["red_worst_per_s"])


# ---- how often ----


def notes(bpm: Fraction, notes_per_beat: int, seconds: int = 8) -> dict[str, Any]:
    """White for half of each note, dark for the other half, 24 frames a beat, as the frame clock rounds them."""
    beats = int(seconds * bpm / 60)
    starts = [int(i * 60_000_000 / bpm) for i in range(beats + 1)]
    times = [a + i * (b - a) // 24 for a, b in itertools.pairwise(starts) for i in range(24)]
    note = 24 // notes_per_beat
    on = np.arange(len(times)) % note < note // 2
    frames = np.where(on[:, None, None], WHITE, DARK).astype(np.uint8)
    return audit(rig_of(1), frames, np.array(times))


@pytest.mark.parametrize(
    ("bpm", "notes_per_beat", "worst"),
    [
        (89, 2, 3), (90, 2, 3), (91, 2, 4),  # eighths: 3 a second at 90
        (179, 1, 3), (180, 1, 3), (181, 1, 4),  # beats: 180
        (59, 3, 3), (60, 3, 3), (61, 3, 4),  # triplets: 60
        (44, 4, 3), (45, 4, 3), (46, 4, 4),  # sixteenths: 45
        (120, 2, 4), (119, 2, 4), (121, 2, 5),  # four a second at 120; 121 puts a fifth into the half-open second
    ],
)  # fmt: skip
def test_notes_that_flash_once_each(bpm: int, notes_per_beat: int, worst: int) -> None:
    # notes a second = bpm x notes a beat / 60; k of them fall in a half-open second when k - 1 periods are shorter.
    result = notes(Fraction(bpm), notes_per_beat)
    assert result["worst_per_s"] == worst
    assert result["ok"] is (worst <= 3)


@pytest.mark.parametrize("bpm", range(70, 180, 7))
def test_exact_thirds_never_become_four_by_rounding(bpm: int) -> None:
    # Three flashes a second at any tempo: a note is bpm/180 of a beat. Times are rounded down to the microsecond.
    period = Fraction(1_000_000, 3)
    times = np.array([int(i * period / 8) + bpm for i in range(8 * 20)])
    on = np.arange(len(times)) % 8 < 4
    frames = np.where(on[:, None, None], WHITE, DARK).astype(np.uint8)
    assert audit(rig_of(1), frames, times)["worst_per_s"] == 3


def test_fades_count_once_up_and_once_down() -> None:
    # Raised cosines, 2 a second: many small steps make one transition.
    x = np.arange(160) / 20
    light = np.round(127.5 - 127.5 * np.cos(2 * np.pi * x)).astype(np.uint8)
    assert audit(rig_of(1), np.repeat(light[:, None, None], 3, axis=2))["worst_per_s"] == 2


def test_ripple_below_the_threshold_adds_no_flash() -> None:
    # 2 flashes a second, on each of them a ripple of 9 % of the largest, 20 a second.
    frames = blinking(2, (230, 230, 230), DARK)[:, 1:]
    frames[::2] = np.where(frames[::2] > 0, 253, 0)
    assert audit(rig_of(1), frames)["worst_per_s"] == 2


# ---- how much ----


def test_a_swing_of_a_tenth_of_the_largest() -> None:
    # 25/255 = 0.098, 26/255 = 0.102.
    assert general((25, 25, 25), DARK) == 0
    assert general((26, 26, 26), DARK) == 4


@pytest.mark.parametrize(
    ("under", "over"),
    [
        # WCAG weights: 0.2126 x 119/255 = 0.0992, x 120 = 0.1000(5); 0.7152 x 35/255 = 0.0982, x 36 = 0.1010.
        ((119, 0, 0), (120, 0, 0)),
        ((0, 35, 0), (0, 36, 0)),
        # WS2813A manual p.5, 320 of 2300 mcd: 0.1391 x 183/255 = 0.0998, x 184 = 0.1004. By WCAG's 0.0722 never.
        ((0, 0, 183), (0, 0, 184)),
    ],
)
def test_a_tenth_by_the_stricter_of_wcag_and_the_chip(under: tuple[int, ...], over: tuple[int, ...]) -> None:
    assert general(under, DARK) == 0
    assert general(over, DARK) == 4


def test_ws2812b_red_is_brighter_than_wcag_thinks() -> None:
    # Worldsemi WS2812B datasheet, middle of the ranges: 405 of 1285 mcd = 0.3152; x 80/255 = 0.0989, x 81 = 0.1001.
    assert general((80, 0, 0), DARK, "ws2812b") == 0
    assert general((81, 0, 0), DARK, "ws2812b") == 4


def test_photometry_of_the_datasheets() -> None:
    # WS2813A: 480, 1500, 320 mcd sum to the sheet's 2300 for white. WS2812B: 0.32, 0.54, 0.15 to two digits.
    assert photometry(chips()["ws2813"]) == pytest.approx((480 / 2300, 1500 / 2300, 320 / 2300))
    assert photometry(chips()["ws2812b"]) == pytest.approx((0.32, 0.54, 0.15), abs=0.006)


def test_the_darker_state_must_be_below_80_percent() -> None:
    # 204/255 is 0.8 exactly: not below.
    assert general(WHITE, (204, 204, 204)) == 0
    assert general(WHITE, (203, 203, 203)) == 4


def test_a_fall_through_80_percent_counts_when_it_gets_there() -> None:
    # From white through 89 % (no flash: both states above 80 %) to 50 % and back, 4 a second.
    frames = blinking(4, WHITE, (128, 128, 128))
    frames[5::10, 1] = 228
    assert audit(rig_of(2, zones='lamp = ["rail[1]"]'), frames)["zones"]["lamp"]["worst_per_s"] == 4


def test_a_dim_flash_at_night_is_a_flash() -> None:
    # The whole show at 1/255: the 10 % are of its own largest, not of full white.
    frames = blinking(4, (1, 1, 1), DARK)[:, 1:]
    assert audit(rig_of(1), frames)["worst_per_s"] == 4


def test_a_dark_show_has_no_flash() -> None:
    result = audit(rig_of(3), np.zeros((100, 3, 3), np.uint8))
    assert (result["worst_per_s"], result["red_worst_per_s"], result["ok"]) == (0, 0, True)


# ---- red ----


def test_the_older_red_needs_four_fifths_of_red() -> None:
    # 255/(255 + 63) = 0.802, 255/(255 + 64) = 0.799. u'v' of both lies within 0.2 of red, so black alone counts.
    assert red((255, 63, 0), DARK) == 4
    assert red((255, 64, 0), DARK) == 0


def test_the_older_red_needs_a_change_of_more_than_20_in_320() -> None:
    # 320 x 15/255 = 18.8, 320 x 16/255 = 20.08.
    assert red((15, 0, 0), DARK) == 0
    assert red((16, 0, 0), DARK) == 4


def test_red_to_orange_counts_by_the_older_definition_only() -> None:
    # Orange (1, .2, 0): R/(R+G+B) = .833, (R-G-B) x 320 = 256 against 320; u'v' only 0.126 from red.
    assert red((255, 0, 0), (255, 51, 0)) == 4


def test_red_to_bright_magenta_counts_by_the_newer_definition() -> None:
    # u'v' of magenta is 0.2419 from red (IEC 61966-2-1 primaries).
    assert red((255, 0, 0), (255, 0, 255)) == 4


def cycle(*colours: tuple[int, int, int]) -> int:
    """Red flashes of a pixel that goes through these colours twice a second, the last one held."""
    frames = np.zeros((160, 2, 3), np.uint8)
    frames[:, 0] = WHITE
    period = np.array([*colours, *[colours[-1]] * (20 - len(colours))], np.uint8)
    frames[:, 1] = np.tile(period, (8, 1))
    return int(audit(rig_of(2, zones='lamp = ["rail[1]"]'), frames)["zones"]["lamp"]["red_worst_per_s"])


def test_a_slow_fade_into_red_is_one_transition() -> None:
    # By the newer definition alone: redness changes by 320 x (30 - 15)/255 = 19. Neighbouring steps lie near each
    # other in u'v', the ends 0.24 apart.
    fade = [(30, 0, 0), (30, 0, 6), (30, 0, 9), (40, 0, 20), (80, 0, 60), (255, 0, 240)]
    assert cycle(*fade, *fade[::-1]) == 2


def test_transitions_in_one_direction_are_no_pair() -> None:
    # Dim amber, dim red, bright amber (R/(R+G+B) = 0.71, 1, 0.74), near each other in u'v': the rise involves a
    # saturated red, the fall from amber to amber does not.
    assert cycle((40, 0, 0), (255, 90, 0), (20, 8, 0)) <= 1


def test_no_saturated_red_no_red_flash() -> None:
    assert red(WHITE, DARK) == 0
    assert red((0, 255, 0), (0, 0, 255)) == 0


def test_red_flashes_fail_a_show_that_has_no_general_ones() -> None:
    # Red 16/255 on dark: 0.2126 x 16/255 = 0.013 of the largest.
    frames = blinking(4, (16, 0, 0), DARK, pixels=3)
    result = audit(rig_of(4), frames)
    assert (result["worst_per_s"], result["red_worst_per_s"], result["ok"]) == (0, 4, False)


colours = st.tuples(*[st.integers(0, 255)] * 3)
reds = st.builds(lambda r, share: (r, int(r * share), 0), st.integers(40, 255), st.floats(0, 0.3))


@settings(deadline=None, max_examples=60)
@given(st.one_of(colours, reds), colours)
@example((255, 0, 0), (255, 255, 255))
@example((255, 0, 0), (0, 0, 255))
def test_any_two_colours_flash_by_the_definitions_as_a_colour_library_computes_them(
    one: tuple[int, int, int], other: tuple[int, int, int]
) -> None:
    # Two states in turn, 4 a second. Reference: colour-science's u'v' (CIE 1976), from sRGB's primaries.
    a, b = np.array(one) / 255, np.array(other) / 255
    weights = [np.array([0.2126, 0.7152, 0.0722]), np.array(photometry(chips()["ws2813"]))]
    flashes = any(abs(w @ a - w @ b) >= 0.1 - 1e-9 and min(w @ a, w @ b) < 0.8 for w in weights)
    assert general(one, other) == (4 if flashes else 0)

    def saturated(c: npt.NDArray[np.float64]) -> bool:
        return bool(c.sum() > 0 and c[0] >= 0.8 * c.sum() - 1e-9)

    def uv(c: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        # Darker than 20/320 counts as dark, and dark as the white point.
        seen = c if c.max() > 20 / 320 else np.ones(3)
        xyz = colour.RGB_to_XYZ(seen, "sRGB", apply_cctf_decoding=False)
        return np.asarray(colour.xy_to_Luv_uv(colour.XYZ_to_xy(xyz)))

    def redness(c: npt.NDArray[np.float64]) -> float:
        return max(0.0, float(c[0] - c[1] - c[2])) * 320

    older = (saturated(a) or saturated(b)) and abs(redness(a) - redness(b)) > 20
    lit = [saturated(c) and c.max() > 20 / 320 for c in (a, b)]
    apart = float(np.hypot(*(uv(a) - uv(b))))
    assume(abs(apart - 0.2) > 0.001)
    newer = any(lit) and apart > 0.2
    assert red(one, other) == (4 if older or newer else 0)


# ---- how many pixels ----


@pytest.mark.parametrize(("flashing", "worst"), [(24, 0), (25, 4)])
def test_a_quarter_of_the_pixels(flashing: int, worst: int) -> None:
    frames = np.zeros((160, 100, 3), np.uint8)
    frames[:, -1] = WHITE
    frames[:, :flashing] = blinking(4, WHITE, DARK)[:, 1:]
    result = audit(rig_of(100), frames)
    assert result["rig"]["worst_per_s"] == worst
    assert result["ok"] is (worst == 0)


def test_a_zone_is_flagged_by_its_own_quarter() -> None:
    frames = np.zeros((160, 100, 3), np.uint8)
    frames[:, :4] = blinking(4, WHITE, DARK)[:, 1:]
    rig = rig_of(100, zones='lamp = ["rail[0:16]"]\nposts = ["rail[0:17]"]')
    result = audit(rig, frames)
    assert {name: zone["ok"] for name, zone in result["zones"].items()} == {"rail": True, "lamp": False, "posts": True}
    assert result["ok"] is False


def test_pixels_in_antiphase_count_together() -> None:
    frames = np.zeros((160, 8, 3), np.uint8)
    frames[:, 0:1] = blinking(4, WHITE, DARK)[:, 1:]
    frames[:, 1:2] = blinking(4, DARK, WHITE)[:, 1:]
    assert audit(rig_of(8), frames)["rig"]["worst_per_s"] == 4


def test_pixels_that_flash_in_different_seconds_do_not() -> None:
    frames = np.zeros((400, 8, 3), np.uint8)
    frames[40:80, 0:1] = blinking(4, WHITE, DARK, seconds=1)[:, 1:]
    frames[200:240, 1:2] = blinking(4, WHITE, DARK, seconds=1)[:, 1:]
    assert audit(rig_of(8), frames)["rig"]["worst_per_s"] == 0


def test_two_halves_at_two_a_second_in_turn_are_told_as_four_together() -> None:
    # WCAG leaves open whether areas that take turns add up; told, not judged.
    frames = np.zeros((160, 8, 3), np.uint8)
    frames[:, :4] = blinking(2, WHITE, DARK)[:, 1:]
    frames[:, 4:] = np.roll(blinking(2, WHITE, DARK)[:, 1:], 5, axis=0)
    result = audit(rig_of(8), frames)
    assert (result["worst_per_s"], result["rig"]["together_per_s"], result["ok"]) == (2, 4, True)


def test_skipped_pixels_are_no_part_of_the_rig() -> None:
    text = 'lamp = ["rail[0]"]'
    rig = rig_of(4, zones=text)
    rail = rig.strings["rail"]
    object.__setattr__(rail, "skip", frozenset({0, 1, 2}))
    frames = np.zeros((160, 4, 3), np.uint8)
    frames[:, 3:] = blinking(4, WHITE, DARK)[:, 1:]
    assert audit(rig, frames)["rig"]["worst_per_s"] == 4


# ---- when ----


def test_the_worst_second_and_the_spans_are_named() -> None:
    # 10 s dark, then 4 a second from 3 s to 5 s; the first rise is at 3 s.
    frames = np.zeros((400, 1, 3), np.uint8)
    frames[120:200] = blinking(4, WHITE, DARK, seconds=2)[:, 1:]
    result = audit(rig_of(1), frames)
    assert result["at_s"] == pytest.approx(3.0)
    ((begin, end),) = result["rig"]["over_s"]
    assert begin == pytest.approx(2.75, abs=0.01)  # the first second with four rises: (2.75, 3.75]
    assert end == pytest.approx(5.0, abs=0.3)


def test_the_seam_from_last_frame_to_first_counts() -> None:
    # Two flashes in the last half second, two in the first: never more than two in a second but across the seam.
    frames = np.zeros((400, 1, 3), np.uint8)
    frames[[4, 5, 10, 11, 384, 385, 392, 393]] = 255
    result = audit(rig_of(1), frames)
    assert (result["worst_per_s"], result["ok"]) == (4, False)
    assert result["at_s"] == pytest.approx(384 * 0.025, abs=0.051)


def test_a_seam_from_light_to_dark_is_a_transition() -> None:
    # Dark for 0.3 s, lit for 0.2 s, played again and again: two flashes a second though the show holds one rise.
    frames = np.zeros((20, 1, 3), np.uint8)
    frames[12:] = 255
    assert audit(rig_of(1), frames)["worst_per_s"] == 2


# ---- how it is fed ----


@settings(deadline=None, max_examples=20)
@given(st.integers(0, 2**32 - 1), st.lists(st.integers(1, 40), min_size=1, max_size=12))
def test_chunks_and_a_known_largest_change_nothing(seed: int, sizes: list[int]) -> None:
    rng = np.random.default_rng(seed)
    rig = rig_of(5, zones='lamp = ["rail[1:4]"]')
    frames = rng.integers(0, 256, (sum(sizes), 15), dtype=np.uint8) * (rng.random((sum(sizes), 1)) < 0.4)
    frames = frames.astype(np.uint8)
    times = np.cumsum(rng.integers(10_000, 60_000, len(frames)))
    whole, parts, known = FlashAudit(rig), FlashAudit(rig), FlashAudit(rig, largest=largest_of(rig, [frames]))
    whole.add(times, frames)
    at = 0
    for size in sizes:
        parts.add(times[at : at + size], frames[at : at + size])
        known.add(times[at : at + size], frames[at : at + size])
        at += size
    assert whole.result() == parts.result() == known.result() == known.result()


@settings(deadline=None, max_examples=20)
@given(st.integers(0, 2**32 - 1), st.integers(2, 12))
def test_a_brightness_cap_hides_no_flash(seed: int, dimmer: int) -> None:
    # The same show at 1/dimmer of the light has the same flashes.
    frames = np.random.default_rng(seed).integers(0, 255 // dimmer + 1, (120, 4, 3), dtype=np.uint8)
    assert audit(rig_of(4), frames) == audit(rig_of(4), frames * np.uint8(dimmer))


def test_white_channel_is_light() -> None:
    faults = FaultList("rig.toml")
    text = """
    supply.shed = {volts = 5.0, amps = 10.0}
    controller.quay = {board = "pico"}
    string.rail = {controller = "quay", pin = 2, pixels = 1, chip = "sk6812-rgbw", feed = [{supply = "shed"}]}
    """
    rgbw = rig_from(tomllib.loads(text), Path("rig.toml"), faults)
    faults.raise_if_any()
    frames = np.zeros((160, 4), np.uint8)
    frames[:, 3] = blinking(4, WHITE, DARK)[:, 1, 0]
    flashes = FlashAudit(rgbw)
    flashes.add(np.arange(160) * 25_000, frames)
    assert flashes.result()["worst_per_s"] == 4
    assert flashes.result()["red_worst_per_s"] == 0


def test_likely_mistakes_are_named() -> None:
    flashes = FlashAudit(rig_of(1))
    with pytest.raises(ValueError, match="no frames"):
        flashes.result()
    with pytest.raises(ValueError, match=r"need uint8 \(n, 3\)"):
        flashes.add(np.arange(2), np.zeros((2, 4), np.uint8))
    with pytest.raises(ValueError, match="did you pass seconds"):
        flashes.add(np.zeros(2, np.int64), np.zeros((2, 3), np.uint8))
    with pytest.raises(ValueError, match="2 frames need as many times"):
        flashes.add(np.arange(3), np.zeros((2, 3), np.uint8))


# ---- the area rule ----


def row_of(pixels: int, pitch_m: float) -> Rig:
    faults = FaultList("rig.toml")
    text = f"""
    [supply.shed]
    volts = 5.0
    amps = 10.0
    [controller.quay]
    board = "pico"
    [string.rail]
    controller = "quay"
    pin = 16
    pixels = {pixels}
    order = "rgb"
    path = [[0, 0], [{(pixels - 1) * pitch_m}, 0]]
    [[string.rail.feed]]
    supply = "shed"
    """
    rig = rig_from(tomllib.loads(text), Path("rig.toml"), faults)
    faults.raise_if_any()
    return rig


def seen_from(distance_m: float, rig: Rig, flashing: list[int], per_s: int = 4) -> dict[str, Any]:
    """The area rule's finding where some pixels of a row flash white."""
    frames = np.zeros((160, rig.pixels, 3), np.uint8)
    on = np.arange(160) % (40 // per_s) < 20 // per_s
    frames[np.ix_(on, flashing)] = 255
    flashes = FlashAudit(rig, distance_m=distance_m)
    flashes.add(np.arange(160) * 25_000, frames.reshape(160, -1))
    return flashes.result()


@pytest.mark.parametrize(
    ("distance_m", "flashing", "ok"),
    [
        # Pixels 10 cm apart stand for 0.01 m2 each: from 2 m 0.0025 sr, so two are under 0.006 sr and three over.
        (2.0, [40, 41], True),
        (2.0, [40, 41, 42], False),
        # A field of 10 degrees is 35 cm wide at 2 m: three that are a metre apart are in fields of their own.
        (2.0, [40, 50, 60], True),
        # From 1.25 m one is 0.0064 sr; from 1.3 m 0.0059 sr.
        (1.25, [40], False),
        (1.3, [40], True),
        # From 10 m a field is 1.75 m wide, 18 pixels of 0.0001 sr: a row can never fill 0.006 sr.
        (10.0, list(range(100)), True),
    ],
)
def test_the_area_that_flashes_in_a_field_of_10_degrees(distance_m: float, flashing: list[int], ok: bool) -> None:
    found = seen_from(distance_m, row_of(100, 0.1), flashing)
    assert found["area"]["ok"] is ok
    assert found["area"]["distance_m"] == distance_m
    assert found["area"]["worst_per_s"] == (4 if not ok else 0)


def test_three_a_second_are_not_too_many_in_any_area() -> None:
    assert seen_from(2.0, row_of(100, 0.1), list(range(40, 50)), 2)["area"]["ok"] is True


def test_the_area_rule_flags_and_excuses_nothing() -> None:
    rig = row_of(100, 0.1)
    near = seen_from(2.0, rig, [40, 41, 42])  # 3 of 100 pixels: no quarter of any zone
    assert near["rig"]["ok"] is True and near["ok"] is False
    far = seen_from(10.0, rig, list(range(100)))
    assert far["area"]["ok"] is True and far["ok"] is False


def test_without_a_distance_there_is_no_area() -> None:
    rig = rig_of(2)
    assert audit(rig, blinking(4, WHITE, DARK))["area"] is None
