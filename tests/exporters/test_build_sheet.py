"""The build sheet says what to connect, names codes and habits as such, and stands alone on screen and paper."""

from __future__ import annotations

import copy
import re
import xml.etree.ElementTree as ET
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from exporters import report

WIRE = {
    "awg": 14, "carries_a": 15.0, "basis": "NEC 240.4(D), 14 AWG", "code": True, "drop_v": 0.14, "by": "drop",
    "mm2": 2.5, "mm2_carries_a": 25.0, "mm2_basis": "a cord table",
}  # fmt: skip
FEED = {
    "name": "rail@start", "string": "rail", "at": 0, "peak_a": 3.25, "awg": 16, "mm2": 1.309, "metres": 2.5,
    "carries_a": 10.0, "basis": "NEC 240.4(D), 16 AWG", "drop_v": 0.21, "fuse_a": 5.0, "wire_ok": True,
    "short_a": 20.0, "short_clears": True,
    "advice": {"wire": WIRE, "metres_assumed": False, "fuse_a": 5.0, "fuse_with_wire_a": 5.0},
}  # fmt: skip
STRING = {
    "name": "rail", "controller": "quay", "board": "pico", "pin": 16, "clock_pin": None, "chip": "ws2812b",
    "pixels": 200, "order": "grb", "cuts": [100],
    "feeds": [
        {"at": 0, "place": "data end", "supply": "shed", "fuse_a": 5.0},
        {"at": 100, "place": "before pixel 100", "supply": "boat", "fuse_a": 7.5},
    ],
    "data_v": 3.5, "logic_v": 3.3, "limit_v": 4.5, "min_v": 4.62, "white_min_v": 3.9, "rail_estimated": True,
    "feeds_for_show": {"places": [], "min_v": 4.62, "enough": True},
    "feeds_for_white": {"places": [50, 200], "min_v": 4.5, "enough": True},
}  # fmt: skip
SUPPLY: dict[str, Any] = {
    "volts": 5.0, "amps": 30.0, "usable": 0.8, "budget_a": 24.0, "peak_a": 3.35, "full_white_a": 12.3,
    "limited_frames": 7, "amps_for_show": 4.1875, "amps_for_white": 15.375, "white_at_cap_a": {"50%": 6.25},
    "capacitor_uf": 1000, "capacitor_v": 6.3,
    "boards": [{"name": "quay", "board": "pico", "a": 0.1, "converter_v": None}],
    "feeds": [FEED], "strings": [STRING],
}  # fmt: skip


def sheet(**changes: dict[str, Any]) -> dict[str, Any]:
    """The sheet of one supply; `feed`, `string`, `wire` and `supply` change its rows."""
    out = copy.deepcopy(SUPPLY)
    out |= changes.get("supply", {})
    out["feeds"][0] |= changes.get("feed", {})
    out["feeds"][0]["advice"]["wire"] |= changes.get("wire", {})
    out["strings"][0] |= changes.get("string", {})
    return {"title": "Quay & <b>lights</b>", "seconds": 60.0, "resistor_ohm": [300, 500], "supplies": {"shed": out}}


def page(folder: Path, content: dict[str, Any]) -> str:
    report.write_build_sheet(folder / "sheet.html", content)
    assert [file.name for file in folder.iterdir()] == ["sheet.html"]
    return (folder / "sheet.html").read_text(encoding="utf-8")


def words(text: str) -> str:
    """Everything a reader sees, from a strict parser."""
    body = ET.fromstring(text).find("body")
    assert body is not None
    return " ".join(" ".join(body.itertext()).split())


def cells(text: str) -> dict[str, str]:
    """The first row of the feeds by the heads of its columns."""
    tree = ET.fromstring(text)
    heads = ["".join(cell.itertext()) for cell in tree.iterfind(".//thead/tr/th")]
    row = [" ".join(cell.itertext()) for cell in next(tree.iterfind(".//tbody/tr")).iterfind("td")]
    return dict(zip(heads, row, strict=True))


def test_what_to_connect_where(tmp_path: Path) -> None:
    text = page(tmp_path, sheet())
    row = cells(text)
    assert row == {
        "Feed": "rail@start", "done": "", "Peak": "3.25 A", "Wire now": "16 AWG (1.3 mm²), 2.5 m", "carries": "10.0 A",
        "drops": "0.21 V", "Fuse now": "5 A", "Wire to take": "14 AWG or 2.5 mm² for its drop", "Fuse to take": "5 A",
    }  # fmt: skip
    seen = words(text)
    for value in (
        "5 V, 30 A", "3.35 A", "of a budget of 24.0 A", "12.3 A", "4.2 A or more; yours will do",
        "15.4 A or more; yours will do", "50%: 6.25 A", "The limiter keeps this show within the supply's budget",
        "quay , pico: 0.10 A",
        "Board quay (pico), data pin 16 , 300-500 ohm in series", "1000 µF, 6.3 V or more",
        "Cut V+ alone between pixels 99 and 100.", "Also fed by boat: never join the two V+",
        "in this show 4.62 V, at full white 3.90 V (needs 2 more feeds, before pixel 50 and at the far end)",
        "the chip needs 4.50 V; the strip's own copper is estimated", "Ground first", "Mains", "Thin wires",
    ):  # fmt: skip
        assert value.lower() in seen.lower(), value


def test_a_ground_wires_current_is_shown_where_it_is_more(tmp_path: Path) -> None:
    changed = {"ground_a": 11.5, "wire_ok": False}
    text = page(tmp_path, sheet(feed=changed, wire={"by": "ground"}))
    row = cells(text)
    assert row["Peak"].split() == ["3.25", "A", "ground", "11.5", "A"]
    assert row["Wire to take"] == "14 AWG or 2.5 mm² for its ground"
    assert "To be mended feed rail@start: its ground wire carries 11.5 A, its plus wire 3.25 A" in words(text)
    assert "ground" not in cells(page(tmp_path, sheet(feed={"ground_a": 3.25})))["Peak"]


def test_skipped_pixels_are_not_in_what_a_board_gone_wrong_draws(tmp_path: Path) -> None:
    assert "12.3 A if a board went wrong, or without the limiter" in words(page(tmp_path, sheet()))
    skipping = words(page(tmp_path, sheet(string={"skipped": 3})))
    assert "12.3 A without the limiter, skipped pixels dark" in skipping
    assert "went wrong" not in skipping


def test_the_80_percent_is_a_habit_and_code_for_three_hours(tmp_path: Path) -> None:
    # NEC Art. 100: a continuous load lasts three hours or more; 210.20(A), 215.3: 125 % of it, 1/1.25 = 80 %.
    seen = words(page(tmp_path, sheet()))
    assert "80 % is a habit" in seen and "three hours or more" in seen
    assert "Art. 100, 210.20(A), 215.3" in seen


@pytest.mark.parametrize(
    ("logic_v", "warned"),
    # WS2812B datasheet: VIH 0.7 x VDD, 3.5 V at 5.0 V: a 3.3 V pin is below, a 5 V pin above.
    [(3.3, True), (3.5, False), (5.0, False)],
)
def test_the_data_level_is_warned_of(tmp_path: Path, logic_v: float, warned: bool) -> None:
    text = page(tmp_path, sheet(string={"logic_v": logic_v}))
    assert ("level shifter" in text) is warned
    assert f"the board gives {logic_v:g} V, the chip needs 3.5 V" in text or not warned
    assert f"the board's {logic_v:g} V reach the 3.5 V" in text or warned


@pytest.mark.parametrize(
    ("string", "says"),
    [
        ({}, "Data level: the board gives 3.3 V, the chip needs 3.5 V (0.7 x VDD)."),
        (
            {"data_basis": "as measured & noted", "clock_pin": 17},
            "Data and clock level: the board gives 3.3 V, the chip needs 3.5 V (as measured & noted).",
        ),
        ({"clock_pin": 17}, "put a level shifter at the board, on both lines"),
        ({"clock_pin": 17, "logic_v": 5.0}, "Data and clock level: the board's 5 V reach the 3.5 V"),
    ],
)
def test_the_level_is_that_of_the_chip_and_of_all_its_lines(tmp_path: Path, string: dict[str, Any], says: str) -> None:
    assert says in words(page(tmp_path, sheet(string=string)))


def test_what_the_neighbours_are_spared_is_said_where_it_applies(tmp_path: Path) -> None:
    assert "capped at 60 %" not in words(page(tmp_path, sheet()))
    quiet = {"brightness": 0.6, "no_flash": True, "hours": ["22:00", "07:00"]}
    (tmp_path / "quiet").mkdir()
    seen = words(page(tmp_path / "quiet", sheet() | {"quiet": quiet}))
    assert "Brightness is capped at 60%" in seen and "Nothing plays from 22:00 to 07:00." in seen
    assert "no roll is written" in seen


def test_thin_wire_has_no_code_value_and_that_is_said(tmp_path: Path) -> None:
    basis = "no code value; rule of thumb, 6 A/mm2"
    row = cells(page(tmp_path, sheet(feed={"basis": basis}, wire={"basis": basis, "awg": 22, "by": "current"})))
    assert row["carries"] == "10.0 A no code value"
    assert row["Wire to take"] == "22 AWG or 2.5 mm² for its current; no code value"


@pytest.mark.parametrize(
    ("feed", "remarks"),
    [
        ({}, []),
        ({"fuse_a": None}, ["feed rail@start has no fuse: add fuse = AMPERES, at most 10.0 A for its wire"]),
        ({"fuse_a": 3.0}, ["feed rail@start carries 3.25 A, more than its 3 A fuse"]),
        ({"fuse_a": 15.0}, ["feed rail@start: its 15 A fuse does not protect its wire, which carries 10.0 A"]),
        (
            {"short_a": 9.0, "short_clears": False},
            [
                "feed rail@start: a short at the far end of its run draws 9.00 A, too little to blow its 5 A fuse at "
                "once (3 times its rating, by practice)"
            ],
        ),
        (
            {"carries_a": 2.0, "fuse_a": 2.0},
            [
                "feed rail@start carries 3.25 A, more than its 2 A fuse",
                "feed rail@start: its wire is too thin for 3.25 A",
            ],
        ),
    ],
)
def test_what_is_wrong_with_a_feed_stands_below_the_table(
    tmp_path: Path, feed: dict[str, Any], remarks: list[str]
) -> None:
    tree = ET.fromstring(page(tmp_path, sheet(feed=feed)))
    found = [div for div in tree.iter("div") if div.get("class") == "remarks"]
    assert [item.text for div in found for item in div.iter("li")] == remarks


def test_where_no_fuse_fits_the_way_out_is_named(tmp_path: Path) -> None:
    content = sheet()
    none = {"fuse_a": None, "fuse_with_wire_a": None, "short_limits": True}
    content["supplies"]["shed"]["feeds"][0]["advice"] |= none
    row = cells(page(tmp_path, content))
    assert row["Fuse to take"] == "no fuse fits: feed nearer the middle, cut V+ between feeds"


def test_each_source_of_what_wires_carry_is_named_once(tmp_path: Path) -> None:
    content = sheet(wire={"basis": "NEC 240.4(D), 12 AWG"})
    content["supplies"]["shed"]["feeds"].append(
        FEED | {"name": "rail@end", "basis": "no code value; rule of thumb, 6 A/mm2"}
    )
    seen = words(page(tmp_path, content))
    assert "What wires carry: NEC 240.4(D) (12 AWG, 14 AWG, 16 AWG); no code value; rule of thumb (6 A/mm2)." in seen


def test_every_wire_of_a_board_has_a_row(tmp_path: Path) -> None:
    pins = {"button_pin": None, "pulse_in_pin": None, "pulse_out_pin": None, "led_pin": None}
    quay = {"name": "quay", "supply": "shed", "a": 0.1, "converter_v": None, "grounds": ["shed"], **pins}
    deck = {"name": "deck", "supply": "boat", "a": 0.127, "converter_v": 5.0, "grounds": ["boat", "shed"], **pins}
    hut = {"name": "hut", "supply": None, "a": None, "converter_v": None, "grounds": ["shed"], **pins}
    boards = [
        quay | {"button_pin": 14, "pulse_out_pin": 15},
        deck | {"pulse_in_pin": 4, "led_pin": 2},
        hut,
    ]
    tree = ET.fromstring(page(tmp_path, sheet() | {"boards": boards}))
    table = next(t for t in tree.iter("table") if [h.text for h in t.iter("th")][-1] == "Goes to")
    rows = [["".join(cell.itertext()) for cell in row.iter("td")] for row in table.iter("tr")][1:]
    assert rows == [
        ["quay", "", "5 V in", "V+ of shed, 0.10 A: a wire and a fuse of its own"],
        ["quay", "", "ground", "ground of shed"],
        ["quay", "", "14", "a push button, and from there to ground"],
        ["quay", "", "15", "pulse wire to pin 4 of deck, a ground wire beside it"],
        [
            "deck",
            "",
            "5 V in",
            "V+ of boat, through a step-down converter to 5 V, 0.13 A: a wire and a fuse of its own",
        ],
        ["deck", "", "ground", "ground of boat and shed"],
        ["deck", "", "4", "pulse wire from pin 15 of quay"],
        ["deck", "", "2", "a light of its own for blink codes"],
        ["hut", "", "5 V in", "a supply of its own, such as USB: the rig names none"],
        ["hut", "", "ground", "ground of shed"],
    ]


def test_the_sheet_speaks_of_no_count_that_it_does_not_have(tmp_path: Path) -> None:
    assert "above" not in words(page(tmp_path, sheet())).partition("Photosensitive viewers")[2].partition("Who")[0]


def test_what_the_rig_does_not_say_is_a_dash_and_assumed(tmp_path: Path) -> None:
    content = sheet(feed={"awg": None, "mm2": None, "metres": None, "carries_a": None, "basis": None, "drop_v": None})
    content["supplies"]["shed"]["feeds"][0]["advice"]["metres_assumed"] = True
    row = cells(page(tmp_path, content))
    assert (row["Wire now"], row["carries"], row["drops"]) == ("-", "-", "-")
    assert row["Wire to take"] == "14 AWG or 2.5 mm² for its drop, 1 m assumed"


def test_where_no_wire_will_do_more_feeds_are_the_way(tmp_path: Path) -> None:
    row = cells(page(tmp_path, sheet(wire={"awg": None, "mm2": None})))
    assert row["Wire to take"] == "none will do: feed in more places"


def test_a_supply_that_is_too_small_is_named(tmp_path: Path) -> None:
    assert "4.2 A or more; yours gives 4 A" in words(page(tmp_path, sheet(supply={"amps": 4.0})))


def test_a_board_on_12_v_hangs_behind_a_converter(tmp_path: Path) -> None:
    boards = [{"name": "deck", "board": "esp32", "a": 0.127, "converter_v": 5.0}]
    assert "through a step-down converter to 5 V" in words(page(tmp_path, sheet(supply={"boards": boards})))


def test_the_drawing_is_to_scale(tmp_path: Path) -> None:
    tree = ET.fromstring(page(tmp_path, sheet()))
    line = next(div for div in tree.iter("div") if div.get("class") == "line")
    marks = [(i.get("class"), i.get("style")) for i in line.iter("i")]
    # Pixels 0 and 100 of 200, and V+ cut before pixel 100; the second feed is another supply's.
    assert marks == [("feed own", "left:0.00%"), ("feed other", "left:50.00%"), ("cut", "left:50.00%")]
    assert [b.text for b in line.iter("b")] == ["start, 5 A", "100, boat"]


def test_it_stands_alone_and_promises_nothing(tmp_path: Path) -> None:
    text = page(tmp_path, sheet())
    links: list[str] = []

    class Links(HTMLParser):
        def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
            links.extend(tag for name, _ in attrs if name in ("src", "href", "srcset"))
            links.extend([tag] if tag in ("script", "link", "img", "iframe") else [])

    Links().feed(text)
    assert links == []
    assert "url(" not in text and "http" not in text
    assert re.search(r"\bsafe", words(text), re.IGNORECASE) is None
    assert "<b>lights" not in text and "Quay & <b>lights</b>" in words(text)
    assert "Local code and licensed people have the last word." in words(text)


def test_every_supply_has_paper_of_its_own(tmp_path: Path) -> None:
    content = sheet()
    content["supplies"]["boat"] = content["supplies"]["shed"]
    text = page(tmp_path, content)
    sections = [s for s in ET.fromstring(text).iter("section") if s.get("class") == "sheet"]
    names = ["".join(head.itertext()) for s in sections[:2] for head in s.iterfind("h2")]
    assert names == ["shed5 V, 30 A", "boat5 V, 30 A"]
    assert len(sections) == 3
    assert ".sheet { break-before: page;" in text
