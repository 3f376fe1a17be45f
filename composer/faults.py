"""Faults in what a person wrote: all of them at once, each as one clear line.

Every file that a person edits is read through a `Table`. A reader asks it for keys by name and type; the table
remembers each fault, hands back a usable stand-in so that reading goes on, and at the end every fault is known:
what, where, and the nearest match.

    faults = FaultList("rig.toml")
    top = Table(document, "", faults)
    volts = top.number("volts", low=3.0, high=24.0)
    top.finish()                # keys nobody asked for are faults too
    faults.raise_if_any()       # one exception that carries every line
"""

from __future__ import annotations

import difflib
import math
import re
import sys
import tomllib
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

_MISSING: Any = object()
FEW = 6  # words that are listed where something else than a word was written
_MEANT = {  # what helps where Python's words for a TOML fault do not
    "Invalid value": "text and times stand in quotes, numbers are written as 5 or 0.5",
    "Unclosed inline table": "{ } has commas between its keys, and stands on one line",
    "Unclosed array": "[ ] has commas between its items",
}
_KEY = re.compile(r"""\s*(\[.*\]|[\w."'-]+(?=\s*=))""")  # what a line of TOML begins with: [table] or key =


@dataclass(frozen=True)
class Fault:
    """One fault: the file, the place inside it, what is wrong, and perhaps the word that was meant."""

    file: str
    where: str
    what: str
    hint: str = ""

    def __str__(self) -> str:
        place = f"{self.where}: " if self.where else ""
        hint = f" (did you mean {self.hint}?)" if self.hint else ""
        return " ".join(f"{self.file}: {place}{self.what}{hint}".splitlines())  # what was written may hold line ends


class Faults(Exception):
    """Bad input. Carries every fault found; printed one line each, exit code 2."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults = list(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))

    @classmethod
    def one(cls, file: str | Path, where: str, what: str, hint: str = "") -> Faults:
        """A single fault as an exception."""
        return cls([Fault(str(file), where, what, hint)])


class ShowFails(Exception):
    """The input is well formed but the show fails a check of its own; exit code 1. `found` is its audit, if made."""

    def __init__(self, text: str, found: Mapping[str, Any] | None = None) -> None:
        self.found = found
        super().__init__(text)


class FaultList:
    """Collects the faults of one file, or of several read for one job (each fault names its own file)."""

    def __init__(self, file: str | Path) -> None:
        self.file = str(file)
        self.faults: list[Fault] = []
        self._seen: set[Fault] = set()

    def add(self, where: str, what: str, hint: str = "") -> None:
        """Remember one fault; the same line is kept once."""
        fault = Fault(self.file, where, what, hint)
        if fault not in self._seen:
            self._seen.add(fault)
            self.faults.append(fault)

    def raise_if_any(self) -> None:
        """Raise `Faults` with everything collected, or do nothing."""
        if self.faults:
            raise Faults(self.faults)


def nearest(word: str, known: Iterable[str]) -> str:
    """The known word most like `word`, quoted, or '' when none is near.

    Compared without regard to case; one that it begins wins, else difflib's similarity must reach 0.6.
    """
    by_fold = {name.casefold(): name for name in known}
    begun = [name for fold, name in by_fold.items() if len(word) > 2 and fold.startswith(word.casefold())]
    if begun:
        return f'"{min(begun, key=len)}"'
    found = difflib.get_close_matches(word.casefold(), list(by_fold), n=1, cutoff=0.6)
    return f'"{by_fold[found[0]]}"' if found else ""


@contextmanager
def reading(path: Path, what: str = "file") -> Iterator[None]:
    """While a file is read: what the system says of it becomes a fault. `what` it should be, for the message."""
    try:
        yield
    except FileNotFoundError:
        raise Faults.one(path, "", "no such file") from None
    except IsADirectoryError:
        raise Faults.one(path, "", f"this is a folder, not a {what}") from None
    except OSError as error:
        raise Faults.one(path, "", f"cannot be read: {error.strerror}") from None


def read_toml(path: Path) -> dict[str, Any]:
    """Parse a TOML file that a person wrote. Raises `Faults` (missing, not text, not TOML, with line and column)."""
    try:
        with reading(path):
            text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise Faults.one(path, f"byte {error.start}", "this is not UTF-8 text") from None
    return parse_toml(text, path)


def parse_toml(text: str, name: str | Path) -> dict[str, Any]:
    """Parse TOML text; `name` stands in the fault. Raises `Faults` with line and column."""
    try:
        return tomllib.loads(text if text.endswith("\n") else text + "\n")  # else some places are "end of document"
    except tomllib.TOMLDecodeError as error:
        what, _, place = str(error).partition(" (at ")
        what = _unquoted(what, place, text) or _twice(what, place, text)
        what += f": {_MEANT[what]}" if what in _MEANT else ""
        raise Faults.one(name, place.rstrip(")").replace(", column", " column"), f"not TOML: {what}") from None
    except RecursionError:
        raise Faults.one(name, "", "not TOML: nested too deeply") from None
    except ValueError:  # Python reads whole numbers of up to 4300 digits
        raise Faults.one(name, "", "holds a number that is too long") from None


def _unquoted(what: str, place: str, text: str) -> str:
    """How the line at a place is written rightly, where its value only lacks its quotes or the like; else ''."""
    number = re.match(r"line (\d+)", place)
    lines = text.split("\n")
    line = lines[int(number[1]) - 1] if number and int(number[1]) <= len(lines) else ""
    written = re.fullmatch(r"\s*([\w-]+)\s*=\s*(#[0-9a-fA-F]{3,6}\b|[^#=]*[^#=\s])\s*(?:#.*)?", line)
    if not written or not what.startswith(("Invalid value", "Expected newline")):
        return ""
    key, value = written.groups()
    if value in ("True", "False"):
        return f"true and false are written small: {key} = {value.lower()}"
    if re.fullmatch(r"[-+]?\.\d+", value):
        return f"a number begins with a digit: {key} = {value.replace('.', '0.')}"
    bare = value.strip("\u201c\u201d\u201e\u2018\u2019")
    if bare != value and not re.search(r'["\'\u201c-\u201e]', bare):
        return f'quotes are plain ones: {key} = "{bare}"'
    if re.search(r"[^\W\d_]|\d[-:]\d|#", value) and not re.search(r"""["'\[\]{}\\,]""", value):
        return f'text and times stand in quotes: {key} = "{value}"'
    return ""


def _twice(what: str, place: str, text: str) -> str:
    """Python's word for a key or table that is written a second time, in a maker's words."""
    declared = re.fullmatch(r"Cannot declare \((.*?),?\) twice", what)
    if declared:
        name = ".".join(re.findall(r"'(.*?)'", declared[1]))
        return f"[{name}] stands here a second time: put both together (blocks that repeat have [[ ]])"
    line = re.match(r"line (\d+)", place)
    if what != "Cannot overwrite a value" or not line:
        return what
    # The place is the value's end, which may lie lines below its key.
    upto = [_KEY.match(one) for one in text.split("\n")[: int(line[1])]]
    key = next((found[1] for found in reversed(upto) if found), "a key")
    if key.startswith("[["):  # the first of them lacks its second bracket
        return f"{key} stands here after [{key[2:-2]}]: blocks that repeat have two brackets each, [[ ]]"
    return f"{key} is written a second time: drop one of them"


class Table:
    """A TOML table being read: typed look-ups that collect faults instead of raising.

    `where` is the dotted path of the table in its file ('' for the top). One that is no table has that one fault.
    """

    def __init__(self, content: Any, where: str, faults: FaultList) -> None:
        self.where = where
        self.faults = faults
        self._asked: set[str] = set()
        self._faulty: set[str] = set()
        self._told = False
        if isinstance(content, Mapping):
            self.content: Mapping[str, Any] = content
        else:
            faults.add(where, f"needs a table, got {kind_of(content)}")
            self.content = {}
            self._told = True  # that all of it is wrong: what it lacks is not worth a line

    def place(self, key: str) -> str:
        """The dotted path of a key of this table."""
        return f"{self.where}.{key}" if self.where else key

    def fault(self, key: str, what: str, hint: str = "") -> None:
        """Remember a fault at a key of this table (or at the table itself for '')."""
        self._faulty.add(key.partition("[")[0])
        if not self._told:
            self.faults.add(self.place(key) if key else self.where, what, hint)

    def sound(self, *keys: str) -> bool:
        """Whether nothing was wrong with any of these keys so far: a stand-in must not bring further faults."""
        return self._faulty.isdisjoint(keys)

    def doubt(self, key: str) -> None:
        """Count a key as faulty whose faults were told below it."""
        self._faulty.add(key)

    def has(self, key: str) -> bool:
        """Whether the key was written."""
        return key in self.content

    def raw(self, key: str, default: Any = _MISSING) -> Any:
        """The value as TOML gave it. A missing key without a default is a fault (and yields None)."""
        self._asked.add(key)
        if key in self.content:
            return self.content[key]
        if default is _MISSING:
            self.fault(key, "is missing")
            return None
        return default

    def _typed(self, key: str, default: Any, good: Callable[[Any], bool], wanted: str, stand_in: Any) -> Any:
        if key not in self.content:
            value = self.raw(key, default)
            return stand_in if default is _MISSING else value
        value = self.raw(key)
        if not good(value):
            self.fault(key, f"needs {wanted}, got {kind_of(value)}")
            return stand_in if default is _MISSING or default is None else default
        return value

    # The readers below give the value when it is good, else the default, or without one a stand-in that is as good as
    # any of its type: reading goes on, and the result counts only when there are no faults. `Any`, because a default of
    # None may come back.

    def text(self, key: str, default: Any = _MISSING, *, wanted: str = "text in quotes") -> Any:
        """A string value, without NUL characters: no file can be called so. `wanted` says what it is to be."""
        value = self._typed(key, default, lambda v: isinstance(v, str), wanted, "")
        if isinstance(value, str) and "\0" in value:
            self.fault(key, "holds a NUL character")
            return value.replace("\0", "")
        return value

    def flag(self, key: str, default: Any = _MISSING) -> Any:
        """A true/false value."""
        return self._typed(key, default, lambda v: isinstance(v, bool), "true or false", False)

    def number(self, key: str, default: Any = _MISSING, low: float = -math.inf, high: float = math.inf) -> Any:
        """A finite number within [low, high], as float."""
        value = self._typed(key, default, is_number, "a number", max(low, 0.0) if low > -math.inf else 0.0)
        if is_number(value) and key in self.content and not low <= value <= high:
            self.fault(key, f"{value:g} is out of range, {range_text(low, high)}")
            return min(max(value, low), high)
        return float(value) if is_number(value) else value

    def whole(self, key: str, default: Any = _MISSING, low: float = -math.inf, high: float = math.inf) -> Any:
        """A whole number within [low, high], as int."""

        def good(value: Any) -> bool:
            return isinstance(value, int) and not isinstance(value, bool)

        value = self._typed(key, default, good, "a whole number", int(max(low, 0)) if low > -math.inf else 0)
        if good(value) and key in self.content and not low <= value <= high:
            self.fault(key, f"{_short(str(value))} is out of range, {range_text(low, high)}")
            return int(min(max(value, low), high))
        return value

    def choice(self, key: str, among: Iterable[str], default: Any = _MISSING) -> Any:
        """A word out of a known list, which is never empty; a near miss is named. The stand-in is its first word."""
        among = list(among)
        if key in self.content and not isinstance(self.content[key], str) and len(among) <= FEW:
            words = ", ".join(f'"{word}"' for word in among)
            self.fault(key, f"needs one of {words}, got {kind_of(self.raw(key))}")
            return among[0] if default is _MISSING or default is None else default
        value = self.text(key, default)
        if value in among or value is default:
            return value
        if key in self.content and isinstance(self.content[key], str):
            self.fault(key, f'"{value}" is not one of {", ".join(among)}', nearest(value, among))
        return among[0] if default is _MISSING or default is None else default

    def table(self, key: str) -> Table:
        """A table below this one (empty when missing)."""
        return Table(self.raw(key, {}), self.place(key), self.faults)

    def tables(self, key: str) -> list[Table]:
        """An array of tables, `[[key]]` (empty when missing)."""
        value = self.raw(key, [])
        if not isinstance(value, list):
            self.fault(key, f"needs [[{self.place(key)}]] blocks, got {kind_of(value)}")
            return []
        return [Table(item, f"{self.place(key)}[{i + 1}]", self.faults) for i, item in enumerate(value)]

    def named(self, key: str) -> dict[str, Any]:
        """The entries of a table of names below this one, as TOML gave them."""
        value = self.raw(key, {})
        if not isinstance(value, Mapping):
            self.fault(key, f"needs a table, got {kind_of(value)}")
            return {}
        return dict(value)

    def list_of(self, key: str, wanted: str, good: Callable[[Any], bool], default: Any = _MISSING) -> list[Any]:
        """A list whose items pass `good`; a lone good item counts as a list of one."""
        value = self.raw(key, default)
        if value is None or (key not in self.content and value is default):
            return [] if value is None else list(value)
        items = value if isinstance(value, list) else [value]
        for i, item in enumerate(items):
            if not good(item):
                where = f"{key}[{i + 1}]" if isinstance(value, list) else key
                self.fault(where, f"needs {wanted}, got {kind_of(item)}")
        return [item for item in items if good(item)]

    def unasked(self) -> list[str]:
        """The keys that nobody asked for so far, in the order of the file."""
        return [key for key in self.content if key not in self._asked]

    def finish(self) -> None:
        """Every key that nobody asked for is a fault, with the nearest known key."""
        for key in self.unasked():
            self.fault(key, "unknown key", nearest(key, self._asked))


def is_number(value: Any) -> bool:
    """A finite int or float that a double can hold, and not a bool."""
    return isinstance(value, (int, float)) and not isinstance(value, bool) and abs(value) <= sys.float_info.max


def counted(number: int, word: str) -> str:
    """A number and its word, as people write it: "1 bar", "37 bars"."""
    return f"{number} {word}" if number == 1 else f"{number} {word}s"


def listed(names: Iterable[str], most: int = FEW) -> str:
    """Names in a row, each once; of many, how many more there are."""
    known = list(dict.fromkeys(names))
    return ", ".join(known[:most]) + (f" and {len(known) - most} more" if len(known) > most else "")


def kind_of(value: Any) -> str:
    """What a value is, in a maker's words."""
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f'the text "{_short(value)}"'
    if isinstance(value, (int, float)):
        return f"the number {_short(str(value))}"
    if isinstance(value, list):
        return "a list"
    if isinstance(value, Mapping):
        return "a table"
    return f"a {type(value).__name__}"


def _short(text: str) -> str:
    return text if len(text) <= 40 else text[:37] + "..."


def range_text(low: float, high: float) -> str:
    """The allowed range in words."""
    if low == -math.inf:
        return f"at most {high:g}"
    if high == math.inf:
        return f"at least {low:g}"
    return f"{low:g} to {high:g}"
