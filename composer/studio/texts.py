"""The files that a person writes, as the studio holds them: their text, what changed, and the way back.

Every change is a step: for each file it touched the whole text before and after. Undo and redo put those texts back to
the byte. Steps are kept in memory, as many as there are; a file changed by another program is a step too, so nothing
that ever stood in a file while the studio ran is lost. The steps end with the studio.
"""

from __future__ import annotations

import hashlib
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from ..faults import Faults, listed, reading
from ..files import write_text

ABSENT = "absent"
DRAFT_S = 10.0  # no writing takes so long
FROM_OUTSIDE = "a change from outside"


class Sheet:
    """One text file. `text` is None where there is no file; `id` names the text."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.text = self.on_disk()

    @property
    def id(self) -> str:
        """A short name of this very text."""
        return id_of(self.text)

    def on_disk(self) -> str | None:
        """What stands in the file now. Raises `Faults` for what is no text."""
        if not self.path.exists():
            return None
        try:
            with reading(self.path):
                return self.path.read_bytes().decode("utf-8")
        except UnicodeDecodeError as error:
            raise Faults.one(self.path, f"byte {error.start}", "this is not UTF-8 text") from None

    def write(self, text: str | None) -> None:
        """Put a text into the file, whole or not at all; None takes the file away. Raises `Faults`."""
        if text is None:
            self.path.unlink(missing_ok=True)
        else:
            write_text(self.path, text)
        self.text = text


def id_of(text: str | None) -> str:
    """The first letters of a text's SHA-256; a missing file has a name too."""
    return ABSENT if text is None else hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:16]


def clear_drafts(folder: Path) -> None:
    """Take away drafts that a studio which was killed while it wrote has left: nobody reads them."""
    for draft in folder.glob(".*.part.toml"):
        try:
            if time.time() - draft.stat().st_mtime > DRAFT_S:
                draft.unlink()
        except OSError:
            continue  # another program's, or gone: it harms nobody


Change = tuple[Sheet, str | None, str | None]  # a file, its text before and after


@dataclass(frozen=True)
class Step:
    """One change of one or several files; `what` says it to a person."""

    what: str
    changes: tuple[Change, ...]


@dataclass
class History:
    """The steps that were done, and those that were undone and can be done again."""

    done: list[Step] = field(default_factory=list)
    undone: list[Step] = field(default_factory=list)

    def add(self, what: str, changes: Sequence[Change]) -> None:
        """Remember a step that is written already."""
        self.done.append(Step(what, tuple(changes)))
        self.undone.clear()

    def from_outside(self) -> str:
        """The files whose last change another program made; '' where the last step was the studio's own."""
        last = self.done[-1] if self.done else None
        return listed(sheet.path.name for sheet, _, _ in last.changes) if last and last.what == FROM_OUTSIDE else ""

    def undo(self) -> Step:
        """Write the texts from before the last step. Raises IndexError without one, `Faults` as writing."""
        step = self.done[-1]
        _write([(sheet, before) for sheet, before, _ in reversed(step.changes)])
        self.undone.append(self.done.pop())
        return step

    def redo(self) -> Step:
        """Write the texts of the step that was undone last. Raises as `undo`."""
        step = self.undone[-1]
        _write([(sheet, after) for sheet, _, after in step.changes])
        self.done.append(self.undone.pop())
        return step

    def words(self) -> Mapping[str, str | None]:
        """What undo and redo would do next."""
        return {
            "undo": self.done[-1].what if self.done else None,
            "redo": self.undone[-1].what if self.undone else None,
        }


class Moved(Exception):
    """Another program wrote the file a moment ago."""


def write_all(changes: Sequence[Change]) -> None:
    """Write the new text of several files; if one cannot be written, those before it get their old text back.

    Raises `Moved`, before anything is written, where a file does not hold the text any more that the change was made
    for. (Between this look and the writing lie microseconds in which another program may still write; no lock that
    editors know of would close that gap.)
    """
    for sheet, before, _ in changes:
        if sheet.on_disk() != before:
            raise Moved
    _write([(sheet, after) for sheet, _, after in changes])


def _write(wanted: Sequence[tuple[Sheet, str | None]]) -> None:
    written: list[tuple[Sheet, str | None]] = []
    try:
        for sheet, text in wanted:
            before = sheet.text
            if before != text:
                sheet.write(text)
                written.append((sheet, before))
    except Faults:
        for sheet, before in reversed(written):
            sheet.write(before)
        raise
