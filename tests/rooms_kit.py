"""Rigs, scores and song maps as text and numbers, for the tests of single rooms: no files, nothing heard."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from pathlib import Path

from composer.clock import SECOND, BarGrid, FrameClock, frame_clock
from composer.faults import FaultList
from composer.rig import Rig, rig_from
from composer.score import Score, score_from
from composer.songmap import BANDS, DRUMS, Event, Loudness, Section, SongFile, SongMap, grid_id, tempo_of
from composer.timeline import Cue, lay

SMALL_RIG = """
[supply.shed]
volts = 5.0
amps = 10.0
[controller.quay]
board = "pico"
[string.rail]
controller = "quay"
pin = 16
pixels = 12
path = [[0, 0], [1.1, 0]]
[[string.rail.feed]]
supply = "shed"
[string.mast]
controller = "quay"
pin = 17
pixels = 6
chip = "sk6812-rgbw"
path = [[2, 0], [2, 1]]
[[string.mast.feed]]
supply = "shed"
[zone]
left = ["rail[0:6]"]
all = ["rail", "mast reversed"]
"""


def rig_of(text: str, path: Path = Path("rig.toml")) -> Rig:
    """A rig from text. Raises `Faults`."""
    faults = FaultList(path)
    rig = rig_from(tomllib.loads(text), path, faults)
    faults.raise_if_any()
    return rig


def score_of(text: str) -> Score:
    """A score from text, its song and rig named for it. Raises `Faults`."""
    faults = FaultList("score.toml")
    score = score_from(tomllib.loads(f'song = "quay.flac"\n{text}'), Path("score.toml"), faults)
    faults.raise_if_any()
    return score


def steady(beats: int, beat_s: float = 0.5, start_s: float = 0.0) -> tuple[float, ...]:
    """Times of evenly spaced beats, seconds."""
    return tuple(round(start_s + i * beat_s, 6) for i in range(beats))


def song_of(
    beats: Iterable[float],
    seconds: float,
    bars: Iterable[int] | None = None,
    beats_per_bar: int = 4,
    *,
    onsets: Mapping[str, tuple[Event, ...]] | None = None,
    hits: Mapping[str, tuple[Event, ...]] | None = None,
    sections: Iterable[Section] = (),
    labels: Mapping[str, tuple[float, ...]] | None = None,
    loudness: Loudness | None = None,
) -> SongMap:
    """A song map as listening would make it. Bars start on every `beats_per_bar`-th beat unless `bars` says where."""
    beats = tuple(beats)
    lines = tuple(range(0, len(beats), beats_per_bar) if bars is None else bars)
    return SongMap(
        song=SongFile("quay.flac", "0" * 64, seconds, 44_100, "made"),
        grid=grid_id(lines, beats_per_bar),
        tempo=tempo_of(beats),
        beats=beats,
        bars=lines,
        beats_per_bar=beats_per_bar,
        confidence=1.0,
        onsets={band: () for band in BANDS} | dict(onsets or {}),
        hits={drum: () for drum in DRUMS} | dict(hits or {}),
        sections=tuple(sections),
        loudness=loudness or Loudness(0.05, (), (), (), ()),
        labels=labels or {},
        heard={},
    )


def clock_for(song: SongMap, rig: Rig | None = None, rate: float = 40.0, most_group_frames: int = 255) -> FrameClock:
    """The frame clock of a song on a rig (without one, on a wire that is never in the way)."""
    song_us = round(song.song.seconds * SECOND)
    grid = BarGrid.of(song.beats, song.bars, song.beats_per_bar, song_us)
    return frame_clock(grid, song_us, rate, rig.shortest_frame_us if rig else 1, most_group_frames)


def lay_text(text: str, song: SongMap, rig: Rig, clock: FrameClock | None = None) -> list[Cue]:
    """A score's text laid on a song and a rig. Raises `Faults`, those of the score and of where its clips fall."""
    faults = FaultList("score.toml")
    cues = lay(score_of(text), song, rig, clock or clock_for(song, rig), faults)
    faults.raise_if_any()
    return cues


__all__ = [
    "SMALL_RIG", "Section", "clock_for", "lay_text", "rig_of", "score_of", "song_of", "steady",
]  # fmt: skip
