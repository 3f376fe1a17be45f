"""Colours as a person writes them, as codes 0-1 a channel. No numpy: the score is read without it.

Conventions
-----------
A *code* is L*/100 of one channel (CIE 1976 lightness): 0.5 looks half as light as 1. `#ff6a00` is the codes
(255/255, 106/255, 0). What duty a code becomes is the wire's business.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from ..faults import Table, kind_of, nearest

RGB = tuple[float, float, float]

# Values of CSS Color Module Level 4 (W3C), section 6.1 "Named Colors": the plain ones of its list.
NAMED: Mapping[str, str] = {
    "black": "#000000",
    "white": "#ffffff",
    "silver": "#c0c0c0",
    "gray": "#808080",
    "grey": "#808080",
    "red": "#ff0000",
    "maroon": "#800000",
    "crimson": "#dc143c",
    "tomato": "#ff6347",
    "coral": "#ff7f50",
    "salmon": "#fa8072",
    "orangered": "#ff4500",
    "orange": "#ffa500",
    "gold": "#ffd700",
    "yellow": "#ffff00",
    "olive": "#808000",
    "lime": "#00ff00",
    "green": "#008000",
    "turquoise": "#40e0d0",
    "teal": "#008080",
    "aqua": "#00ffff",
    "cyan": "#00ffff",
    "skyblue": "#87ceeb",
    "royalblue": "#4169e1",
    "blue": "#0000ff",
    "navy": "#000080",
    "indigo": "#4b0082",
    "purple": "#800080",
    "violet": "#ee82ee",
    "orchid": "#da70d6",
    "magenta": "#ff00ff",
    "fuchsia": "#ff00ff",
    "hotpink": "#ff69b4",
    "pink": "#ffc0cb",
}

_HEX = re.compile(r"#(?:[0-9a-fA-F]{3}|[0-9a-fA-F]{6})")


def parse_colour(text: str) -> RGB:
    """`#rgb`, `#rrggbb` or a plain CSS name (any case) as codes 0-1. Raises ValueError."""
    word = text.strip()
    if word.lower() in NAMED:
        word = NAMED[word.lower()]
    if not _HEX.fullmatch(word):
        raise ValueError(f'"{text}" is not a colour: write "#ff6a00" or a name such as "white"')
    digits = word[1:] if len(word) == 7 else "".join(digit * 2 for digit in word[1:])
    red, green, blue = (int(digits[i : i + 2], 16) / 255 for i in (0, 2, 4))
    return red, green, blue


def read_colour(table: Table, key: str, text: str, colours: Mapping[str, Sequence[str]]) -> tuple[RGB, ...]:
    """One written colour as codes; a name of `colours` (the score's own, which come first) may stand for several.

    An unknown one is a fault at `key` with the nearest known name, and yields (). What is wrong with a name's own
    colours is told where they are written, not at each use.
    """
    found: list[RGB] = []
    for item in colours[text] if text in colours else (text,):
        try:
            found.append(parse_colour(item))
        except ValueError as error:
            if text in colours:
                continue
            if item.lstrip().startswith("#"):
                table.fault(key, str(error))
            else:
                hint = nearest(item, [*colours, *NAMED])
                table.fault(key, f'there is no colour "{item}"', hint)
    return tuple(found)


def read_colours(table: Table, key: str, colours: Mapping[str, Sequence[str]], most: int) -> tuple[RGB, ...]:
    """The colours at a key, one or a list, palettes unfolded in place. At least one, at most `most`; else a fault."""
    value = table.raw(key)
    items = value if isinstance(value, list) else [value]
    found: list[RGB] = []
    for i, item in enumerate(items):
        where = f"{key}[{i + 1}]" if isinstance(value, list) else key
        if isinstance(item, str):
            found.extend(read_colour(table, where, item, colours))
        else:
            table.fault(where, f'needs a colour such as "#ff6a00" or "white", got {kind_of(item)}')
    if isinstance(value, list) and not value:
        table.fault(key, "needs at least one colour")
    if len(found) > most:
        table.fault(key, f"holds {len(found)} colours, at most {most}")
    return tuple(found[:most])
