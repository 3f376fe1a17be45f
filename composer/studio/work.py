"""What runs beside the requests: watching the files, the audit when it is quiet, and the sound decoded once."""

from __future__ import annotations

import contextlib
import logging
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

from ..faults import Faults, ShowFails
from ..pipeline import shown
from .packet import packet
from .session import Refused, Session

log = logging.getLogger(__name__)
PEAKS_PER_S = 200.0
PATIENCE_S = 0.5  # how long the audit stands still for those who wait, at each group


class _Loop:
    """A thread that does something again and again until it is told to stop."""

    def __init__(self, every_s: float) -> None:
        self.every_s = every_s
        self.stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True, name=type(self).__name__)

    def start(self) -> None:
        """Start."""
        self._thread.start()

    def stop(self) -> None:
        """Stop, and wait until it has."""
        self.stopping.set()
        if self._thread.is_alive():
            self._thread.join(5.0)

    def _run(self) -> None:
        while not self.stopping.wait(self.every_s):
            try:
                self.turn()
            except Exception:  # the next turn may well succeed; a thread that died would say nothing
                log.exception("the studio's %s stumbled", type(self).__name__)

    def turn(self) -> None:
        """What it does."""
        raise NotImplementedError


class Watcher(_Loop):
    """Looks whether a file changed on disk."""

    def __init__(self, session: Session, every_s: float) -> None:
        super().__init__(every_s)
        self.session = session

    def turn(self) -> None:
        """Look once."""
        self.session.hear_first()
        self.session.poll()


class Auditor(_Loop):
    """Audits the newest version once nothing has changed for a while; gives up as soon as something does."""

    def __init__(self, session: Session, after_s: float) -> None:
        super().__init__(min(0.25, after_s))
        self.session, self.after_s = session, after_s
        self._seen: tuple[Any, float] = (None, 0.0)
        self._done: Any = None
        self._softened: Any = None
        self._share = 0.0
        self._found: dict[str, Any] | None = None

    def found(self) -> dict[str, Any]:
        """The audit with `ready` true, or how far it is."""
        done, found, view = self._done, self._found, self.session.view
        if found is None or done is not view or view is None:
            return {"ready": False, "share": round(self._share, 3)}
        return found

    def turn(self) -> None:
        """Audit if it is time."""
        view, now = self.session.view, time.monotonic()
        if view is not self._seen[0]:
            self._seen = view, now
            self._share = 0.0
        if view is None or view is self._done or now - self._seen[1] < self.after_s:
            return

        def going(share: float) -> bool:
            self._share = share
            until = time.monotonic() + PATIENCE_S
            while self.session.waiting and time.monotonic() < until:
                time.sleep(0.002)
            return not self.stopping.is_set() and self.session.view is view

        version = self.session.version
        try:
            if view.show.score.flashes == "soften" and view is not self._softened:
                self.session.soften(view, shown.softened(view, going))
                self._softened = self.session.view
                return
            found, marks = shown.audit_of(view, view.show.score.limiter, going)
            self._found = {**found, "ready": True, "version": version, "marks": marks}
        except shown.Superseded:
            return
        except ShowFails as error:
            self._found = {"ready": True, "version": version, "marks": [], "error": str(error)}
        self._done = view
        self.session.publish("audit", {"version": version})


class Sound:
    """The song as it was decoded to be heard, in a file that lasts as long as the studio."""

    def __init__(self, session: Session) -> None:
        self.session = session
        self._lock = threading.Lock()
        self._folder: tempfile.TemporaryDirectory[str] | None = None
        self._made: tuple[str, Path, bytes] | None = None

    def close(self) -> None:
        """Take the file away."""
        if self._folder is not None:
            with contextlib.suppress(OSError):
                self._folder.cleanup()

    def wav(self) -> Path:
        """The sound as 16-bit WAV."""
        return self._ready()[1]

    def peaks(self) -> bytes:
        """Its waveform as a packet."""
        return self._ready()[2]

    def _ready(self) -> tuple[str, Path, bytes]:
        show = self.session.good().show
        sha = show.song.song.sha256
        with self._lock:
            if self._made is None or self._made[0] != sha:
                if self._folder is None:
                    self._folder = tempfile.TemporaryDirectory(prefix="glowscore-studio-")
                path = Path(self._folder.name) / f"{sha[:16]}.wav"
                try:
                    parts = shown.decoded(show.score.song, path, PEAKS_PER_S)
                except Faults as error:
                    raise Refused(422, "faults", str(error)) from None
                self._made = sha, path, packet({"per_s": PEAKS_PER_S}, parts)
            return self._made
