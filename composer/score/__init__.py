"""The score: what is to happen, as a person writes it in `score.toml`. Loads and checks; knows no song and no rig.

Times stay as written (`Moment`, `Span`): only the timeline, which knows the beats, turns them into frames. Inside a
phrase, bars and beats count from the phrase's own start.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from ..faults import FaultList, Table, read_toml
from .blocks import Reader, read_colours, read_level, read_order, read_palettes, read_trigger, recoloured
from .checks import check_names, check_palettes, check_phrases, check_variations
from .times import BARS, read_span
from .written import (
    EVENTS,
    FLASH_MODES,
    LIMITER_MODES,
    MIXES,
    MOST_DEPTH,
    SPEEDS,
    Block,
    Level,
    Points,
    Score,
    Stretch,
    Trigger,
    Variation,
)  # fmt: skip


def load_score(path: Path) -> Score:
    """Read and check a score file. Raises `Faults` with everything that is wrong."""
    faults = FaultList(path)
    score = score_from(read_toml(path), path, faults)
    faults.raise_if_any()
    return score


def score_from(document: Mapping[str, Any], path: Path, faults: FaultList) -> Score:
    """A score from a parsed document; faults are collected, so the result counts only when there are none."""
    top = Table(document, "", faults)
    if top.whole("format", 1) != 1:
        top.fault("format", "this version reads format = 1")
    song, rig = top.text("song"), top.text("rig", "rig.toml")
    read = Reader(read_colours(top))
    phrases = {name: read.phrase(name, blocks, faults) for name, blocks in top.named("phrase").items()}
    clips = tuple(read.block(t, f"clip[{i + 1}]") for i, t in enumerate(top.tables("clip")))
    triggers = tuple(read_trigger(t, f"trigger[{i + 1}]", read) for i, t in enumerate(top.tables("trigger")))
    order = read_order(top.table("order"), phrases)
    check_phrases(phrases, clips, faults)
    check_variations(phrases, clips, faults)
    palettes = read_palettes(top, read.colours)
    check_palettes(palettes, [*clips, *(t.clip for t in triggers)], phrases, faults)
    check_names([*clips, *(trigger.clip for trigger in triggers)], phrases, faults)
    score = Score(
        path=path,
        title=top.text("title", "") or Path(song or "show").stem,
        song=path.parent / (song or "song"),
        rig=path.parent / rig,
        rate=top.number("rate", 40.0, low=5, high=240),
        seed=top.whole("seed", 1, low=0, high=2**31 - 1),
        limiter=top.choice("limiter", LIMITER_MODES, "on"),
        grid=top.text("grid", ""),
        clips=clips,
        phrases=phrases,
        order=order,
        triggers=triggers,
        master=tuple(level for t in top.tables("master") if (level := read_level(t)) is not None),
        colours=read.colours,
        palettes=palettes,
        flashes=top.choice("flashes", FLASH_MODES, "report"),
        keep=tuple(top.list_of("keep", "names of zones", lambda v: isinstance(v, str), [])),
    )
    top.finish()
    return score


__all__ = [
    "BARS", "EVENTS", "FLASH_MODES", "LIMITER_MODES", "MIXES", "MOST_DEPTH", "SPEEDS", "Block", "Level", "Points",
    "Score", "Stretch", "Trigger", "Variation", "load_score", "read_span", "recoloured", "score_from",
]  # fmt: skip
