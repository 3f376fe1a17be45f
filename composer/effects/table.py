"""One table of all effects and their parameters. It checks what a person wrote, and writes the help and EFFECTS.md.

No numpy here: a score is read and checked without it. How the light is made stands in the modules beside this one.

What a kind of parameter is, as written -> as read (every value is hashable, so it can be part of a cache's key):

    number    0.5                    -> float                whole   3              -> int
    flag      true                   -> bool                 choice  "forward"      -> str
    colours   "ember", ["#f60", ..]  -> tuple[RGB, ...]      pattern "x.xx"         -> str of "x" and "."
    pace      "2 beats", "1 bar"     -> clock.Span           width   "8 pixels"     -> Width
    point     [1.5, 2.0] (metres)    -> (float, float)
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from typing import Any, Literal

from ..clock import Span, parse_span
from ..faults import Table, is_number, kind_of, range_text
from .colours import RGB, parse_colour, read_colour, read_colours

Kind = Literal["number", "whole", "flag", "choice", "colours", "pace", "width", "point", "pattern"]
MOST_COLOURS = 64


@dataclass(frozen=True)
class Pace:
    """A period: so many beats, or so many seconds."""

    value: Fraction
    unit: Literal["beats", "seconds"]


@dataclass(frozen=True)
class Width:
    """A length along a zone: pixels, metres, or a share 0-1 of the zone."""

    value: float
    unit: Literal["pixels", "metres", "share"]


@dataclass(frozen=True)
class Param:
    """One parameter. `default` stands as a person would write it; None means what `help` says of it."""

    key: str
    kind: Kind
    default: Any
    help: str
    low: float = -math.inf
    high: float = math.inf
    choices: tuple[str, ...] = ()


@dataclass(frozen=True)
class Effect:
    """One effect: what it does in a line, the trade's word to find it by, its parameters in the order of the docs."""

    name: str
    help: str
    trade: str
    params: tuple[Param, ...]
    uses_sound: bool = False

    def param(self, key: str) -> Param:
        """The parameter of this key. Raises KeyError."""
        for param in self.params:
            if param.key == key:
                return param
        raise KeyError(f"{self.name} has no parameter {key}")


# ---- rows shared by several effects ------------------------------------------------------------------------------

DIRECTIONS = ("forward", "back", "out", "in")
EASINGS = ("linear", "ease", "ease-in", "ease-out")
MIXINGS = ("codes", "oklab")
AXES = ("string", "x", "y")
TURNS = ("leave", "round", "back")


def _colour(default: str | list[str], help: str) -> Param:
    return Param("colour", "colours", default, help)


def _every(default: str | None, help: str) -> Param:
    return Param("every", "pace", default, help)


def _width(default: str, help: str) -> Param:
    return Param("width", "width", default, help)


def _easing(default: str, help: str) -> Param:
    return Param("easing", "choice", default, help, choices=EASINGS)


def _strength(*more: str) -> Param:
    text = "what a trigger's strength scales" + (": the light, or the " + more[0] if more else "")
    return Param("strength", "choice", "light", text, choices=("light", *more, "nothing"))


_DIRECTION = Param(
    "direction", "choice", "forward", "which way along the axis; out = from the middle to both ends", choices=DIRECTIONS
)
_AXIS = Param("axis", "choice", "string", "along the zone's pixels, or across it by metres x or y", choices=AXES)
_MIXING = Param(
    "mixing", "choice", "codes", "how colours mix: code by code, or evenly to the eye, in OKLab", choices=MIXINGS
)
_PHASE = Param("phase", "number", 0.0, "share of a period by which it is ahead", 0.0, 1.0)


# ---- the effects -------------------------------------------------------------------------------------------------

_ALL = (
    Effect(
        "hold",
        "steady colour; several colours take turns",
        "static colour",
        (
            _colour("white", "one colour, or several that follow each other in time"),
            _every(None, "how long each colour stays; left out: the clip's length divided among them"),
            Param("crossfade", "number", 0.0, "share of that time spent going over to the next colour", 0.0, 1.0),
            _MIXING,
            _strength(),
        ),
    ),
    Effect(
        "blend",
        "colours that pass into each other along the zone, still or moving",
        "gradient",
        (
            _colour(["blue", "magenta"], "the colours, evenly spread; moving or repeated, the last leads to the first"),
            _every(None, "time in which the colours move once through the zone; left out: they stand still"),
            Param("repeat", "number", 1.0, "how many times the colours fit on the zone", 0.1, 100.0),
            _DIRECTION,
            _AXIS,
            _PHASE,
            _MIXING,
            _strength(),
        ),
    ),
    Effect(
        "swell",
        "light that grows or sinks",
        "fade, crescendo",
        (
            _colour("white", "one colour, or several passed through on the way"),
            Param("from", "number", 0.0, "the light it starts from, 0-1", 0.0, 1.0),
            Param("reach", "number", 1.0, "the light it reaches, 0-1", 0.0, 1.0),
            _every(None, "time for there and back, again and again; left out: once over the whole clip, there only"),
            _easing("ease", "how it gets there"),
            Param("lag", "number", 0.0, "share of the way by which the far end comes later", 0.0, 0.95),
            _DIRECTION,
            _AXIS,
            _MIXING,
            _strength(),
        ),
    ),
    Effect(
        "accent",
        "a hit: full at its first frame, then it decays",
        "bump, flash",
        (
            _colour("white", "one colour, or several passed through as it decays"),
            Param("decay", "pace", "1 beat", "time from full to dark"),
            _every(None, "hit again after this time; left out: once, at the clip's start"),
            _easing("ease-out", "ease-out falls fast at first, ease-in holds first"),
            _width("100 %", "how much of the zone is lit; with direction out, about its middle"),
            Param("soft", "width", "0 %", "width of the soft rim of the lit part"),
            Param("shrink", "number", 0.0, "how far the lit part closes up as it decays, 0-1", 0.0, 1.0),
            _DIRECTION,
            _AXIS,
            _MIXING,
            _strength("width"),
        ),
    ),
    Effect(
        "gate",
        "on and off on a subdivision, or to a rhythm; fast gates flash, see the audit",
        "chopper, strobe",
        (
            _colour("white", "one colour, or several that take turns, one each time it opens"),
            _every("1/2 beat", "length of a step; the first opens at the clip's start"),
            Param("open", "number", 0.5, "share of a step that it is on", 0.01, 1.0),
            Param("rhythm", "pattern", "x", 'steps that open and that stay shut, such as "x..x..x."'),
            Param("soft", "number", 0.0, "share of the open time spent falling; 0 is hard", 0.0, 1.0),
            Param("split", "whole", 1, "cut the zone into so many parts that take the steps in turn", 1, 64),
            _AXIS,
            _strength(),
        ),
    ),
    Effect(
        "run",
        "a pulse that travels, with a tail",
        "chase",
        (
            _colour("white", "one colour, or several that pulses take in turn"),
            _every("2 beats", "time from one end to the other; a pulse starts each time"),
            _width("8 %", "length of the full part of a pulse"),
            Param("tail", "width", "25 %", "length of the tail that fades behind it"),
            Param("pulses", "whole", 1, "pulses under way at once", 1, 16),
            Param("turn", "choice", "leave", "at the end: leave it, come round, or go back", choices=TURNS),
            _easing("linear", "how it gets from end to end"),
            _DIRECTION,
            _AXIS,
            _PHASE,
            _strength("width"),
        ),
    ),
    Effect(
        "edge",
        "a boundary that moves and leaves its colour behind",
        "wipe",
        (
            _colour("white", "one colour, or several, each painted over the one before"),
            _every(None, "time of one crossing; left out: the clip's length divided by its crossings"),
            Param(
                "then",
                "choice",
                "again",
                "the next crossing: starts again, draws back, or clears what was painted",
                choices=("again", "back", "clear"),
            ),
            Param("soft", "width", "0 %", "width over which the boundary is soft"),
            _easing("linear", "how it crosses"),
            _DIRECTION,
            _AXIS,
            _strength(),
        ),
    ),
    Effect(
        "scatter",
        "random pixels that light up and fade",
        "twinkle",
        (
            _colour("white", "one colour, or several drawn by lot"),
            _every("1/2 beat", "how often lots are drawn"),
            Param("share", "number", 0.15, "share of the pixels lit by each draw", 0.0, 1.0),
            Param("decay", "pace", "1 beat", "how long a pixel takes to fade; at most 16 draws long"),
            Param("rise", "number", 0.0, "share of that time spent growing; 0 is at once", 0.0, 0.9),
            Param("together", "flag", True, "all on the step; false: spread over it, as stars do"),
            _width("1 pixels", "how many neighbours light up as one"),
            _strength("share"),
        ),
    ),
    Effect(
        "pile",
        "pieces that fall and heap up, each landing on its step",
        "stack",
        (
            _colour("white", "one colour, or several that pieces take in turn"),
            _every(None, "time between landings; left out: so that the heap is full one step before the clip ends"),
            _width("6.25 %", "length of a piece"),
            Param("fall", "number", 1.0, "how long a piece falls, in steps", 0.1, 8.0),
            _easing("ease-in", "ease-in falls as a stone does"),
            Param("again", "flag", False, "start a new heap when it is full; false: it stays"),
            _DIRECTION,
            _AXIS,
            _strength(),
        ),
    ),
    Effect(
        "weave",
        "a repeating colour pattern that steps along",
        "marquee",
        (
            _colour(["red", "white"], "the colours of the pattern, in order"),
            _every("1 beat", "time of one step"),
            _width("4 pixels", "length of one colour"),
            Param("gap", "width", "0 %", "length after each colour where nothing is covered"),
            Param("step", "number", 1.0, "how many of those widths further each step goes", 0.0, 16.0),
            Param("glide", "number", 0.0, "share of a step spent moving; 0 jumps, 1 never rests", 0.0, 1.0),
            _easing("ease", "how it moves within that share"),
            _DIRECTION,
            _AXIS,
            _PHASE,
            _strength(),
        ),
    ),
    Effect(
        "drift",
        "slow smooth noise, as clouds or embers",
        "noise",
        (
            _colour(["navy", "teal"], "the colours it moves between; one colour: it comes and goes"),
            _every("4 beats", "time in which it becomes something new"),
            _width("30 %", "size of a patch"),
            Param("flow", "number", 0.0, "how many patches it moves along the axis in that time", -16.0, 16.0),
            Param("detail", "number", 0.3, "how much fine structure, 0-1", 0.0, 1.0),
            Param("contrast", "number", 1.4, "1 is even; more goes oftener to the outer colours", 0.0, 8.0),
            Param(
                "axis",
                "choice",
                "string",
                "along the zone's pixels, across by x or y, or over the plane",
                choices=(*AXES, "plane"),
            ),
            _DIRECTION,
            _MIXING,
            _strength(),
        ),
    ),
    Effect(
        "rings",
        "circles that spread from a point over the metres of the rig",
        "ripple",
        (
            _colour("white", "one colour, or several that rings take in turn"),
            _every("2 beats", "time between rings; the first starts at the clip's start"),
            Param("spread", "pace", "2 beats", "time to reach the farthest pixel, at most 16 times `every`"),
            _width("12 %", "width of a ring; a share is of the way it spreads"),
            Param("tail", "width", "20 %", "width of what fades behind it"),
            Param("centre", "point", None, "the point [x, y] in metres; left out: the middle of the zone"),
            Param("anywhere", "flag", False, "each ring starts at a pixel drawn by lot and crosses the zone"),
            Param("dim", "number", 0.5, "how much it has dimmed at the far end, 0-1", 0.0, 1.0),
            Param("direction", "choice", "out", "from the point, or closing in on it", choices=("out", "in")),
            _easing("linear", "how it spreads"),
            _strength("width"),
        ),
    ),
    Effect(
        "gauge",
        "a length, or a light, that follows the sound",
        "level meter",
        (
            _colour("white", "one colour, or several along the zone"),
            Param("band", "choice", "all", "which part of the sound", choices=("low", "mid", "high", "all")),
            Param("shows", "choice", "length", "the loudness as a length, or as light", choices=("length", "light")),
            Param("floor", "number", 0.0, "loudness that counts as nothing, 0-1", 0.0, 0.95),
            Param("gain", "number", 1.0, "how much more than it is", 0.0, 10.0),
            Param("soft", "width", "2 %", "width over which the end is soft"),
            Param(
                "paint",
                "choice",
                "place",
                "colours by the place on the zone, or by the loudness",
                choices=("place", "loudness"),
            ),
            _DIRECTION,
            _AXIS,
            _MIXING,
            _strength(),
        ),
        uses_sound=True,
    ),
)

OURS = tuple(effect.name for effect in _ALL)
EFFECTS: dict[str, Effect] = {effect.name: effect for effect in _ALL}  # those of other packages come in by `added`


# ---- reading what a person wrote ---------------------------------------------------------------------------------

_WIDTH = re.compile(r"\s*(\d+(?:\.\d+)?)\s*(pixels?|metres?|m|cm|%)\s*")
WIDTH_TEXT = '"8 pixels", "0.5 m" or "20 %"'


def parse_width(text: str) -> Width:
    """`8 pixels`, `0.5 m` (or `metres`, `cm`) or `20 %`. Raises ValueError saying how to write it."""
    match = _WIDTH.fullmatch(text)
    if not match:
        raise ValueError(f'"{text}" is not a width: write {WIDTH_TEXT}')
    value, unit = float(match[1]), match[2]
    if unit.startswith("pixel"):
        return Width(value, "pixels")
    if unit == "%":
        return Width(value / 100, "share")
    return Width(value / 100 if unit == "cm" else value, "metres")


def read_params(table: Table, effect: Effect, colours: Mapping[str, Sequence[str]]) -> dict[str, Any]:
    """The effect's own keys of a clip, every one of them, defaults filled in; values as the module says, all hashable.

    Faults are collected in the table, with `colours` (name -> written colours) known beside the plain names.
    """
    return {param.key: _read(table, param, colours) for param in effect.params}


def _read(table: Table, param: Param, colours: Mapping[str, Sequence[str]]) -> Any:
    key = param.key
    if not table.has(key):
        table.raw(key, None)  # asked for, so that the key counts as known
        return default_of(param)
    if param.kind == "number":
        return table.number(key, param.default, low=param.low, high=param.high)
    if param.kind == "whole":
        return table.whole(key, param.default, low=param.low, high=param.high)
    if param.kind == "flag":
        return table.flag(key, param.default)
    if param.kind == "choice":
        return table.choice(key, param.choices, param.default)
    if param.kind == "colours":
        return read_colours(table, key, colours, MOST_COLOURS) or default_of(param)
    value = _READERS[param.kind](table, key)
    return default_of(param) if value is None else value


def _counted(value: float, unit: str) -> str:
    return f"{value:g} {unit}" if value == 1 else f"{value:g} {unit}s"


def _pace(table: Table, key: str) -> Span | None:
    value = table.raw(key)
    if is_number(value):
        table.fault(key, f'a length of time needs quotes and a unit: {key} = "{_counted(value, "beat")}"')
        return None
    if not isinstance(value, str):
        table.fault(key, f'needs a length of time such as "2 beats", got {kind_of(value)}')
        return None
    try:
        span = parse_span(value)
    except ValueError as error:
        table.fault(key, str(error))
        return None
    if not span.positive:
        table.fault(key, f'"{value}" is no time at all: it must be more than 0')
        return None
    return span


def _width_at(table: Table, key: str) -> Width | None:
    value = table.raw(key)
    if is_number(value):
        table.fault(key, f'a width needs quotes and a unit: {key} = "{_counted(value, "pixel")}"')
        return None
    if not isinstance(value, str):
        table.fault(key, f"needs a width such as {WIDTH_TEXT}, got {kind_of(value)}")
        return None
    try:
        return parse_width(value)
    except ValueError as error:
        table.fault(key, str(error))
        return None


def _point(table: Table, key: str) -> tuple[float, float] | None:
    value = table.raw(key)
    if not (isinstance(value, list) and len(value) == 2 and all(is_number(v) and abs(v) <= 1e5 for v in value)):
        table.fault(key, f"needs a point [x, y] in metres, got {kind_of(value)}")
        return None
    return float(value[0]), float(value[1])


def _pattern(table: Table, key: str) -> str | None:
    value = table.raw(key)
    steps = "".join(value.split()) if isinstance(value, str) else ""
    if not re.fullmatch(r"[xX.]{1,64}", steps):
        table.fault(key, f'needs up to 64 steps, x on and . off, such as "x..x..x.", got {kind_of(value)}')
        return None
    return steps.lower()


_READERS = {"pace": _pace, "width": _width_at, "point": _point, "pattern": _pattern}


@cache
def _parsed(kind: Kind, text: Any) -> Any:
    if kind == "pace":
        return parse_span(text)
    if kind == "width":
        return parse_width(text)
    return tuple(parse_colour(word) for word in ([text] if isinstance(text, str) else text))


def default_of(param: Param) -> Any:
    """A parameter's default as `read_params` gives it."""
    if param.default is None or param.kind not in ("pace", "width", "colours"):
        return param.default
    return _parsed(param.kind, tuple(param.default) if isinstance(param.default, list) else param.default)


def defaults(effect: Effect) -> dict[str, Any]:
    """All defaults of an effect as `read_params` gives them."""
    return {param.key: default_of(param) for param in effect.params}


# ---- help --------------------------------------------------------------------------------------------------------


def written(param: Param) -> str:
    """What may be written for a parameter, in a few words."""
    if param.kind == "choice":
        return ", ".join(f'"{word}"' for word in param.choices)
    if param.kind in ("number", "whole"):
        what = "a number" if param.kind == "number" else "a whole number"
        return f"{what}, {range_text(param.low, param.high)}"
    return _WRITTEN[param.kind]


def default_text(param: Param) -> str:
    """A parameter's default as TOML, or "left out"."""
    if param.default is None:
        return "left out"
    return json.dumps(param.default, ensure_ascii=False)


def describe(effect: Effect) -> str:
    """An effect and its parameters as plain text, for a terminal."""
    lines = [f"{effect.name}: {effect.help} (the trade says: {effect.trade})", ""]
    lines += [f"  {p.key} = {default_text(p)}  {written(p)}: {p.help}" for p in effect.params]
    return "\n".join(lines) + "\n"


_WRITTEN = {
    "flag": "true or false",
    "colours": "a colour, or a list of them",
    "pace": 'a time, such as "2 beats", "1 bar", "0.5 s"',
    "width": f"a width, {WIDTH_TEXT}",
    "point": "a point [x, y], metres",
    "pattern": "steps, x on and . off",
}

__all__ = [
    "AXES", "DIRECTIONS", "EASINGS", "EFFECTS", "MIXINGS", "OURS", "RGB", "Effect", "Kind", "Pace", "Param", "Span",
    "Width", "default_of", "default_text", "defaults", "describe", "parse_colour", "parse_width", "read_colour",
    "read_params", "written",
]  # fmt: skip
