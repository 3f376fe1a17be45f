"""A first score from the song map, as ordinary text to edit: quiet parts quiet, loud parts bright, hits on the drums.

The same section name gets the same look, so that a chorus is known again; another song gets other colours and effects.
What comes out is read and checked like anything else that a person writes.
"""

from __future__ import annotations

import bisect
import hashlib
from collections.abc import Sequence
from dataclasses import dataclass

from .rig import Rig
from .songmap import SongMap

QUIET, MIDDLE, LOUD = "quiet", "middle", "loud"
LEAST_GAP = "0.5 s"  # between hits: two a second, which leaves the light under them a third

PALETTES = {
    "embers": ("#2a0800", "#a02a00", "#ff7a10", "#ffc860"),
    "tide": ("#001430", "#005a8c", "#00a8a0", "#b0f4ff"),
    "heather": ("#1c0838", "#6a2490", "#d04aa0", "#ffb0d8"),
    "meadow": ("#041c04", "#1c7a30", "#8cc820", "#f4f090"),
    "frost": ("#081030", "#3058c0", "#80b8ff", "#f0f8ff"),
    "harvest": ("#301000", "#b85000", "#f0b000", "#fff0a8"),
    "rowan": ("#300008", "#b00828", "#ff5040", "#ffd0a0"),
    "lagoon": ("#001c20", "#007868", "#30d0b0", "#e0ffe8"),
}
"""Four colours each, from dark to light."""

LOOKS = {
    QUIET: (
        'effect = "drift"\nevery = "8 beats"\nwidth = "25 %"\nflow = 0.4',
        'effect = "blend"\nevery = "8 bars"\nmixing = "oklab"',
        'effect = "drift"\nevery = "4 bars"\nwidth = "40 %"\ndetail = 0.6',
    ),
    MIDDLE: (
        'effect = "blend"\nevery = "4 bars"\nrepeat = 2\nmixing = "oklab"',
        'effect = "weave"\nevery = "2 beats"\nwidth = "12 %"\nglide = 1.0',
        'effect = "run"\nevery = "4 beats"\nwidth = "10 %"\ntail = "60 %"\nturn = "round"',
    ),
    LOUD: (
        'effect = "weave"\nevery = "4 beats"\nwidth = "8 %"\nglide = 0.5',
        'effect = "run"\nevery = "4 beats"\nwidth = "15 %"\ntail = "60 %"',
        'effect = "blend"\nevery = "2 bars"\nrepeat = 3',
        'effect = "rings"\nevery = "4 beats"\nspread = "4 beats"\ntail = "35 %"',
    ),
}


GROUND = {QUIET: 0.55, MIDDLE: 0.75, LOUD: 0.75}
"""How bright the light under the hits is: of quiet parts quiet, of loud parts so that a hit stands out from it."""
HITS = {MIDDLE: 'opacity = 0.7, width = "50 %"', LOUD: 'opacity = 1.0, width = "80 %"'}


@dataclass(frozen=True)
class Part:
    """A section in bars [first, last], its energy and its colours."""

    name: str
    first: int
    last: int
    energy: str
    palette: str
    turn: int = 0  # counts the stretches of one section
    nth: int = 1  # counts all stretches of this name
    to_end: bool = False  # its last bar ends after the song

    @property
    def bars(self) -> str:
        """As a score writes them."""
        if self.to_end:
            return f"{self.first}-end"
        return f"{self.first}-{self.last}" if self.last > self.first else f"{self.first}"


def draft(song: SongMap, rig: Rig, song_file: str, rig_file: str = "rig.toml") -> str:
    """The text of a first score for a song on a rig. `song_file` and `rig_file` as the score names them."""
    parts = parts_of(song)
    used = sorted({part.palette for part in parts})
    stem = song_file.rsplit("/", 1)[-1].rsplit(".", 1)[0]
    lines = [
        f"# A first score for {_comment(song_file)}, drafted from its song map. Everything here is yours to change.",
        '# Times are bars and beats: "17.3" is beat 3 of bar 17. The effects stand in composer/EFFECTS.md.',
        "",
        "format = 1",
        f"song = {_quoted(song_file)}",
        f"rig = {_quoted(rig_file)}",
        f"title = {_quoted(stem)}",
        f"grid = {_quoted(song.grid)}",
        'limiter = "on"              # keeps every supply within its budget',
        "",
        "[colour]",
    ]
    lines += [f"{name} = [{', '.join(_quoted(c) for c in PALETTES[name])}]" for name in used]
    lines.append(f"flash = {_quoted(PALETTES[used[-1]][3])}")
    for i, part in enumerate(parts):
        follows = parts[i + 1] if i + 1 < len(parts) else None
        # No numbers of bars here: nothing would move them along when the bars change.
        lines += ["", f"# ---- {_comment(part.name)}, {part.energy} " + "-" * 30, ""]
        lines += _part(part, follows, song, rig)
    return "\n".join(lines) + "\n"


def parts_of(song: SongMap) -> list[Part]:
    """The song's sections in whole bars, each with its energy (its mean loudness among the song's) and colours."""
    lines = [song.beats[i] for i in song.bars]
    if len(lines) < 2:
        # An even clock of 120 beats a minute: bars of two seconds.
        size = 0.5 * max(1, song.beats_per_bar)
        lines = [size * i for i in range(max(2, int(song.song.seconds / size)))]
    last_bar = max(1, len(lines) - 1)
    sections = song.sections or ()
    starts = sorted({min(max(1, _bar_at(lines, s.start)), last_bar) for s in sections}) or [1]
    starts[0] = 1
    names = {min(max(1, _bar_at(lines, s.start)), last_bar): s.name for s in reversed(sections)}
    means = []
    for at, first in enumerate(starts):
        end = lines[starts[at + 1] - 1] if at + 1 < len(starts) else song.song.seconds
        means.append(_loudness(song, lines[first - 1], end))
    low, high = min(means), max(means)
    palettes = _shuffled(sorted(PALETTES), song.song.sha256)
    order = list(dict.fromkeys(names.get(first, "A") for first in starts))
    out: list[Part] = []
    for at, first in enumerate(starts):
        last = starts[at + 1] - 1 if at + 1 < len(starts) else last_bar
        share = (means[at] - low) / (high - low) if high - low > 0.08 else 0.5
        energy = QUIET if share < 0.34 else MIDDLE if share < 0.7 else LOUD
        name = names.get(first, "A")
        palette = palettes[order.index(name) % len(palettes)]
        for turn, (a, b) in enumerate(_phrases(first, max(first, last))):
            nth = 1 + sum(part.name == name for part in out)
            to_end = b == last_bar and _line(lines, b) > song.song.seconds
            out.append(Part(name, a, b, energy, palette, turn, nth, to_end))
    return out


def _line(lines: Sequence[float], bar: int) -> float:
    """Seconds of the bar line after a bar; beyond the last one at the last bar's pace."""
    return lines[bar] if bar < len(lines) else lines[-1] + (lines[-1] - lines[-2])


def _phrases(first: int, last: int) -> list[tuple[int, int]]:
    """A long section in stretches of eight bars, so that its look changes; a rest of under four joins the last."""
    starts = list(range(first, last + 1, 8))
    if len(starts) > 1 and last - starts[-1] < 3:
        starts.pop()
    return list(zip(starts, [start - 1 for start in starts[1:]] + [last], strict=True))


def _part(part: Part, follows: Part | None, song: SongMap, rig: Rig) -> list[str]:
    bars = f'bars = "{part.bars}"'
    long = part.last - part.first + 1 >= 4
    whole = part.first == 1 and follows is None  # fades at both its ends: they must leave something between them
    fade = "1 bar" if whole and part.last < 8 else "2 bars"
    lines = []
    for i, string in enumerate(rig.strings):
        looks = LOOKS[part.energy]
        look = looks[(_lot(f"{song.song.sha256}/{part.name}/{i}", len(looks)) + part.turn) % len(looks)]
        clip = ["[[clip]]", _name(string, part, "ground"), f'zone = "{string}"', look]
        clip += [f'colour = "{part.palette}"', bars, f"opacity = {GROUND[part.energy]}"]
        if '"drift"' in look:
            clip.append(_seed(part, i, song))
        if 'effect = "rings"' not in look and i % 2:
            clip.append('direction = "back"')
        if part.first == 1 and long:
            clip.append(f'fade_in = "{fade}"')
        if follows is None and long:
            clip.append(f'fade_out = "{fade}"')
        lines += [*clip, ""]
        if part.energy == QUIET:
            stars = (
                'effect = "scatter"\nshare = 0.04\nevery = "1 beat"\ndecay = "3 beats"\nrise = 0.4\ntogether = false'
            )
            lines += ["[[clip]]", _name(string, part, "stars"), f'zone = "{string}"', stars, 'colour = "flash"']
            lines += [bars, "layer = 2", _seed(part, i, song), ""]
    if part.energy != QUIET:
        drum = "kick" if 3 * len(song.hits["kick"]) >= len(song.beats) else "beats"
        for string in rig.strings:
            lines += [
                "[[trigger]]", f'on = "{drum}"', bars, f'gap = "{LEAST_GAP}"',
                f'clip = {{{_name(string, part, "hit")}, zone = "{string}", effect = "accent", for = "1 beat", '
                f'colour = "flash", layer = 3, mix = "max", {HITS[part.energy]}, soft = "20 %", direction = "out"}}',
                "",
            ]  # fmt: skip
    if follows is not None and follows.energy == LOUD and part.energy != LOUD and long:
        # Into a louder part: a boundary sweeps over the last bar.
        for string in rig.strings:
            lines += [
                "[[clip]]", _name(string, part, "sweep"), f'zone = "{string}"',
                'effect = "edge"', 'easing = "ease-in"', 'soft = "20 %"',
                f'colour = "{follows.palette}"', f'bars = "{part.last}"', "layer = 4", "",
            ]  # fmt: skip
    return lines[:-1]


def _seed(part: Part, string: int, song: SongMap) -> str:
    """For what is drawn by lot, which would else go by the name: a part that comes again looks the same again."""
    return f"seed = {_lot(f'{song.song.sha256}/{part.name}/{part.turn}/{string}', 1000)}"


def _name(string: str, part: Part, what: str) -> str:
    """What messages and the audit call a clip: `rail B2 hit`, `rail Verse 1.2 hit`.

    A name ends where a place begins, at an @.
    """
    dot = "." if part.name[-1:].isdigit() else ""
    return f"name = {_quoted(f'{string} {part.name}{dot}{part.nth} {what}'.replace('@', ' '))}"


def _bar_at(lines: Sequence[float], seconds: float) -> int:
    """The bar whose line is nearest."""
    at = bisect.bisect_left(lines, seconds)
    if at == 0:
        return 1
    if at == len(lines):
        return len(lines)
    return at + 1 if lines[at] - seconds < seconds - lines[at - 1] else at


def _loudness(song: SongMap, start: float, end: float) -> float:
    curve = song.loudness.all
    first, last = int(start / song.loudness.hop_s), int(end / song.loudness.hop_s)
    part = curve[first : max(last, first + 1)]
    return sum(part) / len(part) if part else 0.0


def _lot(text: str, many: int) -> int:
    return int.from_bytes(hashlib.sha256(text.encode()).digest()[:4], "big") % many


def _shuffled(names: list[str], seed: str) -> list[str]:
    return sorted(names, key=lambda name: hashlib.sha256(f"{seed}/{name}".encode()).digest())


def _quoted(text: str) -> str:
    """A TOML basic string (TOML 1.0): the escapes of JSON, and DEL besides."""
    import json

    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _comment(text: str) -> str:
    return "".join(letter if letter.isprintable() else "?" for letter in text)
