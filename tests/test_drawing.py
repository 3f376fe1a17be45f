"""Strings along lines of a drawing and in grids, against lengths and places known from geometry."""

from __future__ import annotations

import itertools
import math
from pathlib import Path

import pytest

from composer.drawing import svg_line
from composer.faults import Faults
from composer.rig import Rig, load_rig

# 400 by 200 units; 4 m wide, so a unit is a centimetre.
SVG = """<svg xmlns="http://www.w3.org/2000/svg" width="400" height="200" viewBox="0 0 400 200">
  <line id="rail" x1="10" y1="190" x2="210" y2="190"/>
  <g transform="translate(100 0)"><polyline id="gable" points="0,100 40,70 80,100"/></g>
  <circle id="hoop" cx="300" cy="100" r="50"/>
  <path id="arch" d="M 100 100 A 50 50 0 0 1 200 100"/>
  <path id="parabola" d="M 0 0 Q 50 0 100 100"/>
  <path id="dashes" d="M 0 0 H 10 M 20 0 H 30"/>
  <text id="words">rail</text>
</svg>"""

RIG = """
[supply.shed]
volts = 5.0
amps = 10.0
[controller.quay]
board = "pico"
[drawing]
width = 4.0
[string.rail]
controller = "quay"
pin = 16
{keys}
[[string.rail.feed]]
supply = "shed"
"""


@pytest.fixture
def svg(tmp_path: Path) -> Path:
    path = tmp_path / "front.svg"
    path.write_text(SVG)
    return path


def rig(folder: Path, keys: str) -> Rig:
    (folder / "rig.toml").write_text(RIG.format(keys=keys))
    return load_rig(folder / "rig.toml")


def length(points: list[tuple[float, float]]) -> float:
    return sum(math.dist(a, b) for a, b in itertools.pairwise(points))


def test_lines_and_transforms(svg: Path) -> None:
    # y points up: 190 of 200 units down is 10 cm from the bottom.
    assert [p for point in svg_line(svg, "rail", 4.0) for p in point] == pytest.approx([0.1, 0.1, 2.1, 0.1])
    assert [p for point in svg_line(svg, "gable", 4.0) for p in point] == pytest.approx([1.0, 1.0, 1.4, 1.3, 1.8, 1.0])


def test_a_copy_is_another_line_than_its_original(tmp_path: Path) -> None:
    """SVG 1.1, 5.6: a `use` draws its original once more, moved by its x and y; ids stay those of the originals."""
    svg = tmp_path / "front.svg"
    copies = '<use id="second" href="#rail" y="-100"/><use href="#rail" y="-50"/><g id="g"><use href="#gable"/></g>'
    svg.write_text(SVG.replace("<text", f"{copies}<text"))
    for name in ("rail", "gable"):
        (tmp_path / "plain.svg").write_text(SVG)
        assert svg_line(svg, name, 4.0) == svg_line(tmp_path / "plain.svg", name, 4.0)
    assert svg_line(svg, "second", 4.0) == [pytest.approx((0.1, 1.1)), pytest.approx((2.1, 1.1))]


def test_curves_have_their_lengths(svg: Path) -> None:
    assert length(svg_line(svg, "hoop", 4.0)) == pytest.approx(2 * math.pi * 0.5, rel=1e-4)
    assert length(svg_line(svg, "arch", 4.0)) == pytest.approx(math.pi * 0.5, rel=1e-4)
    # Arc length of a parabola: B'(t) = (100, 200 t), so the integral of 100 sqrt(1 + 4 t^2) over 0-1.
    closed_form = math.sqrt(5) / 2 + math.asinh(2) / 4
    assert length(svg_line(svg, "parabola", 4.0)) == pytest.approx(closed_form, rel=1e-4)


def test_pixels_lie_evenly_along_the_line(svg: Path) -> None:
    places = rig(svg.parent, 'pixels = 5\nsvg = "front.svg#arch"').places
    # Half a circle of 50 cm about (1.5 m, 1.0 m): pixels every 45 degrees, y up.
    angles = [180, 135, 90, 45, 0]
    by_hand = [(1.5 + 0.5 * math.cos(math.radians(a)), 1 + 0.5 * math.sin(math.radians(a))) for a in angles]
    assert [p for place in places for p in place] == pytest.approx([p for place in by_hand for p in place], abs=1e-4)


@pytest.mark.parametrize(
    ("keys", "what"),
    [
        ('pixels = 5\nsvg = "front.svg#rial"', 'string.rail.svg: "front.svg" has no line with the id "rial" .*"rail"'),
        ('pixels = 5\nsvg = "front.svg#words"', 'has no line with the id "words"'),
        ('pixels = 5\nsvg = "front.svg#dashes"', '"dashes" is 2 separate strokes'),
        ('pixels = 5\nsvg = "front.svg"', "needs a file and the id of a line"),
        ('pixels = 5\nsvg = "back.svg#rail"', '"back.svg" cannot be read: No such file'),
        ('pixels = 5\nsvg = "rig.toml#rail"', '"rig.toml" is not an SVG drawing'),
        ('pixels = 5\nsvg = "front.svg#rail"\ncsv = "a.csv"', "drop svg or csv"),
        ("pixels = 7\ngrid = {columns = 3, pitch = 0.1}", "grid.columns: 7 pixels do not fill rows of 3"),
        ("pixels = 6\ngrid = {columns = 3}", "grid.pitch: is missing"),
        ("pixels = 6\ngrid = {columns = 3, pitch = 0.1, at = 5}", "grid.at: needs the place"),
    ],
)
def test_faults(svg: Path, keys: str, what: str) -> None:
    with pytest.raises(Faults, match=what):
        rig(svg.parent, keys)


@pytest.mark.parametrize("end", ["1e400 10", "1e30 10"])
def test_a_line_that_leaves_the_country_is_a_fault(tmp_path: Path, end: str) -> None:
    line = f'<path id="rail" d="M0 0 L{end}"/>'
    (tmp_path / "front.svg").write_text(
        f'<svg xmlns="http://www.w3.org/2000/svg" width="300" height="200">{line}</svg>', encoding="utf-8"
    )
    with pytest.raises(Faults, match=r'string\.rail\.svg: "front\.svg#rail" goes out farther than 100000 metres'):
        rig(tmp_path, 'pixels = 5\nsvg = "front.svg#rail"')


def test_a_drawing_needs_its_width(svg: Path) -> None:
    text = RIG.format(keys='pixels = 5\nsvg = "front.svg#rail"').replace("[drawing]\nwidth = 4.0\n", "")
    (svg.parent / "rig.toml").write_text(text)
    with pytest.raises(Faults, match=r"\[drawing\] width = METRES"):
        load_rig(svg.parent / "rig.toml")


def test_grids_run_to_and_fro(tmp_path: Path) -> None:
    places = rig(tmp_path, "pixels = 6\ngrid = {columns = 3, pitch = 0.5, at = [1, 2]}").places
    assert places == ((1, 2), (1.5, 2), (2, 2), (2, 2.5), (1.5, 2.5), (1, 2.5))
    keys = 'pixels = 4\ngrid = {columns = 2, pitch = 1.0, serpentine = false, rows = "down"}'
    assert rig(tmp_path, keys).places == ((0, 0), (1, 0), (0, -1), (1, -1))
