"""Where the pixels of a string hang: along a line of points, or from a file of places. Metres, x to the right, y up."""

from __future__ import annotations

import csv
import itertools
import math
from pathlib import Path
from typing import Any

from .faults import Table, is_number

DEFAULT_PITCH_M = 1 / 30

Point = tuple[float, float]


def places_of(table: Table, pixels: int, path: Path) -> tuple[Point, ...]:
    """The places of a string's pixels from its keys `path` or `csv` (a file beside the rig file at `path`).

    With neither, a straight line from the origin at 30 pixels a metre. Faults are collected in the table.
    """
    given = [key for key in ("path", "csv") if table.has(key)]
    if len(given) > 1:
        table.fault("csv", "a string hangs along either path or csv, not both")
    if table.has("csv"):
        table.raw("path", None)
        return _places_from_csv(table, pixels, path)
    table.raw("csv", None)
    points = table.list_of("path", "points [x, y] in metres", _is_point, [])
    if table.has("path") and (not isinstance(table.content["path"], list) or len(points) < 2):
        table.fault("path", "needs at least two points [[x, y], [x, y]]")
    if len(points) < 2:
        points = [[0.0, 0.0], [DEFAULT_PITCH_M * max(pixels - 1, 1), 0.0]]
    elif all(point == points[0] for point in points):
        table.fault("path", "has no length")
    return along([(float(x), float(y)) for x, y in points], pixels)


def _is_point(value: Any) -> bool:
    return isinstance(value, list) and len(value) == 2 and all(is_number(v) and abs(v) <= 1e5 for v in value)


def along(points: list[Point], pixels: int) -> tuple[Point, ...]:
    """`pixels` places evenly along a line of straight pieces, the first at its start, the last at its end."""
    lengths = [math.dist(a, b) for a, b in itertools.pairwise(points)]
    total = sum(lengths)
    places, piece, before = [], 0, 0.0
    for i in range(pixels):
        at = total * i / (pixels - 1) if pixels > 1 else 0.0
        while piece < len(lengths) - 1 and at > before + lengths[piece]:
            before += lengths[piece]
            piece += 1
        share = (at - before) / lengths[piece] if lengths[piece] else 0.0
        (ax, ay), (bx, by) = points[piece], points[piece + 1]
        places.append((ax + (bx - ax) * share, ay + (by - ay) * share))
    return tuple(places)


def _places_from_csv(table: Table, pixels: int, path: Path) -> tuple[Point, ...]:
    """Places from a file of `x,y` lines in metres, one a pixel; a first line of words is a heading."""
    stand_in = along([(0.0, 0.0), (1.0, 0.0)], pixels)
    name = table.text("csv")
    if name != table.content["csv"]:
        return stand_in
    file = path.parent / name
    try:
        rows = list(csv.reader(file.read_text(encoding="utf-8-sig").splitlines()))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        table.fault("csv", f'"{name}" cannot be read: {getattr(error, "strerror", None) or "not a text file"}')
        return stand_in
    places = []
    for number, row in enumerate(rows, 1):
        if not row:
            continue
        try:
            x, y = (float(cell) for cell in row[:2])
        except ValueError:
            if number > 1:
                table.fault("csv", f'"{name}" line {number}: needs x,y in metres')
            continue
        if not (math.isfinite(x) and math.isfinite(y)):
            table.fault("csv", f'"{name}" line {number}: needs x,y in metres')
        places.append((x, y))
    if len(places) != pixels:
        table.fault("csv", f'"{name}" holds {len(places)} places, the string has {pixels} pixels')
        return stand_in
    return tuple(places)
