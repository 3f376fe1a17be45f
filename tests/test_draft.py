"""The drafted score: ordinary text that reads without a fault, follows the song's energy, and differs between songs."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path

import pytest
from shows import made_map

from composer.cli import main
from composer.draft import LOUD, QUIET, draft, parts_of
from composer.faults import FaultList, read_toml
from composer.pipeline.show import clock_of
from composer.rig import Rig, load_rig
from composer.score import score_from
from composer.songmap import Loudness, Section, SongMap
from composer.starting import RIG
from composer.timeline import lay


@pytest.fixture
def rig(tmp_path: Path) -> Rig:
    (tmp_path / "rig.toml").write_text(RIG)
    return load_rig(tmp_path / "rig.toml")


@pytest.fixture
def song(tmp_path: Path) -> SongMap:
    """64 s, 32 bars: quiet A, loud B, quiet A, loud B, 8 bars each."""
    (tmp_path / "tide.wav").write_bytes(b"only its hash counts")
    made = made_map(tmp_path / "tide.wav", 64.0)
    curve = tuple(0.2 if int(i / 160) % 2 == 0 else 0.9 for i in range(640))
    sections = tuple(Section(16.0 * i, 16.0 * (i + 1), "AB"[i % 2]) for i in range(4))
    return replace(made, sections=sections, loudness=Loudness(0.1, curve, curve, curve, curve))


def test_parts_follow_sections_and_energy(song: SongMap) -> None:
    parts = parts_of(song)
    assert [(p.name, p.first, p.energy) for p in parts] == [
        ("A", 1, QUIET), ("B", 9, LOUD), ("A", 17, QUIET), ("B", 25, LOUD),
    ]  # fmt: skip
    assert [p.last for p in parts[:3]] == [8, 16, 24]
    assert parts[0].palette == parts[2].palette != parts[1].palette == parts[3].palette


def test_a_draft_reads_and_lays_without_a_fault(song: SongMap, rig: Rig, tmp_path: Path) -> None:
    path = tmp_path / "score.toml"
    path.write_text(draft(song, rig, 'my "tide".wav'))
    faults = FaultList(path)
    score = score_from(read_toml(path), path, faults)
    cues = lay(score, song, rig, clock_of(rig, song, score.rate), faults)
    assert faults.faults == []
    assert score.song.name == 'my "tide".wav'
    assert score.grid == song.grid
    assert {cue.zone for cue in cues} == set(rig.strings)
    # Nothing dark: every beat of the song has a clip.
    covered = {beat for cue in cues for beat in range(int(cue.start), int(cue.start + cue.length))}
    assert covered >= set(range(int(song.bars[-1])))


def test_the_same_section_looks_the_same(song: SongMap, rig: Rig) -> None:
    clips = tomllib.loads(draft(song, rig, "a.wav"))["clip"]
    base = {clip["bars"]: clip for clip in clips if clip.get("layer", 1) == 1}
    assert base["1-8"]["effect"] == base["17-24"]["effect"]
    assert base["1-8"]["colour"] == base["17-24"]["colour"]


def test_another_song_gets_another_score(song: SongMap, rig: Rig) -> None:
    other = replace(song, song=replace(song.song, sha256="ab" * 32))
    assert draft(song, rig, "a.wav") != draft(other, rig, "a.wav")


def test_hits_keep_their_distance(song: SongMap, rig: Rig) -> None:
    triggers = tomllib.loads(draft(song, rig, "a.wav"))["trigger"]
    assert triggers
    # Three flashes a second are the most that WCAG 2.3.1 lets pass; half a second apart is two.
    assert all(float(trigger["gap"].split()[0]) >= 1 / 3 for trigger in triggers)


def test_a_song_without_beats_gets_bars_of_two_seconds(song: SongMap, rig: Rig) -> None:
    bare = replace(song, beats=(), bars=(), tempo=0.0)
    assert [p.first for p in parts_of(bare)] == [1, 9, 17, 25]
    assert "bars =" in draft(bare, rig, "a.wav")


def test_a_draft_never_covers_a_score(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "score.toml").write_text("mine")
    assert main(["draft", str(tmp_path)]) == 2
    assert "is there already" in capsys.readouterr().err
    assert (tmp_path / "score.toml").read_text() == "mine"


def test_new_leaves_nothing_behind_for_a_bad_song(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "words.mp3").write_text("no song at all")
    assert main(["new", str(tmp_path / "show"), str(tmp_path / "words.mp3")]) == 2
    assert capsys.readouterr().err.startswith(str(tmp_path / "words.mp3"))
    assert [path.name for path in tmp_path.iterdir()] == ["words.mp3"]


def test_new_without_a_song_makes_a_rig(tmp_path: Path) -> None:
    assert main(["new", str(tmp_path / "show")]) == 0
    assert load_rig(tmp_path / "show" / "rig.toml").pixels == 150
    assert main(["new", str(tmp_path / "show")]) == 2
