"""Model boards behind real pseudo terminals, in real time: what the verb `play` meets on a night."""

from __future__ import annotations

import os
import pty
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
        self.lit_at_stop: bool | None = None
        self.plug()

    def plug(self) -> None:
        """Open a port."""
        self.master, self._slave = pty.openpty()
        tty.setraw(self._slave)
        self.port = os.ttyname(self._slave)
        threading.Thread(target=self._serve, args=(self.master,), daemon=True).start()

    def _serve(self, master: int) -> None:
        rest = b""
        while True:
            try:
                *whole, rest = (rest + os.read(master, 1024)).split(b"\n")
                for line in filter(None, whole):
                    answer = self.model.hear(line.decode())
                    os.write(master, answer.encode() + b"\r\n")
            except OSError:
                return

    def unplug(self) -> None:
        """Pull it out: its power goes with it."""
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
