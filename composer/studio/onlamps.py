"""The place that the page stands at, on the real lamps: a thread sends the newest frame that was asked for."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from typing import Any

from ..faults import Faults, ShowFails
from .session import Refused, Session

log = logging.getLogger(__name__)
AGAIN_S = 0.5  # a board that hears nothing for 2 s goes dark (LINK.md)
MODE = "on"  # a board knows no budget of a frame that comes by itself: it must have passed the limiter


class OnLamps:
    """Off until a person turns it on; off again when the last board is gone."""

    def __init__(self, session: Session, opened: Callable[..., Any] | None = None) -> None:
        """`opened(rig, ports)` gives the boards as a context; a test may put its own here."""
        self.session, self._opened = session, opened
        self._lock = threading.Lock()
        self._news = threading.Event()
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None
        self._at_us: int | None = None
        self._boards: list[str] = []

    @property
    def on(self) -> bool:
        """Whether frames go out."""
        return self._thread is not None and self._thread.is_alive()

    def row(self) -> dict[str, Any]:
        """For JSON."""
        return {"on": self.on, "boards": self._boards if self.on else []}

    def start(self, ports: list[str] | None) -> dict[str, Any]:
        """Find the boards and go on; with it their names and the frames a second that their links carry.

        Raises `Refused` where none answers or one is not of this rig, or while the limiter cannot work.
        """
        self.stop()
        view = self.session.good()
        if view.trouble:
            raise Refused(422, "faults", f"no frame is within the budget: {view.trouble}")
        opened = self._opened
        if opened is None:
            from ..pipeline.lamps import Lamps

            opened = Lamps
        try:
            lamps = opened(view.show.rig, ports)
        except Faults as error:
            raise Refused(422, "faults", str(error)) from None
        with self._lock:
            self._stopping.clear()
            self._boards = list(lamps.boards)
            self._thread = threading.Thread(target=self._run, args=(lamps, view.show.rig), daemon=True)
            self._thread.start()
        return {**self.row(), "limits": lamps.limits()}

    def stop(self) -> None:
        """Dark."""
        with self._lock:
            self._stopping.set()
            self._news.set()
            if self._thread is not None:
                self._thread.join(5.0)
            self._thread, self._at_us = None, None

    def stand(self, at_us: Any) -> None:
        """Show the frame of this moment from now on. Raises `Refused`."""
        if not self.on:
            raise Refused(409, "nothing", "the lamps are off: turn them on first")
        if not isinstance(at_us, int) or isinstance(at_us, bool):
            raise Refused(400, "bad", "us needs whole microseconds")
        self._at_us = at_us
        self._news.set()

    def _run(self, lamps: Any, rig: Any) -> None:
        why = ""
        with lamps:
            while not self._stopping.is_set() and lamps.boards:
                self._news.wait(AGAIN_S)
                self._news.clear()
                at_us, view = self._at_us, self.session.view
                if at_us is None or view is None or self._stopping.is_set():
                    continue
                if view.show.rig is not rig:
                    why = "the rig has changed: load the boards again, then turn the lamps on"
                    break
                try:
                    lamps.send(view.frame_at(at_us, MODE))
                except ShowFails as error:
                    why = str(error)
                    break
                except Exception as error:  # a board that went away; the others go on
                    log.warning("lamps: %s", error)
                    why = str(error)
                self._boards = list(lamps.boards)
        self.session.publish("lamps", {"on": False, "boards": [], "why": why})
