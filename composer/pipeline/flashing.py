"""Where a show flashes too often, and which clips do it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..clock import SECOND
from ..render import Renderer
from ..wire import duty_of_lightness

WHOLE_RIG = "whole rig"
MOST_SPANS = 8  # spans whose clips are looked for: those of the zones that flash most
LOOKS = 12  # frames of a second that are looked at: three and more a flash, where there are too many
WCAG_WEIGHTS = np.array([0.2126, 0.7152, 0.0722])  # relative luminance, WCAG / Rec. ITU-R BT.709


def spans_of(
    flashes: Mapping[str, Any], address: Callable[[float], str], renderer: Renderer | None
) -> list[dict[str, Any]]:
    """Every span with more than three flashes in a second: `zone`, `from_s`, `to_s`, `at`, `to` (bar.beat), `clips`.

    Those of the zones that flash most come first. `clips` are the placed clips whose light on the zone changes most
    within the span's first second, the strongest first; None where they were not looked for (no renderer, or after the
    first eight spans).
    """
    zones = {**flashes["zones"], WHOLE_RIG: flashes["rig"]}
    rows = []
    for zone, row in sorted(zones.items(), key=lambda item: -max(item[1]["worst_per_s"], item[1]["red_worst_per_s"])):
        for from_s, to_s in row["over_s"]:
            rows.append(
                {
                    "zone": zone, "from_s": from_s, "to_s": to_s, "at": address(from_s), "to": address(to_s),
                    "clips": None,
                }
            )  # fmt: skip
    if renderer is not None:
        movers = Movers(renderer)
        for found in rows[:MOST_SPANS]:
            found["clips"] = movers.within(found["zone"], found["from_s"], found["to_s"])
    return rows


class Movers:
    """Asks the renderer which clips move the light. Zones flash at the same times, so what was seen is kept."""

    def __init__(self, renderer: Renderer) -> None:
        self.renderer = renderer
        self._seen: dict[int, list[tuple[str, NDArray[np.float64]]]] = {}
        self._group: tuple[int, NDArray[np.float32]] = (-1, np.zeros(0, np.float32))

    def within(self, zone: str, from_s: float, to_s: float) -> list[str]:
        """Addresses of the clips that move a zone's light most: a quarter of the strongest one's swing or more."""
        rig, clock = self.renderer.rig, self.renderer.clock
        pixels = np.arange(rig.pixels) if zone == WHOLE_RIG else np.array(rig.zones[zone].pixels)
        end = min(clock.frames, clock.frame_at_us(round(min(to_s, from_s + 1) * SECOND)) + 1)
        # What flashes only where the show plays on into its own start may begin after the last frame's time.
        first = min(clock.frame_at_us(round(from_s * SECOND)), end - 1)
        step = max(1, (end - first) // LOOKS)
        looks = range(first - first % step, end, step)
        amounts: dict[str, NDArray[np.float64]] = {}
        for look, frame in enumerate(looks):
            for address, by_pixel in self._amounts(frame):
                amounts.setdefault(address, np.zeros(len(looks)))[look] += by_pixel[pixels].sum()
        swings = {address: float(np.ptp(amount)) for address, amount in amounts.items()}
        least = max(swings.values(), default=0.0) / 4
        ranked = sorted(swings.items(), key=lambda item: -item[1])
        return [address for address, swing in ranked if swing >= least and swing > 0]

    def _amounts(self, frame: int) -> list[tuple[str, NDArray[np.float64]]]:
        """Each placed clip's luminance on each pixel (rig pixels,) in one frame."""
        if frame not in self._seen:
            group = self.renderer.clock.group_at(frame)
            if self._group[0] != group.index:
                self._group = group.index, self.renderer.light(group)
            codes = self._group[1][frame - group.first].astype(np.float64)
            lit = duty_of_lightness(100 * codes) * WCAG_WEIGHTS
            shares = self.renderer.shares(frame)
            self._seen[frame] = [(cue.address, (lit * part).sum(axis=1)) for cue, part in shares]
        return self._seen[frame]
