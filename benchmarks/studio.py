"""How soon an edit's bytes can be on their way to the page, on the server's side; and what the rest of a start costs.

    python benchmarks/studio.py [--profile]

The show of benchmarks/bake.py: 3 minutes, 1,000 pixels on five strings of three boards, about 300 clips, a trigger. One
clip of two bars is changed again and again, over HTTP on this machine: from sending the edit to its answer, then to the
last byte of the bar that plays (its rolls), then to that bar's picture. The page's own part, and the whole, stands in
benchmarks/studio_page.py; the goal for the whole is 150 ms. Printed are the median and the worst of all tries; the
processor's time, which other work on the machine leaves alone, is that of both ends of the line.
"""

from __future__ import annotations

import cProfile
import http.client
import json
import platform
import pstats
import statistics
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

import bake

GOAL_MS = 150.0
TRIES = 20
TOKEN = "a-token-for-the-benchmark"


class Line:
    """One kept connection to the studio."""

    def __init__(self, port: int) -> None:
        self.line = http.client.HTTPConnection("127.0.0.1", port, timeout=60)

    def ask(self, path: str, body: object = None) -> bytes:
        data = None if body is None else json.dumps(body)
        headers = {"Content-Type": "application/json"} if data else {}
        self.line.request("GET" if data is None else "POST", f"/{TOKEN}/{path}", data, headers)
        answer = self.line.getresponse()
        found = answer.read()
        if answer.status != 200:
            raise SystemExit(f"{path}: {answer.status} {found[:300]!r}")
        return found

    def state(self) -> dict[str, Any]:
        return dict(json.loads(self.ask("api/state")))


def main() -> None:
    sys.path.insert(0, str(bake.ROOT))
    import uvicorn

    from composer.studio.app import Studio
    from composer.studio.serve import config, listener
    from composer.studio.session import Session

    with tempfile.TemporaryDirectory() as folder:
        show = Path(folder) / "show"
        bake.make_show(show, 3)
        began = time.perf_counter()
        session = Session(show)
        opened = time.perf_counter() - began
        # The audit would run when it is quiet: between two edits of this script it never is.
        studio = Studio(session, audit_after_s=3600)
        listening = listener(0)
        port = listening.getsockname()[1]
        server = uvicorn.Server(config(studio, TOKEN, port))
        threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True).start()
        line = Line(port)
        began = time.perf_counter()
        state = line.state()
        first_state = time.perf_counter() - began
        began = time.perf_counter()
        for piece in state["show"]["pieces"]:
            line.ask(f"api/piece/{piece['id']}")
        every_bar = time.perf_counter() - began
        rows = "--profile" in sys.argv and profiled(session) or measured(line, state)
        server.should_exit = True
        print(f"{platform.platform()}, {platform.machine()}, Python {platform.python_version()}")
        facts = state["show"]
        print(f"{len(facts['cues'])} cues, {len(facts['pieces'])} bars, {facts['frames']} frames")
        print(f"opened in {opened:.2f} s, first state in {first_state:.2f} s, every bar once in {every_bar:.1f} s")
        for name, times in rows.items():
            print(f"{name}: median {1000 * statistics.median(times):.0f} ms, worst {1000 * max(times):.0f} ms")
        whole = 1000 * statistics.median(rows["edit to the bar's bytes"])
        print(f"goal with the page's own part {GOAL_MS:.0f} ms: that leaves {GOAL_MS - whole:.0f} ms to the page")


def measured(line: Line, state: dict[str, Any]) -> dict[str, list[float]]:
    """Edits of one clip at a time, each in another place of the song."""
    rows: dict[str, list[float]] = {
        name: []
        for name in ("edit answered", "edit to the bar's bytes", "edit to its picture", "processor time to the bytes")
    }
    clips = [clip for clip in state["show"]["clips"] if clip["kind"] == "clip" and clip["phrase"] is None]
    for turn in range(TRIES):
        clip = clips[turn * len(clips) // TRIES]
        op = {"op": "set", "where": clip["where"], "key": "opacity", "value": 0.3 + 0.02 * turn}
        began, worked = time.perf_counter(), time.process_time()
        answer = json.loads(line.ask("api/edit", {"base": state["score_id"], "ops": [op]}))
        state = answer["state"]
        rows["edit answered"].append(time.perf_counter() - began)
        piece = next(piece for piece in state["show"]["pieces"] if piece["from"] == clip["from"])
        line.ask(f"api/piece/{piece['id']}")
        rows["edit to the bar's bytes"].append(time.perf_counter() - began)
        rows["processor time to the bytes"].append(time.process_time() - worked)
        line.ask(f"api/piece/{piece['id']}.png")
        rows["edit to its picture"].append(time.perf_counter() - began)
    return rows


def profiled(session: Any) -> dict[str, list[float]]:
    """Where an edit's time goes, without HTTP."""
    from composer.studio import answers

    times = []
    profile = cProfile.Profile()
    for turn in range(TRIES):
        began = time.perf_counter()
        profile.enable()
        op = {"op": "set", "where": "clip[5]", "key": "opacity", "value": 0.3 + 0.02 * turn}
        session.edit(session.score.id, [op])
        state = session.state()
        piece = state["show"]["pieces"][12]
        answers.piece(session, piece["id"])
        profile.disable()
        times.append(time.perf_counter() - began)
    pstats.Stats(profile).sort_stats("cumulative").print_stats(45)
    return {"edit to the bar's bytes": times}


if __name__ == "__main__":
    main()
