"""The one table: every effect and parameter is read, checked, used and documented from it."""

from __future__ import annotations

import json
import tomllib
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from effects_kit import at_beats, beats_of, colours, shows, string_of
from matplotlib.colors import CSS4_COLORS

from composer.clock import Span
from composer.effects import DRAWERS, Place, draw
from composer.effects.added import CLIP_KEYS
from composer.effects.colours import NAMED
from composer.effects.table import (
    EFFECTS,
    OURS,
    Effect,
    Param,
    Width,
    default_of,
    default_text,
    defaults,
    describe,
    parse_colour,
    parse_width,
    read_params,
    written,
)
from composer.faults import FaultList, Table

THIRTEEN = "hold blend swell accent gate run edge scatter pile weave drift rings gauge".split()
ALL = [(effect, param) for effect in EFFECTS.values() for param in effect.params]
IDS = [f"{effect.name}.{param.key}" for effect, param in ALL]


def read(effect: str, text: str, palette: dict[str, list[str]] | None = None) -> tuple[dict[str, Any], list[str]]:
    """Parameters and faults of a clip block with these lines."""
    faults = FaultList("score.toml")
    table = Table(tomllib.loads(text), "clip[1]", faults)
    params = read_params(table, EFFECTS[effect], palette or {})
    table.finish()
    return params, [str(fault) for fault in faults.faults]


def test_the_thirteen_effects_are_there_and_can_be_drawn() -> None:
    assert list(EFFECTS) == list(OURS) == THIRTEEN
    assert list(DRAWERS) == THIRTEEN
    assert [name for name, effect in EFFECTS.items() if effect.uses_sound] == ["gauge"]


@pytest.mark.parametrize(("effect", "param"), ALL, ids=IDS)
def test_no_parameter_takes_a_key_of_the_clip_itself(effect: Effect, param: Param) -> None:
    assert param.key not in CLIP_KEYS
    assert [p.key for p in effect.params].count(param.key) == 1
    assert effect.param(param.key) is param


@pytest.mark.parametrize("name", THIRTEEN)
def test_defaults_are_hashable_and_are_what_an_empty_clip_reads(name: str) -> None:
    params, faults = read(name, "")
    assert faults == []
    assert params == defaults(EFFECTS[name])
    hash(tuple(params.items()))


@pytest.mark.parametrize(
    ("effect", "param"),
    [c for c in ALL if c[1].default is not None],
    ids=[f"{e.name}.{p.key}" for e, p in ALL if p.default is not None],
)
def test_a_default_written_out_reads_as_the_default(effect: Effect, param: Param) -> None:
    params, faults = read(effect.name, f"{param.key} = {default_text(param)}")
    assert faults == []
    assert params[param.key] == default_of(param)


WRONG = {
    "number": ("'much'", 'needs a number, got the text "much"'),
    "whole": ("1.5", "needs a whole number, got the number 1.5"),
    "flag": ("1", "needs true or false, got the number 1"),
    "choice": ("'sideways'", '"sideways" is not one of'),
    "colours": ("7", 'needs a colour such as "#ff6a00" or "white", got the number 7'),
    "pace": ("2", 'a length of time needs quotes and a unit: {key} = "2 beats"'),
    "width": ("1", 'a width needs quotes and a unit: {key} = "1 pixel"'),
    "point": ("[1]", "needs a point [x, y] in metres, got a list"),
    "pattern": ("'x-x'", 'needs up to 64 steps, x on and . off, such as "x..x..x."'),
}


@pytest.mark.parametrize(("effect", "param"), ALL, ids=IDS)
def test_every_parameter_refuses_a_wrong_kind_and_goes_on_with_its_default(effect: Effect, param: Param) -> None:
    value, message = WRONG[param.kind]
    params, faults = read(effect.name, f"{param.key} = {value}")
    assert len(faults) == 1
    assert faults[0].startswith(f"score.toml: clip[1].{param.key}: {message.format(key=param.key)}")
    assert params[param.key] == default_of(param)


NUMBERS = [case for case in ALL if case[1].kind in ("number", "whole")]


@pytest.mark.parametrize(("effect", "param"), NUMBERS, ids=[f"{e.name}.{p.key}" for e, p in NUMBERS])
def test_every_number_has_two_ends_and_holds_them(effect: Effect, param: Param) -> None:
    assert param.low <= param.default <= param.high
    for beyond in (param.low - 1, param.high + 1):
        _, faults = read(effect.name, f"{param.key} = {json.dumps(beyond)}")
        assert len(faults) == 1 and "is out of range" in faults[0]


def test_times_widths_points_and_rhythms_read_as_values() -> None:
    params, faults = read("rings", 'every = "1 bar"\nspread = "0.5 s"\nwidth = "40 cm"\ncentre = [1, 2.5]')
    assert faults == []
    assert params["every"] == Span(bars=Fraction(1))
    assert params["spread"] == Span(seconds=Fraction(1, 2))
    assert params["width"] == Width(0.4, "metres")
    assert params["centre"] == (1.0, 2.5)
    assert read("gate", 'rhythm = "x.. X.."')[0]["rhythm"] == "x..x.."


@pytest.mark.parametrize(("text", "value", "unit"), [
    ("8 pixels", 8, "pixels"), ("1 pixel", 1, "pixels"), ("0.5 m", 0.5, "metres"), ("2 metres", 2, "metres"),
    ("12.5 %", 0.125, "share"), ("100%", 1, "share"),
])  # fmt: skip
def test_a_width_is_pixels_metres_or_a_share(text: str, value: float, unit: str) -> None:
    assert parse_width(text).value == pytest.approx(value)
    assert parse_width(text).unit == unit


@pytest.mark.parametrize("text", ["8", "-1 pixels", "8 feet", "%", ""])
def test_what_is_no_width_is_told_how_to_write_one(text: str) -> None:
    with pytest.raises(ValueError, match='is not a width: write "8 pixels", "0.5 m" or "20 %"'):
        parse_width(text)


@pytest.mark.parametrize("text", ['every = "0 beats"', "every = true", 'every = "two beats"', 'every = "2 beets"'])
def test_a_period_that_is_none_is_a_fault(text: str) -> None:
    params, faults = read("run", text)
    assert len(faults) == 1 and faults[0].startswith("score.toml: clip[1].every: ")
    assert params["every"] == Span(beats=Fraction(2))


def test_names_of_the_score_come_first_and_palettes_unfold() -> None:
    palette = {"ember": ["#ff6a00"], "dusk": ["#00f", "hotpink"], "red": ["#800000"]}
    params, faults = read("blend", 'colour = ["ember", "dusk", "red", "#0f0"]', palette)
    assert faults == []
    np.testing.assert_allclose(np.array(params["colour"]) * 255, [
        [255, 106, 0], [0, 0, 255], [255, 105, 180], [128, 0, 0], [0, 255, 0]])  # fmt: skip


@pytest.mark.parametrize(("text", "message"), [
    ('colour = "embr"', 'there is no colour "embr" (did you mean "ember"?)'),
    ('colour = ["white", "purpel"]', 'there is no colour "purpel" (did you mean "purple"?)'),
    ('colour = "#12"', '"#12" is not a colour: write "#ff6a00" or a name such as "white"'),
    ("colour = []", "needs at least one colour"),
])  # fmt: skip
def test_an_unknown_colour_is_a_fault_with_the_nearest(text: str, message: str) -> None:
    _, faults = read("hold", text, {"ember": ["#f60"]})
    assert len(faults) == 1 and message in faults[0]


def test_an_unknown_key_is_a_fault_with_the_nearest() -> None:
    _, faults = read("run", "puls = 3")
    assert faults == ['score.toml: clip[1].puls: unknown key (did you mean "pulses"?)']


@pytest.mark.parametrize("name", NAMED)
def test_plain_names_have_the_values_of_css_color_4(name: str) -> None:
    """Against matplotlib's copy of the named colours of CSS Color Module Level 4."""
    assert NAMED[name].upper() == str(CSS4_COLORS[name]).upper()
    assert parse_colour(name.upper()) == parse_colour(NAMED[name])


def test_hex_colours_are_their_codes() -> None:
    assert parse_colour("#ff6a00") == (1.0, 106 / 255, 0.0)
    assert parse_colour("#f60") == parse_colour("#ff6600")


# ---- a switch that no test flips is a rumour -------------------------------------------------------------------------

OTHER: dict[str, Any] = {
    "every": beats_of("3/2"), "decay": beats_of("3"), "spread": beats_of("5"), "width": Width(3, "pixels"),
    "tail": Width(5, "pixels"), "soft": Width(4, "pixels"), "gap": Width(2, "pixels"), "centre": (0.3, 0.4),
    "rhythm": "x..", "colour": colours("lime", "red", "navy"),
}  # fmt: skip
# What else must be set for a parameter to matter, by effect and key, or by key alone.
TWO, FADES = {"colour": colours("blue", "yellow")}, {"every": beats_of("4")}
NEEDS: dict[str, dict[str, Any]] = {
    "mixing": TWO, "strength": {"strength_in": 0.5}, "hold.every": TWO, "hold.crossfade": TWO,
    "hold.mixing": TWO | {"crossfade": 1.0}, "swell.direction": {"lag": 0.5}, "swell.axis": {"lag": 0.5},
    "accent.direction": {"width": Width(3, "pixels")}, "accent.axis": {"width": Width(3, "pixels")},
    "gate.axis": {"split": 3}, "gate.soft": {"every": beats_of("2")}, "edge.then": FADES,
    "weave.easing": {"glide": 0.5}, "pile.again": {"every": beats_of("1/4")}, "gauge.floor": {}, "drift.direction": {},
    "gauge.paint": TWO,
}  # fmt: skip


def other(param: Param) -> list[Any]:
    """Values that are not the default: every other choice, or one of the kind."""
    if param.kind == "choice":
        return [choice for choice in param.choices if choice != param.default]
    if param.kind == "flag":
        return [not param.default]
    if param.key == "soft" and param.kind == "number":
        return [0.7]
    if param.kind in ("number", "whole") and param.key not in OTHER:
        return [3 if param.kind == "whole" else (param.low + 3 * param.high) / 4 if param.high <= 1 else 2.5]
    return [OTHER[param.key]]


FLIPS = [(effect, param, value) for effect, param in ALL for value in other(param)]


@pytest.mark.parametrize(("effect", "param", "value"), FLIPS, ids=[f"{e.name}.{p.key}={v}"[:60] for e, p, v in FLIPS])
def test_every_parameter_changes_the_light(effect: Effect, param: Param, value: Any) -> None:
    needs = dict(NEEDS.get(f"{effect.name}.{param.key}", NEEDS.get(param.key, {})))
    times = at_beats(np.arange(96) / 12, 8.0, needs.pop("strength_in", 1.0), loud=0.3 + 0.4 * (np.arange(96) % 12) / 12)
    for i, band in enumerate(("low", "mid", "high")):
        times.sound[band] = times.sound["all"] * np.float32(0.3 + 0.2 * i)  # type: ignore[index]
    bent = Place.of([(0.1 * (7 * i % 23), 0.02 * i * (i % 3)) for i in range(23)])
    plain = shows(effect.name, times, bent, needs)
    flipped = shows(effect.name, times, bent, needs | {param.key: value})
    assert np.abs(plain - flipped).max() > 1 / 255


@pytest.mark.parametrize("name", ["scatter", "drift", "rings"])
def test_the_seed_changes_what_is_drawn_by_lot(name: str) -> None:
    params = {"anywhere": True} if name == "rings" else {}
    times, place = at_beats(np.arange(48) / 12), string_of(30)
    one, two, again = (shows(name, times, place, params, seed) for seed in (1, 2, 1))
    assert (one == again).all()
    assert np.abs(one - two).max() > 0.1


def test_an_unknown_parameter_is_refused() -> None:
    with pytest.raises(ValueError, match="run has no parameter colours"):
        draw("run", at_beats([0.0]), string_of(3), {"colours": colours("red")}, 1)


@pytest.mark.parametrize("name", THIRTEEN)
def test_help_names_every_key_with_its_default(name: str) -> None:
    text = describe(EFFECTS[name])
    assert text.startswith(f"{name}: {EFFECTS[name].help} (the trade says: {EFFECTS[name].trade})\n")
    for param in EFFECTS[name].params:
        assert f"  {param.key} = {default_text(param)}  {written(param)}: {param.help}\n" in text
