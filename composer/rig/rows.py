"""The tables of chips and boards: rows of data, a source a value, and what wire tables are made of."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterable
from functools import cache
from pathlib import Path
from typing import Any

from .parts import MOST_PIXELS, Board, Chip


def _rows(file: str) -> dict[str, tuple[dict[str, Any], dict[str, str]]]:
    """Each row of a table by name: its values, and where each was read. Every value stands as [value, source]."""
    table = tomllib.loads((Path(__file__).parents[1] / file).read_text(encoding="utf-8"))
    out = {}
    for name, row in table.items():
        values = {key: tuple(value) if isinstance(value, list) else value for key, (value, _) in row.items()}
        out[name] = values, {key: source for key, (_, source) in row.items()}
    return out


@cache
def chips() -> dict[str, Chip]:
    """The chip table by name."""
    return {name: Chip(name=name, source=source, **values) for name, (values, source) in _rows("chips.toml").items()}


@cache
def boards() -> dict[str, Board]:
    """The board table by name."""
    out = {}
    for name, (values, source) in _rows("boards.toml").items():
        pins = frozenset(numbers_of(values.pop("pins")))
        out[name] = Board(name=name, source=source, pins=pins, **values)
    return out


def numbers_of(text: str) -> list[int]:
    """Numbers and ranges as written for people: '0-22,26-28' -> 0..22, 26..28. Raises ValueError."""
    out: list[int] = []
    for part in text.split(","):
        first, dash, last = part.strip().partition("-")
        numbers = range(int(first), int(last if dash else first) + 1)
        if not numbers or len(numbers) > MOST_PIXELS:
            raise ValueError(text)
        out.extend(numbers)
    return out


def text_of(numbers: Iterable[int]) -> str:
    """Numbers as people write them: 0..22, 26..28 -> '0-22, 26-28'. The reverse of `numbers_of`."""
    runs: list[list[int]] = []
    for number in sorted(numbers):
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    return ", ".join(f"{run[0]}-{run[-1]}" if len(run) > 1 else f"{run[0]}" for run in runs)


def awg_mm2(awg: int) -> float:
    """Cross-section of a solid AWG conductor, mm2: d = 0.127 mm x 92^((36-n)/39) (ASTM B258, from memory)."""
    diameter_mm = 0.127 * math.pow(92, (36 - awg) / 39)
    return math.pi / 4 * diameter_mm * diameter_mm
