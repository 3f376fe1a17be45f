"""Everything that is found out about a show's bytes: amperes, volts, flashes, sizes. Fed with frames read back."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from fractions import Fraction
from pathlib import Path
from typing import Any

from exporters import report

from ..clock import SECOND, FrameClock, Group
from ..faults import listed
from ..flash import Brightest, FlashAudit, Largest
from ..power import CurrentModel, PowerAudit, advice
from ..power.limiter import group_times_us
from ..render import Renderer
from ..rig import Rig
from .doubts import doubts
from .flashing import spans_of
from .packing import board_row
from .rolls import Frames, opened
from .sheet import sheet_of
from .show import Show
from .who import add_clips as add_clips

Watch = Callable[[Group, Frames], None]

NOTES = (
    "Budgets are judged by the high figures of each chip: parts sold under one name differ by half and more. Measure "
    "your own strings.",
    "Amperes are worked out from the bytes of every frame as they stand in the rolls.",
)


def flashes_in(
    rig: Rig, stream: Iterable[tuple[Group, Frames]], largest: Largest, watch: Watch | None = None
) -> FlashAudit:
    """The flashes of a show whose largest luminances are known. `watch` sees every group once, in the order of time."""
    flash = FlashAudit(rig, largest=largest, distance_m=rig.viewing_m)
    for group, block in stream:
        flash.add(group_times_us(group), block)
        if watch is not None:
            watch(group, block)
    return flash


def audit(
    rig: Rig,
    frames: Callable[[], Iterable[tuple[Group, Frames]]],
    address: Callable[[float], str],
    gains: Iterator[Any] | None = None,
    renderer: Renderer | None = None,
    watch: Watch | None = None,
) -> tuple[dict[str, Any], PowerAudit]:
    """Amperes, volts and flashes of a show. `frames` opens the read-back anew for each pass.

    Returns the mapping for audit.json (as `amperes`, and `flashes`) and the `PowerAudit`, which keeps the amperes of
    every frame. `gains`: the limiter's, one array a group. `renderer`: of the show that the frames are of, to be asked
    who does it. `watch` sees every group go by once, in the order of time.
    """
    found, power, largest = amperes(rig, frames(), address, gains)
    add_flashes(found, flashes_in(rig, frames(), largest, watch), address, renderer)
    return found, power


def amperes(
    rig: Rig,
    stream: Iterable[tuple[Group, Frames]],
    address: Callable[[float], str],
    gains: Iterator[Any] | None = None,
) -> tuple[dict[str, Any], PowerAudit, Largest]:
    """Amperes and volts of a show, and its largest luminances.

    Returns the mapping for audit.json without its flashes (`supplies`, `feeds`, `strings`, `advice`, `sources`,
    `notes`). `gains` as for `audit`.
    """
    model = CurrentModel(rig)
    power = PowerAudit(model, rig.skew_ms)
    brightest = Brightest(rig)
    for group, block in stream:
        if power.add(group, block, None if gains is None else next(gains)):
            brightest.add(block)
    found = power.result(address)
    found["advice"] = advice(model, found, power.worst_amps, power.loads)
    found["sources"] = model.sources()
    found["notes"] = [*NOTES, *_bare_feeds(rig)]
    return found, power, brightest.largest


def _bare_feeds(rig: Rig) -> list[str]:
    """A line that names the feeds whose wire the rig does not give."""
    bare = [name for name, feed in rig.feeds.items() if feed.wire is None]
    if not bare:
        return []
    return [
        f"The rig does not give the wire of {listed(bare)}: what it drops, whether its fuse protects it and a short "
        "blows that fuse is not judged."
    ]


def add_flashes(
    found: dict[str, Any], flash: FlashAudit, address: Callable[[float], str], renderer: Renderer | None
) -> None:
    """Add `flashes`, with the `spans` in which there are too many, and which clips do it where `renderer` can tell."""
    found["flashes"] = flash.result()
    found["flashes"]["spans"] = spans_of(found["flashes"], address, renderer)


def address_of(clock: FrameClock) -> Callable[[float], str]:
    """Names a time in seconds as bar.beat: the beat that is sounding."""

    def name(seconds: float) -> str:
        return clock.grid.address(Fraction(math.floor(clock.beat_at_us(round(seconds * SECOND)))))

    return name


def remarks(show: Show) -> list[str]:
    """What a person should know of how the song was heard, a line each."""
    lines = [f"{show.song.song.file}: {note}" for note in show.song.heard.get("notes", ())]
    lines += map(str, doubts(show))
    if not show.song.beats:
        lines.append(f"{show.song.song.file}: no beat was heard: the show runs on an even clock of 120 beats a minute")
    return lines


def add_boards(found: dict[str, Any], rig: Rig, paths: Mapping[str, Path], seconds: float) -> None:
    """Add `controllers`, whether each roll fits its board, and each supply's `allotments`, as the rolls' heads say."""
    rows, allotments = {}, {}
    for name, path in paths.items():
        with opened(path) as reader:
            rows[name] = board_row(rig, name, reader, path.name, seconds)
            allotments[name] = dict(reader.header.allotments)
            if not reader.header.draws:
                found["notes"].append(
                    f"{name}: its player does not add up what its strings draw: its brightest frames need more than "
                    "its share of a supply, or its strings are fed in more runs than a roll holds."
                )
    found["controllers"] = rows
    allot(found, rig, allotments)


def allot(found: dict[str, Any], rig: Rig, allotments: Mapping[str, Mapping[str, int]]) -> None:
    """Add each supply's `allotments` (controller -> amperes, as its roll has them), and say where boards that share a
    supply reach their highest at different times."""
    for name, row in found["supplies"].items():
        row["allotments"] = {board: of[name] / 1000 for board, of in allotments.items() if name in of}
        if len(row["boards"]) > 1 and sum(row["boards"].values()) > row["budget_a"] >= row["skewed_a"]:
            found["notes"].append(
                f"{name}: its boards draw most at different times. Its budget holds while they are at most "
                f"{rig.skew_ms or 0:g} ms apart, not if one of them runs on alone."
            )


def complaints(found: dict[str, Any]) -> list[str]:
    """Why a show fails, a line each: supplies and feeds over their budget, rolls that do not fit their board."""
    lines = []
    for name, row in found["supplies"].items():
        if row["peak_a"] > row["budget_a"]:
            peak, budget = report.apart(row["peak_a"], row["budget_a"])
            lines.append(
                f"supply.{name}: {peak} at {row['peak_at']} ({row['peak_s']:.2f} s) is over its budget of {budget}"
            )
    for name, row in found["feeds"].items():
        if row["limit_a"] is not None and row["peak_a"] > row["limit_a"]:
            what = f"{row['fuse_a']:g} A fuse" if row["fuse_a"] is not None else f"wire, {row['wire_basis']}"
            peak, limit = report.apart(row["peak_a"], row["limit_a"])
            lines.append(f"feed {name}: {peak} ({row['peak_s']:.2f} s) is over the {limit} of its {what}")
    for name, row in found.get("controllers", {}).items():
        lines += [f"controller.{name}: {line}" for line in row["unfit"]]
    return lines


def dimmed_by(found: Mapping[str, Any], supply: str) -> str:
    """What the limiter held a supply's strings to, in words; '' where that is not known."""
    return report.dimmed_words(found["advice"]["supplies"][supply]["dimmed_by"])


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
    first, last = grid.bar_of(clock.start), grid.bar_of(clock.end)
    places = [(clock.us_at(grid.bar_start(bar)), bar) for bar in range(first, last + 1)]
    return [(us / SECOND, bar) for us, bar in places if 0 <= us <= show.song_us]


def section_spans(show: Show) -> list[tuple[float, float, str]]:
    """(start, end, name) of the song's sections, seconds."""
    return [(s.start, s.end, s.name) for s in show.song.sections]
