"""MIDI files put together byte by byte, and small song maps, for the tests of interchange."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from composer import songmap

TRUTH = Path(__file__).parents[1] / "truth"
END = "00 FF 2F 00"


def raw(text: str) -> bytes:
    """Hex with comments as bytes."""
    return bytes.fromhex("".join(line.split("#")[0] for line in text.splitlines()))


def truth(name: str) -> bytes:
    """A file of tests/truth, hex with comments, as bytes."""
    return raw((TRUTH / name).read_text(encoding="utf-8"))


def chunk(body: str | bytes, kind: bytes = b"MTrk", length: int | None = None) -> bytes:
    """A chunk; with a `length` field that may lie."""
    data = raw(body) if isinstance(body, str) else body
    return kind + (len(data) if length is None else length).to_bytes(4, "big") + data


def smf(*tracks: str | bytes, division: int = 480, kind: int = 1, count: int | None = None) -> bytes:
    """A file: tracks as hex of their events, or as ready chunks in bytes."""
    fields = (kind, len(tracks) if count is None else count, division)
    header = chunk(b"".join(field.to_bytes(2, "big") for field in fields), b"MThd")
    return header + b"".join(track if isinstance(track, bytes) else chunk(track) for track in tracks)


def song_of(
    beats_us: Sequence[int],
    bars: Sequence[int],
    size: int = 4,
    seconds: float | None = None,
    sections: Sequence[tuple[float, float, str]] = (),
) -> songmap.SongMap:
    """A song map of beats in microseconds, without anything to hear."""
    beats = tuple(us / 1_000_000 for us in beats_us)
    length = seconds if seconds is not None else (beats[-1] if beats else 0.0) + 1.0
    found = tuple(songmap.Section(*section) for section in sections)
    heard = {
        "hearing": songmap.HEARING, "beats": list(beats), "bars": list(bars), "beats_per_bar": size, "confidence": 0.5,
        "sections": [{"start": s.start, "end": s.end, "name": s.name} for s in found], "labels": {},
        "first_sound": 0.0, "last_sound": length,
    }  # fmt: skip
    return songmap.SongMap(
        song=songmap.SongFile("quay.flac", "00" * 32, length, 44_100, "made by hand"),
        grid=songmap.grid_id(bars, size),
        tempo=songmap.tempo_of(beats),
        beats=beats,
        bars=tuple(bars),
        beats_per_bar=size,
        confidence=0.5,
        onsets=dict.fromkeys(songmap.BANDS, ()),
        hits=dict.fromkeys(songmap.DRUMS, ()),
        sections=found,
        loudness=songmap.Loudness(0.02, (), (), (), ()),
        labels={},
        heard=heard,
    )
