"""Fear: the beat is heard late, at the wrong level, or where there is none.

Truth: sounds made in the test at known times. Measures: mir_eval (Davies, Degara and Plumbley, C4DM-TR-09-06: 70 ms),
and the signed median, because 70 ms is too wide for light: late light is seen from 45 ms (ITU-R BT.1359-1), of which
the ear may use 10.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from pathlib import Path

import mir_eval
import numpy as np
import pytest
from hearing_kit import RATE, click, drum_loop, placed, save, steady

from composer import analysis, songmap

DRIFT = np.cumsum(np.concatenate([[1.0], np.linspace(60 / 112, 60 / 124, 80)]))  # 112 to 124 a minute


def heard(folder: Path, samples: np.ndarray, rate: int = RATE) -> songmap.SongMap:
    return analysis.listen(save(folder / "song.wav", samples, rate))


@cache
def loop(name: str) -> tuple[np.ndarray, np.ndarray]:
    """(true beats, samples) of the loops that several tests listen to."""
    beats = {
        "steady": steady(120.0, 81, 0.37),
        "slow": steady(76.0, 57, 1.0),
        "fast": steady(152.0, 105, 0.2),
        "drift": DRIFT,
        "late": steady(104.0, 61, 12.4),
    }
    return beats[name], drum_loop(beats[name])


@pytest.fixture(scope="module")
def loops(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], songmap.SongMap]:
    """What is heard in a loop, each listened to once; maps are frozen."""
    return cache(lambda name: heard(tmp_path_factory.mktemp(name), loop(name)[1]))


def offsets(true: np.ndarray, found: np.ndarray) -> np.ndarray:
    """Found minus true of the beats that belong together, ms."""
    pairs = mir_eval.util.match_events(true, found, 0.07)
    return 1000 * np.array([found[j] - true[i] for i, j in pairs])


@pytest.mark.parametrize("name", ["steady", "slow", "fast", "drift", "late"])
def test_drum_loops_are_heard_at_their_beat_and_on_time(loops: Callable[[str], songmap.SongMap], name: str) -> None:
    true, song_map = loop(name)[0], loops(name)
    found = np.array(song_map.beats)
    assert mir_eval.beat.f_measure(true[:-1], found) > 0.97
    assert mir_eval.beat.f_measure(true[:-1], found, 0.025) > 0.97
    off = offsets(true, found)
    assert abs(np.median(off)) < 5
    assert np.percentile(np.abs(off), 95) < 15


@pytest.mark.parametrize("name", ["steady", "slow", "late"])
def test_bar_lines_fall_on_the_first_beats(loops: Callable[[str], songmap.SongMap], name: str) -> None:
    true, song_map = loop(name)[0], loops(name)
    assert song_map.beats_per_bar == 4
    assert mir_eval.beat.f_measure(true[:-1:4], np.array(song_map.bar_times)) > 0.9


@pytest.mark.parametrize("bpm", [90.0, 117.3, 140.0])
def test_tempo_is_right_to_a_tenth_on_steady_songs(tmp_path: Path, bpm: float) -> None:
    song_map = heard(tmp_path, drum_loop(steady(bpm, 61, 0.5)))
    assert song_map.tempo == pytest.approx(bpm, abs=0.1)


def test_the_grid_reaches_from_the_first_sound_to_the_last(loops: Callable[[str], songmap.SongMap]) -> None:
    true, song_map = loop("late")[0], loops("late")
    assert song_map.beats[0] == pytest.approx(true[0], abs=0.02)
    assert song_map.beats[-1] >= true[-2] - 0.02
    assert song_map.heard["first_sound"] == pytest.approx(true[0], abs=0.03)


def test_a_waltz_has_bars_of_three(tmp_path: Path) -> None:
    true = steady(132.0, 97, 0.3)
    song_map = heard(tmp_path, drum_loop(true, beats_per_bar=3))
    assert mir_eval.beat.f_measure(true[:-1], np.array(song_map.beats)) > 0.95
    assert song_map.beats_per_bar == 3
    assert mir_eval.beat.f_measure(true[:-1:3], np.array(song_map.bar_times)) > 0.9


def test_swing_is_heard_on_the_beat(tmp_path: Path) -> None:
    true = steady(128.0, 81, 0.3)
    song_map = heard(tmp_path, drum_loop(true, swing=2 / 3))
    assert mir_eval.beat.f_measure(true[:-1], np.array(song_map.beats)) > 0.95


@pytest.mark.parametrize("rate", [8_000, 96_000])
def test_any_rate_hears_the_same(tmp_path: Path, rate: int) -> None:
    true = steady(120.0, 41, 0.37)
    song_map = heard(tmp_path, drum_loop(true, rate=rate), rate)
    off = offsets(true, np.array(song_map.beats))
    assert len(off) >= 39
    assert abs(np.median(off)) < 5


@pytest.mark.parametrize("change", ["quiet", "clipped", "offset"])
def test_level_and_offset_do_not_matter(tmp_path: Path, change: str) -> None:
    true, samples = loop("steady")
    changed = {"quiet": samples * 1e-3, "clipped": np.clip(samples * 20, -1, 1), "offset": 0.3 * samples + 0.4}[change]
    path = save(tmp_path / "song.wav", changed, subtype="FLOAT")
    assert mir_eval.beat.f_measure(true[:-1], np.array(analysis.listen(path).beats), 0.025) > 0.95


def test_silence_has_no_beats(tmp_path: Path) -> None:
    song_map = heard(tmp_path, np.zeros(RATE * 8))
    assert (song_map.beats, song_map.bars, song_map.tempo, song_map.confidence) == ((), (), 0.0, 0.0)
    assert max(song_map.loudness.all) == 0.0
    assert not song_map.sections


@pytest.mark.parametrize("samples", [1, 300, RATE // 2, RATE])
def test_a_scrap_of_sound_is_a_map_without_beats(tmp_path: Path, samples: int) -> None:
    song_map = heard(tmp_path, np.sin(np.arange(samples) / 9) * 0.5)
    assert song_map.beats == ()
    assert song_map.confidence == 0.0
    path = tmp_path / "song.map.json"
    songmap.save_map(song_map, path)
    assert songmap.load_map(path) == song_map


def no_beat(kind: str) -> np.ndarray:
    """Sounds without a pulse, 30 s: noise, a tone, notes at random times, and syllables of noise like speech."""
    rng = np.random.default_rng(5)
    if kind == "noise":
        return rng.normal(0, 0.1, RATE * 30)
    if kind == "tone":
        return 0.3 * np.sin(2 * np.pi * 220 * np.arange(RATE * 30) / RATE)
    times = np.cumsum(rng.exponential(0.35, 80) + 0.05)
    if kind == "free":
        return placed([(t, click(hz=float(rng.uniform(300, 1500)))) for t in times if t < 29], 30.0)
    bursts = [(t, rng.normal(0, 1, int(RATE * length)) * np.hanning(int(RATE * length))) for t, length in
              zip(times, rng.uniform(0.08, 0.3, len(times)), strict=True) if t < 29]  # fmt: skip
    return placed(bursts, 30.0)


@pytest.mark.parametrize("kind", ["noise", "tone", "free", "speech"])
def test_without_a_pulse_confidence_is_low(tmp_path: Path, kind: str) -> None:
    assert heard(tmp_path, no_beat(kind)).confidence < 0.4


def test_confidence_is_high_on_a_plain_loop(loops: Callable[[str], songmap.SongMap]) -> None:
    assert loops("steady").confidence > 0.6


def test_the_runners_up_are_kept_and_chosen_without_listening(loops: Callable[[str], songmap.SongMap]) -> None:
    song_map = loops("steady")
    assert {"double", "half", "off-beat"} & set(song_map.alternatives)
    half = songmap.apply_fixes(song_map, songmap.Fixes(level="half"))
    assert half.tempo == pytest.approx(60.0, abs=0.5)
    three = songmap.apply_fixes(song_map, songmap.Fixes(beats_per_bar=3))
    assert three.beats == song_map.beats
    assert three.beats_per_bar == 3


def test_onsets_are_on_time_and_in_their_bands(loops: Callable[[str], songmap.SongMap]) -> None:
    true, song_map = loop("steady")[0], loops("steady")
    eighths = np.sort(np.concatenate([true[:-1], (true[:-1] + true[1:]) / 2]))
    every = np.unique([t for band in song_map.onsets.values() for t, _ in band])
    f, _, _ = mir_eval.onset.f_measure(eighths, every, window=0.025)
    assert f > 0.95
    low = np.array([t for t, strength in song_map.onsets["low"] if strength > 0.3])
    assert mir_eval.onset.f_measure(true[:-1:2], low, window=0.05)[0] > 0.8  # kick and bass: beats 1 and 3


def test_hits_tell_kick_snare_and_hat_apart(loops: Callable[[str], songmap.SongMap]) -> None:
    true, hits = loop("steady")[0], loops("steady").hits
    found = {drum: np.array([t for t, strength in hits[drum] if strength > 0.2]) for drum in hits}
    assert mir_eval.onset.f_measure(true[:-1:2], found["kick"], window=0.05)[0] > 0.85
    assert mir_eval.onset.f_measure(true[1:-1:2], found["snare"], window=0.05)[0] > 0.85


def test_sections_that_return_have_their_name_again(tmp_path: Path) -> None:
    beats = steady(120.0, 33, 0.0)
    tune = drum_loop(beats)[: 16 * RATE]
    quiet = placed([(float(t), click(hz=700.0)) for t in beats[:-1]], 16.0)
    song_map = heard(tmp_path, np.concatenate([tune, quiet, tune]))
    names = [section.name for section in song_map.sections]
    assert names == ["A", "B", "A"]
    edges = [section.start for section in song_map.sections[1:]]
    assert edges == pytest.approx([16.0, 32.0], abs=0.05)
    lines = np.array(song_map.bar_times)
    assert all(np.abs(lines - edge).min() < 1e-6 for edge in edges)


def test_loudness_follows_the_sound(tmp_path: Path) -> None:
    t = np.arange(RATE * 4) / RATE
    samples = np.where(t < 2, 0.5, 0.05) * np.sin(2 * np.pi * 1000 * t)  # 20 dB softer in the second half
    loud = heard(tmp_path, samples).loudness
    assert loud.hop_s == pytest.approx(0.02)
    loudest, softer = np.mean(loud.all[20:80]), np.mean(loud.all[120:180])
    assert loudest == pytest.approx(1.0, abs=0.03)
    assert loudest - softer == pytest.approx(20 / 40, abs=0.03)  # 40 dB is the whole range
    assert np.mean(loud.low) < 0.2


def test_progress_is_told_and_ends(tmp_path: Path) -> None:
    told: list[tuple[str, float]] = []
    analysis.listen(save(tmp_path / "song.wav", loop("steady")[1]), lambda what, share: told.append((what, share)))
    assert told[-1][1] == 1.0
    assert all(0 <= share <= 1 for _, share in told)
    assert len({what for what, _ in told}) >= 3


@pytest.mark.parametrize("size", [5, 7])
def test_bars_of_five_and_seven(tmp_path: Path, size: int) -> None:
    true = steady(150.0, 15 * size + 1, 0.3)
    song_map = heard(tmp_path, drum_loop(true, beats_per_bar=size))
    assert mir_eval.beat.f_measure(true[:-1], np.array(song_map.beats)) > 0.95
    assert song_map.beats_per_bar == size
    assert mir_eval.beat.f_measure(true[:-1:size], np.array(song_map.bar_times)) > 0.9


def test_a_change_of_tempo_is_followed(tmp_path: Path) -> None:
    # A tracker with one global tempo loses the second half of this: librosa 0.11 scores F 0.39 there (measured).
    slow = steady(100.0, 49, 0.4)
    true = np.concatenate([slow, slow[-1] + steady(140.0, 81, 60 / 140)])
    found = np.array(heard(tmp_path, drum_loop(true)).beats)
    late = true[60:-1]
    assert mir_eval.beat.f_measure(true[:-1], found) > 0.95
    assert mir_eval.beat.f_measure(late, found[(found > late[0] - 0.1) & (found < late[-1] + 0.1)]) > 0.97
