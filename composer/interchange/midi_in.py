"""A MIDI file as beats, bars, notes and markers, in seconds from its start.

Conventions
-----------
The beat is the quarter note; in 6/8, 9/8, 12/8 (and other compound metres) the dotted quarter; in metres that no
whole number of quarters fills, such as 7/8, the largest note that does. Bars follow the time signatures: each one
starts a bar where it stands. Two markers have a meaning: `bar 1` starts bar 1 (what comes before is a pickup),
`first beat` is where the beats begin. `write_midi` sets them, and a person may.

All times are exact (whole ticks times whole microseconds) until they are rounded, once, to a microsecond.
"""

from __future__ import annotations

import itertools
from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any

from ..faults import Faults, reading
from ..songmap import common_bar
from . import smf
from .labels import section_fixes
from .percussion import PERCUSSION, PERCUSSION_CHANNEL

DEFAULT_TEMPO_US = 500_000  # the specification's: 120 quarter notes a minute, 4/4, when the file says nothing
BAR_ONE, FIRST_BEAT = "bar 1", "first beat"
_MOST_BEATS = 50_000  # three hours at 250 a minute
_MOST_BYTES = 100_000_000
_SECOND = 1_000_000


@dataclass(frozen=True)
class MidiSong:
    """A MIDI file. Times are seconds, rounded to a microsecond; channels and bars count from 1.

    `tempos` are (seconds, microseconds a quarter note), `metres` (seconds, numerator, denominator), `bars` indices
    into `beats`, `notes` (seconds, velocity 1-127) of every note-on by (channel, note), `markers` (seconds, text).
    Each list ascends in time. `warnings` say what was wrong with the file and read all the same.
    """

    file: str
    seconds: float
    tempos: tuple[tuple[float, int], ...]
    metres: tuple[tuple[float, int, int], ...]
    beats: tuple[float, ...] = field(repr=False)
    bars: tuple[int, ...] = field(repr=False)
    beats_per_bar: int
    notes: Mapping[tuple[int, int], tuple[tuple[float, int], ...]] = field(repr=False)
    markers: tuple[tuple[float, str], ...]
    warnings: tuple[str, ...]


def read_midi(path: Path) -> MidiSong:
    """Read a MIDI file, as much of it as can be saved. Raises `Faults`: unreadable, or no file to make sense of."""
    with reading(path):
        if path.stat().st_size > _MOST_BYTES:
            raise Faults.one(path, "", "too large for a MIDI file")
        data = path.read_bytes()
    return parse_midi(data, str(path))


def parse_midi(data: bytes, name: str = "MIDI file") -> MidiSong:
    """Read a MIDI file's bytes; `name` stands in faults and as `file`. Raises `Faults`."""
    raw = smf.parse(data, name)
    warnings = list(raw.warnings)
    changes = sorted((change for track in raw.tracks for change in track.tempos), key=lambda change: change[0])
    tempos = _Tempos(raw, changes)
    end = max(track.end for track in raw.tracks)
    metres = sorted((metre for track in raw.tracks for metre in track.metres), key=lambda metre: metre[0])
    markers = sorted((marker for track in raw.tracks for marker in track.markers), key=lambda marker: marker[0])
    if raw.per_quarter is None and not changes:
        warnings.append("timed by time code and without a tempo: there are no beats in this file")
        grid: tuple[list[int], list[int], int] = [], [], 4
    else:
        if not changes:
            warnings.append("no tempo in this file: 120 beats a minute")
        grid = _beats(tempos, metres, markers, end, warnings)
    beats, bars, size = grid
    return MidiSong(
        file=name,
        seconds=tempos.us(end) / _SECOND,
        tempos=tuple((tempos.us(tick) / _SECOND, us) for tick, us in changes),
        metres=tuple((tempos.us(tick) / _SECOND, top, bottom) for tick, top, bottom in metres),
        beats=tuple(us / _SECOND for us in beats),
        bars=tuple(bars),
        beats_per_bar=min(common_bar(bars, size), 64),
        notes=_notes(tempos, raw.tracks),
        markers=tuple((tempos.us(tick) / _SECOND, text) for tick, text in markers),
        warnings=tuple(warnings),
    )


def note_labels(midi: MidiSong) -> dict[str, list[float]]:
    """Note-ons as labels: `midi CH/NOTE`, and on channel 10 also by their General MIDI name; seconds, each once."""
    labels = {f"midi {channel}/{note}": _once(hits) for (channel, note), hits in midi.notes.items()}
    for note, name in PERCUSSION.items():
        if (PERCUSSION_CHANNEL, note) in midi.notes:
            labels[name] = _once(midi.notes[PERCUSSION_CHANNEL, note])
    return labels


def to_fixes(midi: MidiSong, seconds: float | None = None, sections: bool = False) -> dict[str, Any]:
    """Changes for `songmap.write_fixes`: the file's beats and bars as the grid, notes and markers as `notes`, which
    go where the grid goes; as labels where the file has no beats.

    Parameters
    ----------
    seconds : length of the song; the grid runs on to it at the last tempo, and no beat or label beyond it is kept.
        Notes are: a shift may bring them in
    sections : whether markers become the sections too (they replace all that were heard)
    """
    changes: dict[str, Any] = {}
    beats, bars = _run_on(midi, seconds)
    if beats:
        source = Path(midi.file).name
        changes["grid"] = {"source": source, "beats": beats, "bars": bars, "beats_per_bar": midi.beats_per_bar}
    markers = [(at, text) for at, text in midi.markers if text.casefold() not in (BAR_ONE, FIRST_BEAT)]
    labels = note_labels(midi)
    for at, text in markers:
        labels[text] = sorted({*labels.get(text, ()), at})
    if beats and labels:
        changes["notes"] = labels
    elif not beats:
        kept = {name: [at for at in times if seconds is None or at <= seconds] for name, times in labels.items()}
        changes["labels"] = {name: times for name, times in kept.items() if times}
    starts = [(at, text) for at, text in markers if seconds is None or at < seconds]
    if sections and starts:
        changes.update(section_fixes(starts))
    return changes


# ---- ticks to time -----------------------------------------------------------------------------------------------


class _Tempos:
    """Ticks to microseconds and quarter notes, exactly: straight pieces from one tempo to the next.

    In a piece, microseconds are (start + ticks x rate) / per, with whole numbers.
    """

    def __init__(self, raw: smf.RawSong, changes: Sequence[tuple[int, int]]) -> None:
        at = dict([(0, DEFAULT_TEMPO_US), *changes])  # of several at one tick the last counts
        self._ticks = sorted(at)
        self._per, self._rates, self._tick_quarters = self._paces(raw, [at[tick] for tick in self._ticks])
        self._starts, self._quarters = [0], [Fraction(0)]
        for i, (tick, following) in enumerate(itertools.pairwise(self._ticks)):
            self._starts.append(self._starts[i] + (following - tick) * self._rates[i])
            self._quarters.append(self._quarters[i] + (following - tick) * self._tick_quarters[i])

    @staticmethod
    def _paces(raw: smf.RawSong, tempos: Sequence[int]) -> tuple[int, list[int], list[Fraction]]:
        """What a microsecond is divided into; then for each tempo those a tick, and quarter notes a tick."""
        if raw.per_quarter is not None:
            return raw.per_quarter, list(tempos), [Fraction(1, raw.per_quarter)] * len(tempos)
        # Time code: a tick lasts what it lasts, whatever the tempo. Quarters are kept to 1e-15 so that sums of
        # fractions with a new denominator at each tempo do not grow without bound.
        tick_us, fine = raw.tick_us or Fraction(1), 10**15
        quarters = [Fraction(round(tick_us / tempo * fine), fine) for tempo in tempos]
        return tick_us.denominator, [tick_us.numerator] * len(tempos), quarters

    def us(self, tick: int) -> int:
        """Microseconds at a tick, rounded to the nearest."""
        i = bisect_right(self._ticks, tick) - 1
        fine = self._starts[i] + (tick - self._ticks[i]) * self._rates[i]
        return (2 * fine + self._per) // (2 * self._per)

    def quarters(self, tick: int) -> Fraction:
        """Quarter notes from the start at a tick."""
        i = bisect_right(self._ticks, tick) - 1
        return self._quarters[i] + (tick - self._ticks[i]) * self._tick_quarters[i]

    def us_at(self, quarters: Fraction) -> int:
        """Microseconds at a number of quarter notes, rounded to the nearest (half up, so that order is kept)."""
        i = bisect_right(self._quarters, quarters) - 1
        ticks = (quarters - self._quarters[i]) / self._tick_quarters[i]
        fine = (self._starts[i] + ticks * self._rates[i]) / self._per
        return (2 * fine.numerator + fine.denominator) // (2 * fine.denominator)


def _notes(tempos: _Tempos, tracks: Sequence[smf.Track]) -> dict[tuple[int, int], tuple[tuple[float, int], ...]]:
    found: dict[tuple[int, int], list[tuple[int, int]]] = {}
    for track in tracks:
        for tick, channel, note, velocity in track.notes:
            found.setdefault((channel, note), []).append((tick, velocity))
    notes = {}
    for key in sorted(found):
        notes[key] = tuple((tempos.us(tick) / _SECOND, velocity) for tick, velocity in sorted(found[key]))
    return notes


# ---- beats and bars ----------------------------------------------------------------------------------------------


def beat_of(numerator: int, denominator: int) -> tuple[Fraction, int]:
    """The beat of a metre: its length in quarter notes, and how many make a bar."""
    unit, count = Fraction(4, denominator), numerator
    if denominator >= 8 and count > 3 and count % 3 == 0:
        return 3 * unit, count // 3
    while unit < 1 and count % 2 == 0:
        unit, count = 2 * unit, count // 2
    whole = max(1, int(unit))  # in 2/2 the half note counts as two beats
    return unit / whole, count * whole


def _beats(
    tempos: _Tempos,
    metres: Sequence[tuple[int, int, int]],
    markers: Sequence[tuple[int, str]],
    end: int,
    warnings: list[str],
) -> tuple[list[int], list[int], int]:
    """Beats in microseconds, bar lines as indices into them, and the first metre's beats a bar."""
    begins = {text.casefold(): tempos.quarters(tick) for tick, text in reversed(markers)}
    changes: dict[Fraction, tuple[int, int]] = {Fraction(0): (4, 4)}
    for tick, top, bottom in metres:
        changes[tempos.quarters(tick)] = (top, bottom)
    bar_one = begins.get(BAR_ONE)
    if bar_one is not None and bar_one not in changes:
        changes[bar_one] = changes[max(at for at in changes if at <= bar_one)]  # the same metre, counted from here
    places: list[Fraction] = []
    bars: list[int] = []
    starts = sorted(changes)
    last = tempos.quarters(end)
    for start, stop in itertools.zip_longest(starts, starts[1:]):
        beat, size = beat_of(*changes[start])
        # A metre that comes a hair off the grid must not leave a sliver of a beat before it.
        until = last if stop is None else stop - beat / 8
        at = start
        for count in itertools.count():
            if at > until or (stop is not None and at == until) or len(places) >= _MOST_BEATS:
                break
            if count % size == 0:
                bars.append(len(places))
            places.append(at)
            at += beat
    if len(places) >= _MOST_BEATS:
        after = tempos.us_at(places[-1]) / _SECOND
        warnings.append(f"more than {_MOST_BEATS} beats: those after {after:.0f} s are left out")
    first = _nearest(places, begins.get(FIRST_BEAT))
    line = max(first, _nearest(places, bar_one))
    bars = [bar - first for bar in bars if bar >= line]
    return [tempos.us_at(place) for place in places[first:]], bars, beat_of(*changes[Fraction(0)])[1]


def _nearest(places: Sequence[Fraction], at: Fraction | None) -> int:
    if at is None:
        return 0
    i = bisect_right(places, at)
    return min(range(max(0, i - 1), min(i + 1, len(places))), key=lambda j: abs(places[j] - at))


def _run_on(midi: MidiSong, seconds: float | None) -> tuple[list[float], list[int]]:
    """The grid to the end of the song at the last tempo, and not beyond."""
    beats, bars = list(midi.beats), list(midi.bars)
    if seconds is None or len(beats) < 2 or beats[-1] == beats[-2]:  # equal: a beat of less than a microsecond
        return beats, bars
    period = beats[-1] - beats[-2]
    more = max(0, min(int((seconds - beats[-1]) / period), _MOST_BEATS - len(beats)))
    beats += [round(beats[-1] + i * period, 6) for i in range(1, more + 1)]
    beats = [beat for beat in beats if beat <= seconds]
    if bars:
        bars += range(bars[-1] + midi.beats_per_bar, len(beats), midi.beats_per_bar)
    return beats, [bar for bar in bars if bar < len(beats)]


def _once(hits: Sequence[tuple[float, int]]) -> list[float]:
    return sorted({at for at, _ in hits})
