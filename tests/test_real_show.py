"""The whole path on a recording that nobody here made: see tests/real_show/README.md."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import pytest

from composer.cli import main

SHOW = Path(__file__).parent / "real_show"
SONG = Path("/usr/share/games/asc/music/machine_wars.mp3")  # Debian's asc-music, GPL-2+


@pytest.mark.skipif(
    not SONG.exists() and not os.environ.get("CI"),
    reason="needs Debian's package asc-music (apt-get install asc-music)",
)
def test_a_real_recording_bakes_and_audits(tmp_path: Path) -> None:
    folder = tmp_path / "slipway"
    shutil.copytree(SHOW, folder)
    shutil.copy(SONG, folder)
    assert main(["bake", str(folder)]) == 0
    heard = json.loads((folder / "machine_wars.map.json").read_text())
    # Length from the package's own description of the file: 4 min 51 s. The pulse was counted by ear: 120 a minute.
    assert 285 < heard["song"]["seconds"] < 297
    assert min(abs(heard["tempo"] / 120 - level) for level in (0.5, 1, 2)) < 0.01
    audit = json.loads((folder / "out" / "audit.json").read_text())
    assert audit["ok"] is True
    assert all(row["peak_a"] <= row["budget_a"] for row in audit["supplies"].values())
    rolls = sorted((folder / "out").glob("*/*.roll"))
    assert {roll.parent.name for roll in rolls} == set(audit["controllers"])
    assert main(["inspect", str(rolls[0]), "--verify"]) == 0
