"""Fear: spectra depend on how a song was cut into blocks; a mark does not say what it claims to.

Truth: the same signal whole; pitches of equal temperament (a' = 440 Hz, ISO 16); patterns drawn by hand.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from composer.analysis import bars, features, marks


@settings(max_examples=10, deadline=None)
@given(st.lists(st.integers(0, 60_000), min_size=1, max_size=8))
def test_blocks_of_any_size_give_the_same_frames(sizes: list[int]) -> None:
    signal = np.random.default_rng(1).normal(0, 0.1, 100_000).astype(np.float32)
    whole = features.mel_spectrum(signal)
    stream = features.mel_stream()
    for block in np.split(signal, np.minimum(np.cumsum(sizes), len(signal))):
        stream.feed(block)
    assert np.array_equal(stream.result().shape, whole.shape)
    assert len(whole) == len(signal) // features.HOP + 1
    stream = features.mel_stream()
    stream.feed(signal[:70_000])
    stream.feed(signal[70_000:])
    assert stream.result() == pytest.approx(whole, abs=1e-4)


@pytest.mark.parametrize(("hz", "place"), [(440.0, 9), (261.63, 0), (1046.5, 0), (110.0, 9), (82.41, 4)])
def test_a_tone_falls_on_its_pitch_class(hz: float, place: int) -> None:
    tone = np.sin(2 * np.pi * hz * np.arange(2 * features.RATE) / features.RATE).astype(np.float32)
    rows = []
    for stream in features.chroma_streams():
        stream.feed(tone)
        rows.append(stream.result())
    part = rows[0] if hz < features.CHROMA_LOW[2] else rows[1]
    assert int(part[5:-5].mean(axis=0).argmax()) == place


def test_the_grid_reads_each_part_of_each_beat() -> None:
    frames = np.arange(0, 601, 60)  # beats of 60 frames: a part is 5
    streams = np.zeros((600, 1), np.float32)
    streams[frames[:-1] + 30] = 1.0
    grid = marks.on_grid(streams, frames)
    assert grid.shape == (10, marks.PARTS, 1)
    assert grid[:, 6, 0].tolist() == [1.0] * 10
    assert grid.sum() == 10


def test_what_decays_is_no_arrival() -> None:
    chroma = np.zeros((8, 12))
    chroma[0::4, 0], chroma[1::4, 0] = 1.0, 0.3  # a note every four beats that dies away
    arrivals = bars._arrivals(chroma)
    assert arrivals[4] == pytest.approx(1.0)
    assert arrivals[[1, 2, 3, 5, 6, 7]].max() == 0.0
