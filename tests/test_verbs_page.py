"""VERBS.md and LISTENING.md: every option of every verb and every key of STEM.fix.toml, and no other."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from shows import ROOT

from composer.arguments import LEVELS, parser
from composer.faults import parse_toml
from composer.songmap import load_fixes
from composer.songmap.fixes import BEAT_KEYS, fixes_path

VERBS = (ROOT / "composer" / "VERBS.md").read_text(encoding="utf-8")
LISTENING = (ROOT / "composer" / "LISTENING.md").read_text(encoding="utf-8")
FIXES = re.findall(r"```toml\n(.*?)```", LISTENING, re.DOTALL)[0]
COMMANDS = next(action.choices for action in parser()._actions if action.dest == "verb") or {}


def section(verb: str) -> str:
    """What stands under the heading that names a verb."""
    return next(part for part in VERBS.split("\n## ")[1:] if re.search(rf"\b{verb}\b", part.splitlines()[0]))


def options(verb: str) -> set[str]:
    """A verb's options as `--help` has them; --json is told once for all."""
    every = {word for action in COMMANDS[verb]._actions for word in action.option_strings}
    return every - {"-h", "--help", "--json"}


@pytest.mark.parametrize("verb", sorted(COMMANDS))
def test_each_verb_has_its_options_there_and_no_other(verb: str) -> None:
    rows = "\n".join(line.split("|")[1] for line in section(verb).splitlines() if line.startswith("| `"))
    assert set(re.findall(r"(?<![\w-])--?[a-z][a-z0-9-]*", rows)) == options(verb)


def test_verbs_that_print_json_are_named() -> None:
    printing = {verb for verb, words in COMMANDS.items() if "--json" in words.format_help()}
    line = next(line for line in VERBS.splitlines() if line.startswith("`--json`"))
    assert set(re.findall(r"`([a-z]+)`", line)) == printing


def test_every_level_stands_in_listening() -> None:
    assert all(f"`{level}`" in LISTENING for level in LEVELS)


def test_the_example_of_a_fix_file_is_one_and_has_every_key(tmp_path: Path) -> None:
    path = fixes_path(tmp_path / "song.mp3")
    path.write_text(FIXES, encoding="utf-8")
    fixes = load_fixes(path)
    assert fixes.shift.seconds * 50 == -1 and fixes.labels == {"door": (12.5, "33.2")}
    assert set(parse_toml(FIXES, "page")) == {*BEAT_KEYS, "format", "sections", "section", "labels", "notes"}
    assert set(parse_toml(FIXES, "page")["grid"]) == {"source", "beats", "bars", "beats_per_bar"}
