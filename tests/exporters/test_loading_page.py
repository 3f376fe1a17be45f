"""The page about loading and what loading says, held together."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from shows import ROOT

from composer.arguments import parser

PAGE = (ROOT / "exporters" / "LOADING.md").read_text(encoding="utf-8")
SOURCES = "".join(
    re.sub(r'"\s*\n\s*f?"', "", path.read_text(encoding="utf-8"))
    for path in (
        ROOT / "exporters" / "loading.py",
        ROOT / "exporters" / "mpboard.py",
        ROOT / "exporters" / "package.py",
        ROOT / "composer" / "pipeline" / "loading.py",
    )
)
SAYS = re.findall(r"^\| ([^|`]+?) \|", PAGE.partition("## When it says no")[2], re.MULTILINE)[1:]


def options() -> list[str]:
    verbs = next(action for action in parser()._actions if action.dest == "verb")
    load = dict(verbs.choices or {})["load"]
    return [action.option_strings[-1] for action in load._actions if action.option_strings]


@pytest.mark.parametrize("option", sorted({"--only", "--replace", "--force", "--wiring", "--controller", "--port"}))
def test_the_page_names_options_that_are_there(option: str) -> None:
    assert option in options() and option in PAGE


@pytest.mark.parametrize("says", SAYS)
def test_what_the_page_says_it_says_is_said(says: str) -> None:
    # Names stand for what varies: the words between them must follow on each other in the source.
    parts = [
        part for part in re.split(r'"?(?:\.\.\.|deck|quay|pico|main\.py| and )"?', says) if len(part.strip(' ",')) > 3
    ]
    assert parts and all(part.strip(' ",') in SOURCES for part in parts)


def test_every_file_that_the_page_names_is_written(baked: Path) -> None:
    there = {path.name for path in (baked / "out" / "quay").iterdir()}
    assert {"main.py", "rooms.py", "glow", "settings.json", "manifest.json", "tide.roll"} == there
