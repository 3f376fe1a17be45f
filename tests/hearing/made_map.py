"""A small song map, written out by hand: 33 beats at 120 a minute from 0.5 s, bars of four from the second beat."""

from __future__ import annotations

from composer import songmap

BEATS = tuple(0.5 + 0.5 * i for i in range(33))
BARS = tuple(range(1, 33, 4))


def a_map() -> songmap.SongMap:
    """The map, as listening would give it."""
    heard = {
        "hearing": songmap.HEARING,
        "beats": list(BEATS),
        "bars": list(BARS),
        "beats_per_bar": 4,
        "confidence": 0.75,
        "phases": {"3": 2},
        "alternatives": [
            {"name": "half", "beats": list(BEATS[::2]), "bars": [0, 4, 8, 12, 16], "beats_per_bar": 4, "phases": {}}
        ],
        "sections": [
            {"start": 1.0, "end": 9.0, "name": "A"},
            {"start": 9.0, "end": 13.0, "name": "B"},
            {"start": 13.0, "end": 16.9, "name": "A"},
        ],
        "labels": {},
        "first_sound": 0.5,
        "last_sound": 16.9,
    }
    return songmap.SongMap(
        song=songmap.SongFile("quay.wav", "00" * 32, 17.0, 44_100, "made by hand"),
        grid=songmap.grid_id(BARS, 4),
        tempo=120.0,
        beats=BEATS,
        bars=BARS,
        beats_per_bar=4,
        confidence=0.75,
        onsets={"low": ((0.5, 1.0), (1.5, 0.5)), "mid": (), "high": ((1.0, 0.25),)},
        hits={"kick": ((0.5, 1.0),), "snare": ((1.0, 0.5),), "hat": ()},
        sections=tuple(songmap.Section(s["start"], s["end"], s["name"]) for s in heard["sections"]),  # type: ignore
        loudness=songmap.Loudness(0.02, (0.0, 1.0), (0.5, 0.5), (0.25, 0.0), (0.5, 1.0)),
        labels={},
        heard=heard,
    )
