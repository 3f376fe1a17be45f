"""Where the renderer takes a short way, it arrives at the same bits as the long way, written out here."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from composer import effects, kernels
from composer.clock import Span
from composer.effects import Pace, Place, Times
from composer.effects.basis import lots
from composer.effects.chance import LATTICE, SHIFT, _field
from composer.effects.table import defaults
from composer.render import MIXES

F, N, PIXELS = 5, 7, 11
SHAPES = [(f, n) for f in (1, F) for n in (1, N)]


def dice(*shape: int) -> NDArray[np.float32]:
    return np.random.default_rng(list(shape)).random(shape, np.float32)


def laid(out: Any, pixels: Any, light: Any, cover: Any, opacity: Any, first: int, mix: str) -> Any:
    """What `kernels.lay` promises, number by number in float32."""
    out = out.copy()
    for f in range(len(opacity)):
        for n, pixel in enumerate(pixels):
            share = np.broadcast_to(cover, (F, N))[f, n] * opacity[f]
            for c in range(3):
                below, above = out[first + f, pixel, c], np.broadcast_to(light, (F, N, 3))[f, n, c]
                mixed = {
                    "replace": below + (above - below) * share,
                    "add": min(np.float32(1), below + above * share),
                    "max": max(below, above * share),
                }
                out[first + f, pixel, c] = mixed[mix]
    return out


@pytest.mark.parametrize("mix", MIXES)
@pytest.mark.parametrize("cover_shape", SHAPES)
@pytest.mark.parametrize("light_shape", SHAPES)
def test_laying_is_what_it_says_to_the_bit(
    mix: str, light_shape: tuple[int, int], cover_shape: tuple[int, int]
) -> None:
    out, light, cover, opacity = dice(F + 2, PIXELS, 3), dice(*light_shape, 3), dice(*cover_shape), dice(F)
    opacity[2] = 0
    cover[0, -1] = 0
    pixels = np.array([9, 0, 3, 10, 4, 1, 6], np.int32)
    expected = laid(out, pixels, light, cover, opacity, 2, mix)
    kernels.lay(out, pixels, light, cover, opacity, 2, MIXES[mix])
    assert np.array_equal(out, expected)


def test_a_clip_that_is_nowhere_changes_nothing() -> None:
    out = dice(F, PIXELS, 3)
    before = out.copy()
    pixels = np.arange(N, dtype=np.int32)
    kernels.lay(out, pixels, dice(F, N, 3), dice(F, N), np.zeros(F, np.float32), 0, kernels.REPLACE)
    kernels.lay(out, pixels, dice(F, N, 3), np.zeros((1, 1), np.float32), dice(F), 0, kernels.REPLACE)
    kernels.lay(out, pixels[:0], dice(F, 1, 3), dice(F, 1), dice(F), 0, kernels.REPLACE)
    assert np.array_equal(out, before)


@given(
    st.integers(0, 2**31 - 1),
    st.integers(-40, 40),
    st.lists(st.floats(-300, 300, width=32), min_size=1, max_size=9),
    st.floats(-30, 30, width=32),
)
def test_noise_at_a_place_is_drawn_from_the_two_whole_places_beside_it(
    seed: int, period: int, places: list[float], moved: float
) -> None:
    where, periods = np.array([places], np.float32), np.array([[period], [period + 3]], np.int64)
    away = np.array([[moved], [0]], np.float32)
    found = _field(where, away, periods, seed)
    for row, number in enumerate((period, period + 3)):
        shift = lots(seed, SHIFT, np.array([[number]]))
        for column in range(len(places)):
            at = (where[:1, column : column + 1] + shift - away[row : row + 1])[0, 0]
            cell = int(np.floor(at))
            part = at - np.float32(cell)
            part = part * part * part * (part * (part * 6 - 15) + 10)
            a, b = (
                lots(seed, LATTICE, np.array([[number]]), np.array([[cell + k]]))[0, 0] - np.float32(0.5)
                for k in (0, 1)
            )
            mixed = (a + (b - a) * part) / np.sqrt(part * part + (1 - part) * (1 - part))
            assert found[row, column] == np.float32(mixed)


def drawn(name: str, beats: NDArray[np.float64], **params: Any) -> tuple[Any, Any]:
    """Light (F, N, 3) and cover (F, N) of an effect on a string of 30 pixels over eight beats."""
    given = {
        key: Pace(v.beats, "beats") if isinstance(v, Span) else v for key, v in defaults(effects.EFFECTS[name]).items()
    }
    place = Place.of([[i * 0.1, 0.0] for i in range(30)])
    times = Times(beats, np.zeros(len(beats)), 8.0, 0.0)
    light, cover = effects.draw(name, times, place, given | params, 7)
    return np.broadcast_to(light, (len(beats), 30, 3)), np.broadcast_to(cover, (len(beats), 30))


@pytest.mark.parametrize("name", ["drift", "pile", "rings", "run", "scatter", "weave"])
def test_frames_drawn_together_across_a_step_are_those_drawn_alone(name: str) -> None:
    beats = np.arange(24) / 8 + 2.5  # over the step at 4
    light, cover = drawn(name, beats)
    for i in range(len(beats)):
        alone = drawn(name, beats[i : i + 1])
        assert np.array_equal(light[i : i + 1], alone[0])
        assert np.array_equal(cover[i : i + 1], alone[1])


@pytest.mark.parametrize("name", ["pile", "rings", "run", "scatter"])
def test_one_colour_looks_like_several_of_it(name: str) -> None:
    beats, red = np.arange(24) / 8, (1.0, 0.0, 0.0)
    one, many = drawn(name, beats, colour=(red,)), drawn(name, beats, colour=(red, red, red))
    assert one[1].any()
    assert np.array_equal(one[0], many[0])
    assert np.array_equal(one[1], many[1])


def test_rings_reach_each_pixel_by_its_distance_from_the_centre() -> None:
    from composer.effects.moving import _distance

    xy = [[0.0, 0.0], [0.3, 0.4], [0.6, 0.8], [-1.2, 0.5]]
    place = Place.of(xy)
    centre = np.array([0.1, -0.2])
    expected = [math.dist(point, centre) / place.pitch_m for point in xy]
    assert _distance(place, centre) == pytest.approx(expected, rel=1e-12)
    assert place.pitch_m == pytest.approx(0.5)  # the median of 0.5, 0.5 and 1.82 metres
