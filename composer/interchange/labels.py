"""Label text, as audio editors write it: one label a line, `start<TAB>end<TAB>name`, seconds.

A line whose end is its start (or that has no end) is a moment; else it is a stretch. Read with tolerance for what
editors and hands make of it: decimal commas, a byte order mark, any line ending, spaces for tabs, no name.
Everything that cannot be read is told at once, each with its line.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from ..faults import FaultList, Faults, kind_of, reading
from ..files import write_text
from ..songmap import Section, SongMap

MOST_FAULTS = 20  # lines told of one file; the rest are counted
_MOST_BYTES = 20_000_000
_LONGEST_S = 1_000_000.0  # past eleven days it is no song
_NUMBER = re.compile(r"[+-]?[0-9]+(?:[.,][0-9]*)?(?:[eE][+-]?[0-9]+)?")


@dataclass(frozen=True)
class Label:
    """A named moment (`end` equals `start`) or stretch, seconds."""

    start: float
    end: float
    name: str


def read_label_lines(path: Path) -> tuple[Label, ...]:
    """Every label of a file, by start (lines of one start in the file's order), rounded to a microsecond.

    A label without a name takes the file's own, so that a row of bare taps in `taps.txt` is the label `taps`.
    Raises `Faults`: no such file, not text, or every line that is not a label.
    """
    faults = FaultList(path)
    labels = []
    for number, line in enumerate(re.split("\r\n|\r|\n", _text(path)), 1):
        if not line.strip():
            continue
        try:
            labels.append(_label(line, path.stem))
        except ValueError as error:
            faults.add(f"line {number}", str(error))
    if len(faults.faults) > MOST_FAULTS:
        left = len(faults.faults) - MOST_FAULTS
        del faults.faults[MOST_FAULTS:]
        faults.add("", f"and {left} more lines like these")
    faults.raise_if_any()
    return tuple(sorted(labels, key=lambda label: label.start))


def read_labels(path: Path) -> dict[str, list[float]]:
    """Labels by name: the starts, seconds, ascending, each once. Raises `Faults`."""
    moments: dict[str, set[float]] = {}
    for label in read_label_lines(path):
        moments.setdefault(label.name, set()).add(label.start)
    return {name: sorted(times) for name, times in moments.items()}


def read_sections(path: Path, end: float | None = None) -> tuple[Section, ...]:
    """Labels as sections: a moment runs to the next label, the last one to `end` (seconds, the song's).

    Where two stretches overlap the later one starts on time. Raises `Faults`, also when the last label is a moment
    and no `end` is given.
    """
    labels = read_label_lines(path)
    sections = []
    for i, label in enumerate(labels):
        following = labels[i + 1].start if i + 1 < len(labels) else end
        stop = label.end if label.end > label.start else following
        if stop is None:
            raise Faults.one(path, label.name, f"the last section starts at {label.start:g} s and has no end")
        stop = stop if following is None else min(stop, following)
        if stop > label.start:
            sections.append(Section(label.start, stop, label.name))
    return tuple(sections)


def write_labels(path: Path, labels: Iterable[Label]) -> None:
    """Write labels, by start, six decimals. Tabs and line ends inside a name become spaces. Raises `Faults`."""
    lines = sorted((label.start, label.end, _one_line(label.name)) for label in labels)
    write_text(path, "".join(f"{start:.6f}\t{end:.6f}\t{name}\n" for start, end, name in lines))


def labels_of(song_map: SongMap, bars: bool = False) -> tuple[Label, ...]:
    """What a song map has names for: sections as stretches, labels as moments; with `bars` every bar line too."""
    found = [Label(section.start, section.end, section.name) for section in song_map.sections]
    found += [Label(at, at, name) for name, times in song_map.labels.items() for at in times]
    if bars:
        found += [Label(at, at, f"bar {bar}") for bar, at in enumerate(song_map.bar_times, 1)]
    return tuple(sorted(found, key=lambda label: (label.start, label.end)))


def label_fixes(labels: Mapping[str, Sequence[float]]) -> dict[str, Any]:
    """Labels as changes for `songmap.write_fixes`; names that are there already are replaced, others kept."""
    return {"labels": {name: list(times) for name, times in labels.items()}}


def section_fixes(starts: Iterable[tuple[float, str]]) -> dict[str, Any]:
    """Sections, given as (start in seconds, name), as changes for `songmap.write_fixes`; they replace all heard."""
    return {"section": [{"at": f"{at:.6f}".rstrip("0").rstrip(".") + "s", "name": name} for at, name in starts]}


def _text(path: Path) -> str:
    with reading(path):
        if path.stat().st_size > _MOST_BYTES:
            raise Faults.one(path, "", "too large for label text")
        data = path.read_bytes()
    wide = data[:2] in (b"\xff\xfe", b"\xfe\xff")
    try:
        text = data.decode("utf-16" if wide else "utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise Faults.one(path, f"line {line}", "this is not UTF-8 text") from None
    if "\0" in text:
        line = text.count("\n", 0, text.index("\0")) + 1
        raise Faults.one(path, f"line {line}", "this is not text")
    return text


def _label(line: str, unnamed: str) -> Label:
    """One line. Raises ValueError saying what is wrong with it."""
    if line.startswith("\\"):
        raise ValueError("a line of frequencies, not a label: write the labels without them")
    tabs = "\t" in line
    first, *rest = (field.strip() for field in (line.split("\t", 2) if tabs else line.split(None, 2)))
    start = end = _seconds(first)
    if rest and (_NUMBER.fullmatch(rest[0]) or (tabs and len(rest) > 1)):
        end = _seconds(rest.pop(0))
    if end < start:
        raise ValueError(f"ends at {end:g} s, before its start at {start:g} s")
    return Label(start, end, _one_line(" ".join(rest)) or unnamed)


def _seconds(text: str) -> float:
    if not _NUMBER.fullmatch(text):
        raise ValueError(f"needs start, end (seconds) and name with tabs between, got {kind_of(text)}")
    value = round(float(text.replace(",", ".")), 6) + 0.0  # -0.0 is 0.0
    if not 0 <= value <= _LONGEST_S:
        raise ValueError(f"{value:g} s lies {'before the song' if value < 0 else 'beyond any song'}")
    return value


def _one_line(text: str) -> str:
    return " ".join(text.split())
