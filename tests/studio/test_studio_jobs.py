"""Baking from the page: the same as the command does, told as it goes, stopped when asked, and one at a time."""

from __future__ import annotations

import errno
import multiprocessing.context
import os
import signal
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from shows import SCORE, listing
from studio_kit import ask, started, wait

from composer import pipeline
from composer.faults import Faults
from composer.pipeline.rolls import read_back
from composer.studio import jobs as jobs_module


def ended(client: Any, id: int, seconds: float = 90.0) -> dict[str, Any]:
    """A job once it runs no more."""
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        job = next(job for job in client.get("api/jobs").json() if job["id"] == id)
        if job["state"] != "running":
            return dict(job)
        time.sleep(0.05)
    raise AssertionError("the job did not end")


def test_a_bake_from_the_page_is_the_command_s(client, show_folder: Path, tmp_path: Path) -> None:
    told: list[dict[str, Any]] = []
    client.studio.session.listen(lambda name, content: told.append(dict(content)) if name == "job" else None)
    assert client.get("api/board").json() == {"baked": False, "current": False, "controllers": {}}
    status, answer = client.ask("api/bake", {"small": False})
    assert (status, answer["job"]["state"]) == (202, "running")
    assert client.ask("api/bake", {})[1]["error"]["kind"] == "busy"
    job = ended(client, answer["job"]["id"])
    assert (job["state"], job["share"]) == ("done", 1.0)
    assert job["result"]["controllers"].keys() == {"quay", "deck"}
    wanted = pipeline.bake(show_folder, tmp_path / "other")
    for name, path in wanted.rolls.items():
        assert (show_folder / "out" / name / path.name).read_bytes() == path.read_bytes()
    shares = [row["share"] for row in told if row["what"] == "baking"]
    assert shares == sorted(shares) and len(shares) > 3
    board = client.get("api/board").json()
    assert board["baked"] and board["current"] and board["controllers"]["quay"]["fits"]
    for name in ("score.toml", "tide.wav"):  # copied files are newer, and the same
        (show_folder / name).touch()
    assert client.get("api/board").json()["current"]
    client.edit({"op": "move", "where": "clip[2]", "by": "4"})
    assert not client.get("api/board").json()["current"]
    audit = show_folder / "out" / "audit.json"
    os.utime(audit, (time.time() + 3600,) * 2)  # as an audit of the old rolls leaves it
    assert not client.get("api/board").json()["current"]


def test_a_show_that_fails_says_why(client, show_folder: Path) -> None:
    rig = show_folder / "rig.toml"
    rig.write_text(rig.read_text().replace("amps = 0.6", "amps = 0.1\nusable = 0.1"))
    client.studio.session.poll()
    assert "below" in client.state()["show"]["trouble"]
    job = ended(client, client.ask("api/bake", {})[1]["job"]["id"])
    assert job["state"] == "failed" and any("supply.boat" in line for line in job["lines"])
    assert not list(show_folder.glob("out/*/*.roll"))


def test_a_cancelled_bake_leaves_nothing_half(client, show_folder: Path) -> None:
    before = listing(show_folder)
    id = client.ask("api/bake", {"small": True})[1]["job"]["id"]
    assert client.ask("api/cancel", {"job": id})[0] == 200
    assert ended(client, id)["state"] == "cancelled"
    assert listing(show_folder).keys() == before.keys()
    assert client.ask("api/cancel", {"job": id})[0] == 404


@pytest.mark.skipif(os.name == "nt", reason="kill -9 is of POSIX")
def test_a_bake_whose_studio_is_killed_clears_up_after_itself(show_folder: Path) -> None:
    # Enough bars that the bake is still at it when the studio goes.
    (show_folder / "score.toml").write_text(SCORE.replace('limiter = "on"', 'limiter = "on"\nrate = 200'))
    running = started(show_folder)
    process, url = next(running)
    assert ask(url + "api/bake", {})["job"]["state"] == "running"
    wait(lambda: bool(list(show_folder.glob("out/.baking-*"))), 60)
    os.kill(process.pid, signal.SIGKILL)
    running.close()
    wait(lambda: not list(show_folder.glob("out/.baking-*")), 60)
    assert not list(show_folder.glob("out/*/*.roll"))


def test_every_kind_of_work_has_its_route(client) -> None:
    paths = {route.path for route in client.studio.routes()}
    assert {f"/api/{kind}" for kind in jobs_module.WORK} <= paths


def test_the_audit_comes_when_it_is_quiet_and_is_the_baked_one_s(show_folder: Path, studio: Callable) -> None:
    with studio(show_folder) as running:
        assert not ask(running.url + "api/audit")["ready"]
        wait(lambda: ask(running.url + "api/audit")["ready"], 60)
        found = ask(running.url + "api/audit")
        baked = pipeline.bake(show_folder).audit
        for name, row in baked["supplies"].items():
            assert found["supplies"][name]["peak_a"] == row["peak_a"]
            assert found["supplies"][name]["clips"] == row["clips"]
        assert found["flashes"]["worst_per_s"] == baked["flashes"]["worst_per_s"]
        peak = next(mark for mark in found["marks"] if mark["supply"] == "boat")
        assert peak["kind"] == "peak" and "clip[2]" in peak["wheres"]  # the white clip
        assert peak["from_us"] == round(baked["supplies"]["boat"]["peak_s"] * 1e6)
        base = ask(running.url + "api/state")["score_id"]
        op = {"op": "delete", "where": "clip[2]"}
        assert ask(running.url + "api/edit", {"base": base, "ops": [op]})["ok"]
        assert not ask(running.url + "api/audit")["ready"]
        wait(lambda: ask(running.url + "api/audit")["ready"], 60)
        marks = ask(running.url + "api/audit")["marks"]
        assert all("white@4.1" not in mark["clips"] for mark in marks)


FLASHING = """
[[clip]]
name = "strobe"
zone = "all"
effect = "gate"
bars = "3"
every = "1/4 beat"
layer = 9
"""


def test_a_score_that_softens_is_shown_as_it_is_baked(show_folder: Path, studio: Callable) -> None:
    path = show_folder / "score.toml"
    path.write_text(path.read_text().replace('limiter = "on"', 'limiter = "on"\nflashes = "soften"') + FLASHING)
    baked = pipeline.bake(show_folder)
    assert [row["clip"] for row in baked.audit["softened"]] == ["strobe"]
    rig = pipeline.load_show(show_folder).rig
    wanted = np.concatenate([frames for _, frames in read_back(rig, baked.rolls)])
    with studio(show_folder) as running:
        first = ask(running.url + "api/state")["show"]
        assert first["softens"] and first["softened"] == []
        wait(lambda: bool(ask(running.url + "api/state")["show"]["softened"]), 60)
        assert ask(running.url + "api/state")["show"]["softened"] == baked.audit["softened"]
        view = running.studio.session.good()
        found = np.concatenate([view.light_of(piece, "on").frames for piece in view.pieces("on")])
        np.testing.assert_array_equal(found, wanted)
        wait(lambda: ask(running.url + "api/audit")["ready"], 60)
        assert not [mark for mark in ask(running.url + "api/audit")["marks"] if mark["kind"] == "flash"]


class Boards:
    """Stands in for the rig's boards: keeps what it is sent."""

    def __init__(self, rig: Any, ports: Any) -> None:
        self.rig, self.ports, self.boards = rig, ports, ["quay", "deck"]
        self.sent: list[Any] = []
        self.dark = False

    def limits(self) -> dict[str, float]:
        return {"quay": 30.0, "deck": 20.0}

    def send(self, frame: Any) -> dict[str, float]:
        self.sent.append(frame.copy())
        return {}

    def __enter__(self) -> Boards:
        return self

    def __exit__(self, *_: object) -> None:
        self.dark = True


def test_the_lamps_show_where_the_page_stands_within_the_budget(client, show_folder: Path) -> None:
    made: list[Boards] = []

    def opened(rig: Any, ports: Any) -> Boards:
        made.append(Boards(rig, ports))
        return made[-1]

    client.studio.lamps._opened = opened
    assert client.ask("api/stand", {"us": 0})[0] == 409
    # Even while the page looks at the show without its limiter, a lamp gets what has passed it.
    client.edit({"op": "set", "where": "", "key": "limiter", "value": "off"})
    assert client.ask("api/lamps", {"on": True})[1]["boards"] == ["quay", "deck"]
    white_us = 6_000_000 + 1_900_000  # near the end of bar 4, where the white swell is over the boat's budget
    assert client.ask("api/stand", {"us": white_us})[0] == 200
    wait(lambda: bool(made[0].sent))
    show = client.studio.session.view.show
    frame = show.clock.frame_at_us(white_us)
    frame -= show.clock.frame_us(frame) > white_us
    stream = list(pipeline.frames_of(pipeline.renderer_of(show)))
    raw = np.concatenate([frames for _, frames in stream])
    wanted = np.concatenate([frames for _, frames, _ in pipeline.within_budget(show, iter(stream), "on")])
    assert (made[0].sent[-1] == wanted[frame]).all() and (wanted[frame] != raw[frame]).any()
    client.edit({"op": "delete", "where": "clip[2]"})
    wait(lambda: (made[0].sent[-1] != wanted[frame]).any())  # an edit is on the lamps without being asked for
    assert client.ask("api/lamps", {"on": False})[1] == {"on": False, "boards": []}
    assert made[0].dark


def test_lamps_without_boards_say_so(client) -> None:
    def none(rig: Any, ports: Any) -> Any:
        raise Faults.one("boards", "", "no board answers")

    client.studio.lamps._opened = none
    status, answer = client.ask("api/lamps", {"on": True})
    assert (status, answer["error"]["kind"]) == (422, "faults") and "no board answers" in answer["error"]["message"]


def test_a_job_that_cannot_begin_has_failed_and_the_next_may_try(tmp_path: Path, monkeypatch) -> None:
    def refused(self: object) -> None:
        raise OSError(errno.EAGAIN, "Resource temporarily unavailable")

    told: list[dict[str, Any]] = []
    jobs = jobs_module.Jobs(lambda row: told.append(dict(row)))
    monkeypatch.setattr(multiprocessing.context.SpawnProcess, "start", refused)
    for number in (1, 2):
        row = jobs.start("bake", tmp_path, {})
        assert (row["id"], row["state"]) == (number, "failed")
        assert row["lines"] == ["the work could not begin: Resource temporarily unavailable"]
    assert told == jobs.rows()
    jobs.close()
