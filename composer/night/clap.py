"""The clap test: all boards flash dimly as the loudspeaker clicks, and a person trims until the two are one.

Its flashes are one in two seconds, far below any figure that is held against flashing, and as dim as they can be seen.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterable

import numpy as np

from ..faults import Faults
from ..pipeline.lamps import Lamps
from ..pipeline.playing import dim_white, link
from .sound import Samples, Sound
from .stage import STEP_OFFSET_MS, Controls

PERIOD_S = 2.0
FLASH_S = 0.1
READY_S = 0.6  # before a flash its frame is on the boards: enough for slow links, and no board forgets it by then
RATE = 44_100
MINUTES = 10


def click_track(rate: int = RATE) -> Samples:
    """Ten minutes of clicks, int16 (samples, 1): one at every whole period, 5 ms of a sharp tone."""
    at = np.arange(round(0.005 * rate)) / rate
    click = 0.5 * np.sin(2 * np.pi * 2000 * at) * np.exp(-at / 0.0015)
    out = np.zeros((round(60 * MINUTES * rate), 1), np.int16)
    for number in range(int(60 * MINUTES / PERIOD_S)):
        first = round(number * PERIOD_S * rate)
        out[first : first + len(click), 0] = (click * 32767).astype(np.int16)
    return out


def clap(
    lamps: Lamps,
    sound: Sound,
    controls: Controls,
    keys: Callable[[], Iterable[str]] = lambda: (),
    show: Callable[[str], None] = lambda text: None,
    wait: Callable[[float], None] = time.sleep,
) -> float:
    """Flash and click until `q`, a signal, or ten minutes have passed; returns the offset that was found, ms.

    `sound` plays `click_track`. Raises `Faults` where the sound fails or no board is left.
    """
    white, dark = dim_white(lamps.rig), np.zeros(lamps.rig.frame_bytes, np.uint8)
    sound.start(-PERIOD_S / 2)
    number, lit, ready = 0, False, False
    while not controls.asked and number * PERIOD_S < 60 * MINUTES:
        for key in keys():
            if key == "quit":
                return controls.offset_ms
            if key in ("later", "earlier"):
                controls.offset_ms += STEP_OFFSET_MS if key == "later" else -STEP_OFFSET_MS
        if sound.fault or not lamps.boards:
            raise Faults.one("clap test", "", sound.fault or "no board is left")
        light_s = sound.position() - controls.offset_ms / 1000 + lamps.latency_s
        to_go_s = number * PERIOD_S - light_s
        if not ready and not lit and to_go_s <= READY_S:
            _put(lamps, white)
            ready = True
        elif ready and to_go_s <= 0:
            _show(lamps)
            _put(lamps, dark)
            lit, ready = True, False
        elif lit and to_go_s <= -FLASH_S:
            _show(lamps)
            lit, number = False, number + 1
        show(f"clap test | offset {controls.offset_ms:+.0f} ms | ] light later, [ earlier, q when they are one")
        wait(0.001)
    return controls.offset_ms


def _put(lamps: Lamps, frame: np.ndarray) -> None:
    with contextlib.suppress(link.LinkError):  # a board that is gone leaves the others
        lamps.put(frame)


def _show(lamps: Lamps) -> None:
    with contextlib.suppress(link.LinkError):
        lamps.show()
