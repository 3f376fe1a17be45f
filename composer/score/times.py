"""Reads when and how long: moments, lengths, runs of bars, numbers along points. A fault shows how to write it."""

from __future__ import annotations

import re
from collections.abc import Callable
from fractions import Fraction
from typing import Any

from ..clock import Moment, Span, parse_moment, parse_span
from ..effects.table import Width, parse_width
from ..faults import Table, is_number, kind_of, range_text
from .written import MOST_POINTS, Points, Stretch


def read_span(table: Table, key: str) -> Span | None:
    """A length such as "2 bars" at a key, None without the key or with a fault, which says how to write it."""
    text = _quoted(table, key, "2 bars", unit=" beats")
    if text is None:
        return None
    try:
        return parse_span(text)
    except ValueError as error:
        table.fault(key, str(error))
        return None


def signed_span(table: Table, key: str) -> Span:
    """A length that may lie before: "1/2 beat", "-20 ms". Nothing without the key or with a fault."""
    text = _quoted(table, key, "1/2 beat", unit=" beats")
    if text is None:
        return Span()
    before = text.lstrip().startswith("-")
    try:
        span = parse_span(text.lstrip()[1:] if before else text)
    except ValueError as error:
        table.fault(key, str(error))
        return Span()
    return -span if before else span


def number_or_points(table: Table, key: str, default: float, low: float, high: float) -> float | Points:
    """A number, or points `[["1.1", 0.2], ["3.1", 1.0]]` in the clip's own bars and beats."""
    value = table.content.get(key)
    if not isinstance(value, list):
        number: float = table.number(key, default, low=low, high=high)
        return number

    def read(at: str, value: Any) -> float | None:
        if is_number(value) and low <= value <= high:
            return float(value)
        table.fault(at, f"needs a value, {range_text(low, high)}, got {kind_of(value)}")
        return None

    points = _points(table, key, f"{high:g}", read)
    return Points(points) if points else default


def wholes_along(table: Table, key: str, default: int, low: float, high: float) -> int | Points:
    """Points of whole numbers, `[["1.1", 1], ["3.1", 4]]`."""

    def read(at: str, value: Any) -> float | None:
        if is_number(value) and value == int(value) and low <= value <= high:
            return float(value)
        table.fault(at, f"needs a whole number, {range_text(low, high)}, got {kind_of(value)}")
        return None

    points = _points(table, key, f"{high:g}", read)
    return Points(points, whole=True) if points else default


def widths_along(table: Table, key: str, default: Width) -> Width | Points:
    """Points of widths, all in one unit, `[["1.1", "2 pixels"], ["3.1", "20 pixels"]]`."""
    units: list[str] = []

    def read(at: str, value: Any) -> float | None:
        if not isinstance(value, str):
            table.fault(at, f'needs a width in quotes such as "4 pixels", got {kind_of(value)}')
            return None
        try:
            width = parse_width(value)
        except ValueError as error:
            table.fault(at, str(error))
            return None
        units.append(width.unit)
        if width.unit != units[0]:
            table.fault(at, f'"{value}": all widths along points need one unit')
        return width.value

    points = _points(table, key, '"4 pixels"', read)
    return Points(points, unit=units[0]) if points else default


def _points(
    table: Table, key: str, example: str, read: Callable[[str, Any], float | None]
) -> tuple[tuple[Moment, float], ...]:
    """Points at a key, in the clip's own bars and beats; `read` takes a value, or tells the fault and gives None."""
    value = table.raw(key)
    if not 1 <= len(value) <= MOST_POINTS:
        table.fault(key, f"holds {len(value)} points, needs 1 to {MOST_POINTS}")
    points = []
    for i, item in enumerate(value):
        at = f"{key}[{i + 1}]"
        if not (isinstance(item, list) and len(item) == 2):
            table.fault(at, f'needs a place in the clip and a value, such as ["1.1", {example}], got {kind_of(item)}')
            continue
        place, number = item
        if is_number(place):
            shown = f'"{number}"' if isinstance(number, str) else number
            table.fault(at, f'a musical time needs quotes: ["{place}", {shown}]')
            continue
        if not isinstance(place, str):
            table.fault(at, f'needs a time in quotes such as "1.1", got {kind_of(place)}')
            continue
        amount = read(at, number)
        if amount is None:
            continue
        moment = moment_of(table, at, place)
        if moment is not None and moment.kind not in ("bar", "start", "end"):
            table.fault(at, f'"{place}": points count from the clip\'s own start, such as "1.1", or from its end')
        elif moment is not None:
            points.append((moment, amount))
    return tuple(points)


def moment_at(table: Table, key: str, in_phrase: bool) -> Moment | None:
    text = _quoted(table, key, "17.3")
    return None if text is None else moment_of(table, key, text, in_phrase)


def moment_of(table: Table, key: str, text: str, in_phrase: bool = False) -> Moment | None:
    try:
        moment = parse_moment(text)
    except ValueError as error:
        table.fault(key, str(error))
        return None
    if in_phrase and moment.kind != "bar":
        table.fault(key, f'"{text}": inside a phrase, times are bars and beats from its own start, such as "1.1"')
        return None
    return moment


def _quoted(table: Table, key: str, example: str, unit: str = "") -> str | None:
    """A time in quotes, or None. Unquoted, TOML reads 17.10 as 17.1, so that is a fault which shows the fix."""
    value = table.raw(key, None)
    if is_number(value):
        table.fault(key, f'a musical time needs quotes: {key} = "{value}{unit.rstrip("s") if value == 1 else unit}"')
        return None
    if table.has(key) and not isinstance(value, str):
        table.fault(key, f'needs a time in quotes such as "{example}", got {kind_of(value)}')
        return None
    return str(value) if table.has(key) else None


BARS = re.compile(r"\s*(-?\d{1,9})\s*(?:-\s*(\d{1,9}|end)\s*)?")


def stretch_of(table: Table, in_phrase: bool, needed: bool) -> Stretch | None:
    """`bars = "1-4"`, or `at` with `for` or `to`. Not `needed`: without any of them None, the whole song."""
    if table.has("bars"):
        for key in ("at", "for", "to"):
            if table.has(key):
                table.raw(key)
                table.fault(key, f"bars already says when: drop bars or {key}")
        return _bars(table, in_phrase)
    table.raw("bars", None)
    length, to = length_of(table), moment_at(table, "to", in_phrase)
    if table.has("to") and table.has("for"):
        table.fault("to", "for already says how long: drop for or to")
    at = moment_at(table, "at", in_phrase)
    if not table.has("at"):
        if needed or table.has("for") or table.has("to"):
            table.fault("at", 'is missing: say when, at = "17.1" with for = "2 bars", or bars = "17-18"')
        return None
    if not table.has("for") and not table.has("to"):
        table.fault("for", 'is missing: say how long, for = "2 bars" or to = "19.1"')
    return None if at is None else Stretch(at, to, length)


def _bars(table: Table, in_phrase: bool) -> Stretch | None:
    text = _quoted(table, "bars", "1-4")
    if text is None:
        return None
    match = BARS.fullmatch(text)
    if not match:
        table.fault("bars", f'"{text}" is not a run of bars: write "5", "1-4" or "41-end"')
        return None
    first, last = match.groups()
    if last == "end":
        if in_phrase:
            table.fault("bars", f'"{text}": a phrase has no end of its own, say the last bar')
        return Stretch(Moment("bar", bar=int(first)), Moment("end"))
    if last and int(last) < int(first):
        table.fault("bars", f'"{text}" runs backwards')
        return None
    return Stretch(Moment("bar", bar=int(first)), Moment("bar", bar=int(last or first) + 1))


def length_of(table: Table) -> Span | None:
    length = read_span(table, "for")
    if length is not None and not length.positive:
        table.fault("for", "a length is more than nothing")
        return None
    return length


def length_only(table: Table) -> Stretch:
    """A trigger's clip: the trigger says when, the clip only how long (a beat unless said)."""
    for key in ("at", "to", "bars"):
        if table.has(key):
            table.raw(key)
            table.fault(key, "the trigger says when; its clip says only how long, with for")
    return Stretch(Moment("start"), length=length_of(table) or Span(beats=Fraction(1)))
