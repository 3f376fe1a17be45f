"""The drafted score: ordinary text that reads without a fault, follows the song's energy, and differs between songs."""

from __future__ import annotations

import json
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from shows import made_map, make_show

from composer.cli import main
from composer.draft import LOUD, QUIET, draft, parts_of
from composer.faults import FaultList, read_toml
from composer.pipeline.show import clock_of
from composer.rig import Rig, load_rig
from composer.score import score_from
from composer.songmap import Loudness, Section, SongMap, save_map
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


@pytest.fixture(scope="module")
def drafted(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A drafted show, baked: 8 quiet bars, 8 loud ones, a kick on every beat, 120 a minute."""
    folder = tmp_path_factory.mktemp("drafted")
    (folder / "rig.toml").write_text(RIG)
    (folder / "tide.wav").write_bytes(b"only its hash counts")
    made = made_map(folder / "tide.wav", 32.0)
    curve = (0.2,) * 160 + (0.9,) * 160
    heard = {
        **made.heard,
        "sections": [{"start": 0.0, "end": 16.0, "name": "A"}, {"start": 16.0, "end": 32.0, "name": "B"}],
    }
    sections = (Section(0.0, 16.0, "A"), Section(16.0, 32.0, "B"))
    song = replace(made, heard=heard, sections=sections, loudness=Loudness(0.1, curve, curve, curve, curve))
    save_map(song, folder / "tide.map.json")
    (folder / "score.toml").write_text(draft(song, load_rig(folder / "rig.toml"), "tide.wav"))
    assert main(["bake", str(folder), "--strict"]) == 0
    return folder


def test_loud_parts_light_up_on_the_drum_and_quiet_ones_do_not(drafted: Path, tmp_path: Path) -> None:
    out = tmp_path / "frames.npz"
    assert main(["inspect", str(drafted / "out" / "board" / "tide.roll"), "--frames", str(out)]) == 0
    frames = np.load(out)
    times, light = frames["times_s"], frames["rail"][:, 50:100].astype(float).mean(axis=(1, 2))  # the middle third

    def at(seconds: float) -> float:
        return float(light[np.searchsorted(times, seconds - 1e-6)])

    loud, quiet = np.arange(17.0, 30.0, 0.5), np.arange(1.0, 13.0, 0.5)
    lit = np.array([at(beat) for beat in loud]) - [at(beat - 0.03) for beat in loud]
    # At least a quarter of all the light there can be comes with each drum.
    assert lit.min() > 0.25 * 255
    still = np.array([at(beat) for beat in quiet]) - [at(beat - 0.03) for beat in quiet]
    assert abs(still).max() < 0.05 * 255
    assert light[(times > 1) & (times < 13)].mean() < 0.6 * light[(times > 17) & (times < 30)].mean()


def test_a_draft_keeps_its_supply_and_the_three_flashes_of_wcag(drafted: Path) -> None:
    audit = json.loads((drafted / "out" / "audit.json").read_text())
    assert audit["flashes"]["worst_per_s"] <= 3  # WCAG 2.3.1; two drums a second are two of them
    supply = audit["supplies"]["main"]
    assert supply["peak_a"] <= supply["budget_a"]
    assert supply["limited_frames"] == 0  # nothing of what is drafted is dimmed again


def test_clips_have_names_that_say_where_and_what(song: SongMap, rig: Rig) -> None:
    made = tomllib.loads(draft(song, rig, "a.wav"))
    names = [clip["name"] for clip in made["clip"]] + [trigger["clip"]["name"] for trigger in made["trigger"]]
    assert len(set(names)) == len(names)
    assert {"rail A1 ground", "rail A2 ground", "rail B1 hit", "rail A1 sweep"} <= set(names)


def test_sections_whose_names_end_in_digits_keep_their_clips_apart(song: SongMap, rig: Rig) -> None:
    bars = 4 * len(song.bars)
    longer = tuple(0.5 * i for i in range(4 * bars))
    sections = (Section(0.0, 2.0 * (bars - 8), "A"), Section(2.0 * (bars - 8), 2.0 * bars, "A1"))
    long = replace(song, beats=longer, bars=tuple(range(0, len(longer), 4)), sections=sections)
    names = [clip["name"] for clip in tomllib.loads(draft(long, rig, "a.wav"))["clip"]]
    assert "rail A11 ground" in names and "rail A1.1 ground" in names
    assert len(set(names)) == len(names)


def test_what_is_drawn_by_lot_comes_again_with_its_section(song: SongMap, rig: Rig) -> None:
    stars = [clip for clip in tomllib.loads(draft(song, rig, "a.wav"))["clip"] if clip["effect"] == "scatter"]
    assert [clip["bars"] for clip in stars] == ["1-8", "17-24"]
    assert stars[0]["seed"] == stars[1]["seed"]


def test_nothing_in_a_draft_says_bars_but_what_renumber_moves(song: SongMap, rig: Rig) -> None:
    comments = [line for line in draft(song, rig, "a.wav").splitlines() if line.startswith("# ----")]
    assert len(comments) == 4
    assert not any(letter.isdecimal() for line in comments for letter in line)


def test_fades_leave_something_between_them(song: SongMap, rig: Rig) -> None:
    short = replace(song, beats=song.beats[:17], bars=song.bars[:5], sections=(Section(0.0, 8.0, "A"),))
    assert [(p.first, p.last) for p in parts_of(short)] == [(1, 4)]
    text = draft(short, rig, "a.wav")  # two bars in and two out would be all of it
    assert 'fade_in = "1 bar"' in text and 'fade_out = "1 bar"' in text
    assert 'fade_in = "2 bars"' in draft(song, rig, "a.wav")


@pytest.mark.parametrize("seconds", [0.2, 0.9, 1.9, 2.1, 5.0])
def test_a_very_short_song_gets_a_score_that_bakes(seconds: float, tmp_path: Path) -> None:
    at = np.arange(int(44_100 * seconds)) / 44_100
    soundfile.write(tmp_path / "ding.wav", 0.5 * np.sin(2 * np.pi * 440 * at) * np.exp(-5 * at), 44_100)
    assert main(["new", str(tmp_path / "show"), str(tmp_path / "ding.wav")]) == 0
    assert main(["check", str(tmp_path / "show")]) == 0


def test_a_song_without_beats_gets_bars_of_two_seconds(song: SongMap, rig: Rig) -> None:
    bare = replace(song, beats=(), bars=(), tempo=0.0)
    assert [p.first for p in parts_of(bare)] == [1, 9, 17, 25]
    assert "bars =" in draft(bare, rig, "a.wav")


def test_a_draft_never_covers_a_score(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "score.toml").write_text("mine")
    assert main(["draft", str(tmp_path)]) == 2
    assert "is there already" in capsys.readouterr().err
    assert (tmp_path / "score.toml").read_text() == "mine"


def test_a_draft_is_asked_for_by_folder_or_by_score(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    show = make_show(tmp_path / "tide")
    (show / "score.toml").unlink()
    assert main(["draft", str(show / "score.toml")]) == 0
    drafted = (show / "score.toml").read_bytes()
    assert main(["draft", str(show), "--force"]) == 0 and (show / "score.toml").read_bytes() == drafted
    capsys.readouterr()
    assert main(["draft", str(show / "rig.toml")]) == 2
    assert capsys.readouterr().err == f"{show / 'rig.toml'}: is a file: name the show's folder\n"


def test_new_leaves_nothing_behind_for_a_bad_song(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "words.mp3").write_text("no song at all")
    assert main(["new", str(tmp_path / "show"), str(tmp_path / "words.mp3")]) == 2
    assert capsys.readouterr().err.startswith(str(tmp_path / "words.mp3"))
    assert [path.name for path in tmp_path.iterdir()] == ["words.mp3"]


def test_new_without_a_song_makes_a_rig(tmp_path: Path) -> None:
    assert main(["new", str(tmp_path / "show")]) == 0
    assert load_rig(tmp_path / "show" / "rig.toml").pixels == 150
    assert main(["new", str(tmp_path / "show")]) == 2


def test_new_fills_the_empty_folder_that_one_stands_in(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["new", "."]) == 0
    assert [path.name for path in Path().iterdir()] == ["rig.toml"]  # by the place itself, not by another of its name
    assert (tmp_path / "rig.toml").read_text() == RIG
