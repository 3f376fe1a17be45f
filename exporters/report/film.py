"""The whole song as one picture: time along, a band of pixels for each zone.

The light is copied dot by dot, never blended, so a colour in the picture is a colour the caller handed over; words and
lines keep out of the bands.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from .files import any_letters, png_bytes, whole_file
from .plots import song_marks

WIDTH = 2000
MARGIN = 36
GAP = 10
LEAST_BAND, MOST_BAND = 30, 150
MOST_LABELS = 26
BANDS_HEIGHT = 840  # aimed at; many zones make the picture taller
BACK, INK, SOFT, LINE = "#0d1017", "#eceae4", "#8b93a1", "#39404d"
# Section tints: one a name, in the order of appearance; dark enough to leave the light alone.
TINTS = ("#24405c", "#5a3c1c", "#2b4d39", "#55294a", "#3d3a6b", "#5b2a2c", "#1f4c52", "#4b4a24")

Zone = tuple[str, NDArray[np.uint8]]


def band_heights(pixels: Sequence[int]) -> list[int]:
    """Height of each zone's band in dots.

    Heights follow the root of the pixel count between two bounds, so that a short zone is seen and a long one leaves
    room. A height is a multiple of the pixel count (each pixel the same number of rows) or, where the zone has more
    pixels than dots, the zone with every second, third ... pixel left out.
    """
    roots = [max(count, 1) ** 0.5 for count in pixels]
    scale = BANDS_HEIGHT / max(sum(roots), 1e-9)
    out = []
    for count, root in zip(pixels, roots, strict=True):
        aim = min(max(scale * root, LEAST_BAND), MOST_BAND)
        out.append(count * max(int(aim / count), 1) if count <= aim else -(-count // -(-count // int(aim))))
    return [height if height >= LEAST_BAND else LEAST_BAND for height in out]


def nearest(light: NDArray[np.uint8], rows: int, columns: int) -> NDArray[np.uint8]:
    """A picture (pixels, columns, 3) at another size: the dot nearest to each new dot's middle, colours untouched."""
    i = (2 * np.arange(rows) + 1) * light.shape[0] // (2 * rows)
    j = (2 * np.arange(columns) + 1) * light.shape[1] // (2 * columns)
    return np.asarray(light[i[:, None], j])


@any_letters()
def write_film_png(
    path: str | Path,
    title: str,
    zones: Sequence[Zone],
    seconds: float,
    bars: Sequence[tuple[float, int]],
    sections: Sequence[tuple[float, float, str]],
    sizes: Mapping[str, int] | None = None,
) -> None:
    """Write the picture of a song, 2000 dots wide.

    Args:
        path: the PNG to write.
        title: name of the show.
        zones: (name, uint8 (pixels, columns, 3) screen RGB); first pixel on top, columns evenly over the song.
        seconds: length of the song.
        bars: (seconds, bar number) of each bar line.
        sections: (start, end, name), seconds.
        sizes: zone name -> pixels, where the zones' arrays hold only some of them.

    Raises ValueError when there is no zone, a zone's array has another shape or type, or the song has no length.
    """
    if not zones or seconds <= 0:
        raise ValueError("a film needs at least one zone and a song longer than nothing")
    for name, light in zones:
        if light.dtype != np.uint8 or light.ndim != 3 or light.shape[2] != 3 or not light.size:
            raise ValueError(f"zone {name}: light is uint8 (pixels, columns, 3), not {light.dtype} {light.shape}")
    heights = band_heights([len(light) for _, light in zones])
    left = MARGIN + 30 + min(max(12 * len(name) for name, _ in zones), 300)
    right = WIDTH - MARGIN
    top = MARGIN + (58 if title else 0) + 44
    tops = [top + sum(heights[:i]) + GAP * i for i in range(len(heights))]
    bottom = tops[-1] + heights[-1]
    canvas = _Canvas(WIDTH, bottom + 40 + MARGIN)

    def x_of(at: float) -> float:
        return left + (right - left) * min(max(at / seconds, 0.0), 1.0)

    if title:
        canvas.text(MARGIN, MARGIN + 16, title, 34, INK, weight="bold")
        canvas.text(right, MARGIN + 16, f"{int(seconds) // 60}:{int(seconds) % 60:02d}", 24, SOFT, align="right")
    _sections(canvas, sections, x_of, top, bottom)
    what, marks = song_marks(bars, seconds, MOST_LABELS)
    for at, word, _ in marks:
        canvas.line(x_of(at), bottom + 4, x_of(at), bottom + 12, SOFT)
        canvas.text(x_of(at), bottom + 28, word, 20, SOFT, align="center")
    canvas.text(left - 40, bottom + 28, what, 20, SOFT, align="right")
    for (name, light), y, height in zip(zones, tops, heights, strict=True):
        middle = y + height / 2
        tall = height >= 56
        canvas.text(left - 16, middle - (10 if tall else 0), name, 21, INK, align="right", room=left - 16 - MARGIN)
        if tall:
            count = (sizes or {}).get(name, len(light))
            canvas.text(left - 16, middle + 16, f"{count} pixels", 16, SOFT, align="right")
    picture = canvas.dots()
    for (_, light), y, height in zip(zones, tops, heights, strict=True):
        picture[y : y + height, left:right] = nearest(light, height, right - left)
    with whole_file(path, text=False) as file:
        file.write(png_bytes(picture))


def _sections(
    canvas: _Canvas, sections: Sequence[tuple[float, float, str]], x_of: Callable[[float], float], top: int, bottom: int
) -> None:
    """A tinted tab for each section above the bands, and its edge as a line behind them."""
    tints = dict(zip(dict.fromkeys(name for _, _, name in sections), itertools.cycle(TINTS), strict=False))
    for start, end, name in sections:
        a, b = x_of(start), x_of(end)
        if b - a < 3:
            continue
        canvas.box(a + 1, top - 44, b - 1, top - 12, tints[name])
        canvas.text((a + b) / 2, top - 27.5, name, 20, INK, align="center", room=b - a - 10)
        for edge in (a, b):
            canvas.line(edge, top - 12, edge, bottom, LINE)


class _Canvas:
    """A dark sheet measured in dots from its top left corner; matplotlib draws the words."""

    def __init__(self, width: int, height: int) -> None:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure

        self.height = height
        # 72 dots an inch: a point of the font is a dot of the picture.
        self.figure = Figure(figsize=(width / 72, height / 72), dpi=72, facecolor=BACK)
        self.agg: Any = FigureCanvasAgg(self.figure)

    def text(
        self, x: float, y: float, text: str, size: float, colour: str, *, align: str = "left",
        weight: str = "normal", room: float | None = None,
    ) -> None:  # fmt: skip
        """One line of words about the height y; shortened with an ellipsis to fit `room` dots."""
        from matplotlib.transforms import IdentityTransform

        # A dollar sign would start mathematics.
        item = self.figure.text(
            x, self.height - y, text, fontsize=size, color=colour, ha=align, va="center_baseline", weight=weight,
            transform=IdentityTransform(), parse_math=False,
        )  # fmt: skip
        while room is not None and text and item.get_window_extent(self.agg.get_renderer()).width > room:
            text = text[:-1]
            item.set_text(text + "…" if text else "")

    def line(self, x0: float, y0: float, x1: float, y1: float, colour: str) -> None:
        """A line one dot wide."""
        self.box(round(x0), y0, round(x0) + max(round(x1) - round(x0), 1), y1, colour)

    def box(self, x0: float, y0: float, x1: float, y1: float, colour: str) -> None:
        """A filled rectangle."""
        from matplotlib.patches import Rectangle
        from matplotlib.transforms import IdentityTransform

        corner = (x0, self.height - y1)
        self.figure.add_artist(
            Rectangle(corner, x1 - x0, y1 - y0, facecolor=colour, lw=0, transform=IdentityTransform())
        )

    def dots(self) -> NDArray[np.uint8]:
        """The sheet as uint8 (rows, columns, 3)."""
        self.agg.draw()
        return np.asarray(self.agg.buffer_rgba())[:, :, :3].copy()
