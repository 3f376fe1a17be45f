"""Score + song map + rig -> cues in whole frames. The room that knows where "17.3" falls.

A *cue* is one clip in its place: it starts and ends on frames, its parameters are plain numbers, and nothing in it
asks the score again. Two placings of a phrase give cues that differ only in where they stand.
"""

from __future__ import annotations

import bisect
import math
import zlib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise
from typing import Any

from .clock import SECOND, FrameClock, Moment, Span
from .effects.table import EFFECTS, Pace, Width
from .faults import FaultList, listed, nearest
from .rig import Rig
from .score import MOST_DEPTH, Block, Level, Points, Score, Stretch, Trigger, Variation, recoloured
from .songmap import SongMap

MOST_CUES = 100_000
SLACK = Fraction(1)  # beats that a clip may reach past the song's end: it is trimmed without a word
MASTER_LAYER = 1001  # above every layer that a score may name
MANY_LOST = 3  # places whose zones the rig lacks: more than a slip of the pen
WHOLE_RIG = ""  # the zone of a cue that lies on every pixel


@dataclass(frozen=True)
class Along:
    """A number that changes along a clip: (beats from the clip's start, value), rising in beats, straight between.

    `whole`: the nearest whole number counts; `unit`: that of a width, '' for a number.
    """

    points: tuple[tuple[Fraction, float], ...]
    whole: bool = False
    unit: str = ""

    def value(self, beats: Fraction) -> float | int | Width:
        """What an effect is given so many beats into the clip."""
        at = self.at(beats)
        if self.unit:
            return Width(at, self.unit)  # type: ignore[arg-type]
        return math.floor(at + 0.5) if self.whole else at

    def at(self, beats: Fraction) -> float:
        """The value so many beats into the clip: level before the first point and after the last."""
        i = bisect.bisect_right(self.points, beats, key=lambda point: point[0])
        if i == 0 or i == len(self.points):
            return self.points[max(i - 1, 0)][1]
        (before, a), (after, b) = self.points[i - 1], self.points[i]
        return a + (b - a) * float((beats - before) / (after - before))


@dataclass(frozen=True)
class Cue:
    """One clip in its place: frames [first, end), from position `start` for `length`, both beats.

    It starts at a frame's own position, and ends at one or at the end of the song. Where a palette changes under it, it
    is several cues, each with some of its frames and all with its `start` and `length`. `address` is the clip's name
    and where it starts (`glow@17.1`); `order` breaks ties between cues on one layer (later covers earlier); `params`
    are the effect's, each time a Pace, a number perhaps an Along; `strength` is 1, or that of the event that a trigger
    laid it on, 0-1. `only` is a zone outside which it does not show, '' for none; `mirror` shows its zone left for
    right, counted from its other end. `soft` is how many beats its light is averaged over, 0 for none: then `span` says
    which part of the clip is its own, from and to in beats from `start`, its frames reach half of `soft` beyond that
    either way, and `faint` is what is left of its opacity.
    """

    address: str
    effect: str
    zone: str
    first: int
    end: int
    start: Fraction
    length: Fraction
    layer: int
    order: int
    mix: str
    opacity: float | Along
    fade_in: Pace | None
    fade_out: Pace | None
    params: tuple[tuple[str, Any], ...]
    seed: int
    strength: float = 1.0
    only: str = ""
    mirror: bool = False
    soft: Fraction = Fraction(0)
    span: tuple[Fraction, Fraction] = (Fraction(0), Fraction(0))
    faint: float = 1.0

    @property
    def clip(self) -> str:
        """The clip as written, whose placings share a name: `glow` of `glow@17.1`."""
        return clip_of(self.address)

    @property
    def by_seconds(self) -> bool:
        """Whether the light depends on seconds or on the sound, and not on musical time alone."""
        paces = [self.fade_in, self.fade_out, *(value for _, value in self.params)]
        return EFFECTS[self.effect].uses_sound or any(isinstance(p, Pace) and p.unit == "seconds" for p in paces)


def lay(score: Score, song: SongMap, rig: Rig, clock: FrameClock, faults: FaultList) -> list[Cue]:
    """Lay every clip, placed phrase and trigger of a score onto frames of a clock that has any.

    Faults (unknown zone, place outside the song, no such section or label) are collected in `faults`; a score with
    faults of its own is laid as far as it goes. Cues are sorted by layer, then by place in the score.
    """
    check_zones(score, rig, faults)
    check_sections(score, song, faults)
    cues = _Laying(score, song, rig, clock, faults).all()
    return sorted(cues, key=lambda cue: (cue.layer, cue.order))


def clip_of(address: str) -> str:
    """The clip as written, of an address: `glow` of `glow@17.1`."""
    return address.rpartition("@")[0] or address


@dataclass(frozen=True)
class Softness:
    """How far a clip is softened: beats that its light is averaged over, and what is left of its opacity, 0-1."""

    beats: Fraction
    faint: float = 1.0


def softened(cues: Sequence[Cue], clock: FrameClock, softness: Mapping[str, Softness]) -> list[Cue]:
    """The cues, those of the named clips softened as it says, all their placings alike; the others as they are.

    A softened cue starts earlier and ends later by half of what it is averaged over, so that what began with a jump
    begins with a ramp. A clip of which nothing is left is left out.
    """
    out = []
    for cue in cues:
        soft = softness.get(cue.clip)
        if soft is None or cue.layer == MASTER_LAYER:
            out.append(cue)
        elif soft.faint > 0:
            start = clock.frame_beat(cue.first)
            stop = clock.frame_beat(cue.end) if cue.end < clock.frames else clock.end
            first, end = clock.frame_at(start - soft.beats / 2), clock.frame_at(stop + soft.beats / 2)
            span = (start - cue.start, stop - cue.start)
            out.append(replace(cue, first=first, end=end, soft=soft.beats, span=span, faint=soft.faint))
    return out


def check_zones(score: Score, rig: Rig, faults: FaultList) -> None:
    """Every zone that a score names is one of the rig's: all of the score that needs no song to be checked."""
    named = []
    for block in score.blocks():
        if block.effect and block.zone:
            named.append((f"{block.where}.zone", block.zone))
        if block.only:
            named.append((f"{block.where}.only", block.only))
    named += [(f"keep[{i + 1}]", name) for i, name in enumerate(score.keep)]
    wrong = [(where, name) for where, name in named if name not in rig.zones]
    if sum("[" not in name and not nearest(name, rig.zones) for _, name in wrong) >= MANY_LOST:
        # The same words however many there are: who mends one of them has made no new fault.
        faults.add(
            "rig",
            f"{rig.path.name} has not the zones that this score names: if the score was written for another rig, give "
            "their names to zones of this one, or draft the score anew, over this one (draft --force)",
        )
    for where, name in wrong:
        faults.add(where, *_no_zone(name, rig))


def check_sections(score: Score, song: SongMap, faults: FaultList) -> None:
    """Every section that a palette is for is one of the song's."""
    names = list(dict.fromkeys(section.name for section in song.sections))
    for name in score.palettes:
        if name not in names:
            what = f'the song map has no section "{name}"; it has {_listed(names)}'
            faults.add(f"palette.{name}", what, nearest(name, names))


def _listed(names: Iterable[str]) -> str:
    """Some names that there are."""
    return listed(names, 12) or "none"


def _no_zone(name: str, rig: Rig) -> tuple[str, str]:
    """What is wrong with a zone's name, and the one that was meant."""
    part = name.partition("[")[0].strip()
    if part != name and part in rig.zones:
        return f'there is no zone "{name}": name that part in {rig.path.name}, [zone] NAME = ["{name}"]', ""
    near = nearest(name, rig.zones)
    return f'there is no zone "{name}"' + ("" if near else f"; the rig has {_listed(rig.zones)}"), near


def place_of(moment: Moment, score: Score, song: SongMap, rig: Rig, clock: FrameClock) -> Fraction | None:
    """Where a moment of a score falls, in beats; None where the song map has no such section or label."""
    return _Laying(score, song, rig, clock, FaultList(score.path))._position(moment, "")


class _TooMany(Exception):
    """More clips than a show may have."""


@dataclass(frozen=True)
class _Placed:
    """A placed phrase: where it starts, and how it differs from what is written in it, outer placings included.

    `swaps` are followed one after the other, the innermost first.
    """

    start: Fraction
    depth: int = 0
    seed: int = 0
    mirror: bool = False
    longer: Fraction = Fraction(1)
    swaps: tuple[Mapping[str, str], ...] = ()

    def varied(self, variation: Variation) -> _Placed:
        """This placing with a variation of its own inside."""
        seed = self.seed if variation.seed is None else zlib.crc32(f"{self.seed}/{variation.seed}".encode()) >> 1
        swaps = (variation.colours, *self.swaps) if variation.colours else self.swaps
        mirror = self.mirror != variation.mirror
        return _Placed(self.start, self.depth, seed, mirror, self.longer * variation.longer, swaps)

    def scaled(self, position: Fraction) -> Fraction:
        """Where a place of the phrase falls once everything takes longer or shorter."""
        return self.start + (position - self.start) * self.longer

    def swapped(self, word: str) -> str:
        """What stands for a colour word here."""
        for swap in self.swaps:
            word = swap.get(word, word)
        return word


_SONG = _Placed(Fraction(0))  # the song itself: nothing varied


@dataclass
class _Laying:
    """Lays a score. `phrase` is the placed phrase that a block stands in, None outside phrases."""

    score: Score
    song: SongMap
    rig: Rig
    clock: FrameClock
    faults: FaultList
    laid: int = 0

    def all(self) -> list[Cue]:
        try:
            return list(self._all())
        except _TooMany:
            self.faults.add("", f"more than {MOST_CUES} clips in one show")
            return []

    def _all(self) -> Iterator[Cue]:
        for block in self.score.clips:
            yield from self._block(block, None)
        for name, moments in self.score.order.items():
            for i, moment in enumerate(moments):
                start = self._position(moment, f"order.{name}[{i + 1}]")
                if start is not None:
                    yield from self._phrase(name, _Placed(start), f"order.{name}[{i + 1}]")
        for trigger in self.score.triggers:
            yield from self._trigger(trigger)
        yield from self._master(self.score.master)

    def _count(self) -> int:
        """A number for the next clip, or the next placing of a phrase: placings of nothing come to an end too."""
        self.laid += 1
        if self.laid > MOST_CUES:
            raise _TooMany
        return self.laid

    # -- clips and phrases

    def _phrase(self, name: str, placed: _Placed, where: str) -> Iterator[Cue]:
        self._count()
        if placed.depth > MOST_DEPTH:
            return  # round in a circle: a fault of the score
        if not self.clock.start <= placed.start < self.clock.end:
            self.faults.add(where, f"{self._say(placed.start)} is outside the song, {self._song()}")
            return
        for block in self.score.phrases.get(name, ()):
            yield from self._block(block, placed)

    def _block(self, block: Block, phrase: _Placed | None) -> Iterator[Cue]:
        if block.stretch is None:
            return
        if block.phrase:
            at = self._place(block.stretch.at, phrase, block.where)
            if at is not None:
                outer = phrase or _SONG
                inner = replace(outer, start=outer.scaled(at), depth=outer.depth + 1)
                yield from self._phrase(block.phrase, inner.varied(block.variation), block.where)
            return
        span = self._span(block.stretch, phrase, block.where)
        if span is None or block.zone not in self.rig.zones:
            return
        cue = self._cue(block, self._nearest(span[0]), self._nearest(span[1]), block.seed, phrase or _SONG)
        yield from self._coloured(block, cue, phrase or _SONG)

    def _cue(
        self, block: Block, first: int, end: int, seed: int, placed: _Placed = _SONG, strength: float = 1.0
    ) -> Cue:
        """A clip on frames [first, end), at least one, moved into the show."""
        first = min(first, self.clock.frames - 1)
        end = min(max(end, first + 1), self.clock.frames)
        start = self.clock.frame_beat(first)
        stop = self.clock.frame_beat(end) if end < self.clock.frames else self.clock.end
        bar_beats = self.clock.grid.bar_beats(self.clock.grid.bar_of(start))

        def read(key: str, value: Any) -> Any:
            if isinstance(value, Span):
                return pace_of(value, bar_beats, placed.longer)
            if isinstance(value, Points):
                return self._along(value, start, stop, placed.longer, f"{block.where}.{key}")
            if placed.swaps and key in block.words:
                swaps = {word: placed.swapped(word) for word in block.words[key]}
                return recoloured(block.words[key], swaps, self.score.colours)
            return value

        return Cue(
            address=f"{block.label}@{self.clock.grid.address(start)}",
            effect=block.effect,
            zone=block.zone,
            first=first,
            end=end,
            start=start,
            length=stop - start,
            layer=block.layer,
            order=self._count(),
            mix=block.mix,
            opacity=read("opacity", block.opacity),
            fade_in=pace_of(block.fade_in, bar_beats, placed.longer),
            fade_out=pace_of(block.fade_out, bar_beats, placed.longer),
            params=tuple((key, read(key, value)) for key, value in block.params.items()),
            seed=(seed ^ placed.seed ^ (self.score.seed * 0x9E3779B1)) & 0x7FFFFFFF,
            strength=strength,
            only=block.only,
            mirror=placed.mirror,
        )

    def _coloured(self, block: Block, cue: Cue, placed: _Placed) -> Iterator[Cue]:
        """A cue in the colours of the sections it lies in: cut where they change."""
        if not self.score.palettes or not block.words:
            yield cue
            return
        parts: list[Cue] = []
        for first, end, swaps in self._palettes(cue.first, cue.end):
            params = []
            for key, value in cue.params:
                if key in block.words:
                    words = [placed.swapped(word) for word in block.words[key]]
                    value = recoloured(words, swaps, self.score.colours)
                params.append((key, value))
            if parts and parts[-1].params == tuple(params):
                parts[-1] = replace(parts[-1], end=end)
            else:
                parts.append(replace(cue, first=first, end=end, params=tuple(params)))
        yield from parts

    def _palettes(self, first: int, end: int) -> Iterator[tuple[int, int, Mapping[str, str]]]:
        """Frames [first, end) cut at the song's sections: (first, end, what stands for colour words)."""
        sections = self.song.sections
        starts = [self._nearest(self._on_beat(section.start)) for section in sections]
        stops = [self._nearest(self._on_beat(section.end)) for section in sections]
        edges = sorted({first, end, *(at for at in (*starts, *stops) if first < at < end)})
        for a, b in pairwise(edges):
            names = [s.name for s, start, stop in zip(sections, starts, stops, strict=True) if start <= a < stop]
            yield a, b, self.score.palettes.get(names[-1], {}) if names else {}

    def _along(self, points: Points, start: Fraction, stop: Fraction, longer: Fraction, where: str) -> Along:
        """Points of a clip from `start` to `stop` in beats from its start. A fault where they do not follow in time."""
        grid = self.clock.grid
        found: list[tuple[Fraction, float]] = []
        for moment, value in points.points:
            if moment.kind == "end":
                beats = self.clock.add(stop, moment.plus) - start
            else:
                bars = Fraction(moment.bar - 1 if moment.kind == "bar" else 0)
                inside = grid.step_bars(start, bars) + moment.beat - 1
                beats = (self.clock.add(inside, moment.plus) - start) * longer
            if found and beats <= found[-1][0]:
                self.faults.add(where, f"point {len(found) + 1} does not come after the one before it")
                break
            found.append((beats, value))
        return Along(tuple(found), points.whole, points.unit)

    def _master(self, levels: Sequence[Level]) -> Iterator[Cue]:
        """The master: black over everything, as thick as light is to be taken away; nothing where none is.

        Cues stand only where the master is below 1, so that bars elsewhere still look alike to the renderer.
        """
        at: list[tuple[Fraction, float]] = []
        for level in levels:
            position = self._position(level.at, level.where)
            if position is None:
                continue
            if not self.clock.start <= position <= self.clock.end:
                self.faults.add(level.where, f"{self._say(position)} is outside the song, {self._song()}")
            elif at and position <= at[-1][0]:
                self.faults.add(level.where, f"{self._say(position)} does not come after the level before it")
            else:
                at.append((position, level.level))
        if not at:
            return
        ends = [(self.clock.start, at[0][1]), *at, (self.clock.end, at[-1][1])]
        for (begin, a), (stop, b) in pairwise(ends):
            first, end = self.clock.frame_at(begin), self.clock.frame_at(stop)
            if first >= end or a == b == 1:
                continue
            start = self.clock.frame_beat(first)
            shade: float | Along = 1 - a if a == b else Along(((begin - start, 1 - a), (stop - start, 1 - b)))
            yield Cue(
                address=f"master@{self._say(start)}",
                effect="hold",
                zone=WHOLE_RIG,
                first=first,
                end=end,
                start=start,
                length=stop - start,
                layer=MASTER_LAYER,
                order=self._count(),
                mix="replace",
                opacity=shade,
                fade_in=None,
                fade_out=None,
                params=(("colour", ((0.0, 0.0, 0.0),)),),
                seed=0,
            )

    # -- triggers

    def _trigger(self, trigger: Trigger) -> Iterator[Cue]:
        block = trigger.clip
        begin, end = self.clock.start, self.clock.end
        if trigger.stretch is not None:
            span = self._span(trigger.stretch, None, trigger.where)
            if span is None:
                return
            begin, end = span
        events = [(self.clock.add(at, trigger.shift), strength) for at, strength in self._events(trigger)]
        if block.zone not in self.rig.zones or block.stretch is None or block.stretch.length is None:
            return
        heard = [(at, strength) for at, strength in events if begin <= at < end and strength >= trigger.threshold]
        for at, strength in self._apart(heard, trigger.gap)[trigger.offset :: trigger.every]:
            first = min(self._nearest(at), self.clock.frames - 1)
            stop = min(self.clock.add(at, block.stretch.length), end)
            # Alike where the bar repeats: the choice depends on the place in the bar, not on how many came before.
            position = self.clock.frame_beat(first)
            inside = position - self.clock.grid.bar_start(self.clock.grid.bar_of(position))
            seed = block.seed ^ zlib.crc32(str(inside).encode())
            cue = self._cue(block, first, self._nearest(stop), seed, strength=strength)
            yield from self._coloured(block, cue, _SONG)

    def _apart(self, events: list[tuple[Fraction, float]], gap: Span) -> list[tuple[Fraction, float]]:
        """Events without those nearer than `gap` to the last that was kept."""
        kept: list[tuple[Fraction, float]] = []
        free: Fraction | None = None
        for at, strength in events:
            if free is None or at >= free:
                kept.append((at, strength))
                free = self.clock.add(at, gap)
        return kept

    def _events(self, trigger: Trigger) -> list[tuple[Fraction, float]]:
        """Position (beats) and strength 0-1 of each event of a kind, in order."""
        song = self.song
        if trigger.event == "beats":
            return [(Fraction(i), 1.0) for i in range(len(self.clock.grid.beats_us))]
        if trigger.event == "bars":
            return [(Fraction(i), 1.0) for i in self.clock.grid.bars]
        if trigger.event in ("label", "midi"):
            # A note of an imported MIDI file is a label too.
            name = trigger.of if trigger.event == "label" else f"midi {trigger.of}"
            if name not in song.labels:
                self._say_no_label(trigger, name)
            return [(self._heard(s), 1.0) for s in song.labels.get(name, ())]
        heard = song.onsets.get(trigger.of, ()) if trigger.event == "onsets" else song.hits.get(trigger.event, ())
        return [(self._heard(seconds), strength) for seconds, strength in heard]

    def _say_no_label(self, trigger: Trigger, name: str) -> None:
        notes = [label for label in self.song.labels if label.startswith("midi ")]
        what = f'the song map has no label "{name}"'
        if trigger.event == "midi":
            what = f"the song's MIDI file has no note {trigger.of}"
            if not notes:
                what = f'no MIDI file was read for the song: glowscore listen "{self.score.song}" --midi FILE'
        among = notes if trigger.event == "midi" else [label for label in self.song.labels if label not in notes]
        self.faults.add(f"{trigger.where}.on", what, nearest(name, among))

    def _heard(self, seconds: float) -> Fraction:
        return self.clock.beat_at_us(round(seconds * SECOND))

    # -- places

    def _span(self, stretch: Stretch, phrase: _Placed | None, where: str) -> tuple[Fraction, Fraction] | None:
        """Start and end of a stretch, or None with a fault: it must lie in the song."""
        placed = phrase or _SONG
        begin = self._place(stretch.at, phrase, where)
        if begin is None:
            return None
        length = stretch.length or Span()
        if stretch.length is not None:
            end = self.clock.add(begin, Span(length.beats, length.bars))
        else:
            to = self._place(stretch.to, phrase, where) if stretch.to is not None else None
            if to is None:
                return None
            end = to
        begin, end = placed.scaled(begin), placed.scaled(end)
        end = self.clock.add(end, Span(seconds=length.seconds))  # seconds stay what they are
        note = "" if phrase is None else f" (phrase placed at {self._say(phrase.start)})"
        if end <= begin:
            self.faults.add(where, f"ends at {self._say(end)}, not after its start at {self._say(begin)}{note}")
        elif not self.clock.start <= begin < self.clock.end:
            self.faults.add(where, f"starts at {self._say(begin)}, outside the song, {self._song()}{note}")
        elif end > self.clock.end + SLACK:
            self.faults.add(where, f"ends at {self._say(end)}, after the song, {self._song()}{note}")
        else:
            return begin, end
        return None

    def _place(self, moment: Moment, phrase: _Placed | None, where: str) -> Fraction | None:
        """A written place; bars and beats count from the start of the phrase in which it is written, unscaled."""
        if phrase is None or moment.kind != "bar":
            return self._position(moment, where)
        bar = self.clock.grid.step_bars(phrase.start, Fraction(moment.bar - 1))
        return self.clock.add(bar + moment.beat - 1, moment.plus)

    def _position(self, moment: Moment, where: str) -> Fraction | None:
        clock = self.clock
        if moment.kind == "bar":
            base = clock.grid.position(moment.bar, moment.beat)
        elif moment.kind == "seconds":
            base = clock.beat_at_us(round(moment.seconds * SECOND))
        elif moment.kind == "start":
            base = clock.start
        elif moment.kind == "end":
            base = clock.end
        else:
            found = self._named(moment)
            if moment.nth > len(found):
                self._say_missing(moment, len(found), where)
                return None
            base = found[moment.nth - 1]
        return clock.add(base, moment.plus)

    def _named(self, moment: Moment) -> list[Fraction]:
        if moment.kind == "section":
            return [self._on_beat(s.start) for s in self.song.sections if s.name == moment.name]
        return [self._heard(s) for s in self.song.labels.get(moment.name, ())]

    def _say_missing(self, moment: Moment, found: int, where: str) -> None:
        names = [s.name for s in self.song.sections] if moment.kind == "section" else list(self.song.labels)
        if found:
            times = "once" if found == 1 else f"{found} times"
            self.faults.add(where, f'the song map has {moment.kind} "{moment.name}" {times}, not {moment.nth}')
        else:
            what = f'the song map has no {moment.kind} "{moment.name}"; it has {_listed(names)}'
            self.faults.add(where, what, nearest(moment.name, names))

    def _on_beat(self, seconds: float) -> Fraction:
        """A section starts on a beat: its seconds are rounded, so take the beat within 2 ms, else the exact place."""
        us = round(seconds * SECOND)
        beats = self.clock.grid.beats_us
        i = bisect.bisect_left(beats, us - 2000)
        return Fraction(i) if i < len(beats) and abs(beats[i] - us) <= 2000 else self.clock.beat_at_us(us)

    def _nearest(self, position: Fraction) -> int:
        """The frame nearest to a position (a place on a frame is that frame)."""
        after = self.clock.frame_at(position)
        if 0 < after < self.clock.frames:
            before = self.clock.frame_beat(after - 1)
            if position - before < self.clock.frame_beat(after) - position:
                return after - 1
        return after

    def _say(self, position: Fraction) -> str:
        return self.clock.grid.address(position)

    def _song(self) -> str:
        return f"which runs from {self._say(self.clock.start)} to {self._say(self.clock.end)}"


def pace_of(span: Span, bar_beats: int, longer: Fraction = Fraction(1)) -> Pace | None:
    """A span of one unit as a period: beats or seconds, None for nothing. A bar is as long as the one it starts in.

    Beats and bars take `longer` times as long, seconds do not.
    """
    if span.seconds:
        return Pace(span.seconds, "seconds")
    beats = (span.beats + span.bars * bar_beats) * longer
    return Pace(beats, "beats") if beats else None
