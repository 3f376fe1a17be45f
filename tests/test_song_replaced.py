"""Fear: another song comes under the same name, and corrections made for the old one are taken for its own."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
import soundfile
from shows import RATE, made_map, make_show, tune

from composer import analysis
from composer.cli import main
from composer.songmap import SongMap, load_map, map_path
from composer.studio.session import Session

GIVEN = "[grid]\nbeats = [0.0, 0.6, 1.2, 1.8]\nbars = [0]\nbeats_per_bar = 4\n"  # as a MIDI file brings it
SCORE = 'format = 1\nsong = "tide.wav"\n[[clip]]\nzone = "all"\neffect = "hold"\nat = "1s"\nto = "end"\n'
OTHER = "tide.wav is another recording than the one that tide.fix.toml corrects (16.0 s, now 12.0 s)"


@pytest.fixture
def show(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A show with corrections; what is heard in its song is written down, whichever it is."""

    def heard(song: Path, tell: object) -> SongMap:
        before = map_path(song).read_bytes()
        made = made_map(song, soundfile.info(song).duration)
        map_path(song).write_bytes(before)  # listening alone saves nothing
        return made

    monkeypatch.setattr(analysis, "listen", heard)
    folder = make_show(tmp_path / "tide", score=SCORE)
    (folder / "tide.fix.toml").write_text(GIVEN, encoding="utf-8")
    assert main(["check", str(folder)]) == 0
    shutil.copyfile(folder / "tide.wav", folder / "before.wav")
    return folder


def replace(show: Path, seconds: float) -> None:
    soundfile.write(show / "tide.wav", tune(seconds)[::-1], RATE)


def test_corrections_made_for_another_recording_are_told_until_they_are_changed(
    show: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert OTHER not in capsys.readouterr().out
    replace(show, 12.0)
    for _ in range(2):  # the second time its map is there already
        assert main(["check", str(show)]) == 0
        assert f"{show / 'score.toml'}: song: {OTHER}" in capsys.readouterr().out
    assert main(["listen", str(show / "tide.wav")]) == 0
    assert OTHER in capsys.readouterr().out
    assert GIVEN in (show / "tide.fix.toml").read_text()  # never lost
    (show / "tide.fix.toml").write_text(GIVEN + "[labels]\ndoor = [2.0]\n", encoding="utf-8")
    assert main(["check", str(show)]) == 0
    assert "another recording" not in capsys.readouterr().out


def test_the_song_that_comes_back_is_the_one_that_was_corrected(show: Path, capsys: pytest.CaptureFixture[str]) -> None:
    replace(show, 12.0)
    assert main(["check", str(show)]) == 0
    shutil.copyfile(show / "before.wav", show / "tide.wav")
    assert main(["check", str(show)]) == 0
    assert capsys.readouterr().out.count("another recording") == 1


def test_the_same_sound_in_another_file_is_the_same_song(show: Path, capsys: pytest.CaptureFixture[str]) -> None:
    replace(show, 16.0)  # as long, and the same is heard
    assert main(["check", str(show)]) == 0
    assert "another recording" not in capsys.readouterr().out


def test_a_song_without_corrections_is_simply_heard(show: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (show / "tide.fix.toml").unlink()
    assert main(["check", str(show)]) == 0
    replace(show, 12.0)
    assert main(["check", str(show)]) == 0
    assert "another recording" not in capsys.readouterr().out


def test_a_correction_that_does_not_fit_is_told_with_the_song_that_was_put_there(
    show: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (show / "tide.fix.toml").write_text("[labels]\ndoor = [15.0]\n", encoding="utf-8")
    assert main(["check", str(show)]) == 0
    replace(show, 12.0)
    for _ in range(2):
        assert main(["check", str(show)]) == 2
        first, second = capsys.readouterr().err.splitlines()
        assert first == f"{show / 'tide.wav'}: {OTHER}"
        assert second == f"{show / 'tide.fix.toml'}: labels.door: 15 s lies outside the song, 12.0 s long"


def test_a_score_that_does_not_fit_is_told_with_the_song_that_was_put_there(
    show: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    score = show / "score.toml"
    score.write_text(SCORE.replace('at = "1s"', 'at = "15s"'), encoding="utf-8")
    replace(show, 12.0)
    assert main(["check", str(show)]) == 2
    first, second = capsys.readouterr().err.splitlines()
    assert first == f"{score}: song: {OTHER}"
    assert second.startswith(f"{score}: clip[1]")
    assert Session(show).state()["faults"][0]["what"] == OTHER


def test_other_bars_are_the_new_songs_and_no_corrections(show: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (show / "tide.fix.toml").unlink()
    assert main(["check", str(show)]) == 0
    score = show / "score.toml"
    grid = load_map(map_path(show / "tide.wav")).grid
    score.write_text(f'grid = "{grid}"\n{score.read_text()}', encoding="utf-8")
    replace(show, 12.0)
    capsys.readouterr()
    for verb in ("check", "renumber"):
        assert main([verb, str(show)]) == 2
        said = capsys.readouterr().err
        assert "tide.wav is another recording than before (16.0 s, now 12.0 s)" in said
        assert "draft --force" in said
        assert "correction" not in said


def test_a_map_with_a_damaged_memory_is_made_anew(show: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = map_path(show / "tide.wav")
    path.write_text(path.read_text().replace('"hearing":', '"replaced":{"seconds":-1},"hearing":', 1))
    assert main(["check", str(show)]) == 0
    assert "replaced" not in path.read_text()
