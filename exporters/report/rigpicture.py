"""The rig drawn to scale: strings, pixel numbers, feeds, and a small map for each zone."""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .files import any_letters, whole_file

Points = NDArray[np.float64]
PAPER, INK, SOFT, FAINT, FEED = "#ffffff", "#1d2129", "#6a717d", "#d9d6cf", "#b3122a"
# Dark enough for words on white: 4.5 to 1 at least (WCAG 2.1, success criterion 1.4.3).
COLOURS = ("#0068a3", "#b84e00", "#007a58", "#a8457f", "#7d6100", "#5b4bb7", "#9c2f2f", "#4a5a66")
WIDTH_IN, DPI = 14.0, 120
MOST_MAPS = 24
ASTRAY = 200  # what a spot for a string's name costs that is nearer to something else
TOO_DEAR = 40  # what a spot for a pixel number may cost: words or a pixel covered, or too far away to belong


@dataclass(frozen=True)
class RigString:
    """One string as it hangs: `points` (n, 2) metres, x right and y up, in order from the data end.

    `feeds` are (pixel, label): a feed before that pixel (n: at the far end). Before a pixel of `cuts` V+ is cut.
    `skipped` pixels stay dark.
    """

    name: str
    controller: str
    pin: int
    chip: str
    points: ArrayLike
    feeds: Sequence[tuple[int, str]] = field(default_factory=list)
    skipped: Sequence[int] = field(default_factory=list)
    cuts: Sequence[int] = field(default_factory=list)


@any_letters()
def write_rig_picture(
    path: str | Path, title: str, strings: Sequence[RigString], zones: Sequence[tuple[str, ArrayLike]]
) -> None:
    """Draw the rig to scale, as SVG or PNG by the path's ending.

    Args:
        path: the file to write, ending in `.svg` or `.png`.
        title: name of the rig.
        strings: every string; at least one, with at least one pixel.
        zones: (name, (n, 2) metres), points in the order of the zone's positions.

    Raises ValueError for another ending, no string, or points of another shape.
    """
    kind = Path(path).suffix.lower()
    if kind not in (".svg", ".png"):
        raise ValueError(f"a rig picture ends in .svg or .png, not {kind or 'nothing'}")
    if not strings:
        raise ValueError("a rig picture needs at least one string")
    places = [_points(string.name, string.points) for string in strings]
    maps = [(name, _points(name, points)) for name, points in zones]
    figure, axes, map_axes = _sheet(np.concatenate(places), len(maps[:MOST_MAPS]))
    words = _Words(figure, axes)
    for i, (string, points) in enumerate(zip(strings, places, strict=True)):
        _draw_string(axes, words, string, points, COLOURS[i % len(COLOURS)])
    _scale_bar(figure, axes, words)
    words.settle()
    _heading(figure, title, strings, len(maps))
    for plane, (name, points) in zip(map_axes, maps, strict=False):
        _draw_map(plane, name, points, places)
    with whole_file(path, text=False) as file:
        file.write(_rendered(figure, kind))


def number_step(pixels: int) -> int:
    """Pixels from one number to the next in the drawing: 10, 25, 50 or 100."""
    return next((step for step, most in ((10, 40), (25, 160), (50, 500)) if pixels <= most), 100)


def scale_length(metres: float) -> float:
    """A round length (1, 2 or 5 times a power of ten) of about a fifth of the drawing."""
    aim = max(metres, 1e-6) / 5
    power = 10.0 ** math.floor(math.log10(aim))
    return max(m * power for m in (1, 2, 5) if m * power <= aim * (1 + 1e-9))


def _points(name: str, points: ArrayLike) -> Points:
    out = np.asarray(points, dtype=np.float64)
    if out.ndim != 2 or out.shape[1] != 2 or not len(out) or not np.isfinite(out).all():
        raise ValueError(f"{name}: points are (n, 2) metres, n at least 1, not {out.shape}")
    return out


# ---- the sheet ---------------------------------------------------------------------------------------------------


def _sheet(points: Points, maps: int) -> tuple[Any, Any, list[Any]]:
    """A figure with the main drawing and a row or more of maps under it, all at one metre for a metre."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    low, high = points.min(axis=0), points.max(axis=0)
    span = np.maximum(high - low, max(0.05 * float((high - low).max()), 0.25))
    margin, heading, feet, gap = 0.5, 0.85, 0.45, 0.3
    width = WIDTH_IN - 2 * margin
    # Room around the drawing for words: an good inch at the sides, less above and below.
    height = min(max((width - 2.4) * span[1] / span[0] + 1.6, 4.2), 10.0)
    per_row = min(max(maps, 1), 6)
    map_width = (width - gap * 5) / 6
    map_height = min(max(map_width * span[1] / span[0] + 0.3, 0.9), 2.2)
    map_rows = -(-maps // per_row)
    total = heading + height + feet + (0.2 + map_rows * (map_height + 0.42) if maps else 0.0)
    figure = Figure(figsize=(WIDTH_IN, total), dpi=DPI, facecolor=PAPER)
    FigureCanvasAgg(figure)

    def plane(x: float, y_top: float, w: float, h: float, room: tuple[float, float]) -> Any:
        axes = figure.add_axes((x / WIDTH_IN, 1 - (y_top + h) / total, w / WIDTH_IN, h / total))
        scale = max(span[0] / max(w - 2 * room[0], 0.1), span[1] / max(h - 2 * room[1], 0.1))  # metres an inch
        middle = (low + high) / 2
        axes.set_xlim(middle[0] - scale * w / 2, middle[0] + scale * w / 2)
        axes.set_ylim(middle[1] - scale * h / 2, middle[1] + scale * h / 2)
        for spine in axes.spines.values():
            spine.set_color(FAINT)
        return axes

    main = plane(margin, heading, width, height, (1.2, 0.8))
    main.grid(True, color=FAINT, lw=0.5, alpha=0.6)
    main.set_axisbelow(True)
    main.tick_params(colors=SOFT, labelsize=8, length=0)
    main.xaxis.set_major_formatter("{x:g} m")
    main.yaxis.set_major_formatter("{x:g} m")
    first_map = heading + height + feet + 0.35
    small = [
        plane(margin + (i % per_row) * (map_width + gap), first_map + (i // per_row) * (map_height + 0.42), map_width,
              map_height, (0.12, 0.12))
        for i in range(maps)
    ]  # fmt: skip
    return figure, main, small


def _heading(figure: Any, title: str, strings: Sequence[RigString], zones: int) -> None:
    height = figure.get_figheight()
    pixels = sum(len(np.asarray(string.points)) for string in strings)
    about = f"{_count(pixels, 'pixel')} on {_count(len(strings), 'string')}, to scale; pixel 0 is at the data end"
    if zones > MOST_MAPS:
        about += f"; {MOST_MAPS} of {zones} zones shown"
    x, y = 0.5 / WIDTH_IN, 1 - 0.69 / height
    figure.text(x, 1 - 0.4 / height, title, size=17, weight="bold", color=INK, va="center", parse_math=False)
    figure.text(x, y, about, size=9.5, color=SOFT, va="center")
    keys = [("◆", FEED, "feed"), ("▶", INK, "data in"), ("○", INK, "skipped"), ("●", INK, "position 0 of a zone")]
    if any(string.cuts for string in strings):
        keys.insert(1, ("┃", FEED, "V+ is cut"))
    x = 1 - x
    for mark, colour, word in reversed(keys):
        text = figure.text(x, y, f"{mark} {word}", size=9.5, color=colour, va="center", ha="right")
        x -= text.get_window_extent(figure.canvas.get_renderer()).width / (WIDTH_IN * DPI) + 0.014


def _scale_bar(figure: Any, axes: Any, words: _Words) -> None:
    """A bar of a round length at the lower right, for whoever prints at another size."""
    (x0, x1), (y0, _) = axes.get_xlim(), axes.get_ylim()
    inch = (x1 - x0) / (axes.get_position().width * figure.get_figwidth())
    length = scale_length(x1 - x0)
    right, base = x1 - 0.25 * inch, y0 + 0.3 * inch
    axes.plot([right - length, right], [base, base], color=INK, lw=2.5, solid_capstyle="butt")
    bar = np.linspace((right - length, base + 0.1 * inch), (right, base + 0.1 * inch), 20)
    words.avoid(axes.transData.transform(bar))
    word = f"{length:g} m" if length >= 1 else f"{100 * length:g} cm"
    axes.text(right - length / 2, base + 0.07 * inch, word, size=9, color=INK, ha="center", va="bottom")


def _draw_string(axes: Any, words: _Words, string: RigString, points: Points, colour: str) -> None:
    dots = axes.transData.transform(points)
    steps = np.linalg.norm(np.diff(dots, axis=0), axis=1)
    pitch = float(np.median(steps)) if len(steps) else 10.0
    size = min(max(0.55 * pitch, 1.5), 8.0)
    skipped = np.isin(np.arange(len(points)), list(string.skipped))
    point_area = (size * 72 / DPI) ** 2
    axes.plot(*points.T, color=colour, lw=0.9, alpha=0.45, zorder=2)
    axes.scatter(*points[~skipped].T, s=point_area, color=colour, lw=0, zorder=3)
    axes.scatter(*points[skipped].T, s=point_area * 1.3, facecolor=PAPER, edgecolor=colour, lw=0.7, zorder=3)
    words.avoid(dots)
    ahead = _direction(dots, 0)
    start = axes.transData.inverted().transform([dots[0] - 26 * ahead, dots[0] - 5 * ahead])
    axes.annotate("", start[1], start[0], arrowprops={"arrowstyle": "-|>", "color": colour, "lw": 1.6}, zorder=4)
    words.avoid(np.linspace(dots[0] - 26 * ahead, dots[0], 6))
    about = f"{string.controller} pin {string.pin}, {_count(len(points), 'pixel')} {string.chip}"
    words.want(Label(0, dots[0] - 14 * ahead, string.name, 10.5, colour, -ahead, about, dots))
    for at, label in string.feeds:
        place = _between(points, at)
        axes.plot(*place, marker="D", ms=6.5, color=FEED, mec=PAPER, mew=0.8, zorder=5)
        side = _normal(dots, min(at, len(points) - 1))
        words.avoid(axes.transData.transform([place, place]))
        words.want(Label(1, axes.transData.transform(place), label, 8, FEED, -side))
    for at in string.cuts:
        middle = axes.transData.transform(_between(points, at))
        across = np.outer([-9.0, 9.0], _normal(dots, at)) + middle
        axes.plot(*axes.transData.inverted().transform(across).T, color=FEED, lw=2.2, zorder=5, gid="cut")
        words.avoid(across)
    step = number_step(len(points))
    last = len(points) - 1
    for pixel in [*range(0, last - step // 2, step), last]:
        side = _normal(dots, pixel)
        wide = max(size * 72 / DPI, 2.5) + 0.8
        axes.plot(*points[pixel], marker="o", ms=wide, color=colour, mec=INK, mew=0.7, zorder=4)
        words.want(Label(2, dots[pixel], str(pixel), 7.5, INK, side))


def _away(dots: Points, middle: Points, half: Points) -> float:
    """How far a box of words is from the nearest of some dots."""
    return float(np.hypot(*np.maximum(np.abs(dots - middle) - half, 0).T).min())


def _count(number: int, what: str) -> str:
    return f"{number} {what}" if number == 1 else f"{number} {what}s"


def _between(points: Points, at: int) -> Points:
    """Where a feed before pixel `at` sits: half way from the pixel before it."""
    if 0 < at < len(points):
        return np.asarray((points[at - 1] + points[at]) / 2)
    return np.asarray(points[0] if at <= 0 else points[-1])


def _direction(dots: Points, at: int) -> Points:
    """Unit vector of the string's run near a pixel; to the right where all pixels sit on one spot."""
    run = dots[min(at + 2, len(dots) - 1)] - dots[max(at - 2, 0)]
    length = float(np.linalg.norm(run))
    return run / length if length > 1e-9 else np.array([1.0, 0.0])


def _normal(dots: Points, at: int) -> Points:
    run = _direction(dots, at)
    return np.array([-run[1], run[0]])


@dataclass(frozen=True)
class Label:
    """Words to be placed near `anchor`, if possible towards `side` (both in dots), with a smaller line under them; and
    nearer to the pixels that are their `own` than to others, where they name them."""

    rank: int
    anchor: Points
    text: str
    size: float
    colour: str
    side: Points
    about: str = ""
    own: Points | None = None


class _Words:
    """Places labels where they cover neither each other nor, if it can be helped, the pixels.

    A label tries spots around its anchor, nearest and on its preferred side first. One that stands off gets a fine
    line to its anchor; a pixel number (rank 2) that would cover words or pixels, or land far off, is left out.
    """

    REACH = (9, 16, 26, 40, 58, 80, 110)  # dots from the anchor to the near edge of the words
    ANGLES = np.linspace(0, 2 * np.pi, 16, endpoint=False)

    def __init__(self, figure: Any, axes: Any) -> None:
        self.axes = axes
        self.renderer = figure.canvas.get_renderer()
        self.frame = axes.get_window_extent(self.renderer)
        self.dots: list[Points] = []
        self.wanted: list[Label] = []

    def avoid(self, dots: Points) -> None:
        """Remember places (in dots) that words had better not cover."""
        self.dots.append(np.asarray(dots))

    def want(self, label: Label) -> None:
        """Ask for a label; it appears with `settle`."""
        self.wanted.append(label)

    def settle(self) -> None:
        """Place everything asked for, by rank."""
        dots = np.concatenate(self.dots)
        taken = np.empty((0, 4))
        for label in sorted(self.wanted, key=lambda label: label.rank):
            lines = [self._line(label.text, label.size, label.colour, "bold" if label.about else "normal")]
            if label.about:
                lines.append(self._line(label.about, 8, label.colour, "normal"))
            sizes = [line.get_window_extent(self.renderer) for line in lines]
            half = np.array([max(size.width for size in sizes), sum(size.height for size in sizes)]) / 2 + 1.5
            middle, cost = self._best(label, half, dots, taken)
            if label.rank == 2 and cost >= TOO_DEAR:
                lines[0].remove()
                continue
            top = middle[1] + half[1] - 1.5
            for line, size in zip(lines, sizes, strict=True):
                line.set_position(self.axes.transData.inverted().transform((middle[0], top - size.height / 2)))
                top -= size.height
            taken = np.vstack([taken, [*(middle - half), *(middle + half)]])
            if np.hypot(*np.maximum(np.abs(middle - label.anchor) - half, 0)) > 14:
                self._leader(label.anchor, np.clip(label.anchor, middle - half, middle + half), label.colour)

    def _line(self, text: str, size: float, colour: str, weight: str) -> Any:
        return self.axes.text(
            0, 0, text, size=size, color=colour, weight=weight, ha="center", va="center", parse_math=False, zorder=6
        )

    def _best(self, label: Label, half: Points, dots: Points, taken: Points) -> tuple[Points, float]:
        anchor, spots = label.anchor, []
        for reach in self.REACH:
            for angle in self.ANGLES:
                way = np.array([np.cos(angle), np.sin(angle)])
                # Pushed out until the near edge of the box, not its middle, is `reach` away.
                spots.append((anchor + way * reach + np.clip(way * 1e3, -half, half), reach, float(way @ label.side)))
        best, least = anchor, math.inf
        for middle, reach, along in spots:
            low, high = middle - half, middle + half
            covered = np.count_nonzero(((dots > low - 1) & (dots < high + 1)).all(axis=1))
            clashes = np.count_nonzero(((taken[:, :2] < high) & (taken[:, 2:] > low)).all(axis=1))
            outside = bool((low < self.frame.min + 3).any() or (high > self.frame.max - 3).any())
            cost = 1000 * int(clashes) + 1000 * outside + 40 * min(int(covered), 20) + reach - 8 * along
            if label.own is not None and _away(label.own, middle, half) > _away(dots, middle, half) + 1e-6:
                cost += ASTRAY
            if cost < least:
                best, least = middle, cost
        return best, least

    def _leader(self, anchor: Points, edge: Points, colour: str) -> None:
        ends = self.axes.transData.inverted().transform([anchor, edge])
        self.axes.plot(*ends.T, color=colour, lw=0.6, alpha=0.7, zorder=1.5)


# ---- zones -------------------------------------------------------------------------------------------------------


def _draw_map(axes: Any, name: str, points: Points, places: Sequence[Points]) -> None:
    """The whole rig in grey and one zone on it, from its position 0 (ringed, dark) to its end (light)."""
    axes.set_xticks([])
    axes.set_yticks([])
    for string in places:
        axes.plot(*string.T, color=FAINT, lw=1.2, zorder=1)
    order = np.linspace(0.25, 0.85, len(points))
    axes.scatter(*points.T, s=5, c=order, cmap="viridis", vmin=0, vmax=1, lw=0, zorder=2, rasterized=True)
    axes.plot(*points[0], marker="o", ms=4.5, color=INK, mec=PAPER, mew=0.6, zorder=3)
    axes.set_title(f"{name}  ({len(points)})", size=9, color=INK, loc="left", pad=4, parse_math=False)


def _rendered(figure: Any, kind: str) -> bytes:
    import matplotlib

    out = io.BytesIO()
    # Words stay words, and the same rig gives the same file: no date, no random ids.
    with matplotlib.rc_context({"svg.fonttype": "none", "svg.hashsalt": "rig"}):
        if kind == ".svg":
            figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None}, facecolor=PAPER, dpi=2 * DPI)
        else:
            figure.savefig(out, format="png", metadata={"Software": None}, facecolor=PAPER)
    return out.getvalue()
