"""Writing whole files or none."""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from .faults import Faults


@contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """A temporary neighbour to write to, of the same ending; renamed to `path` at the end, removed when anything fails.

    A reader meets the old file or the new one, never half of one. Raises `Faults` where the folder cannot be written.
    """
    draft = path.with_name(f".{path.stem}.{secrets.token_hex(4)}.part{path.suffix}")
    try:
        yield draft
        os.replace(draft, path)
    except OSError as error:
        raise Faults.one(path, "", f"cannot be written: {error.strerror or error}") from None
    finally:
        draft.unlink(missing_ok=True)


def write_text(path: Path, text: str) -> None:
    """Write a text file whole, UTF-8, line ends as they are. Raises `Faults`."""
    with whole_file(path) as draft:
        draft.write_text(text, encoding="utf-8", newline="")
