"""How many pixel-frames a second one core renders: clips to light, and light to bytes.

    python benchmarks/render.py [PIXELS]

One string of PIXELS (1,000 unless said), groups of a beat's 24 frames, each rendered anew: nothing is taken from a
cache. For each effect with its defaults, for one layer (the mean time over all effects) and for four (every effect
with the three after it in the table). Beside each the same drawings laid on each other in plain numpy. Times are
processor time, the least of several rounds after one that compiles. Goals: 60 million a second with one layer, 25
million with four.
"""

from __future__ import annotations

import os
import platform
import sys
import tomllib
from collections.abc import Callable
from pathlib import Path
from time import process_time
from typing import Any

ROOT = Path(__file__).resolve().parent.parent
ROUNDS = 5
GROUPS = 16
GOALS = {1: 60.0, 4: 25.0}

for variable in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(variable, "1")
sys.path.insert(0, str(ROOT))

import numpy as np  # noqa: E402
from numpy.typing import NDArray  # noqa: E402

from composer import effects, kernels, songmap, timeline  # noqa: E402
from composer.clock import SECOND, BarGrid, FrameClock, frame_clock  # noqa: E402
from composer.faults import FaultList  # noqa: E402
from composer.render import Renderer  # noqa: E402
from composer.rig import Rig, rig_from  # noqa: E402
from composer.score import score_from  # noqa: E402
from composer.wire import Wiring  # noqa: E402

RIG = """
[supply.shed]
volts = 5.0
amps = 60.0
[controller.quay]
board = "pico-2"
[string.rail]
controller = "quay"
pin = 16
pixels = {pixels}
chip = "ws2812b"
path = [[0, 0], [20, 0], [20, 5]]
[[string.rail.feed]]
supply = "shed"
"""
BEATS = 64
BEAT_S = 0.6


def rig_of(pixels: int) -> Rig:
    faults = FaultList("rig.toml")
    rig = rig_from(tomllib.loads(RIG.format(pixels=pixels)), Path("rig.toml"), faults)
    faults.raise_if_any()
    return rig


def song() -> songmap.SongMap:
    beats = tuple(round(i * BEAT_S, 6) for i in range(BEATS))
    curve = tuple(0.5 + 0.5 * (i * 37 % 101) / 101 for i in range(int(BEATS * BEAT_S * 20)))
    bars = tuple(range(0, BEATS, 4))
    return songmap.SongMap(
        song=songmap.SongFile("tide.wav", "0" * 64, BEATS * BEAT_S, 44_100, "made"),
        grid=songmap.grid_id(bars, 4),
        tempo=songmap.tempo_of(beats),
        beats=beats,
        bars=bars,
        beats_per_bar=4,
        confidence=1.0,
        onsets=dict.fromkeys(songmap.BANDS, ()),
        hits=dict.fromkeys(songmap.DRUMS, ()),
        sections=(),
        loudness=songmap.Loudness(0.05, curve, curve, curve, curve),
        labels={},
        heard={},
    )


def renderer(names: tuple[str, ...], rig: Rig, heard: songmap.SongMap, clock: FrameClock) -> Renderer:
    """A renderer with a clip over the whole song of each effect, on a layer of its own, half covering."""
    clips = [
        f'[[clip]]\nzone = "rail"\neffect = "{name}"\nbars = "1-16"\nlayer = {i}\nopacity = {1 if i == 0 else 0.5}\n'
        for i, name in enumerate(names)
    ]
    faults = FaultList("score.toml")
    score = score_from(tomllib.loads('song = "tide.wav"\n' + "".join(clips)), Path("score.toml"), faults)
    cues = timeline.lay(score, heard, rig, clock, faults)
    faults.raise_if_any()
    return Renderer(rig, clock, cues, heard.loudness)


# ---- the baseline ------------------------------------------------------------------------------------------------


def plain_lay(out: Any, pixels: Any, light: Any, cover: Any, opacity: Any, first: int, mix: int) -> None:
    """`kernels.lay` for REPLACE as one would write it in numpy."""
    assert mix == kernels.REPLACE
    share = (cover * opacity[:, None])[:, :, None]
    rows = out[first : first + len(opacity)]
    below = rows[:, pixels]
    rows[:, pixels] = below + (light - below) * share


def rate(work: Callable[[], Any], pixel_frames: int) -> float:
    """Million pixel-frames a second: the best of several rounds."""
    work()
    best = min(_seconds(work) for _ in range(ROUNDS))
    return pixel_frames / best / 1e6


def _seconds(work: Callable[[], Any]) -> float:
    start = process_time()
    work()
    return process_time() - start


def with_lay(lay: Callable[..., None], work: Callable[[], Any]) -> Callable[[], Any]:
    def run() -> None:
        fused, kernels.lay = kernels.lay, lay
        try:
            work()
        finally:
            kernels.lay = fused

    return run


def main() -> None:
    pixels = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    os.sched_setaffinity(0, {max(os.sched_getaffinity(0))})
    rig, heard = rig_of(pixels), song()
    song_us = round(heard.song.seconds * SECOND)
    clock = frame_clock(BarGrid.of(heard.beats, heard.bars, 4, song_us), song_us, 40.0)
    groups = clock.groups[20 : 20 + GROUPS]
    pixel_frames = pixels * sum(group.frames for group in groups)
    print(f"{platform.platform()}, Python {platform.python_version()}, one core, {pixels} pixels x {groups[0].frames}")
    print("million pixel-frames a second; laid by numba, by numpy, ratio\n")

    def measure(names: tuple[str, ...]) -> tuple[float, float]:
        show = renderer(names, rig, heard, clock)

        def work() -> None:
            for group in groups:
                show.light(group)

        return rate(work, pixel_frames), rate(with_lay(plain_lay, work), pixel_frames)

    names = list(effects.DRAWERS)
    for layers in (1, 4):
        rows = [tuple(names[(i + k) % len(names)] for k in range(layers)) for i in range(len(names))]
        found = [measure(row) for row in rows]
        for row, (fused, plain) in zip(rows, found, strict=True):
            print(f"  {'+'.join(row):32} {fused:8.1f} {plain:8.1f} {fused / plain:6.1f}x")
        # As much of each: the mean of the times, not of the rates.
        fused, plain = (len(found) / sum(1 / pair[i] for pair in found) for i in (0, 1))
        met = "met" if fused >= GOALS[layers] else "MISSED"
        print(
            f"{layers} layers{'':26} {fused:8.1f} {plain:8.1f} {fused / plain:6.1f}x   goal {GOALS[layers]:g}: {met}\n"
        )
    wiring = Wiring(rig)
    lights: list[NDArray[np.float32]] = [renderer(("blend",), rig, heard, clock).light(group) for group in groups]
    bytes_rate = rate(lambda: [wiring.bytes_of(light) for light in lights], pixel_frames)
    print(f"light to bytes{'':20} {bytes_rate:8.1f}")


if __name__ == "__main__":
    main()
