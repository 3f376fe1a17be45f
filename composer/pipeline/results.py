"""Everything that is found out about a show's bytes: amperes, volts, flashes, sizes. Fed with frames read back."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from exporters import report
from exporters.rollfile import RollStats

from ..clock import SECOND, FrameClock, Group
from ..flash import FlashAudit, largest_of
from ..power import CurrentModel, PowerAudit, advice
from ..power.limiter import SKEW_MS, group_times_us
from ..render import Renderer
from ..rig import Rig
from ..wire import Wiring
from .rolls import PLAYER_BYTES, Frames
from .sheet import sheet_of
from .show import Show

NOTES = (
    "Budgets are judged by the high figures of each chip: parts sold under one name differ by half and more. Measure "
    "your own strings.",
    "Amperes are worked out from the bytes of every frame as they stand in the rolls.",
    "The room for player and settings on a board is an allowance of 48 KiB.",
)


def audit(
    rig: Rig,
    frames: Callable[[], Iterable[tuple[Group, Frames]]],
    address: Callable[[float], str],
    gains: Iterator[Any] | None = None,
) -> tuple[dict[str, Any], PowerAudit]:
    """Amperes, volts and flashes of a show. `frames` opens the read-back anew for each pass.

    Returns the mapping for audit.json (`supplies`, `feeds`, `strings`, `advice`, `flashes`, `sources`, `notes`) and the
    `PowerAudit`, which keeps the amperes of every frame. `gains`: the limiter's, one array a group.
    """
    model = CurrentModel(rig)
    power = PowerAudit(model)

    def first_pass() -> Iterator[Frames]:
        seen: set[int] = set()
        for group, block in frames():
            power.add(group, block, None if gains is None else next(gains))
            if id(block) not in seen:  # a bar that repeats cannot be brighter than itself
                seen.add(id(block)) if not block.flags.writeable else None
                yield block

    largest = largest_of(rig, first_pass())
    flash = FlashAudit(rig, largest=largest)
    for group, block in frames():
        flash.add(group_times_us(group), block)
    found = power.result(address)
    found["advice"] = advice(model, found, power.worst_amps)
    found["flashes"] = flash.result()
    found["sources"] = model.sources()
    found["notes"] = list(NOTES)
    return found, power


def address_of(clock: FrameClock) -> Callable[[float], str]:
    """Names a time in seconds as bar.beat: the beat that is sounding."""

    def name(seconds: float) -> str:
        return clock.grid.address(Fraction(math.floor(clock.beat_at_us(round(seconds * SECOND)))))

    return name


def who_draws(show: Show, renderer: Renderer, power: PowerAudit) -> dict[str, list[dict[str, Any]]]:
    """For each supply the rows of its peak: clips by amperes, then dark pixels and boards. They sum to `peak_a`.

    A clip's amperes are its part of each colour of each pixel, times what the pixel draws for that colour: a pixel's
    amperes are shared among its colours by their duty on the wire.
    """
    model, wiring = power.model, Wiring(show.rig)
    rows: dict[str, list[dict[str, Any]]] = {}
    for i, name in enumerate(model.supplies):
        amps = model.pixel_a(power.peak_bytes[name])[0]
        amps = np.where(model.supply_of_pixel == i, amps, 0.0)
        by_clip: dict[str, float] = {}
        left = amps.copy()
        duty = wiring.duty_of(power.peak_bytes[name])[0]
        total = duty.sum(axis=1, keepdims=True)
        by_colour = amps[:, None] * np.divide(duty, total, out=np.zeros_like(duty), where=total > 0)
        for cue, part in renderer.shares(power.peak_frame[name]):
            drawn = (by_colour * part).sum(axis=1)
            left -= drawn
            by_clip[cue.address] = by_clip.get(cue.address, 0.0) + float(drawn.sum())
        out: list[dict[str, Any]] = [
            {"clip": clip, "a": a} for clip, a in sorted(by_clip.items(), key=lambda item: -item[1]) if a > 0
        ]
        rest = float(left.sum())
        if out and abs(rest) <= 1e-6:  # the shares are float32
            out[0]["a"] += rest
        elif rest:
            out.append({"clip": "rounding", "a": rest})
        out.append({"clip": "idle", "a": float(model.idle_a()[i])})
        out.append({"clip": "boards", "a": float(model.boards_a()[i])})
        rows[name] = out
    return rows


def remarks(show: Show) -> list[str]:
    """What a person should know of how the song was heard, a line each."""
    lines = [f"{show.song.song.file}: {note}" for note in show.song.heard.get("notes", ())]
    if not show.song.beats:
        lines.append(f"{show.song.song.file}: no beat was heard: the show runs on an even clock of 120 beats a minute")
    return lines


def boards(rig: Rig, stats: dict[str, RollStats], seconds: float) -> dict[str, dict[str, Any]]:
    """Whether each controller's roll fits its board, in bytes."""
    out = {}
    for name, stat in stats.items():
        board = rig.controllers[name].board
        fits = stat.file_bytes + PLAYER_BYTES <= board.fs_bytes and stat.ram_bytes <= board.ram_bytes
        out[name] = {
            "board": board.name,
            "roll_bytes": stat.file_bytes,
            "board_bytes": board.fs_bytes,
            "fits": fits,
            "ram_bytes": stat.ram_bytes,
            "board_ram_bytes": board.ram_bytes,
            "bytes_per_s": stat.file_bytes / seconds if seconds else 0.0,
            "raw_bytes": stat.raw_bytes,
            "frame_us": rig.frame_us(name),
        }
    return out


def allot(found: dict[str, Any], allotments: Mapping[str, Mapping[str, int]]) -> None:
    """Add each supply's `allotments` (controller -> amperes, as its roll has them), and say where boards that share a
    supply reach their highest at different times."""
    for name, row in found["supplies"].items():
        row["allotments"] = {board: of[name] / 1000 for board, of in allotments.items() if name in of}
        if len(row["boards"]) > 1 and sum(row["boards"].values()) > row["budget_a"] >= row["skewed_a"]:
            found["notes"].append(
                f"{name}: its boards draw most at different times. Its budget holds while they are at most "
                f"{SKEW_MS:g} ms apart, not if one of them runs on alone."
            )


def complaints(found: dict[str, Any]) -> list[str]:
    """Why a show fails, a line each: supplies and feeds over their budget, rolls that do not fit their board."""
    lines = []
    for name, row in found["supplies"].items():
        if row["peak_a"] > row["budget_a"]:
            lines.append(
                f"supply.{name}: {row['peak_a']:.2f} A at {row['peak_at']} ({row['peak_s']:.2f} s) is over its budget "
                f"of {row['budget_a']:.2f} A"
            )
    for name, row in found["feeds"].items():
        if row["limit_a"] is not None and row["peak_a"] > row["limit_a"]:
            what = f"{row['fuse_a']:g} A fuse" if row["fuse_a"] is not None else f"wire, {row['wire_basis']}"
            lines.append(
                f"feed {name}: {row['peak_a']:.2f} A ({row['peak_s']:.2f} s) is over the {row['limit_a']:.2f} A of its "
                f"{what}"
            )
    for name, row in found.get("controllers", {}).items():
        if not row["fits"]:
            need, have = row["roll_bytes"] + PLAYER_BYTES, row["board_bytes"]
            what = (
                f"{need} bytes of roll and player on a board with {have}"
                if need > have
                else f"{row['ram_bytes']} bytes of memory on a board with {row['board_ram_bytes']}"
            )
            lines.append(
                f"controller.{name}: does not fit: {what}; fewer frames a second, or a larger board, make it fit"
            )
    return lines


def write(out: Path, rig: Rig, found: dict[str, Any], series: report.Series) -> None:
    """audit.json, audit.html and sheet.html."""
    report.write_json(out / "audit.json", found)
    report.write_audit_html(out / "audit.html", found, series)
    report.write_build_sheet(out / "sheet.html", sheet_of(series.title, rig, found, series.seconds))


def series_of(
    title: str, power: PowerAudit, bars: list[tuple[float, int]], sections: list[Any], seconds: float
) -> report.Series:
    """What the audit's page plots."""
    return report.Series(
        times_s=power.times_us / 1e6,
        amps={name: power.amps[:, i] for i, name in enumerate(power.model.supplies)},
        bars=bars,
        sections=sections,
        seconds=seconds,
        title=title,
        volts={name: volts.T for name, volts in power.strip_v.items()},
        volt_times_s=power.group_us / SECOND,
    )


def bar_lines(show: Show) -> list[tuple[float, int]]:
    """(seconds, bar number) of every bar line in the song."""
    grid, clock = show.clock.grid, show.clock
    first, last = grid.bar_of(clock.start) + 1, grid.bar_of(clock.end)
    places = [(clock.us_at(grid.bar_start(bar)), bar) for bar in range(first, last + 1)]
    return [(us / SECOND, bar) for us, bar in places if 0 <= us <= show.song_us]


def section_spans(show: Show) -> list[tuple[float, float, str]]:
    """(start, end, name) of the song's sections, seconds."""
    return [(s.start, s.end, s.name) for s in show.song.sections]
