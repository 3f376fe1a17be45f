"""What the page is given: the state, the rig, a bar's bytes, the sound; held against the rooms that bake a show."""

from __future__ import annotations

import io
import json
import struct
import wave
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from shows import ROOT

from composer import pipeline
from composer.effects.table import EFFECTS
from composer.pipeline.rolls import read_back
from composer.power import CurrentModel, PowerAudit
from composer.studio import answers, fix_edits, score_edits
from composer.studio.texts import Sheet, id_of
from composer.wire import screen_of_duty
from exporters.rollfile import RollReader


def unpacked(data: bytes) -> tuple[dict[str, Any], dict[str, Any]]:
    """A packet's header and its parts, read as the API's page says."""
    (length,) = struct.unpack("<I", data[:4])
    header = json.loads(data[4 : 4 + length])
    start = 4 + length
    assert start % 8 == 0
    parts = {}
    for part in header["parts"]:
        assert part["at"] % 8 == 0
        raw = data[start + part["at"] : start + part["at"] + part["bytes"]]
        if part["dtype"] == "bytes":
            parts[part["name"]] = raw
        else:
            parts[part["name"]] = np.frombuffer(raw, np.dtype(part["dtype"]).newbyteorder("<")).reshape(part["shape"])
    return header, parts


def test_state_says_what_the_score_says(client) -> None:
    state = client.state()
    assert (state["good"], state["faults"], state["undo"], state["redo"]) == (True, [], None, None)
    show = state["show"]
    assert (show["title"], show["limiter"], show["song_us"]) == ("Ebb & tide", "on", 16_000_000)
    clips = {row["where"]: row for row in show["clips"]}
    assert list(clips) == ["clip[1]", "clip[2]", "phrase.wave[1]", "phrase.wave[2]", "trigger[1]"]
    glow = clips["clip[1]"]
    # Bars 1 to 8 of four beats each, from the first beat.
    assert (glow["label"], glow["from"], glow["to"], glow["zone"]) == ("glow", 0, 32, "mast")
    assert glow["values"]["colour"] == "ember"
    lines = (client.studio.session.score.text or "").splitlines()
    assert lines[glow["line"] - 1] == "[[clip]]" and lines[glow["line"]] == 'name = "glow"'
    assert (clips["trigger[1]"]["on"], clips["trigger[1]"]["events"]) == ("beats", 8)
    assert [(p["where"], p["from"], p["to"]) for p in show["placings"]] == [
        ("order.wave[1]", 0, 8),
        ("order.wave[2]", 16, 24),
    ]
    places = [[row["where"] for row in show["clips"]].index(name) for name in ("phrase.wave[1]", "phrase.wave[2]")]
    placed = sorted((cue[0], cue[1], cue[4], cue[5]) for cue in show["cues"] if cue[1] >= 0)
    assert placed == [
        (places[0], 0, 0.0, 8.0), (places[0], 1, 16.0, 24.0), (places[1], 0, 0.0, 8.0), (places[1], 1, 16.0, 24.0),
    ]  # fmt: skip


def test_every_cue_has_its_block_and_pieces_follow_without_a_gap(client) -> None:
    show = client.state()["show"]
    assert all(0 <= cue[0] < len(show["clips"]) for cue in show["cues"])
    pieces = show["pieces"]
    assert [p["bar"] for p in pieces] == [1, 2, 3, 4, 5, 6, 7, 8]
    assert pieces[0]["start_us"] == 0 and pieces[-1]["end_us"] == 16_000_000
    for one, other in zip(pieces, pieces[1:], strict=False):
        assert (one["end_us"], one["first"] + one["frames"]) == (other["start_us"], other["first"])
    assert sum(p["frames"] for p in pieces) == show["frames"]


@pytest.mark.parametrize("mode", ["on", "off"])
def test_the_bytes_of_all_pieces_are_those_of_the_baked_rolls(client, show_folder: Path, mode: str) -> None:
    if mode == "off":
        text = (show_folder / "score.toml").read_text()
        (show_folder / "score.toml").write_text(text.replace('limiter = "on"', 'limiter = "off"'))
        (show_folder / "rig.toml").write_text(
            (show_folder / "rig.toml").read_text().replace("amps = 0.6", "amps = 9.0")
        )
        client.studio.session.poll()
    baked = pipeline.bake(show_folder)
    rig = pipeline.load_show(show_folder).rig
    wanted = np.concatenate([frames for _, frames in read_back(rig, baked.rolls)])
    found = np.zeros_like(wanted)
    at = 0
    for row in client.state()["show"]["pieces"]:
        header, parts = unpacked(client.get(f"api/piece/{row['id']}").content)
        for roll in header["rolls"]:
            path = show_folder / "piece.roll"
            path.write_bytes(parts[roll["part"]])
            with RollReader(path) as reader:
                assert reader.groups[0].start_us == 0
                assert [[g.start_us, g.end_us] for g in reader.groups] == [g[2:] for g in header["groups"]]
                frames = np.concatenate([frames for _, frames in reader])
            found[at : at + len(frames), rig.controller_slices[roll["controller"]]] = frames
        at += row["frames"]
    assert (found == wanted).all()


def test_amperes_and_volts_of_the_pieces_are_the_audit_s(client, show_folder: Path) -> None:
    view = client.studio.session.good()
    power = PowerAudit(CurrentModel(view.show.rig), view.show.rig.skew_ms)
    for group, frames, gains in view.stream("on"):
        power.add(group, frames, gains)
    wanted = power.result(lambda seconds: "")
    amps, lows, limited = [], [], 0
    for row in client.state()["show"]["pieces"]:
        header, parts = unpacked(client.get(f"api/piece/{row['id']}").content)
        amps.append(parts["amps"])
        limited += header["limited"]
        lows.append(client.get(f"api/volts/{row['id']}").json()["strings"])
    np.testing.assert_allclose(np.concatenate(amps), power.amps, rtol=1e-6)
    assert limited == max(row["limited_frames"] for row in wanted["supplies"].values()) > 0
    for name, string in wanted["strings"].items():
        assert min(min(row[name]["min_v"]) for row in lows) == pytest.approx(string["min_v"], abs=6e-4)


def test_limiter_off_has_other_pieces_and_more_amperes(client) -> None:
    on = client.state()["show"]["pieces"]
    off = client.get("api/pieces", params={"limiter": "off"}).json()
    assert [p["first"] for p in on] == [p["first"] for p in off]
    parts = [unpacked(client.get(f"api/piece/{rows[3]['id']}").content)[1] for rows in (on, off)]
    budget_a = 0.6 * 0.8
    assert parts[0]["amps"][:, 1].max() <= budget_a < parts[1]["amps"][:, 1].max()
    assert (parts[1]["gains"] == 1).all()
    assert client.get("api/pieces", params={"limiter": "loud"}).status_code == 400


def test_rig_packet_draws_the_rig(client) -> None:
    header, parts = unpacked(client.get("api/rig").content)
    rig = client.studio.session.good().show.rig
    np.testing.assert_allclose(parts["places"], rig.places, rtol=1e-6)
    for zone in header["zones"]:
        members = parts["zone_pixels"][zone["first"] : zone["first"] + zone["pixels"]]
        assert tuple(members) == rig.zones[zone["name"]].pixels
    assert [s["name"] for s in header["strings"]] == list(rig.strings)
    assert [s["first"] for s in header["strings"]] == [rig.pixel_slices[name].start for name in rig.strings]
    # IEC 61966-2-1: linear 0, 0.0031308 (the toe's end) and 1; half the light is code 188.
    table = parts["screen"]
    assert (table[0], table[255], table[510]) == (0, 255, 255)
    assert table[128] == 188 and (np.diff(table.astype(int)) >= 0).all()
    assert (table[:256] == screen_of_duty(np.arange(256) / 255)).all()


def test_a_picture_shows_each_zone_in_its_rows(client) -> None:
    header, _ = unpacked(client.get("api/rig").content)
    rows = client.state()["show"]["pieces"]
    answer = client.get(f"api/piece/{rows[2]['id']}.png")
    assert answer.headers["content-type"] == "image/png" and "immutable" in answer.headers["cache-control"]
    picture = np.asarray(Image.open(io.BytesIO(answer.content)))
    assert picture.shape == (header["picture_rows"], min(96, rows[2]["frames"]), 3)
    bands = {z["name"]: picture[z["top"] : z["top"] + z["rows"]] for z in header["zones"]}
    # Bar 3: the mast alone glows, in ember at half opacity (more red than green, no blue); the rail is dark.
    assert (bands["mast"][..., 0] > bands["mast"][..., 1]).all() and (bands["mast"][..., 2] == 0).all()
    assert not bands["rail"].any()


def test_the_sound_is_the_song_and_answers_ranges(client, show_folder: Path) -> None:
    whole = client.get("api/song.wav")
    with wave.open(str(show_folder / "tide.wav")) as song, wave.open(io.BytesIO(whole.content)) as served:
        assert served.getparams()[:4] == song.getparams()[:4]
        wanted, found = (np.frombuffer(f.readframes(f.getnframes()), "<i2").astype(int) for f in (song, served))
    assert np.abs(wanted - found).max() <= 1
    part = client.get("api/song.wav", headers={"range": "bytes=100-199"})
    assert (part.status_code, part.content) == (206, whole.content[100:200])
    header, parts = unpacked(client.get("api/peaks").content)
    assert len(parts["low"]) == len(parts["high"]) == 16 * header["per_s"]
    assert parts["high"].max() > 50 and parts["low"].min() < -50
    # A kick on every beat of half a second: the first of each 100 columns is louder than those before the next.
    assert parts["loud"][:10].max() > 2 * parts["loud"][90:100].max()


def test_song_and_effects(client) -> None:
    song = client.get("api/song").json()
    assert song["beats"][:3] == [0.0, 0.5, 1.0] and len(song["onsets"]["low"]) == 32
    table = client.get("api/effects").json()
    assert [row["name"] for row in table["effects"]] == list(EFFECTS)
    keys = {row["name"]: [p["key"] for p in row["params"]] for row in table["effects"]}
    assert keys == {name: [p.key for p in effect.params] for name, effect in EFFECTS.items()}
    assert "mix" in [row["key"] for row in table["common"]]


def test_state_is_not_sent_twice(client) -> None:
    first = client.get("api/state")
    again = client.get("api/state", headers={"if-none-match": first.headers["etag"]})
    assert (again.status_code, again.content) == (304, b"")


def test_texts_are_given_as_they_stand(client, show_folder: Path) -> None:
    answer = client.get("api/score").json()
    assert answer == {
        "id": client.state()["score_id"],
        "text": (show_folder / "score.toml").read_text(),
        "path": "score.toml",
    }
    assert client.get("api/fixes").json()["text"] is None


def test_page_and_decoder_are_served_with_their_types(client) -> None:
    page = client.get("")
    assert page.status_code == 200 and page.headers["content-type"].startswith("text/html")
    script = client.get("roll.js")
    assert script.headers["content-type"].startswith("text/javascript")
    assert "content-security-policy" in page.headers and page.headers["x-content-type-options"] == "nosniff"
    assert client.get("page/nothing.js").status_code == client.get("api/nothing").status_code == 404
    assert client.get("api/piece/nothing").json()["error"]["kind"] == "missing"


def test_every_address_answers(client) -> None:
    paths = {route.path for route in client.studio.routes() if "GET" in route.methods and "{" not in route.path}
    assert len(paths) > 15
    for path in paths - {"/api/events"}:  # which never ends
        answer = client.get(path.lstrip("/"))
        assert answer.status_code in (200, 202, 422), path
        assert answer.status_code != 422 or answer.json()["error"]["kind"] == "faults"


def test_the_page_of_addresses_names_every_route_and_every_operation(client) -> None:
    page = (ROOT / "composer" / "studio" / "API.md").read_text()
    for route in client.studio.routes()[:-1]:
        address = route.path.lstrip("/").replace("{id}", "ID").replace("{name:path}", "NAME").replace("{name}", "NAME")
        assert f"`{address or './'}" in page, route.path
    for operation in [*score_edits.ALL_FIELDS, *fix_edits.OPERATIONS, "text", "renumber"]:
        assert f"`{operation}`" in page


def test_a_text_and_its_name_are_of_one_moment(tmp_path: Path) -> None:
    class Turning(Sheet):
        """A file that another page changes at every look."""

        looks = 0

        @property
        def text(self) -> str:
            self.looks += 1
            return f"# {self.looks}"

        @text.setter
        def text(self, text: str | None) -> None:
            pass

    found = answers.text(Turning(tmp_path / "score.toml"))
    assert found["id"] == id_of(found["text"])
