"""Fear: the ring of the last note is taken for a bar of its own, and its silence hides how the bars before it differ.

What is made: bars of 2 s, in two sounds, four bars each; every bar line and every edge follows from that.
"""

from __future__ import annotations

import numpy as np
import pytest

from composer.analysis.features import FPS
from composer.analysis.sections import sections

BAR_S = 2.0


def loudness(names: str, ring: float) -> np.ndarray:
    """Log bands, (frames, 48), of four bars a letter, then a ring that dies away into silence over so many seconds."""
    rng = np.random.default_rng(1)
    even = np.arange(48) % 2
    sound = {"A": even, "B": 1 - even}
    frames = int(4 * BAR_S * FPS)
    parts = [sound[name] + 0.02 * rng.standard_normal((frames, 48)) for name in names]
    return np.concatenate([*parts, np.linspace(-2.0, -6.0, int(ring * FPS))[:, None] * np.ones(48)])


@pytest.mark.parametrize("ring", [0.04, 0.1, 0.5, 0.9])
def test_a_ring_of_less_than_half_a_bar_belongs_to_the_last_section(ring: float) -> None:
    lines = np.arange(0, 16 * BAR_S + 0.01, BAR_S)  # the last line stands where the ring begins
    found = sections(loudness("ABAB", ring), lines, 0.0, 16 * BAR_S + ring)
    ends = [8.0, 16.0, 24.0, 32.0 + ring]
    assert found == [(a, b, name) for a, b, name in zip([0.0, *ends[:3]], ends, "ABAB", strict=True)]


def test_a_last_bar_of_its_own_stays_one() -> None:
    lines = np.arange(0, 17 * BAR_S + 0.01, BAR_S)
    found = sections(loudness("ABAB", 1.9), lines, 0.0, 16 * BAR_S + 1.9)
    assert (32.0, 33.9) in [(start, end) for start, end, _ in found]
