"""Edits as the page asks for them: what they make of the score's text, and that nothing else of it changes."""

from __future__ import annotations

import difflib
import tomllib
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from rooms_kit import clock_for, song_of, steady
from studio_kit import Client

from composer.studio.app import Studio
from composer.studio.score_edits import Times
from composer.studio.session import Session

PATH = "score.toml"


def difference(before: str, after: str) -> list[str]:
    """The lines that went and came, `-` and `+`."""
    lines = difflib.unified_diff(before.splitlines(), after.splitlines(), lineterm="", n=0)
    return [line for line in lines if line[0] in "+-" and line[:3] not in ("+++", "---")]


def done(client: Any, *ops: dict[str, Any], **more: Any) -> list[str]:
    """An edit that must succeed; how the file changed."""
    path = client.studio.session.score.path
    before = path.read_text()
    status, answer = client.edit(*ops, **more)
    assert (status, answer.get("error")) == (200, None)
    assert answer["state"]["good"]
    return difference(before, path.read_text())


def clip(client: Any, where: str) -> dict[str, Any]:
    """A block as the page knows it."""
    return next(row for row in client.state()["show"]["clips"] if row["where"] == where)


def test_a_clip_moved_by_bars_keeps_its_run_of_bars_and_its_comment(client) -> None:
    assert done(client, {"op": "stretch", "where": "clip[1]", "end_by": "-8"}) == [
        '-bars = "1-8"                  # to the end',
        '+bars = "1-6"                  # to the end',
    ]
    assert done(client, {"op": "move", "where": "clip[1]", "by": "4"}) == [
        '-bars = "1-6"                  # to the end',
        '+bars = "2-7"                  # to the end',
    ]
    assert (clip(client, "clip[1]")["from"], clip(client, "clip[1]")["to"]) == (4, 28)


def test_off_the_bar_lines_it_says_at_and_how_long_in_the_same_place(client) -> None:
    assert done(client, {"op": "move", "where": "clip[2]", "by": "1/2"}) == [
        '-bars = "4"', '+at = "4.1+1/2"', '+for = "4 beats"',
    ]  # fmt: skip
    shorter = {"op": "stretch", "where": "clip[2]", "end_by": "-3/2"}
    assert done(client, shorter) == ['-for = "4 beats"', '+for = "5/2 beats"']
    row = clip(client, "clip[2]")
    assert (row["from"], row["to"]) == (12.5, 15)


@pytest.mark.parametrize(
    ("at", "by", "moved"),
    [
        ("3.1", "1/3", "3.1+1/3"),
        ("section B", "2", "section B + 2 beats"),
        ("section B + 2 beats", "-2", "section B"),
        ("section B", "-1/2", "section B - 1/2 beat"),
        ("2s", "1", "2.500s"),  # a beat lasts half a second
        ("start", "4", "start + 4 beats"),
        ("end - 8 beats", "2", "end - 6 beats"),
    ],
)
def test_a_time_keeps_the_way_it_is_written(client, at: str, by: str, moved: str) -> None:
    done(
        client,
        {"op": "set", "where": "clip[2]", "key": "bars", "value": None},
        {"op": "set", "where": "clip[2]", "key": "at", "value": at},
        {"op": "set", "where": "clip[2]", "key": "for", "value": "1 beat"},
    )
    assert done(client, {"op": "move", "where": "clip[2]", "by": by}) == [f'-at = "{at}"', f'+at = "{moved}"']


def test_a_name_with_a_plus_in_it_stays_whole() -> None:
    times = Times(clock_for(song_of(steady(32), 16.0)), lambda moment: Fraction(4), 4)
    assert times.moved("label in+out", Fraction(1)) == "label in+out + 1 beat"
    assert times.moved("section B[2] - 1 beat", Fraction(1)) == "section B[2]"


def test_bars_before_bar_0_are_written_so_that_they_can_be_read() -> None:
    """Bar 1 starts on beat 16: beats 0 to 8 are bars -3 and -2, which no run of bars can say; one bar it can."""
    times = Times(clock_for(song_of(steady(32), 16.0, bars=[16, 20, 24, 28])), lambda moment: Fraction(0), 4)
    assert times.written(Fraction(0), Fraction(8)) == {"at": "-3.1", "for": "8 beats"}
    assert times.written(Fraction(0), Fraction(4)) == {"bars": "-3"}
    assert times.written(Fraction(0), Fraction(16)) == {"bars": "-3-0"}


def test_inside_a_phrase_times_count_from_its_start_and_all_placings_follow(client) -> None:
    assert done(client, {"op": "move", "where": "phrase.wave[1]", "by": "1"})[1:] == ['+at = "1.2"', '+for = "8 beats"']
    cues = [cue for cue in client.state()["show"]["cues"] if cue[0] == 2]
    assert [(cue[4], cue[5]) for cue in cues] == [(1.0, 9.0), (17.0, 25.0)]
    status, answer = client.edit({"op": "move", "where": "phrase.wave[1]", "by": "-2"})
    assert (status, answer["error"]["kind"]) == (400, "bad") and "before the phrase" in answer["error"]["message"]


def test_keys_are_set_and_taken_out(client) -> None:
    assert done(client, {"op": "set", "where": "clip[1]", "key": "opacity", "value": 0.25}) == [
        "-opacity = 0.5", "+opacity = 0.25",
    ]  # fmt: skip
    assert done(client, {"op": "set", "where": "clip[1]", "key": "opacity", "value": None}) == ["-opacity = 0.25"]
    assert done(client, {"op": "set", "where": "trigger[1]", "key": "clip.zone", "value": "all"})[1].startswith(
        '+clip = {zone = "all", effect = "accent"'
    )
    assert done(client, {"op": "set", "where": "", "key": "limiter", "value": "off"}) == [
        '-limiter = "on"', '+limiter = "off"',
    ]  # fmt: skip
    assert done(client, {"op": "set", "where": "colour", "key": "ember", "value": "#ff0000"}) == [
        '-ember = "#ff6a00"', '+ember = "#ff0000"',
    ]  # fmt: skip


def test_blocks_are_added_copied_and_deleted(client) -> None:
    values = {"zone": "left", "effect": "hold", "colour": "teal"}
    status, answer = client.edit(
        {"op": "add", "kind": "clip", "values": values, "from": "8", "to": "12"},
        {"op": "add", "kind": "master", "values": {"level": 1.0}, "from": "4"},
    )
    assert (status, answer["added"]) == (200, ["clip[3]", "master[1]"])
    text = client.get("api/score").json()["text"]
    assert '[[clip]]\nzone = "left"\neffect = "hold"\nbars = "3"\ncolour = "teal"\n' in text
    assert '[[master]]\nat = "2.1"\nlevel = 1.0\n' in text
    status, answer = client.edit({"op": "copy", "where": "clip[1]", "by": "0", "values": {"layer": 5}})
    assert (status, answer["added"]) == (200, ["clip[2]"])
    copied = clip(client, "clip[2]")
    assert (copied["label"], copied["layer"], copied["values"]["bars"]) == ("glow 2", 5, "1-8")
    text = client.get("api/score").json()["text"]
    assert text.count("# the mast glows all the way through") == 2  # the comment belongs to the clip
    status, answer = client.edit({"op": "delete", "where": "clip[2]"}, {"op": "delete", "where": "clip[1]"})
    assert status == 200
    assert [row["label"] for row in answer["state"]["show"]["clips"]][:2] == ["white", "clip[2]"]


def test_several_deletes_name_the_blocks_as_they_were(client) -> None:
    status, answer = client.edit({"op": "delete", "where": "clip[1]"}, {"op": "delete", "where": "clip[2]"})
    assert status == 200
    assert [row["where"] for row in answer["state"]["show"]["clips"]] == [
        "phrase.wave[1]", "phrase.wave[2]", "trigger[1]",
    ]  # fmt: skip


def test_phrases_are_placed_moved_and_taken_away(client) -> None:
    status, answer = client.edit({"op": "place", "phrase": "wave", "at": "24"})
    assert (status, answer["added"]) == (200, ["order.wave[3]"])
    assert 'wave = ["1", "5", "7.1"]' in client.get("api/score").json()["text"]
    done(client, {"op": "move", "where": "order.wave[3]", "by": "-4"}, {"op": "delete", "where": "order.wave[1]"})
    assert 'wave = ["5", "6.1"]' in client.get("api/score").json()["text"]
    assert [p["from"] for p in client.state()["show"]["placings"]] == [16, 20]


def test_clips_become_a_phrase_where_they_stand(client) -> None:
    before = client.state()["show"]["pieces"]
    status, answer = client.edit({"op": "make_phrase", "name": "all of it", "wheres": ["clip[1]", "clip[2]"]})
    assert (status, answer["added"]) == (200, ["phrase.all of it[1]", "phrase.all of it[2]", "order.all of it[1]"])
    data = tomllib.loads(client.get("api/score").json()["text"])
    assert [block["bars"] for block in data["phrase"]["all of it"]] == ["1-8", "4"]
    assert data["order"]["all of it"] == ["1.1"] and "clip" not in data
    after = answer["state"]["show"]["pieces"]
    # Not one bar looks different: the clips lie where they lay.
    lit = [client.get(f"api/piece/{rows[3]['id']}.png").content for rows in (before, after)]
    assert lit[0] == lit[1]


def test_an_edit_changes_the_names_of_the_bars_that_it_touches_and_of_no_others(client) -> None:
    before = client.state()["show"]["pieces"]
    done(client, {"op": "set", "where": "trigger[1]", "key": "clip.colour", "value": "red"})  # bars 7 and 8
    after = client.state()["show"]["pieces"]
    changed = [one["bar"] for one, other in zip(before, after, strict=True) if one["id"] != other["id"]]
    assert 7 in changed and 8 in changed and not {1, 2, 3, 4, 5} & set(changed)


@pytest.mark.parametrize(
    ("op", "message"),
    [
        ({"op": "explode"}, "there is no operation"),
        ({"op": "move", "where": "clip[1]"}, "needs by"),
        ({"op": "move", "where": "clip[9]", "by": "1"}, r"there is no clip[9]"),
        ({"op": "move", "where": "clip[0]", "by": "1"}, r"there is no clip[0]"),
        ({"op": "move", "where": "../rig", "by": "1"}, "names no block"),
        ({"op": "move", "where": "clip[1]", "by": "soon"}, "needs beats"),
        ({"op": "move", "where": "clip[1]", "by": "1/0"}, "zero"),
        ({"op": "stretch", "where": "clip[2]", "end_by": "-4"}, "end before it starts"),
        ({"op": "add", "kind": "supply", "values": {}}, "no kind of block"),
        ({"op": "make_phrase", "name": "wave", "wheres": ["clip[1]"]}, 'there is a phrase "wave" already'),
    ],
)
def test_what_cannot_be_done_is_said_and_changes_nothing(client, op: dict[str, Any], message: str) -> None:
    before = client.studio.session.score.path.read_bytes()
    status, answer = client.edit(op)
    assert (status, answer["error"]["kind"]) == (400, "bad")
    assert message in answer["error"]["message"]
    assert client.studio.session.score.path.read_bytes() == before


def test_an_edit_that_brings_a_fault_is_refused_with_the_clip_and_its_line(client, show_folder: Path) -> None:
    before = (show_folder / PATH).read_bytes()
    status, answer = client.edit({"op": "set", "where": "clip[2]", "key": "zone", "value": "rial"})
    assert (status, answer["error"]["kind"]) == (422, "faults")
    (fault,) = answer["error"]["faults"]
    assert (fault["block"], fault["key"], fault["hint"]) == ("clip[2]", "zone", '"rail"')
    assert answer["error"]["text"].splitlines()[fault["line"] - 1] == 'zone = "rial"'
    assert (show_folder / PATH).read_bytes() == before
    # A person who insists may save it; then the last good show stays, and only the fault can be mended.
    status, answer = client.edit({"op": "set", "where": "clip[2]", "key": "zone", "value": "rial"}, anyway=True)
    assert (status, answer["state"]["good"]) == (200, False)
    assert len(answer["state"]["show"]["clips"]) == 5
    assert client.edit({"op": "move", "where": "clip[1]", "by": "4"})[0] == 422
    status, answer = client.edit({"op": "set", "where": "clip[2]", "key": "zone", "value": "rail"})
    assert (status, answer["state"]["good"]) == (200, True)


def test_undo_and_redo_to_the_byte(client, show_folder: Path) -> None:
    path = show_folder / PATH
    texts = [path.read_bytes()]
    ops: list[dict[str, Any]] = [
        {"op": "move", "where": "clip[2]", "by": "1/3"},
        {"op": "delete", "where": "clip[1]"},
        {"op": "place", "phrase": "wave", "at": "20"},
        {"op": "add", "kind": "trigger", "values": {"on": "kick", "clip": {"zone": "rail", "effect": "accent"}}},
        {"op": "text", "text": 'format = 1\r\nsong = "tide.wav"\r\n# \u00e9\r\n'},
    ]
    for op in ops:
        done(client, op)
        texts.append(path.read_bytes())
    assert len(set(texts)) == len(texts)
    for wanted in reversed(texts[:-1]):
        status, answer = client.ask("api/undo", {})
        assert status == 200 and path.read_bytes() == wanted
    assert (answer["state"]["undo"], answer["state"]["redo"]) == (None, "move clip[2]")
    assert client.ask("api/undo", {})[1]["error"]["kind"] == "nothing"
    for wanted in texts[1:]:
        assert client.ask("api/redo", {})[0] == 200
        assert path.read_bytes() == wanted
    assert client.ask("api/redo", {})[0] == 409
    client.ask("api/undo", {})
    done(client, {"op": "set", "where": "", "key": "seed", "value": 5})
    assert client.state()["redo"] is None  # another way was taken


def test_crlf_and_a_byte_order_mark_stay(client, show_folder: Path) -> None:
    path = show_folder / PATH
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes().replace(b"\n", b"\r\n"))
    client.studio.session.poll()
    assert client.state()["good"]
    before = path.read_bytes()
    assert client.edit({"op": "move", "where": "clip[2]", "by": "4"})[0] == 200
    assert path.read_bytes() == before.replace(b'bars = "4"', b'bars = "5"')


def test_a_layout_that_is_not_edited_here_is_said(client, show_folder: Path) -> None:
    path = show_folder / PATH
    path.write_text('format = 1\nsong = "tide.wav"\nclip = [{zone = "rail", effect = "hold", bars = "1"}]\n')
    client.studio.session.poll()
    status, answer = client.edit({"op": "delete", "where": "clip[1]"})
    assert (status, answer["error"]["kind"]) == (422, "layout")
    assert client.edit({"op": "move", "where": "clip[1]", "by": "4"})[0] == 200
    assert 'bars = "2"' in path.read_text()


def test_what_is_probably_not_meant_is_told_with_its_clip(client) -> None:
    assert [row["block"] for row in client.state()["show"]["doubts"]] == [""]  # the score names no bar numbering
    op = {"op": "set", "where": "clip[2]", "key": "fade_in", "value": "8 beats"}  # of a clip of four
    status, answer = client.edit(op)
    doubts = answer["state"]["show"]["doubts"]
    assert status == 200 and "clip[2]" in [row["block"] for row in doubts]
    assert any("fades take 2 times" in row["what"] for row in doubts)


@pytest.mark.parametrize("name", ["white: all", "clip[1]", "phrase.wave[1]"])
def test_what_is_probably_not_meant_belongs_to_its_clip_whatever_that_is_called(show_folder: Path, name: str) -> None:
    path = show_folder / "ebb: first.toml"
    path.write_text((show_folder / PATH).read_text().replace('"white"\nzone', f'"{name}"\nfade_in = "8 beats"\nzone'))
    rows = Client(Studio(Session(path))).state()["show"]["doubts"]
    found = [(row["block"], row["where"], row["what"][:18]) for row in rows if row["where"] != "grid"]
    assert found == [("clip[2]", f"{name}@4.1", "its fades take 2 t")]


def test_of_zones_that_went_from_the_rig_one_after_the_other_is_mended(client) -> None:
    rig, score = client.studio.session.loader.folder / "rig.toml", client.studio.session.score.path
    parts = [{"op": "set", "where": f"clip[{i}]", "key": "zone", "value": "left"} for i in (1, 2)]
    assert done(client, *parts, {"op": "set", "where": "trigger[1]", "key": "clip.zone", "value": "left"})
    rig.write_text(rig.read_text().replace("left =", "port_side ="))
    client.studio.session.poll()
    told = client.state()["faults"]
    assert [fault["where"] for fault in told] == ["rig", "clip[1].zone", "clip[2].zone", "trigger[1].clip.zone"]
    places = [("trigger[1]", "clip.zone", 2), ("clip[2]", "zone", 1), ("clip[1]", "zone", 0)]
    for where, key, left in places:
        status, answer = client.edit({"op": "set", "where": where, "key": key, "value": "port_side"})
        assert (status, len(answer["state"]["faults"])) == (200, left)
    assert score.read_text().count('"port_side"') == 3


def test_an_empty_colour_under_a_palette_is_refused_with_its_fault(client) -> None:
    score = client.studio.session.score.path
    score.write_text(score.read_text() + '\n[palette.A]\nember = "teal"\n')
    client.studio.session.poll()
    status, answer = client.edit({"op": "set", "where": "clip[1]", "key": "colour", "value": ""})
    assert (status, answer["error"]["kind"]) == (422, "faults")
