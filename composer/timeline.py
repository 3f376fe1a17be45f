"""Score + song map + rig -> cues in whole frames. The room that knows where "17.3" falls.

A *cue* is one clip in its place: it starts and ends on frames, its parameters are plain numbers, and nothing in it
asks the score again. Two placings of a phrase give cues that differ only in where they stand.
"""

from __future__ import annotations

import bisect
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from .clock import SECOND, FrameClock, Moment, Span
from .effects.table import EFFECTS, Pace
from .faults import FaultList, nearest
from .rig import Rig
from .score import MOST_DEPTH, Block, Score, Stretch, Trigger
from .songmap import SongMap

MOST_CUES = 100_000
SLACK = Fraction(1)  # beats that a clip may reach past the song's end: it is trimmed without a word


@dataclass(frozen=True)
class Cue:
    """One clip in its place: frames [first, end), from position `start` for `length`, both beats.

    It starts at a frame's own position, and ends at one or at the end of the song. `address` is the clip's name and
    where it starts (`glow@17.1`); `order` breaks ties between cues on one layer (later covers earlier); `params` are
    the effect's, each time a Pace; `strength` is 1, or that of the event that a trigger laid it on, 0-1.
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
    opacity: float
    fade_in: Pace | None
    fade_out: Pace | None
    params: tuple[tuple[str, Any], ...]
    seed: int
    strength: float = 1.0

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
    cues = _Laying(score, song, rig, clock, faults).all()
    return sorted(cues, key=lambda cue: (cue.layer, cue.order))


def check_zones(score: Score, rig: Rig, faults: FaultList) -> None:
    """Every zone that a score names is one of the rig's: all of the score that needs no song to be checked."""
    for block in score.blocks():
        if block.effect and block.zone and block.zone not in rig.zones:
            faults.add(f"{block.where}.zone", f'there is no zone "{block.zone}"', nearest(block.zone, rig.zones))


class _TooMany(Exception):
    """More clips than a show may have."""


@dataclass
class _Laying:
    """Lays a score. `phrase` is where the phrase that a block stands in starts, None outside phrases."""

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
                    yield from self._phrase(name, start, f"order.{name}[{i + 1}]")
        for trigger in self.score.triggers:
            yield from self._trigger(trigger)

    def _count(self) -> int:
        """A number for the next clip, or the next placing of a phrase: placings of nothing come to an end too."""
        self.laid += 1
        if self.laid > MOST_CUES:
            raise _TooMany
        return self.laid

    # -- clips and phrases

    def _phrase(self, name: str, start: Fraction, where: str, depth: int = 0) -> Iterator[Cue]:
        self._count()
        if depth > MOST_DEPTH:
            return  # round in a circle: a fault of the score
        if not self.clock.start <= start < self.clock.end:
            self.faults.add(where, f"{self._say(start)} is outside the song, {self._song()}")
            return
        for block in self.score.phrases.get(name, ()):
            yield from self._block(block, start, depth)

    def _block(self, block: Block, phrase: Fraction | None, depth: int = 0) -> Iterator[Cue]:
        if block.stretch is None:
            return
        if block.phrase:
            at = self._place(block.stretch.at, phrase, block.where)
            if at is not None:
                yield from self._phrase(block.phrase, at, block.where, depth + 1)
            return
        span = self._span(block.stretch, phrase, block.where)
        if span is None or block.zone not in self.rig.zones:
            return
        yield self._cue(block, self._nearest(span[0]), self._nearest(span[1]), block.seed)

    def _cue(self, block: Block, first: int, end: int, seed: int, strength: float = 1.0) -> Cue:
        """A clip on frames [first, end), at least one, moved into the show."""
        first = min(first, self.clock.frames - 1)
        end = min(max(end, first + 1), self.clock.frames)
        start = self.clock.frame_beat(first)
        stop = self.clock.frame_beat(end) if end < self.clock.frames else self.clock.end
        bar_beats = self.clock.grid.bar_beats(self.clock.grid.bar_of(start))
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
            opacity=block.opacity,
            fade_in=pace_of(block.fade_in, bar_beats),
            fade_out=pace_of(block.fade_out, bar_beats),
            params=tuple(
                (key, pace_of(value, bar_beats) if isinstance(value, Span) else value)
                for key, value in block.params.items()
            ),
            seed=(seed ^ (self.score.seed * 0x9E3779B1)) & 0x7FFFFFFF,
            strength=strength,
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
        events = self._events(trigger)
        if block.zone not in self.rig.zones or block.stretch is None or block.stretch.length is None:
            return
        heard = [(at, strength) for at, strength in events if begin <= at < end and strength >= trigger.threshold]
        for at, strength in self._apart(heard, trigger.gap)[trigger.offset :: trigger.every]:
            first = min(self._nearest(at), self.clock.frames - 1)
            stop = min(self.clock.add(at, block.stretch.length), end)
            # Alike where the bar repeats: the choice depends on the place in the bar, not on how many came before.
            position = self.clock.frame_beat(first)
            inside = position - self.clock.grid.bar_start(self.clock.grid.bar_of(position))
            yield self._cue(block, first, self._nearest(stop), block.seed ^ zlib.crc32(str(inside).encode()), strength)

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
        if trigger.event == "label":
            if trigger.of not in song.labels:
                hint = nearest(trigger.of, song.labels)
                self.faults.add(f"{trigger.where}.on", f'the song map has no label "{trigger.of}"', hint)
            return [(self._heard(s), 1.0) for s in song.labels.get(trigger.of, ())]
        heard = song.onsets.get(trigger.of, ()) if trigger.event == "onsets" else song.hits.get(trigger.event, ())
        return [(self._heard(seconds), strength) for seconds, strength in heard]

    def _heard(self, seconds: float) -> Fraction:
        return self.clock.beat_at_us(round(seconds * SECOND))

    # -- places

    def _span(self, stretch: Stretch, phrase: Fraction | None, where: str) -> tuple[Fraction, Fraction] | None:
        """Start and end of a stretch, or None with a fault: it must lie in the song."""
        begin = self._place(stretch.at, phrase, where)
        if begin is None:
            return None
        if stretch.length is not None:
            end = self.clock.add(begin, stretch.length)
        else:
            to = self._place(stretch.to, phrase, where) if stretch.to is not None else None
            if to is None:
                return None
            end = to
        placed = "" if phrase is None else f" (phrase placed at {self._say(phrase)})"
        if end <= begin:
            self.faults.add(where, f"ends at {self._say(end)}, not after its start at {self._say(begin)}{placed}")
        elif not self.clock.start <= begin < self.clock.end:
            self.faults.add(where, f"starts at {self._say(begin)}, outside the song, {self._song()}{placed}")
        elif end > self.clock.end + SLACK:
            self.faults.add(where, f"ends at {self._say(end)}, after the song, {self._song()}{placed}")
        else:
            return begin, end
        return None

    def _place(self, moment: Moment, phrase: Fraction | None, where: str) -> Fraction | None:
        """A written place; bars and beats count from the start of the phrase in which it is written."""
        if phrase is None or moment.kind != "bar":
            return self._position(moment, where)
        bar = self.clock.grid.step_bars(phrase, Fraction(moment.bar - 1))
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
            self.faults.add(where, f'the song map has no {moment.kind} "{moment.name}"', nearest(moment.name, names))

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


def pace_of(span: Span, bar_beats: int) -> Pace | None:
    """A span of one unit as a period: beats or seconds, None for nothing. A bar is as long as the one it starts in."""
    if span.seconds:
        return Pace(span.seconds, "seconds")
    beats = span.beats + span.bars * bar_beats
    return Pace(beats, "beats") if beats else None
