"""The map itself and its file, `STEM.map.json`."""

from __future__ import annotations

import contextlib
import hashlib
import itertools
import json
import tomllib
from collections.abc import Collection, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any

from ..faults import FaultList, Faults, Table, is_number, kind_of, reading
from ..files import write_text
from .grid import Grid, grid_id, rounded, tempo_of

VERSION = 1  # of the map file
HEARING = 4  # of the listening itself: a map that an older ear made is not current
BANDS = ("low", "mid", "high")
DRUMS = ("kick", "snare", "hat")
GRIDS_KEPT = 4  # earlier bar numberings that a map remembers besides those that scores are written against

Event = tuple[float, float]  # seconds, strength 0-1


@dataclass(frozen=True)
class SongFile:
    """The file that was heard. `seconds` is the decoded length, never the header's."""

    file: str
    sha256: str
    seconds: float
    sample_rate: int
    decoder: str


@dataclass(frozen=True)
class Section:
    """A stretch of the song, seconds; sections that sound alike share a name."""

    start: float
    end: float
    name: str


@dataclass(frozen=True)
class Loudness:
    """Loudness 0-1 every `hop_s` seconds, by band: low below 170 Hz, high above 2.5 kHz."""

    hop_s: float
    low: tuple[float, ...] = field(repr=False)
    mid: tuple[float, ...] = field(repr=False)
    high: tuple[float, ...] = field(repr=False)
    all: tuple[float, ...] = field(repr=False)


@dataclass(frozen=True)
class SongMap:
    """A song map. `bars` are indices into `beats`; `heard` is what listening found before any fix."""

    song: SongFile
    grid: str
    tempo: float
    beats: tuple[float, ...] = field(repr=False)
    bars: tuple[int, ...] = field(repr=False)
    beats_per_bar: int
    confidence: float
    onsets: Mapping[str, tuple[Event, ...]] = field(repr=False)
    hits: Mapping[str, tuple[Event, ...]] = field(repr=False)
    sections: tuple[Section, ...]
    loudness: Loudness
    labels: Mapping[str, tuple[float, ...]]
    heard: Mapping[str, Any] = field(repr=False)

    @property
    def bar_times(self) -> tuple[float, ...]:
        """Seconds of every bar line."""
        return tuple(self.beats[i] for i in self.bars)

    @property
    def alternatives(self) -> tuple[str, ...]:
        """Names of the runners-up: what else the beat may be."""
        return tuple(str(other["name"]) for other in self.heard.get("alternatives", ()))

    def numbering(self, grid: str) -> Grid | None:
        """The beats and bars behind a bar-numbering id, if this map still remembers it."""
        if grid == self.grid:
            return Grid(self.beats, self.bars, self.beats_per_bar)
        kept = self.heard.get("grids", {}).get(grid)
        return Grid(tuple(kept["beats"]), tuple(kept["bars"]), kept["beats_per_bar"]) if kept else None


# ---- the map file ------------------------------------------------------------------------------------------------


def map_path(song: Path) -> Path:
    """Where a song's map lies: `STEM.map.json` beside it."""
    return song.with_name(f"{song.stem}.map.json")


def file_sha256(path: Path) -> str:
    """SHA-256 of a file, hex. Raises `Faults` when it cannot be read."""
    with reading(path, "song"), path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def to_json(song_map: SongMap) -> dict[str, Any]:
    """The map as the file holds it."""
    out = asdict(song_map)
    return {"version": VERSION, "grid": out.pop("grid"), **out}


def save_map(song_map: SongMap, path: Path) -> None:
    """Write a map: to a temporary name first, so that a reader never meets half a file. Raises `Faults`."""
    text = json.dumps(to_json(song_map), ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    write_text(path, text.replace(',"', ',\n"') + "\n")


def load_map(path: Path) -> SongMap:
    """Read and check a map. Raises `Faults`: missing, not JSON, another version, or edited out of shape."""
    try:
        content = json.loads(path.read_text(encoding="utf-8"), parse_constant=_no_constant)
    except FileNotFoundError:
        raise Faults.one(path, "", "no such file") from None
    except OSError as error:
        raise Faults.one(path, "", f"cannot be read: {error.strerror}") from None
    except UnicodeDecodeError:
        raise Faults.one(path, "", "this is not UTF-8 text; listen to the song again") from None
    except (ValueError, RecursionError) as error:
        place = f"line {error.lineno} column {error.colno}" if isinstance(error, json.JSONDecodeError) else ""
        raise Faults.one(path, place, "not a song map (not JSON); listen to the song again") from None
    faults = FaultList(path)
    if not isinstance(content, dict) or content.get("version") != VERSION:
        found = content.get("version") if isinstance(content, dict) else None
        faults.add("version", f"needs {VERSION}, got {kind_of(found)}; listen to the song again")
        faults.raise_if_any()
    for key in ("labels", "sections", "heard"):
        if key not in content:
            faults.add(key, "is missing")
    song_map = _map_from(Table(content, "", faults))
    faults.raise_if_any()
    return song_map


def _no_constant(word: str) -> float:
    raise ValueError(f"{word} is not a number")


def _map_from(top: Table) -> SongMap:
    song, loud = top.table("song"), top.table("loudness")
    seconds = song.number("seconds", low=0.0)
    beats = read_times(top, "beats")
    bars = read_bars(top, "bars", len(beats))
    loudness = {band: _shares(loud, band) for band in (*BANDS, "all")}
    if len({len(values) for values in loudness.values()}) > 1:
        loud.fault("", "its bands differ in length")
    sections = []
    for table in top.tables("sections"):
        start, end = table.number("start", low=0.0), table.number("end", low=0.0)
        if end <= start:
            table.fault("end", "comes before its start")
        sections.append(Section(start, end, table.text("name")))
    heard = top.named("heard")
    _check_heard(Table(heard, "heard", top.faults))
    labels = top.named("labels")
    label_table = Table(labels, "labels", top.faults)
    beats_per_bar = top.whole("beats_per_bar", low=1, high=64)
    grid = top.text("grid")
    if grid != grid_id(bars, beats_per_bar):
        top.fault("grid", f'"{grid}" does not belong to these bars; listen to the song again')
    return SongMap(
        song=SongFile(
            song.text("file"), song.text("sha256"), seconds, song.whole("sample_rate", low=1), song.text("decoder")
        ),
        grid=grid,
        tempo=top.number("tempo", low=0.0),
        beats=beats,
        bars=bars,
        beats_per_bar=beats_per_bar,
        confidence=top.number("confidence", low=0.0, high=1.0),
        onsets={band: _events(top.table("onsets"), band) for band in BANDS},
        hits={drum: _events(top.table("hits"), drum) for drum in DRUMS},
        sections=tuple(sections),
        loudness=Loudness(loud.number("hop_s", low=1e-4, high=10.0), **loudness),
        labels={name: read_times(label_table, name) for name in labels},
        heard=heard,
    )


def read_times(table: Table, key: str) -> tuple[float, ...]:
    """Ascending times in seconds, rounded to a microsecond. One fault a list: a damaged file must not print a thousand
    lines."""
    values = table.raw(key)
    if not isinstance(values, list) or not all(is_number(v) and v >= 0 for v in values):
        if table.has(key):
            table.fault(key, "needs a list of times in seconds")
        return ()
    times = rounded(values)
    if any(b <= a for a, b in itertools.pairwise(times)):
        table.fault(key, "times must ascend")
    return times


def read_bars(table: Table, key: str, beats: int) -> tuple[int, ...]:
    values = table.raw(key)
    if not isinstance(values, list) or not all(type(v) is int for v in values):
        if table.has(key):
            table.fault(key, "needs a list of whole numbers, places among the beats")
        return ()
    if any(b <= a for a, b in itertools.pairwise(values)) or (values and not 0 <= values[0] <= values[-1] < beats):
        table.fault(key, f"must ascend within the {beats} beats")
        return ()
    return tuple(values)


def _shares(table: Table, key: str) -> tuple[float, ...]:
    values = table.raw(key)
    if not isinstance(values, list) or not all(is_number(v) and 0 <= v <= 1 for v in values):
        if table.has(key):
            table.fault(key, "needs a list of numbers 0-1")
        return ()
    return tuple(float(v) for v in values)


def _events(table: Table, key: str) -> tuple[Event, ...]:
    values = table.raw(key)
    if not isinstance(values, list) or not all(_is_event(v) for v in values):
        if table.has(key):
            table.fault(key, "needs a list of [seconds, strength 0-1]")
        return ()
    return tuple((float(time), float(strength)) for time, strength in values)


def _is_event(value: Any) -> bool:
    return isinstance(value, list) and len(value) == 2 and all(is_number(v) for v in value) and 0 <= value[1] <= 1


def _check_heard(heard: Table) -> None:
    """`heard` is checked as far as fixes lean on it."""
    read_bars(heard, "bars", len(read_times(heard, "beats")))
    heard.whole("beats_per_bar", low=1, high=64)
    for key in ("first_sound", "last_sound"):
        heard.number(key, low=0.0)
    if heard.has("replaced"):
        replaced = heard.table("replaced")
        replaced.text("sha256"), replaced.text("fixes")
        replaced.number("seconds", low=0.0)
    for other in heard.tables("alternatives"):
        other.text("name")
        read_bars(other, "bars", len(read_times(other, "beats")))
        other.whole("beats_per_bar", low=1, high=64)
    for kept in heard.named("grids").values():
        table = Table(kept, "heard.grids", heard.faults)
        read_bars(table, "bars", len(read_times(table, "beats")))
        table.whole("beats_per_bar", low=1, high=64)


def remember(song_map: SongMap, earlier: SongMap, named: Collection[str] = ()) -> SongMap:
    """Carry an earlier map's bar numberings over, so that a score written against them can be moved.

    `named`: those that a score is written against. They stay; of the others the newest do.
    """
    kept = dict(earlier.heard.get("grids", {}))
    kept.pop(earlier.grid, None)
    kept[earlier.grid] = asdict(Grid(earlier.beats, earlier.bars, earlier.beats_per_bar))
    kept.update(song_map.heard.get("grids", {}))
    kept.pop(song_map.grid, None)
    newest = list(kept)[-GRIDS_KEPT:]
    kept = {name: grid for name, grid in kept.items() if name in newest or name in named}
    return replace(song_map, heard={**song_map.heard, "grids": kept})


def succeeding(song_map: SongMap, earlier: SongMap) -> SongMap:
    """A map just heard that goes on knowing which recording of its name the corrections in force were made for.

    `heard.replaced` is that recording's `sha256` and `seconds`, and the id of the `fixes` then. The same sound in
    another file is no other recording.
    """
    before = earlier.heard.get("replaced")
    if before is not None and before["sha256"] == song_map.song.sha256:
        before = None  # it is back
    elif not _sounds_alike(song_map, earlier) and (before is None or before["fixes"] != earlier.heard.get("fixes")):
        song = earlier.song
        before = {"sha256": song.sha256, "seconds": song.seconds, "fixes": earlier.heard.get("fixes", "")}
    return song_map if before is None else replace(song_map, heard={**song_map.heard, "replaced": before})


def _sounds_alike(one: SongMap, other: SongMap) -> bool:
    """Whether two files hold one recording, as far as it was heard: the same length and the same beats."""
    if one.song.sha256 == other.song.sha256:
        return True
    beats, others = one.heard["beats"], other.heard["beats"]
    alike = abs(one.song.seconds - other.song.seconds) < 0.1 and len(beats) == len(others)
    return alike and all(abs(a - b) < 0.05 for a, b in zip(beats, others, strict=True))


def named_by_scores(song: Path) -> frozenset[str]:
    """The bar numberings that scores beside a song are written against: `grid` at the top of a TOML file there."""
    found = []
    for path in song.parent.glob("*.toml"):
        with contextlib.suppress(OSError, ValueError):  # what cannot be read names nothing
            found.append(tomllib.loads(path.read_text(encoding="utf-8-sig")).get("grid"))
    return frozenset(name for name in found if isinstance(name, str))


def ways_out(song_map: SongMap) -> str:
    """What helps a score whose bars a map no longer knows, as the end of a message."""
    first = "take the correction back that changed the bars (listen --as-heard)"
    replaced = song_map.heard.get("replaced")
    if replaced is not None and replaced["fixes"] == song_map.heard.get("fixes"):  # nothing was corrected since
        lengths = f"{replaced['seconds']:.1f} s, now {song_map.song.seconds:.1f} s"
        first = f"{song_map.song.file} is another recording than before ({lengths}): put the earlier one back"
    return (
        f"{first}, draft the score anew (draft --force), or move its addresses by hand and then write "
        f'grid = "{song_map.grid}"'
    )


def with_grid(song_map: SongMap, grid: Grid) -> SongMap:
    """The map on another grid: tempo and id follow; sections move to the nearest bar lines."""
    moved = replace(
        song_map,
        beats=grid.beats,
        bars=grid.bars,
        beats_per_bar=grid.beats_per_bar,
        tempo=tempo_of(grid.beats),
        grid=grid_id(grid.bars, grid.beats_per_bar),
    )
    return replace(moved, sections=snap_sections(moved.sections, moved.bar_times))


def snap_sections(sections: Sequence[Section], lines: Sequence[float]) -> tuple[Section, ...]:
    """Section boundaries moved to the nearest bar line; the end of the last stays. Sections that vanish are dropped."""
    if not lines or not sections:
        return tuple(sections)
    starts = [min(lines, key=lambda line: abs(line - section.start)) for section in sections]
    ends = [*starts[1:], sections[-1].end]
    kept = [Section(a, b, s.name) for a, b, s in zip(starts, ends, sections, strict=True) if b > a]
    return tuple(kept)
