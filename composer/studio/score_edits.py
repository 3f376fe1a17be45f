"""What a person does to a score on the page, as changes of its text: move, stretch, set, add, copy, delete, place.

Every operation is done twice: on the text, letter by letter (`toml_text`), and on the parsed data. Both must agree in
the end, else nothing is changed and the person is told to edit the text. Beats are `Fraction`, counted from the first
heard beat; inside a phrase from the phrase's own start, a bar there being as long as the song's usual one.
"""

from __future__ import annotations

import copy
import re
from collections.abc import Callable, Iterable, Mapping
from fractions import Fraction
from typing import Any

from ..clock import SECOND, FrameClock, Moment, parse_moment, parse_number, parse_span
from ..score import BARS
from .toml_text import (
    CannotEdit,
    Path,
    block_span,
    block_text,
    inserted,
    plain,
    removed,
    renamed_header,
    replaced,
    set_data,
    set_value,
    with_end,
)

MOST_OPS = 2000
_WHERE = re.compile(r"(clip|trigger|master)\[(\d+)\]|(phrase|order)\.(.+)\[(\d+)\]")
ALL_FIELDS: Mapping[str, tuple[str, ...]] = {
    "move": ("where", "by"), "stretch": ("where",), "set": ("where", "key"), "add": ("kind", "values"),
    "copy": ("where", "by"), "delete": ("where",), "place": ("phrase", "at"), "make_phrase": ("name", "wheres"),
}  # fmt: skip


class BadEdit(Exception):
    """An operation that says nothing that can be done; one line for a person."""


def edited(
    text: str,
    ops: Iterable[Mapping[str, Any]],
    clock: FrameClock,
    falls: Callable[[Moment], Fraction | None],
    parse: Callable[[str], dict[str, Any]],
) -> tuple[str, list[str]]:
    """A score's text after some operations, and the places of the blocks that they added.

    `clock` and `falls` (where a written time falls) are of the show that the person sees; `parse` reads TOML. Raises
    `BadEdit` for an operation that cannot be done, `CannotEdit` for a text laid out in a way that is not changed here.
    """
    editor = _Editor(text, clock, falls, parse)
    for op in ops:
        editor.do(op)
    return editor.done()


class _Editor:
    def __init__(
        self,
        text: str,
        clock: FrameClock,
        falls: Callable[[Moment], Fraction | None],
        parse: Callable[[str], dict[str, Any]],
    ) -> None:
        self._parse = parse
        self.mark = "\ufeff" if text.startswith("\ufeff") else ""
        self.text = text.removeprefix(self.mark)
        self.data: dict[str, Any] = copy.deepcopy(parse(text))
        self.clock, self.falls = clock, falls
        self.bar_beats = clock.grid.beats_per_bar
        # For each kind of block, which of the blocks that were there each one now is; below 0 for one that was added.
        self._was: dict[tuple[str, ...], list[int]] = {}
        self._added: list[tuple[tuple[str, ...], int]] = []
        for kind in ("clip", "trigger", "master"):
            self._was[kind,] = list(range(len(self.data.get(kind, ()))))
        for kind in ("phrase", "order"):
            for name, value in self.data.get(kind, {}).items():
                self._was[kind, name] = list(range(len(value) if isinstance(value, list) else 1))

    def done(self) -> tuple[str, list[str]]:
        if self._parse(self.mark + self.text) != plain(self.data):
            raise CannotEdit("this is laid out in a way that cannot be changed here: change it in the text")
        added = []
        for kind, token in self._added:
            if token in self._was.get(kind, ()):
                added.append(f"{'.'.join(kind)}[{self._was[kind].index(token) + 1}]")
        return self.mark + self.text, added

    def do(self, op: Mapping[str, Any]) -> None:
        """One operation."""
        name = op.get("op")
        if not isinstance(name, str) or name not in ALL_FIELDS:
            raise BadEdit(f'there is no operation "{name}"; there are {", ".join(ALL_FIELDS)}')
        missing = [field for field in ALL_FIELDS[name] if field not in op]
        if missing:
            raise BadEdit(f"{name} needs {', '.join(missing)}")
        getattr(self, f"_do_{name}")(op)

    # -- places

    def _block(self, op: Mapping[str, Any], key: str = "where") -> tuple[tuple[str, ...], int]:
        """The kind of block that is meant, and its number now, from 0."""
        return self._named(_text(op, key))

    def _named(self, where: str) -> tuple[tuple[str, ...], int]:
        match = _WHERE.fullmatch(where)
        if not match:
            raise BadEdit(f'"{where}" names no block')
        kind = (match[1],) if match[1] else (match[3], match[4])
        number = int(match[2] or match[5]) - 1
        if number < 0 or number not in self._was.get(kind, ()):
            raise BadEdit(f"there is no {where}")
        return kind, self._was[kind].index(number)

    def _set(self, path: Path, value: Any) -> None:
        """One place, in the text and in the data."""
        self.text = set_value(self.text, path, value)
        set_data(self.data, path, copy.deepcopy(value))

    def _at(self, kind: tuple[str, ...], number: int) -> Path:
        """The path of a block, or of one entry of the order, which may stand without brackets."""
        path: Path = (*kind, number)
        if kind[0] == "order" and not isinstance(self.data["order"][kind[1]], list):
            return kind
        return path

    def _values(self, path: Path) -> Any:
        data: Any = self.data
        for part in path:
            data = data[part]
        return data

    # -- operations

    def _do_move(self, op: Mapping[str, Any]) -> None:
        by = _beats(op, "by")
        self._shift(*self._block(op), by, by)

    def _do_stretch(self, op: Mapping[str, Any]) -> None:
        start, end = (_beats(op, key) if op.get(key) is not None else Fraction(0) for key in ("start_by", "end_by"))
        kind, number = self._block(op)
        if kind[0] in ("order", "master"):
            raise BadEdit(f"{op['where']} has no length")
        self._shift(kind, number, start, end)

    def _shift(self, kind: tuple[str, ...], number: int, start_by: Fraction, end_by: Fraction) -> None:
        """Move the start and the end of a block; a placing has only a start."""
        path = self._at(kind, number)
        if kind[0] == "order":
            self._set(path, self._moved(self._values(path), start_by))
            return
        values = self._values(path)
        times = self._phrase_times() if kind[0] == "phrase" else self._song_times()
        changes = times.shifted(values, start_by, end_by, "phrase" in values or kind[0] == "master")
        if "bars" in changes and changes["bars"] is None:
            self._spell_out(path, {key: value for key, value in changes.items() if value is not None})
            return
        for key, value in changes.items():
            if values.get(key) != value:
                self._set((*path, key), value)

    def _spell_out(self, path: Path, when: Mapping[str, str]) -> None:
        """`at` and how long, in the place of `bars`."""
        self.text = replaced(self.text, (*path, "bars"), when)
        values = self._values(path)
        del values["bars"]
        values.update(when)

    def _moved(self, written: Any, by: Fraction) -> str:
        return self._song_times().moved(_written(written), by)

    def _song_times(self) -> Times:
        return Times(self.clock, self.falls, self.bar_beats)

    def _phrase_times(self) -> Times:
        return Times(None, self.falls, self.bar_beats)

    def _do_set(self, op: Mapping[str, Any]) -> None:
        where, key, value = _text(op, "where", empty=True), _text(op, "key"), op.get("value")
        if where in ("", "colour", "order"):
            path: Path = (where, key) if where else (key,)
            if where == "order":
                self._was.pop(("order", key), None)
        else:
            kind, number = self._block(op)
            path = self._at(kind, number)
            if kind[0] == "order":
                raise BadEdit("an entry of the order has no keys")
            path = (*path, *(("clip", key[5:]) if kind[0] == "trigger" and key.startswith("clip.") else (key,)))
        if isinstance(value, str) and len(value) > 10_000:
            raise BadEdit("the value is too long")
        self._set(path, value)

    def _do_add(self, op: Mapping[str, Any]) -> None:
        kind = _kind(_text(op, "kind"))
        values = op["values"]
        if not isinstance(values, Mapping):
            raise BadEdit("values needs keys and values")
        values = {str(key): value for key, value in values.items() if value is not None}
        if op.get("from") is not None:
            times = self._phrase_times() if kind[0] == "phrase" else self._song_times()
            start = _beats(op, "from")
            when = times.written(start, _beats(op, "to") if op.get("to") is not None else None)
            head = {key: values.pop(key) for key in ("name", "on", "phrase", "zone", "effect") if key in values}
            values = {**head, **when, **{key: value for key, value in values.items() if key not in when}}
        after = self._block(op, "after") if op.get("after") is not None else None
        if after is not None and after[0] != kind:
            after = None
        self._add(kind, values, block_text(kind, values), after[1] if after else None)

    def _add(self, kind: tuple[str, ...], values: Mapping[str, Any], block: str, after: int | None) -> int:
        """A block after block number `after` of its kind, else after the last one; returns its number."""
        was = self._was.setdefault(kind, [])
        at = len(was) if after is None else after + 1
        place: Path | None = (*kind, at - 1) if at > 0 else None
        self.text = inserted(self.text, block, place)
        held: Any = self.data
        for part in kind[:-1]:
            held = held.setdefault(part, {})
        held.setdefault(kind[-1], []).insert(at, plain(copy.deepcopy(dict(values))))
        token = -1 - len(self._added)  # a number that no block had before
        was.insert(at, token)
        self._added.append((kind, token))
        return at

    def _do_copy(self, op: Mapping[str, Any]) -> None:
        kind, number = self._block(op)
        if kind[0] == "order":
            path = self._at(kind, number)
            self._place(kind[1], self._moved(self._values(path), _beats(op, "by")))
            return
        path = (*kind, number)
        start, end = block_span(self.text, path)
        values = self._values(path)
        at = self._add(kind, values, with_end(self.text[start:end]).replace("\r\n", "\n"), number)
        name = values.get("name")
        if isinstance(name, str):
            self._set((*kind, at, "name"), self._new_name(name))
        inner = values.get("clip")
        if kind == ("trigger",) and isinstance(inner, dict) and isinstance(inner.get("name"), str):
            self._set((*kind, at, "clip", "name"), self._new_name(inner["name"]))
        by = _beats(op, "by")
        if kind != ("trigger",) or any(key in values for key in ("at", "bars")):
            self._shift(kind, at, by, by)
        changes = op.get("values") or {}
        if not isinstance(changes, Mapping):
            raise BadEdit("values needs keys and values")
        for key, value in changes.items():
            self._set((*kind, at, str(key)), value)

    def _new_name(self, name: str) -> str:
        """A name like this one that no clip has yet: `glow 2`."""
        taken = set()
        for block in self._every_block():
            taken |= {block.get("name"), (block.get("clip") or {}).get("name") if "on" in block else None}
        stem = re.sub(r" \d+$", "", name)
        return next(f"{stem} {n}" for n in range(2, len(taken) + 3) if f"{stem} {n}" not in taken)

    def _every_block(self) -> Iterable[Mapping[str, Any]]:
        lists = [self.data.get("clip"), self.data.get("trigger"), *self.data.get("phrase", {}).values()]
        return [block for blocks in lists if isinstance(blocks, list) for block in blocks if isinstance(block, dict)]

    def _do_delete(self, op: Mapping[str, Any]) -> None:
        kind, number = self._block(op)
        if kind[0] == "order":
            self._delete_entry(kind, number)
            return
        self.text = removed(self.text, (*kind, number))
        held: Any = self.data
        for part in kind[:-1]:
            held = held[part]
        del held[kind[-1]][number]
        del self._was[kind][number]
        if not held[kind[-1]]:
            del held[kind[-1]]
            if len(kind) > 1 and not held:
                del self.data[kind[0]]

    def _delete_entry(self, kind: tuple[str, ...], number: int) -> None:
        path = self._at(kind, number)
        alone = len(self._was[kind]) == 1
        self._set(kind if alone else path, None)
        del self._was[kind][number]

    def _do_place(self, op: Mapping[str, Any]) -> None:
        phrase = _text(op, "phrase")
        self._place(phrase, self._song_times().address(_beats(op, "at")))

    def _place(self, phrase: str, at: str) -> None:
        """One more entry of the order."""
        kind = ("order", phrase)
        held = self.data.get("order", {}).get(phrase)
        if isinstance(held, str):
            self._set(kind, [held, at])
        elif isinstance(held, list):
            self._set((*kind, len(held)), at)
        else:
            self._set(kind, [at])
        was = self._was.setdefault(kind, [])
        token = -1 - len(self._added)
        was.append(token)
        self._added.append((kind, token))

    def _do_make_phrase(self, op: Mapping[str, Any]) -> None:
        name, wheres = _text(op, "name"), op["wheres"]
        if name in self.data.get("phrase", {}):
            raise BadEdit(f'there is a phrase "{name}" already')
        if not isinstance(wheres, list) or not wheres:
            raise BadEdit("a phrase needs clips")
        numbers = []
        for where in wheres:
            kind, number = self._named(where) if isinstance(where, str) else ((), 0)
            if kind != ("clip",):
                raise BadEdit(f"{where} is no clip of the song itself")
            numbers.append(number)
        times = self._song_times()
        spans = {n: times.span(self.data["clip"][n]) for n in numbers}
        grid = self.clock.grid
        start = grid.bar_start(grid.bar_of(min(first for first, _ in spans.values())))
        kind = ("phrase", name)
        inner = self._phrase_times()
        for number in sorted(numbers):
            values = self.data["clip"][number]
            when = inner.written(spans[number][0] - start, None if "phrase" in values else spans[number][1] - start)
            if "bars" in values and "bars" not in when:
                self._spell_out(("clip", number), when)
                continue
            for key in ("bars", "at", "for", "to"):
                if key in values and key not in when:
                    self._set(("clip", number, key), None)
            for key, value in when.items():
                self._set(("clip", number, key), value)
        for place, number in enumerate(sorted(numbers)):
            self.text = renamed_header(self.text, ("clip", number - place), kind)
            block = self.data["clip"].pop(number - place)
            self.data.setdefault("phrase", {}).setdefault(name, []).append(block)
            del self._was["clip",][number - place]
            token = -1 - len(self._added)
            self._was.setdefault(kind, []).append(token)
            self._added.append((kind, token))
        if not self.data["clip"]:
            del self.data["clip"]
        self._place(name, times.address(start))


class Times:
    """Written times, read and written again; of the song, or (without a clock) of the inside of a phrase."""

    def __init__(self, clock: FrameClock | None, falls: Callable[[Moment], Fraction | None], bar_beats: int) -> None:
        self.clock, self.falls, self.bar_beats = clock, falls, bar_beats

    def address(self, beat: Fraction) -> str:
        """A place as bar.beat."""
        if self.clock is not None:
            return self.clock.grid.address(beat)
        if beat < 0:
            raise BadEdit("that is before the phrase starts")
        bar, inside = divmod(beat, self.bar_beats)
        whole, part = divmod(inside, 1)
        return f"{bar + 1}.{whole + 1}" + (f"+{part}" if part else "")

    def at(self, written: str) -> Fraction:
        """Where a written time falls."""
        moment = _moment(written)
        if self.clock is None:
            if moment.kind != "bar":
                raise BadEdit(f'"{written}": times in a phrase are bars and beats')
            return (moment.bar - 1) * self.bar_beats + moment.beat - 1 + moment.plus.beats
        found = self.falls(moment)
        if found is None:
            raise BadEdit(f'"{written}" names nothing in this song')
        return found

    def moved(self, written: str, by: Fraction) -> str:
        """A written time moved by beats, in the way it is written: `section B` becomes `section B + 4 beats`."""
        moment = _moment(written)
        if not by:
            return written
        if moment.kind == "seconds" and self.clock is not None:
            us = self.clock.us_at(self.at(written) + by)
            return f"{us / SECOND:.3f}s"
        if moment.kind in ("section", "label", "start", "end"):
            head = f"{moment.kind} {moment.name}".strip() + (f"[{moment.nth}]" if "[" in written else "")
            plus = moment.plus
            if plus.bars or plus.seconds:
                return self.address(self.at(written) + by)
            beats = plus.beats + by
            sign = "+" if beats > 0 else "-"
            return f"{head} {sign} {beats_text(abs(beats))}" if beats else head
        return self.address(self.at(written) + by)

    def span(self, values: Mapping[str, Any]) -> tuple[Fraction, Fraction]:
        """From where to where a block lasts; of a placing, its start twice."""
        if "bars" in values:
            first, end, _ = self._bars(values["bars"])
            return first, end
        start = self.at(_written(values.get("at", "1.1")))
        if "for" in values:
            return start, self._after(start, _written(values["for"]))
        return start, self.at(_written(values["to"])) if "to" in values else start

    def _after(self, start: Fraction, length: str) -> Fraction:
        try:
            span = parse_span(length)
        except ValueError as error:
            raise BadEdit(str(error)) from None
        if self.clock is not None:
            return self.clock.add(start, span)
        return start + span.beats + span.bars * self.bar_beats

    def _bars(self, written: Any) -> tuple[Fraction, Fraction, bool]:
        match = BARS.fullmatch(_written(written))
        if not match:
            raise BadEdit(f'"{written}" is not a run of bars')
        first, last = match.groups()
        if last == "end":
            if self.clock is None:
                raise BadEdit(f'"{written}": a phrase has no end of its own')
            return self.line(int(first)), self.clock.end, True
        return self.line(int(first)), self.line(int(last or first) + 1), False

    def line(self, bar: int) -> Fraction:
        """Where a bar starts."""
        return self.clock.grid.bar_start(bar) if self.clock is not None else Fraction((bar - 1) * self.bar_beats)

    def bar_at(self, beat: Fraction) -> int | None:
        """The bar that starts here, if one does."""
        bar = self.clock.grid.bar_of(beat) if self.clock is not None else int(beat // self.bar_beats) + 1
        return bar if self.line(bar) == beat else None

    def written(self, start: Fraction, end: Fraction | None) -> dict[str, str]:
        """How a new block says when: whole bars as `bars`, else `at` and `for`; without an end `at` alone."""
        if end is None:
            return {"at": self.address(start)}
        if end <= start:
            raise BadEdit("it would end before it starts")
        bars = self.bars_text(start, end)
        return {"bars": bars} if bars else {"at": self.address(start), "for": beats_text(end - start)}

    def bars_text(self, start: Fraction, end: Fraction) -> str:
        """A stretch as a run of bars, '' where it is none."""
        first, after = self.bar_at(start), self.bar_at(end)
        if first is None or after is None or (self.clock is None and first < 1):
            return ""
        bars = f"{first}" if after == first + 1 else f"{first}-{after - 1}"
        return bars if BARS.fullmatch(bars) else ""  # the last of several bars is none before bar 0

    def shifted(
        self, values: Mapping[str, Any], start_by: Fraction, end_by: Fraction, no_length: bool
    ) -> dict[str, str | None]:
        """What a block's `bars`, `at`, `for` and `to` become; None takes one out."""
        if "bars" in values:
            first, end, to_end = self._bars(values["bars"])
            start, stop = first + start_by, end + end_by
            if stop <= start:
                raise BadEdit("it would end before it starts")
            first_bar = self.bar_at(start)
            if to_end and not end_by and first_bar is not None:
                return {"bars": f"{first_bar}-end"}
            bars = self.bars_text(start, stop)
            if bars:
                return {"bars": bars}
            length = {"to": "end"} if to_end and not end_by else {"for": beats_text(stop - start)}
            return {"bars": None, "at": self.address(start), **length}
        if "at" not in values:
            if start_by != end_by and not no_length:
                raise BadEdit("it lasts as long as the song: give it bars first")
            return {"at": self.moved("1.1", start_by)} if no_length else {}
        out: dict[str, str | None] = {"at": self.moved(_written(values["at"]), start_by)}
        if no_length:
            return out
        begin, end = self.span(values)
        if end + end_by <= begin + start_by:
            raise BadEdit("it would end before it starts")
        if "for" in values:
            if start_by != end_by:
                out["for"] = self._length(_written(values["for"]), end + end_by - begin - start_by, begin + start_by)
        elif "to" in values:
            out["to"] = self.moved(_written(values["to"]), end_by)
        return out

    def _length(self, written: str, beats: Fraction, start: Fraction) -> str:
        """A new length in the unit of the old one, where that comes out whole."""
        span = parse_span(written)
        if span.seconds and self.clock is not None:
            seconds = Fraction(self.clock.us_at(start + beats) - self.clock.us_at(start), SECOND)
            return f"{float(seconds):.3f} s"
        if span.bars and beats % self.bar_beats == 0:
            bars = beats / self.bar_beats
            return f"{bars} bar" if bars == 1 else f"{bars} bars"
        return beats_text(beats)


def beats_text(beats: Fraction) -> str:
    """A length in beats as a person writes it: `1/2 beat`, `1 beat`, `3/2 beats`."""
    beats = beats.limit_denominator(1000)
    return f"{beats} {'beat' if beats <= 1 else 'beats'}"


def _moment(written: str) -> Moment:
    try:
        return parse_moment(written)
    except ValueError as error:
        raise BadEdit(str(error)) from None


def _written(value: Any) -> str:
    if not isinstance(value, str):
        raise BadEdit(f"a musical time needs quotes, got {value}")
    return value


def _text(op: Mapping[str, Any], key: str, empty: bool = False) -> str:
    value = op.get(key)
    if not isinstance(value, str) or not (value or empty) or len(value) > 1000:
        raise BadEdit(f"{op.get('op')} needs {key} as text")
    return value


def beats_of(value: Any, key: str) -> Fraction:
    """Beats as the page sends them: "133/2", "-4", "0.5", or a number. Raises `BadEdit`."""
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        value = f"{value:.6f}" if isinstance(value, float) else str(value)
    text = value.strip() if isinstance(value, str) else ""
    sign = -1 if text.startswith("-") else 1
    if not re.fullmatch(r"[+-]?\d{1,7}(?:\.\d{1,9})?(?:/\d{1,6})?", text):
        raise BadEdit(f'{key} needs beats such as "4", "-1/2" or "0.25", got {value!r}')
    try:
        return sign * parse_number(text.lstrip("+-")).limit_denominator(1000)
    except ValueError as error:
        raise BadEdit(str(error)) from None


def _beats(op: Mapping[str, Any], key: str) -> Fraction:
    return beats_of(op.get(key), key)


def _kind(text: str) -> tuple[str, ...]:
    if text in ("clip", "trigger", "master"):
        return (text,)
    if text.startswith("phrase.") and len(text) > 7:
        return ("phrase", text[7:])
    raise BadEdit(f'there is no kind of block "{text}"')
