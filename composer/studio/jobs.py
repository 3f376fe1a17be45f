"""What takes long: baking and loading, one at a time, in a process of their own, so that the page stays quick.

The process is told to stop in the same breath in which it says how far it is; then it clears away what it began, as it
does when the studio itself is gone and nobody listens any more.
"""

from __future__ import annotations

import itertools
import multiprocessing
import threading
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from ..faults import Faults, ShowFails, counted

JOBS_KEPT = 20
LINES_KEPT = 200


class Busy(Exception):
    """Another job is running."""


class _Stopped(Exception):
    """The studio said so, or is gone."""


@dataclass
class Job:
    """One job as the page sees it."""

    id: int
    kind: str
    state: str = "running"
    what: str = "starting"
    share: float = 0.0
    lines: list[str] = field(default_factory=list)
    result: dict[str, Any] | None = None

    def row(self) -> dict[str, Any]:
        """For JSON."""
        return asdict(self)


class Jobs:
    """Runs jobs; `told` hears of every change of one."""

    def __init__(self, told: Callable[[Mapping[str, Any]], None]) -> None:
        self._told, self._lock = told, threading.Lock()
        self._numbers = itertools.count(1)
        self.all: list[Job] = []
        self._pipe: Connection | None = None
        self._process: Any = None

    def rows(self) -> list[dict[str, Any]]:
        """Every job that is still remembered, the newest last."""
        return [job.row() for job in self.all]

    def start(self, kind: str, folder: Path, options: Mapping[str, Any]) -> dict[str, Any]:
        """Start a job of a kind of `WORK`. Raises `Busy`."""
        from ..pipeline.crew import deaf_to_ctrl_c

        with self._lock:
            if any(job.state == "running" for job in self.all):
                raise Busy
            job = Job(next(self._numbers), kind)
            self.all = [*self.all, job][-JOBS_KEPT:]
            context = multiprocessing.get_context("spawn")
            ours, theirs = context.Pipe()
            self._pipe = ours
            self._process = context.Process(target=_run, args=(theirs, kind, folder, dict(options)), daemon=False)
            try:
                with deaf_to_ctrl_c():  # it hears from the pipe that the studio ends
                    self._process.start()
            except OSError as error:  # no memory, or no more processes: nothing runs, and the next may try
                self._pipe = self._process = None
                job.state, job.lines = "failed", [f"the work could not begin: {error.strerror or error}"]
                ours.close()
            else:
                threading.Thread(target=self._follow, args=(job, ours, self._process), daemon=True).start()
            theirs.close()
        self._told(job.row())
        return job.row()

    def cancel(self, id: Any) -> bool:
        """Ask a running job to stop; False if there is no such job."""
        with self._lock:
            running = any(job.id == id and job.state == "running" for job in self.all)
            if running and self._pipe is not None:
                try:
                    self._pipe.send("stop")
                except OSError:
                    return False
            return running

    def close(self, patience_s: float = 5.0) -> None:
        """Stop what runs and wait for it to clear up."""
        for job in self.all:
            self.cancel(job.id)
        if self._process is not None:
            self._process.join(patience_s)
            if self._process.is_alive():
                self._process.terminate()

    def _follow(self, job: Job, pipe: Connection, process: Any) -> None:
        try:
            while True:
                word, content = pipe.recv()
                if word == "tell":
                    job.what, job.share = content
                elif word == "line":
                    job.lines = [*job.lines, str(content)][-LINES_KEPT:]
                else:
                    job.state, job.result = word, content
                    break
                self._told(job.row())
        except (EOFError, OSError):
            job.state = "failed"
            job.lines = [*job.lines, "the work was broken off: its process ended"]
        process.join()
        if job.state == "done":
            job.share, job.what = 1.0, "done"
        self._told(job.row())


# ---- in the other process ----------------------------------------------------------------------------------------


def _run(pipe: Connection, kind: str, folder: Path, options: Mapping[str, Any]) -> None:
    last = -1.0

    def tell(what: str, share: float) -> None:
        nonlocal last
        if pipe.poll():
            raise _Stopped
        if abs(share - last) >= 0.01:
            last = share
            pipe.send(("tell", (what, share)))

    def line(text: str) -> None:
        if pipe.poll():
            raise _Stopped
        pipe.send(("line", text))

    try:
        try:
            result = WORK[kind](folder, options, tell, line)
        except _Stopped:
            pipe.send(("cancelled", None))
        except (Faults, ShowFails) as error:
            for text in str(error).splitlines():
                pipe.send(("line", text))
            pipe.send(("failed", None))
        except Exception as error:
            pipe.send(("line", f"{type(error).__name__}: {error}"))
            pipe.send(("failed", None))
        else:
            pipe.send(("done", result))
    except OSError:
        pass  # the studio is gone; what was begun has been cleared away on the way here
    finally:
        pipe.close()


Tell = Callable[[str, float], None]
Line = Callable[[str], None]


def _bake(folder: Path, options: Mapping[str, Any], tell: Tell, line: Line) -> dict[str, Any]:
    from .. import pipeline

    baked = pipeline.bake(folder, tell=tell, **options)
    for text in (*baked.remarks, *pipeline.wrongs(baked.audit)):
        line(text)
    found = baked.audit
    return {"controllers": _plain(found["controllers"]), "out": baked.out.name, "flashes_ok": found["flashes"]["ok"]}


def _load(folder: Path, options: Mapping[str, Any], tell: Tell, line: Line) -> dict[str, Any]:
    from ..pipeline import loading

    ports = [options["port"]] if options.get("port") else []
    done, missing = loading.load(
        [folder], controller=options.get("controller"), ports=ports, wiring=bool(options.get("wiring")), tell=tell
    )
    for board in done:
        copied = (
            f"{counted(len(board.copied), 'file')} copied and verified"
            if board.copied
            else "everything was there already"
        )
        line(f"{board.controller} ({board.port}): {copied}")
        for note in board.notes:
            line(f"{board.controller}: {note}")
    if missing:
        line(f"not plugged in: {', '.join(missing)}")
    return {"boards": [board.controller for board in done], "missing": missing}


def _plain(content: Any) -> Any:
    """Without numpy's numbers, which JSON does not know."""
    if isinstance(content, Mapping):
        return {str(key): _plain(value) for key, value in content.items()}
    if isinstance(content, (list, tuple)):
        return [_plain(value) for value in content]
    return content.item() if hasattr(content, "item") else content


WORK: Mapping[str, Callable[[Path, Mapping[str, Any], Tell, Line], dict[str, Any]]] = {"bake": _bake, "load": _load}
