"""Fear: a file is not what its name, its header or its maker says."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
from hearing_kit import RATE, click, placed, save, steady

from composer import analysis
from composer.analysis import decoder
from composer.faults import Faults

CLICKS = placed([(t, click()) for t in steady(120, 20, 0.25)], 10.0)


def first_click(samples: np.ndarray, rate: int) -> float:
    """Seconds of the first sample above a tenth of the peak."""
    return float(np.flatnonzero(np.abs(samples) > 0.1 * np.abs(samples).max())[0] / rate)


@pytest.mark.parametrize(
    ("name", "content", "message"),
    [
        ("empty.wav", b"", "is empty"),
        ("tune.mid", b"MThd\0\0\0\6\0\0\0\1\1\xe0", "is a MIDI file, which has no sound: name the recording"),
        ("words.wav", b"this is a letter, not a song\n" * 200, "is not a sound file"),
        ("list.mp3", b"#EXTM3U\nhttp://example.org/a.ts\n", "is not a sound file"),
        ("zeros.flac", bytes(50_000), "cannot decode|is not a sound file"),
        ("half_a_header.wav", b"RIFF\x24\x00\x00\x00WAVEfmt \x10\x00", "cannot decode|is not a sound file"),
    ],
)
def test_what_is_not_sound_is_one_clear_line(tmp_path: Path, name: str, content: bytes, message: str) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(Faults, match=message) as caught:
        analysis.decode(path)
    assert len(caught.value.faults) == 1
    assert "\n" not in str(caught.value)


def test_a_missing_file_and_a_folder_are_told_apart(tmp_path: Path) -> None:
    with pytest.raises(Faults, match="no such file"):
        analysis.decode(tmp_path / "none.wav")
    with pytest.raises(Faults, match="this is a folder"):
        analysis.decode(tmp_path)


def test_a_file_without_samples_is_a_fault_and_one_sample_is_not(tmp_path: Path) -> None:
    with pytest.raises(Faults, match="0 samples"):
        analysis.decode(save(tmp_path / "none.wav", np.zeros(0)))
    samples, rate, info = analysis.decode(save(tmp_path / "one.wav", np.array([0.5])))
    assert (len(samples), rate, info.seconds) == (1, RATE, 1 / RATE)


@pytest.mark.parametrize("kind", ["wav", "flac", "ogg", "mp3"])
def test_content_decides_and_time_zero_is_kept(tmp_path: Path, kind: str) -> None:
    # FLAC and Vorbis start at their first sample, and so does an MP3 whose LAME tag tells the delay (facts in
    # LAME's technical FAQ): what is heard must not move by the codec.
    true = save(tmp_path / f"song.{kind}", CLICKS)
    named = tmp_path / "song.raw"
    shutil.copyfile(true, named)
    samples, rate, info = analysis.decode(named)
    assert rate == RATE
    assert info.seconds == pytest.approx(10.0, abs=0.002)
    assert first_click(samples, rate) == pytest.approx(0.25, abs=0.002)
    assert info.gapless is (True if kind == "mp3" else None)


def test_an_mp3_without_its_tag_is_heard_1105_samples_late_and_says_so(tmp_path: Path) -> None:
    # 576 samples of encoder delay and 529 of the decoder (LAME technical FAQ) = 1105: 25.06 ms at 44.1 kHz.
    tagged = save(tmp_path / "tagged.mp3", CLICKS).read_bytes()
    at = max(tagged.find(b"Xing"), tagged.find(b"Info"))
    second = tagged.find(tagged[:2], at)
    bare = tmp_path / "bare.mp3"
    bare.write_bytes(tagged[second:])
    late, rate, info = analysis.decode(bare)
    right, _, _ = analysis.decode(tmp_path / "tagged.mp3")
    assert info.gapless is False
    assert "25 to 51 ms" in info.notes[0]
    assert round((first_click(late, rate) - first_click(right, rate)) * RATE) == pytest.approx(1105, abs=3)


@pytest.mark.parametrize("rate", [8_000, 22_050, 48_000, 96_000, 192_000])
def test_resampling_keeps_times(tmp_path: Path, rate: int) -> None:
    sound = placed([(0.25, click(rate, 800.0))], 2.0, rate)
    samples, out, info = decoder.decode_at(save(tmp_path / "a.wav", sound, rate), 24_000)
    assert (out, info.sample_rate) == (24_000, rate)
    assert len(samples) == pytest.approx(48_000, abs=2)
    assert first_click(samples, out) == pytest.approx(0.25, abs=0.001)


def test_six_channels_are_mixed_and_cancelling_ones_are_not(tmp_path: Path) -> None:
    six, _, info = analysis.decode(save(tmp_path / "six.wav", np.stack([CLICKS] * 6, axis=1)))
    assert info.channels == 6
    assert np.allclose(six, CLICKS, atol=1e-4)
    opposed = np.stack([CLICKS, -0.9 * CLICKS], axis=1)
    alone, _, info = analysis.decode(save(tmp_path / "opposed.wav", opposed))
    assert np.allclose(alone, CLICKS, atol=1e-4)
    assert "channel 1 was heard alone" in info.notes[0]


def test_samples_that_are_not_numbers_are_silence(tmp_path: Path) -> None:
    broken = CLICKS.copy()
    broken[1000:1010] = np.nan
    broken[2000] = np.inf
    samples, _, info = analysis.decode(save(tmp_path / "nan.wav", broken, subtype="FLOAT"))
    assert np.isfinite(samples).all()
    assert info.notes == ("11 samples are not numbers and were heard as silence",)


@pytest.mark.parametrize("kind", ["wav", "flac", "mp3"])
def test_a_file_cut_short_gives_what_is_there(tmp_path: Path, kind: str) -> None:
    path = save(tmp_path / f"cut.{kind}", CLICKS)
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2])
    samples, rate, info = analysis.decode(path)
    assert 3.5 < info.seconds < 6.0
    assert info.seconds == pytest.approx(len(samples) / rate)
    assert first_click(samples, rate) == pytest.approx(0.25, abs=0.002)
    assert info.notes == (f"the file is damaged or cut short: {info.seconds:.1f} s of it were heard",)


@pytest.mark.parametrize("size", [0, 0xFFFFFFFF])
def test_a_wav_whose_maker_did_not_know_its_length_is_not_cut_short(tmp_path: Path, size: int) -> None:
    path = save(tmp_path / "streamed.wav", CLICKS)
    content = bytearray(path.read_bytes())
    at = content.find(b"data")
    content[at + 4 : at + 8] = size.to_bytes(4, "little")
    path.write_bytes(content)
    assert not any("cut short" in note for note in analysis.decode(path)[2].notes)


def test_a_song_comes_in_blocks_and_anew_where_channels_cancel(tmp_path: Path) -> None:
    opposed = np.stack([CLICKS, -0.9 * CLICKS], axis=1)
    path = save(tmp_path / "opposed.wav", opposed)
    passes: list[list[np.ndarray]] = []

    def begin() -> decoder.Taker:
        passes.append([])
        return passes[-1].append

    info = decoder.decode_into(path, None, begin)
    assert len(passes) == 2
    assert max(len(block) for block in passes[1]) <= decoder.BLOCK
    assert np.allclose(np.concatenate(passes[1]), analysis.decode(path)[0])
    assert sum(map(len, passes[1])) == round(info.seconds * RATE)


def test_an_hour_and_a_half_is_more_than_a_show_can_hold(tmp_path: Path) -> None:
    path = save(tmp_path / "long.wav", np.zeros(1000 * 60 * 90, np.float32), 1000, subtype="PCM_U8")
    with pytest.raises(Faults, match="longer than 70 minutes"):
        analysis.decode(path)


def test_aac_without_ffmpeg_says_what_to_do(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "song.mp3"  # the content is MPEG-4, ISO/IEC 14496-12: a box length, then "ftyp"
    path.write_bytes(b"\x00\x00\x00\x20ftypM4A " + bytes(4096))
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(Faults, match="needs ffmpeg, which was not found; or convert it to WAV or FLAC"):
        analysis.decode(path)


@pytest.mark.skipif(shutil.which("ffmpeg") is None, reason="needs ffmpeg")
def test_aac_in_mp4_is_decoded_from_its_first_sample(tmp_path: Path) -> None:
    source = save(tmp_path / "a.wav", CLICKS)
    path = tmp_path / "a.m4a"
    subprocess.run(["ffmpeg", "-v", "error", "-i", str(source), str(path)], check=True)
    samples, rate, info = analysis.decode(path)
    assert info.decoder == "ffmpeg"
    assert first_click(samples, rate) == pytest.approx(0.25, abs=0.003)


def test_decoding_says_nothing_on_stderr(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    path = save(tmp_path / "cut.mp3", CLICKS)
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) // 2] + bytes(5000))
    analysis.decode(path)
    assert capfd.readouterr().err == ""
