"""The song map: what was heard in a song, with a person's fixes applied. Plain data, read and written as JSON.

Conventions
-----------
Times are seconds from the first decoded sample, rounded to a microsecond. Strengths and loudness are 0-1. `bars` are
indices into `beats`; what comes before the first bar line is a pickup (bar 0). `heard` keeps what listening found
before any fix, and its runners-up, so that every fix is applied to the same thing, again and again, without listening.

Fixes are a person's file, `STEM.fix.toml`; hearing again never touches it.
"""

from __future__ import annotations

from .fixes import (
    BEAT_KEYS,
    LEVELS,
    Anchor,
    Fixes,
    apply_fixes,
    current,
    fixes_path,
    load_fixes,
    misplaced,
    near_tempo,
    stepped,
    write_fixes,
)
from .grid import HAIR_S, Grid, between, common_bar, doubled, extend, grid_id, halved, run_on, tempo_of
from .mapfile import (
    BANDS,
    DRUMS,
    HEARING,
    Event,
    Loudness,
    Section,
    SongFile,
    SongMap,
    file_sha256,
    load_map,
    map_path,
    named_by_scores,
    remember,
    save_map,
    snap_sections,
    succeeding,
    to_json,
    ways_out,
    with_grid,
)

__all__ = [
    "BANDS", "BEAT_KEYS", "DRUMS", "HAIR_S", "HEARING", "LEVELS", "Anchor", "Event", "Fixes", "Grid", "Loudness",
    "Section", "SongFile", "SongMap", "apply_fixes", "between", "common_bar", "current", "doubled", "extend",
    "file_sha256", "fixes_path", "grid_id", "halved", "load_fixes", "load_map", "map_path", "misplaced",
    "named_by_scores", "near_tempo", "remember", "run_on", "save_map", "snap_sections", "stepped", "succeeding",
    "tempo_of", "to_json", "ways_out", "with_grid", "write_fixes",
]  # fmt: skip
