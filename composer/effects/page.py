"""EFFECTS.md and its pictures, made from the table and from the effects themselves: `python -m composer.effects`.

A picture is `BEATS` beats of a straight zone of `PIXELS` pixels: time to the right, pixels downward, seen as a screen
shows it. Its clip is the example printed beside it, read by the same reader as a score's.
"""

from __future__ import annotations

import struct
import textwrap
import tomllib
import zlib
from collections.abc import Mapping
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..clock import Span
from ..faults import FaultList, Table
from . import draw
from .basis import Place, Times, single
from .colours import NAMED
from .table import EFFECTS, OURS, Effect, Pace, default_text, read_params, written

BEATS, FRAMES_A_BEAT, PIXELS = 8, 24, 60
BEATS_A_BAR = 4
SEED = 7
HERE = Path(__file__).parent
PAGE = HERE.parent / "EFFECTS.md"
PICTURES = HERE / "pictures"

_EXAMPLES = """
[hold]
colour = ["orangered", "gold", "turquoise"]
crossfade = 0.4

[blend]
colour = ["indigo", "crimson", "gold"]
every = "2 bars"
mixing = "oklab"

[swell]
colour = ["navy", "turquoise", "white"]
direction = "out"
lag = 0.5

[accent]
colour = ["white", "gold", "crimson"]
every = "2 beats"
decay = "2 beats"
direction = "out"
shrink = 0.9
soft = "20 %"

[gate]
colour = ["hotpink", "white"]
every = "1/2 beat"
rhythm = "x..x..x."
open = 0.9
soft = 0.8

[run]
colour = ["gold", "tomato"]
every = "2 beats"
turn = "back"
easing = "ease"
tail = "40 %"

[edge]
colour = ["royalblue", "violet", "white", "black"]
every = "2 beats"
direction = "out"
easing = "ease-out"
soft = "10 %"

[scatter]
colour = ["white", "gold", "skyblue"]
every = "1 beat"
decay = "3 beats"
rise = 0.2
share = 0.2
together = false

[pile]
colour = ["orangered", "gold", "white"]
every = "1/2 beat"
width = "8 %"
fall = 2

[weave]
colour = ["red", "white", "green"]
every = "1 beat"
width = "5 pixels"
gap = "2 pixels"
glide = 0.5

[drift]
colour = ["black", "maroon", "orangered", "gold"]
every = "2 beats"
width = "25 %"
flow = 0.5

[rings]
colour = ["turquoise", "white"]
every = "1 beat"
spread = "3 beats"
anywhere = true

[gauge]
colour = ["green", "gold", "red"]
band = "low"
soft = "5 %"
"""
EXAMPLES: Mapping[str, str] = {
    part.partition("]\n")[0]: part.partition("]\n")[2].rstrip() + "\n" for part in _EXAMPLES.split("\n[")[1:]
}


def example(effect: Effect) -> dict[str, Any]:
    """The parameters of an effect's example, as `draw` takes them. Raises Faults if the example is wrong."""
    faults = FaultList(f"the example of {effect.name}")
    table = Table(tomllib.loads(EXAMPLES[effect.name]), "", faults)
    params = read_params(table, effect, {})
    table.finish()
    faults.raise_if_any()
    return {key: _pace(value) if isinstance(value, Span) else value for key, value in params.items()}


def _pace(span: Span) -> Pace:
    if span.seconds:
        return Pace(span.seconds, "seconds")
    return Pace(span.beats + span.bars * Fraction(BEATS_A_BAR), "beats")


def picture(effect: Effect) -> NDArray[np.uint8]:
    """An effect's example as pixels of a picture, uint8 (PIXELS, frames, 3)."""
    beats = np.arange(BEATS * FRAMES_A_BEAT) / FRAMES_A_BEAT
    # A made-up sound: a low note on every beat, the bar's first the loudest.
    loud = single((1 - beats % 1) ** 2 * np.where(beats % BEATS_A_BAR < 1, 1.0, 0.7))
    sound = {band: loud for band in ("low", "mid", "high", "all")}
    times = Times(beats, beats / 2, float(BEATS), BEATS / 2, sound)
    place = Place.of(np.stack([np.arange(PIXELS) / 30, np.zeros(PIXELS)], axis=1))
    light, cover = draw(effect.name, times, place, example(effect), SEED)
    seen = np.broadcast_to(light * cover[:, :, None], (len(beats), PIXELS, 3))
    return on_screen(seen).transpose(1, 0, 2)


def on_screen(codes: Any) -> NDArray[np.uint8]:
    """Codes L*/100 as 8-bit sRGB of the same luminance (CIE 15, IEC 61966-2-1)."""
    lightness = 100 * np.asarray(codes, np.float64)
    duty = np.where(lightness > 8, ((lightness + 16) / 116) ** 3, lightness * (27 / 24389))
    srgb = np.where(duty <= 0.0031308, 12.92 * duty, 1.055 * duty ** (1 / 2.4) - 0.055)
    return np.asarray(np.rint(255 * np.clip(srgb, 0, 1)), np.uint8)


def png(pixels: NDArray[np.uint8]) -> bytes:
    """A truecolour PNG (ISO/IEC 15948) of uint8 (height, width, 3); each line as its difference to the one above."""
    height, width, _ = pixels.shape
    lines = pixels.reshape(height, -1)
    lines = np.concatenate([lines[:1], lines[1:] - lines[:-1]])
    data = b"".join(b"\x02" + line.tobytes() for line in lines)

    def chunk(kind: bytes, body: bytes) -> bytes:
        return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))

    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", zlib.compress(data, 9)) + chunk(b"IEND", b"")


_TOP = """\
# Effects

This page is made from the table that checks a score, and the pictures by the effects: `python -m composer.effects`.

In a picture time runs to the right, eight beats of it, and the pixels of one string downward. What stands beside it is
the clip that made it, without its `zone`, `at` and `for`.

## How values are written

- A time, always in quotes: `"2 beats"`, `"1/2 beat"`, `"1 bar"`, `"0.5 s"`. Beats keep to the song when its tempo
  changes; seconds do not.
- A width, in quotes: `"8 pixels"`, `"0.5 m"`, `"40 cm"`, or `"20 %"`, a share of the way that the effect goes: with
  `direction = "out"` that way is half the zone.
- A colour: `"#ff6a00"`, `"#f60"`, `"white"`, or a name of the score's `[colour]`, which may stand for a whole palette.
  Half of a colour's number looks half as light (CIE 1976 lightness).
- A point: `[1.5, 2.0]`, metres, as in the rig. Steps: `"x..x..x."`, x on and . off.

The plain names are those of CSS Color Module Level 4:
{names}.

`direction` goes along the `axis`: from the zone's first pixel to its last (`"string"`), to the right (`"x"`), or
upward (`"y"`); `"back"` is the other way, `"out"` from the middle to both ends, `"in"` from both ends to the middle.
`easing` shapes the way between two ends: `"ease"` starts and stops gently, `"ease-in"` starts gently, `"ease-out"`
stops gently. Everything counts from the clip's start. What is drawn by lot depends on the clip's `seed` alone.

A fast `gate` or a bright `accent` on every half beat can flash in a way that hurts someone: read the audit.
"""


OWN_EXAMPLE = """\
import numpy as np

from composer.effects import AddedEffect, Effect, Param


def draw(times, place, params, seed):
    turns = times.count(params["every"])[:, None]  # (F, 1): periods gone by
    away = (place.along[None, :] - turns + 0.5) % 1 - 0.5  # (F, N): share of the zone from the beam, -1/2 to 1/2
    cover = np.clip(1 - np.abs(away) / params["beam"], 0, 1)
    return params["colour"][None, :1], cover  # light (1, 1, 3), cover (F, N)


lighthouse = AddedEffect(
    Effect(
        "lighthouse",
        "a beam that goes round and round",
        "rotating beacon",
        (
            Param("colour", "colours", "white", "the colour of the beam"),
            Param("every", "pace", "4 beats", "time of one turn"),
            Param("beam", "number", 0.1, "half its width, a share of the zone", 0.01, 0.5),
        ),
    ),
    draw,
)
"""

_OWN = """\
## An effect of your own

A Python package can bring effects. Its `pyproject.toml` names them:

```toml
[project.entry-points."glowscore.effects"]
lighthouse = "quay_lights:lighthouse"
```

and the module `quay_lights` makes them:

```python
{code}```

`draw` is given the frames' moments (`Times`: `beats`, `seconds`, `count`, `sound`), the pixels' places (`Place`:
`index`, `along`, `metres`, `xy`), every parameter that its table names, and a whole number `seed`. It gives back light
(codes 0-1) and cover (0-1), arrays that broadcast to (F, N, 3) and (F, N). It must be a pure function: no state, no
clock, no random numbers but from the seed, and each frame the same whichever others are asked for with it. An effect
that fails, or whose arrays have another shape or other values, is named in the error.
"""


def page() -> str:
    """The text of EFFECTS.md."""
    parts = [_TOP.format(names=textwrap.fill(", ".join(sorted(NAMED)), 118))]
    for effect in (EFFECTS[name] for name in OURS):
        parts.append(f"## {effect.name}\n")
        parts.append(f"{effect.help[0].upper()}{effect.help[1:]}. The trade says: {effect.trade}.\n")
        parts.append(f'<img src="effects/pictures/{effect.name}.png" width="480" alt="{effect.name}: {effect.help}">\n')
        parts.append(f'```toml\neffect = "{effect.name}"\n{EXAMPLES[effect.name]}```\n')
        rows = [f"| `{p.key}` | {p.help} | {written(p)} | `{default_text(p)}` |" for p in effect.params]
        rows = [row.replace("`left out`", "left out") for row in rows]
        parts.append("\n".join(["| key | what | written | default |", "|---|---|---|---|", *rows]) + "\n")
    return "\n".join([*parts, _OWN.format(code=OWN_EXAMPLE)])


def write() -> None:
    """Write the page and its pictures."""
    PICTURES.mkdir(exist_ok=True)
    PAGE.write_text(page(), encoding="utf-8")
    for effect in (EFFECTS[name] for name in OURS):
        (PICTURES / f"{effect.name}.png").write_bytes(png(picture(effect)))
