"""What a person corrects by ear on the page, as changes of the text of `STEM.fix.toml`."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping, Sequence
from fractions import Fraction
from typing import Any

from ..clock import SECOND, BarGrid, Span, parse_span
from ..songmap import LEVELS, SongMap, stepped
from .score_edits import BadEdit, beats_of, beats_text
from .toml_text import CannotEdit, block_text, inserted, plain, removed, set_data, set_value

KEPT_BY_CLEAR = ("format", "labels", "notes")
MOST_TIMES = 10_000
Data = dict[str, Any]


def corrected(text: str, op: Mapping[str, Any], song: SongMap) -> str:
    """The text of the fixes after one operation; `song` is the map as it is corrected now.

    Raises `BadEdit` for an operation that cannot be done, `CannotEdit` for a text laid out in a way not changed here.
    """
    mark = "\ufeff" if text.startswith("\ufeff") else ""
    fixer = _Fixer(text.removeprefix(mark), song)
    name = op.get("op")
    if not isinstance(name, str) or name not in OPERATIONS:
        raise BadEdit(f'there is no correction "{name}"; there are {", ".join(OPERATIONS)}')
    OPERATIONS[name](fixer, op)
    if tomllib.loads(fixer.text) != plain(fixer.data):
        raise CannotEdit("the fixes are laid out in a way that cannot be changed here: change them in the text")
    return mark + fixer.text


class _Fixer:
    def __init__(self, text: str, song: SongMap) -> None:
        self.text, self.song = text, song
        self.data: Data = tomllib.loads(text)

    def set(self, path: tuple[str | int, ...], value: Any) -> None:
        """One place, in the text and in the data; None takes it out, and so does an empty list."""
        self.text = set_value(self.text, path, value)
        set_data(self.data, path, value)

    def drop(self, key: str) -> None:
        """Take out a key, a table, or all blocks of a kind."""
        held = self.data.get(key)
        if isinstance(held, list) and held and all(isinstance(block, dict) for block in held):
            self.blocks(key, [])
        elif isinstance(held, dict):
            for name in list(held):
                self.set((key, name), None)
        elif key in self.data:
            self.set((key,), None)

    def blocks(self, key: str, wanted: Sequence[Data]) -> None:
        """The blocks of a kind, those that stay as they were left where they are, with their comments."""
        held: list[Data] = list(self.data.get(key, []))
        for number in reversed(range(len(held))):
            if held[number] not in wanted:
                self.text = removed(self.text, (key, number))
                del held[number]
        for block in wanted:
            if block not in held:
                self.text = inserted(self.text, block_text((key,), block), (key, len(held) - 1) if held else None)
                held.append(block)
        if held:
            self.data[key] = held
        else:
            self.data.pop(key, None)

    # -- the operations

    def nudge(self, op: Mapping[str, Any]) -> None:
        span = self._shift()
        if span.beats or span.bars:
            raise BadEdit(
                f'the beats are shifted by "{self.data["shift"]}" already, and one shift is in beats or in ms: move '
                "bar lines with a bar line here, or take the shift away first"
            )
        ms = round(float(span.seconds) * 1000 + _number(op, "ms", -5000, 5000), 3)
        self.set(("shift",), f"{ms:g} ms" if ms else None)

    def shift(self, op: Mapping[str, Any]) -> None:
        span = self._shift()
        beats = beats_of(op.get("beats"), "beats")
        if span.seconds:
            raise BadEdit(
                f'the beats are nudged by "{self.data["shift"]}" already, and a shift is in beats or in ms: set a '
                "bar line here instead, or take the nudge away first"
            )
        total = span.beats + span.bars * self.song.beats_per_bar + beats
        self.set(("shift",), f"{'-' if total < 0 else ''}{beats_text(abs(total))}" if total else None)

    def _shift(self) -> Span:
        written = str(self.data.get("shift", "")).strip()
        if not written:
            return Span()
        span = parse_span(written.lstrip("+-").strip())
        return -span if written.startswith("-") else span

    def double(self, op: Mapping[str, Any]) -> None:
        self._step("double")

    def halve(self, op: Mapping[str, Any]) -> None:
        self._step("half")

    def _step(self, step: str) -> None:
        try:
            level = stepped(str(self.data.get("level", "")), step)
        except ValueError as error:
            raise BadEdit(f"{error}: choose another reading instead") from None
        self.set(("level",), level or None)

    def level(self, op: Mapping[str, Any]) -> None:
        level = op.get("level", "")
        if level not in ("", *LEVELS, None):
            raise BadEdit(f'there is no reading "{level}"; there are {", ".join(LEVELS)}')
        self.set(("level",), level or None)

    def barline(self, op: Mapping[str, Any]) -> None:
        beats, size = self.song.beats, self.song.beats_per_bar
        if not beats:
            raise BadEdit("there are no beats: give a tempo first")
        at = _number(op, "at", 0, self.song.song.seconds)
        near = min(range(len(beats)), key=lambda i: abs(beats[i] - at))
        # Bar lines fall here and every so many beats either way: the first of them is what the file says.
        self.set(("first_bar",), round(beats[near % size], 6))

    def beats_per_bar(self, op: Mapping[str, Any]) -> None:
        value = op.get("value")
        self.set(("beats_per_bar",), None if value is None else int(_number(op, "value", 1, 16)))

    def tempo(self, op: Mapping[str, Any]) -> None:
        value = op.get("value")
        self.set(("tempo",), None if value is None else _plain(_number(op, "value", 20, 400)))
        if value is not None and self.data.get("level") not in (None, "off-beat"):
            self.set(("level",), None)  # the tempo is about this, whatever was said before

    def anchor(self, op: Mapping[str, Any]) -> None:
        bar = int(_number(op, "bar", 1, 100_000))
        kept = [block for block in self.data.get("anchor", []) if block.get("bar") != bar]
        if op.get("at") is not None:
            kept.append({"bar": bar, "at": round(_number(op, "at", 0, self.song.song.seconds), 6)})
        self.blocks("anchor", kept)

    def label(self, op: Mapping[str, Any]) -> None:
        name = _name(op, "name")
        times = op.get("times")
        if times is None or times == []:
            self._forget(name, "labels", "notes")
            return
        if not isinstance(times, list) or len(times) > MOST_TIMES:
            raise BadEdit("times needs a list of seconds or bar.beat")
        step = beats_of(op["quantise"], "quantise") if op.get("quantise") else None
        wanted = [self._on_grid(time, step) for time in times]
        if op.get("add"):
            held = self.data.get("labels", {}).get(name, [])
            wanted = [*(held if isinstance(held, list) else [held]), *wanted]
        else:
            self._forget(name, "notes")
        self.set(("labels", name), list(dict.fromkeys(wanted)))

    def _on_grid(self, time: Any, step: Fraction | None) -> float | str:
        if isinstance(time, str):
            return time
        if not isinstance(time, (int, float)) or isinstance(time, bool) or not 0 <= time <= self.song.song.seconds:
            raise BadEdit(f"{time} is no moment of the song")
        if step is None or len(self.song.beats) < 2:
            return round(float(time), 3)
        if step <= 0:
            raise BadEdit("quantise needs beats above 0")
        return round(quantised(self.song.beats, float(time), step), 6)

    def rename_label(self, op: Mapping[str, Any]) -> None:
        name, to = _name(op, "name"), _name(op, "to")
        held = {kind: self.data[kind][name] for kind in ("labels", "notes") if name in self.data.get(kind, {})}
        held = held or {"labels": list(self.song.labels.get(name, ()))}
        if not any(held.values()):
            raise BadEdit(f'there is no label "{name}"')
        if to != name and any(to in self.data.get(kind, {}) for kind in ("labels", "notes")):
            raise BadEdit(f'there is a label "{to}" already')
        self._forget(name, *held)
        for kind, times in held.items():
            self.set((kind, to), times)

    def _forget(self, name: str, *kinds: str) -> None:
        for kind in kinds:
            if name in self.data.get(kind, {}):
                self.set((kind, name), None)

    def section(self, op: Mapping[str, Any]) -> None:
        name, to = _name(op, "name"), _name(op, "to")
        own = self.data.get("section", [])
        if own:
            for number, block in enumerate(own):
                if block.get("name") == name:
                    self.set(("section", number, "name"), to)
            return
        names = self.data.get("sections", {})
        heard = next((key for key, value in names.items() if value == name), name)
        self.set(("sections", heard), None if heard == to else to)

    def sections(self, op: Mapping[str, Any]) -> None:
        given = op.get("list")
        if not isinstance(given, list) or len(given) > 1000:
            raise BadEdit("list needs sections, each with at and name")
        wanted = []
        for row in given:
            if not isinstance(row, Mapping):
                raise BadEdit("a section needs at and name")
            wanted.append({"at": self._address(row.get("at")), "name": _name(row, "name")})
        if self.data.get("sections"):
            self.drop("sections")
        self.blocks("section", wanted)

    def _address(self, at: Any) -> str:
        if isinstance(at, Mapping):
            beat = beats_of(at.get("beat"), "at")
            return self._grid_address(beat)
        if not isinstance(at, str):
            raise BadEdit('a section starts at a bar such as "17", at seconds such as "31.4s", or at {"beat": 64}')
        return at

    def _grid_address(self, beat: Fraction) -> str:
        song = self.song
        grid = BarGrid.of(song.beats, song.bars, song.beats_per_bar, round(song.song.seconds * SECOND))
        return grid.address(beat)

    def clear(self, op: Mapping[str, Any]) -> None:
        for key in list(self.data):
            if key not in KEPT_BY_CLEAR:
                self.drop(key)


OPERATIONS: Mapping[str, Callable[[_Fixer, Mapping[str, Any]], None]] = {
    "nudge": _Fixer.nudge, "shift": _Fixer.shift, "double": _Fixer.double, "halve": _Fixer.halve,
    "level": _Fixer.level, "barline": _Fixer.barline, "beats_per_bar": _Fixer.beats_per_bar, "tempo": _Fixer.tempo,
    "anchor": _Fixer.anchor, "label": _Fixer.label, "rename_label": _Fixer.rename_label, "section": _Fixer.section,
    "sections": _Fixer.sections, "clear": _Fixer.clear,
}  # fmt: skip


def quantised(beats: Sequence[float], time: float, step: Fraction) -> float:
    """The place of the grid of `step` beats nearest to a time, seconds; the outer beats run on."""
    i = min(max(sum(beat <= time for beat in beats) - 1, 0), len(beats) - 2)
    length = beats[i + 1] - beats[i]
    place = Fraction((time - beats[i]) / length).limit_denominator(10_000)
    return max(0.0, beats[i] + float(round(place / step) * step) * length)


def _number(op: Mapping[str, Any], key: str, low: float, high: float) -> float:
    value = op.get(key)
    if not isinstance(value, (int, float)) or isinstance(value, bool) or not low <= value <= high:
        raise BadEdit(f"{key} needs a number from {low:g} to {high:g}, got {value!r}")
    return value


def _plain(value: float) -> float:
    return round(float(value), 4)


def _name(op: Mapping[str, Any], key: str) -> str:
    value = op.get(key)
    if not isinstance(value, str) or not value.strip() or len(value) > 100 or set(value) & set("[]\n\r"):
        raise BadEdit(f"{key} needs a name without brackets, got {value!r}")
    return value.strip()
