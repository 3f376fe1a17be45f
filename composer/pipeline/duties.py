"""What some pixels of a rig show: pictures and sums of whole shows need few of them, or few frames."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from ..rig import Rig
from ..wire import CHANNELS
from .rolls import Frames


class Duties:
    """As `Wiring.duty_of`, for some pixels of the rig (numbers, in any order) or all of them."""

    def __init__(self, rig: Rig, pixels: NDArray[np.int64] | None = None) -> None:
        at = np.full((rig.pixels, len(CHANNELS)), -1, np.int64)
        for name, string in rig.strings.items():
            firsts = rig.byte_slices[name].start + np.arange(string.pixels) * string.channels
            for place, letter in enumerate(string.order):
                at[rig.pixel_slices[name], CHANNELS.index(letter)] = firsts + place
        chosen = at if pixels is None else at[pixels]
        self._colours = chosen[:, :3]
        self._with_white = np.flatnonzero(chosen[:, 3] >= 0)
        self._white = chosen[self._with_white, 3]

    def of(self, frames: Frames) -> NDArray[np.float32]:
        """Bytes uint8 (frames, rig.frame_bytes) -> red, green, blue duty 0-1, float32 (frames, chosen pixels, 3)."""
        duty: NDArray[np.float32] = frames[:, self._colours].astype(np.float32) / np.float32(255)
        if len(self._white):
            white = frames[:, self._white, None].astype(np.float32) / np.float32(255)
            duty[:, self._with_white] = np.minimum(duty[:, self._with_white] + white, 1)
        return duty
