"""Lines to the terminal. One that is closed, or that takes nothing (Ctrl-S, a slow network), holds nothing up."""

from __future__ import annotations

import contextlib
import select
import shutil
import sys
from typing import TextIO

from .status import fitted


def show(text: str) -> None:
    """The line that changes, over the one before; nothing in a pipe."""
    with contextlib.suppress(OSError, ValueError):
        if sys.stdout.isatty() and _takes(sys.stdout):
            width = shutil.get_terminal_size().columns - 1
            sys.stdout.write("\r" + fitted(text, width).ljust(width))
            sys.stdout.flush()


def end() -> None:
    """Leave that line."""
    with contextlib.suppress(OSError, ValueError):
        if sys.stdout.isatty() and _takes(sys.stdout):
            print(flush=True)


def say(text: str) -> None:
    """A line that stays, on stderr."""
    with contextlib.suppress(OSError, ValueError):
        if _takes(sys.stderr):
            print("\r\x1b[K" + text if sys.stderr.isatty() else text, file=sys.stderr, flush=True)


def _takes(stream: TextIO) -> bool:
    """Whether writing would not wait."""
    return sys.platform == "win32" or bool(select.select([], [stream], [], 0)[1])
