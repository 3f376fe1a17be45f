"""Where the pixels of a string hang: along points, a line of a drawing, from a file of places, in a grid.

Metres, x to the right, y up.
"""

from __future__ import annotations

import csv
import itertools
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

from .faults import Table, is_number, kind_of

KEYS = ("path", "svg", "csv", "grid")
DEFAULT_PITCH_M = 1 / 30
ROW_M = 0.25  # between strings whose places the rig does not say
FARTHEST_M = 1e5  # from the origin, to a side and up

Point = tuple[float, float]


@dataclass(frozen=True)
class Ground:
    """What places are read against: the rig file's folder, and the metres that a drawing's whole width stands for.

    `counted`: how many pixels there are is known. `row`: how many strings before this one say no places either.
    """

    folder: Path
    drawing_m: float | None = None
    counted: bool = True
    row: int = 0


class Hung(NamedTuple):
    """The places of a string's pixels, and the metres of strip from one to the next where it hangs along a line.

    `pitch_m` is None where the places alone are known.
    """

    places: tuple[Point, ...]
    pitch_m: float | None = None


def places_of(table: Table, pixels: int, ground: Ground) -> Hung:
    """The places of a string's pixels, from one of its keys `path`, `svg`, `csv`, `grid`.

    With none, a straight line to the right at 30 pixels a metre, from the origin or, with `ground.row`, below it.
    Faults are collected in the table.
    """
    readers = {"path": _from_path, "svg": _from_svg, "csv": _from_csv, "grid": _from_grid}
    given = [key for key in readers if table.has(key)]
    for key in readers:
        table.raw(key, None)
    if len(given) > 1:
        table.fault(given[1], f"a string hangs along one of {', '.join(readers)}: drop {given[0]} or {given[1]}")
    y = -ROW_M * ground.row if ground.row else 0.0
    straight = Hung(along([(0.0, y), (DEFAULT_PITCH_M * max(pixels - 1, 1), y)], pixels))
    hung = readers[given[0]](table, pixels, ground) if given else None
    return hung if hung is not None and hung.places else straight


def _from_path(table: Table, pixels: int, ground: Ground) -> Hung | None:
    points = table.list_of("path", "points [x, y] in metres", _is_point, [])
    if not table.sound("path"):
        return None
    if len(points) < 2:
        table.fault("path", "needs at least two points [[x, y], [x, y]]")
        return None
    if all(point == points[0] for point in points):
        table.fault("path", "has no length")
    return _along_strip([(float(x), float(y)) for x, y in points], pixels)


def _from_svg(table: Table, pixels: int, ground: Ground) -> Hung | None:
    """Pixels evenly along a line of a drawing: svg = "front.svg#rail"."""
    from .drawing import svg_line

    text = table.text("svg")
    if not table.sound("svg"):
        return None
    file, hash_sign, name = text.rpartition("#")
    if not hash_sign or not file or not name:
        table.fault("svg", 'needs a file and the id of a line in it, such as "front.svg#rail"')
        return None
    if ground.drawing_m is None:
        table.fault("svg", "the rig must say what the drawing's whole width stands for: [drawing] width = METRES")
        return None
    try:
        line = svg_line(ground.folder / file, name, ground.drawing_m)
    except ValueError as error:
        table.fault("svg", f'"{file}" {error}' if not str(error).startswith('"') else f'"{file}": {error}')
        return None
    if not all(_is_near(x, y) for x, y in line):
        table.fault("svg", f'"{text}" goes out farther than {FARTHEST_M:g} metres')
        return None
    return _along_strip(line, pixels)


def _along_strip(line: list[Point], pixels: int) -> Hung:
    """Pixels evenly along a line: the strip goes round its corners, where the straight way is shorter."""
    metres = sum(math.dist(a, b) for a, b in itertools.pairwise(line))
    return Hung(along(line, pixels), metres / max(pixels - 1, 1))


def _from_grid(table: Table, pixels: int, ground: Ground) -> Hung | None:
    """Pixels in rows, the wire running to and fro between them unless `serpentine = false`."""
    grid = table.table("grid")
    columns = grid.whole("columns", low=1, high=100_000)
    pitch = grid.number("pitch", low=1e-4, high=100.0)
    at = grid.raw("at", [0.0, 0.0])
    serpentine = grid.flag("serpentine", True)
    down = grid.choice("rows", ("up", "down"), "up") == "down"
    grid.finish()
    if not _is_point(at):
        grid.fault("at", f"needs the place [x, y] of pixel 0, got {kind_of(at)}")
        return None
    if columns < 1 or not pitch:
        return None
    if pixels % columns and ground.counted:
        grid.fault("columns", f"{pixels} pixels do not fill rows of {columns}")
    places = []
    for i in range(pixels):
        row, column = divmod(i, columns)
        if serpentine and row % 2:
            column = columns - 1 - column
        places.append((at[0] + column * pitch, at[1] + (-row if down else row) * pitch))
    return Hung(tuple(places))


def _is_point(value: Any) -> bool:
    return isinstance(value, list) and len(value) == 2 and all(map(is_number, value)) and _is_near(*value)


def _is_near(x: float, y: float) -> bool:
    return abs(x) <= FARTHEST_M and abs(y) <= FARTHEST_M


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


def _from_csv(table: Table, pixels: int, ground: Ground) -> Hung | None:
    """Places from a file of `x,y` lines in metres, one a pixel; a first line of words is a heading."""
    name = table.text("csv")
    if name != table.content["csv"]:
        return None
    file = ground.folder / name
    try:
        rows = list(csv.reader(file.read_text(encoding="utf-8-sig").splitlines()))
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        table.fault("csv", f'"{name}" cannot be read: {getattr(error, "strerror", None) or "not a text file"}')
        return None
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
        if not _is_near(x, y):
            table.fault("csv", f'"{name}" line {number}: needs x,y in metres, at most {FARTHEST_M:g}')
        places.append((x, y))
    if len(places) != pixels:
        if ground.counted:
            table.fault("csv", f'"{name}" holds {len(places)} places, the string has {pixels} pixels')
        return None
    return Hung(tuple(places))
