"""Model boards behind real pseudo terminals, in real time: what the verb `play` meets on a night."""

from __future__ import annotations

import os
import pty
import select
import threading
import time
import tty
from pathlib import Path

from board_model import ModelBoard, Roll

from composer.pipeline.playing import Baked, load_baked


class PtyBoard:
    """A model board on a serial port of its own. `unplug` and `plug` it."""

    def __init__(self, model: ModelBoard) -> None:
        self.model = model
        self.plug()

    def plug(self) -> None:
        """Open a port."""
        self.master, self._slave = pty.openpty()
        tty.setraw(self._slave)
        self.port = os.ttyname(self._slave)
        self._there = True
        self._serving = threading.Thread(target=self._serve, daemon=True)
        self._serving.start()

    def _serve(self) -> None:
        rest = b""
        while self._there:
            if not select.select([self.master], [], [], 0.02)[0]:
                continue
            *whole, rest = (rest + os.read(self.master, 1024)).split(b"\n")
            for line in filter(None, whole):
                os.write(self.master, self.model.hear(line.decode()).encode() + b"\r\n")

    def unplug(self) -> None:
        """Pull it out: its power goes with it."""
        self._there = False
        self._serving.join()  # before its descriptors are anybody else's
        os.close(self._slave)
        os.close(self.master)
        self.model.restart()


def model_of(baked: Baked, controller: str) -> ModelBoard:
    """A board that was loaded with a show."""
    roll = baked.rolls[controller]
    files = {roll.name: Roll(f"{roll.head_crc:08x}", roll.sha256, baked.end_s)}
    return ModelBoard(time.monotonic, controller, files)


def boards_for(folder: Path) -> dict[str, PtyBoard]:
    """Every board of a baked show, loaded and plugged in."""
    baked = load_baked(folder)
    return {name: PtyBoard(model_of(baked, name)) for name in baked.rolls}


def until(done: object, seconds: float = 10.0) -> None:
    """Wait for something to become true."""
    end_s = time.monotonic() + seconds
    while not done():  # type: ignore[operator]
        assert time.monotonic() < end_s
        time.sleep(0.01)
