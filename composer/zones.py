"""Zones: named, ordered sets of pixels, made of parts of strings and of other zones.

A part is `NAME`, `NAME[FIRST:END]`, `NAME[FIRST:END:STEP]` or `NAME[PIXEL]`, then perhaps `reversed`. Every string is
a zone of its own name. Parts count all pixels of what they name, skipped ones too.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from .faults import FaultList, kind_of, nearest

MOST_DEPTH = 100

_WHOLE = r"\s*(\d{1,9})\s*"
_PART = re.compile(rf"\s*([^\W\d][\w-]*)\s*(?:\[{_WHOLE}(?:(:){_WHOLE}(?::{_WHOLE})?)?\])?\s*(reversed)?\s*")

Pixels = tuple[int, ...]


def zone_pixels(
    written: Mapping[str, Any], strings: Mapping[str, Pixels], unplaced: set[str], faults: FaultList
) -> dict[str, Pixels]:
    """The pixels of every zone, strings first, then in the order of the file.

    `written` are the zones as TOML gave them, `strings` the pixel numbers of each string, `unplaced` the strings that
    exist but have no pixels because of another fault. Faults are collected: unknown names, parts that reach outside,
    circles, pixels held twice. A zone with a fault holds what could be read; what leans on it adds no fault of its own.
    """
    return _Zones(written, strings, unplaced, faults).all()


class _Zones:
    def __init__(
        self, written: Mapping[str, Any], strings: Mapping[str, Pixels], unplaced: set[str], faults: FaultList
    ) -> None:
        self.written = written
        self.faults = faults
        self.done: dict[str, Pixels] = {**strings, **dict.fromkeys(unplaced, ())}
        self.failed = set(unplaced)
        self.busy: list[str] = []

    def all(self) -> dict[str, Pixels]:
        for name in self.written:
            self._zone(name)
        for name in self.written:
            if not self.done[name] and name not in self.failed:
                self.faults.add(f"zone.{name}", "has no pixels")
        return self.done

    def _zone(self, name: str) -> Pixels | None:
        """A zone's pixels, or None where it has a fault, which is told already."""
        where = f"zone.{name}"
        if name in self.busy:
            circle = [*self.busy[self.busy.index(name) :], name]
            self.faults.add(where, f"zones go round in a circle: {' -> '.join(circle)}")
            return None
        if len(self.busy) >= MOST_DEPTH:
            self.faults.add(where, f"zones are nested more than {MOST_DEPTH} deep: write the inner ones first")
            return None
        if name not in self.done:
            self.busy.append(name)
            alone = isinstance(self.written[name], str)
            parts = [
                self._part(text, where if alone else f"{where}[{i + 1}]") for i, text in enumerate(self._texts(name))
            ]
            self.busy.pop()
            pixels = tuple(pixel for part in parts if part is not None for pixel in part)
            twice = len(pixels) - len(set(pixels))
            if twice:
                self.faults.add(where, f"holds {twice} pixel{'s' if twice > 1 else ''} twice: its parts overlap")
            if twice or None in parts:
                self.failed.add(name)
            self.done[name] = pixels
        return None if name in self.failed else self.done[name]

    def _texts(self, name: str) -> list[str]:
        value = self.written[name]
        parts = [value] if isinstance(value, str) else value
        if not isinstance(parts, list) or not all(isinstance(part, str) for part in parts):
            wanted = 'needs a list of parts like ["rail[0:100]", "mast reversed"]'
            self.faults.add(f"zone.{name}", f"{wanted}, got {kind_of(value)}")
            self.failed.add(name)
            return []
        return parts

    def _part(self, text: str, where: str) -> Pixels | None:
        match = _PART.fullmatch(text)
        if not match:
            self.faults.add(
                where, f'"{text}" is not a part: write NAME, NAME[FIRST:END], NAME[PIXEL], then perhaps reversed'
            )
            return None
        name, first, colon, end, step, back = match.groups()
        if name not in self.done and name not in self.written:
            hint = nearest(name, [*self.done, *self.written])
            self.faults.add(where, f'there is no string or zone "{name}"', hint)
            return None
        base = self._zone(name)
        if base is None:
            return None
        if first is not None:
            low = int(first)
            high = int(end) if colon else low + 1
            if colon and high <= low:
                hint = "" if high == low else f'"{name}[{high}:{low}] reversed"'
                self.faults.add(where, f'"{text.strip()}" is empty: it ends before pixel {high}', hint)
                return None
            if high > len(base):
                self.faults.add(where, f'"{text.strip()}" reaches outside {name}, which has pixels 0-{len(base) - 1}')
                return None
            if step is not None and int(step) == 0:
                self.faults.add(where, f'"{text.strip()}": a step is at least 1')
                return None
            base = base[low : high : int(step or 1)]
        return base[::-1] if back else base
