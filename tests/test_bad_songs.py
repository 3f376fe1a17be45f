"""Songs that are none, and songs that are odd: one clear line, or a show."""

from __future__ import annotations

import io
import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile
from shows import RATE, RIG, command, listing, tune

from composer.cli import main

SCORE = """\
format = 1
song = "tide.wav"

[[clip]]
zone = "all"
effect = "blend"
at = "start"
to = "end"
every = "4 beats"
colour = ["#200800", "#002020"]
"""

Make = Callable[[Path], object]


def show_of(folder: Path, make: Make) -> Path:
    folder.mkdir()
    (folder / "rig.toml").write_text(RIG, encoding="utf-8")
    (folder / "score.toml").write_text(SCORE, encoding="utf-8")
    make(folder / "tide.wav")
    return folder


def sound(samples: np.ndarray, rate: int = RATE, subtype: str = "FLOAT") -> Make:
    return lambda path: soundfile.write(path, samples, rate, subtype=subtype, format="WAV")


def cut_short(kind: str, share: float) -> Make:
    """The first `share` of the bytes of a tune of 8 seconds, in one format or another."""

    def make(path: Path) -> None:
        whole = io.BytesIO()
        soundfile.write(whole, tune(8.0), RATE, format=kind)
        path.write_bytes(whole.getvalue()[: int(len(whole.getvalue()) * share)])

    return make


NOT_SONGS: dict[str, tuple[Make, str]] = {
    "missing": (lambda path: None, "no such file"),
    "a folder": (Path.mkdir, "this is a folder, not a song"),
    "empty": (lambda path: path.write_bytes(b""), "is empty"),
    "text": (lambda path: path.write_text("a shopping list\n" * 99), "is not a sound file"),
    "a picture": (lambda path: path.write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(4000)), ""),
    "noise": (lambda path: path.write_bytes(np.random.default_rng(1).bytes(50_000)), ""),
    "0 seconds": (sound(np.zeros(0, np.float32)), "holds no sound: 0 samples"),
    "1 sample": (sound(np.ones(1, np.float32)), "lasts 0.023 ms; one frame of controller quay takes 2.51 ms"),
    "a header alone": (lambda path: path.write_bytes(b"RIFF\x24\x00\x00\x00WAVEfmt "), ""),
    "FLAC cut after its header": (cut_short("FLAC", 0.003), "holds no sound: 0 samples"),
    "Ogg cut after its header": (cut_short("OGG", 0.003), ""),
    "MP3 cut after its header": (cut_short("MP3", 0.003), ""),
}


def blamed(show: Path, says: str) -> str:
    """The line's start: the song, or where it is missing the key that names it."""
    return (
        f'{show / "score.toml"}: song: "tide.wav": {says}' if says == "no such file" else f"{show / 'tide.wav'}: {says}"
    )


@pytest.mark.parametrize(("make", "says"), NOT_SONGS.values(), ids=NOT_SONGS)
def test_what_is_no_song_is_told_in_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], make: Make, says: str
) -> None:
    show = show_of(tmp_path / "tide", make)
    before = listing(show)
    assert main(["bake", str(show)]) == 2
    told = capsys.readouterr()
    assert told.out == "" and len(told.err.splitlines()) == 1
    assert told.err.startswith(blamed(show, says))
    after = listing(show)
    after.pop("tide.map.json", None)  # a song of one sample has a map: it was heard, it is only too short for a show
    assert after == before


@pytest.mark.parametrize("name", [name for name in NOT_SONGS if name != "1 sample"])
def test_new_makes_no_show_of_what_is_no_song(tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str) -> None:
    song = tmp_path / "tide.wav"
    NOT_SONGS[name][0](song)
    before = listing(tmp_path)
    assert main(["new", str(tmp_path / "mine"), str(song)]) == 2
    told = capsys.readouterr().err
    assert told.startswith(f"{song}: ") and len(told.splitlines()) == 1
    assert listing(tmp_path) == before


@pytest.mark.parametrize("name", ["missing", "text", "0 seconds"])
def test_a_shell_sees_the_same(tmp_path: Path, name: str) -> None:
    make, says = NOT_SONGS[name]
    show = show_of(tmp_path / "tide", make)
    done = command("bake", show)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr == f"{blamed(show, says)}\n"


def with_faults() -> np.ndarray:
    samples = tune(8.0)
    samples[5000:6000] = np.nan
    samples[7000] = np.inf
    return samples


NO_BEAT = "no beat was heard: the show runs on an even clock of 120 beats a minute"
CUT = "the file is damaged or cut short"
SONGS: dict[str, tuple[Make, tuple[float, float], int, str]] = {
    # how it is made, seconds from and to, rate, what is remarked
    "silent": (sound(np.zeros(4 * RATE, np.float32)), (4, 4), RATE, NO_BEAT),
    "nothing but NaN": (sound(np.full(4 * RATE, np.nan, np.float32)), (4, 4), RATE, "176400 samples are not numbers"),
    "NaN and infinity among sound": (sound(with_faults()), (8, 8), RATE, "1001 samples are not numbers"),
    "96 kHz, 24 bits": (sound(tune(8.0, 96_000), 96_000, "PCM_24"), (8, 8), 96_000, ""),
    "six channels": (sound(tune(8.0, channels=6), subtype="PCM_16"), (8, 8), RATE, ""),
    "WAV cut in half": (cut_short("WAV", 0.5), (3.9, 4), RATE, ""),
    "FLAC cut in half": (cut_short("FLAC", 0.5), (2, 6), RATE, CUT),
    "MP3 cut in half": (cut_short("MP3", 0.5), (2, 6), RATE, CUT),
    "a twentieth of a second": (sound(tune(0.05)), (0.05, 0.05), RATE, NO_BEAT),
}


@pytest.mark.parametrize(("make", "seconds", "rate", "remark"), SONGS.values(), ids=SONGS)
def test_an_odd_song_makes_a_show_and_is_remarked_upon(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    make: Make,
    seconds: tuple[float, float],
    rate: int,
    remark: str,
) -> None:
    show = show_of(tmp_path / "tide", make)
    assert main(["bake", str(show)]) == 0
    told = capsys.readouterr()
    assert told.err == "" and remark in told.out
    song = json.loads((show / "tide.map.json").read_text(encoding="utf-8"))["song"]
    assert seconds[0] <= song["seconds"] <= seconds[1] and song["sample_rate"] == rate
    audit = json.loads((show / "out" / "audit.json").read_text(encoding="utf-8"))
    assert audit["ok"] is True and remark in " ".join(audit["notes"])
    assert (show / "out" / "quay" / "tide.roll").stat().st_size > 100


def test_six_channels_are_heard_as_one_is(tmp_path: Path) -> None:
    beats = []
    for name, channels in (("one", 1), ("six", 6)):
        show = show_of(tmp_path / name, sound(tune(8.0, channels=channels), subtype="PCM_16"))
        assert main(["check", str(show)]) == 0
        beats.append(json.loads((show / "tide.map.json").read_text(encoding="utf-8"))["beats"])
    assert beats[0] == pytest.approx(beats[1], abs=1e-3) and len(beats[0]) > 10


def test_a_silent_song_runs_on_an_even_clock(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    show = show_of(tmp_path / "tide", sound(np.zeros(4 * RATE, np.float32)))
    assert main(["bake", str(show)]) == 0
    roll = show / "out" / "quay" / "tide.roll"
    assert main(["inspect", str(roll), "--frames", str(tmp_path / "frames.npz")]) == 0
    with np.load(tmp_path / "frames.npz") as frames:
        # 120 beats a minute, 24 frames each: nothing swallows the division, 500,000 us / 24.
        assert len(frames["times_s"]) == 8 * 24
        assert frames["periods_us"] == pytest.approx(500_000 / 24, abs=1)


def test_a_name_that_is_not_utf8_is_told(tmp_path: Path) -> None:
    song = tmp_path / "s\udcff.wav"  # as Python reads the byte FF of a Latin-1 name
    soundfile.write(tmp_path / "s.wav", tune(2.0), RATE, subtype="PCM_16")
    (tmp_path / "s.wav").rename(song)
    for line in (["listen", song], ["new", tmp_path / "show", song]):
        done = command(*line)
        assert (done.returncode, done.stdout) == (2, "")
        assert done.stderr.endswith("s\\udcff.wav: its name is not UTF-8: rename it\n")
    assert list(tmp_path.iterdir()) == [song]
