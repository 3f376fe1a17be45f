"""A show in the studio: its server in a thread, as a browser meets it, or its routes alone, for quick tests."""

from __future__ import annotations

import json
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from shows import ROOT, SCORE
from starlette.testclient import TestClient

from composer.studio.app import Studio
from composer.studio.serve import Server, listener
from composer.studio.session import Session

TOKEN = "a-token-for-tests"
COMMENTED = (
    SCORE.replace('[[clip]]\nname = "glow"', '# the mast glows all the way through\n[[clip]]\nname = "glow"')
    .replace('bars = "1-8"', 'bars = "1-8"                  # to the end')
    .replace("[order]", "# the wave comes twice\n[order]")
)


@dataclass(frozen=True)
class Running:
    """A studio that answers at `url` (with its token)."""

    url: str
    folder: Path
    studio: Studio


@contextmanager
def running(folder: Path, watch_s: float = 0.1, audit_after_s: float = 0.3) -> Iterator[Running]:
    """Serve a show on a free port."""
    studio = Studio(Session(folder), watch_s=watch_s, audit_after_s=audit_after_s)
    listening = listener(0)
    port = listening.getsockname()[1]
    server = Server(studio, TOKEN, port)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
    thread.start()
    until = time.monotonic() + 20
    while not server.started and time.monotonic() < until:
        time.sleep(0.01)
    assert server.started
    try:
        yield Running(f"http://127.0.0.1:{port}/{TOKEN}/", folder, studio)
    finally:
        server.should_exit = True
        thread.join(20)
        listening.close()


class Client(TestClient):
    """Asks as the page does: `get("api/state")`, `post("api/edit", {...})`."""

    def __init__(self, studio: Studio) -> None:
        super().__init__(studio.app(TOKEN, 8000), base_url=f"http://127.0.0.1:8000/{TOKEN}/")
        self.studio = studio

    def state(self) -> dict:
        """The state."""
        return dict(self.get("api/state").json())

    def ask(self, path: str, body: object) -> tuple[int, dict]:
        """A POST: its status and its answer."""
        answer = self.post(path, json=body)
        return answer.status_code, answer.json()

    def edit(self, *ops: dict, **more: object) -> tuple[int, dict]:
        """An edit of the score as it is now."""
        return self.ask("api/edit", {"base": self.state()["score_id"], "ops": list(ops), **more})

    def fix(self, op: str, **more: object) -> tuple[int, dict]:
        """A correction of what was heard."""
        return self.ask("api/fix", {"base": self.state()["fixes_id"], "op": op, **more})


def ask(url: str, body: object = None) -> dict[str, Any]:
    """A request to a running studio; errors as answers."""
    data = None if body is None else json.dumps(body).encode()
    request = urllib.request.Request(url, data, {"Content-Type": "application/json"} if data is not None else {})
    try:
        with urllib.request.urlopen(request, timeout=20) as answer:
            return dict(json.load(answer))
    except urllib.error.HTTPError as error:
        return dict(json.load(error))


def wait(true: Callable[[], bool], seconds: float = 60.0) -> None:
    """Wait for something that must come true."""
    until = time.monotonic() + seconds
    while not true() and time.monotonic() < until:
        time.sleep(0.02)
    assert true()


def started(folder: Path) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """The command itself, in a process."""
    line = [sys.executable, "-m", "composer", "studio", str(folder), "--no-open"]
    process = subprocess.Popen(line, stdout=subprocess.PIPE, text=True, cwd=ROOT)
    assert process.stdout is not None
    url = process.stdout.readline().strip()
    assert url.startswith("http://127.0.0.1:")
    try:
        yield process, url
    finally:
        process.kill()
        process.wait(20)
