"""Fear: the search finds something else than the best chain of beats.

Truth: the definition itself. A chain's worth is worked out beat by beat, in plain Python, and compared.
"""

from __future__ import annotations

import json
import subprocess
import sys
from importlib import resources
from pathlib import Path

import mir_eval
import numpy as np
import pytest
from hearing_kit import RATE, drum_loop, save, steady

from composer import analysis
from composer.analysis import bars, beats, belief, lattice, reading

WINDOW = np.array([(40 - lattice.SHORTEST, 61 - lattice.SHORTEST)])
NO_PRIOR = np.zeros(len(lattice.LENGTHS))


def worth(scores: np.ndarray, frames: np.ndarray, places: np.ndarray, price: float, cap: float) -> float:
    """Nats of a chain: every frame at its place in its beat, less what changes of tempo cost."""
    padded = np.pad(scores, ((lattice.LONGEST, lattice.LONGEST), (0, 0), (0, 0)))
    total, before = 0.0, None
    for start, end, beat in zip(frames[:-1], frames[1:], places[:-1], strict=True):
        length = end - start
        for p in range(length):
            total += padded[start + p + lattice.LONGEST, beat, lattice.places_of(p, length)]
        total -= min(cap, price * abs(np.log(length / before))) if before else np.log(length)
        before = length
    return float(total)


def test_the_worth_of_the_path_is_the_sum_of_its_frames() -> None:
    scores = np.random.default_rng(3).normal(0, 0.3, (900, 4, lattice.PLACES)).astype(np.float32)
    [(total, frames, places)] = lattice.search(scores, np.arange(4), WINDOW, NO_PRIOR, 60.0, 25.0)
    assert total == pytest.approx(worth(scores, frames, places, 60.0, 25.0), abs=0.02)
    assert np.all(np.diff(places) % 4 == 1)
    assert frames[0] <= 0 < frames[1]
    assert frames[-2] < 900 <= frames[-1]


def test_no_steady_chain_is_worth_more() -> None:
    scores = np.random.default_rng(4).normal(0, 0.3, (700, 4, lattice.PLACES)).astype(np.float32)
    [(total, _, _)] = lattice.search(scores, np.arange(4), WINDOW, NO_PRIOR, 60.0, 25.0)
    for length in range(40, 61, 4):
        for first in range(0, length, 7):
            frames = np.arange(first - length, 700 + length, length)
            frames = frames[: int(np.searchsorted(frames, 700)) + 1]
            places = (np.arange(len(frames)) + first) % 4
            assert worth(scores, frames, places, 60.0, 25.0) <= total + 0.02


def test_beats_that_are_there_are_found() -> None:
    true = np.arange(13, 2000, 47)
    scores = np.zeros((2000, 4, lattice.PLACES), np.float32)
    for i, frame in enumerate(true):
        scores[frame, i % 4, lattice.REACH] = 5.0
    [(_, frames, places)] = lattice.search(scores, np.arange(4), WINDOW, NO_PRIOR, 60.0, 25.0)
    assert set(true) <= set(frames)
    assert places[list(frames).index(13)] == 0


def test_every_frame_of_every_beat_has_one_place() -> None:
    table, firsts = lattice.runs()
    for k, length in enumerate(lattice.LENGTHS):
        seen = [p for a, b, _ in table[firsts[k] : firsts[k + 1]] for p in range(a, b)]
        assert seen == list(range(length))
    assert lattice.places_of(0, 50) == lattice.REACH  # the beat itself
    assert lattice.places_of(25, 50) == 3 * lattice.SPREAD + lattice.REACH  # its half
    assert lattice.places_of(49, 50) == lattice.REACH - 1  # just before the next


def test_what_was_fitted_is_whole() -> None:
    text = resources.files("composer.analysis").joinpath("patterns.json").read_text(encoding="utf-8")
    assert len(text) < 200_000
    fitted = beats.unpacked(json.loads(text))
    assert fitted["straight"].shape == (6, 4, lattice.PLACES, beats.LEVELS)
    assert np.isfinite(fitted["swing"]).all()
    marks = np.zeros((len(bars.candidates()), len(fitted["bar"][0]["mean"])))
    assert belief.belief(marks, fitted["bar"]).sum() == pytest.approx(1.0)


def test_a_song_heard_in_pieces_is_one_grid(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    true = steady(120.0, 141, 0.4)
    path = save(tmp_path / "song.wav", drum_loop(true))
    monkeypatch.setattr(reading, "PIECE_S", 25.0)
    monkeypatch.setattr(reading, "OVERLAP_S", 8.0)
    song_map = analysis.listen(path)
    found = np.array(song_map.beats)
    assert mir_eval.beat.f_measure(true[:-1], found, 0.025) > 0.97
    assert np.ptp(np.diff(found)) < 0.05
    assert mir_eval.beat.f_measure(true[:-1:4], np.array(song_map.bar_times)) > 0.85
    assert len(drum_loop(true)) / RATE > 2 * reading.PIECE_S


def test_the_map_room_loads_nothing_heavy() -> None:
    heavy = "{'numpy', 'numba', 'scipy', 'librosa', 'tomlkit'}"
    code = f"import sys, composer.songmap; print(sorted({heavy} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
