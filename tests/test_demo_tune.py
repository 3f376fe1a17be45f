"""The demo's tune is what it says it is: its truth is checked against its sound, and both against the outside."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import librosa
import mir_eval
import numpy as np
import numpy.typing as npt
import pytest
import soundfile as sf
from scipy import signal

DEMO = Path(__file__).parent.parent / "demo_show"

Played = tuple[npt.NDArray[np.float32], dict[str, Any]]


@pytest.fixture(scope="module")
def tune() -> ModuleType:
    spec = importlib.util.spec_from_file_location("make_tune", DEMO / "make_tune.py")
    assert spec and spec.loader
    module = importlib.util.module_from_spec(spec)
    sys.modules["make_tune"] = module  # dataclasses look their module up there
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def played(tune: ModuleType) -> Played:
    samples, truth = tune.compose()
    return samples, truth


@pytest.mark.parametrize("name", ["G1", "F#3", "C4", "A4", "B5", "D6"])
def test_notes_are_in_equal_temperament_on_a_440(tune: ModuleType, name: str) -> None:
    # Reference: ISO 16 (A4 = 440 Hz) and librosa's own note table.
    assert tune.note_hz("A4") == 440.0
    assert tune.note_hz(name) == pytest.approx(librosa.note_to_hz(name), rel=1e-9)


def test_a_note_that_is_played_sounds_at_its_pitch(tune: ModuleType, played: Played) -> None:
    # The bridge opens with the bell's G5. G5 = 440 x 2^(10/12) = 783.99 Hz (ISO 16, equal temperament).
    samples, truth = played
    start, _, name = truth["sections"][5]
    assert name == "bridge"
    piece = samples[round(start * tune.RATE) :][: 2**16].mean(axis=1) * np.hanning(2**16)
    hz = np.fft.rfftfreq(len(piece), 1 / tune.RATE)
    level = np.abs(np.fft.rfft(piece)) * ((hz > 720) & (hz < 850))
    assert hz[level.argmax()] == pytest.approx(783.99, abs=1.0)


def test_beats_follow_the_tempo_by_hand(played: Played) -> None:
    # Seconds = beats x 60 / tempo: 40 bars of 4 at 112, 24 beats at 96, 32 beats at 120.
    _, truth = played
    beats = truth["beats"]
    assert beats[0] == 1.5
    assert beats[16 * 4] - beats[8 * 4] == pytest.approx(32 * 60 / 112)
    assert beats[160] == pytest.approx(1.5 + 160 * 60 / 112)
    assert beats[184] - beats[160] == pytest.approx(15.0)
    assert beats[224] - beats[192] == pytest.approx(16.0)
    assert len(beats) == 64 * 4
    assert truth["bars"] == list(range(0, 256, 4))


def test_the_bridge_changes_tempo_and_gathers_speed(played: Played) -> None:
    _, truth = played
    tempo = np.array(truth["tempo"])
    assert tempo[159] == pytest.approx(112)
    assert tempo[160] == pytest.approx(96)
    assert np.all(np.diff(tempo[183:193]) > 0)
    assert tempo[192] == pytest.approx(120)


def test_sections_are_whole_bars_and_leave_no_gap(played: Played) -> None:
    _, truth = played
    bar_lines = [truth["beats"][i] for i in truth["bars"]]
    starts = [start for start, _, _ in truth["sections"]]
    ends = [end for _, end, _ in truth["sections"]]
    assert starts[1:] == ends[:-1]
    assert set(starts) <= set(bar_lines)
    assert [name for _, _, name in truth["sections"]].count("chorus") == 3


def test_length_level_and_shape(tune: ModuleType, played: Played) -> None:
    samples, _ = played
    assert samples.dtype == np.float32
    assert samples.shape[1] == 2
    assert 120 <= len(samples) / tune.RATE <= 180
    assert np.isfinite(samples).all()
    assert np.abs(samples).max() == pytest.approx(10 ** (-1 / 20), abs=1e-4)  # -1 dB full scale: nothing clips
    assert abs(samples.mean()) < 1e-3
    assert np.sqrt(np.mean(samples**2)) > 10 ** (-20 / 20)


def test_silence_until_the_first_beat_and_silence_at_the_end(tune: ModuleType, played: Played) -> None:
    samples, truth = played
    first = round(truth["beats"][0] * tune.RATE)
    assert np.abs(samples[:first]).max() < 1e-6
    assert np.abs(samples[first : first + 441]).max() > 0.03  # within 10 ms
    assert np.abs(samples[-441:]).max() < 10 ** (-50 / 20)


def test_kicks_sound_where_the_truth_says(tune: ModuleType, played: Played) -> None:
    """The low band swells within 10 ms of each kick; the same measure 60 ms off finds little."""
    samples, truth = played
    low = np.abs(signal.sosfilt(signal.butter(2, [40, 160], "band", fs=tune.RATE, output="sos"), samples.mean(axis=1)))
    level = signal.sosfiltfilt(signal.butter(1, 60, fs=tune.RATE, output="sos"), low)
    rise = np.maximum(np.diff(level), 0)

    def rising(times: npt.NDArray[np.float64]) -> float:
        starts = np.round(times * tune.RATE).astype(int)
        return float(np.median([rise[s : s + 441].sum() for s in starts]))

    kicks = np.array(truth["hits"]["kick"])
    assert len(kicks) > 100
    assert rising(kicks) > 3 * rising(kicks + 0.06)
    assert rising(kicks) > 3 * rising(kicks - 0.06)


def test_a_listener_that_is_not_ours_finds_the_pulse(tune: ModuleType, played: Played) -> None:
    # librosa's beat tracker with its own defaults on the steady part, scored with mir_eval's F-measure (70 ms window).
    samples, truth = played
    beats = np.array(truth["beats"])
    mono = samples[: round(beats[160] * tune.RATE)].mean(axis=1)
    _, heard = librosa.beat.beat_track(y=mono, sr=tune.RATE, units="time")
    assert mir_eval.beat.f_measure(beats[:160], heard) > 0.9


def test_the_same_seed_gives_the_same_bytes(tune: ModuleType, played: Played) -> None:
    samples, truth = played
    again, truth_again = tune.compose()
    assert np.array_equal(samples, again)
    assert truth == truth_again
    noise, same_noise = (tune.hat(np.random.default_rng(seed), 0.02) for seed in (1, 2))
    assert not np.array_equal(noise, same_noise)


def test_the_script_writes_the_tune_whole(
    tune: ModuleType, played: Played, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    samples, _ = played
    monkeypatch.setattr(tune, "compose", lambda: played)
    monkeypatch.setattr(sys, "argv", ["make_tune.py", str(tmp_path / "quay.flac")])
    tune.main()
    read, rate = sf.read(tmp_path / "quay.flac", dtype="float32")
    assert rate == 44_100
    assert np.abs(read - samples).max() <= 1 / 32768  # 16 bit
    assert [path.name for path in tmp_path.iterdir()] == ["quay.flac"]
