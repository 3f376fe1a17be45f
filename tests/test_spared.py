"""What a verb writes never goes over what it reads; --json is JSON whatever comes of the show and the terminal."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from shows import RIG, ROOT, SCORE, listing, make_show

from composer.cli import main

PLACED = RIG.replace("path = [[3, 0.5], [4.5, 0.5]]", 'csv = "boom.csv"').replace(
    "path = [[2, 0], [2, 1.2]]", 'svg = "front.svg#mast"'
)
DRAWING = '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 100 50"><path id="mast" d="M 0 0 L 0 50"/></svg>\n'


@pytest.fixture
def show(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A show with places in a file and a drawing, corrections and labels; the folder to stand in."""
    folder = make_show(tmp_path / "tide", rig=PLACED + "\n[drawing]\nwidth = 4.0\n")
    (folder / "front.svg").write_text(DRAWING)
    (folder / "boom.csv").write_text("".join(f"{3 + i / 20},0.5\n" for i in range(30)))
    (folder / "tide.fix.toml").write_text("format = 1\n")
    (folder / "door.txt").write_text("1.0\t1.0\tdoor\n")
    monkeypatch.chdir(folder)
    return folder


@pytest.mark.parametrize(
    "line",
    [
        "listen tide.wav -o tide.wav",
        "listen tide.wav -o tide.fix.toml",
        "listen tide.wav -o score.toml",
        "listen tide.wav --clicks tide.wav",
        "listen tide.wav --clicks ../tide/tide.wav",
        "listen tide.wav --midi-out tide.wav",
        "listen tide.wav --labels-out rig.toml",
        "listen tide.wav --labels door.txt --labels-out door.txt",
        "rig . -o front.svg",
        "audit . --csv score.toml",
        "audit . --csv boom.csv",
        "audit . --csv out/quay/tide.roll",
        "audit --roll out/quay/tide.roll --rig rig.toml --csv rig.toml",
        "inspect roll.npz --frames roll.npz",
    ],
)
def test_what_is_read_is_not_written_over(
    line: str, show: Path, baked: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copytree(baked / "out", show / "out")
    shutil.copy(baked / "out" / "quay" / "tide.roll", show / "roll.npz")
    before = listing(show)
    assert main(line.split()) == 2
    assert listing(show) == before
    said = capsys.readouterr()
    assert said.out == "" and "would write over what is read here" in said.err


@pytest.mark.parametrize(
    "line",
    ["listen tide.wav -o .", "listen tide.wav --midi-out .", "listen tide.wav --labels-out .", "audit . --csv ."],
)
def test_a_folder_is_no_file_to_be_written(
    line: str, show: Path, baked: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copytree(baked / "out", show / "out")
    assert main(line.split()) == 2
    assert capsys.readouterr().err.startswith(".: ")


def test_two_files_to_be_written_are_two(show: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["listen", "tide.wav", "--midi-out", "new", "--labels-out", "./new"]) == 2
    assert capsys.readouterr().err == "new: --labels-out: names the same file as --midi-out: name another file\n"
    assert not Path("new").exists()


def test_what_was_written_before_is_written_again(show: Path) -> None:
    line = ["listen", "tide.wav", "-o", "tide.json", "--clicks", "clicks.wav", "--labels-out", "out.txt"]
    assert [main(line), main(line)] == [0, 0]
    assert main(["rig", ".", "-o", "rig.svg"]) == main(["rig", ".", "-o", "rig.svg"]) == 0


def test_a_rig_of_its_own_goes_with_rolls_alone(show: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["audit", ".", "--rig", "rig.toml"]) == 2
    assert capsys.readouterr().err == "audit: --rig goes with --roll: a show names its own rig\n"


def test_a_show_that_fails_still_prints_its_audit_as_json(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = make_show(tmp_path / "tide")
    assert main(["bake", str(folder), "--json", "--limiter", "off"]) == 1  # bar 4 is more than the boat gives
    said = capsys.readouterr()
    found = json.loads(said.out)
    assert found == json.loads((folder / "out" / "audit.json").read_text(encoding="utf-8"))
    assert found["ok"] is False and "supply.boat" in said.err


@pytest.mark.parametrize("letters", ["ascii", "cp1252", "utf-8"])
def test_a_title_that_the_terminal_has_no_letters_for_ends_nothing(letters: str, tmp_path: Path) -> None:
    title = "Ëb ☕ 潮"
    folder = make_show(tmp_path / "tide", score=SCORE.replace("Ebb & tide", title))
    env = {**os.environ, "PYTHONIOENCODING": letters}
    line = [sys.executable, "-m", "composer", "check", str(folder)]
    plain, as_json = (
        subprocess.run([*line, *more], capture_output=True, cwd=ROOT, env=env, timeout=120) for more in ([], ["--json"])
    )
    assert (plain.returncode, plain.stderr) == (as_json.returncode, as_json.stderr) == (0, b"")
    assert plain.stdout.startswith(title.encode(letters, "backslashreplace"))
    assert json.loads(as_json.stdout.decode(letters))["title"] == title
