"""Colour and chance against outside values: CIE 1976, OKLab, splitmix64."""

from __future__ import annotations

import numpy as np
import pytest
from effects_kit import colours

from composer.effects.basis import from_oklab, gradient, lots, mix64, single, to_oklab
from composer.effects.page import on_screen

colour = pytest.importorskip("colour", reason="colour-science is a test-only library")

RAMP = np.linspace(0, 1, 41)
SAMPLES = np.array([[r, g, b] for r in (0, 0.3, 0.8, 1) for g in (0, 0.05, 0.6, 1) for b in (0, 0.2, 0.9, 1)])


def linear(codes: np.ndarray) -> np.ndarray:
    """Codes to duty by colour-science's CIE 1976 luminance."""
    return np.asarray(colour.colorimetry.luminance_CIE1976(100 * codes, 100.0)) / 100


def test_oklab_agrees_with_colour_science() -> None:
    """colour-science goes over XYZ (IEC 61966-2-1 matrix, rounded), Ottosson's text goes straight: to 1e-3."""
    matrix = colour.RGB_COLOURSPACES["sRGB"].matrix_RGB_to_XYZ
    expected = colour.XYZ_to_Oklab(linear(SAMPLES) @ matrix.T)
    np.testing.assert_allclose(to_oklab(SAMPLES), expected, atol=1e-3)


def test_oklab_of_the_red_primary_is_ottossons() -> None:
    """Bjoern Ottosson (2020), linear sRGB (1, 0, 0): L 0.6280, a 0.2249, b 0.1258; white L 1, a and b 0."""
    np.testing.assert_allclose(to_oklab([1.0, 0.0, 0.0]), [0.6280, 0.2249, 0.1258], atol=1e-4)
    np.testing.assert_allclose(to_oklab([1.0, 1.0, 1.0]), [1, 0, 0], atol=1e-4)


def test_oklab_and_back_is_the_same_colour() -> None:
    np.testing.assert_allclose(from_oklab(to_oklab(SAMPLES)), SAMPLES, atol=1e-6)


@pytest.mark.parametrize("mixing", ["codes", "oklab"])
@pytest.mark.parametrize("closed", [False, True])
def test_a_gradient_has_its_own_colours_at_its_stops(mixing: str, closed: bool) -> None:
    stops = single(colours("red", "gold", "navy", "white"))
    at = np.arange(4) / (4 if closed else 3)
    np.testing.assert_allclose(gradient(stops, at, mixing, closed), stops, atol=1e-6)


def test_between_two_colours_the_codes_go_straight() -> None:
    stops = single([[0.2, 0.9, 0.0], [0.6, 0.1, 1.0]])
    expected = stops[0] + (stops[1] - stops[0]) * RAMP[:, None]
    np.testing.assert_allclose(gradient(stops, RAMP), expected, atol=1 / 2048)


def test_between_two_colours_oklab_goes_straight() -> None:
    """Inside the gamut, so that nothing is clipped: the path is a straight line of colour-science's OKLab."""
    stops = single([[0.5, 0.3, 0.2], [0.3, 0.5, 0.6]])
    matrix = colour.RGB_COLOURSPACES["sRGB"].matrix_RGB_to_XYZ
    path = colour.XYZ_to_Oklab(linear(gradient(stops, RAMP, "oklab").astype(float)) @ matrix.T)
    np.testing.assert_allclose(path, path[0] + (path[-1] - path[0]) * RAMP[:, None], atol=1e-3)


def test_the_screen_shows_the_luminance_of_the_code() -> None:
    grey = np.repeat(RAMP[:, None], 3, axis=1)
    decoded = colour.models.eotf_sRGB(on_screen(grey) / 255.0)
    np.testing.assert_allclose(decoded[:, 0], linear(RAMP), atol=0.5 / 255 * 2.5)


def test_the_mixing_step_is_that_of_splitmix64() -> None:
    """First outputs of splitmix64 for the seed 1234567, as published on Rosetta Code (Pseudo-random numbers)."""
    states = (1234567 + np.arange(1, 6, dtype=np.uint64) * np.uint64(0x9E3779B97F4A7C15)).astype(np.uint64)
    assert mix64(states).tolist() == [
        6457827717110365317, 3203168211198807973, 9817491932198370423, 4593380528125082431, 16408922859458223821,
    ]  # fmt: skip


def test_lots_are_even_and_independent_of_their_neighbours() -> None:
    """100,000 lots: each of 16 bins within 5 standard deviations (sqrt(6250 x 15/16) = 77) of its share."""
    drawn = lots(11, 1, np.arange(100)[:, None], np.arange(1000))
    assert drawn.min() >= 0 and drawn.max() < 1
    assert np.abs(np.histogram(drawn, 16, (0, 1))[0] - 6250).max() < 5 * 77
    for other in (lots(11, 2, np.arange(100)[:, None], np.arange(1000)), np.roll(drawn, 1, 0), np.roll(drawn, 1, 1)):
        assert abs(np.corrcoef(drawn.ravel(), other.ravel())[0, 1]) < 5 / 100_000**0.5
