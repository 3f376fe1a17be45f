"""Who draws the amperes: each clip's part of what a supply gives, at its peak and on average."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..power import CurrentModel, PowerAudit
from ..render import Renderer
from ..timeline import Cue, clip_of
from ..wire import Duties
from .rolls import Frames

MOST_CLIPS = 12  # rows of clips on average


def add_clips(found: dict[str, Any], renderer: Renderer, power: PowerAudit) -> None:
    """Add to each supply who draws it: `clips` at its peak, `mean_clips` and `thin_out` on average."""
    on_average = draw_on_average(renderer, power)
    for name, rows in who_draws(renderer, power).items():
        found["supplies"][name] |= {"clips": rows, **on_average[name]}


def who_draws(renderer: Renderer, power: PowerAudit) -> dict[str, list[dict[str, Any]]]:
    """For each supply the rows of its peak: clips by amperes, then dark pixels and boards. They sum to `peak_a`.

    A clip's amperes are its part of each colour of each pixel, times what the pixel draws for that colour: a pixel's
    amperes are shared among its colours by their duty on the wire.
    """
    model = power.model
    share = _Sharing(model)
    idle, boards = model.idle_a(), model.boards_a()
    rows: dict[str, list[dict[str, Any]]] = {}
    for frame in sorted(set(power.peak_frame.values())):
        mine = [name for name in model.supplies if power.peak_frame[name] == frame]
        by_clip, rest = share.by_clip(power.peak_bytes[mine[0]], renderer.shares(frame))
        for name in mine:
            i = model.supplies.index(name)
            out = _ranked({clip: float(amps[i]) for clip, amps in by_clip.items()})
            left = float(rest[i])
            if out and abs(left) <= 1e-6:  # the shares are float32
                out[0]["a"] += left
            elif left:
                out.append({"clip": "rounding", "a": left})
            out.append({"clip": "idle", "a": float(idle[i])})
            out.append({"clip": "boards", "a": float(boards[i])})
            rows[name] = out
    return rows


def draw_on_average(renderer: Renderer, power: PowerAudit) -> dict[str, dict[str, list[dict[str, Any]]]]:
    """For each supply: `mean_clips`, who draws how much over the whole show, and `thin_out`, over the frames that the
    limiter dimmed: clips as written, all their placings together, the largest first.

    Both from a few dozen frames at most spread over them, so a short clip may be missed.
    """
    share = _Sharing(power.model)
    total: dict[str, dict[str, dict[str, float]]] = {
        name: {"mean_clips": {}, "thin_out": {}} for name in power.model.supplies
    }
    for frame in sorted(power.samples.keys() | {frame for kept in power.dimmed.values() for frame in kept}):
        of = [
            (i, key, kept)
            for i, name in enumerate(power.model.supplies)
            for key, kept in (("mean_clips", power.samples), ("thin_out", power.dimmed[name]))
            if frame in kept
        ]
        by_clip = share.by_clip(of[0][2][frame], renderer.shares(frame))[0]
        for i, key, kept in of:
            sums = total[power.model.supplies[i]][key]
            for address, amps in by_clip.items():
                clip = clip_of(address)
                sums[clip] = sums.get(clip, 0.0) + float(amps[i]) / len(kept)
    return {name: {key: _ranked(by_clip)[:MOST_CLIPS] for key, by_clip in rows.items()} for name, rows in total.items()}


class _Sharing:
    """Shares what the supplies give in one frame out among the clips that light it."""

    def __init__(self, model: CurrentModel) -> None:
        self.model, self.duties = model, Duties(model.rig)

    def by_clip(
        self, block: Frames, shares: Iterable[tuple[Cue, NDArray[np.float32]]]
    ) -> tuple[dict[str, NDArray[np.float64]], NDArray[np.float64]]:
        """Amperes above idle by clip in a frame uint8 (1, frame_bytes), (supplies,), and what no clip accounts for."""
        amps = self.model.pixel_a(block)[0]
        duty = self.duties.of(block)[0]
        total = duty.sum(axis=1, keepdims=True)
        by_colour = amps[:, None] * np.divide(duty, total, out=np.zeros_like(duty), where=total > 0)
        out: dict[str, NDArray[np.float64]] = {}
        left = amps.copy()
        for cue, part in shares:
            drawn = np.einsum("pc,pc->p", by_colour, part)
            left -= drawn
            out[cue.address] = out.get(cue.address, 0.0) + self._by_supply(drawn)
        return out, self._by_supply(left)

    def _by_supply(self, amps: NDArray[np.float64]) -> NDArray[np.float64]:
        sums: NDArray[np.float64] = np.bincount(self.model.supply_of_pixel, amps, len(self.model.supplies))  # type: ignore[assignment]
        return sums


def _ranked(by_clip: Mapping[str, float]) -> list[dict[str, Any]]:
    return [{"clip": clip, "a": a} for clip, a in sorted(by_clip.items(), key=lambda item: -item[1]) if a > 0]
