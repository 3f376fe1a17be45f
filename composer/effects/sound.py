"""Effects that follow the sound itself: gauge. They look alike only where the song sounds alike."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from .basis import Light, Place, Times, flat, gradient, single


def gauge(times: Times, place: Place, p: Mapping[str, Any], seed: int) -> Light:
    """The loudness of a band as a length from the start of the line, or as light."""
    if p["band"] not in times.sound:
        raise ValueError(f'gauge needs the loudness of the band "{p["band"]}"')
    loud = single(times.sound[p["band"]])[:, None]
    loud = np.clip((loud - np.float32(p["floor"])) * np.float32(p["gain"] / (1 - p["floor"])), 0, 1)
    line = place.line(p["axis"], p["direction"])
    at = loud if p["paint"] == "loudness" else line.mid / np.float32(line.length)
    light = flat(p["colour"]) if len(p["colour"]) == 1 else gradient(p["colour"], at, p["mixing"])
    if p["shows"] == "light":
        return light, loud
    soft = line.pixels(p["soft"])
    return light, line.before(loud * np.float32(line.length + soft) - np.float32(soft / 2), soft)
