"""The ear: song file -> song map.

    song_map = listen("quay.flac")

The path: decode to mono (`decoder`), spectra and their rises (`features`), the search for beats and bars (`lattice`,
`beats`, `bars`, `belief`), their exact times (`refine`), onsets and hits (`onsets`), sections (`sections`). This room
loads heavy libraries; import it late.
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
    run_on,
    tempo_of,
)
from . import bars, beats, belief, features, onsets, refine, sections
from .decoder import DecodeInfo, Progress, decode, decode_at

Starts = tuple[features.Doubles, features.Doubles]  # seconds and strength of every sharp start

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
    by_band: dict[str, onsets.Events] = {band: () for band in BANDS}
    drums: dict[str, onsets.Events] = {drum: () for drum in DRUMS}
    if span is not None and len(mel) >= 8:
        log = features.log_mel(mel)
        rise = features.rises(log)
        at, strength = refine.starts(features.fine_rise(samples))
        by_band = onsets.onsets(rise, at, strength)
        drums = onsets.hits(rise, at, strength)
        lines = np.zeros(0)
        if span[1] - span[0] >= SHORTEST_S:
            tell("finding the beat", 0.3)
            _hear_beats(heard, log, (at, strength), span)
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
        onsets=by_band,
        hits=drums,
        sections=tuple(Section(**section) for section in heard["sections"]),
        loudness=loudness,
        labels={},
        heard=heard,
    )
    return apply_fixes(song_map, Fixes())


RATIOS = {"double": 2.0, "half": 0.5, "off-beat": 1.0, "3:2": 1.5, "2:3": 2 / 3, "quadruple": 4.0, "quarter": 0.25}


def _hear_beats(heard: dict[str, Any], log: features.Floats, starts: Starts, span: tuple[float, float]) -> None:
    """Beats, bars and runners-up into `heard`."""
    parts = beats.prepare(log)
    fitted = beats.patterns()
    found = beats.readings(parts.levels, fitted)
    if not found:
        return
    shares = belief.belief(np.array([beats.marks(parts, reading) for reading in found]), fitted["beat"])
    order = [int(i) for i in np.argsort(shares)[::-1]]
    best = found[order[0]]
    heard.update(_reading(parts, best, starts, span))
    heard["confidence"] = round(float(shares[order[0]]), 3)
    for name, ratio in RATIOS.items():
        for i in order[1:]:
            if abs(_pace(found[i]) / _pace(best) / ratio - 1) < 0.04:
                other = _reading(parts, found[i], starts, span)
                heard["alternatives"].append({"name": name, "belief": round(float(shares[i]), 3), **other})
                break


def _pace(reading: beats.Reading) -> float:
    return 1 / float(np.median(np.diff(reading.frames)))


def _reading(parts: beats.Heard, reading: beats.Reading, starts: Starts, span: tuple[float, float]) -> dict[str, Any]:
    """A reading as the map keeps it: exact beats from the first sound to the last, bars, other bar lengths' phases."""
    shares = belief.belief(bars.bar_marks(parts, reading), beats.patterns()["bar"])
    times = reading.frames[:-1] / features.FPS
    inside = np.flatnonzero((times >= span[0] - 0.1) & (times <= span[1] + 0.1))
    exact, _ = refine.refined(times[inside], *starts)
    exact = exact[exact >= 0] if len(exact) else exact
    lost = int(inside[0]) + len(inside) - len(exact) if len(inside) else 0
    size, first = bars.candidates()[int(np.argmax(shares))]
    phases = {}
    for other in bars.SIZES:
        rows = [i for i, (beats_a_bar, _) in enumerate(bars.candidates()) if beats_a_bar == other]
        phases[other] = (int(np.argmax(shares[rows])) - lost) % other
    plain = Grid(tuple(round(float(t), 6) for t in exact), run_on([(first - lost) % size], len(exact), size), size)
    grid = extend(plain, *span)
    added = grid.bars[0] - plain.bars[0] if plain.bars and grid.bars else 0
    return {
        "beats": list(grid.beats), "bars": list(grid.bars), "beats_per_bar": size,
        "phases": {str(other): (phase + added) % other for other, phase in phases.items()},
    }  # fmt: skip
