"""The rig is drawn to scale, with its names, feeds and cuts where they are."""

from __future__ import annotations

import math
import re
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from exporters import report
from exporters.report import RigString, rigpicture

SVG = "{http://www.w3.org/2000/svg}"


def quay() -> list[RigString]:
    corner = np.concatenate([np.linspace((0, 0), (4, 0), 80, endpoint=False), np.linspace((4, 0), (4, 2), 41)])
    feeds = [(0, "shed, 5 A"), (80, "corner & co"), (121, "far end")]
    return [
        RigString("rail <b>", "quay", 16, "ws2812b", corner, feeds, [7, 8]),
        RigString("mast", "boat", 2, "sk6812", [[6.0, 0.0], [6.0, 0.1]], [(0, "masthead")]),
    ]


def test_the_rig_is_drawn_to_scale_and_says_its_names(tmp_path: Path) -> None:
    report.write_rig_picture(
        tmp_path / "rig.svg", "Quay $x$ <b>", quay(), [("half", np.asarray(quay()[0].points)[:60])]
    )
    tree = ET.fromstring((tmp_path / "rig.svg").read_text(encoding="utf-8"))
    seen = ["".join(text.itertext()).strip() for text in tree.iter(f"{SVG}text")]
    for name in (
        "Quay $x$ <b>", "rail <b>", "quay pin 16, 121 pixels ws2812b", "mast", "boat pin 2, 2 pixels sk6812",
        "shed, 5 A", "corner & co", "far end", "masthead", "0", "25", "50", "75", "100", "120",
        "123 pixels on 2 strings, to scale; pixel 0 is at the data end",
    ):  # fmt: skip
        assert name in seen, name
    assert any(re.fullmatch(r"half\s+\(60\)", name) for name in seen)
    marks = [
        (float(use.get("x", "")), float(use.get("y", "")))
        for use in tree.iter(f"{SVG}use")
        if f"fill: {rigpicture.FEED}" in use.get("style", "")
    ]
    # Feeds at (0, 0), half a pixel before (4, 0), (4, 2) and (6, 0) metres; SVG's y points down.
    (x0, y0), (x1, y1), (x2, y2), (x3, y3) = marks
    metre = (x3 - x0) / 6
    assert (x1 - x0) / metre == pytest.approx(4 - 0.025, abs=1e-3)
    assert (x2 - x0) / metre == pytest.approx(4, abs=1e-3)
    assert (y0 - y2) / metre == pytest.approx(2, abs=1e-3)
    assert (y1, y3) == (y0, y0)
    # The scale bar is as long as it says.
    bar = next(path for path in tree.iter(f"{SVG}path") if "stroke-width: 2.5" in path.get("style", ""))
    ends = [float(x) for x in re.findall(r"[ML] ([\d.]+)", bar.get("d", ""))]
    assert "1 m" in seen
    assert (ends[1] - ends[0]) / metre == pytest.approx(1.0, abs=1e-3)


def test_the_same_rig_gives_the_same_file(tmp_path: Path) -> None:
    for name in ("a.svg", "b.svg"):
        report.write_rig_picture(tmp_path / name, "Quay", quay(), [])
    assert (tmp_path / "a.svg").read_bytes() == (tmp_path / "b.svg").read_bytes()


def test_a_rig_as_png(tmp_path: Path) -> None:
    report.write_rig_picture(tmp_path / "rig.png", "Quay", quay(), [("all", [[0.0, 0.0]])])
    with Image.open(tmp_path / "rig.png") as picture:
        assert picture.size[0] == 1680
    assert [file.name for file in tmp_path.iterdir()] == ["rig.png"]


def test_cuts_of_v_plus_cross_the_string_where_they_are(tmp_path: Path) -> None:
    """Before pixel 80 of a string of a pixel each 5 cm: across it at 3.975 m, and named in the key."""
    line = RigString("rail", "quay", 16, "c", np.linspace((0, 0), (7.95, 0), 160), [(0, "a"), (160, "b")], cuts=[80])
    report.write_rig_picture(tmp_path / "rig.svg", "Quay", [line], [])
    text = (tmp_path / "rig.svg").read_text(encoding="utf-8")
    tree = ET.fromstring(text)
    (cut,) = [group for group in tree.iter(f"{SVG}g") if group.get("id") == "cut"]
    (path,) = cut.iter(f"{SVG}path")
    (x0, y0), (x1, y1) = [tuple(map(float, pair)) for pair in re.findall(r"([\d.]+) ([\d.]+)", path.get("d", ""))]
    feeds = [
        float(use.get("x", "")) for use in tree.iter(f"{SVG}use") if f"fill: {rigpicture.FEED}" in use.get("style", "")
    ]
    assert x0 == pytest.approx(x1, abs=0.01) and abs(y0 - y1) > 5
    assert (x0 - feeds[0]) / (feeds[1] - feeds[0]) == pytest.approx(0.5, abs=0.002)
    assert "V+ is cut" in "".join(tree.itertext())
    report.write_rig_picture(tmp_path / "whole.svg", "Quay", quay(), [])
    assert "V+ is cut" not in (tmp_path / "whole.svg").read_text(encoding="utf-8")


def test_a_name_stands_nearer_to_its_own_string_than_to_its_neighbour(tmp_path: Path) -> None:
    """A hoop whose data end faces a panel: there is no room for the names between them."""
    turn = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    hoop = np.stack([8 + 0.6 * np.cos(turn), 1.6 + 0.6 * np.sin(turn)], axis=1)
    panel = [[9.2 + 0.1 * x, 1 + 0.1 * y] for y in range(8) for x in range(8)]
    rest = [
        RigString("gutter", "shed", 16, "c", [[0, 3], [6, 3]]),
        RigString("mast", "shed", 17, "c", [[7, 0], [7, 3]]),
    ]
    strings = [
        RigString(name, "porch", 4, "sk6812-rgbw", points) for name, points in (("hoop", hoop), ("panel", panel))
    ]
    report.write_rig_picture(tmp_path / "rig.svg", "Porch", [*strings, *rest], [])
    tree = ET.fromstring((tmp_path / "rig.svg").read_text(encoding="utf-8"))
    dots = {
        string.name: np.array(
            [
                (float(use.get("x", "")), float(use.get("y", "")))
                for use in tree.iter(f"{SVG}use")
                if f"fill: {colour}" in use.get("style", "")
            ]
        )
        for string, colour in zip(strings, rigpicture.COLOURS, strict=False)
    }
    assert [len(found) for found in dots.values()] >= [48, 64]
    for name, other in (("hoop", "panel"), ("panel", "hoop")):
        (word,) = [text for text in tree.iter(f"{SVG}text") if "".join(text.itertext()).strip() == name]
        place = np.array([float(word.get("x", "")), float(word.get("y", ""))])
        near = {key: np.hypot(*(found - place).T).min() for key, found in dots.items()}
        assert near[name] < near[other], name


def test_one_pixel_is_a_rig(tmp_path: Path) -> None:
    report.write_rig_picture(
        tmp_path / "rig.svg", "One", [RigString("dot", "b", 0, "apa102", [[1, 1]], [(0, "s"), (1, "e")])], []
    )
    assert "1 pixel on 1 string" in (tmp_path / "rig.svg").read_text(encoding="utf-8")


@pytest.mark.parametrize(("metres", "bar"), [(20, 2), (26, 5), (5, 1), (0.9, 0.1), (11, 2), (100, 20)])
def test_the_scale_bar_is_a_round_fifth_or_less(metres: float, bar: float) -> None:
    assert rigpicture.scale_length(metres) == pytest.approx(bar)


@pytest.mark.parametrize(
    ("name", "strings", "fault"),
    [
        ("rig.pdf", quay(), "ends in .svg or .png, not .pdf"),
        ("rig", quay(), "not nothing"),
        ("rig.svg", [], "at least one string"),
        ("rig.svg", [RigString("mast", "b", 1, "c", [1.0, 2.0])], "mast: points are"),
        ("rig.svg", [RigString("mast", "b", 1, "c", [[1.0, math.nan]])], "mast: points are"),
    ],
)
def test_a_rig_picture_refuses_what_it_cannot_draw(tmp_path: Path, name: str, strings: Any, fault: str) -> None:
    with pytest.raises(ValueError, match=fault):
        report.write_rig_picture(tmp_path / name, "", strings, [])
    assert list(tmp_path.iterdir()) == []
