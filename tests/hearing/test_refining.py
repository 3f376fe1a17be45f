"""Beats on a coarse grid moved onto where sounds start. Steady beats of 0.625 s: a line of which all is known."""

from __future__ import annotations

import numpy as np

from composer.analysis.refine import refined

TRUE = 1.0 + 0.625 * np.arange(32)


def test_beats_that_are_a_little_off_come_onto_the_starts() -> None:
    coarse = TRUE + 0.008 * np.sin(np.arange(32))
    beats, spread = refined(coarse, TRUE, np.ones(32))
    assert np.abs(beats - TRUE).max() < 1e-3
    assert np.nanmax(spread) < 0.01


def test_a_beat_without_a_start_lies_on_the_line_however_coarse_it_was() -> None:
    coarse = TRUE.copy()
    coarse[-2:] += (0.055, 0.09)  # a fading end, in which nothing sounds
    beats, _ = refined(coarse, TRUE[:-2], np.ones(30))
    assert np.abs(beats - TRUE).max() < 1e-3


def test_a_beat_with_a_start_of_its_own_far_from_the_line_stays_there() -> None:
    at = TRUE.copy()
    at[15] += 0.06  # a player waits
    beats, _ = refined(at, at, np.ones(32))
    assert abs(beats[15] - at[15]) < 0.01
