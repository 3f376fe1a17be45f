"""Duties of some pixels are those that the wiring tells of all."""

from __future__ import annotations

import numpy as np
import pytest
from rooms_kit import rig_of

from composer.pipeline.duties import Duties
from composer.wire import Wiring

RIG = """
[supply.shed]
volts = 5.0
amps = 9.0
[controller.quay]
board = "pico"
[string.rail]
controller = "quay"
pin = 2
pixels = 5
[[string.rail.feed]]
supply = "shed"
[string.window]
controller = "quay"
pin = 3
pixels = 4
chip = "sk6812-rgbw"
order = "wrbg"
skip = [1]
[[string.window.feed]]
supply = "shed"
"""


@pytest.mark.parametrize("pixels", [None, [7, 0, 5, 5], [3, 1], [8, 6]])
def test_duties_of_some_pixels_are_those_of_the_whole_rig(pixels: list[int] | None) -> None:
    rig = rig_of(RIG)
    frames = np.random.default_rng(2).integers(0, 256, (6, rig.frame_bytes), dtype=np.uint8)
    every = Wiring(rig).duty_of(frames)
    found = Duties(rig, None if pixels is None else np.array(pixels)).of(frames)
    assert found.dtype == np.float32
    assert np.array_equal(found, every if pixels is None else every[:, pixels])


def test_white_counts_to_all_three_colours() -> None:
    # Bytes in the order of the string: white 0.2, red 1 (cut there), blue 0, green 0.4.
    rig = rig_of(RIG)
    frame = np.zeros((1, rig.frame_bytes), np.uint8)
    frame[0, 15:19] = 51, 255, 0, 102
    assert Duties(rig, np.array([5])).of(frame)[0, 0].tolist() == pytest.approx([1.0, 0.6, 0.2])
