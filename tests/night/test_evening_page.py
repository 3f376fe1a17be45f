"""EVENING.md: its example is an evening, its table has every key, its keys are the program's."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from shows import ROOT

from composer.arguments import parser
from composer.faults import FaultList, Faults, parse_toml
from composer.night.evening import Evening, evening_from, load_evening
from composer.night.keys import KEYS
from composer.night.stage import RUN_UP_S, STEP_OFFSET_MS

PAGE = (ROOT / "composer" / "EVENING.md").read_text(encoding="utf-8")
EXAMPLE = re.findall(r"```toml\n(format.*?)```", PAGE, re.DOTALL)[0]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name in ("quay", "ebb", "embers"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "score.toml").touch()
    return tmp_path


def test_the_example_is_an_evening(folder: Path) -> None:
    path = folder / "evening.toml"
    path.write_text(EXAMPLE, encoding="utf-8")
    evening = load_evening(path)
    assert (evening.start, evening.end, evening.pause_s) == (1050, 1320, 20.0)
    assert evening.brightness == ((1050, 1.0), (1260, 0.5))
    assert evening.look == folder / "embers"


def test_the_table_has_every_key_and_no_other(folder: Path) -> None:
    listed = set(re.findall(r"^\| `([\w.]+)(?:\.\"H:MM\")?` \|", PAGE, re.MULTILINE))
    document = parse_toml(EXAMPLE, "evening.toml")
    used = {
        f"{key}.{inner}" if isinstance(value, dict) and key != "brightness" else key
        for key, value in document.items()
        for inner in (value if isinstance(value, dict) else [""])
    }
    assert listed == used
    # And the reader knows these keys alone: one more, and it is told.
    for key in sorted(used):
        table, _, inner = key.rpartition(".")
        wrong = parse_toml(EXAMPLE, "evening.toml")
        (wrong[table] if table else wrong)[f"{inner}_x"] = 1
        faults = FaultList("evening.toml")
        evening_from(wrong, folder / "evening.toml", faults)
        assert any("unknown key" in str(fault) for fault in faults.faults), key


def test_what_holds_unless_said(folder: Path) -> None:
    path = folder / "evening.toml"
    path.write_text('format = 1\nshows = ["quay"]', encoding="utf-8")
    assert load_evening(path) == Evening((folder / "quay",))
    rows = dict(re.findall(r"^\| `([\w.]+)` \|.*\| ([^|]+) \|$", PAGE, re.MULTILINE))
    assert (rows["rounds"], rows["shuffle"], rows["times.cut"], rows["sound.offset_ms"]) == ("1", "false", "false", "0")
    with pytest.raises(Faults, match="format: is missing"):
        path.write_text('shows = ["quay"]', encoding="utf-8")
        load_evening(path)


def test_every_key_of_the_keyboard_stands_on_the_page() -> None:
    section = PAGE.split("## Keys")[1].split("## When")[0]
    names = re.findall(r"^\| ([^|]+) \| ", section, re.MULTILINE)
    single = {word for name in names for word in name.split()}
    assert {key for key in KEYS if len(key) == 1} - {" ", "="} <= single
    assert "space" in single and "left," in single and "right" in single
    assert f"{STEP_OFFSET_MS:g} ms later" in section
    assert f"{RUN_UP_S} s of silence" in PAGE


def test_every_flag_of_the_page_is_one_of_the_verbs() -> None:
    verbs = next(action.choices for action in parser()._actions if action.dest == "verb")
    flags = {
        flag for name in ("play", "load", "audit") for action in verbs[name]._actions for flag in action.option_strings
    }
    named = set(re.findall(r"--[a-z][a-z0-9-]+", PAGE))
    assert len(named) > 8
    assert named <= flags


def test_the_numbers_of_the_page() -> None:
    # Sound at 20 degrees: 343 m/s; ITU-R BT.1359-1 (1998), considering g): 45 ms and 125 ms.
    assert round(1000 / 343, 1) == 2.9
    assert round(15 * 1000 / 343) == 44
    assert round(1000 / 240, 1) == 4.2
    assert 4 * 60 * 50e-6 * 1000 == pytest.approx(12)
    for text in ("2.9 ms a metre", "already 44 ms early", "each is 4.2 ms", "12 ms in a song of four minutes"):
        assert text in " ".join(PAGE.split())
