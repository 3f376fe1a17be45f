"""Corrections of what was heard: what they make of STEM.fix.toml and the song map, with the score on the new bars."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from shows import SCORE, make_show
from studio_kit import Client

from composer import songmap as maps
from composer.studio.app import Studio
from composer.studio.fix_edits import quantised
from composer.studio.session import Session


@pytest.fixture
def gridded(tmp_path: Path) -> Path:
    """The show, its score saying against which bars it was written."""
    folder = make_show(tmp_path / "tide")
    made = maps.load_map(folder / "tide.map.json")
    sections = [{"start": s.start, "end": s.end, "name": s.name} for s in made.sections]
    maps.save_map(replace(made, heard={**made.heard, "sections": sections}), folder / "tide.map.json")
    grid = made.grid
    (folder / "score.toml").write_text(f'grid = "{grid}"\n' + SCORE)
    return folder


@pytest.fixture
def fixing(gridded: Path) -> Any:
    """The routes of a studio on that show."""
    return Client(Studio(Session(gridded)))


def fixes(client: Any) -> dict[str, Any]:
    """What the file says."""
    return tomllib.loads(client.studio.session.fixes.path.read_text())


def beats(client: Any) -> list[float]:
    """The beats as they are now, seconds."""
    return list(client.get("api/song").json()["beats"])


def did(client: Any, op: str, **more: Any) -> dict[str, Any]:
    """A correction that must succeed; the state after it."""
    status, answer = client.fix(op, **more)
    assert (status, answer.get("error")) == (200, None)
    return dict(answer["state"])


def test_a_nudge_moves_every_beat_and_nudges_add_up(fixing) -> None:
    before = beats(fixing)
    did(fixing, "nudge", ms=15)
    did(fixing, "nudge", ms=5)
    assert fixes(fixing)["shift"] == "20 ms"
    assert beats(fixing)[:3] == pytest.approx([b + 0.02 for b in before[:3]], abs=1e-6)
    state = did(fixing, "nudge", ms=-20)
    assert "shift" not in fixes(fixing) and beats(fixing) == before
    assert state["good"] and state["undo"].startswith("nudge")
    did(fixing, "nudge", ms=-12.5)
    assert fixes(fixing)["shift"] == "-12.5 ms"


def test_double_and_halve_are_each_other_s_way_back(fixing) -> None:
    before = beats(fixing)
    state = did(fixing, "double")
    assert len(beats(fixing)) == pytest.approx(2 * len(before), abs=2)
    assert state["good"], "the score follows the bars"
    assert did(fixing, "halve")["show"]["fixes"]["level"] == ""
    assert beats(fixing) == before
    did(fixing, "halve")
    assert beats(fixing)[1] - beats(fixing)[0] == pytest.approx(1.0)
    did(fixing, "level", level="")
    assert beats(fixing) == before


def test_a_tempo_is_about_that_whatever_level_was_in_force(fixing) -> None:
    did(fixing, "double")
    did(fixing, "tempo", value=119)
    assert "level" not in fixes(fixing)
    assert beats(fixing)[1] - beats(fixing)[0] == pytest.approx(0.5)  # the beat of 120 that was heard
    did(fixing, "double")  # twice as many as now
    assert beats(fixing)[1] - beats(fixing)[0] == pytest.approx(0.25)


def test_a_bar_line_here_moves_the_bars_and_the_score_follows_in_one_step(fixing, gridded: Path) -> None:
    score = (gridded / "score.toml").read_bytes()
    state = did(fixing, "barline", at=0.98)  # near the third beat, 1.0 s
    assert fixes(fixing)["first_bar"] == 1.0
    assert [bar["start_us"] for bar in state["show"]["bars"]][:3] == [0, 1_000_000, 3_000_000]
    assert state["good"] and state["faults"] == []
    # What was bar 4 (6 s) now starts on the third beat of bar 3; the white clip still starts at 6 s.
    white = next(clip for clip in state["show"]["clips"] if clip["label"] == "white")
    assert (white["values"]["at"], white["from"]) == ("3.3", 12)
    assert fixing.ask("api/undo", {})[0] == 200
    assert (gridded / "score.toml").read_bytes() == score
    assert not fixing.studio.session.fixes.path.exists()
    assert fixing.ask("api/redo", {})[1]["state"]["good"]


def test_without_following_the_fault_says_so_and_renumber_mends_it(fixing, gridded: Path) -> None:
    before = (gridded / "score.toml").read_text()
    status, answer = fixing.fix("barline", at=1.0, follow=False)
    assert (status, answer["state"]["good"], answer["state"]["renumber"]) == (200, False, True)
    assert (gridded / "score.toml").read_text() == before
    difference = fixing.get("api/renumber").json()["difference"]
    assert '-bars = "4"' in difference and '+at = "3.3"' in difference
    status, answer = fixing.edit({"op": "renumber"})
    assert (status, answer["state"]["good"]) == (200, True)


def test_shift_by_beats_moves_bar_lines_and_does_not_mix_with_milliseconds(fixing) -> None:
    did(fixing, "shift", beats="1")
    state = did(fixing, "shift", beats="1")
    assert fixes(fixing)["shift"] == "2 beats"
    assert [bar["start_us"] for bar in state["show"]["bars"]][1] == 1_000_000
    status, answer = fixing.fix("nudge", ms=5)
    assert (status, answer["error"]["kind"]) == (400, "bad")
    assert did(fixing, "shift", beats="-2")["show"]["fixes"]["shift_beats"] == 0


def test_anchors_pin_bars_and_keep_their_comments(fixing, gridded: Path) -> None:
    did(fixing, "anchor", bar=1, at=0.1)
    path = gridded / "tide.fix.toml"
    path.write_text(path.read_text().replace("[[anchor]]\nbar = 1", "# by ear\n[[anchor]]\nbar = 1"))
    fixing.studio.session.poll()
    state = did(fixing, "anchor", bar=5, at=8.5)
    assert [(a["bar"], a["at"]) for a in state["show"]["fixes"]["anchors"]] == [(1, 0.1), (5, 8.5)]
    bars = {bar["bar"]: bar["start_us"] for bar in state["show"]["bars"]}
    # Pinned at 0.1 and 8.5 s, the four bars between are 2.1 s each.
    assert [bars[n] for n in (1, 2, 5)] == [100_000, 2_200_000, 8_500_000]
    did(fixing, "anchor", bar=5, at=None)
    assert fixes(fixing)["anchor"] == [{"bar": 1, "at": 0.1}] and "# by ear" in path.read_text()
    status, answer = fixing.fix("anchor", bar=40, at=0.05)
    assert (status, answer["error"]["kind"]) == (422, "faults")
    assert fixes(fixing)["anchor"] == [{"bar": 1, "at": 0.1}]


def test_labels_are_tapped_quantised_renamed_and_taken_away(fixing) -> None:
    state = did(fixing, "label", name="door", times=[1.03, 2.2])
    assert [row["s"] for row in state["show"]["labels"]["door"]] == [1.03, 2.2]
    did(fixing, "label", name="door", times=[3.31], add=True, quantise="1/2")  # halves of beats: every 0.25 s
    assert fixes(fixing)["labels"]["door"] == [1.03, 2.2, 3.25]
    did(fixing, "rename_label", name="door", to="gate")
    assert list(fixes(fixing)["labels"]) == ["gate"]
    did(fixing, "label", name="gate", times=[])
    assert fixes(fixing)["labels"] == {}


def test_a_label_does_not_take_the_name_of_another_label(fixing) -> None:
    did(fixing, "label", name="door", times=[1.0])
    did(fixing, "label", name="gate", times=[2.0])
    status, answer = fixing.fix("rename_label", name="door", to="gate")
    assert (status, answer["error"]["message"]) == (400, 'there is a label "gate" already')
    assert fixes(fixing)["labels"] == {"door": [1.0], "gate": [2.0]}


def test_notes_of_a_midi_file_are_labels_too(gridded: Path) -> None:
    (gridded / "tide.fix.toml").write_text('format = 1\n[notes]\n"midi 10/36" = [1.0, 2.0]\nknock = [3.0]\n')
    fixing = Client(Studio(Session(gridded)))
    did(fixing, "rename_label", name="midi 10/36", to="kick")
    assert fixes(fixing)["notes"] == {"knock": [3.0], "kick": [1.0, 2.0]}
    state = did(fixing, "label", name="kick", times=[2.5], add=True)
    assert [row["s"] for row in state["show"]["labels"]["kick"]] == [1.0, 2.0, 2.5]
    did(fixing, "clear")
    assert set(fixes(fixing)["notes"]) == {"knock", "kick"}
    state = did(fixing, "label", name="kick", times=None)
    assert list(state["show"]["labels"]) == ["knock"]
    did(fixing, "label", name="knock", times=[1.5])
    assert (fixes(fixing)["labels"], fixes(fixing)["notes"]) == ({"knock": [1.5]}, {})


def test_a_label_that_a_trigger_needs_is_not_lost_without_a_word(fixing) -> None:
    did(fixing, "label", name="door", times=[1.0])
    trigger = {"on": "label door", "clip": {"zone": "rail", "effect": "accent"}}
    assert fixing.edit({"op": "add", "kind": "trigger", "values": trigger})[0] == 200
    status, answer = fixing.fix("label", name="door", times=[])
    assert status == 200 and not answer["state"]["good"]
    assert 'no label "door"' in answer["state"]["faults"][0]["what"]
    assert fixing.ask("api/undo", {})[1]["state"]["good"]


def test_sections_are_renamed_or_laid_anew(fixing) -> None:
    state = did(fixing, "section", name="A", to="verse")
    assert [row["name"] for row in state["show"]["sections"]] == ["verse", "B"]
    state = did(fixing, "section", name="verse", to="intro")
    assert fixes(fixing)["sections"] == {"A": "intro"}
    wanted = [{"at": "1", "name": "low tide"}, {"at": {"beat": "12"}, "name": "flood"}]
    state = did(fixing, "sections", list=wanted)
    assert [(row["name"], row["start_us"]) for row in state["show"]["sections"]] == [
        ("low tide", 0),
        ("flood", 6_000_000),
    ]
    did(fixing, "section", name="flood", to="ebb")
    assert [block["name"] for block in fixes(fixing)["section"]] == ["low tide", "ebb"]
    assert [row["name"] for row in did(fixing, "sections", list=[])["show"]["sections"]] == ["A", "B"]


def test_clear_takes_all_but_the_labels(fixing, gridded: Path) -> None:
    did(fixing, "label", name="door", times=[1.0])
    did(fixing, "anchor", bar=1, at=0.1)
    did(fixing, "section", name="A", to="verse")
    did(fixing, "beats_per_bar", value=3)
    did(fixing, "clear")
    assert fixes(fixing) == {"format": 1, "labels": {"door": [1.0]}, "sections": {}}
    assert (gridded / "tide.fix.toml").read_text().startswith("# Corrections to what was heard")


def test_comments_of_the_fixes_stay(fixing, gridded: Path) -> None:
    path = gridded / "tide.fix.toml"
    path.write_text(
        '# heard on the pier\nformat = 1\nshift = "10 ms"  # the band drags\n\n[labels]\ndoor = [1.0] # knock\n'
    )
    fixing.studio.session.poll()
    did(fixing, "nudge", ms=-4)
    did(fixing, "label", name="bell", times=[2.0])
    assert path.read_text() == (
        '# heard on the pier\nformat = 1\nshift = "6 ms"   # the band drags\n\n[labels]\ndoor = [1.0] # knock\n'
        "bell = [2.0]\n"
    )


def test_a_correction_for_older_fixes_is_refused(fixing, gridded: Path) -> None:
    base = fixing.state()["fixes_id"]
    (gridded / "tide.fix.toml").write_text('format = 1\nshift = "10 ms"\n')
    status, answer = fixing.ask("api/fix", {"base": base, "op": "nudge", "ms": 5})
    assert (status, answer["error"]["kind"]) == (409, "conflict")
    assert fixes(fixing)["shift"] == "10 ms"


def test_fixes_that_cannot_be_read_are_told_and_listening_is_not_lost(fixing, gridded: Path) -> None:
    (gridded / "tide.fix.toml").write_text("shift = \n")
    fixing.studio.session.poll()
    state = fixing.state()
    assert (state["good"], state["faults"][0]["file"], state["faults"][0]["line"]) == (False, "tide.fix.toml", 1)
    status, answer = fixing.fix("nudge", ms=5)
    assert (status, answer["error"]["kind"]) == (422, "faults")
    body = {"base": state["fixes_id"], "op": "text", "text": "format = 1\n"}
    assert fixing.ask("api/fix", body)[1]["state"]["good"]


def test_a_show_whose_fixes_are_broken_from_the_start_can_be_mended(gridded: Path) -> None:
    (gridded / "tide.fix.toml").write_text("shift = \n")
    client = Client(Studio(Session(gridded)))
    state = client.state()
    assert (state["good"], state["show"], state["faults"][0]["file"]) == (False, None, "tide.fix.toml")
    assert client.fix("nudge", ms=5)[0] == 422
    status, answer = client.fix("text", text="format = 1\n")
    assert (status, answer["state"]["good"]) == (200, True)


def test_song_is_asked_for_again_when_its_beats_move(fixing) -> None:
    before = fixing.state()["song_id"]
    assert did(fixing, "nudge", ms=5)["song_id"] != before


@given(st.floats(0, 100), st.sampled_from([Fraction(1), Fraction(1, 2), Fraction(1, 4)]))
def test_quantised_taps_fall_on_the_nearest_place(time: float, step: Fraction) -> None:
    grid = [0.5 * i for i in range(150)]
    found = quantised(grid, time, step)
    places = [0.5 * float(step) * i for i in range(int(210 / step))]
    assert min(abs(found - place) for place in places) < 1e-9
    assert abs(found - time) <= 0.25 * float(step) + 1e-4
