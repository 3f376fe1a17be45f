"""The ear: song file -> song map.

    song_map = listen("quay.flac")

The path: decode to mono (`decoder`), spectra and their rises (`features`), the search for beats and bars (`lattice`,
`beats`), their exact times (`refine`), onsets and hits (`onsets`), sections (`sections`). Heavy libraries are loaded
by this room alone; import it late.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from ..songmap import (
    BANDS,
    DRUMS,
    HEARING,
    Fixes,
    Grid,
    Loudness,
    Section,
    SongFile,
    SongMap,
    apply_fixes,
    extend,
    file_sha256,
    grid_id,
    tempo_of,
)
from . import beats as _beats
from . import features, onsets, refine, sections
from .decoder import DecodeInfo, Progress, decode, decode_at

SHORTEST_S = 2.0  # a song below this has no beat to hear

__all__ = ["DecodeInfo", "Progress", "decode", "decode_at", "listen"]


def listen(path: str | Path, progress: Progress | None = None) -> SongMap:
    """Hear a song. `progress` is told what is being done and how far it is, (text, share 0-1).

    Silence and songs without a clear beat give a map without beats, or with an even grid, and a low confidence.
    Raises `Faults` when the file is not a song (see `decode`).
    """
    path = Path(path)
    tell = progress or (lambda what, share: None)
    samples, _, info = decode_at(path, features.RATE, progress)
    song = SongFile(
        path.name, file_sha256(path), round(info.seconds, 6), info.sample_rate, "; ".join([info.decoder, *info.notes])
    )
    tell("listening", 0.0)
    mel = features.mel_spectrum(samples)
    span = features.sound_span(mel)
    hop_s, loud = features.loudness(mel)
    if span is None:
        loud = {band: np.zeros_like(values) for band, values in loud.items()}
    loudness = Loudness(hop_s, **{b: tuple(round(float(v), 3) for v in loud[b]) for b in (*BANDS, "all")})
    heard: dict[str, Any] = {
        "hearing": HEARING, "notes": list(info.notes), "beats": [], "bars": [], "beats_per_bar": 4, "confidence": 0.0,
        "phases": {}, "alternatives": [], "sections": [], "labels": {},
        "first_sound": round(span[0], 6) if span else 0.0, "last_sound": round(span[1], 6) if span else 0.0,
    }  # fmt: skip
    bands: dict[str, onsets.Events] = {band: () for band in BANDS}
    drums: dict[str, onsets.Events] = {drum: () for drum in DRUMS}
    if span is not None and len(mel) >= 8:
        log = features.log_mel(mel)
        rise = features.rises(log)
        at, strength = refine.starts(features.fine_rise(samples))
        bands = onsets.onsets(rise, at, strength)
        drums = onsets.hits(rise, at, strength)
        lines = np.zeros(0)
        if span[1] - span[0] >= SHORTEST_S:
            tell("finding the beat", 0.3)
            _hear_beats(heard, log, at, strength, span)
            lines = np.array(heard["beats"])[heard["bars"]] if heard["bars"] else lines
        tell("finding sections", 0.9)
        found = sections.sections(log, lines, span[0], max(span[1], span[0] + 0.01))
        heard["sections"] = [{"start": a, "end": b, "name": name} for a, b, name in found]
    tell("listening", 1.0)
    grid = Grid(tuple(heard["beats"]), tuple(heard["bars"]), heard["beats_per_bar"])
    song_map = SongMap(
        song=song,
        grid=grid_id(grid.bars, grid.beats_per_bar),
        tempo=tempo_of(grid.beats),
        beats=grid.beats,
        bars=grid.bars,
        beats_per_bar=grid.beats_per_bar,
        confidence=heard["confidence"],
        onsets=bands,
        hits=drums,
        sections=tuple(Section(**section) for section in heard["sections"]),
        loudness=loudness,
        labels={},
        heard=heard,
    )
    return apply_fixes(song_map, Fixes())


def _hear_beats(
    heard: dict[str, Any], log: features.Floats, at: features.Doubles, strength: features.Doubles, span: tuple[float, float]
) -> None:
    """Beats, bars and runners-up into `heard`."""
    parts = _beats.prepare(log)
    tables = _beats.patterns()
    found = _beats.readings(parts.levels, tables)
    if not found:
        return
    belief = _beats.weigh(parts, found, tables["weights"])
    order = np.argsort(belief)[::-1]

    def grid_of(reading: _beats.Reading) -> Grid:
        times = reading.frames / features.FPS
        keep = (times >= span[0] - 0.05) & (times <= span[1] + 0.05)
        exact, _ = refine.refined(times[keep], at, strength)
        bars = tuple(int(i) for i in np.flatnonzero(reading.places[keep] == 0))
        beats = tuple(round(max(0.0, float(t)), 6) for t in exact)
        return extend(Grid(beats, bars, reading.bar), span[0], span[1])

    best = grid_of(found[order[0]])
    heard.update(beats=list(best.beats), bars=list(best.bars), beats_per_bar=best.beats_per_bar)
    heard["confidence"] = round(float(belief[order[0]]), 3)
