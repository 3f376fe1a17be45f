"""Light -> the bytes on the wire, and back to colours for a screen.

Light is codes 0-1 a channel, a code being CIE lightness L*/100, so that equal steps look equal. The wire carries
duty: how much of the time a die is on, 0-255, in the string's own colour order. Current follows the duty.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from . import kernels
from .rig import LedString, Rig

CHANNELS = "rgbw"


def duty_of_lightness(lightness: NDArray[np.float64]) -> NDArray[np.float64]:
    """Relative luminance Y/Yn 0-1 of CIE 1976 lightness L* 0-100, any shape.

    CIE 15 (also ISO 11664-4): L* = 116 f(Y/Yn) - 16, f(t) = t^(1/3) above (6/29)^3, else (841/108) t + 4/29.
    """
    f = (np.asarray(lightness, np.float64) + 16) / 116
    return np.where(f > 6 / 29, f**3, (f - 4 / 29) * 108 / 841)


def lightness_of_duty(duty: NDArray[np.float64]) -> NDArray[np.float64]:
    """CIE 1976 lightness L* 0-100 of a relative luminance 0-1, any shape. The inverse of `duty_of_lightness`."""
    duty = np.asarray(duty, np.float64)
    return 116 * np.where(duty > (6 / 29) ** 3, np.cbrt(duty), duty * 841 / 108 + 4 / 29) - 16


def screen_of_duty(duty: NDArray[np.float64]) -> NDArray[np.uint8]:
    """sRGB codes 0-255 that show a duty 0-1 on a screen, any shape (IEC 61966-2-1: the transfer curve)."""
    duty = np.clip(np.asarray(duty, np.float64), 0, 1)
    code = np.where(duty <= 0.0031308, 12.92 * duty, 1.055 * duty ** (1 / 2.4) - 0.055)
    screen: NDArray[np.uint8] = np.rint(code * 255).astype(np.uint8)
    return screen


DUTY_OF_CODE = duty_of_lightness(np.linspace(0, 100, kernels.CODE_STEPS + 1)).astype(np.float32)


class Wiring:
    """Turns the light of a whole rig into its bytes. Reusable, keeps no frames."""

    def __init__(self, rig: Rig) -> None:
        self.rig = rig
        self._orders = {name: order_of(string) for name, string in rig.strings.items()}
        self._lit = {name: _lit(string) for name, string in rig.strings.items()}

    def bytes_of(self, light: NDArray[np.float32]) -> NDArray[np.uint8]:
        """Light float32 (frames, rig pixels, 3), codes 0-1 -> uint8 (frames, rig.frame_bytes), in wire order."""
        frames = len(light)
        if light.shape != (frames, self.rig.pixels, 3):
            raise ValueError(f"light has shape {light.shape}, the rig needs (frames, {self.rig.pixels}, 3)")
        out = np.empty((frames, self.rig.frame_bytes), np.uint8)
        for name, string in self.rig.strings.items():
            kernels.to_wire(
                light,
                self.rig.pixel_slices[name].start,
                self._lit[name],
                self._orders[name],
                DUTY_OF_CODE,
                np.float32(string.brightness),
                out,
                self.rig.byte_slices[name].start,
            )
        return out


class Duties:
    """What pixels of a rig show, out of its bytes: all of them, or some (numbers, in any order)."""

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

    def of(self, frames: NDArray[np.uint8]) -> NDArray[np.float32]:
        """Bytes uint8 (frames, rig.frame_bytes) -> red, green, blue duty 0-1, float32 (frames, chosen pixels, 3).

        A white die counts to all three, cut at 1: what a screen can show.
        """
        duty: NDArray[np.float32] = frames[:, self._colours].astype(np.float32) / np.float32(255)
        if len(self._white):
            white = frames[:, self._white, None].astype(np.float32) / np.float32(255)
            duty[:, self._with_white] = np.minimum(duty[:, self._with_white] + white, 1)
        return duty


def order_of(string: LedString) -> NDArray[np.int64]:
    """Which of red, green, blue, white (0-3) each byte of a pixel carries, int64 (channels,)."""
    return np.array([CHANNELS.index(letter) for letter in string.order], np.int64)


def _lit(string: LedString) -> NDArray[np.uint8]:
    lit = np.ones(string.pixels, np.uint8)
    lit[sorted(string.skip)] = 0
    return lit
