"""One show being worked on: its texts, the last good version of it, its history, and who is to be told of changes.

Everything here is called from several threads; one lock holds them apart. What takes long (rendering a bar, the audit,
a bake) is done outside of it, on a version that does not change any more.
"""

from __future__ import annotations

import tempfile
import threading
from collections import OrderedDict
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from .. import renumber
from ..clock import Moment
from ..faults import Fault, Faults
from ..files import whole_file
from ..pipeline import Show, live
from ..pipeline.show import no_score
from ..songmap import Fixes, SongMap, apply_fixes, fixes_path, load_fixes, write_fixes
from . import describe
from .fix_edits import corrected
from .score_edits import MOST_OPS, BadEdit, edited
from .texts import FROM_OUTSIDE, Change, History, Moved, Sheet, clear_drafts, write_all
from .toml_text import CannotEdit

VIEWS_KEPT = 3  # versions whose pieces may still be asked for
MOST_TEXT = 2_000_000
Listener = Callable[[str, Mapping[str, Any]], None]


class Refused(Exception):
    """A request that changes nothing: `kind` and `status` as the API's table has them, `more` for its body."""

    def __init__(self, status: int, kind: str, message: str, **more: Any) -> None:
        super().__init__(message)
        self.status, self.kind, self.more = status, kind, more


class Session:
    """A show in the studio. `state()` is what the page shows; every other method changes something or refuses."""

    def __init__(self, folder: Path, tell: Callable[[str, float], None] = lambda what, share: None) -> None:
        self.lock = threading.RLock()
        self._listeners: list[Listener] = []
        self._waiting_lock = threading.Lock()
        self.waiting = 0  # requests that a person waits for
        self._tell = tell
        self.loader = live.Loader(folder, self._hearing)
        self.kept = live.Kept()
        self.history = History()
        self.version = 0
        self.view: live.View | None = None
        self.faults: list[Fault] = []
        self.unreadable: Fault | None = None
        self.kept_files: list[str] = []
        self.fixes: Sheet | None = None
        self._views: OrderedDict[int, live.View] = OrderedDict()
        self._shown: dict[str, Any] | None = None
        self._rigs = 0
        self._steps: dict[str, int] = {}  # how far clips were softened last, until it is found out anew
        self._view_text = ""
        self._stamps: live.Stamp = ()
        self.score = self._opened()
        self._take_in()

    def _opened(self) -> Sheet:
        path = self.loader.path
        if not path.exists():
            raise no_score(path)
        clear_drafts(path.parent)
        return Sheet(path)

    @contextmanager
    def urgent(self) -> Iterator[None]:
        """While a person waits: what runs beside stands still."""
        with self._waiting_lock:
            self.waiting += 1
        try:
            yield
        finally:
            with self._waiting_lock:
                self.waiting -= 1

    # -- who is told

    def listen(self, listener: Listener) -> Callable[[], None]:
        """Be told of events (name, content) from any thread; returns how to stop that."""
        with self.lock:
            self._listeners.append(listener)
        return lambda: self._listeners.remove(listener) if listener in self._listeners else None

    def publish(self, event: str, content: Mapping[str, Any]) -> None:
        """Tell everyone."""
        for listener in list(self._listeners):
            listener(event, content)

    # -- reading

    def _take_in(self, read: Show | None = None) -> None:
        """Read the show from the texts as they are; a good one becomes the version that is shown.

        `read`: the show, where it was read from this very text a moment ago.
        """
        self.version += 1
        self.faults = []
        try:
            show = read or self.loader.read(self.score.text or "")
        except Faults as error:
            self.faults = error.faults
            self._find_fixes()
        else:
            if self.view is None or self.view.show.rig is not show.rig:
                self._rigs += 1
            self._view_text = self.score.text or ""
            self._show_version(live.View(show, self.kept, self._steps if show.score.flashes == "soften" else None))
            fixes = fixes_path(show.score.song)
            if self.fixes is None or self.fixes.path != fixes:
                self.fixes = Sheet(fixes)
        self._stamps = self._now()

    def _find_fixes(self) -> None:
        """The fixes of a show that was never good: they may be what is wrong with it."""
        with suppress(Faults):
            song = self.loader.document(self.score.text or "").get("song")
            if self.fixes is None and isinstance(song, str) and (self.loader.folder / song).name:
                self.fixes = Sheet(fixes_path(self.loader.folder / song))

    def _show_version(self, view: live.View) -> None:
        self.view, self._shown = view, None
        self._views[self.version] = view
        while len(self._views) > VIEWS_KEPT:
            self._views.popitem(last=False)

    def soften(self, view: live.View, steps: dict[str, int]) -> None:
        """Show a version with its clips softened so far, unless another has taken its place or it is so already."""
        with self.lock:
            if self.view is view and steps != view.steps:
                self._steps = steps
                self.version += 1
                self._show_version(live.View(view.written, self.kept, steps))
                self._told("softening", None, [])

    def _now(self) -> live.Stamp:
        files = [self.score.path]
        if self.fixes is not None:
            files.append(self.fixes.path)
        if self.view is not None:
            score = self.view.show.score
            files += [score.song, *live.rig_files(score.rig)]
        return live.stamp_of(*sorted(set(files)))

    def stamps(self) -> live.Stamp:
        """When the show's files were written, as last seen."""
        return self._stamps

    def hear_first(self) -> None:
        """Hear a song that was exchanged before anyone is made to wait for it: that takes seconds."""
        view = self.view
        if view is not None and self._now() != self._stamps:
            with suppress(Faults):  # `poll` will say it
                self.loader.song(view.show.score.song)

    def _hearing(self, what: str, share: float) -> None:
        self._tell(what, share)
        self.publish("hearing", {"what": what, "share": share})

    def poll(self) -> bool:
        """Look whether a file changed on disk; what changed is taken in and told. True if anything did."""
        with self.lock:
            now = self._now()
            if now == self._stamps:
                return False
            sheets = {sheet.path for sheet in (self.score, self.fixes) if sheet is not None}
            touched = {Path(path) for path, *_ in set(now) ^ set(self._stamps)} - sheets  # the rig, the song
            changes: list[Change] = []
            self.unreadable = None
            for sheet in (self.score, self.fixes):
                if sheet is None:
                    continue
                try:
                    text = sheet.on_disk()
                except Faults as error:
                    self.unreadable = error.faults[0]
                    continue
                if text != sheet.text:
                    changes.append((sheet, sheet.text, text))
                    sheet.text = text
            if changes:
                self.history.add(FROM_OUTSIDE, changes)
            self._take_in()
            if self.unreadable is not None:
                self.faults = [self.unreadable, *self.faults]
            files = [sheet.path.name for sheet, _, _ in changes] + sorted(path.name for path in touched)
            self._told(FROM_OUTSIDE, None, files)
            return True

    def _told(self, what: str, page: str | None, files: Sequence[str]) -> None:
        self.publish("changed", {"version": self.version, "page": page, "what": what, "files": list(files)})

    def state(self) -> dict[str, Any]:
        """What the page shows."""
        with self.lock:
            texts = {str(self.score.path): self.score.text or ""}
            if self.fixes is not None:
                texts[str(self.fixes.path)] = self.fixes.text or ""
            faults = describe.fault_rows(self.faults, texts)
            return {
                "version": self.version,
                "score_id": self.score.id,
                "fixes_id": self.fixes.id if self.fixes is not None else None,
                "rig_id": self._rig_id(),
                "song_id": self._song_id(),
                "good": not self.faults,
                "faults": faults,
                **self.history.words(),
                "kept": self.kept_files,
                "renumber": len(faults) == 1 and faults[0]["where"] == "grid",
                "show": self._show(),
            }

    def _show(self) -> dict[str, Any] | None:
        if self.view is None:
            return None
        if self._shown is None:
            try:
                fixes = load_fixes(self.fixes.path) if self.fixes is not None else Fixes()
            except Faults:
                fixes = Fixes()
            mode = self.view.show.score.limiter
            document = self.loader.document(self._view_text)
            self._shown = describe.show_of(self.view, self._view_text, document, fixes, mode)
        return self._shown

    def _rig_id(self) -> str | None:
        return None if self.view is None else f"rig-{self._rigs}"

    def _song_id(self) -> str | None:
        if self.view is None:
            return None
        song = self.view.show.song
        return f"{song.song.sha256[:12]}-{song.heard.get('fixes')}"

    def good(self) -> live.View:
        """The last good version. Raises `Refused` when there never was one."""
        with self.lock:
            if self.view is None:
                raise Refused(422, "faults", "the show has faults and was never good since the start", **self._faulty())
            return self.view

    def _faulty(self) -> dict[str, Any]:
        return {"faults": self.state()["faults"]}

    def piece(self, id: str) -> tuple[live.View, live.Piece, str]:
        """A piece of one of the newest versions, and its limiter mode. Raises `Refused`."""
        with self.lock:
            views = list(reversed(self._views.values()))
        for view in views:
            found = view.find(id)
            if found is not None:
                return view, *found
        raise Refused(404, "missing", "there is no such piece any more: ask for the state again")

    # -- changing the score

    def edit(
        self, base: Any, ops: Any, page: str | None = None, what: str | None = None, anyway: bool = False
    ) -> list[str]:
        """Do operations on the score, all or none, as one step. Returns the places of added blocks."""
        if not isinstance(ops, list) or not 0 < len(ops) <= MOST_OPS or not all(isinstance(op, dict) for op in ops):
            raise Refused(400, "bad", f"ops needs a list of 1 to {MOST_OPS} operations")
        with self.lock:
            self.poll()
            whole = ops[0].get("text") if ops[0].get("op") == "text" else None
            if base != self.score.id:
                kept = self._keep(whole) if isinstance(whole, str) else None
                raise Refused(409, "conflict", "the score has changed meanwhile", kept=kept)
            new, added = self._edited(ops)
            if new == self.score.text:
                return added
            good = self._refuse_new_faults(new) if whole is None and not anyway else None
            changes: list[Change] = [(self.score, self.score.text, new)]
            self._write(what or _words(ops), changes, page, good)
            return added

    def _edited(self, ops: list[dict[str, Any]]) -> tuple[str, list[str]]:
        first = ops[0].get("op")
        if first in ("text", "renumber") and len(ops) > 1:
            raise Refused(400, "bad", f"{first} stands alone")
        if first == "text":
            return _whole_text(ops[0]), []
        if self.score.text is None:
            raise Refused(422, "faults", "there is no score.toml any more", **self._faulty())
        if first == "renumber":
            return self.renumbered()[0], []
        view = self.good()
        if self.faults:
            self._only_at_faults(ops)
        try:
            clock = view.show.clock
            return edited(self.score.text, ops, clock, lambda moment: _falls(view, moment), self.loader.document)
        except BadEdit as error:
            raise Refused(400, "bad", str(error)) from None
        except CannotEdit as error:
            raise Refused(422, "layout", str(error)) from None
        except (Faults, ValueError):  # not TOML
            raise Refused(422, "faults", "the score cannot be read: mend its text first", **self._faulty()) from None

    def _only_at_faults(self, ops: list[dict[str, Any]]) -> None:
        """While the score has faults the page shows an older one: its places may be others than those in the text."""
        at = {row["block"] for row in describe.fault_rows(self.faults, {})}
        for op in ops:
            if op.get("op") not in ("set", "delete") or (op.get("where") or "") not in at:
                raise Refused(422, "faults", "the score has faults: mend those first", **self._faulty())

    def _refuse_new_faults(self, text: str) -> Show | None:
        """The show that a text makes, None if it only has the faults that were there."""
        try:
            return self.loader.read(text)
        except Faults as error:
            known = {str(fault) for fault in self.faults}
            fresh = [fault for fault in error.faults if str(fault) not in known]
            if fresh:
                rows = describe.fault_rows(fresh, {str(self.score.path): text})
                raise Refused(422, "faults", rows[0]["text"], faults=rows, text=text) from None
            return None

    def _write(self, what: str, changes: Sequence[Change], page: str | None, good: Show | None = None) -> None:
        try:
            write_all(changes)
        except Moved:
            self.poll()
            raise Refused(409, "conflict", "the file has changed meanwhile") from None
        except Faults as error:
            raise Refused(422, "faults", str(error), **self._faulty()) from None
        self.history.add(what, changes)
        self._take_in(good)
        self._told(what, page, [sheet.path.name for sheet, _, _ in changes])

    def _keep(self, text: str) -> str:
        """Put a refused text beside the score, under a name of its own."""
        for number in range(1, 1000):
            path = self.score.path.with_name(f"{self.score.path.stem}.kept-{number}.toml")
            if not path.exists():
                with whole_file(path) as draft:
                    draft.write_bytes(text.encode("utf-8", "replace"))
                self.kept_files.append(path.name)
                return path.name
        raise Refused(409, "conflict", "too many texts were kept beside the score: look at them first")

    def renumbered(self) -> tuple[str, list[str]]:
        """The score's text with its addresses moved to the song map's bars, and notes. Raises `Refused`."""
        view = self.good()
        try:
            song = self.loader.song(view.show.score.song)
            return renumber.renumbered(self.score.text or "", self.score.path, song)
        except Faults as error:
            raise Refused(422, "faults", str(error), faults=describe.fault_rows(error.faults, {})) from None

    # -- changing the fixes

    def fix(self, base: Any, op: Mapping[str, Any], page: str | None = None) -> None:
        """One correction of what was heard; the score follows the bars in the same step unless told not to."""
        with self.lock:
            self.poll()
            sheet = self.fixes
            view = self.view if op.get("op") == "text" else self.good()
            if sheet is None:
                raise Refused(422, "faults", "there is no song", **self._faulty())
            if base != sheet.id:
                raise Refused(409, "conflict", "the fixes have changed meanwhile")
            before = sheet.text
            new = self._corrected(op, before if before is not None else self._template(sheet.path), view)
            if new == before:
                return
            if view is None:
                self._write(f"text ({sheet.path.name})", [(sheet, before, new)], page)
                return
            try:
                song = self._fixed(new, view)
            except Faults as error:
                rows = describe.fault_rows(error.faults, {str(sheet.path): new})
                raise Refused(422, "faults", rows[0]["text"], faults=rows) from None
            changes: list[Change] = [(sheet, before, new)]
            followed = self._followed(song, view) if op.get("follow", True) else None
            if followed is not None:
                changes.append((self.score, self.score.text, followed))
            self._write(str(op.get("what") or f"{op.get('op')} ({sheet.path.name})"), changes, page)

    def _corrected(self, op: Mapping[str, Any], text: str, view: live.View | None) -> str:
        if view is None or op.get("op") == "text":
            return _whole_text(op)
        try:
            return corrected(text, op, view.show.song)
        except BadEdit as error:
            raise Refused(400, "bad", str(error)) from None
        except CannotEdit as error:
            raise Refused(422, "layout", str(error)) from None
        except ValueError:
            raise Refused(422, "faults", "the fixes cannot be read: mend their text first") from None

    def _template(self, path: Path) -> str:
        """A file of fixes with nothing in it yet but its comments."""
        with tempfile.TemporaryDirectory() as folder:
            draft = Path(folder) / path.name
            song = self.view.show.score.song.name if self.view is not None else path.name.removesuffix(".fix.toml")
            write_fixes(draft, {}, song)
            return draft.read_text(encoding="utf-8")

    def _fixed(self, text: str, view: live.View) -> SongMap:
        """The song map under a text of fixes. Raises `Faults` for what cannot be read or met."""
        path = fixes_path(view.show.score.song)
        with tempfile.TemporaryDirectory() as folder:
            draft = Path(folder) / path.name
            draft.write_bytes(text.encode())
            try:
                return apply_fixes(view.show.song, load_fixes(draft))
            except Faults as error:
                named = [Fault(str(path), fault.where, fault.what, fault.hint) for fault in error.faults]
                raise Faults(named) from None

    def _followed(self, song: SongMap, view: live.View) -> str | None:
        """The score with its addresses on the bars of a map; None where it need not or cannot follow."""
        grid = view.show.score.grid
        if not grid or self.faults or song.grid == grid or self.score.text is None:
            return None
        try:
            return renumber.renumbered(self.score.text, self.score.path, song)[0]
        except Faults:
            return None  # the fault says so, and the page offers it

    # -- to and fro

    def undo(self, page: str | None = None, anyway: bool = False) -> None:
        """One step back. Raises `Refused` when there is none, or when another program made it, unless `anyway`."""
        with self.lock:
            self._look_first()
            if not anyway and (names := self.history.from_outside()):
                why = f"the last change of {names} came from outside: an editor made it, or another studio"
                raise Refused(409, "outside", why)
            self._step(self.history.undo, "undo", page)

    def redo(self, page: str | None = None) -> None:
        """One step on again. Raises `Refused` when there is none."""
        with self.lock:
            self._look_first()
            self._step(self.history.redo, "redo", page)

    def _look_first(self) -> None:
        if self.poll():
            raise Refused(409, "conflict", "a file has changed on disk meanwhile: look first, then again")

    def _step(self, go: Callable[[], Any], word: str, page: str | None) -> None:
        with self.lock:
            try:
                step = go()
            except IndexError:
                raise Refused(409, "nothing", f"there is nothing to {word}") from None
            except Faults as error:
                raise Refused(422, "faults", str(error)) from None
            self._take_in()
            self._told(f"{word} {step.what}", page, [sheet.path.name for sheet, _, _ in step.changes])


def _falls(view: live.View, moment: Moment) -> Any:
    return live.place_of(view.show, moment)


def _whole_text(op: Mapping[str, Any]) -> str:
    text = op.get("text")
    if not isinstance(text, str) or len(text) > MOST_TEXT:
        raise Refused(400, "bad", f"text needs at most {MOST_TEXT} letters")
    try:
        text.encode()
    except UnicodeEncodeError:
        raise Refused(400, "bad", "text holds half a letter (a lone surrogate)") from None
    return text


def _words(ops: Sequence[Mapping[str, Any]]) -> str:
    """What some operations do, for undo's name."""
    first = ops[0]
    what = str(first.get("where") or first.get("phrase") or first.get("kind") or first.get("name") or "")
    more = f" and {len(ops) - 1} more" if len(ops) > 1 else ""
    return f"{first.get('op')} {what}".strip() + more
