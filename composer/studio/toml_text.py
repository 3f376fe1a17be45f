"""Edits of TOML as text: find the letters that say something, and change those and no others.

A parser that writes TOML back may lose what it does not model (blocks of two kinds that take turns came back
incomplete from one), so nothing is ever written from data here. A scan says where each header, key and value stands;
an edit cuts at those places. What comes out is parsed again by the caller and must say what was meant.

A path is a tuple of keys and numbers as in the parsed data: `("clip", 2, "zone")` is the zone of the third [[clip]].
All functions expect valid TOML 1.0 and raise `CannotEdit` where a place is written in a way that they do not change.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, time
from functools import lru_cache
from typing import Any

Path = tuple[str | int, ...]

_BARE = re.compile(r"[A-Za-z0-9_-]+")
_SPACE = re.compile(r"[ \t]*")
_BLANK = re.compile(r"(?:[ \t\r\n\ufeff]|#[^\n]*)*")
_STRING = re.compile(
    r'"""(?:\\.|[^\\])*?"""(?:"{1,2}(?!"))?'
    r"|'''.*?'''(?:'{1,2}(?!'))?"
    r'|"(?:\\.|[^"\\\n])*"'
    r"|'[^'\n]*'",
    re.DOTALL,
)
_PLAIN = re.compile(r"[^\s,\[\]{}#\"'=][^,\[\]{}#\"'=\n\r]*")
_ESCAPES = {"\\": "\\\\", '"': '\\"', "\n": "\\n", "\r": "\\r", "\t": "\\t", "\b": "\\b", "\f": "\\f"}


class CannotEdit(Exception):
    """The text is laid out in a way that this cannot change, or there is no such place."""


@dataclass(frozen=True)
class Item:
    """A header (`value` empty) or a `key = value`: letters [start, end) of the text, the value [at, stop)."""

    path: Path
    start: int
    end: int
    at: int
    stop: int
    header: bool


# ---- scanning ----------------------------------------------------------------------------------------------------


@lru_cache(8)
def items(text: str) -> tuple[Item, ...]:
    """Every header and every key of a text, in order; `end` is after the line's own end."""
    found: list[Item] = []
    counts: dict[Path, int] = {}
    table: Path = ()
    at = _blank(text, 0)
    while at < len(text):
        start = at
        if text[at] == "[":
            many = text.startswith("[[", at)
            keys, at = _keys(text, at + (2 if many else 1))
            at = _after(text, at, "]]" if many else "]")
            table = _resolved(keys, counts)
            if many:
                counts[table] = counts.get(table, 0) + 1
                table = (*table, counts[table] - 1)
            found.append(Item(table, start, _line_end(text, at), at, at, True))
        else:
            keys, at = _keys(text, at)
            at = _space(text, _after(text, at, "="))
            stop = value_end(text, at)
            found.append(Item((*table, *keys), start, _line_end(text, stop), at, stop, False))
            at = stop
        at = _blank(text, at)
    return tuple(found)


def _resolved(keys: Sequence[str], counts: Mapping[Path, int]) -> Path:
    """The path of a header: a table of an array that it goes through is the array's last."""
    path: Path = ()
    for i, key in enumerate(keys):
        path = (*path, key)
        if path in counts and i < len(keys) - 1:
            path = (*path, counts[path] - 1)
    return path


def _keys(text: str, at: int) -> tuple[tuple[str, ...], int]:
    """A dotted key, and where it ends."""
    keys: list[str] = []
    while True:
        at = _space(text, at)
        string = _STRING.match(text, at)
        if string:
            keys.append(_plain_text(string[0]))
            at = string.end()
        else:
            bare = _BARE.match(text, at)
            if not bare:
                raise CannotEdit("a key is missing")
            keys.append(bare[0])
            at = bare.end()
        at = _space(text, at)
        if not text.startswith(".", at):
            return tuple(keys), at
        at += 1


def _plain_text(written: str) -> str:
    return str(tomllib.loads(f"key = {written}")["key"])


def value_end(text: str, at: int) -> int:
    """Where the value that starts here ends."""
    if text.startswith(("[", "{"), at):
        close = {"[": "]", "{": "}"}[text[at]]
        at = _blank(text, at + 1)
        while not text.startswith(close, at):
            if at >= len(text):
                raise CannotEdit("a bracket is not closed")
            if text[at] in ",=.":
                at += 1
            else:
                at = value_end(text, at)
            at = _blank(text, at)
        return at + 1
    found = _STRING.match(text, at) or _PLAIN.match(text, at)
    if not found:
        raise CannotEdit("a value is missing")
    return at + len(found[0].rstrip())


def inside(text: str, at: int) -> Iterator[tuple[str | int | tuple[str, ...], int, int, int]]:
    """The parts of an array or an inline table here: (its number or keys, start, value's start, end)."""
    array = text[at] == "["
    at = _blank(text, at + 1)
    number = 0
    while text[at] not in "]}":
        start = at
        if array:
            keys: str | int | tuple[str, ...] = number
        else:
            keys, at = _keys(text, at)
            at = _space(text, _after(text, at, "="))
        stop = value_end(text, at)
        yield keys, start, at, stop
        at = _blank(text, stop)
        if text[at] == ",":
            at = _blank(text, at + 1)
        number += 1


def _blank(text: str, at: int) -> int:
    found = _BLANK.match(text, at)
    return found.end() if found else at


def _space(text: str, at: int) -> int:
    found = _SPACE.match(text, at)
    return found.end() if found else at


def _after(text: str, at: int, word: str) -> int:
    at = _space(text, at)
    if not text.startswith(word, at):
        raise CannotEdit(f'"{word}" is missing')
    return at + len(word)


def _line_end(text: str, at: int) -> int:
    """After the end of the line that this letter is on."""
    end = text.find("\n", at)
    return len(text) if end < 0 else end + 1


def line_of(text: str, path: Path) -> int | None:
    """The line, from 1, on which a place is written: its key, else the nearest table above it."""
    found = items(text)
    while path:
        for item in found:
            if item.path == path:
                return text.count("\n", 0, item.start) + 1
        path = path[:-1]
    return None


# ---- values ------------------------------------------------------------------------------------------------------


def toml_of(value: Any) -> str:
    """A value as TOML on one line. Raises `CannotEdit` for what TOML has no words for."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return '"' + "".join(_letter(letter) for letter in value) + '"'
    if isinstance(value, int):
        if not -(2**63) <= value < 2**63:
            raise CannotEdit("a whole number is too large")
        return str(value)
    if isinstance(value, float):
        text = repr(value)
        return text if "." in text or "n" in text else text.replace("e", ".0e")
    if isinstance(value, date | time):
        return value.isoformat()
    if isinstance(value, Mapping):
        parts = ", ".join(f"{key_of(str(key))} = {toml_of(item)}" for key, item in value.items())
        return f"{{{parts}}}"
    if isinstance(value, Sequence):
        return "[" + ", ".join(toml_of(item) for item in value) + "]"
    raise CannotEdit(f"{type(value).__name__} has no form in TOML")


def _letter(letter: str) -> str:
    if letter in _ESCAPES:
        return _ESCAPES[letter]
    if ord(letter) < 0x20 or ord(letter) == 0x7F:
        return f"\\u{ord(letter):04x}"
    if 0xD800 <= ord(letter) <= 0xDFFF:
        raise CannotEdit("half a letter (a lone surrogate)")
    return letter


def key_of(key: str) -> str:
    """A key, in quotes where it needs them."""
    return key if _BARE.fullmatch(key) else toml_of(key)


# ---- changing one value ------------------------------------------------------------------------------------------


def set_value(text: str, path: Path, value: Any) -> str:
    """The text with a place set to a value; None takes it out, with its line."""
    found = _find(text, path)
    if value is None:
        if found is None:
            return text
        return _without(text, *found)
    written = toml_of(value)
    if found is not None:
        _, at, stop, _ = found
        return _put(text, at, stop, written)
    return _added(text, path, written)


def _find(text: str, path: Path) -> tuple[int, int, int, tuple[int, int] | None] | None:
    """Where a place is written: (start, value's start, its end, the brackets that hold it or None for a line)."""
    for item in items(text):
        if item.header or path[: len(item.path)] != item.path:
            continue
        start, at, stop, holder = item.start, item.at, item.stop, None
        rest = path[len(item.path) :]
        while rest:
            if text[at] not in "[{":
                return None
            for keys, part, value, end in inside(text, at):
                names = keys if isinstance(keys, tuple) else (keys,)
                if rest[: len(names)] == names:
                    holder = (at, stop)
                    start, at, stop, rest = part, value, end, rest[len(names) :]
                    break
            else:
                return None
        return start, at, stop, holder
    return None


def _put(text: str, at: int, stop: int, written: str) -> str:
    """A value in the place of another; a comment behind it keeps its column where there is room."""
    line_end = text.find("\n", stop)
    rest = text[stop : len(text) if line_end < 0 else line_end]
    gap = len(rest) - len(rest.lstrip(" "))
    if "\n" not in text[at:stop] and gap > 1 and rest[gap:].startswith("#"):
        wanted = max(1, gap + (stop - at) - len(written))
        return text[:at] + written + " " * wanted + text[stop + gap :]
    return text[:at] + written + text[stop:]


def replaced(text: str, path: Path, entries: Mapping[str, Any]) -> str:
    """The text with one key of a block replaced by several, in its place; its comment stays with the first."""
    found = _find(text, path)
    if found is None:
        raise CannotEdit(f"there is no {spell(path)}")
    start, at, stop, holder = found
    words = [f"{key_of(key)} = {toml_of(value)}" for key, value in entries.items()]
    if holder is not None:
        return text[:start] + ", ".join(words) + text[stop:]
    line_start, end = text.rfind("\n", 0, start) + 1, _line_end(text, stop)
    head, rest = text[line_start:start], text[stop:end]
    first = _put(text[:start] + text[at:stop] + text[stop:end], start, start + stop - at, words[0])[line_start:]
    more = "".join(f"{head}{word}{line_break(text)}" for word in words[1:])
    return text[:line_start] + (first if rest.endswith("\n") else first + line_break(text)) + more + text[end:]


def _without(text: str, start: int, at: int, stop: int, holder: tuple[int, int] | None) -> str:
    """Without a line, or without a part of an inline table or an array and one comma."""
    if holder is None:
        line = text.rfind("\n", 0, start) + 1
        return text[:line] + text[_line_end(text, stop) :]
    after = _blank(text, stop)
    if text[after] == ",":
        following = after + 1 + len(text[after + 1 :]) - len(text[after + 1 :].lstrip(" \t"))
        return text[:start] + text[following:]
    before = text.rfind(",", holder[0], start)
    if before >= 0 and _blank(text, before + 1) == start:
        return text[:before] + text[stop:]
    return text[:start].rstrip(" ") + text[stop:]


def _added(text: str, path: Path, written: str) -> str:
    """A key that is not there yet, at the end of its table, or in an inline table."""
    if len(path) > 1:
        held = _find(text, path[:-1])
        if held is not None:
            return _added_inside(text, held[1], held[2], path[-1], written)
    if isinstance(path[-1], int):
        raise CannotEdit(f"there is no {spell(path)}")
    found = items(text)
    table = path[:-1]
    headers = [i for i, item in enumerate(found) if item.header and item.path == table]
    own = [i for i, item in enumerate(found) if not item.header and item.path[:-1] == table]
    if headers or not table:
        return _added_line(text, found, headers[-1] if headers else -1, f"{key_of(str(path[-1]))} = {written}")
    if own:  # the table is written as dotted keys
        item = found[own[-1]]
        key_start = text[item.start : item.at].rstrip().removesuffix("=").rstrip()
        head = key_start.rpartition(".")[0]
        return _line_after(text, item, f"{head}.{key_of(str(path[-1]))} = {written}")
    if any(isinstance(part, int) for part in table[-1:]):
        raise CannotEdit(f"there is no {spell(table)}")
    if any(isinstance(part, int) for part in table):  # a table inside a block: as one value of the block
        return _added(text, table, f"{{{key_of(str(path[-1]))} = {written}}}")
    end = line_break(text)
    name = ".".join(key_of(str(part)) for part in table)
    return with_end(text) + (end if text.strip() else "") + f"[{name}]{end}{key_of(str(path[-1]))} = {written}{end}"


def _added_inside(text: str, at: int, stop: int, key: str | int, written: str) -> str:
    if text[at] not in "[{" or (text[at] == "[") != isinstance(key, int):
        raise CannotEdit("the place holds one value and no table")
    parts = list(inside(text, at))
    new = written if isinstance(key, int) else f"{key_of(key)} = {written}"
    if isinstance(key, int) and key != len(parts):
        raise CannotEdit(f"there are {len(parts)} values, no number {key + 1}")
    if not parts:
        return text[: at + 1] + new + text[stop - 1 :]
    last = parts[-1][3]
    return text[:last] + f", {new}" + text[last:]


def _added_line(text: str, found: Sequence[Item], header: int, line: str) -> str:
    """A line after the last own key of a table, or right under its header; -1: the top of the file."""
    last = header
    for i in range(header + 1, len(found)):
        if found[i].header:
            break
        last = i
    if last < 0:
        end = line_break(text)
        mark = "\ufeff" if text.startswith("\ufeff") else ""
        at = found[0].start if found else len(text)
        if not found:
            return with_end(text) + line + end
        at = _attached(text, at)
        return (text[:at] or mark) + line + end + (end if found[0].header else "") + text[at:]
    return _line_after(text, found[last], line)


def _line_after(text: str, item: Item, line: str) -> str:
    line_start = text.rfind("\n", 0, item.start) + 1
    indent = text[line_start : item.start] if not item.header else ""
    indent = indent if not indent.strip(" \t") else ""
    head, end = text[: item.end], line_break(text)
    if not head.endswith("\n"):
        head += end
    return head + indent + line + end + text[item.end :]


def line_break(text: str) -> str:
    """How this text ends its lines."""
    at = text.find("\n")
    return "\r\n" if at > 0 and text[at - 1] == "\r" else "\n"


def with_end(text: str) -> str:
    """The text with its last line ended."""
    return text if not text or text.endswith("\n") else text + line_break(text)


def spell(path: Path) -> str:
    """A path as messages name it, `clip[3].zone`."""
    out = ""
    for part in path:
        out += f"[{part + 1}]" if isinstance(part, int) else f"{'.' if out else ''}{part}"
    return out


# ---- blocks ------------------------------------------------------------------------------------------------------


def _attached(text: str, at: int) -> int:
    """Where the comment lines start that stand right above the line of this letter."""
    start = text.rfind("\n", 0, at) + 1
    while start > 0:
        above = text.rfind("\n", 0, start - 1) + 1
        if not text[above : start - 1].lstrip("\ufeff").lstrip().startswith("#"):
            break
        if above == 0:  # comments at the very top are the file's
            break
        start = above
    return start


def block_span(text: str, path: Path) -> tuple[int, int]:
    """The letters of a [[block]]: comments right above it, its lines and subtables, comments right below.

    Comments right below that stand right above another header belong to that one. Raises `CannotEdit`.
    """
    found = items(text)
    at = next((i for i, item in enumerate(found) if item.header and item.path == path), None)
    if at is None:
        raise CannotEdit(f"{spell(path)} is not written as a block of its own")
    last = at
    while last + 1 < len(found) and found[last + 1].path[: len(path)] == path:
        last += 1
    end = found[last].end
    below = end
    while below < len(text):
        line_end = _line_end(text, below)
        line = text[below:line_end].strip()
        if not line:
            end = below
            break
        if not line.startswith("#"):
            break
        below = line_end
    else:
        end = len(text)
    return _attached(text, found[at].start), end


def removed(text: str, path: Path) -> str:
    """The text without a block, and without one of the blank lines around it."""
    start, end = block_span(text, path)
    rest = text[end:]
    ended = rest.lstrip("\r\n") if start == 0 else rest
    if start and text[:start].endswith(("\n\n", "\n\r\n")) and (not rest or rest[:2] in ("\r\n",) or rest[0] == "\n"):
        ended = rest[len(line_break(text)) :]
    head = text[:start]
    if not ended.strip("\r\n"):
        head, ended = head.rstrip("\r\n") + (line_break(text) if head.strip() else ""), ""
    return head + ended


def inserted(text: str, block: str, after: Path | None) -> str:
    """The text with a block (its lines, ended) after another one, or at the end; a blank line between."""
    end = line_break(text)
    block = block.replace("\r\n", "\n").replace("\n", end)
    at = len(text) if after is None else block_span(text, after)[1]
    head = with_end(text[:at])
    rest = text[at:]
    gap = "" if not head.strip() or head.endswith(end + end) else end
    tail = end if rest and not rest.startswith(("\n", "\r\n")) else ""
    return head + gap + with_end(block) + tail + rest


def block_text(name: Sequence[str], values: Mapping[str, Any]) -> str:
    """A block as lines: `[[name]]`, then a line a key."""
    head = ".".join(key_of(part) for part in name)
    return f"[[{head}]]\n" + "".join(f"{key_of(key)} = {toml_of(value)}\n" for key, value in values.items())


def renamed_header(text: str, path: Path, name: Sequence[str]) -> str:
    """The text with the header of a block, and those of its subtables, said to be of another kind."""
    found = [item for item in items(text) if item.header and item.path[: len(path)] == path]
    if not found:
        raise CannotEdit(f"{spell(path)} is not written as a block of its own")
    head = ".".join(key_of(part) for part in name)
    for item in reversed(found):
        tail = "".join(f".{key_of(str(part))}" for part in item.path[len(path) :])
        marks = "[[]]" if text.startswith("[[", item.start) else "[]"
        half = len(marks) // 2
        text = text[: item.start] + marks[:half] + head + tail + marks[half:] + text[item.at :]
    return text


# ---- the same on data --------------------------------------------------------------------------------------------


def set_data(data: Any, path: Path, value: Any) -> None:
    """Set a place of parsed data, in place: what `set_value` is to make of the text."""
    for part in path[:-1]:
        if isinstance(part, str) and part not in data:
            if value is None:
                return
            data[part] = {}
        data = data[part]
    last = path[-1]
    if value is None:
        if isinstance(last, int) or last in data:
            del data[last]
    elif isinstance(last, int) and last == len(data):
        data.append(value)
    else:
        data[last] = value


def plain(value: Any) -> Any:
    """The same data as TOML gives it back: sequences as lists."""
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    return [plain(item) for item in value] if isinstance(value, (list, tuple)) else value
