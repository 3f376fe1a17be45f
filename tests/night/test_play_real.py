"""`glowscore play` and the real player, each in its own process, joined by a pseudo terminal: the folder that a bake
wrote, the board's own lines, real time."""

from __future__ import annotations

import os
import pty
import signal
import subprocess
import sys
import time
import tty
from collections.abc import Iterator
from pathlib import Path

import pytest
from night_kit import until
from players.mpy_kit_runner import KIT, PLAYER, unix_port
from shows import ROOT

pytestmark = pytest.mark.skipif(unix_port() is None, reason="needs MicroPython's unix port")


class RealBoard:
    """The player of one controller's folder on a port of its own."""

    def __init__(self, folder: Path, log: Path) -> None:
        master, slave = pty.openpty()
        tty.setraw(master)
        tty.setraw(slave)
        self.port, self._slave, self.log = os.ttyname(slave), slave, log
        script = Path(__file__).with_name("mpy_live.py")
        words = [str(unix_port()), str(script), str(PLAYER), str(KIT), str(folder), str(log)]
        with log.with_suffix(".err").open("w") as said:
            self.process = subprocess.Popen(words, stdin=master, stdout=master, stderr=said)
        os.close(master)

    def frames(self) -> list[tuple[int, bool]]:
        """What has been sent: microseconds, and whether anything was lit."""
        lines = self.log.read_text().splitlines() if self.log.exists() else []
        return [(int(line.split(" ")[0]), line.endswith(" 1")) for line in lines]

    @property
    def lit(self) -> bool:
        """Whether the strings are lit now."""
        frames = self.frames()
        return bool(frames) and frames[-1][1]

    def close(self) -> None:
        """Its power goes."""
        self.process.kill()
        self.process.wait()
        os.close(self._slave)


@pytest.fixture
def boards(baked: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[dict[str, RealBoard]]:
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    made = {name: RealBoard(baked / "out" / name, tmp_path / f"{name}.log") for name in ("quay", "deck")}
    yield made
    for board in made.values():
        board.close()


def test_the_real_players_play_what_was_baked_and_end_dark(baked: Path, boards: dict[str, RealBoard]) -> None:
    words = [word for board in boards.values() for word in ("--port", board.port)]
    time.sleep(0.5)
    ended = [board.log.with_suffix(".err").read_text() for board in boards.values() if board.process.poll() is not None]
    assert ended == []
    play = subprocess.Popen(
        [sys.executable, "-m", "composer", "play", str(baked), "--no-sound", *words],
        cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    until(lambda: boards["quay"].lit or play.poll() is not None, 40)
    assert play.poll() is None, play.stderr.read()  # type: ignore[union-attr]
    until(lambda: len(boards["quay"].frames()) > 150, 20)
    play.send_signal(signal.SIGINT)
    _, said = play.communicate(timeout=15)
    assert play.returncode == 0, said
    assert not boards["quay"].lit and not boards["deck"].lit
    # 120 beats a minute; 40 frames a second asked, so 24 to a beat (a multiple of 12). A machine that does much else
    # at the time skips frames; it never sends more.
    lit = [at_us for at_us, on in boards["quay"].frames() if on]
    due = (lit[-1] - lit[0]) / (500_000 / 24)
    assert 0.2 * due < len(lit) <= due + 2
