"""The pictures inside the audit page, drawn as SVG and small PNGs that the page carries in itself.

Shapes are drawn in a stretched box and all words are set as HTML over it, placed in percent: the plot fits any width,
and words keep their size on a phone and on paper.
"""

from __future__ import annotations

import base64
import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from html import escape

import numpy as np
from numpy.typing import ArrayLike, NDArray

from .files import png_bytes

COLUMNS = 1000  # about one a pixel on a wide screen
STRIP_ROWS = 60
MOST_BAR_LABELS = 24
# From dark (low) to light (high), so that a sag shows in print and to colour-blind eyes as well.
VOLT_RAMP = np.array([(64, 10, 80), (150, 32, 90), (222, 82, 60), (250, 160, 60), (252, 226, 150), (253, 250, 226)])


@dataclass(frozen=True)
class Series:
    """What the audit page plots over the song.

    Attributes:
        times_s: (F,) when each frame latches, rising.
        amps: supply name -> (F,) amperes.
        bars: (seconds, bar number) of each bar line, rising.
        sections: (start, end, name), seconds.
        seconds: length of the song.
        volts: string name -> (pixel rows, columns) volts, row 0 at the data end; or None.
        volt_times_s: (columns,) when each column of `volts` begins, rising; None: evenly over the song.
        title: name of the show.
    """

    times_s: ArrayLike
    amps: Mapping[str, ArrayLike]
    bars: Sequence[tuple[float, int]] = field(default_factory=list)
    sections: Sequence[tuple[float, float, str]] = field(default_factory=list)
    seconds: float = 0.0
    volts: Mapping[str, ArrayLike] | None = None
    title: str = ""
    volt_times_s: ArrayLike | None = None

    def bar_at(self, seconds: float) -> int | None:
        """Number of the bar that sounds at a time, None before the first."""
        numbers = [number for at, number in self.bars if at <= seconds + 1e-6]
        return numbers[-1] if numbers else None


def columns_of(
    times_s: ArrayLike, values: ArrayLike, seconds: float, columns: int = COLUMNS
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Highest and mean value in each of some equal columns of time, (columns,) each.

    A frame lasts until the next, so a column also holds the frame that was on as it began: no frame is lost, however
    short, and no column is empty. Raises ValueError when lengths differ or there is no frame.
    """
    times = np.asarray(times_s, dtype=np.float64)
    held = np.nan_to_num(np.asarray(values, dtype=np.float64))
    if times.shape != held.shape or times.ndim != 1 or not times.size:
        raise ValueError(f"times {times.shape} and values {held.shape} must be (F,), F at least 1")
    pairs = _stretches(times, seconds, columns)
    peak = np.maximum.reduceat(np.append(held, -np.inf), pairs)[::2]
    mean = np.add.reduceat(np.append(held, 0.0), pairs)[::2] / np.diff(pairs)[::2]
    return peak, mean


def _stretches(times: NDArray[np.float64], seconds: float, columns: int) -> NDArray[np.intp]:
    """First and end of what is on in each of some equal columns of time, one after the other, (2 x columns,)."""
    edges = np.linspace(0.0, seconds, columns + 1)
    first = np.maximum(np.searchsorted(times, edges[:-1], side="right") - 1, 0)
    end = np.maximum(np.searchsorted(times, edges[1:], side="left"), first + 1)
    end[-1] = len(times)  # frames after the song's nominal end still count
    return np.stack([first, end], axis=1).ravel()


def bar_step(bars: int, most: int = MOST_BAR_LABELS) -> int:
    """Bars from one label to the next, a power of two, so that at most about `most` labels appear."""
    return 1 << (max(bars - 1, 0) // most).bit_length()


def song_marks(
    bars: Sequence[tuple[float, int]], seconds: float, most: int = MOST_BAR_LABELS
) -> tuple[str, list[tuple[float, str, bool]]]:
    """What to write along a song: ("bar", bar numbers), or ("time", minutes and seconds) where it has no bars.

    Each mark is (seconds, words, whether it is one of the every fourth that stay when room is short).
    """
    if bars:
        step = bar_step(len(bars), most)
        counted = [
            (at, str(number), number - 1) for at, number in bars if (number - 1) % step == 0 and 0 <= at < seconds
        ]
    else:
        step = next((every for every in (1, 5, 10, 30, 60, 300) if seconds <= 12 * every), 3600)
        counted = [(at, f"{at // 60}:{at % 60:02d}", at) for at in range(0, math.ceil(seconds), step)]
    return "bar" if bars else "time", [(at, word, count % (4 * step) == 0) for at, word, count in counted]


def nice_step(top: float, ticks: int = 4) -> float:
    """Distance of ticks on an axis from 0 to `top`: 1, 2 or 5 times a power of ten, about `ticks` of them."""
    raw = max(top, 1e-9) / ticks
    power = 10.0 ** np.floor(np.log10(raw))
    return float(next((m * power for m in (1, 2, 5) if m * power >= raw * (1 - 1e-9)), 10 * power))


def amps_plot(
    series: Series,
    supply: str,
    budget_a: float | None,
    peak: tuple[float, float, str] | None,
) -> str:
    """Amperes of one supply over the song as HTML. `peak` is (seconds, amperes, label), the marked point."""
    seconds = _length(series)
    high, mean = columns_of(series.times_s, series.amps[supply], seconds)
    top = 1.1 * max(float(high.max()), budget_a or 0.0, 1e-3)
    shapes = [f'<path class="high" d="{_area(high, top)}"/>', f'<path class="mean" d="{_area(mean, top)}"/>']
    if budget_a is not None and float(high.max()) > budget_a:
        shapes.append(f'<path class="over" d="{_above(high, top, budget_a)}"/>')
    if budget_a is not None:
        y = 100 * (1 - budget_a / top)
        shapes.append(f'<path class="budget" d="M0,{y:.2f}H1000"/>')
    marker = ""
    if peak is not None:
        at_s, amps, label = peak
        x, y = 100 * min(at_s / seconds, 1.0), 100 * (1 - amps / top)
        side = "left" if x > 80 else "right"
        marker = (
            f'<i class="dot" style="left:{x:.2f}%;top:{y:.2f}%"></i>'
            f'<b class="mark {side}" style="left:{x:.2f}%;top:{y:.2f}%">{escape(label)}</b>'
        )
    tips = _bar_tips(series, seconds, np.asarray(series.times_s), np.nan_to_num(np.asarray(series.amps[supply])))
    picture = (
        '<svg viewBox="0 0 1000 100" preserveAspectRatio="none" role="img" aria-label="'
        f'{escape(f"amperes of {supply} over the song")}">{_shades(series, seconds)}{_bar_lines(series, seconds)}'
        f"{''.join(shapes)}{tips}</svg>"
    )
    return _frame(series, seconds, _ticks(top, budget_a), picture + marker, "plot")


def volts_strip(series: Series, name: str, low_v: float, high_v: float) -> str:
    """Volts along one string over the song as HTML: time along, data end on top, no dip lost."""
    volts = np.atleast_2d(np.asarray((series.volts or {})[name], dtype=np.float64))
    volts = _lowest(volts, STRIP_ROWS)
    if series.volt_times_s is None:
        volts = _lowest(volts.T, COLUMNS).T
    else:
        times = np.asarray(series.volt_times_s, dtype=np.float64)
        if times.shape != volts.shape[1:]:
            raise ValueError(f"{name}: {volts.shape[1]} columns of volts for {len(times)} times")
        held = np.append(volts, np.full((len(volts), 1), np.inf), axis=1)
        volts = np.minimum.reduceat(held, _stretches(times, _length(series), COLUMNS), axis=1)[:, ::2]
    picture = volt_colours(volts, low_v, high_v)
    data = base64.b64encode(png_bytes(picture)).decode("ascii")
    image = f'<img alt="{escape(f"volts along {name} over the song")}" src="data:image/png;base64,{data}"/>'
    ends = '<span style="top:0">data end</span><span class="end">far end</span>'
    return _frame(series, _length(series), ends, image, "strip")


def volt_colours(volts: NDArray[np.float64], low_v: float, high_v: float) -> NDArray[np.uint8]:
    """Colours of the volt ramp, (..., 3) uint8, for volts between two ends; outside them the end's colour."""
    share = np.clip((np.nan_to_num(volts, nan=low_v) - low_v) / max(high_v - low_v, 1e-9), 0.0, 1.0)
    stops = np.linspace(0.0, 1.0, len(VOLT_RAMP))
    return np.stack([np.interp(share, stops, VOLT_RAMP[:, c]) for c in range(3)], axis=-1).round().astype(np.uint8)


def volt_key() -> str:
    """The ramp as a CSS gradient."""
    return "linear-gradient(90deg," + ",".join(f"rgb({r},{g},{b})" for r, g, b in VOLT_RAMP) + ")"


def _length(series: Series) -> float:
    return max(series.seconds, 1e-3)


def _lowest(values: NDArray[np.float64], most: int) -> NDArray[np.float64]:
    """At most so many rows, each the lowest of its stretch."""
    size = len(values)
    if size <= most:
        return values
    return np.minimum.reduceat(values, np.arange(most) * size // most, axis=0)


def _area(values: NDArray[np.float64], top: float) -> str:
    """A stepped outline filled down to zero; runs of one height are one step."""
    heights = np.round(100 * (1 - values / top), 2)
    starts = np.flatnonzero(np.diff(heights, prepend=np.inf))
    ends = np.append(starts[1:], len(values)) * (1000 / len(values))
    steps = "".join(f"V{heights[i]:g}H{x:.4g}" for i, x in zip(starts, ends, strict=True))
    return f"M0,100{steps}V100Z"


def _above(values: NDArray[np.float64], top: float, budget_a: float) -> str:
    """What stands above the budget, a box for each such column."""
    wide, floor = 1000 / len(values), 100 * (1 - budget_a / top)
    columns = np.flatnonzero(values > budget_a)
    return "".join(
        f"M{i * wide:.4g},{floor:.4g}V{100 * (1 - values[i] / top):.4g}h{wide:.4g}V{floor:.4g}Z" for i in columns
    )


def _shades(series: Series, seconds: float) -> str:
    return "".join(
        f'<rect class="shade{i % 2}" x="{1000 * a / seconds:.2f}" y="0" '
        f'width="{1000 * (b - a) / seconds:.2f}" height="100"/>'
        for i, (a, b, _) in enumerate(series.sections)
        if b > a
    )


def _bar_lines(series: Series, seconds: float) -> str:
    # Lines closer than some 6 dots would only grey the plot.
    step = bar_step(len(series.bars), 160)
    labelled = bar_step(len(series.bars))
    kinds = ("barline strong", "barline")
    return "".join(
        f'<path class="{kinds[(number - 1) % labelled > 0]}" d="M{1000 * at / seconds:.2f},0V100"/>'
        for at, number in series.bars
        if (number - 1) % step == 0 and 0 <= at <= seconds
    )


def _bar_tips(series: Series, seconds: float, times: NDArray[np.float64], amps: NDArray[np.float64]) -> str:
    """Unseen rectangles that tell a bar's figures under the mouse, without a script."""
    out = []
    for (start, number), (end, _) in itertools.pairwise([*series.bars, (seconds, 0)]):
        part = amps[(times >= start) & (times < end)]
        if part.size:
            text = f"bar {number}: up to {part.max():.2f} A, {part.mean():.2f} A on average"
            out.append(
                f'<rect class="tip" x="{1000 * start / seconds:.2f}" y="0" width="{1000 * (end - start) / seconds:.2f}"'
                f' height="100"><title>{text}</title></rect>'
            )
    return "".join(out)


def _ticks(top: float, budget_a: float | None) -> str:
    step = nice_step(top)
    marks = [step * i for i in range(int(top / step) + 1)]
    # A tick that would sit on the budget's own number is left out.
    marks = [m for m in marks if budget_a is None or abs(m - budget_a) > 0.09 * top]
    zero = ' class="zero"'
    words = [f'<span{"" if m else zero} style="top:{100 * (1 - m / top):.2f}%">{m:g} A</span>' for m in marks]
    if budget_a is not None:
        words.append(f'<span class="budget" style="top:{100 * (1 - budget_a / top):.2f}%">{budget_a:.3g} A</span>')
    return "".join(words)


def _frame(series: Series, seconds: float, left: str, inside: str, kind: str) -> str:
    """Section names above, marks at the left, the picture, bar numbers below."""
    names = "".join(
        f'<span style="left:{100 * a / seconds:.2f}%;width:{100 * (b - a) / seconds:.2f}%" title="{escape(name)}">'
        f"{escape(name)}</span>"
        for a, b, name in series.sections
        if b > a
    )
    what, below = _numbers(series, seconds)
    return (
        f'<div class="over-song {kind}"><div class="names">{names}</div><div class="marks">{left}</div>'
        f'<div class="picture">{inside}</div><div class="what">{what}</div><div class="numbers">{below}</div></div>'
    )


def _numbers(series: Series, seconds: float) -> tuple[str, str]:
    """The word for what is counted below the picture, and the numbers as HTML."""
    what, marks = song_marks(series.bars, seconds)
    # On a narrow screen only every fourth label keeps its place.
    kinds = ("fine", "coarse")
    spans = (
        f'<span class="{kinds[strong]}" style="left:{100 * at / seconds:.2f}%">{word}</span>'
        for at, word, strong in marks
    )
    return what, "".join(spans)
