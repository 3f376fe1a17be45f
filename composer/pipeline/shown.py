"""What a page is told of a live show beside its bars: the rig, the sound, the audit, whose each clip is, boards."""

from __future__ import annotations

import itertools
import math
import wave
from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from exporters import report
from exporters.link import serial_ports

from .. import score as scores
from ..clock import SECOND, Group
from ..wire import duty_of_lightness, screen_of_duty
from . import results, softening
from .live import View
from .rolls import Frames
from .show import Show

BLOCK = 1 << 12  # columns of the waveform that are worked out at once


def swatch(codes: Sequence[float]) -> str:
    """The screen's `#rrggbb` for light codes 0-1, through the same curves as the pixels on the page."""
    screen = screen_of_duty(duty_of_lightness(100 * np.asarray(codes, np.float64)))
    return "#" + bytes(screen).hex()


def screen_table() -> NDArray[np.uint8]:
    """Screen codes uint8 (511,) by a channel's byte on the wire plus the white die's, as `wire.Duties` adds."""
    return screen_of_duty(np.minimum(np.arange(511) / 255, 1))


def rig_facts(view: View) -> tuple[dict[str, Any], dict[str, NDArray[Any]]]:
    """A rig for a page that draws it: facts, and arrays `places` (metres), `zone_pixels`, `screen`."""
    rig = view.show.rig
    strings = [
        {
            "name": s.name, "controller": s.controller, "first": rig.pixel_slices[s.name].start, "pixels": s.pixels,
            "channels": s.channels, "order": s.order, "chip": s.chip.name,
            "supplies": list(dict.fromkeys(supply for _, _, supply in s.segments)), "lowest_v": s.chip.min_v,
        }
        for s in rig.strings.values()
    ]  # fmt: skip
    places = np.array(rig.places, np.float32).reshape(-1, 2)
    facts = {
        "pixels": rig.pixels,
        "strings": strings,
        "controllers": [{"name": c.name, "board": c.board.name} for c in rig.controllers.values()],
        "supplies": [
            {"name": s.name, "volts": s.volts, "amps": s.amps, "budget_a": s.budget_a} for s in rig.supplies.values()
        ],
        "bounds": [float(v) for v in (*places.min(axis=0), *places.max(axis=0))],
    }
    members = [np.array(zone.pixels, np.int32) for zone in rig.zones.values()]
    zone_pixels = np.concatenate(members) if members else np.zeros(0, np.int32)
    return facts, {"places": places, "zone_pixels": zone_pixels, "screen": screen_table()}


def decoded(song: Path, path: Path, per_s: float) -> dict[str, NDArray[Any]]:
    """Write a song as it is decoded to be heard, mono, 16 bits, as WAV; the waveform at `per_s` a second:
    `low`, `high` int8 (n,), `loud` (root of the mean square) uint8 (n,). Raises `Faults`."""
    from .. import analysis

    samples, rate, _ = analysis.decode(song)
    np.nan_to_num(samples, copy=False)
    # A float file may pass full scale: softer, not clipped.
    louder = max(1.0, float(samples.max(initial=0.0)), -float(samples.min(initial=0.0)))
    edges = (np.arange(max(1, math.ceil(len(samples) * per_s / rate)) + 1) * rate / per_s).astype(np.int64)
    edges[-1] = len(samples)
    parts: dict[str, list[NDArray[Any]]] = {"low": [], "high": [], "loud": []}
    with wave.open(str(path), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(rate)
        for first in range(0, len(edges) - 1, BLOCK):  # in blocks, since a song may last an hour
            inner = edges[first : first + BLOCK + 1]
            block = samples[inner[0] : inner[-1]] / louder
            file.writeframes(np.rint(block * 32767).astype("<i2").tobytes())
            starts = inner[:-1] - inner[0]
            power = np.add.reduceat(np.square(block, dtype=np.float64), starts) / np.diff(inner)
            parts["low"].append(np.rint(np.minimum.reduceat(block, starts) * 127).astype(np.int8))
            parts["high"].append(np.rint(np.maximum.reduceat(block, starts) * 127).astype(np.int8))
            parts["loud"].append(np.rint(np.sqrt(power) * 255).astype(np.uint8))
    return {name: np.concatenate(blocks) for name, blocks in parts.items()}


def decoder_folder() -> Path:
    """Where the decoder of rolls in JavaScript lies."""
    import exporters

    return Path(exporters.__file__).parent / "players" / "js"


def plugged_in() -> dict[str, Any]:
    """Serial ports on USB, where boards may be: `ports`; `can_load` is False where this installation sees none."""
    try:
        return {"ports": [{"port": port} for port in serial_ports()], "can_load": True}
    except ImportError:
        return {"ports": [], "can_load": False}


class Superseded(Exception):
    """The show has changed meanwhile: what was being worked out is of no use."""


def audit_of(view: View, mode: str, going: Callable[[float], bool]) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """The audit of the bytes that this version would bake, as in audit.json, and its marks for the page.

    `going` is told how far it is and says whether to go on; else `Superseded` is raised. Raises ShowFails.
    """
    show, address = view.show, results.address_of(view.show.clock)
    gains: deque[NDArray[np.float64]] = deque()
    total = 2 * max(1, len(show.clock.groups))
    done = itertools.count()

    def frames() -> Iterator[tuple[Group, Frames]]:
        for group, block, gain in view.stream(mode):
            if not going(next(done) / total):
                raise Superseded
            gains.append(gain)
            yield group, block

    def gains_by_group() -> Iterator[NDArray[np.float64]]:
        while True:
            yield gains.popleft()

    found, power = results.audit(show.rig, frames, address, gains_by_group(), view.renderer)
    results.add_clips(found, view.renderer, power)
    found["limiter"] = mode
    found["notes"] += results.remarks(show)
    return found, list(_marks(view, found))


def softened(view: View, going: Callable[[float], bool]) -> dict[str, int]:
    """How far clips must be softened for the flash audit of what is baked to pass, as a bake of this score finds it.

    `going` as `audit_of`; raises `Superseded`.
    """

    def tell(what: str, share: float) -> None:
        if not going(share):
            raise Superseded

    def stream(show: Show) -> Iterator[tuple[Group, Frames]]:
        for group, block, _ in View(show, view.kept).stream(show.score.limiter):
            if not going(0.0):
                raise Superseded
            yield group, block

    return softening.soften(view.written, stream, tell).steps


def softened_rows(view: View) -> list[dict[str, Any]]:
    """The clips that are softened in a version, as in audit.json."""
    return softening.Softened(view.show, view.steps).rows()


def _marks(view: View, found: Mapping[str, Any]) -> Iterator[dict[str, Any]]:
    """What stands out, with its moment: peaks of supplies, lowest volts of strings that get too little, flashes."""
    labels = {block.label: block.where for block in view.show.score.blocks()}
    labels |= {trigger.clip.label: trigger.where for trigger in view.show.score.triggers}
    address = results.address_of(view.show.clock)

    def mark(kind: str, from_s: float, to_s: float, clips: Sequence[str], text: str, **names: str) -> dict[str, Any]:
        clock = view.show.clock
        us = round(from_s * SECOND), round(to_s * SECOND)
        wheres = [labels.get(clip.rpartition("@")[0] or clip, "") for clip in clips]
        return {
            "kind": kind, "zone": None, "string": None, "supply": None, **names, "from_us": us[0], "to_us": us[1],
            "from": float(clock.beat_at_us(us[0])), "to": float(clock.beat_at_us(us[1])), "at": address(from_s),
            "clips": list(clips), "wheres": list(dict.fromkeys(where for where in wheres if where)), "text": text,
        }  # fmt: skip

    for name, row in found["supplies"].items():
        over = row["peak_a"] > row["budget_a"]
        clips = [part["clip"] for part in row["clips"] or () if part["clip"] not in ("idle", "boards", "rounding")][:4]
        peak, budget = report.apart(row["peak_a"], row["budget_a"])
        text = f"{name}: {peak} of {budget}"
        yield mark("over" if over else "peak", row["peak_s"], row["peak_s"], clips, text, supply=name)
    for name, row in found["strings"].items():
        if row["ok"] is False:
            least, needed = report.apart(row["min_v"], row["limit_v"], "V")
            text = f"{name}: falls to {least}, its chip needs {needed}"
            yield mark("volts", row["min_v_s"], row["min_v_s"], (), text, string=name)
    for row in found["flashes"]["spans"]:
        text = f"{row['zone']}: more than three flashes in a second"
        zone = row["zone"] if row["zone"] in view.show.rig.zones else ""
        yield mark("flash", row["from_s"], row["to_s"], row["clips"] or (), text, **({"zone": zone} if zone else {}))


# ---- who is who --------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Placing:
    """A placed phrase: the place in the file that places it (`order.chorus[1]`, `clip[7]`), and its cues' numbers."""

    where: str
    phrase: str
    cues: range


def origins(show: Show) -> tuple[list[str], list[Placing], list[int]]:
    """For each cue of a good show the place in the file that wrote it; the placings; each cue's outermost placing.

    The timeline numbers what it lays in the order of the file: each clip, and each placing before what it holds.
    """
    score = show.score
    wheres: dict[int, str] = {}
    inside: dict[int, int] = {}
    placings: list[Placing] = []
    number = itertools.count(1)

    def walk(blocks: tuple[scores.Block, ...], outer: int) -> None:
        for block in blocks:
            if block.phrase:
                place(block.phrase, block.where, outer)
            else:
                at = next(number)
                wheres[at], inside[at] = block.where, outer

    def place(phrase: str, where: str, outer: int) -> None:
        first = next(number)
        mine = outer
        if outer < 0:
            mine = len(placings)
            placings.append(Placing(where, phrase, range(0)))
        walk(score.phrases.get(phrase, ()), mine)
        if outer < 0:
            end = next(number)
            number_back(end)
            placings[mine] = Placing(where, phrase, range(first + 1, end))

    def number_back(at: int) -> None:
        nonlocal number
        number = itertools.count(at)

    walk(score.clips, -1)
    for name, moments in score.order.items():
        for i in range(len(moments)):
            place(name, f"order.{name}[{i + 1}]", -1)
    by_label: Mapping[str, str] = {trigger.clip.label: trigger.where for trigger in score.triggers}
    found, of = [], []
    for cue in show.cues:
        found.append(wheres.get(cue.order) or by_label.get(cue.address.rpartition("@")[0], "master"))
        of.append(inside.get(cue.order, -1))
    return found, placings, of
