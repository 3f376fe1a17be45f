"""One `play` at a time on a computer: two would pull the boards to and fro."""

from __future__ import annotations

import contextlib
import os
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

from ..faults import ShowFails


def lock_path() -> Path:
    """Where the lock lies: a folder of this user that does not outlive a restart, where the system has one."""
    folder = os.environ.get("XDG_RUNTIME_DIR") or tempfile.gettempdir()
    who = str(os.getuid()) if hasattr(os, "getuid") else os.environ.get("USERNAME", "user")
    return Path(folder) / f"glowscore-play-{who}.lock"


@contextlib.contextmanager
def only_one(path: Path | None = None) -> Iterator[None]:
    """Hold the lock; the system lets go of it however this process ends. Raises `ShowFails` where another holds it."""
    path = path or lock_path()
    handle = os.open(path, os.O_RDWR | os.O_CREAT, 0o600)
    try:
        if not _taken(handle):
            other = os.pread(handle, 20, 0).decode(errors="replace").strip() if hasattr(os, "pread") else ""
            raise ShowFails(f"another glowscore play is running{f' (process {other})' if other.isdecimal() else ''}")
        os.ftruncate(handle, 0)
        os.write(handle, f"{os.getpid()}\n".encode())
        yield
    finally:
        os.close(handle)


def _taken(handle: int) -> bool:
    """Take the lock; False where another process has it."""
    try:
        if sys.platform == "win32":
            import msvcrt

            os.lseek(handle, 1 << 20, os.SEEK_SET)  # beyond the text, which stays readable
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
            os.lseek(handle, 0, os.SEEK_SET)
        else:
            import fcntl

            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True
