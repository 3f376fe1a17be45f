"""A line out of an SVG drawing (W3C SVG 1.1), as points in metres.

x to the right, y up, from the drawing's lower left corner.
"""

from __future__ import annotations

import itertools
import math
from pathlib import Path
from typing import Any

from .faults import nearest

Point = tuple[float, float]
CURVE_STEPS = 256  # pieces a curve is cut into; a quarter circle comes out 2 parts in a million short


def svg_line(file: Path, name: str, width_m: float) -> list[Point]:
    """The outline of the shape whose id is `name`, from its start to its end, transforms applied.

    `width_m` is what the drawing's whole width stands for. Any shape will do: path, line, polyline, circle ...
    Raises ValueError saying what is wrong: no such file, not an SVG, no such id, no length, more than one stroke.
    """
    from svgelements import SVG
    from svgelements import Path as SvgPath

    try:
        drawing = SVG.parse(str(file), reify=True)
        shapes = _shapes(drawing)
        width, height = float(drawing.width), float(drawing.height)
    except OSError as error:
        raise ValueError(f"cannot be read: {error.strerror}") from None
    except Exception:  # the library lets whatever its XML parser and its number readers raise pass through
        raise ValueError("is not an SVG drawing") from None
    if not (math.isfinite(width) and width > 0):
        raise ValueError("does not say how wide it is")
    if name not in shapes:
        near = nearest(name, shapes)
        raise ValueError(f'has no line with the id "{name}"' + (f" (did you mean {near}?)" if near else ""))
    line = SvgPath(shapes[name])
    pieces = list(line.as_subpaths())
    if len(pieces) > 1:
        raise ValueError(f'"{name}" is {len(pieces)} separate strokes: a string is one')
    points: list[Point] = []
    for segment in line:
        for point in _segment(segment):
            place = ((point[0]) * width_m / width, (height - point[1]) * width_m / width)
            if not points or place != points[-1]:
                points.append(place)
    if sum(math.dist(a, b) for a, b in itertools.pairwise(points)) <= 0:
        raise ValueError(f'"{name}" has no length')
    return points


def _shapes(group: Any) -> dict[str, Any]:
    """The shapes of a drawing by id. A copy (`use`) has an id of its own; the one inside it is its original's."""
    from svgelements import Shape, Use

    found: dict[str, Any] = {}
    for element in group:
        if isinstance(element, Shape):
            inside = {str(element.id): element}
        elif isinstance(element, Use):
            inside = dict.fromkeys([str(element.id)], next(iter(_shapes(element).values()), None))
        else:
            inside = _shapes(element) if isinstance(element, list) else {}
        for name, shape in inside.items():
            if shape is not None:
                found.setdefault(name, shape)
    return found


def _segment(segment: object) -> list[Point]:
    from svgelements import Arc, Close, CubicBezier, Line, Move, QuadraticBezier

    if isinstance(segment, Move):
        return [(segment.end.x, segment.end.y)]
    if isinstance(segment, (Line, Close)):
        return [(p.x, p.y) for p in (segment.start, segment.end) if p is not None]
    assert isinstance(segment, (Arc, CubicBezier, QuadraticBezier))
    places = (segment.point(i / CURVE_STEPS) for i in range(CURVE_STEPS + 1))
    return [(p.x, p.y) for p in places]
