"""`glowscore play` as a process of its own, with boards on pseudo terminals: it starts them, follows, and ends dark."""

from __future__ import annotations

import contextlib
import os
import pty
import signal
import subprocess
import sys
import termios
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from night_kit import PtyBoard, boards_for, until
from shows import ROOT, command, make_show

from composer.cli import main
from composer.night import programme
from composer.night.keys import Keys
from composer.night.lock import lock_path


@pytest.fixture(autouse=True)
def own_lock(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))


@pytest.fixture
def boards(baked: Path) -> Iterator[dict[str, PtyBoard]]:
    made = boards_for(baked)
    yield made
    for board in made.values():
        board.unplug()


BRIEF = """\
format = 1
song = "tide.wav"
rig = "rig.toml"

[[clip]]
name = "glow"
zone = "all"
effect = "hold"
bars = "1-2"
colour = "navy"
"""


@pytest.fixture
def brief(tmp_path: Path) -> Path:
    """A show of four seconds, baked: so long does its end keep one waiting."""
    folder = make_show(tmp_path / "brief", score=BRIEF, seconds=4.0)
    assert main(["bake", str(folder)]) == 0
    return folder


def ports(boards: dict[str, PtyBoard]) -> list[str]:
    return [word for board in boards.values() for word in ("--port", board.port)]


def playing(*arguments: object) -> subprocess.Popen[str]:
    line = [sys.executable, "-m", "composer", "play", *map(str, arguments)]
    return subprocess.Popen(line, cwd=ROOT, text=True, stdout=subprocess.PIPE, stderr=subprocess.PIPE)


def all_lit(boards: dict[str, PtyBoard]) -> bool:
    return all(board.model.state == "playing" and board.model.lit for board in boards.values())


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM], ids=lambda n: n.name)
def test_it_starts_the_boards_together_and_a_signal_ends_dark(
    baked: Path, boards: dict[str, PtyBoard], number: signal.Signals
) -> None:
    play = playing(baked, "--no-sound", *ports(boards))
    until(lambda: all_lit(boards), 30)
    time.sleep(1.0)
    places = [board.model.position_s() for board in boards.values()]
    assert max(places) - min(places) < 0.045  # in real time, beside whatever else runs here
    play.send_signal(number)
    assert play.wait(10) == 0, play.stderr.read()  # type: ignore[union-attr]
    assert [board.model.state for board in boards.values()] == ["idle", "idle"]


def test_a_show_plays_to_its_end(brief: Path) -> None:
    boards = boards_for(brief)
    done = command("play", brief, "--no-sound", *ports(boards))
    assert done.returncode == 0, done.stderr
    for board in boards.values():
        assert board.model.state == "idle"
        assert board.model.jumps_ms == []
        said = [line for line in board.model.heard if line.startswith(("cue", "start", "stop"))]
        assert [line.split(" ")[0] for line in said] == ["stop", "cue", "start", "stop"]
        positions = [float(line.split(" ")[1]) for line in board.model.heard if line.startswith("at ")]
        assert positions[0] < 0 and 3 < positions[-1] < 4.1  # a last round may begin just before the end
        board.unplug()


def test_a_board_that_is_unplugged_is_told_and_the_others_go_on(baked: Path, boards: dict[str, PtyBoard]) -> None:
    play = playing(baked, "--no-sound", *ports(boards))
    until(lambda: all_lit(boards), 30)
    boards["deck"].unplug()
    time.sleep(1.5)
    assert boards["quay"].model.state == "playing"
    play.send_signal(signal.SIGINT)
    _, said = play.communicate(timeout=15)
    assert "deck: unplugged" in said
    assert "deck: did not say that it is dark" in said
    assert boards["quay"].model.state == "idle"
    boards["deck"].plug()


def test_a_wrong_roll_is_refused_by_name(baked: Path, boards: dict[str, PtyBoard]) -> None:
    boards["deck"].model.files["tide.roll"].sha256 = "00" * 32
    done = command("play", baked, "--no-sound", *ports(boards))
    assert done.returncode == 1
    assert 'deck: its "tide.roll" is another than was baked: load it again' in done.stderr
    assert "quay" not in done.stderr.replace(str(baked), "")
    assert not any(line.startswith("start") for line in boards["quay"].model.heard)


def test_a_roll_that_was_never_loaded_is_refused_by_name(baked: Path, boards: dict[str, PtyBoard]) -> None:
    boards["deck"].model.files.clear()
    done = command("play", baked, "--no-sound", *ports(boards))
    assert done.returncode == 1
    assert 'deck: has no "tide.roll": load it first' in done.stderr


def test_a_missing_board_is_refused_unless_partly(baked: Path, boards: dict[str, PtyBoard]) -> None:
    quay = ["--port", boards["quay"].port]
    done = command("play", baked, "--no-sound", *quay)
    assert done.returncode == 2
    assert "boards: deck: does not answer" in done.stderr
    play = playing(baked, "--no-sound", "--partly", *quay)
    until(lambda: boards["quay"].model.lit, 30)
    play.send_signal(signal.SIGTERM)
    _, said = play.communicate(timeout=10)
    assert play.returncode == 0
    assert said.splitlines()[0] == "deck: missing"


def test_a_board_that_another_computer_leads_is_left_alone(baked: Path, boards: dict[str, PtyBoard]) -> None:
    model = boards["deck"].model
    model.hear("cue tide.roll", who="elsewhere")
    model.hear("start 0", who="elsewhere")
    done = command("play", baked, "--no-sound", *ports(boards))
    assert done.returncode == 1
    assert "deck: is led by another computer" in done.stderr
    assert model.state == "playing"


def test_two_boards_of_one_name_are_refused(baked: Path, boards: dict[str, PtyBoard]) -> None:
    boards["deck"].model.controller = "quay"
    done = command("play", baked, "--no-sound", *ports(boards))
    assert done.returncode == 2
    assert "two boards are this controller" in done.stderr


def test_two_plays_at_once_are_refused(baked: Path, boards: dict[str, PtyBoard]) -> None:
    play = playing(baked, "--no-sound", *ports(boards))
    until(lambda: all_lit(boards), 30)
    done = command("play", baked, "--no-sound", "--no-boards")
    assert done.returncode == 1
    assert f"another glowscore play is running (process {play.pid})" in done.stderr
    assert all_lit(boards)
    play.kill()
    play.wait()
    assert lock_path().exists()  # the file stays; the lock went with the process
    for board in boards.values():
        board.model.restart()
    again = playing(baked, "--no-sound", *ports(boards))
    until(lambda: all_lit(boards), 30)
    again.send_signal(signal.SIGINT)
    assert again.wait(10) == 0


def test_a_closed_terminal_ends_dark(baked: Path, boards: dict[str, PtyBoard]) -> None:
    master, slave = pty.openpty()
    line = [sys.executable, "-m", "composer", "play", str(baked), "--no-sound", *ports(boards)]
    play = subprocess.Popen(line, cwd=ROOT, stdin=slave, stdout=slave, stderr=slave, start_new_session=True)
    os.close(slave)
    until(lambda: all_lit(boards), 30)
    os.close(master)  # what the person's window was
    play.send_signal(signal.SIGHUP)
    play.wait(10)
    assert [board.model.state for board in boards.values()] == ["idle", "idle"]


def test_a_play_behind_the_shells_ampersand_asks_the_terminal_for_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """It would be stopped (POSIX.1-2017, XBD 11.1.4), its boards dark after 10 s and its lock held."""
    master, slave = pty.openpty()
    before = termios.tcgetattr(slave)
    os.write(master, b"q\n")
    monkeypatch.setattr(os, "tcgetpgrp", lambda handle: os.getpgrp() + 1)
    with open(slave) as stream, Keys(stream).listening() as keys:
        assert keys.pressed() == []
        assert termios.tcgetattr(slave) == before
    os.close(master)


def test_a_second_ctrl_c_while_the_terminal_is_given_back_is_heard(
    baked: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Impatient(Keys):
        def pressed(self) -> list[str]:
            return ["quit"]

        @contextlib.contextmanager
        def listening(self) -> Iterator[Keys]:
            yield self
            signal.raise_signal(signal.SIGINT)

    monkeypatch.setattr(programme, "Keys", Impatient)
    assert main(["play", str(baked), "--no-sound", "--no-boards"]) == 0


def test_keys_pause_seek_black_out_and_quit(baked: Path, boards: dict[str, PtyBoard]) -> None:
    master, slave = pty.openpty()
    line = [sys.executable, "-m", "composer", "play", str(baked), "--no-sound", *ports(boards)]
    play = subprocess.Popen(line, cwd=ROOT, stdin=slave, stdout=slave, stderr=slave)
    model = boards["quay"].model
    until(lambda: all_lit(boards), 30)
    os.write(master, b" ")
    until(lambda: model.state == "paused")
    os.write(master, b" ")
    until(lambda: model.state == "playing")
    before = model.position_s()
    os.write(master, b"\x1b[C\x1b[C\x1b[C")
    until(lambda: model.position_s() > before + 3.5)  # bars of 2 s
    os.write(master, b"b")
    until(lambda: model.blackout)
    os.write(master, b"b--")
    until(lambda: not model.blackout and model.bright == 255 - 26)
    os.write(master, b"q")
    assert play.wait(10) == 0
    assert model.state == "idle"
    screen = os.read(master, 1 << 16).decode()
    assert "Ebb & tide" in screen and "BLACKOUT" in screen and "/8.0 A" in screen
    os.close(slave)
    os.close(master)


def test_a_show_that_was_not_baked_is_told(tmp_path: Path) -> None:
    done = command("play", make_show(tmp_path / "raw"), "--no-sound", "--no-boards")
    assert done.returncode == 2
    assert done.stderr.count("no such roll: bake the show") == 2


def test_a_sound_device_that_is_not_there_is_told_before_anything_lights(baked: Path) -> None:
    """Whatever this computer has, it has no such device; without PortAudio the line says what to do."""
    done = command("play", baked, "--no-boards", "--device", "No Such Device")
    assert done.returncode == 2
    assert len(done.stderr.splitlines()) == 1
    assert done.stderr.startswith("sound: ")


def test_play_needs_something_to_play() -> None:
    done = command("play")
    assert (done.returncode, done.stderr) == (2, "play: needs shows, or an evening.toml\n")
