"""The verb `renumber`: move a score's addresses after the bars of its song changed.

The score says which bar numbering it was written against (`grid`); the song map remembers the beats behind it. Each
bar address in the score is a moment of the song: it is looked up in the old numbering and named again in the new one.
Lengths stay as written, and so do times inside phrases, which count from the phrase's own start.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterator
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any

from .clock import SECOND, BarGrid, FrameClock, frame_clock, parse_moment
from .faults import Faults, counted, listed, parse_toml
from .score import BARS
from .songmap import Grid, SongMap, ways_out

FINEST = 24  # on other beats addresses are named to 1/24 of a beat: what lies between was not meant


class Renumbering:
    """Names moments of the song by another bar numbering."""

    def __init__(self, song: SongMap, old: Grid) -> None:
        self.song_us = round(song.song.seconds * SECOND)
        self.old = self._clock(old)
        self.new = self._clock(Grid(song.beats, song.bars, song.beats_per_bar))
        # Where a beat of one numbering is not a beat of the other, lengths in beats no longer mean the same.
        self.same_beats = old.beats == song.beats
        was, now = old.beats_per_bar, song.beats_per_bar
        self.other_bars = ""  # why a length in bars may be another length now
        if was != now:
            self.other_bars = f"a bar has {counted(now, 'beat')} now, not {was}"
        elif any(b - a != now for bars in (old.bars, song.bars) for a, b in pairwise(bars)):
            self.other_bars = "bars are not all of one length"

    def _clock(self, grid: Grid) -> FrameClock:
        bars = BarGrid.of(grid.beats, grid.bars, grid.beats_per_bar, self.song_us)
        return frame_clock(bars, self.song_us)

    def moved(self, bar: int, beat: Fraction) -> tuple[int, Fraction]:
        """The new bar and beat (both from 1) of a moment given in the old ones."""
        position = self.old.grid.position(bar, beat)
        if not self.same_beats:
            us = self.old.us_at(position)
            position = Fraction(round(self.new.beat_at_us(us) * FINEST), FINEST)
        new_bar = self.new.grid.bar_of(position)
        return new_bar, position - self.new.grid.bar_start(new_bar) + 1

    def address(self, text: str) -> str:
        """A written time with its bar address moved; other times (seconds, sections, labels) stay."""
        try:
            moment = parse_moment(text)
        except ValueError:
            return text
        if moment.kind != "bar":
            return text
        written = text.strip()
        fraction = _FRACTION.match(written)
        head, rest = (fraction[0], written[fraction.end() :]) if fraction else (written, "")
        at = parse_moment(head)
        bar, beat = self.moved(at.bar, at.beat + at.plus.beats)
        whole, part = divmod(beat, 1)
        named = f"{bar}.{whole}" if part or whole != 1 or "." in head else f"{bar}"
        return named + (f"+{part}" if part else "") + rest

    def run(self, text: str) -> dict[str, str]:
        """A run of bars such as "17-24", moved: `bars` again, or `at` and `to` where it left the bar lines."""
        match = BARS.fullmatch(text)
        if not match:
            return {"bars": text}
        first, last = match.groups()
        start, beat = self.moved(int(first), Fraction(1))
        if last == "end":
            return {"bars": f"{start}-end"} if beat == 1 else {"at": self.address(f"{first}.1"), "to": "end"}
        after = int(last or first) + 1
        end, end_beat = self.moved(after, Fraction(1))
        bars = f"{start}" if end - 1 == start else f"{start}-{end - 1}"
        if beat != 1 or end_beat != 1 or not BARS.fullmatch(bars):  # the last of several bars is none before bar 0
            return {"at": self.address(f"{first}.1"), "to": self.address(f"{after}.1")}
        return {"bars": bars}

    def entry(self, key: str, text: str) -> dict[str, str]:
        """What stands for `key = "text"` of a clip or trigger afterwards."""
        return self.run(text) if key == "bars" else {key: self.address(text)}


def renumbered(text: str, path: Path, song: SongMap) -> tuple[str, list[str]]:
    """A score's text with its addresses moved to the song map's bars, all else to the letter; and what to look at.

    Raises `Faults` where the score names no numbering, or one that the map does not remember, or is written in a way
    that this cannot follow (then nothing is changed).
    """
    if text.startswith("\ufeff"):  # a mark that some editors begin a file with
        moved, notes = renumbered(text[1:], path, song)
        return f"\ufeff{moved}", notes
    document = parse_toml(text, path)
    written = document.get("grid")
    if not isinstance(written, str) or not written:
        raise Faults.one(
            path,
            "grid",
            f'is missing, so nobody knows which bars it counts: if those of today, write grid = "{song.grid}"',
        )
    if written == song.grid:
        return text, []
    old = song.numbering(written)
    if old is None:
        raise Faults.one(path, "grid", f'the song map does not know the bars "{written}": {ways_out(song)}')
    numbering = Renumbering(song, old)
    moved = _rewritten(text, numbering, song.grid)
    # The text is edited in place, since a parser that writes TOML back may lose blocks that take turns. What came out
    # is read again, and must say exactly what was meant.
    if parse_toml(moved, path) != _meant(document, numbering, song.grid):
        raise Faults.one(path, "", "is laid out in a way that renumber cannot follow: move the addresses by hand")
    beats_changed = "the beats themselves changed: lengths (for, every, ...) stay as written, look at them"
    notes = [] if numbering.same_beats else [beats_changed]
    lengths = list(_lengths_in_bars(document)) if numbering.other_bars else []
    if lengths:
        notes.append(f"{numbering.other_bars}: lengths in bars stay as written, look at {listed(lengths)}")
    return moved, notes


def _lengths_in_bars(document: dict[str, Any]) -> Iterator[str]:
    """Where a score says a length in bars, and its phrases, whose own bars are counted from their start."""
    for kind in BLOCKS:
        blocks = document.get(kind)
        for i, block in enumerate(blocks if isinstance(blocks, list) else ()):
            rows = dict(block) if isinstance(block, dict) else {}
            clip = rows.pop("clip", None)
            rows |= {f"clip.{key}": value for key, value in clip.items()} if isinstance(clip, dict) else {}
            yield from (f"{kind}[{i + 1}].{key}" for key, value in rows.items() if _says_bars(value))
    phrases = document.get("phrase")
    yield from (f"phrase.{name}" for name in (phrases if isinstance(phrases, dict) else ()))


def _says_bars(value: Any) -> bool:
    """Whether a value holds a length such as "4 bars", or a point past the first bar of its clip."""
    if isinstance(value, list):
        return any(_says_bars(item) or _is_later_point(item) for item in value)
    return isinstance(value, str) and re.search(r"\d\s*bars?\b", value) is not None


def _is_later_point(item: Any) -> bool:
    if not (isinstance(item, list) and item and isinstance(item[0], str)):
        return False
    try:
        moment = parse_moment(item[0])
    except ValueError:
        return False
    return moment.kind == "bar" and moment.bar != 1


def _meant(document: dict[str, Any], numbering: Renumbering, grid: str) -> dict[str, Any]:
    """The score as data, its addresses moved."""
    out = {**document, "grid": grid}
    for kind in BLOCKS:
        if isinstance(document.get(kind), list):
            out[kind] = [_block_meant(block, numbering) for block in document[kind]]
    if isinstance(document.get("order"), dict):
        out["order"] = {name: _order_meant(value, numbering) for name, value in document["order"].items()}
    return out


def _block_meant(block: Any, numbering: Renumbering) -> Any:
    if not isinstance(block, dict):
        return block
    out: dict[str, Any] = {}
    for key, value in block.items():
        out.update(numbering.entry(key, value) if key in TIMES and isinstance(value, str) else {key: value})
    return out


def _order_meant(value: Any, numbering: Renumbering) -> Any:
    if isinstance(value, list):
        return [_order_meant(item, numbering) for item in value]
    return numbering.address(value) if isinstance(value, str) else value


BLOCKS = ("clip", "trigger", "master")
TIMES = ("at", "to", "bars")
# A bar address with the fractions of a beat that belong to the place; lengths with a unit after it stay.
_FRACTION = re.compile(r"-?\d+(?:\.\d+)?(?:\s*\+\s*\d+(?:/\d+)?(?!\s*[\w/.]))*")
_HEADER = re.compile(r"\s*\[\[?\s*([\w.-]+)\s*\]")
_GRID = re.compile(r'(\s*grid\s*=\s*)(?:"[^"\\]*"|\'[^\']*\')(.*)', re.DOTALL)
_TIME = re.compile(r'(\s*)(at|to|bars)(\s*=\s*)(?:"([^"\\]*)"|\'([^\']*)\')(.*)', re.DOTALL)
_WORD = re.compile(r"""#.*|"([^"\\\n]*)"|'([^'\n]*)'""")


def _rewritten(text: str, numbering: Renumbering, grid: str) -> str:
    """The score's text, line by line, with the times of clips, triggers and [order] moved."""
    out, table = [], ""
    for line in text.splitlines(keepends=True):
        header = _HEADER.match(line)
        if header:
            table = header[1]
        elif table == "" and (match := _GRID.fullmatch(line)):
            line = f'{match[1]}"{grid}"{match[2]}'
        elif table in BLOCKS and (match := _TIME.fullmatch(line)):
            line = _moved_line(match, numbering)
        elif table == "order":
            line = _WORD.sub(lambda word: _moved_word(word, numbering), line)
        out.append(line)
    return "".join(out)


def _moved_line(match: re.Match[str], numbering: Renumbering) -> str:
    indent, key, equals, double, single, rest = match.groups()
    entries = list(numbering.entry(key, double if double is not None else single).items())
    ending = "\r\n" if rest.endswith("\r\n") else "\n"
    lines = [f'{indent}{name}{equals}"{value}"' for name, value in entries]
    return ending.join(lines) + rest


def _moved_word(word: re.Match[str], numbering: Renumbering) -> str:
    text = word[1] if word[1] is not None else word[2]
    return word[0] if text is None else f'"{numbering.address(text)}"'


def difference(before: str, after: str, name: str) -> str:
    """The change as a unified diff."""
    lines = difflib.unified_diff(before.splitlines(), after.splitlines(), name, name, lineterm="", n=1)
    return "\n".join(lines)
