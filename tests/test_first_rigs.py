"""The rigs that everybody copies bake without a word of complaint: that of `new`, the README's and RIG.md's.

The loads are the worst that a limited show can be: every pixel white from the first bar to the last.
"""

from __future__ import annotations

import json
import re
import tomllib
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest
from shows import ROOT, make_show

from composer import starting
from composer.cli import main
from composer.rig import load_rig

WHITE = """\
format = 1
song = "tide.wav"
[[clip]]
zone = "rail"
effect = "hold"
at = "start"
to = "end"
colour = "white"
"""


def example(page: str, number: int = 0) -> str:
    """A page's TOML example."""
    found: list[str] = re.findall(r"```toml\n(.*?)```", (ROOT / page).read_text(encoding="utf-8"), re.DOTALL)
    return found[number]


def readme_score() -> str:
    return example("README.md", 1).replace("song.mp3", "tide.wav")


@pytest.mark.parametrize(
    ("rig", "score", "seconds"),
    [
        (starting.RIG, WHITE, 8.0),
        (example("README.md"), WHITE, 8.0),
        # "For a song of 30 bars or more": 60 s at 120 beats a minute.
        (example("README.md"), readme_score(), 61.0),
        (example("composer/RIG.md"), WHITE.replace("rail", "all"), 8.0),
    ],
    ids=["new", "readme, white", "readme", "rig page"],
)
def test_the_rigs_that_everybody_copies_bake_clean(
    rig: str, score: str, seconds: float, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    show = make_show(tmp_path / "tide", rig=rig, score=score, seconds=seconds)
    assert main(["check", str(show)]) == 0
    assert "rig.toml" not in capsys.readouterr().out
    assert main(["bake", str(show), "--no-red"]) == 0
    said = capsys.readouterr().out
    assert not re.search(r"^(feed|string|flashes)", said, re.MULTILINE), said
    for name in ("audit.html", "sheet.html"):
        page = ET.fromstring((show / "out" / name).read_text(encoding="utf-8"))
        red = ["".join(part.itertext()) for part in page.iter() if part.get("class") in ("bad-word", "remarks")]
        assert red == [], name
    advised = json.loads((show / "out" / "audit.json").read_text(encoding="utf-8"))["advice"]["feeds"]
    assert [name for name, feed in advised.items() if feed["fuse_a"] is None] == []


def test_the_readmes_hits_keep_below_three_in_a_second() -> None:
    # WCAG 2.3.1: no more than three flashes in any one second. Hits half a second apart are two.
    (trigger,) = tomllib.loads(readme_score())["trigger"]
    assert trigger["gap"] == "0.5 s"


@pytest.mark.parametrize(
    ("string", "peak_a"),
    # What the demo's audit shows, rounded up.
    [("eaves", 1.6), ("crane", 1.4), ("rail", 2.0), ("bollards", 0.5), ("beacon", 0.6), ("hull", 2.0), ("mast", 1.1)],
)
def test_the_demos_wires_drop_no_more_than_its_sheet_allows(string: str, peak_a: float) -> None:
    rig = load_rig(ROOT / "demo_show" / "rig.toml")
    for feed in rig.strings[string].feeds:
        assert feed.wire is not None
        ohm = 1.7241e-8 / (feed.wire.mm2 * 1e-6) * feed.wire.metres  # IEC 60028, copper at 20 C
        assert 2 * ohm * peak_a <= 0.03 * rig.supplies[feed.supply].volts, feed.name
