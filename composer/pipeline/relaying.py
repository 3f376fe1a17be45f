"""Lays a score that was laid before, once more: parts that say the same keep their cues, only the others are laid.

The result is `timeline.lay`'s, to the last number. A part is a clip, a placing with all the phrases that it reaches, a
trigger, or the master; what a part becomes depends on nothing else but the song, the rig's zones, the clock, and the
score's seed, colours and palettes. A part with faults is laid anew each time.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

from .. import timeline
from ..clock import FrameClock
from ..faults import FaultList
from ..rig import Rig
from ..score import Block, Score
from ..songmap import SongMap
from ..timeline import Cue, _Laying, _Placed, _TooMany


@dataclass(frozen=True)
class _Part:
    """What a part said, the number before its first, its cues, and how many numbers it took."""

    said: Any
    before: int
    cues: tuple[Cue, ...]
    taken: int


class Relaying:
    """Remembers the newest score's parts."""

    def __init__(self) -> None:
        self._ground: tuple[Any, ...] = ()
        self._known: dict[str, _Part] = {}

    def lay(self, score: Score, song: SongMap, rig: Rig, clock: FrameClock, faults: FaultList) -> list[Cue]:
        """As `timeline.lay`; zones are checked by the caller, who may have to without a song."""
        timeline.check_sections(score, song, faults)
        ground = (song, rig, clock, score.seed, score.colours, score.palettes)
        same = len(self._ground) == len(ground) and all(
            a is b for a, b in zip(ground[:3], self._ground[:3], strict=True)
        )
        known = self._known if same and ground[3:] == self._ground[3:] else {}
        kept: dict[str, _Part] = {}
        number = 0
        cues: list[Cue] = []
        try:
            for where, said, make in _parts(score):
                part = known.get(where)
                if part is None or part.said != said:
                    found = FaultList(faults.file)
                    laying = _Laying(score, song, rig, clock, found, number)
                    part = _Part(said, number, tuple(make(laying)), laying.laid - number)
                    for fault in found.faults:
                        faults.add(fault.where, fault.what, fault.hint)
                    if not found.faults:
                        kept[where] = part
                elif part.before != number:
                    by = number - part.before
                    part = _Part(said, number, tuple(replace(c, order=c.order + by) for c in part.cues), part.taken)
                    kept[where] = part
                else:
                    kept[where] = part
                if number + part.taken > timeline.MOST_CUES:
                    raise _TooMany
                cues += part.cues
                number += part.taken
        except _TooMany:
            return timeline.lay(score, song, rig, clock, faults)
        self._ground, self._known = ground, kept
        return sorted(cues, key=lambda cue: (cue.layer, cue.order))


Make = Callable[[_Laying], Iterator[Cue]]


def _parts(score: Score) -> Iterator[tuple[str, Any, Make]]:
    """Each part in the order in which the timeline numbers them: its place, what it says, how it is laid."""
    reached: dict[str, Mapping[str, Any]] = {}

    def phrase(name: str) -> Mapping[str, Any]:
        if name not in reached:
            reached[name] = _reached(name, score)
        return reached[name]

    for block in score.clips:
        yield block.where, (block, phrase(block.phrase) if block.phrase else None), _lay_block(block)
    for name, moments in score.order.items():
        for i, moment in enumerate(moments):
            where = f"order.{name}[{i + 1}]"
            yield where, (moment, phrase(name)), _lay_order(name, i, where)
    for trigger in score.triggers:
        yield trigger.where, trigger, lambda laying, trigger=trigger: laying._trigger(trigger)  # type: ignore[misc]
    yield "master", score.master, lambda laying: laying._master(laying.score.master)


def _lay_block(block: Block) -> Make:
    return lambda laying: laying._block(block, None)


def _lay_order(name: str, i: int, where: str) -> Make:
    def make(laying: _Laying) -> Iterator[Cue]:
        start = laying._position(laying.score.order[name][i], where)
        if start is not None:
            yield from laying._phrase(name, _Placed(start), where)

    return make


def _reached(name: str, score: Score) -> dict[str, Any]:
    """A phrase's blocks and those of all phrases that it places, however far down."""
    found: dict[str, Any] = {}
    waiting = [name]
    while waiting:
        phrase = waiting.pop()
        if phrase not in found:
            found[phrase] = score.phrases.get(phrase, ())
            waiting += [block.phrase for block in found[phrase] if block.phrase]
    return found
