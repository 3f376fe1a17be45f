"""An effect is a pure function: any frames in any order, alone or together, have the same bits, and make sense."""

from __future__ import annotations

import os
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from effects_kit import BANDS
from hypothesis import given, settings
from hypothesis import strategies as st

from composer.effects import Pace, Place, Times, draw
from composer.effects.table import EFFECTS, Param, Width

EXAMPLES = int(os.environ.get("GLOWSCORE_EXAMPLES", "60"))

_paces = st.builds(
    Pace,
    st.fractions(min_value=Fraction(1, 12), max_value=16, max_denominator=12).filter(lambda v: v > 0),
    st.sampled_from(["beats", "seconds"]),
)
_widths = st.one_of(
    st.builds(Width, st.floats(0, 1), st.just("share")),
    st.builds(Width, st.floats(0, 30), st.just("pixels")),
    st.builds(Width, st.floats(0, 3), st.just("metres")),
)
_code = st.floats(0, 1, width=32)
_KINDS: dict[str, Any] = {
    "flag": st.booleans(),
    "colours": st.lists(st.tuples(_code, _code, _code), min_size=1, max_size=4).map(tuple),
    "pace": _paces,
    "width": _widths,
    "point": st.tuples(st.floats(-2, 5), st.floats(-2, 5)),
    "pattern": st.text("x.", min_size=1, max_size=9),
}


def _values(param: Param) -> Any:
    if param.kind == "number":
        return st.floats(param.low, param.high)
    if param.kind == "whole":
        return st.integers(int(param.low), int(param.high))
    return st.sampled_from(param.choices) if param.kind == "choice" else _KINDS[param.kind]


def _clips(name: str) -> Any:
    """Some of an effect's parameters, each anything that the table allows."""
    return st.fixed_dictionaries({}, optional={param.key: _values(param) for param in EFFECTS[name].params})


_effects = st.sampled_from(sorted(EFFECTS)).flatmap(lambda name: st.tuples(st.just(name), _clips(name)))
_places = st.one_of(
    st.lists(st.tuples(st.floats(-3, 3), st.floats(-3, 3)), min_size=1, max_size=40).map(Place.of),
    st.integers(1, 60).map(lambda n: Place.of([(0.05 * i, 0.0) for i in range(n)])),
    st.integers(1, 6).map(lambda n: Place.of([(0.1 * x, 0.1 * y) for y in range(n) for x in range(5)])),
    st.integers(1, 5).map(lambda n: Place.of([(1.0, 1.0)] * n)),
)


def some_times(frames: int, per_beat: int, length: float, strength: float) -> Times:
    beats = np.arange(frames) / per_beat
    loud = np.abs((beats * 0.7) % 2 - 1).astype(np.float32)
    return Times(beats, beats * 0.45, length, length * 0.45, {band: loud for band in BANDS}, strength)


def pick(times: Times, frames: Any) -> Times:
    sound = {band: loud[frames] for band, loud in times.sound.items()}
    return Times(times.beats[frames], times.seconds[frames], times.length_beats, times.length_s, sound, times.strength)


def drawn(name: str, times: Times, place: Place, params: dict[str, Any], seed: int) -> tuple[Any, Any]:
    light, cover = draw(name, times, place, params, seed)
    shape = (len(times.beats), len(place.index))
    return np.broadcast_to(light, (*shape, 3)), np.broadcast_to(cover, shape)


@settings(max_examples=EXAMPLES, deadline=None)
@given(
    _effects,
    _places,
    st.sampled_from([12, 20, 37]),
    st.sampled_from([0.0, 0.25, 1.0]),
    st.integers(0, 2**31 - 1),
    st.integers(1, 40),
)
def test_groups_of_any_size_have_the_same_bits_and_sane_values(
    effect: tuple[str, dict[str, Any]], place: Place, per_beat: int, strength: float, seed: int, size: int
) -> None:
    name, params = effect
    times = some_times(80, per_beat, 80 / per_beat, strength)
    light, cover = drawn(name, times, place, params, seed)
    assert light.dtype == cover.dtype == np.float32
    assert np.isfinite(light).all() and np.isfinite(cover).all()
    assert light.min() >= 0 and light.max() <= 1 and cover.min() >= 0 and cover.max() <= 1
    for first in range(0, 80, size):
        part_light, part_cover = drawn(name, pick(times, slice(first, first + size)), place, params, seed)
        assert (part_light == light[first : first + size]).all()
        assert (part_cover == cover[first : first + size]).all()


@pytest.mark.parametrize("name", sorted(EFFECTS))
@pytest.mark.parametrize("size", [1, 7, 40])
def test_defaults_in_groups_of_1_7_and_40_from_the_middle_and_backwards(name: str, size: int) -> None:
    place = Place.of([(0.03 * i, 0.1 * (i % 2)) for i in range(211)])
    times = some_times(160, 20, 8.0, 1.0)
    light, cover = drawn(name, times, place, {}, 5)
    order = [*range(80, 160, size), *range(0, 80, size)]
    for first in reversed(order):
        frames = slice(first, min(first + size, 160))
        part_light, part_cover = drawn(name, pick(times, frames), place, {}, 5)
        assert (part_light == light[frames]).all() and (part_cover == cover[frames]).all()
    shuffled = np.random.default_rng(3).permutation(160)
    part_light, part_cover = drawn(name, pick(times, shuffled), place, {}, 5)
    assert (part_light == light[shuffled]).all() and (part_cover == cover[shuffled]).all()


@pytest.mark.parametrize("name", sorted(EFFECTS))
def test_an_effect_leaves_what_it_is_given_alone(name: str) -> None:
    place, times = Place.of([(0.1 * i, 0.0) for i in range(20)]), some_times(30, 12, 2.5, 0.5)
    arrays: list[Any] = [times.beats, times.seconds, *times.sound.values()]
    for array in [*arrays, place.index, place.along, place.metres, place.xy]:
        array.flags.writeable = False
    params: dict[str, Any] = {"colour": np.array([[1, 0, 0], [0, 0.5, 1]], np.float32)}
    params["colour"].flags.writeable = False
    first = drawn(name, times, place, params, 9)
    second = drawn(name, times, place, params, 9)
    assert (first[0] == second[0]).all() and (first[1] == second[1]).all()


@pytest.mark.parametrize("name", sorted(set(EFFECTS) - {"gauge"}))
def test_with_paces_in_beats_the_tempo_changes_nothing(name: str) -> None:
    place, slow = Place.of([(0.1 * i, 0.0) for i in range(20)]), some_times(60, 12, 5.0, 1.0)
    fast = Times(slow.beats, slow.seconds / 3, slow.length_beats, slow.length_s / 3, slow.sound)
    for one, two in zip(drawn(name, slow, place, {}, 4), drawn(name, fast, place, {}, 4), strict=True):
        assert (one == two).all()


@pytest.mark.parametrize("name", ["run", "edge", "rings", "weave", "pile", "swell", "blend"])
def test_what_moves_moves_smoothly_at_any_rate(name: str) -> None:
    """A sixteenth of a pixel further changes no pixel by more than about a sixteenth of its light."""
    place = Place.of([(0.1 * i, 0.0) for i in range(32)])
    params: dict[str, Any] = {"glide": 1.0, "easing": "linear"} if name == "weave" else {}
    if name == "pile":
        params["every"] = Pace(Fraction(1), "beats")
    times = some_times(400, 512, 8.0, 1.0)  # less than the first beat: nothing new starts
    seen = drawn(name, times, place, params, 4)
    shown = seen[0] * seen[1][:, :, None]
    assert np.abs(np.diff(shown, axis=0)).max() < 0.1
