"""The board's other end: plugs and unplugs it, restarts it, and looks into its flash while it is off.

What the host sends reaches MicroPython's own raw REPL, raw-paste mode and all; what it asks of files is done by
littlefs itself. Pulling the plug kills the interpreter where it stands, so what is on the flash then is what littlefs
makes of it. Not simulated: USB, which would drop the port for a moment when a board restarts, and flash's slowness.
"""

from __future__ import annotations

import contextlib
import json
import os
import pty
import select
import shutil
import signal
import subprocess
import sys
import termios
import threading
import time
import tty
from pathlib import Path
from typing import ClassVar

MICROPYTHON = shutil.which("micropython", path=str(Path(sys.executable).parent)) or shutil.which("micropython") or ""
BOOT = Path(__file__).with_name("boot.py")
HEAP = "heapsize=138k"  # about what a Pico has
PICO = "Raspberry Pi Pico with RP2040"
RAW = b"raw REPL; CTRL-B to exit\r\n>"
RESET = 42
# Takes its terminal as its own, so that Ctrl-C interrupts what runs, and becomes the interpreter.
TAKE = """
import fcntl, os, sys, termios
os.setsid()
fcntl.ioctl(0, termios.TIOCSCTTY, 0)
os.execv(sys.argv[1], sys.argv[1:])
"""


class FakeBoard:
    """One board; `port` is where a host finds it while it is plugged in. `blocks` of 4096 bytes are its flash."""

    _formatted: ClassVar[dict[tuple[int, bool], bytes]] = {}  # empty flash, formatted by MicroPython once a run

    def __init__(
        self, folder: Path, machine: str = PICO, blocks: int = 352, fat: bool = False, heap: str = HEAP
    ) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.image, self.machine, self.heap = folder / ("flash.fat" if fat else "flash.bin"), machine, heap
        if (blocks, fat) not in self._formatted:
            self.image.write_bytes(b"\xff" * 4096 * blocks)
            self._once("format")
            self._formatted[blocks, fat] = self.image.read_bytes()
        self.image.write_bytes(self._formatted[blocks, fat])
        self.port = ""
        self.heard = bytearray()  # all that the host has sent since it was plugged in
        self.restarts = 0
        self._thread: threading.Thread | None = None
        self._unplug_at: tuple[bytes, int] | None = None
        self._stop = threading.Event()
        self._spoke = threading.Event()

    # ---- while it is off ----

    def _once(self, *what: str) -> str:
        line = [MICROPYTHON, "-X", "heapsize=16m", str(BOOT), str(self.image), self.machine, *what]
        return subprocess.run(line, capture_output=True, text=True, timeout=60, check=True).stdout

    def files(self) -> dict[str, bytes]:
        """What is on the flash, by name."""
        return {name: bytes.fromhex(data) for name, data in json.loads(self._once("dump")).items()}

    def fill(self, files: dict[str, bytes]) -> None:
        """Write files as they might have been there before."""
        wanted = self.image.with_name("wanted.json")
        wanted.write_text(json.dumps({name: data.hex() for name, data in files.items()}))
        self._once("fill", str(wanted))

    # ---- the plug ----

    def plug(self, unplug_after: tuple[bytes, int] | None = None) -> str:
        """Plug it in, which starts its main.py; returns its port. `unplug_after` (words, n): when they came n times."""
        self._host, slave = pty.openpty()
        tty.setraw(slave)
        os.set_blocking(self._host, False)
        self._slave = slave
        self.port = os.ttyname(slave)
        self.heard.clear()
        self._unplug_at = unplug_after
        self._stop.clear()
        self._spoke.clear()
        self._start("main")
        self._thread = threading.Thread(target=self._carry, daemon=True)
        self._thread.start()
        self._spoke.wait(2)  # a player says that it is there, MicroPython shows its prompt; what hangs says nothing
        return self.port

    def unplug(self) -> None:
        """Pull the plug, if it is still in."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join(10)
            self._thread = None

    def __enter__(self) -> FakeBoard:
        return self

    def __exit__(self, *_: object) -> None:
        self.unplug()

    # ---- what the plug carries ----

    def _start(self, what: str) -> None:
        """A new interpreter on a terminal of its own, which does not change what passes."""
        line = [MICROPYTHON, "-X", self.heap, "-i", str(BOOT), str(self.image), self.machine, what]
        self._child, child_slave = pty.openpty()
        modes = termios.tcgetattr(child_slave)
        modes[1] &= ~termios.OPOST
        modes[3] &= ~termios.ECHO
        termios.tcsetattr(child_slave, termios.TCSANOW, modes)
        self._process = subprocess.Popen(
            [sys.executable, "-S", "-c", TAKE, *line], stdin=child_slave, stdout=child_slave, stderr=child_slave
        )
        os.close(child_slave)
        self._raw = False

    def _carry(self) -> None:
        try:
            while not self._stop.is_set() and self._step():
                pass
        finally:
            self._process.send_signal(signal.SIGKILL)
            self._process.wait(10)
            os.close(self._host)
            os.close(self._slave)
            os.close(self._child)

    def _step(self) -> bool:
        ready, _, _ = select.select([self._host, self._child], [], [], 0.02)
        if self._host in ready:
            data = os.read(self._host, 512)
            self.heard += data
            if self._unplug_at is not None and self.heard.count(self._unplug_at[0]) >= self._unplug_at[1]:
                return False
            self._to_board(data)
        if self._child in ready:
            try:
                said = os.read(self._child, 4096)
            except OSError:
                said = b""
            if said:
                self._spoke.set()
                self._to_host(said)
            else:
                self._ended()
        return True

    def _to_board(self, data: bytes) -> None:
        for byte in data:
            if byte in (1, 2):
                self._raw = byte == 1
        before, interrupt, after = data.partition(b"\x03")
        os.write(self._child, before + interrupt)
        if interrupt:  # the terminal forgets what it holds when the REPL takes it over: wait for its prompt
            self._to_host(self._until(b">", 0.5))
            os.write(self._child, after)

    def _to_host(self, data: bytes) -> None:
        end = time.monotonic() + 1
        while data and time.monotonic() < end:  # nobody reads it: lost, as on USB
            with contextlib.suppress(BlockingIOError):
                data = data[os.write(self._host, data) :]

    def _until(self, ending: bytes, patience_s: float) -> bytes:
        said = b""
        end = time.monotonic() + patience_s
        while not said.rstrip(b" ").endswith(ending) and time.monotonic() < end:
            if select.select([self._child], [], [], 0.02)[0]:
                with contextlib.suppress(OSError):
                    said += os.read(self._child, 4096)
        return said

    def _ended(self) -> None:
        """The interpreter has ended: by machine.reset(), which starts main.py, or by Ctrl-D, a soft reset, which in raw
        mode does not (docs.micropython.org, "Reset and boot sequence")."""
        code = self._process.wait(10)
        os.close(self._child)
        self.restarts += 1
        if code == RESET or not self._raw:
            self._start("again")
            return
        self._to_host(b"MPY: soft reboot\r\n")
        self._start("prompt")
        self._until(b">>>", 5)
        os.write(self._child, b"\x01")
        self._raw = True
        self._until(RAW, 5)
        self._to_host(RAW)
