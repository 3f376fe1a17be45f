"""What speaks for and against a reading of the beat, as numbers for `belief`.

Each reading lays a grid of twelve parts a beat over the song. At the right level, drums and notes start on some parts
and not on others, bars repeat, and chords change on beats; at a wrong one, patterns of 3 run against beats of 2 or 4,
the drums of two beats fall into one, or every other beat is empty. No single sign decides: `benchmarks/fit_hearing.py`
fits how they weigh.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from . import refine
from .beats import PRIOR_BPM, Heard, Reading, bar_worth
from .features import CHROMA_FPS, FPS, Doubles, Floats

PARTS = 12  # of a beat
SIXTEENTHS, TRIPLETS = (0, 3, 6, 9), (4, 8)
REPEATS = (3, 4, 6, 8, 9, 12, 18, 24, 30, 36, 48, 60, 72, 96)  # parts after which patterns may return
RETURNS = (1, 2, 3, 4, 6, 8, 12, 16)  # beats after which harmony may return
UNCLEAR_S = 0.01  # how far starts stray where there are too few to tell


def reading_marks(heard: Heard, readings: list[Reading], starts: tuple[Doubles, Doubles]) -> Doubles:
    """(readings, marks). `starts` are seconds and strength of every sharp start (`refine.starts`)."""
    streams = standing_out(heard)
    nats = np.array([_best_bars(reading) for reading in readings])
    behind = nats - nats.max()
    rows = []
    for reading, lost in zip(readings, behind, strict=True):
        played = (reading.frames[:-1] >= 0) & (reading.frames[:-1] < len(streams))
        grid = on_grid(streams, reading.frames)[played]
        _, blur = refine.refined(reading.frames[:-1] / FPS, *starts)
        steps = np.diff(reading.frames)
        pace = np.abs(np.log(steps / np.median(steps))).mean(), np.log(steps.max() / steps.min())
        rows.append(
            [
                *_pattern_marks(heard, reading), *_profile(grid), *_repeats(grid), *_alternation(grid),
                *_harmony(heard.chroma, reading.frames, played), *pace,
                1000 * float(np.median(np.nan_to_num(blur, nan=UNCLEAR_S))), 10 * lost / len(heard.levels), lost / 200,
            ]
        )  # fmt: skip
    return np.array(rows)


def standing_out(heard: Heard) -> Floats:
    """Levels of rises, each the highest within a frame, against the song's mean and spread: (frames, 6)."""
    from scipy.ndimage import maximum_filter1d

    out = maximum_filter1d(heard.levels.astype(np.float32), 3, axis=0)
    out -= out.mean(axis=0)
    return np.asarray(out / (out.std(axis=0) + 1e-6))


def on_grid(streams: Floats, frames: npt.NDArray[np.int64]) -> Floats:
    """(beats, PARTS, columns): streams at every part of every beat."""
    at = frames[:-1, None] + np.diff(frames)[:, None] * np.arange(PARTS) / PARTS
    return np.asarray(streams[np.clip(np.round(at).astype(int), 0, len(streams) - 1)])


def beat_chroma(chroma: Floats, frames: npt.NDArray[np.int64]) -> Doubles:
    """The mean chroma of every beat, (beats, 24)."""
    edges = np.clip(np.round(frames * CHROMA_FPS / FPS).astype(int), 0, len(chroma))
    total = np.vstack([np.zeros(chroma.shape[1]), np.cumsum(chroma, axis=0, dtype=float)])
    ends = np.clip(np.maximum(edges[1:], edges[:-1] + 1), 0, len(chroma))
    return np.asarray((total[ends] - total[edges[:-1]]) / np.maximum(1, np.diff(edges))[:, None])


def unit(rows: Doubles) -> Doubles:
    """Rows scaled to length 1."""
    return np.asarray(rows / (np.linalg.norm(rows, axis=-1, keepdims=True) + 1e-6))


def _best_bars(reading: Reading) -> float:
    return float(max(bar_worth(reading.worth[time], size).max() for time in (0, 1) for size in (4, 3)))


def _pattern_marks(heard: Heard, reading: Reading) -> Doubles:
    """Nats a frame of its best bars; how much better swung than straight and in three than in four; the pace and its
    distance from what people tap to; how unsteady it is."""
    steps = np.diff(reading.frames)
    straight, swung = ([bar_worth(reading.worth[time], size).max() for size in (4, 3)] for time in range(2))
    total = len(heard.levels) / 10
    nats = max(*straight, *swung) / total
    swing = (max(swung) - max(straight)) / total
    three = (max(straight[1], swung[1]) - max(straight[0], swung[0])) / total
    pace = float(np.log(60 * FPS / np.median(steps) / PRIOR_BPM))
    jitter = float(np.mean(np.abs(np.diff(steps)) / steps[1:]))
    return np.array([nats, swing, max(0.0, swing), three, max(0.0, three), pace, pace**2, 10 * jitter])


def _profile(grid: Floats) -> Doubles:
    """What stands out at sixteenths, at triplets and elsewhere in the mean beat, by band."""
    mean = grid.mean(axis=0)
    others = [part for part in range(PARTS) if part not in SIXTEENTHS + TRIPLETS]
    return np.concatenate([mean[[*SIXTEENTHS, *TRIPLETS]].ravel(), mean[others].mean(axis=0)])


def _repeats(grid: Floats) -> Doubles:
    """Autocorrelation along the grid, of bass, middle, treble and timbre."""
    flat = grid.reshape(-1, grid.shape[2])
    flat = flat - flat.mean(axis=0)
    curves = np.stack([flat[:, :2].mean(axis=1), flat[:, 2:4].mean(axis=1), flat[:, 4], flat[:, 5]], axis=1)
    n = len(curves)
    spectrum = np.fft.rfft(curves, 2 * n, axis=0)
    products = np.fft.irfft(np.abs(spectrum) ** 2, axis=0)[:n]
    alike = products / np.maximum(n - np.arange(n), 1)[:, None] / ((curves**2).mean(axis=0) + 1e-6)
    return np.concatenate([alike[lag] if lag < n - PARTS else np.zeros(4) for lag in REPEATS])


def _alternation(grid: Floats) -> Doubles:
    """How strongly bands come and go every 2, 3 and 4 beats, on the beat and between, and whether the others come
    with the bass or against it (as a snare does against a kick)."""
    on, off = grid[:, 0] - grid[:, 0].mean(axis=0), grid[:, PARTS // 2] - grid[:, PARTS // 2].mean(axis=0)
    out = []
    for beats in (2, 3, 4):
        wave_on, wave_off = _wave(on, beats), _wave(off, beats)
        bass = wave_on[:2].sum()
        with_bass = np.real(wave_on[2:] * np.conj(bass)) / (np.abs(bass) + 0.05)
        out += [np.abs(wave_on), np.abs(wave_off), with_bass]
    return np.concatenate(out)


def _wave(rows: npt.NDArray[Any], beats: int) -> npt.NDArray[np.complex128]:
    """The part of a curve along beats that returns after so many: its mean against a turning phase."""
    return np.asarray((rows * np.exp(-2j * np.pi * np.arange(len(rows)) / beats)[:, None]).mean(axis=0))


def _harmony(chroma: Floats, frames: npt.NDArray[np.int64], played: npt.NDArray[np.bool_]) -> Doubles:
    """How alike harmony is after some beats, for basses and for chords; how strongly its changes come every few beats;
    whether it changes on beats more than between them."""
    tone = beat_chroma(chroma, frames)[played]
    tone = tone - tone.mean(axis=0)
    low, high = unit(tone[:, :12]), unit(tone[:, 12:])
    alike = []
    for lag in RETURNS:
        there = len(tone) > lag + 3
        alike += [(part[:-lag] * part[lag:]).sum(axis=1).mean() if there else 0.0 for part in (low, high)]
    moves = np.abs(np.diff(tone, axis=0))
    between = np.abs(np.diff(beat_chroma(chroma, (frames[:-1] + frames[1:]) // 2), axis=0)).sum(axis=1).mean()
    on_beats = np.log((moves.sum(axis=1).mean() + 1e-3) / (between + 1e-3))
    changes = np.stack([moves[:, :12].sum(axis=1), moves[:, 12:].sum(axis=1)], axis=1)
    changes = changes / (changes.mean(axis=0) + 1e-6) - 1
    waves = [np.abs(_wave(changes, beats)) if len(changes) > 8 else np.zeros(2) for beats in (2, 3, 4, 6, 8)]
    return np.array([*alike, *np.concatenate(waves), on_beats])
