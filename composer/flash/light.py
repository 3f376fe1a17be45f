"""What the eye gets of a rig's bytes: luminances of pixels, and the fields of view they hang in."""

from __future__ import annotations

import math
import weakref
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from ..rig import Chip, LedString, Rig

Frames = npt.NDArray[np.uint8]
Times = npt.NDArray[np.int64]

FIELD_SR = 0.006  # WCAG: 25 % of a 10-degree field
FIELD_RAD = math.radians(5)  # half of one

# Relative luminance, WCAG / Rec. ITU-R BT.709.
WCAG_WEIGHTS = (0.2126, 0.7152, 0.0722)
# Luminous intensity of the dies, mcd. Other chips are taken as WS2812B.
PHOTOMETRY_MCD = {
    "ws2812b": (405.0, 690.0, 190.0),  # Worldsemi WS2812B datasheet: 390-420, 660-720, 180-200
    "ws2813": (480.0, 1500.0, 320.0),  # WS2813A, WS2813 manual p.5
}


@dataclass(frozen=True)
class Largest:
    """The show's largest luminance (WCAG's weights, the chips' own) and channel, in bytes (0-255, white adds)."""

    wcag: float = 0.0
    chip: float = 0.0
    channel: float = 0.0


def largest_of(rig: Rig, chunks: Iterable[Frames]) -> Largest:
    """The show's largest luminances, for a first pass over frames uint8 (n, frame_bytes)."""
    return Eye(rig).largest(chunks)


class Brightest:
    """A show's largest luminances, found group by group. An array that comes again (a bar that repeats) is passed over
    while it is kept by others: it cannot be brighter than itself."""

    def __init__(self, rig: Rig) -> None:
        self.largest = Largest()
        self._eye = Eye(rig)
        self._seen: dict[int, weakref.ref[Frames]] = {}

    def add(self, frames: Frames) -> bool:
        """Look at frames uint8 (n, frame_bytes). Returns whether they were new."""
        # The reference tells an array from another that was given the same place in memory after it.
        known = self._seen.get(id(frames))
        if known is not None and known() is frames:
            return False
        self._seen[id(frames)] = weakref.ref(frames)
        self.largest = self._eye.largest([frames], self.largest)
        return True


def photometry(chip: Chip) -> tuple[float, float, float]:
    """Shares of red, green, blue in the luminous intensity of white (datasheet mcd; unknown chips as WS2812B)."""
    red, green, blue = PHOTOMETRY_MCD.get(chip.name, PHOTOMETRY_MCD["ws2812b"])
    total = red + green + blue
    return red / total, green / total, blue / total


class Eye:
    """Where each pixel's red, green, blue and white bytes are, and its chip's photometry."""

    def __init__(self, rig: Rig) -> None:
        self.at = np.full((rig.pixels, 4), -1, np.int64)
        self.shares = np.zeros((rig.pixels, 3))
        for name, string in rig.strings.items():
            pixels, start = rig.pixel_slices[name], rig.byte_slices[name].start
            for channel, letter in enumerate("rgbw"):
                if letter in string.order:
                    places = start + string.order.index(letter) + np.arange(string.pixels) * string.channels
                    self.at[pixels, channel] = places
            self.shares[pixels] = photometry(string.chip)
        # A byte of padding, always dark, stands in for a missing white channel.
        self.at[self.at < 0] = rig.frame_bytes

    def padded(self, frames: Frames) -> Frames:
        """Frames with one dark byte at the end of each, where a missing channel looks."""
        return np.pad(frames, ((0, 0), (0, 1)))

    def largest(self, chunks: Iterable[Frames], so_far: Largest | None = None) -> Largest:
        """The largest luminances and channel of frames, and of what was found before."""
        best = np.zeros(3) if so_far is None else np.array([so_far.wcag, so_far.chip, so_far.channel])
        for frames in chunks:
            _largest(self.padded(frames), self.at, self.shares, best)
        return Largest(*map(float, best))


def fields_of(rig: Rig, distance_m: float) -> list[tuple[list[int], int]]:
    """The 10-degree fields in which enough pixels hang for 0.006 sr, and how many of their pixels make that up.

    Fields are a quarter of their radius wider than 10 degrees and lie on a grid so close that each field of 10 degrees
    is inside one. Where pixels stand for unlike squares, the largest are counted first. Both err to the strict side.
    """
    areas_sr = np.concatenate([_squares_m2(string) for string in rig.strings.values()]) / distance_m**2
    areas_sr[[rig.pixel_slices[s.name].start + i for s in rig.strings.values() for i in s.skip]] = 0.0
    places = np.array(rig.places, float)
    radius = distance_m * math.tan(FIELD_RAD)
    grid = radius / 4 * math.sqrt(2)
    near = np.arange(-4, 5)
    around = np.stack(np.meshgrid(near, near), axis=-1).reshape(-1, 2)
    cells = np.unique(np.floor(places / grid).astype(np.int64), axis=0)
    centres = (np.unique((cells[:, None] + around[None]).reshape(-1, 2), axis=0) + 0.5) * grid
    found: dict[bytes, tuple[list[int], int]] = {}
    for x, y in centres:
        inside = np.flatnonzero(np.hypot(places[:, 0] - x, places[:, 1] - y) <= 1.25 * radius)
        upto = np.cumsum(np.sort(areas_sr[inside])[::-1])
        if len(upto) and upto[-1] >= FIELD_SR:
            found[inside.tobytes()] = inside.tolist(), int(np.searchsorted(upto, FIELD_SR)) + 1
    return list(found.values())


def _squares_m2(string: LedString) -> npt.NDArray[np.float64]:
    """The square that each pixel of a string stands for: as wide as it is far from its nearer neighbour, (pixels,)."""
    places = np.array(string.places, float)
    if len(places) < 2:
        return np.zeros(len(places))
    apart = np.hypot(*np.diff(places, axis=0).T)
    squares: npt.NDArray[np.float64] = np.minimum(np.append(apart, np.inf), np.insert(apart, 0, np.inf)) ** 2
    return squares


@njit(cache=True, nogil=True)
def _largest(frames: Any, at: Any, shares: Any, best: Any) -> None:
    """frames uint8 (n, bytes + 1), at int64 (pixels, 4), shares (pixels, 3); best (3,) grows in place."""
    wcag, chip, channel = best[0], best[1], best[2]
    for i in range(frames.shape[0]):
        for p in range(at.shape[0]):
            white = float(frames[i, at[p, 3]])
            red = frames[i, at[p, 0]] + white
            green = frames[i, at[p, 1]] + white
            blue = frames[i, at[p, 2]] + white
            wcag = max(wcag, 0.2126 * red + 0.7152 * green + 0.0722 * blue)
            chip = max(chip, shares[p, 0] * red + shares[p, 1] * green + shares[p, 2] * blue)
            channel = max(channel, red, green, blue)
    best[0], best[1], best[2] = wcag, chip, channel
