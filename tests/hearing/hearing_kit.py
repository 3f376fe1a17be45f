"""Sounds made at known times, for tests of the ear. Everything is drawn here; nothing is recorded."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import soundfile

RATE = 44_100


def click(rate: int = RATE, hz: float = 1000.0) -> np.ndarray:
    """30 ms of a decaying sine that starts at its first sample."""
    t = np.arange(int(0.03 * rate)) / rate
    return np.sin(2 * np.pi * hz * t) * np.exp(-150 * t)


def kick(rate: int = RATE) -> np.ndarray:
    """A falling sine, as a bass drum makes it."""
    t = np.arange(int(0.2 * rate)) / rate
    return 1.2 * np.sin(2 * np.pi * (50 * t + 4 * (1 - np.exp(-30 * t)))) * np.exp(-18 * t)


def snare(rate: int = RATE, seed: int = 1) -> np.ndarray:
    """A short tone and a burst of noise."""
    t = np.arange(int(0.15 * rate)) / rate
    noise = np.random.default_rng(seed).normal(0, 1, len(t))
    return 0.5 * np.sin(2 * np.pi * 190 * t) * np.exp(-30 * t) + 0.35 * noise * np.exp(-25 * t)


def hat(rate: int = RATE, seed: int = 2) -> np.ndarray:
    """A very short burst of high noise."""
    t = np.arange(int(0.05 * rate)) / rate
    noise = np.diff(np.random.default_rng(seed).normal(0, 1, len(t) + 1))
    return 0.15 * noise * np.exp(-90 * t)


def pluck(hz: float, seconds: float, rate: int = RATE) -> np.ndarray:
    """A plucked tone with four harmonics."""
    t = np.arange(int(seconds * rate)) / rate
    tone = sum(np.sin(2 * np.pi * hz * k * t) / k for k in range(1, 5))
    return 0.2 * tone * np.exp(-4 * t)


def placed(sounds: list[tuple[float, np.ndarray]], seconds: float, rate: int = RATE) -> np.ndarray:
    """Sounds laid at their times (to the sample) into silence."""
    out = np.zeros(int(seconds * rate))
    for time, sound in sounds:
        at = round(time * rate)
        if at < len(out):
            out[at : at + len(sound)] += sound[: len(out) - at]
    return out * 0.5


def drum_loop(beats: np.ndarray, beats_per_bar: int = 4, swing: float = 0.5, rate: int = RATE) -> np.ndarray:
    """A band of four at given beats: kick on the first beat (and the third of four), snare on the others' back beats,
    hats on eighths whose second falls at `swing` of the beat, a bass and a chord that change every bar.

    Bar 1 starts on the first beat. Rock and waltz figures are common practice.
    """
    sounds = []
    roots = (55.0, 73.42, 82.41, 61.74)  # A1 D2 E2 B1, equal temperament
    for i, (start, end) in enumerate(zip(beats[:-1], beats[1:], strict=True)):
        beat, bar = i % beats_per_bar, i // beats_per_bar
        strong = beat == 0 or (beats_per_bar == 4 and beat == 2)
        sounds.append((start, kick(rate) if strong else snare(rate, i)))
        for part in (0.0, swing):
            sounds.append((start + part * (end - start), hat(rate, i)))
        root = roots[bar % 4]
        if strong:
            sounds.append((start, 2 * pluck(root, 0.6, rate)))
        if beat == 0:
            for ratio in (4, 5, 6):
                sounds.append((start, pluck(root * ratio, 1.5, rate)))
    return placed(sounds, beats[-1] + 0.5, rate)


def steady(bpm: float, count: int, first: float = 0.0) -> np.ndarray:
    """Beat times of an even tempo."""
    return first + np.arange(count) * 60.0 / bpm


def save(path: Path, samples: np.ndarray, rate: int = RATE, **how: str) -> Path:
    """Write a sound file."""
    soundfile.write(path, samples, rate, **how)
    return path
