"""The files under the studio: other programs write them too, two pages are open, and the computer may stop any time."""

from __future__ import annotations

import http.client
import json
import os
import signal
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import soundfile
from shows import RATE, ROOT, listing, tune
from studio_kit import Client, ask, started, wait

from composer.faults import Faults
from composer.studio.app import Studio
from composer.studio.session import Session


def events(url: str, found: list[tuple[str, dict[str, Any]]], until: Callable[[], bool]) -> None:
    """Collect a studio's events until it is enough."""
    with urllib.request.urlopen(url + "api/events", timeout=120) as lines:
        name = ""
        for line in lines:
            text = line.decode().strip()
            if text.startswith("event: "):
                name = text[7:]
            elif text.startswith("data: "):
                found.append((name, json.loads(text[6:])))
                if until():
                    return


def test_a_change_on_disk_is_told_and_can_be_taken_back(show_folder: Path, studio: Callable) -> None:
    path = show_folder / "score.toml"
    before = path.read_bytes()
    with studio(show_folder) as running:
        found: list[tuple[str, dict[str, Any]]] = []
        changed = lambda: any(name == "changed" for name, _ in found)  # noqa: E731
        listener = threading.Thread(target=events, args=(running.url, found, changed), daemon=True)
        listener.start()
        wait(lambda: bool(found))
        path.write_text(path.read_text().replace("opacity = 0.5", "opacity = 0.75"))
        wait(changed)
        content = next(content for name, content in found if name == "changed")
        assert (content["page"], content["files"]) == (None, ["score.toml"])
        state = ask(running.url + "api/state")
        assert state["version"] == content["version"] and state["good"]
        assert state["show"]["clips"][0]["values"]["opacity"] == 0.75
        theirs = path.read_bytes()
        refused = ask(running.url + "api/undo", {"page": "mine"})["error"]
        assert refused["kind"] == "outside" and "score.toml came from outside" in refused["message"]
        assert path.read_bytes() == theirs
        answer = ask(running.url + "api/undo", {"page": "mine", "anyway": True})
        assert answer["ok"] and path.read_bytes() == before


def test_two_studios_on_one_show_do_not_undo_each_other_unasked(show_folder: Path) -> None:
    mine, theirs = (Client(Studio(Session(show_folder))) for _ in range(2))
    path = show_folder / "score.toml"
    before = path.read_bytes()
    assert mine.edit({"op": "move", "where": "clip[2]", "by": "4"})[0] == 200
    between = path.read_bytes()
    theirs.studio.session.poll()
    assert theirs.edit({"op": "set", "where": "clip[1]", "key": "opacity", "value": 0.25})[0] == 200
    after = path.read_bytes()
    mine.studio.session.poll()
    assert mine.ask("api/undo", {})[1]["error"]["kind"] == "outside" and path.read_bytes() == after
    assert theirs.ask("api/undo", {})[0] == 200 and path.read_bytes() == between
    assert theirs.ask("api/undo", {})[1]["error"]["kind"] == "outside" and path.read_bytes() == between
    assert theirs.ask("api/undo", {"anyway": True})[0] == 200 and path.read_bytes() == before


@pytest.mark.parametrize("name", ["rig.toml", "score.toml"])
def test_every_file_that_changed_is_named_and_one_that_was_only_touched_is_not(
    client, show_folder: Path, name: str
) -> None:
    told: list[list[str]] = []
    client.studio.session.listen(lambda event, content: told.append(content["files"]))
    path = show_folder / name
    os.utime(show_folder / "score.toml", (1, 1))
    assert client.studio.session.poll()
    path.write_text(path.read_text() + "# more\n")
    assert client.studio.session.poll()
    assert told == [[], [name]]


def test_another_song_is_heard_while_the_page_goes_on(show_folder: Path, studio: Callable) -> None:
    with studio(show_folder) as running:
        found: list[tuple[str, dict[str, Any]]] = []
        changed = lambda: any(name == "changed" for name, _ in found)  # noqa: E731
        threading.Thread(target=events, args=(running.url, found, changed), daemon=True).start()
        wait(lambda: bool(found))
        before = ask(running.url + "api/state")
        soundfile.write(show_folder / "tide.wav", tune(20.0), RATE, subtype="PCM_16")
        wait(lambda: "hearing" in [name for name, _ in found])
        assert ask(running.url + "api/state")["version"] == before["version"]  # nobody waits for the ear
        wait(changed, 120)
        after = ask(running.url + "api/state")
        assert after["song_id"] != before["song_id"]
        assert (after["good"], after["show"]["song_us"]) == (True, 20_000_000)


def test_a_broken_score_on_disk_is_told_and_the_last_good_show_stays(client, show_folder: Path) -> None:
    path, session = show_folder / "score.toml", client.studio.session
    good = path.read_text()
    for text, where in (
        (good.replace('effect = "hold"', "effect = hold"), "line"),
        (good.replace('zone = "mast"', 'zone = "mist"'), "clip[1].zone"),
        ("\x00", "line"),
        ("", "song"),
    ):
        path.write_text(text)
        assert session.poll()
        state = client.state()
        assert not state["good"] and any(fault["where"].startswith(where) for fault in state["faults"])
        assert all(fault["line"] is None or fault["line"] >= 1 for fault in state["faults"])
        assert len(state["show"]["clips"]) == 5
        assert client.get(f"api/piece/{state['show']['pieces'][0]['id']}").status_code == 200
    path.write_bytes(b"\xff\xfe")
    session.poll()
    assert "UTF-8" in client.state()["faults"][0]["what"]
    path.unlink()
    session.poll()
    assert not client.state()["good"]
    path.write_text(good)
    session.poll()
    assert client.state()["good"]


def test_an_edit_for_an_older_text_is_refused_and_both_stay(client, show_folder: Path) -> None:
    path = show_folder / "score.toml"
    base = client.state()["score_id"]
    theirs = path.read_text().replace("opacity = 0.5", "opacity = 0.75")
    path.write_text(theirs)  # an editor saves
    status, answer = client.ask("api/edit", {"base": base, "ops": [{"op": "move", "where": "clip[2]", "by": "4"}]})
    assert (status, answer["error"]["kind"]) == (409, "conflict")
    assert path.read_text() == theirs
    assert answer["state"]["score_id"] != base
    # The very same edit goes through on the new text.
    body = {"base": answer["state"]["score_id"], "ops": [{"op": "move", "where": "clip[2]", "by": "4"}]}
    assert client.ask("api/edit", body)[0] == 200
    assert path.read_text() == theirs.replace('bars = "4"', 'bars = "5"')


def test_an_editor_that_saves_while_an_edit_is_worked_out_keeps_its_text(
    client, show_folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, session = show_folder / "score.toml", client.studio.session
    theirs = path.read_text() + "# theirs\n"
    read = session.loader.read

    def slow(text: str) -> Any:
        path.write_text(theirs)  # just then
        return read(text)

    monkeypatch.setattr(session.loader, "read", slow)
    status, answer = client.edit({"op": "move", "where": "clip[2]", "by": "4"})
    assert (status, answer["error"]["kind"]) == (409, "conflict")
    assert path.read_text() == theirs


def test_a_whole_text_for_an_older_one_is_kept_beside(client, show_folder: Path) -> None:
    path = show_folder / "score.toml"
    base, mine = client.state()["score_id"], path.read_text() + "# mine\n"
    path.write_text(path.read_text() + "# theirs\n")
    status, answer = client.ask("api/edit", {"base": base, "ops": [{"op": "text", "text": mine}]})
    assert (status, answer["error"]["kept"]) == (409, "score.kept-1.toml")
    assert path.read_text().endswith("# theirs\n")
    assert (show_folder / "score.kept-1.toml").read_text() == mine
    assert client.state()["kept"] == ["score.kept-1.toml"]


def test_two_pages_at_once_lose_nothing(show_folder: Path, studio: Callable) -> None:
    """Each page moves its own clip to and fro; a refused edit is asked again on the newer text."""
    with studio(show_folder) as running:
        refused = [0, 0]

        def page(number: int) -> None:
            for turn in range(6):
                op = {"op": "set", "where": f"clip[{number + 1}]", "key": "seed", "value": turn}
                while True:
                    base = ask(running.url + "api/state")["score_id"]
                    answer = ask(running.url + "api/edit", {"base": base, "ops": [op], "page": str(number)})
                    if answer.get("ok"):
                        break
                    assert answer["error"]["kind"] == "conflict"
                    refused[number] += 1

        pages = [threading.Thread(target=page, args=(number,)) for number in range(2)]
        for one in pages:
            one.start()
        for one in pages:
            one.join(60)
        state = ask(running.url + "api/state")
        assert [clip["values"]["seed"] for clip in state["show"]["clips"][:2]] == [5, 5]
        steps = 0
        while ask(running.url + "api/undo", {}).get("ok"):
            steps += 1
        assert steps == 12


def test_a_folder_that_cannot_be_written_is_said(client, show_folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    before = (show_folder / "score.toml").read_bytes()

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", full)
    status, answer = client.edit({"op": "move", "where": "clip[2]", "by": "4"})
    assert status == 422 and "No space left" in answer["error"]["message"]
    assert (show_folder / "score.toml").read_bytes() == before
    assert client.state()["undo"] is None


def test_drafts_of_a_killed_studio_are_cleared_away(show_folder: Path) -> None:
    old, new = show_folder / ".score.1a2b3c4d.part.toml", show_folder / ".score.5e6f7a8b.part.toml"
    old.write_text("half")
    new.write_text("another program is writing")
    os.utime(old, (time.time() - 60,) * 2)
    Session(show_folder)
    assert not old.exists() and new.exists()


def test_no_such_show() -> None:
    with pytest.raises(Faults, match=r"score.toml: no such file"):
        Session(Path("nowhere"))


# ---- killed at any moment ----------------------------------------------------------------------------------------


@pytest.mark.skipif(os.name == "nt", reason="kill -9 is of POSIX")
def test_killed_while_saving_it_loses_no_saved_edit_and_leaves_no_half_file(show_folder: Path) -> None:
    path = show_folder / "score.toml"
    before = listing(show_folder)
    saved, tried = path.read_text(), path.read_text()
    for wait_s in (0.05, 0.21):
        running = started(show_folder)
        process, url = next(running)
        base = ask(url + "api/state")["score_id"]
        killer = threading.Timer(wait_s, lambda process=process: os.kill(process.pid, signal.SIGKILL))
        killer.start()
        for turn in range(500):
            tried = saved.partition("# turn")[0] + f"# turn {turn} " + "x" * 20_000 + "\n"
            try:
                answer = ask(url + "api/edit", {"base": base, "ops": [{"op": "text", "text": tried}]})
            except (OSError, http.client.HTTPException):
                break
            assert answer["ok"]
            base, saved = answer["state"]["score_id"], tried
        else:
            pytest.fail("it was not killed")
        running.close()
        # What was answered is on disk; what was under way is there whole or not at all.
        assert path.read_text() in (saved, tried)
        saved = path.read_text()
    left = {name for name in listing(show_folder) if name not in before}
    assert all(name.endswith(".part.toml") and name.startswith(".") for name in left)  # a draft that nobody reads
    running = started(show_folder)
    _, url = next(running)
    assert ask(url + "api/state")["good"]
    running.close()


@pytest.mark.skipif(os.name == "nt", reason="SIGINT is of POSIX")
def test_stopped_by_hand_it_lets_go_of_pages_and_says_nothing_ugly(show_folder: Path) -> None:
    line = [sys.executable, "-m", "composer", "studio", str(show_folder), "--no-open"]
    process = subprocess.Popen(line, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=ROOT)
    assert process.stdout is not None
    url = process.stdout.readline().strip()
    found: list[tuple[str, dict[str, Any]]] = []
    page = threading.Thread(target=events, args=(url, found, lambda: False), daemon=True)
    page.start()
    wait(lambda: bool(found))
    process.send_signal(signal.SIGINT)
    _, said = process.communicate(timeout=20)
    page.join(10)
    assert said == "stopped; nothing was left half-written\n"
    assert (process.returncode, found[-1][0], page.is_alive()) == (130, "closing", False)


@pytest.mark.skipif(os.name == "nt", reason="Windows has no process groups of this kind")
def test_ctrl_c_while_it_bakes_ends_the_bake_without_a_word(show_folder: Path) -> None:
    line = [sys.executable, "-m", "composer", "studio", str(show_folder), "--no-open"]
    process = subprocess.Popen(
        line, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=ROOT, start_new_session=True
    )
    assert process.stdout is not None
    url = process.stdout.readline().strip()
    ask(url + "api/bake", {})
    os.killpg(process.pid, signal.SIGINT)  # as a terminal sends it, to the process that bakes, too
    _, said = process.communicate(timeout=30)
    assert said == "stopped; nothing was left half-written\n"
    assert not list((show_folder / "out").glob("*"))
    assert process.returncode == 130


def test_a_second_token_at_each_start(show_folder: Path) -> None:
    urls = []
    for _ in range(2):
        running = started(show_folder)
        urls.append(next(running)[1])
        running.close()
    tokens = [url.split("/")[3] for url in urls]
    assert tokens[0] != tokens[1] and all(len(token) >= 22 for token in tokens)  # 128 bits or more
