"""Softens the clips that flash too often, as little as is needed, until the flash audit of the bytes passes.

A clip is softened by averaging its light over some beats, then by taking opacity away; at the last step nothing of it
is left, so this ends. All placings of a clip are softened alike, and what a frame shows still depends on nothing but
its cues: bars that were alike stay alike, and frames that no softened clip reaches keep their bytes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..clock import SECOND, Group
from ..flash import FlashAudit, largest_of
from ..power.limiter import group_times_us
from ..render import Renderer
from ..timeline import MASTER_LAYER, Cue, Softness, clip_of, softened
from ..timeline import WHOLE_RIG as WHOLE_ZONE
from .flashing import LOOKS, WCAG_WEIGHTS, WHOLE_RIG, Movers
from .rolls import Frames
from .show import Show, Tell

# A step that flashes four times a second or more lasts half a beat or less at 120 beats a minute; averaged over its
# own length it is gone. Longer windows are for slower steps of a quicker song, and for edges that meet.
STEPS = (
    Softness(Fraction(1, 2)),
    Softness(Fraction(1)),
    Softness(Fraction(2)),
    Softness(Fraction(4)),
    Softness(Fraction(4), 0.5),
    Softness(Fraction(4), 0.25),
    Softness(Fraction(4), 0.0),
)
MOST_ROUNDS = 100
SPANS_A_ROUND = 64

Stream = Callable[[Show], Iterator[tuple[Group, Frames]]]
"""The bytes of a show, limiter and all, group by group."""


@dataclass(frozen=True)
class Softened:
    """A show whose clips are softened, and how far: clip -> number of the step, from 0."""

    show: Show
    steps: dict[str, int]

    def rows(self) -> list[dict[str, Any]]:
        """As in audit.json: `clip`, `over_beats` its light is averaged over, `opacity` left of it."""
        return [
            {"clip": clip, "over_beats": float(STEPS[step].beats), "opacity": STEPS[step].faint}
            for clip, step in self.steps.items()
        ]


def soften(show: Show, stream: Stream, tell: Tell) -> Softened:
    """The show with those clips softened that flash too often; with what is left where that does not suffice."""
    steps: dict[str, int] = {}
    now = show
    for number in range(MOST_ROUNDS):
        tell("softening", number / (number + 3))
        flashes = _flashes(now, stream)
        if flashes["ok"]:
            break
        raised = [clip for clip in _offenders(now, flashes) if steps.get(clip, -1) < len(STEPS) - 1]
        if not raised:
            break
        for clip in raised:
            steps[clip] = steps.get(clip, -1) + 1
        now = resoftened(show, steps)
    return Softened(now, dict(sorted(steps.items())))


def resoftened(show: Show, steps: dict[str, int]) -> Show:
    """A show with clips softened by so many steps."""
    return replace(show, cues=softened(show.cues, show.clock, {clip: STEPS[step] for clip, step in steps.items()}))


def steps_of(rows: list[dict[str, Any]]) -> dict[str, int]:
    """The steps behind the rows of an audit.json, as far as they are known."""
    known = {(float(step.beats), step.faint): number for number, step in enumerate(STEPS)}
    found = {row["clip"]: known.get((row["over_beats"], row["opacity"])) for row in rows}
    return {clip: step for clip, step in found.items() if step is not None}


def _flashes(show: Show, stream: Stream) -> dict[str, Any]:
    largest = largest_of(show.rig, (frames for _, frames in stream(show)))
    audit = FlashAudit(show.rig, largest=largest, distance_m=show.rig.viewing_m)
    for group, frames in stream(show):
        audit.add(group_times_us(group), frames)
    return audit.result()


def _offenders(show: Show, flashes: dict[str, Any]) -> list[str]:
    """Clips as written whose own light moves most where the show flashes, those of every span."""
    renderer = Renderer(show.rig, show.clock, show.cues, show.song.loudness)
    movers, alone = Movers(renderer), _Alone(renderer)
    zones = [*flashes["zones"].items(), (WHOLE_RIG, flashes["rig"])]
    if flashes["area"] is not None:
        zones.append((WHOLE_RIG, flashes["area"]))
    spans = [
        (max(row["worst_per_s"], row["red_worst_per_s"]), zone, *span) for zone, row in zones for span in row["over_s"]
    ]
    out: dict[str, None] = {}
    for _, zone, from_s, to_s in sorted(spans, key=lambda span: (-span[0], span[2]))[:SPANS_A_ROUND]:
        clips = list(dict.fromkeys(clip_of(address) for address in movers.within(zone, from_s, to_s)))
        swings = {clip: alone.swing(clip, zone, from_s, to_s) for clip in clips}
        least = max(swings.values(), default=0.0) / 4
        out |= dict.fromkeys(clip for clip, swing in swings.items() if swing >= least and swing > 0)
    return list(out)


class _Alone:
    """How much a clip moves by itself, over black and over white: what lies still while others cover it moves not."""

    def __init__(self, renderer: Renderer) -> None:
        self.renderer = renderer
        self._renderers: dict[str, tuple[Renderer, Renderer]] = {}

    def swing(self, clip: str, zone: str, from_s: float, to_s: float) -> float:
        """The larger of both swings of a zone's luminance in a span's first second, in pixels of white."""
        rig, clock = self.renderer.rig, self.renderer.clock
        pixels = np.arange(rig.pixels) if zone == WHOLE_RIG else np.array(rig.zones[zone].pixels)
        first = clock.frame_at_us(round(from_s * SECOND))
        end = min(clock.frames, clock.frame_at_us(round(min(to_s, from_s + 1) * SECOND)) + 1)
        step = max(1, (end - first) // LOOKS)
        frames = range(min(first, end - 1), end, step)
        return max(self._swing(renderer, frames, pixels) for renderer in self._of(clip))

    def _of(self, clip: str) -> tuple[Renderer, Renderer]:
        if clip not in self._renderers:
            whole = self.renderer
            cues = [replace(cue, mix="replace") for cue in whole.cues if cue.clip == clip and cue.layer < MASTER_LAYER]
            white = Cue(
                address="", effect="hold", zone=WHOLE_ZONE, first=0, end=whole.clock.frames, start=whole.clock.start,
                length=whole.clock.end - whole.clock.start, layer=-MASTER_LAYER, order=0, mix="replace", opacity=1.0,
                fade_in=None, fade_out=None, params=(("colour", ((1.0, 1.0, 1.0),)),), seed=0,
            )  # fmt: skip
            over = [cues, [white, *cues]]
            black, bright = (Renderer(whole.rig, whole.clock, each, whole.loudness) for each in over)
            self._renderers[clip] = black, bright
        return self._renderers[clip]

    def _swing(self, renderer: Renderer, frames: range, pixels: NDArray[np.int64]) -> float:
        lit = []
        light: dict[int, NDArray[np.float32]] = {}
        for frame in frames:
            group = renderer.clock.group_at(frame)
            if group.index not in light:
                light[group.index] = renderer.light(group)
            lit.append(float((light[group.index][frame - group.first][pixels] @ WCAG_WEIGHTS).sum()))
        return max(lit, default=0.0) - min(lit, default=0.0)
