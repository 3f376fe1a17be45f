"""A person's corrections, `STEM.fix.toml`: read, written with comments kept, applied.

They are applied in one order, whatever their order in the file: a given grid or a tempo, the level, the shift, the
bar length, where bar 1 starts, anchors, then the sections and labels that hang on the grid. Notes that came with a
given grid go where its beats go; labels stay at their seconds.
"""

from __future__ import annotations

import hashlib
import itertools
import math
from collections.abc import Callable, Collection, Mapping, MutableMapping, Sequence
from dataclasses import dataclass, field, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

from ..clock import BarGrid, Span, parse_moment, parse_span
from ..faults import FaultList, Faults, Table, is_number, parse_toml, read_toml
from ..files import write_text
from .grid import Grid, between, doubled, halved, moved, place_at, rounded, run_on, tempo_of, time_at
from .mapfile import (
    BANDS,
    HEARING,
    Section,
    SongMap,
    file_sha256,
    read_bars,
    read_times,
    remember,
    with_grid,
)

LEVELS = ("double", "half", "quadruple", "quarter", "off-beat", "3:2", "2:3")

STEPS = {
    "double": {"": "double", "half": "", "double": "quadruple", "quarter": "half"},
    "half": {"": "half", "double": "", "half": "quarter", "quadruple": "double"},
}
"""What twice or half as many beats make of the level in force: word by word, the one takes the other back."""
LEAST_BEAT_S = 0.02  # anchors that need shorter ones are a slip: no music has 3,000 beats a minute
TOGETHER = 0.2  # so near, in beats, are a beat that was heard twice as slow and its own place
SAME_TEMPO = 0.01  # readings so near, in log tempo, are of one tempo: the first of them was believed most
TAKEN_AS_HEARD = ("off-beat", "3:2", "2:3")  # twice or half as many beats are those that are there, whatever was heard
MERGED = ("labels", "notes", "sections")  # tables of names, each of which is set for itself
BEAT_KEYS = ("tempo", "level", "shift", "beats_per_bar", "first_bar", "anchor", "grid")  # what says where beats fall

_TEMPLATE = """\
# Corrections to what was heard in {song}. Hearing it again keeps them. Every key: composer/LISTENING.md.
#
#   tempo = 92.5            beats a minute: picks the reading nearest to it, or lays an even beat
#   level = "double"        or "half", "off-beat", "3:2", "2:3": how the beat was misheard. Counts after the tempo
#   shift = "1/2 beat"      or "-20 ms", "1 beat": later; a minus sign moves earlier. Whole beats move the bar lines
#   beats_per_bar = 3
#   first_bar = 2.415       seconds where bar 1 starts
#   [[anchor]]              bar 17 starts at 31.42 s: one anchor shifts, two or more also stretch
#   bar = 17
#   at = 31.42
#   [sections]              your names for what was heard
#   A = "verse"
#   [[section]]             or your own sections; these replace all that were heard
#   at = "17"
#   name = "chorus"
#   [labels]                moments, seconds or bar.beat
#   door = [12.5, "33.2"]
#   [notes]                 labels that a MIDI file brought along with its beats: they move as those do
#   "midi 10/36" = [12.5]

format = 1
"""


Move = Callable[[float], float]
"""Seconds before and after a correction."""


@dataclass(frozen=True)
class Anchor:
    """Bar `bar` starts at `at` seconds."""

    bar: int
    at: float


@dataclass(frozen=True)
class Fixes:
    """What a person corrected. Everything is optional; `file` is where it was read (for faults)."""

    file: str = "fixes"
    tempo: float | None = None
    level: str = ""
    shift: Span = Span()
    beats_per_bar: int | None = None
    first_bar: float | None = None
    anchors: tuple[Anchor, ...] = ()
    section_names: Mapping[str, str] = field(default_factory=dict)
    sections: tuple[tuple[str, str], ...] = ()  # (musical time, name)
    labels: Mapping[str, tuple[float | str, ...]] = field(default_factory=dict)
    grid: Grid | None = None  # beats and bars given whole, as from a MIDI file
    notes: Mapping[str, tuple[float, ...]] = field(default_factory=dict)  # labels that go where the grid's beats go

    @property
    def id(self) -> str:
        """Short id of the corrections themselves; the same whatever file they stand in."""
        text = repr(replace(self, file=""))
        return hashlib.sha256(text.encode()).hexdigest()[:8]

    @property
    def tell_the_beat(self) -> bool:
        """Whether a person said what the beat is; a shift or another bar length leaves it as doubtful as it was."""
        return any((self.tempo, self.level, self.anchors, self.grid))


def stepped(level: str, step: str) -> str:
    """The level after twice ("double") or half ("half") as many beats as `level` has. Raises `ValueError`."""
    if level not in STEPS[step]:
        raise ValueError(f'the beat is read as "{level}" already')
    return STEPS[step][level]


def fixes_path(song: Path) -> Path:
    """Where a song's corrections lie: `STEM.fix.toml` beside it."""
    return song.with_name(f"{song.stem}.fix.toml")


def load_fixes(path: Path) -> Fixes:
    """Read `STEM.fix.toml`; a missing file is no fixes. Raises `Faults` with every fault found."""
    if not path.exists():
        return Fixes(file=str(path))
    faults = FaultList(path)
    fixes = _fixes_from(Table(read_toml(path), "", faults))
    faults.raise_if_any()
    return fixes


def _fixes_from(top: Table) -> Fixes:
    if top.whole("format", 1) != 1:
        top.fault("format", f"this tool reads format 1, got {top.content['format']}")
    level = top.choice("level", LEVELS, "") if top.has("level") else ""
    anchors = []
    for block in top.tables("anchor"):
        anchors.append(Anchor(block.whole("bar", low=1, high=100_000), block.number("at", low=0.0)))
        block.finish()
    sections = []
    for block in top.tables("section"):
        sections.append((_address(block, "at"), block.text("name")))
        block.finish()
    labels, names, notes = top.table("labels"), top.table("sections"), top.table("notes")
    grid = None
    if top.has("grid"):
        given = top.table("grid")
        beats = read_times(given, "beats")
        given.raw("bars", ())
        bars = read_bars(given, "bars", len(beats)) if given.sound("beats") else ()
        grid = Grid(beats, bars, given.whole("beats_per_bar", 4, low=1, high=64))
        given.text("source", "")
        given.finish()
    fixes = Fixes(
        file=top.faults.file,
        tempo=top.number("tempo", None, low=20.0, high=400.0),
        level=level,
        shift=_shift(top),
        beats_per_bar=top.whole("beats_per_bar", None, low=1, high=16),
        first_bar=top.number("first_bar", None, low=0.0),
        anchors=tuple(sorted(anchors, key=lambda anchor: anchor.bar)),
        section_names={name: names.text(name) for name in names.content},
        sections=tuple(sections),
        labels={name: tuple(_label(labels, name)) for name in labels.content},
        grid=grid,
        notes={name: read_times(notes, name) for name in notes.content},
    )
    for one, other in itertools.pairwise(fixes.anchors):
        if other.bar == one.bar or other.at <= one.at:
            top.fault("anchor", f"bar {other.bar} at {other.at:g} s does not come after bar {one.bar} at {one.at:g} s")
    top.finish()
    return fixes


def _shift(top: Table) -> Span:
    text = top.text("shift", "", wanted='a length in quotes, "20 ms" or "1 beat"').strip()
    if not text:
        return Span()
    try:
        span = parse_span(text[1:] if text[0] in "+-" else text)
    except ValueError as error:
        top.fault("shift", str(error))
        return Span()
    return -span if text.startswith("-") else span


def _address(table: Table, key: str) -> str:
    value = table.raw(key)
    if is_number(value) and not isinstance(value, int):
        table.fault(key, f'write bars as text, {key} = "{value:g}", and seconds as "{value:g}s"')
        return "1"
    text = str(value if value is not None else "1")
    try:
        kind = parse_moment(text).kind
    except ValueError:
        kind = ""
    if kind not in ("bar", "seconds"):
        table.fault(key, f'"{text}" is no place: write a bar like "17.1", or seconds like "31.4s"')
        return "1"
    return text


def _label(labels: Table, name: str) -> list[float | str]:
    items = labels.list_of(name, 'seconds, or a bar like "17.3"', lambda v: is_number(v) or isinstance(v, str))
    for item in items:
        if isinstance(item, str):
            _address(Table({name: item}, labels.where, labels.faults), name)
        elif item < 0:
            labels.fault(name, f"{item:g} s lies before the song")
    return items


def write_fixes(path: Path, changes: Mapping[str, Any], song: str = "this song") -> None:
    """Set keys of `STEM.fix.toml`, comments, line ends and everything else kept; a value of None takes a key out.

    `labels`, `notes` and `sections` are merged name by name, None again taking one out; other keys are set whole.
    Raises `Faults` when the file that is there, or the one that would come out, is not good: nothing is written then.
    """
    import tomlkit

    if path.exists():
        load_fixes(path)
        there = path.read_bytes().decode("utf-8")
    else:
        there = _TEMPLATE.format(song="".join(letter if letter.isprintable() else "?" for letter in song))
    before = there.removeprefix("\ufeff").replace("\r\n", "\n")
    document, meant = tomlkit.parse(before), parse_toml(before, path)
    _set_all(document, changes)
    _set_all(meant, changes)
    text = tomlkit.dumps(document)
    after = parse_toml(text, path)
    faults = FaultList(path)
    _fixes_from(Table(after, "", faults))
    faults.raise_if_any()
    if after != _lists(meant):  # blocks of two kinds that take turns may come back incomplete
        raise Faults.one(path, "", "is laid out in a way that cannot be edited: put blocks of one kind together")
    mark = "\ufeff" if there.startswith("\ufeff") else ""
    write_text(path, mark + (text.replace("\n", "\r\n") if "\r\n" in there else text))


def _set_all(document: MutableMapping[str, Any], changes: Mapping[str, Any]) -> None:
    for key, value in changes.items():
        if value is None:
            document.pop(key, None)
        elif key in MERGED and isinstance(document.get(key), MutableMapping):
            for name, item in value.items():
                if item is None:
                    document[key].pop(name, None)
                else:
                    document[key][name] = item
        else:
            document[key] = value


def _lists(value: Any) -> Any:
    """The same data as TOML gives it back: sequences as lists."""
    if isinstance(value, Mapping):
        return {str(key): _lists(item) for key, item in value.items()}
    return [_lists(item) for item in value] if isinstance(value, (list, tuple)) else value


def apply_fixes(song_map: SongMap, fixes: Fixes, named: Collection[str] = ()) -> SongMap:
    """The map as a person corrected it. Always starts from what was heard, so applying twice changes nothing.

    `named`: the bar numberings that the map must go on knowing (`named_by_scores`).

    Raises `Faults` when a correction cannot be met (bar 17 at a time where only 12 bars fit, a section outside).
    """
    faults = FaultList(fixes.file)
    heard, seconds = song_map.heard, song_map.song.seconds
    grid, phases = _chosen(song_map, fixes)
    moves: list[Move] = []  # what happens to the beats, for the notes that came with them
    if fixes.shift.seconds:
        later = float(fixes.shift.seconds)
        grid = replace(grid, beats=rounded(b + later for b in grid.beats))
        moves.append(lambda time: time + later)
    if fixes.shift.beats or fixes.shift.bars:
        by = float(fixes.shift.beats + fixes.shift.bars * grid.beats_per_bar)
        moves.append(_along(grid.beats, lambda place: place + by - math.floor(by + 1e-9)))
        grid = _shifted(grid, by)
    if fixes.beats_per_bar and fixes.beats_per_bar != grid.beats_per_bar:
        size = fixes.beats_per_bar
        first = int(phases.get(str(size), grid.bars[0] if grid.bars else 0)) % size
        grid = Grid(grid.beats, run_on([first], len(grid.beats), size), size)
    if fixes.first_bar is not None and fixes.first_bar > seconds:
        faults.add("first_bar", f"{fixes.first_bar:g} s lies outside the song, {seconds:.1f} s long")
    elif fixes.first_bar is not None and grid.beats:
        line = min(range(len(grid.beats)), key=lambda i: abs(grid.beats[i] - float(fixes.first_bar or 0.0)))
        lines = [i for i in grid.bars if i >= line] if line in grid.bars else [line]
        grid = replace(grid, bars=tuple(i for i in run_on(lines, len(grid.beats), grid.beats_per_bar) if i >= line))
    outside = [anchor for anchor in fixes.anchors if anchor.at > seconds]
    for anchor in outside:
        faults.add("anchor", f"bar {anchor.bar} at {anchor.at:g} s lies outside the song, {seconds:.1f} s long")
    if fixes.anchors and not outside:
        if len(grid.beats) > 1:
            pins = _pins(grid, fixes.anchors)
            moves.append(_along(grid.beats, lambda beat: _pinned(pins, beat)))
        grid = _anchored(grid, fixes.anchors, faults)
        if any(b - a < LEAST_BEAT_S for a, b in itertools.pairwise(grid.beats)):
            faults.add("anchor", "bars lie so near each other that their beats fall together")
    kept = _inside(grid, seconds)
    if grid.beats and not kept.beats and fixes.shift.seconds:
        what = f"{float(fixes.shift.seconds):g} s moves every beat out of the song, {seconds:.1f} s long"
        faults.add("shift", what)
    faults.raise_if_any()
    fixed = replace(
        song_map,
        sections=tuple(Section(s["start"], s["end"], s["name"]) for s in heard.get("sections", ())),
        labels={name: tuple(times) for name, times in heard.get("labels", {}).items()},
        confidence=1.0 if fixes.tell_the_beat else heard["confidence"],
        heard={**heard, "fixes": fixes.id},
    )
    fixed = with_grid(fixed, kept)
    if fixed.grid != song_map.grid and song_map.heard.get("fixes") is not None:
        fixed = remember(fixed, song_map, named)
    fixed = _with_sections(fixed, fixes, faults)
    labels = {**fixed.labels, **_moved_notes(fixes, moves, seconds)}
    for name, items in fixes.labels.items():
        times = {_seconds(fixed, item, f"labels.{name}", faults) for item in items}
        labels[name] = tuple(sorted({*rounded(times), *(labels.get(name, ()) if name in fixes.notes else ())}))
    faults.raise_if_any()
    return replace(fixed, labels=labels)


def current(song_map: SongMap, song: Path, fixes: Fixes) -> bool:
    """Whether a map still stands for this song file, these fixes and this ear. Raises `Faults` without the song."""
    heard = song_map.heard
    if heard.get("hearing") != HEARING or heard.get("fixes") != fixes.id:
        return False
    return song_map.song.sha256 == file_sha256(song)


def misplaced(song_map: SongMap, fixes: Fixes) -> str:
    """In a few words that corrections were made for another recording of this name, and not changed since; '' else."""
    replaced = song_map.heard.get("replaced")
    if replaced is None or replaced["fixes"] != fixes.id or fixes.id == Fixes().id:
        return ""
    return (
        f"{song_map.song.file} is another recording than the one that {Path(fixes.file).name} corrects "
        f"({replaced['seconds']:.1f} s, now {song_map.song.seconds:.1f} s)"
    )


def _chosen(song_map: SongMap, fixes: Fixes) -> tuple[Grid, Mapping[str, int]]:
    """The grid that tempo and level pick, and where its bars start at other bar lengths."""
    if fixes.grid is not None:
        return fixes.grid, {}
    heard = song_map.heard
    readings = {str(other["name"]): other for other in heard.get("alternatives", ())}
    grid, phases = _reading(heard), heard.get("phases", {})
    if fixes.tempo:
        grid, phases = near_tempo(song_map, fixes.tempo) or (_even(song_map, fixes.tempo), {})
    elif fixes.level in readings and fixes.level in TAKEN_AS_HEARD:
        return _reading(readings[fixes.level]), readings[fixes.level].get("phases", {})
    elif fixes.level in readings and fixes.level == "half":
        agreed = _half_of(grid, _reading(readings["half"]), readings["half"].get("phases", {}))
        if agreed is not None:
            return agreed
    if fixes.level:
        grid, phases = _levelled(grid, fixes.level), {}
    return grid, phases


def near_tempo(song_map: SongMap, tempo: float) -> tuple[Grid, Mapping[str, int]] | None:
    """The reading within 3 % of a tempo, and where its bars start at other bar lengths; None where nothing goes so."""
    heard = song_map.heard
    near = [(_reading(r), r.get("phases", {})) for r in (heard, *heard.get("alternatives", ()))]
    near += [(doubled(near[0][0]), {}), (halved(near[0][0]), {})]
    far = {i: abs(math.log(tempo_of(grid.beats) / tempo)) for i, (grid, _) in enumerate(near) if len(grid.beats) > 1}
    least = min(far.values(), default=math.inf)
    return near[next(i for i in far if far[i] < least + SAME_TEMPO)] if least < 0.03 else None


def _half_of(grid: Grid, reading: Grid, phases: Mapping[str, int]) -> tuple[Grid, Mapping[str, int]] | None:
    """Every other beat of a grid, those that a reading of half the tempo has, and its bars; None where it counts
    otherwise in a part of the song. Of two beats the reading knows which one to keep, and where bars begin. They keep
    their number of beats, if the reading knows where bars of so many begin: who halves the beat has not asked for
    another meter."""
    if len(grid.beats) < 4 or len(reading.beats) < 4:
        return None
    for beats in (grid.beats[0::2], grid.beats[1::2]):
        places = [place_at(beats, time) for time in reading.beats]
        off = round(places[0])
        if any(abs(place - i - off) > TOGETHER for i, place in enumerate(places)):
            continue
        phases = {size: (first + off) % int(size) for size, first in phases.items()}
        size, lines = reading.beats_per_bar, [i + off for i in reading.bars if 0 <= i + off < len(beats)]
        if size != grid.beats_per_bar and str(grid.beats_per_bar) in phases:
            size, lines = grid.beats_per_bar, [phases[str(grid.beats_per_bar)]]
        return Grid(beats, run_on(lines, len(beats), size), size), phases
    return None


def _reading(heard: Mapping[str, Any]) -> Grid:
    return Grid(tuple(heard["beats"]), tuple(heard["bars"]), heard["beats_per_bar"])


def _levelled(grid: Grid, level: str) -> Grid:
    if len(grid.beats) < 2:
        return grid
    if level in ("3:2", "2:3"):
        share = 2 / 3 if level == "3:2" else 3 / 2
        start = grid.bars[0] if grid.bars else 0
        places = [start + k * share for k in range(-int(start / share), int((len(grid.beats) - 1 - start) / share) + 1)]
        beats = rounded(time_at(grid.beats, place) for place in places)
        return Grid(beats, run_on([int(start / share)], len(beats), grid.beats_per_bar), grid.beats_per_bar)
    steps = {
        "double": (doubled,),
        "half": (halved,),
        "quadruple": (doubled, doubled),
        "quarter": (halved, halved),
        "off-beat": (between,),
    }
    for step in steps[level]:
        grid = step(grid)
    return grid


def _even(song_map: SongMap, tempo: float) -> Grid:
    """An even grid from the first sound to the last, at the phase where the strongest onsets lie; through the whole
    song where it is silent or sounds for less than a beat."""
    period = 60.0 / tempo
    first, last = song_map.heard["first_sound"], song_map.heard["last_sound"]
    if last - first < period:
        last = song_map.song.seconds
    onsets = [event for band in BANDS for event in song_map.onsets.get(band, ())]
    x = sum(strength * math.cos(2 * math.pi * time / period) for time, strength in onsets)
    y = sum(strength * math.sin(2 * math.pi * time / period) for time, strength in onsets)
    phase = math.atan2(y, x) / (2 * math.pi) * period if onsets else first
    start = phase + math.ceil((first - 0.1 * period - phase) / period) * period
    start += period if start < 0 else 0.0
    beats = rounded(start + i * period for i in range(int(max(0.0, last - start) / period) + 1))
    size = song_map.heard["beats_per_bar"]
    return Grid(beats, run_on([0], len(beats), size), size)


def _shifted(grid: Grid, by: float) -> Grid:
    """Whole beats move the bar lines, the rest of a beat moves the beats."""
    if len(grid.beats) < 2:
        return grid
    whole = math.floor(by + 1e-9)
    beats = moved(grid.beats, by - whole) if by - whole > 1e-9 else grid.beats
    lines = [i + whole for i in grid.bars if 0 <= i + whole < len(beats)]
    return Grid(beats, run_on(lines, len(beats), grid.beats_per_bar), grid.beats_per_bar)


def _anchored(grid: Grid, anchors: Sequence[Anchor], faults: FaultList) -> Grid:
    """Pin bar lines to times. Between two pins the heard beats are stretched to the count that the bars need."""
    if len(grid.beats) < 2:
        faults.add("anchor", "there are no beats to pin: give a tempo too")
        return grid
    numbers = BarGrid((), grid.bars or (0,), grid.beats_per_bar)
    pins = _pins(grid, anchors)

    def place(beat: int) -> float:
        return _pinned(pins, beat)

    first, end = 0, pins[-1][0]
    while time_at(grid.beats, place(end + 1)) <= grid.beats[-1] + 1e-6:
        end += 1
    while first < end and time_at(grid.beats, place(first)) < 0:
        first += 1
    while time_at(grid.beats, place(first - 1)) >= grid.beats[0] - 1e-6:
        first -= 1
    if first > (grid.bars or (0,))[0]:
        bar = anchors[0]
        faults.add("anchor", f"bar {bar.bar} cannot start at {bar.at:g} s: bar 1 would lie before the song")
        return grid
    beats = rounded(time_at(grid.beats, place(beat)) for beat in range(first, end + 1))
    lines = [i for i in (int(numbers.bar_start(n)) for n in range(1, len(grid.bars) + end)) if first <= i <= end]
    return Grid(beats, tuple(i - first for i in lines), grid.beats_per_bar)


def _pins(grid: Grid, anchors: Sequence[Anchor]) -> list[tuple[int, float]]:
    """For each anchor the beat that starts its bar, and the place on the beats where it is to lie."""
    numbers = BarGrid((), grid.bars or (0,), grid.beats_per_bar)
    return [(int(numbers.bar_start(anchor.bar)), place_at(grid.beats, anchor.at)) for anchor in anchors]


def _pinned(pins: Sequence[tuple[int, float]], beat: float) -> float:
    """The place on the beats where pins put a beat, or a place between two."""
    for (one, at), (two, until) in itertools.pairwise(pins):
        if one <= beat <= two:
            return at + (until - at) * (beat - one) / (two - one)
    one, at = pins[0] if beat < pins[0][0] else pins[-1]
    return at + beat - one


def _along(beats: Sequence[float], where: Callable[[float], float]) -> Move:
    """Times moved along the beats, from their place on them to another."""
    return lambda time: time_at(beats, where(place_at(beats, time))) if len(beats) > 1 else time


def _moved_notes(fixes: Fixes, moves: Sequence[Move], seconds: float) -> dict[str, tuple[float, ...]]:
    """The notes where the given grid's beats went, without those that left the song; where none is given, as they
    are."""
    moved = {}
    for name, times in fixes.notes.items():
        for move in moves if fixes.grid is not None else ():
            times = tuple(move(time) for time in times)
        moved[name] = tuple(time for time in rounded(times) if 0 <= time <= seconds)
    return {name: times for name, times in moved.items() if times}


def _inside(grid: Grid, seconds: float) -> Grid:
    """Without the beats that a shift pushed out of the song."""
    kept = [i for i, beat in enumerate(grid.beats) if 0 <= beat <= seconds]
    if len(kept) == len(grid.beats):
        return grid
    off = kept[0] if kept else 0
    bars = tuple(i - off for i in grid.bars if kept and kept[0] <= i <= kept[-1])
    return Grid(tuple(grid.beats[i] for i in kept), bars, grid.beats_per_bar)


def _seconds(song_map: SongMap, item: float | str, where: str, faults: FaultList) -> float:
    """Seconds of a moment as written; one that lies outside the song is a fault at `where`."""
    if not isinstance(item, str):
        time, said = float(item), f"{item:g} s"
    else:
        moment = parse_moment(item)
        time, said, plus = float(moment.seconds), f'"{item}"', moment.plus
        if moment.kind == "bar" or plus.beats or plus.bars:
            if len(song_map.beats) < 2:
                faults.add(where, f'"{item}": there are no beats to count')
                return 0.0
            numbers = BarGrid((), song_map.bars or (0,), song_map.beats_per_bar)
            by_bar = moment.kind == "bar"
            place = numbers.position(moment.bar, moment.beat) if by_bar else Fraction(place_at(song_map.beats, time))
            time = time_at(song_map.beats, float(numbers.step_bars(place, plus.bars) + plus.beats))
        time += float(plus.seconds)
    if not 0 <= time <= song_map.song.seconds:
        faults.add(where, f"{said} lies outside the song, {song_map.song.seconds:.1f} s long")
    return max(0.0, time)


def _with_sections(song_map: SongMap, fixes: Fixes, faults: FaultList) -> SongMap:
    names = fixes.section_names
    sections = song_map.sections
    known = {section.name for section in sections} | {name for _, name in fixes.sections}
    for name in names:
        if name not in known:
            faults.add(f"sections.{name}", f"no section of this name was heard; there are {', '.join(sorted(known))}")
    if fixes.sections:
        starts = sorted(
            (_seconds(song_map, at, f"section[{i + 1}].at", faults), name)
            for i, (at, name) in enumerate(fixes.sections)
        )
        for (one, first), (two, second) in itertools.pairwise(starts):
            if one == two:
                faults.add("section", f'"{first}" and "{second}" both start at {one:g} s: one would have no length')
        ends = [*(start for start, _ in starts[1:]), max(song_map.heard["last_sound"], starts[-1][0] + 0.001)]
        sections = tuple(
            Section(round(start, 6), round(end, 6), name)
            for (start, name), end in zip(starts, ends, strict=True)
            if end > start
        )
    return replace(song_map, sections=tuple(replace(s, name=names.get(s.name, s.name)) for s in sections))
