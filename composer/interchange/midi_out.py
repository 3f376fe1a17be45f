"""A song map as a MIDI file, so that a sequencer opens the song's bars in step with its sound.

Tick 0 is the first sample. Every beat is a quarter note with its own tempo in whole microseconds, which is what the
song map's beats are rounded to, so no rounding adds up. What lies before the first beat is filled with beats as long
as the song's (or, when there is no room for one, with some sixty-fourth notes), and bar lines are counted back from
bar 1, so that the song's bars fall on bar lines.

    seconds    0        1.2   1.7   2.2   2.7   3.2   3.7
    map        |         .     .     |     .     .     .     two beats of pickup, then bar 1 of 4/4
    file       |    .    .     .     |     .     .     .     4/4: two beats of 0.6 s, two of 0.5 s; then 4/4
    markers              first beat  bar 1 and the section that starts there
"""

from __future__ import annotations

import io
import math
from bisect import bisect_right
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import mido

from ..clock import SECOND, BarGrid
from ..faults import Faults
from ..files import whole_file
from ..songmap import SongMap
from .midi_in import BAR_ONE, FIRST_BEAT

TICKS = 960  # a beat; a sixty-fourth note is 60
_SIXTY_FOURTHS = 16  # sixty-fourth notes in a beat
_LONGEST_US = (1 << 24) - 1  # a tempo has three bytes
_SHORTEST_LEAD_US = 100_000  # a beat of the lead-in: beats of a map gone wrong must not fill it by the million
_MOST_BEATS = 255  # of a bar: one byte

_Event = tuple[int, Any]  # tick, mido message


def write_midi(path: Path, song_map: SongMap) -> None:
    """Write a type 1 file: tempo map, metre of every bar, sections as markers, `first beat` and `bar 1`.

    Beats are exact to the microsecond. A song without beats gets the even clock that its show would run on. Raises
    `Faults`: a beat of more than 16.7 s, a bar of more than 255 beats, a file that cannot be written.
    """
    grid = BarGrid.of(song_map.beats, song_map.bars, song_map.beats_per_bar, round(song_map.song.seconds * SECOND))
    for before, after in zip(grid.beats_us, grid.beats_us[1:], strict=False):
        if after - before > _LONGEST_US:
            what = f"the beat at {before / SECOND:.3f} s is longer than MIDI can say, {_LONGEST_US / SECOND:.1f} s"
            raise Faults.one(path, "", what)
    lead, odd = _lead_in(grid.beats_us)
    knots = _knots(grid.beats_us, lead, odd)
    first = knots[-len(grid.beats_us)][0]
    bar_one = first + grid.bars[0] * TICKS
    events: list[_Event] = [(0, mido.MetaMessage("track_name", name=_encodable(song_map.song.file)))]
    events += _metres(path, grid, lead, odd)
    events += _tempos(knots)
    events += [(first, _marker(FIRST_BEAT))] * (first > 0)
    events += [(bar_one, _marker(BAR_ONE))] * (bar_one > 0)
    events += [(_tick(knots, round(section.start * SECOND)), _marker(section.name)) for section in song_map.sections]
    events.append((max(knots[-1][0], *(tick for tick, _ in events)), mido.MetaMessage("end_of_track")))
    _save(path, events)


def _lead_in(beats_us: Sequence[int]) -> tuple[int, int]:
    """How the time before the first beat is filled: whole beats, or else sixty-fourth notes."""
    room = beats_us[0]
    periods = sorted(b - a for a, b in zip(beats_us[:5], beats_us[1:5], strict=False)) or [SECOND // 2]
    period = max(periods[len(periods) // 2], _SHORTEST_LEAD_US)
    if 2 * room >= period:
        return max(1, round(room / period), math.ceil(room / _LONGEST_US)), 0
    odd = max(1, round(_SIXTY_FOURTHS * room / period), math.ceil(_SIXTY_FOURTHS * room / _LONGEST_US))
    return 0, odd if room else 0


def _knots(beats_us: Sequence[int], lead: int, odd: int) -> list[tuple[int, int]]:
    """Where ticks are pinned to the song, microseconds: lead-in, then the beats."""
    before = [(0, 0)] if odd else [(i * TICKS, i * beats_us[0] // lead) for i in range(lead)]
    first = lead * TICKS + odd * TICKS // _SIXTY_FOURTHS
    return before + [(first + i * TICKS, us) for i, us in enumerate(beats_us)]


def _tempos(knots: Sequence[tuple[int, int]]) -> list[_Event]:
    """Set-tempo events, one wherever the length of a beat changes."""
    events: list[_Event] = []
    now = 0
    for (tick, us), (next_tick, next_us) in zip(knots, knots[1:], strict=False):
        tempo = max(1, round((next_us - us) * TICKS / (next_tick - tick)))
        if tempo != now:
            events.append((tick, mido.MetaMessage("set_tempo", tempo=tempo)))
        now = tempo
    return events or [(0, mido.MetaMessage("set_tempo", tempo=SECOND // 2))]


def _metres(path: Path, grid: BarGrid, lead: int, odd: int) -> list[_Event]:
    """Time signatures, one wherever the length of a bar changes: the lead-in, the pickup, the song's bars."""
    events: list[_Event] = []
    tick = 0
    if odd:
        shared = math.gcd(odd, 4 * _SIXTY_FOURTHS)
        events.append((0, _metre(odd // shared, 4 * _SIXTY_FOURTHS // shared)))
        tick = odd * TICKS // _SIXTY_FOURTHS
    short, whole = lead + grid.bars[0], grid.beats_per_bar
    sizes = [short % whole] * (short % whole > 0) + [whole] * (short // whole)
    sizes += [b - a for a, b in zip(grid.bars, grid.bars[1:], strict=False)] + [whole]
    now = 0
    for size in sizes:
        if size > _MOST_BEATS:
            raise Faults.one(path, "", f"a bar has {size} beats, more than MIDI can say, {_MOST_BEATS}")
        if size != now:
            events.append((tick, _metre(size, 4)))
        now = size
        tick += size * TICKS
    return events


def _tick(knots: Sequence[tuple[int, int]], us: int) -> int:
    """The tick nearest to a time, running on after the last beat."""
    if len(knots) < 2:
        return knots[0][0]
    i = min(max(bisect_right(knots, us, key=lambda knot: knot[1]) - 1, 0), len(knots) - 2)
    (tick, start), (next_tick, end) = knots[i], knots[i + 1]
    return tick + round((us - start) * (next_tick - tick) / (end - start))


def _metre(numerator: int, denominator: int) -> Any:
    return mido.MetaMessage("time_signature", numerator=numerator, denominator=denominator)


def _marker(text: str) -> Any:
    return mido.MetaMessage("marker", text=_encodable(text))


def _encodable(text: str) -> str:
    return text.encode("utf-8", "replace").decode("utf-8")


def _save(path: Path, events: list[_Event]) -> None:
    """Write the events, ticks from the start, as one track."""
    track, now = mido.MidiTrack(), 0
    for tick, message in sorted(events, key=lambda event: event[0]):
        track.append(message.copy(time=tick - now))
        now = tick
    song = mido.MidiFile(type=1, ticks_per_beat=TICKS, charset="utf-8")
    song.tracks.append(track)
    out = io.BytesIO()
    song.save(file=out)
    with whole_file(path) as draft:
        draft.write_bytes(out.getvalue())
