"""Reports say what they were given: numbers, names and colours, whole files or none.

Outside truth: PNG against its standard's constants and Pillow, CSV against the csv module, the page against a strict
XML parser, contrast against WCAG 2.1's formula, plots against values worked by hand.
"""

from __future__ import annotations

import base64
import csv
import io
import json
import math
import os
import re
import subprocess
import sys
import xml.etree.ElementTree as ET
from collections.abc import Mapping
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from exporters import report
from exporters.report import Series, film, plots, rigpicture, style
from exporters.report.files import png_bytes, whole_file

SVG = "{http://www.w3.org/2000/svg}"


# ---- whole files or none -----------------------------------------------------------------------------------------


def test_json_is_sorted_and_nan_is_null(tmp_path: Path) -> None:
    audit = {
        "b": float("nan"),
        "a": np.float32(0.5),
        "c": (np.int64(7), math.inf, None, True),
        "ä": {"y": 1, "x": np.arange(2)},
    }
    report.write_json(tmp_path / "audit.json", audit)
    text = (tmp_path / "audit.json").read_text(encoding="utf-8")
    assert json.loads(text) == {"a": 0.5, "b": None, "c": [7, None, None, True], "ä": {"x": [0, 1], "y": 1}}
    assert text.index('"a"') < text.index('"b"') < text.index('"c"') < text.index('"ä"')
    assert text.endswith("}\n")


def test_a_json_that_cannot_be_written_leaves_the_old_file(tmp_path: Path) -> None:
    path = tmp_path / "audit.json"
    report.write_json(path, {"ok": True})
    with pytest.raises(TypeError, match="not JSON serializable"):
        report.write_json(path, {"ok": object()})
    assert json.loads(path.read_text()) == {"ok": True}
    assert [file.name for file in tmp_path.iterdir()] == ["audit.json"]


@pytest.mark.parametrize("text", [True, False])
def test_a_fault_while_writing_leaves_the_old_file_and_nothing_else(tmp_path: Path, text: bool) -> None:
    path = tmp_path / "file"
    path.write_bytes(b"old")
    with pytest.raises(RuntimeError, match="half way"), whole_file(path, text) as file:
        file.write("new" if text else b"new")
        raise RuntimeError("half way")
    assert path.read_bytes() == b"old"
    assert [file.name for file in tmp_path.iterdir()] == ["file"]


def test_a_failed_rename_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "audit.json"
    report.write_json(path, {"ok": True})

    def refuse(*_: object) -> None:
        raise PermissionError("in use")

    monkeypatch.setattr(os, "replace", refuse)
    with pytest.raises(PermissionError, match="in use"):
        report.write_json(path, {"ok": False})
    assert json.loads(path.read_text()) == {"ok": True}
    assert [file.name for file in tmp_path.iterdir()] == ["audit.json"]


def test_csv_reads_back(tmp_path: Path) -> None:
    frames = 10_000  # more than are written at once
    times = np.arange(frames) / 40
    places = [f"{i // 160}.{i // 40 % 4 + 1}" for i in range(frames)]
    amps = {"shed": np.linspace(0, 24, frames), 'odd, "name"': np.full(frames, 0.1)}
    report.write_csv(tmp_path / "a.csv", times, places, amps)
    with open(tmp_path / "a.csv", encoding="utf-8", newline="") as file:
        rows = list(csv.reader(file))
    assert rows[0] == ["time_s", "place", "shed", 'odd, "name"']
    assert [row[1] for row in rows[1:]] == places
    assert np.allclose([float(row[0]) for row in rows[1:]], times, atol=1e-6)
    assert np.allclose([float(row[2]) for row in rows[1:]], amps["shed"], atol=1e-4)
    assert rows[1] == ["0.000000", "0.1", "0.0000", "0.1000"]


def test_csv_refuses_columns_of_other_lengths(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="shed: 1 values for 2 frames"):
        report.write_csv(tmp_path / "a.csv", [0.0, 1.0], ["1.1", "1.2"], {"shed": [1.0]})
    with pytest.raises(ValueError, match="places: 1 values for 2 frames"):
        report.write_csv(tmp_path / "a.csv", [0.0, 1.0], ["1.1"], {})
    assert list(tmp_path.iterdir()) == []


# ---- PNG ---------------------------------------------------------------------------------------------------------


def test_png_bytes_are_those_of_the_standard() -> None:
    data = png_bytes(np.array([[[255, 106, 0], [1, 2, 3]]], np.uint8))
    assert data[:8] == bytes([137, 80, 78, 71, 13, 10, 26, 10])  # ISO/IEC 15948, 5.2 PNG signature
    # 11.2.2 IHDR: length 13, width 2, height 1, 8 bits, colour type 2 (true colour), no interlace.
    assert data[8:29] == bytes.fromhex("0000000d 49484452 00000002 00000001 08 02 00 00 00")
    assert data[-12:] == bytes.fromhex("00000000 49454e44 ae426082")  # 11.2.5 IEND; its CRC as printed everywhere


@settings(max_examples=40, deadline=None)
@given(st.integers(1, 40), st.integers(1, 40), st.integers(1, 400), st.integers(0, 2**32 - 1))
def test_png_reads_back_without_loss(rows: int, columns: int, colours: int, seed: int) -> None:
    random = np.random.default_rng(seed)
    picture = random.integers(0, 256, (colours, 3), np.uint8)[random.integers(0, colours, (rows, columns))]
    assert np.array_equal(np.asarray(Image.open(io.BytesIO(png_bytes(picture))).convert("RGB")), picture)


@pytest.mark.parametrize("picture", [np.zeros((2, 2), np.uint8), np.zeros((2, 2, 3)), np.zeros((0, 2, 3), np.uint8)])
def test_png_refuses_what_is_no_picture(picture: Any) -> None:
    with pytest.raises(ValueError, match="a picture is uint8"):
        png_bytes(picture)


# ---- the audit page ----------------------------------------------------------------------------------------------


def audit() -> dict[str, Any]:
    return {
        "ok": True,
        "supplies": {
            "shed": {
                "budget_a": 24.0, "peak_a": 18.25, "peak_s": 5.0, "peak_at": "3.2", "mean_a": 7.13, "p99_a": 17.5,
                "energy_wh": 1.8, "full_white_a": 61.2, "limited_frames": 312, "most_dimmed": 0.29,
                "clips": [{"clip": "idle", "a": 1.25}, {"clip": "<b>run</b> & co", "a": 17.0}],
            }
        },
        "feeds": {"rail@start": {"peak_a": 4.25, "fuse_a": 5, "wire_ok": True}},
        "strings": {"rail": {"min_v": 4.63, "min_v_pixel": 104, "min_v_s": 5.0, "frame_wire_us": 6300.0}},
        "controllers": {
            "quay": {
                "roll_bytes": 412_332, "board_bytes": 1_441_792, "fits": True, "ram_bytes": 21_340, "bytes_per_s": 2260,
            }
        },
        "flashes": {
            "worst_per_s": 2, "at_s": 5.0, "red_worst_per_s": 1, "ok": True,
            "zones": {"mast": {"worst_per_s": 1, "at_s": 7.5, "red_worst_per_s": 0, "ok": True}},
        },
        "sources": ["ws2812b: 20 mA a channel <guessed>"],
    }  # fmt: skip


def series(**changes: Any) -> Series:
    amps = np.full(400, 7.0)
    amps[200] = 18.25
    given: dict[str, Any] = {
        "times_s": np.arange(400) / 40, "amps": {"shed": amps}, "bars": [(2.0 * i + 1, i + 1) for i in range(5)],
        "sections": [(0.0, 5.0, "A"), (5.0, 10.0, "B <i>")], "seconds": 10.0, "title": "Quay & <b>lights</b>",
    }  # fmt: skip
    return Series(**{**given, **changes})


def page(tmp_path: Path, audited: Mapping[str, Any] | None = None, plotted: Series | None = None) -> str:
    report.write_audit_html(tmp_path / "audit.html", audit() if audited is None else audited, plotted or series())
    assert [file.name for file in tmp_path.iterdir()] == ["audit.html"]
    return (tmp_path / "audit.html").read_text(encoding="utf-8")


def words(text: str) -> str:
    """Everything a reader sees, from a strict parser: the page is well-formed XML as well as HTML."""
    tree = ET.fromstring(text)
    body = tree.find("body")
    assert body is not None
    return " ".join(" ".join(body.itertext()).split())


def test_the_page_stands_alone(tmp_path: Path) -> None:
    text = page(tmp_path, plotted=series(volts={"rail": np.full((20, 50), 4.8)}))
    links: list[str] = []

    class Links(HTMLParser):
        def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
            assert tag not in ("script", "link", "iframe", "object")
            links.extend(value or "" for name, value in attrs if name in ("src", "href", "srcset", "data", "action"))

    Links().feed(text)
    assert [link[:22] for link in links] == ["data:image/png;base64,"]
    assert "http" not in text
    assert "url(" not in text


def test_the_page_says_what_the_audit_holds(tmp_path: Path) -> None:
    seen = words(page(tmp_path))
    for value in (
        "Within budget", "24.0 A", "18.2 A", "76%", "3.2", "0:05.0", "7.13 A", "17.5 A", "1.8 Wh", "61.2 A",
        "312 frames, at most by 29%", "17.0 A 93%", "1.25 A 7%", "rail@start", "4.25 A", "5 A", "carries it", "4.63 V",
        "104", "0:05.0 (bar 3)", "6.30 ms", "412 kB", "1.44 MB", "fits", "21.3 kB", "2.26 kB a second",
        "not exceeded", "0:07.5 (bar 4)", "Mains", "Fuses", "Enclosures and wet places", "Thin wires",
        "Photosensitive viewers", "Local code",
    ):  # fmt: skip
        assert value in seen, value
    assert re.search(r"\bsafe", seen, re.IGNORECASE) is None


def test_the_page_says_how_much_must_flash_to_count(tmp_path: Path) -> None:
    """As `composer.flash` has it: a quarter of the pixels, as WCAG's 25 % of a 10-degree field."""
    audited = audit()
    assert "a quarter or more of its pixels flash in the same second" in words(page(tmp_path, audited))
    audited["flashes"]["area"] = None
    assert "unless the rig's [audience] gives metres" in words(page(tmp_path, audited))
    audited["flashes"]["area"] = {"ok": True, "worst_per_s": 2, "red_worst_per_s": 0, "distance_m": 8.0}
    assert "but for the area rule below. Where" in words(page(tmp_path, audited))


def test_a_ground_wires_current_is_shown_where_it_is_more(tmp_path: Path) -> None:
    audited = audit()
    row = audited["feeds"]["rail@start"]
    row["ground_a"] = row["peak_a"]
    assert "In its ground wire" not in words(page(tmp_path, audited))
    row |= {"ground_a": 7.5, "wire_a": 7.0, "wire_ok": False}
    text = page(tmp_path, audited)
    assert "In its ground wire" in words(text) and "no fuse sees that" in words(text)
    assert '<span class="bad-word">7.50 A</span>' in text and '<span class="bad-word">too thin</span>' in text


def test_names_are_escaped(tmp_path: Path) -> None:
    text = page(tmp_path)
    assert "<b>lights" not in text
    assert "<b>run" not in text
    seen = words(text)
    for name in ("Quay & <b>lights</b>", "<b>run</b> & co", "B <i>", "20 mA a channel <guessed>"):
        assert name in seen


@pytest.mark.parametrize(
    ("where", "change", "verdict", "line"),
    [
        ("supplies/shed", {"peak_a": 24.01}, "Over budget", "shed: highest 24.01 A of 24.00 A at 3.2"),
        ("supplies/shed", {"peak_a": 24.0004}, "Over budget", "shed: highest 24.0004 A of 24.0000 A at 3.2"),
        ("supplies/shed", {"peak_a": 24.0}, "Within budget", "shed: highest 24.0 A of 24.0 A"),
        ("supplies/shed", {"peak_a": float("nan")}, "Budget not judged", ""),
        ("feeds/rail@start", {"fuse_a": None}, "something else needs a look", "feed rail@start has no fuse: add"),
        (
            "feeds/rail@start",
            {"fuse_a": None, "wire_a": 10.0},
            "something else needs a look",
            "has no fuse: add fuse = AMPERES, at most 10.0 A for its wire",
        ),
        ("feeds/rail@start", {"peak_a": 5.5}, "something else needs a look", "5.50 A, more than its 5 A fuse"),
        ("feeds/rail@start", {"peak_a": 5.002}, "something else needs a look", "5.002 A, more than its 5 A fuse"),
        ("strings/rail", {"limit_v": 4.634}, "something else needs a look", "4.630 V, under its chip's 4.634 V"),
        ("feeds/rail@start", {"wire_ok": np.False_}, "something else needs a look", "its wire is too thin for 4.25 A"),
        (
            "feeds/rail@start",
            {"ground_a": 7.5, "wire_ok": False, "wire_a": 7.0},
            "something else needs a look",
            "its ground wire carries 7.50 A, its plus wire 4.25 A, and such a wire carries 7.00 A",
        ),
        (
            "feeds/rail@start",
            {"fuse_a": 15, "wire_ok": False, "wire_a": 7.0},
            "something else needs a look",
            "its 15 A fuse does not protect its wire, which carries 7.00 A",
        ),
        (
            "feeds/rail@start",
            {"short_a": 9.5, "short_clears": False},
            "something else needs a look",
            "a short at the far end of its run draws 9.50 A, too little to blow its 5 A fuse at once",
        ),
        (
            "supplies/shed",
            {"skewed_a": 24.5},
            "something else needs a look",
            "boards out of step draw 24.50 A of 24.00 A",
        ),
        ("strings/rail", {"limit_v": 4.75}, "something else needs a look", "sinks to 4.63 V, under its chip's 4.75 V"),
        ("controllers/quay", {"fits": False}, "something else needs a look", "the roll of quay does not fit its board"),
        ("flashes", {"ok": False}, "something else needs a look", "WCAG 2.3.1 three-per-second figure"),
        ("", {"ok": False}, "something else needs a look", ""),
    ],
)  # fmt: skip
def test_the_verdict_comes_first(tmp_path: Path, where: str, change: dict[str, Any], verdict: str, line: str) -> None:
    audited = audit()
    row = audited
    for key in filter(None, where.split("/")):
        row = row[key]
    row.update(change)
    tree = ET.fromstring(page(tmp_path, audited))
    blocks = list(tree.iterfind("body/main/*"))
    assert blocks[1].get("class", "").startswith("verdict")
    assert verdict in "".join(blocks[1].itertext())
    assert line in "".join(blocks[1].itertext())


def test_what_is_not_known_is_a_dash(tmp_path: Path) -> None:
    bare = {
        "supplies": {"shed": {"budget_a": None, "clips": None}},
        "feeds": {"f": None},
        "flashes": None,
        "strings": None,
    }
    tree = ET.fromstring(page(tmp_path, bare, series(amps={}, bars=[], sections=[])))
    cells = [["".join(cell.itertext()) for cell in row.iterfind("td")] for row in tree.iterfind(".//tbody/tr")]
    assert cells == [["shed"] + ["-"] * 9, ["f"] + ["-"] * 3]
    assert "None" not in words(ET.tostring(tree, encoding="unicode"))


def test_an_empty_audit_is_still_a_page(tmp_path: Path) -> None:
    assert "Budget not judged" in words(page(tmp_path, {}, Series(np.zeros(0), {})))


def test_columns_that_only_some_audits_have(tmp_path: Path) -> None:
    audited = audit() | {"advice": {"supplies": {"shed": {"dimmed_by": ["budget"]}}}}
    assert "312 frames, at most by 29%, for the supply's budget." in words(page(tmp_path, audited))
    assert "By the low figures" not in words(page(tmp_path, audited))
    audited["supplies"]["shed"].update(peak_low_a=11.5, skewed_a=19.75, aligned_a=30.5)
    seen = words(page(tmp_path, audited))
    assert "By the low figures" in seen
    assert [figure in seen for figure in ("11.5 A", "19.8 A", "30.5 A")] == [True] * 3


def test_words_that_need_explaining_are_explained_where_they_stand(tmp_path: Path) -> None:
    plain = words(page(tmp_path))
    full = audit()
    shed = next(iter(full["supplies"].values()))
    shed |= {"aligned_a": 20.0, "boards": {"quay": 1.0, "deck": 2.0}, "allotments": {"quay": 3.0, "deck": 4.0}}
    full |= {
        "softened": [
            {"clip": "strobe", "over_beats": 0.5, "opacity": 1.0},
            {"clip": "sparks", "over_beats": 4.0, "opacity": 0.25},
            {"clip": "hits & more", "over_beats": 4.0, "opacity": 0.0},
        ],
        "quiet": {"no_flash": True, "hours": ["22:00", "07:00"]},
    }
    (tmp_path / "full").mkdir()
    seen = words(page(tmp_path / "full", full))
    for text in (
        "For an instant all that is lit may be fully on together", "Allotted: the part of the budget",
        "averaged over 0.5 beats", "averaged over 4 beats, 25% of it left", "left out",
        "A show that flashes too often fails", "Nothing plays from 22:00 to 07:00.",
    ):  # fmt: skip
        assert text in seen and text not in plain


def test_boards_out_of_step_are_told_wherever_something_is_wrong() -> None:
    """Not on the page alone: `bake` prints these lines, and --no-red fails a show for the electric ones."""
    audited = audit()
    assert not [line for line in report.electric_wrongs(audited) if "out of step" in line]
    next(iter(audited["supplies"].values()))["skewed_a"] = 24.5
    told = "supply shed: boards out of step draw 24.50 A of 24.00 A"
    assert told in report.electric_wrongs(audited)
    assert told in report.wrongs(audited)


def test_a_board_that_takes_more_than_its_allotment_is_told(tmp_path: Path) -> None:
    audited = audit()
    shed = next(iter(audited["supplies"].values()))
    shed |= {"boards": {"quay": 3.0, "deck": 4.0}, "allotments": {"quay": 3.0, "deck": 4.0}}
    for name in ("kept", "over"):
        (tmp_path / name).mkdir()
    assert "more than that" not in words(page(tmp_path / "kept", audited))
    shed |= {"allotments": {"quay": 3.5, "deck": 3.5}}
    told = "At times deck takes more than that: the budget then holds while the boards keep step."
    assert told in words(page(tmp_path / "over", audited))


def test_sources_may_come_by_chip(tmp_path: Path) -> None:
    audited = audit()
    source = {"idle_ma": "a manual", "channel_ma": "a sheet"}
    audited["sources"] = {"ws2815": {"idle_ma": [2.1, 2.1], "channel_ma": [10, 15], "law": "max", "source": source}}
    line = "ws2815: dark 2.1 mA (a manual); a channel full on 10 to 15 mA (a sheet); the largest channel counts"
    assert line in words(page(tmp_path, audited))


def test_the_plot_is_drawn_to_scale() -> None:
    # The axis ends a tenth above the larger of budget and peak: 24 A x 1.1 = 26.4 A. 24 A lies 1/11 below the top,
    # 7 A at 1 - 7/26.4 = 73.48 %, the peak of 18.25 A at 30.87 %; 5 s of 10 are half the way;
    # a frame of 1/40 s is in three columns of a thousand.
    plot = plots.amps_plot(series(), "shed", 24.0, (5.0, 18.25, "3.2"))
    tree = ET.fromstring(plot)
    paths = {
        path.get("class"): path.get("d", "") for path in tree.iter("path") if "barline" not in path.get("class", "")
    }
    assert paths["budget"] == "M0,9.09H1000"
    assert paths["high"] == "M0,100V73.48H500V30.87H503V73.48H1000V100Z"
    assert "over" not in paths
    dot = next(item for item in tree.iter("i") if item.get("class") == "dot")
    assert dot.get("style") == "left:50.00%;top:30.87%"
    lines = [path.get("d") for path in tree.iter("path") if "barline" in path.get("class", "")]
    assert lines == [f"M{x}.00,0V100" for x in (100, 300, 500, 700, 900)]
    numbers = next(div for div in tree.iter("div") if div.get("class") == "numbers")
    assert [(span.text, span.get("style")) for span in numbers] == [
        (str(i + 1), f"left:{20 * i + 10}.00%") for i in range(5)
    ]
    names = next(div for div in tree.iter("div") if div.get("class") == "names")
    assert [(span.text, span.get("style")) for span in names] == [
        ("A", "left:0.00%;width:50.00%"), ("B <i>", "left:50.00%;width:50.00%"),
    ]  # fmt: skip
    tips = [title.text for title in tree.iter("title")]
    assert tips[2] == "bar 3: up to 18.25 A, 7.14 A on average"  # (79 x 7 + 18.25) / 80


def test_what_is_over_budget_stands_out() -> None:
    tree = ET.fromstring(plots.amps_plot(series(), "shed", 10.0, None))
    over = [path.get("d") for path in tree.iter("path") if path.get("class") == "over"]
    # Budget 10 A and peak 18.25 A under a top of 20.075 A; a frame of 1/40 s of 10 s is in three columns of a thousand.
    top = 1.1 * 18.25
    y0, y1 = f"{100 * (1 - 10 / top):.4g}", f"{100 * (1 - 18.25 / top):.4g}"
    assert over == [f"M500,{y0}V{y1}h1V{y0}ZM501,{y0}V{y1}h1V{y0}ZM502,{y0}V{y1}h1V{y0}Z"]


def test_volts_strips_keep_the_lowest_value() -> None:
    volts = np.full((600, 5000), 5.0)
    volts[599, 2500] = 4.5
    tree = ET.fromstring(plots.volts_strip(series(volts={"rail": volts}), "rail", 4.5, 5.0))
    image = next(tree.iter("img")).get("src", "")
    picture = np.asarray(Image.open(io.BytesIO(base64.b64decode(image.partition(",")[2]))).convert("RGB"))
    assert picture.shape == (60, 1000, 3)
    low, high = plots.VOLT_RAMP[0].tolist(), plots.VOLT_RAMP[-1].tolist()
    assert picture[59, 500].tolist() == low
    assert (picture == low).all(axis=2).sum() == 1
    assert picture[0, 0].tolist() == high


def test_volts_strips_stretch_their_columns_to_when_they_were() -> None:
    # Three groups that start at 0, 5 and 9 s of 10: half, four tenths and one tenth of the picture. The sag at 5 s
    # lasts until 9 s.
    volts = np.array([[5.0, 4.5, 5.0]])
    strip = plots.volts_strip(series(volts={"rail": volts}, volt_times_s=[0.0, 5.0, 9.0]), "rail", 4.5, 5.0)
    image = next(ET.fromstring(strip).iter("img")).get("src", "")
    picture = np.asarray(Image.open(io.BytesIO(base64.b64decode(image.partition(",")[2]))).convert("RGB"))
    low = (picture[0] == plots.VOLT_RAMP[0]).all(axis=1)
    assert np.flatnonzero(low).tolist() == list(range(500, 900))
    with pytest.raises(ValueError, match="rail: 3 columns of volts for 2 times"):
        plots.volts_strip(series(volts={"rail": volts}, volt_times_s=[0.0, 5.0]), "rail", 4.5, 5.0)


# ---- colours of words --------------------------------------------------------------------------------------------


def contrast(one: str, other: str) -> float:
    """Contrast ratio, WCAG 2.1 (definitions of contrast ratio and relative luminance)."""

    def luminance(colour: str) -> float:
        codes = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        r, g, b = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in codes)
        return 0.2126 * r + 0.7152 * g + 0.0722 * b

    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_words_can_be_read_in_every_theme() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21)  # WCAG 2.1: ranges from 1 to 21
    for theme in (style._LIGHT, style._DARK):
        colours = dict(re.findall(r"--([\w-]+): (#\w{6})", theme))
        pairs = [("ink", "paper"), ("soft", "paper"), ("soft", "panel"), ("ink", "panel"), ("good", "good-back"),
                 ("bad", "bad-back"), ("good", "panel"), ("bad", "panel"), ("budget", "panel")]  # fmt: skip
        for front, back in pairs:
            assert contrast(colours[front], colours[back]) >= 4.5, (front, back)  # success criterion 1.4.3
    for colour in (*rigpicture.COLOURS, rigpicture.FEED, rigpicture.SOFT):
        assert contrast(colour, rigpicture.PAPER) >= 4.5, colour
    for tint in film.TINTS:
        assert contrast(film.INK, tint) >= 4.5, tint


# ---- the film ----------------------------------------------------------------------------------------------------


def picture_of(path: Path) -> Any:
    return np.asarray(Image.open(path).convert("RGB"))


def test_the_film_shows_the_light_and_nothing_else_in_its_bands(tmp_path: Path) -> None:
    # Twelve colours that no word or line of the picture is painted in.
    colours = np.array([[[200 + i, 3 * j, 250 - i - j] for j in range(4)] for i in range(3)], np.uint8)
    other = np.full((1, 4, 3), (7, 255, 9), np.uint8)
    bars = [(1.0 + 2 * i, i + 1) for i in range(5)]
    report.write_film_png(
        tmp_path / "film.png", "Quay $5$ <b>", [("rail", colours), ("dot", other)], 10.0, bars, [(0, 10, "A")]
    )
    dots = picture_of(tmp_path / "film.png")
    assert dots.shape[1] == 2000
    flat = dots.astype(int) @ (65536, 256, 1)
    places = {}
    for i in range(3):
        for j in range(4):
            at = np.argwhere(flat == int(colours[i, j].astype(int) @ (65536, 256, 1)))
            (y0, x0), (y1, x1) = at.min(axis=0), at.max(axis=0)
            assert len(at) == (y1 - y0 + 1) * (x1 - x0 + 1)  # a whole rectangle of exactly this colour
            places[i, j] = (y0, x0, y1, x1)
    heights = {y1 - y0 + 1 for y0, _, y1, _ in places.values()}
    widths = {x1 - x0 + 1 for _, x0, _, x1 in places.values()}
    assert len(heights) == 1  # every pixel as tall as the next
    assert max(widths) - min(widths) <= 1
    assert places[1, 0][0] == places[0, 0][2] + 1  # first pixel on top
    assert places[0, 1][1] == places[0, 0][3] + 1  # time to the right
    thin = np.argwhere(flat == (7 * 65536 + 255 * 256 + 9))
    assert np.ptp(thin[:, 0]) + 1 >= film.LEAST_BAND
    assert thin[:, 0].min() > places[2, 0][2]
    assert thin[:, 1].min() == places[0, 0][1]
    assert thin[:, 1].max() == places[0, 3][3]


@settings(max_examples=100, deadline=None)
@given(st.lists(st.integers(1, 5000), min_size=1, max_size=40))
def test_every_zone_has_a_band_to_be_seen(pixels: list[int]) -> None:
    heights = film.band_heights(pixels)
    assert all(film.LEAST_BAND <= height <= max(film.MOST_BAND, film.LEAST_BAND) for height in heights)


def test_shrinking_picks_dots_and_never_blends() -> None:
    light = np.arange(12, dtype=np.uint8)[:, None, None] * np.ones((1, 1, 3), np.uint8)
    assert film.nearest(light, 4, 1)[:, 0, 0].tolist() == [1, 4, 7, 10]  # the middle of each three
    assert film.nearest(light, 24, 1)[:, 0, 0].tolist() == [i // 2 for i in range(24)]


def test_a_film_of_a_whole_show_stays_small(tmp_path: Path) -> None:
    beat = np.arange(1800) / 9.0
    bands = []
    for n in (200, 200, 150, 144, 120, 60, 8):
        level = np.exp(-(((np.arange(n)[:, None] / n - beat / 4) % 1) ** 2) * 20) * np.exp(-(beat % 1))
        bands.append((f"zone {n}", (level[:, :, None] * (255, 106, 40)).astype(np.uint8)))
    report.write_film_png(tmp_path / "film.png", "Quay", bands, 180.0, [], [])
    assert os.path.getsize(tmp_path / "film.png") < 1_000_000


@pytest.mark.parametrize(
    ("zones", "seconds", "fault"),
    [
        ([], 10.0, "at least one zone"),
        ([("a", np.zeros((1, 1, 3), np.uint8))], 0.0, "longer than nothing"),
        ([("a", np.zeros((4, 4), np.uint8))], 10.0, "zone a: light is uint8"),
        ([("a", np.zeros((4, 4, 3)))], 10.0, "zone a: light is uint8"),
    ],
)
def test_a_film_refuses_what_it_cannot_show(tmp_path: Path, zones: Any, seconds: float, fault: str) -> None:
    with pytest.raises(ValueError, match=fault):
        report.write_film_png(tmp_path / "film.png", "", zones, seconds, [], [])
    assert list(tmp_path.iterdir()) == []


def test_matplotlib_waits_until_a_picture_is_asked_for() -> None:
    code = "import sys, exporters.report; sys.exit('matplotlib' in sys.modules or 'PIL' in sys.modules)"
    folder = Path(report.__file__).parents[2]
    assert subprocess.run([sys.executable, "-c", code], cwd=folder, check=False, timeout=60).returncode == 0
