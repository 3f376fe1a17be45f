"""The verb `listen`: what a person says of a song is kept and applied; other programs get what was heard."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile
from shows import make_show

from composer.cli import main
from composer.interchange import read_label_lines, read_midi
from composer.listening import astray, corrections, summary
from composer.songmap import load_fixes, load_map


@pytest.fixture
def song(tmp_path: Path) -> Path:
    """16 s at 120 beats a minute in bars of four, its map written down: nothing is heard in these tests."""
    return make_show(tmp_path / "show") / "tide.wav"


def heard(song: Path) -> dict:
    return json.loads(song.with_suffix(".map.json").read_text())


def test_double_and_halve(song: Path) -> None:
    assert main(["listen", str(song), "--double"]) == 0
    assert heard(song)["tempo"] == pytest.approx(240, abs=0.1)
    assert main(["listen", str(song), "--halve"]) == 0  # takes it back
    assert heard(song)["tempo"] == pytest.approx(120, abs=0.1)
    assert load_fixes(song.with_suffix(".fix.toml")).level == ""
    assert main(["listen", str(song), "--halve"]) == 0
    assert heard(song)["tempo"] == pytest.approx(60, abs=0.1)
    assert main(["listen", str(song), "--halve"]) == 0
    assert heard(song)["tempo"] == pytest.approx(30, abs=0.1)


def test_a_tempo_is_about_that_whatever_was_said_before(song: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["listen", str(song), "--double"]) == 0
    assert main(["listen", str(song), "--tempo", "119"]) == 0
    assert heard(song)["tempo"] == pytest.approx(120, abs=0.1)
    assert main(["listen", str(song), "--tempo", "119", "--double"]) == 2
    assert "--tempo and --double both say how fast the beat is" in capsys.readouterr().err
    assert main(["listen", str(song), "--tempo", "119", "--double", "--halve"]) == 2
    assert "--tempo, --double, --halve all say how fast the beat is" in capsys.readouterr().err
    assert main(["listen", str(song), "--level", "off-beat"]) == 0
    assert main(["listen", str(song), "--tempo", "60"]) == 0  # says nothing against the off-beats
    assert load_fixes(song.with_suffix(".fix.toml")).level == "off-beat"


def test_as_heard_takes_every_correction_of_the_beat_back(song: Path) -> None:
    before = heard(song)
    fixes = song.with_suffix(".fix.toml")
    assert main(["listen", str(song), "--as-heard"]) == 0
    assert not fixes.exists()  # nothing to take back, nothing written
    label = song.with_name("door.txt")
    label.write_text("2.5\t2.5\tdoor\n", encoding="utf-8")
    assert (
        main(["listen", str(song), "--double", "--shift", "20 ms", "--beats-per-bar", "3", "--labels", str(label)]) == 0
    )
    fixes.write_text(fixes.read_text().replace("format = 1", "format = 1 # mine\nfirst_bar = 2.5"))
    assert main(["listen", str(song), "--as-heard"]) == 0
    after = heard(song)
    assert (after["beats"], after["bars"], after["grid"]) == (before["beats"], before["bars"], before["grid"])
    assert after["labels"] == {"door": [2.5]}
    assert "# mine" in fixes.read_text()
    assert main(["listen", str(song), "--as-heard", "--double"]) == 0
    assert main(["listen", str(song), "--as-heard", "--double"]) == 0  # from what was heard, not from the first double
    assert heard(song)["tempo"] == pytest.approx(240, abs=0.1)


def test_beats_of_a_midi_file_are_not_doubled_again(song: Path, tmp_path: Path) -> None:
    midi = tmp_path / "tide.mid"
    assert main(["listen", str(song), "--midi-out", str(midi)]) == 0
    assert main(["listen", str(song), "--double"]) == 0
    assert main(["listen", str(song), "--midi", str(midi)]) == 0
    assert heard(song)["tempo"] == pytest.approx(120, abs=0.1)


def test_ten_corrections_later_the_score_can_still_follow(song: Path, capsys: pytest.CaptureFixture[str]) -> None:
    show = song.parent
    score = show / "score.toml"
    text = score.read_text()
    score.write_text(text.replace("format = 1\n", f'format = 1\ngrid = "{heard(song)["grid"]}"\n', 1))
    for size in ("3", "5", "2", "6", "7", "3", "5", "2", "6", "3"):
        assert main(["listen", str(song), "--beats-per-bar", size]) == 0
    assert main(["check", str(show)]) == 2
    assert "glowscore renumber moves it" in capsys.readouterr().err
    assert main(["renumber", str(show)]) == 0
    assert f'grid = "{heard(song)["grid"]}"' in score.read_text()


def test_bars_that_no_map_knows_are_told_with_the_ways_out(song: Path, capsys: pytest.CaptureFixture[str]) -> None:
    score = song.with_name("score.toml")
    score.write_text(score.read_text().replace("format = 1\n", 'format = 1\ngrid = "0badc0de"\n', 1))
    assert main(["check", str(song.parent)]) == 2
    said = capsys.readouterr().err
    assert "renumber" not in said
    assert all(way in said for way in ("listen --as-heard", "draft --force", f'grid = "{heard(song)["grid"]}"'))


@pytest.mark.parametrize("where", [".", "show"])
def test_a_folder_is_no_song(
    where: str, song: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(song.parent.parent)
    assert main(["listen", where]) == 2
    assert capsys.readouterr().err == f"{where}: is a folder: name the song itself\n"


def test_clicks_are_wav_and_called_so(song: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["listen", str(song), "--clicks", str(song.with_name("clicks.mp3"))]) == 2
    assert "clicks are written as .wav" in capsys.readouterr().err
    assert not song.with_name("clicks.mp3").exists()


def test_shift_and_bar_length(song: Path) -> None:
    assert main(["listen", str(song), "--shift", "20 ms", "--beats-per-bar", "3"]) == 0
    assert heard(song)["beats"][4] == pytest.approx(2.02, abs=1e-6)
    assert np.diff(heard(song)["bars"]).tolist() == [3] * (len(heard(song)["bars"]) - 1)


def test_clicks_start_on_the_beats(song: Path, tmp_path: Path) -> None:
    silent = np.zeros(16 * 44_100, np.float32)
    soundfile.write(song, silent, 44_100)
    from shows import made_map

    made_map(song, 16.0)
    clicks = tmp_path / "clicks.wav"
    assert main(["listen", str(song), "--clicks", str(clicks)]) == 0
    sound, rate = soundfile.read(clicks)
    loud = np.flatnonzero(np.abs(sound) > 0.02)
    starts = loud[np.diff(loud, prepend=-rate) > 0.2 * rate] / rate
    # A click is a sine from zero: it passes 0.02 within its first two samples.
    assert starts == pytest.approx(heard(song)["beats"], abs=3 / rate)

    def pitch(at: float) -> float:
        part = sound[round(at * rate) :][: round(0.03 * rate)]
        return float(np.abs(np.fft.rfft(part, 44_100)).argmax())

    assert pitch(0.0) == pytest.approx(1500, abs=30)  # a bar line
    assert pitch(0.5) == pytest.approx(1000, abs=30)


def test_midi_out_and_in_again_is_the_same_grid(song: Path, tmp_path: Path) -> None:
    midi = tmp_path / "tide.mid"
    assert main(["listen", str(song), "--midi-out", str(midi)]) == 0
    assert read_midi(midi).beats_per_bar == 4
    before = load_map(song.with_suffix(".map.json"))
    assert main(["listen", str(song), "--midi", str(midi)]) == 0
    after = load_map(song.with_suffix(".map.json"))
    assert after.beats[: len(before.beats)] == pytest.approx(before.beats, abs=2e-6)
    assert after.bars[: len(before.bars)] == before.bars


def test_notes_of_a_midi_file_that_lie_beside_what_is_heard_are_told() -> None:
    """Notes on uneven places; what is heard lies 5 ms later, as a synthesiser does, or a third of a second."""
    notes = [0.5 * i + 0.1 * (i * i % 7) for i in range(60)]
    assert not astray(notes, [at + 0.005 for at in notes])
    assert astray(notes, [at + 0.33 for at in notes])
    assert not astray(notes[:5], [at + 0.33 for at in notes])  # too few to tell


def test_a_shift_takes_the_notes_of_a_midi_file_along(song: Path, tmp_path: Path) -> None:
    import mido

    file = mido.MidiFile()  # 120 quarter notes a minute, as MIDI has it where nothing is said; a kick on the first two
    file.tracks.append(mido.MidiTrack(mido.Message("note_on", channel=9, note=36, time=t) for t in (0, 480)))
    file.save(tmp_path / "tide.mid")
    fixes = song.with_suffix(".fix.toml")
    old = '[labels]\n"midi 10/36" = [0.0, 0.5]\n"bass drum 1" = [0.0]\n'  # one that was brought, one that is a person's
    fixes.write_text(f"format = 1\n{old}", encoding="utf-8")
    assert main(["listen", str(song), "--midi", str(tmp_path / "tide.mid"), "--shift", "0.5 s"]) == 0
    assert heard(song)["labels"] == {"midi 10/36": [0.5, 1.0], "bass drum 1": [0.0, 0.5, 1.0]}
    assert heard(song)["beats"][:2] == [0.5, 1.0]
    assert main(["listen", str(song), "--shift", "20 ms"]) == 0  # said later, it is the same
    assert heard(song)["labels"]["midi 10/36"] == [0.02, 0.52]


def test_labels_in_and_out(song: Path, tmp_path: Path) -> None:
    text = tmp_path / "labels.txt"
    text.write_text("2.5\t2.5\tdoor\n7.25\t7.25\tdoor\n", encoding="utf-8")
    assert main(["listen", str(song), "--labels", str(text)]) == 0
    assert heard(song)["labels"] == {"door": [2.5, 7.25]}
    back = tmp_path / "back.txt"
    assert main(["listen", str(song), "--labels-out", str(back)]) == 0
    assert {(label.name, label.start) for label in read_label_lines(back)} >= {("door", 2.5), ("door", 7.25)}


def test_fixes_that_cannot_be_met_leave_the_old_ones(song: Path, capsys: pytest.CaptureFixture[str]) -> None:
    fixes = song.with_suffix(".fix.toml")
    assert main(["listen", str(song), "--shift", "20 ms"]) == 0
    before, map_before = fixes.read_bytes(), heard(song)
    assert main(["listen", str(song), "--level", "ofbeat"]) == 2
    assert '"off-beat"' in capsys.readouterr().err
    assert main(["listen", str(song), "--tempo", "9000"]) == 2
    assert main(["listen", str(song), "--double", "--halve"]) == 2
    assert fixes.read_bytes() == before
    assert heard(song) == map_before


def test_the_summary_says_which_corrections_are_in_force(song: Path) -> None:
    assert main(["listen", str(song), "--shift", "20 ms", "--beats-per-bar", "3"]) == 0
    lines = summary(load_map(song.with_suffix(".map.json")), song).splitlines()
    assert lines[1] == "corrections in force, from tide.fix.toml: shift 0.02 seconds; 3 beats a bar"
    song.with_suffix(".fix.toml").unlink()
    assert "corrections" not in summary(load_map(song.with_suffix(".map.json")), song)


def test_the_summary_says_when_no_reading_was_near_the_tempo(song: Path) -> None:
    assert main(["listen", str(song), "--tempo", "119"]) == 0
    assert "nothing that was heard" not in summary(load_map(song.with_suffix(".map.json")), song)
    assert main(["listen", str(song), "--tempo", "100"]) == 0
    lines = summary(load_map(song.with_suffix(".map.json")), song).splitlines()
    assert lines[-1] == (
        "nothing that was heard goes at 100: an even beat is laid. What was heard goes at 120.0 (--as-heard)"
    )


def test_dozens_of_labels_are_named_in_part(song: Path) -> None:
    many = "".join(f"gust{i} = [{i}.5]\n" for i in range(12))
    song.with_suffix(".fix.toml").write_text(f"[labels]\n{many}", encoding="utf-8")
    said = corrections(load_fixes(song.with_suffix(".fix.toml")))
    assert said == ["labels gust0, gust1, gust2, gust3, gust4, gust5, gust6, gust7, and 4 more"]


def test_every_correction_has_its_words(song: Path) -> None:
    fixes = song.with_suffix(".fix.toml")
    fixes.write_text(
        'tempo = 92.5\nlevel = "off-beat"\nfirst_bar = 1.25\n[[anchor]]\nbar = 17\nat = 31.42\n'
        '[[section]]\nat = "3"\nname = "chorus"\n[sections]\nA = "verse"\n[labels]\ndoor = [2.5]\n'
        "[grid]\nbeats = [1.0, 2.0, 3.0]\nbars = [0]\nbeats_per_bar = 4\n"
    )
    assert corrections(load_fixes(fixes)) == [
        "3 beats given whole", "tempo 92.5", "level off-beat", "bar 1 at 1.25 s", "bar 17 at 31.42 s",
        "1 section of your own", "sections named A verse", "labels door",
    ]  # fmt: skip


def test_a_song_that_is_none_gets_no_fixes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = tmp_path / "words.wav"
    words.write_text("no sound")
    assert main(["listen", str(words), "--double"]) == 2
    assert capsys.readouterr().err.startswith(str(words))
    assert [path.name for path in tmp_path.iterdir()] == ["words.wav"]
