"""What a score says, as data: clips, phrases, triggers, levels of the master. Times stay as written."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any

from ..clock import Moment, Span

MIXES = ("replace", "add", "max")
LIMITER_MODES = ("on", "warn", "off")
FLASH_MODES = ("report", "soften")
EVENTS = ("beats", "bars", "onsets", "kick", "snare", "hat", "label", "midi")
SPEEDS = {"half": Fraction(2), "normal": Fraction(1), "double": Fraction(1, 2)}  # how much longer all takes
BANDS = ("low", "mid", "high")
MOST_DEPTH = 16
MOST_POINTS = 256


@dataclass(frozen=True)
class Stretch:
    """From when to when: a start, and an end or a length."""

    at: Moment
    to: Moment | None = None
    length: Span | None = None


@dataclass(frozen=True)
class Points:
    """A number that changes along a clip: straight from point to point, level before the first and after the last.

    Each point is a place, counted from the clip's own start ("1.1") or from its end, and a value. `whole`: the nearest
    whole number counts; `unit`: that of a width, '' for a number.
    """

    points: tuple[tuple[Moment, float], ...]
    whole: bool = False
    unit: str = ""


@dataclass(frozen=True)
class Variation:
    """How one placing of a phrase differs from what is written in it.

    `seed` makes other choices by lot (None: the same); `mirror` shows it left for right; `longer` is how many times as
    long everything takes; `colours` names what stands for each of the phrase's colour words.
    """

    seed: int | None = None
    mirror: bool = False
    longer: Fraction = Fraction(1)
    colours: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Block:
    """A clip as written, or the placing of a phrase (`phrase` set; then `effect` and `zone` are empty).

    `where` is its place in the file, `label` what messages and the audit call it. `params` are hashable; a number may
    be `Points`. `words` holds, for each written colour parameter, its words. `only` is a zone outside which the clip
    does not show, '' for none. `variation` belongs to a placing.
    """

    where: str
    label: str
    stretch: Stretch | None
    zone: str = ""
    effect: str = ""
    params: Mapping[str, Any] = field(default_factory=dict)
    layer: int = 1
    mix: str = "replace"
    opacity: float | Points = 1.0
    fade_in: Span = Span()
    fade_out: Span = Span()
    seed: int = 0
    phrase: str = ""
    only: str = ""
    words: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    variation: Variation = Variation()


@dataclass(frozen=True)
class Trigger:
    """A rule that lays one clip on every event in a stretch (the whole song without one).

    `event` is one of EVENTS, `of` the band, the label or the MIDI channel/note. Clips start `shift` after their events,
    which counts before `stretch` does. Every `every`-th event counts, from number `offset` (0 = the
    first). Events weaker than `threshold`, or nearer than `gap` to the last that was kept, are passed over and not
    counted.
    """

    where: str
    event: str
    of: str
    stretch: Stretch | None
    every: int
    offset: int
    threshold: float
    gap: Span
    clip: Block
    shift: Span = Span()


@dataclass(frozen=True)
class Level:
    """One point of the master: from here on, straight to the next one, all light is scaled by `level`, 0-1."""

    where: str
    at: Moment
    level: float


@dataclass(frozen=True)
class Score:
    """A checked score. `order` places phrases; `grid` is the bar numbering it was written against ('' unknown); `keep`
    are zones that the limiter dims last; `palettes` say what stands for colour words in sections of the song."""

    path: Path
    title: str
    song: Path
    rig: Path
    rate: float
    seed: int
    limiter: str
    grid: str
    clips: tuple[Block, ...]
    phrases: Mapping[str, tuple[Block, ...]]
    order: Mapping[str, tuple[Moment, ...]]
    triggers: tuple[Trigger, ...]
    master: tuple[Level, ...] = ()
    colours: Mapping[str, list[str]] = field(default_factory=dict)
    flashes: str = "report"
    keep: tuple[str, ...] = ()
    palettes: Mapping[str, Mapping[str, str]] = field(default_factory=dict)

    def blocks(self) -> Iterator[Block]:
        """Every written clip, wherever it stands."""
        yield from self.clips
        for blocks in self.phrases.values():
            yield from blocks
        for trigger in self.triggers:
            yield trigger.clip
