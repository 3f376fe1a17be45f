"""The ear: song file -> song map.

    song_map = listen("quay.flac")

The path: decode to mono (`decoder`), spectra and their rises (`features`), the search for beats and bars (`reading`,
over `lattice`, `beats`, `bars` and `belief`), their exact times (`refine`), onsets and hits (`onsets`), sections
(`sections`). This room loads heavy libraries; import it late.
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
    file_sha256,
    grid_id,
    tempo_of,
)
from . import beats, decoder, features, onsets, reading, refine, sections
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
    streams: list[features.Stream] = []

    def begin() -> decoder.Taker:
        streams[:] = [features.mel_stream(), features.fine_stream(), *features.chroma_streams()]
        return features.into(streams)

    info = decoder.decode_into(path, features.RATE, begin, progress)
    song = SongFile(
        path.name, file_sha256(path), round(info.seconds, 6), info.sample_rate, "; ".join([info.decoder, *info.notes])
    )
    tell("listening", 0.0)
    mel, energy, *tones = (stream.result() for stream in streams)
    streams.clear()
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
        del mel  # of a long song each of these is large: none stays longer than it is needed
        at, strength = refine.starts(features.fine_rise(energy))
        del energy
        rise = features.rises(log)
        by_band = onsets.onsets(rise, at, strength)
        drums = onsets.hits(rise, log, at, strength, beats.patterns()["drum"])
        del rise
        lines = np.zeros(0)
        if span[1] - span[0] >= SHORTEST_S:
            tell("finding the beat", 0.3)
            heard.update(reading.hear(log, features.chroma(tones[0], tones[1]), (at, strength), span))
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
