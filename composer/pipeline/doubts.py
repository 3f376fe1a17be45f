"""What is no fault of a score, and probably not meant: told as remarks, and the show is baked all the same."""

from __future__ import annotations

import contextlib
import glob
from collections.abc import Iterator
from pathlib import Path

from exporters import report

from ..clock import SECOND, Moment
from ..effects.table import Pace
from ..faults import Faults
from ..power.advice import feeds_as_built
from ..rig import Rig
from ..score import Score
from ..songmap import fixes_path, load_fixes, misplaced
from ..timeline import MASTER_LAYER, Cue
from .show import Show, files_of


def doubts(show: Show) -> list[str]:
    """A line for each thing that is probably not meant, `FILE: where: what`; each clip as written is named once."""
    lines = [*_another_song(show), *_late_beats(show), *_clips(show)]
    if not show.score.grid and any(moment.kind == "bar" for _, moment in _moments(show.score)):
        lines.append(
            f'grid: is missing: write grid = "{show.song.grid}", and you are told should the song\'s bars change under '
            "the score"
        )
    return [f"{show.score.path.name}: {line}" for line in lines]


def rig_doubts(rig: Rig) -> list[str]:
    """A line for each feed that lacks its fuse, or has one that protects nothing: what can be told without a show."""
    found = feeds_as_built(rig)
    return [f"{rig.path}: {wrong}" for name, row in found.items() for wrong in report.feed_wrongs(name, row)]


def changed_since_bake(show: Path, out: Path | None = None) -> list[str]:
    """A line where what a person made of a show is newer than its rolls."""
    made = [path for path in files_of(show) if path.is_file()]
    songs = [path for path in made if path.suffix not in (".toml", ".csv", ".svg")]
    score = show if show.suffix == ".toml" else show / "score.toml"
    rolls = [roll for song in songs for roll in (out or score.parent / "out").glob(f"*/{glob.escape(song.stem)}.roll")]
    baked_ns = min((path.stat().st_mtime_ns for path in rolls), default=None)
    later = [path.name for path in made if baked_ns is not None and path.stat().st_mtime_ns > baked_ns]
    names = ", ".join(sorted(set(later)))
    return [f"{score.parent}: newer than what was baked: {names}; bake again to have it"] if later else []


def _moments(score: Score) -> Iterator[tuple[str, Moment]]:
    """Every place that a score says in the song's own bars, and where it says so; not those inside phrases."""
    stretches = [(block.where, block.stretch) for block in score.clips]
    stretches += [(trigger.where, trigger.stretch) for trigger in score.triggers]
    for where, stretch in stretches:
        if stretch is not None:
            yield f"{where}.at", stretch.at
            if stretch.to is not None:
                yield f"{where}.to", stretch.to
    for name, moments in score.order.items():
        for i, moment in enumerate(moments):
            yield f"order.{name}[{i + 1}]", moment
    for level in score.master:
        yield f"{level.where}.at", level.at


def _another_song(show: Show) -> Iterator[str]:
    """Corrections that were made for another recording."""
    with contextlib.suppress(Faults):
        if other := misplaced(show.song, load_fixes(fixes_path(show.score.song))):
            yield f"song: {other}: they are applied all the same; listen --as-heard takes those of beats and bars back"


def _late_beats(show: Show) -> Iterator[str]:
    """Beats past the last of their bar."""
    grid = show.clock.grid
    for where, moment in _moments(show.score):
        if moment.kind == "bar" and moment.beat >= grid.bar_beats(moment.bar) + 1:
            there = grid.address(grid.position(moment.bar, moment.beat))
            beats = grid.bar_beats(moment.bar)
            yield f"{where}: bar {moment.bar} has {beats} beats, so {moment.bar}.{float(moment.beat):g} is {there}"


def _clips(show: Show) -> Iterator[str]:
    """Clips whose fades do not fit into them, or that show nowhere."""
    seen = set()
    for cue in show.cues:
        if cue.clip in seen or cue.layer == MASTER_LAYER:
            continue
        seen.add(cue.clip)
        faded = sum(_share(show, cue, pace) for pace in (cue.fade_in, cue.fade_out) if pace is not None)
        if faded > 1 + 1e-9:
            yield f"{cue.address}: its fades take {faded:.2g} times as long as the clip: it never shows in full"
        zones = show.rig.zones
        if cue.only and not set(zones[cue.zone].pixels) & set(zones[cue.only].pixels):
            yield f'{cue.address}: nothing of "{cue.zone}" lies in "{cue.only}": it shows nowhere'


def _share(show: Show, cue: Cue, pace: Pace) -> float:
    """What part of its clip a fade takes."""
    if pace.unit == "beats":
        return float(pace.value / cue.length) if cue.length else 0.0
    seconds = (show.clock.frame_us(cue.end) - show.clock.frame_us(cue.first)) / SECOND
    return float(pace.value) / seconds if seconds else 0.0
