"""Single keys from the terminal, without waiting. Where there is no terminal there are no keys."""

from __future__ import annotations

import contextlib
import os
import select
import sys
from collections.abc import Iterator
from typing import Any

KEYS = {
    " ": "pause",
    "\x1b[C": "forward",
    "\x1bOC": "forward",
    "\x1b[D": "back",
    "\x1bOD": "back",
    "n": "next",
    "b": "blackout",
    "+": "brighter",
    "=": "brighter",
    "-": "dimmer",
    "]": "later",
    "[": "earlier",
    "q": "quit",
}
HELP = "space pause, left/right a bar, n next, b blackout, + - brightness, [ ] light earlier or later, q quit"


def parse(text: str) -> tuple[list[str], str]:
    """What was pressed, and the rest of a key that has not arrived whole. Keys that mean nothing are dropped."""
    out = []
    while text:
        size = next((n for n in (3, 1) if text[:n] in KEYS), 0)
        if size:
            out.append(KEYS[text[:size]])
        elif len(text) < 3 and any(key.startswith(text) for key in KEYS):
            return out, text
        elif text[0] == "\x1b":  # another key with a sequence of its own
            size = next((i + 1 for i, letter in enumerate(text) if i > 1 and letter.isalpha() or letter == "~"), 0)
        text = text[size or 1 :]
    return out, ""


class Keys:
    """Keys as they are pressed. Use as a context: the terminal is as it was afterwards."""

    def __init__(self, stream: Any = None) -> None:
        self._stream = sys.stdin if stream is None else stream
        self._rest = ""
        self._on = False

    def pressed(self) -> list[str]:
        """The keys since the last call, as words of `KEYS`."""
        if not self._on:
            return []
        try:
            text = self._read()
        except OSError:  # the terminal was closed
            self._on = False
            return []
        found, self._rest = parse(self._rest + text)
        return found

    def _read(self) -> str:
        if sys.platform == "win32":
            import msvcrt

            out = ""
            while msvcrt.kbhit():
                letter = msvcrt.getwch()
                arrow = {"K": "\x1b[D", "M": "\x1b[C"}
                out += arrow.get(msvcrt.getwch(), "") if letter in "\x00\xe0" else letter
            return out
        handle = self._stream.fileno()
        if not _in_front(handle) or not select.select([handle], [], [], 0)[0]:
            return ""
        data = os.read(handle, 256)
        if not data:
            raise OSError("the end of the keys")
        return data.decode(errors="replace")

    @contextlib.contextmanager
    def listening(self) -> Iterator[Keys]:
        """Keys without the return key, not shown on the terminal. Ctrl-C stays a signal."""
        if self._stream is None or not self._stream.isatty():
            yield self
            return
        self._on = True
        if sys.platform == "win32":
            yield self
            return
        import termios
        import tty

        handle = self._stream.fileno()
        if not _in_front(handle):
            self._on = False
            yield self
            return
        before = termios.tcgetattr(handle)
        try:
            tty.setcbreak(handle)
            yield self
        finally:
            self._on = False
            with contextlib.suppress(termios.error, OSError):  # a terminal that is closed needs nothing
                if _in_front(handle):  # else the shell has set it as it wants it
                    termios.tcsetattr(handle, termios.TCSADRAIN, before)


def _in_front(handle: int) -> bool:
    """Whether the terminal is this job's. One behind a shell's & is stopped where it asks for keys: dark, for ever."""
    try:
        return os.tcgetpgrp(handle) == os.getpgrp()
    except OSError:  # not the terminal that jobs are controlled from
        return True
