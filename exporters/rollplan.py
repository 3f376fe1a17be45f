"""Which groups are stored together in a unit, and which units lean on the one before: ROLL.md, sections 7 and 12.

What a board can hold and load in time decides: small rolls want large units and long chains.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise

from .spec import MOST_DEPTH, MOST_FRAMES

CHAIN_GROUPS = 8  # groups from one unit that leans on nothing to the next: what one broken payload can darken
CHAIN_FRAMES = 240  # or as many more, up to MOST_DEPTH, as come to so many frames, six seconds,
CHAIN_BYTES = 256 << 10  # or to so many bytes, which a board inflates in a moment
HASTE = 2  # frames that a board makes ready at most while it shows one; more only where a single group has more
PASSING = 3  # frames of a unit at hand that it passes over at most while it shows one


@dataclass(frozen=True)
class PlannedUnit:
    """Which different groups a unit holds, its frames in all, and how many units before it it leans on."""

    groups: tuple[int, ...]
    frames: int
    depth: int


def plan_units(numbers: Sequence[int], frames: Sequence[int], frame_bytes: int, unit_bytes: int) -> list[PlannedUnit]:
    """Lay the different groups of a show into units, in the order in which they first come.

    numbers: of each group in time, which different group it is, counted by first appearance; frames: of each different
    group. A unit that play jumps into leans on nothing, so that a jump costs one unit, whatever came before. Nor does
    one that a board would load when it did not load the one before it last. Units that it would have to load in haste
    are halved until it need not, or until they are one group.
    """
    filled: list[list[int]] = []
    count = 0
    for different, own in enumerate(frames):
        count += own
        full = count > MOST_FRAMES or count * frame_bytes > unit_bytes
        if not filled or full or len(filled[-1]) == CHAIN_GROUPS:
            filled.append([])
            count = own
        filled[-1].append(different)
    while hasty := _hasty(filled, numbers, frames):
        halves = [
            (unit[: len(unit) // 2], unit[len(unit) // 2 :]) if number in hasty else (unit,)
            for number, unit in enumerate(filled)
        ]
        filled = [half for both in halves for half in both]
    jumped_to = {numbers[0]} | {to for at, to in pairwise(numbers) if to != at + 1}
    loads = [unit for unit, _, _ in _loads(filled, numbers, frames)]
    alone = {unit for before, unit in pairwise(loads) if unit != before + 1}
    units: list[PlannedUnit] = []
    most_chained = max(CHAIN_FRAMES, CHAIN_BYTES // frame_bytes)
    chained = chained_frames = 0
    for number, groups in enumerate(filled):
        own = sum(frames[different] for different in groups)
        chained += len(groups)
        chained_frames += own
        leans = (
            units
            and (chained <= CHAIN_GROUPS or (chained <= MOST_DEPTH + 1 and chained_frames <= most_chained))
            and jumped_to.isdisjoint(groups)
            and number not in alone
        )
        if not leans:
            chained, chained_frames = len(groups), own
        depth = units[-1].depth + 1 if leans else 0
        units.append(PlannedUnit(tuple(groups), own, depth))
    return units


def chains(plan: Sequence[PlannedUnit]) -> Iterator[list[PlannedUnit]]:
    """The units from one that leans on nothing to the next."""
    chain: list[PlannedUnit] = []
    for unit in plan:
        if chain and unit.depth == 0:
            yield chain
            chain = []
        chain.append(unit)
    if chain:
        yield chain


def _hasty(units: Sequence[Sequence[int]], numbers: Sequence[int], frames: Sequence[int]) -> set[int]:
    """Units of several groups that ask too much of a board while it shows little."""
    loaded = {unit for unit, work, shown in _loads(units, numbers, frames) if work > HASTE * shown}
    passed = {unit for unit, passed, shown in _jumps(units, numbers, frames) if passed > PASSING * shown}
    return {unit for unit in loaded | passed if len(units[unit]) > 1}


def _loads(
    units: Sequence[Sequence[int]], numbers: Sequence[int], frames: Sequence[int]
) -> Iterator[tuple[int, int, float]]:
    """Which units a board loads, in order, each with its work and with the frames that are shown meanwhile.

    The work is the unit's frames, and once more those of them that stand before the one where it is entered. A board
    holds two units. It can load the next one while it shows what it plays of the one before, unless it has it at hand
    from before that. The first one it loads before it begins.
    """
    place = {different: number for number, unit in enumerate(units) for different in unit}
    at_hand = standing = -1
    shown = float("inf")
    for unit, played in groupby(numbers, key=place.__getitem__):
        run = list(played)
        if unit != at_hand:
            whole = units[unit]
            yield unit, sum(frames[group] for group in (*whole, *whole[: whole.index(run[0])])), shown
        at_hand, standing = standing, unit
        shown = sum(frames[group] for group in run)


def _jumps(
    units: Sequence[Sequence[int]], numbers: Sequence[int], frames: Sequence[int]
) -> Iterator[tuple[int, int, int]]:
    """Which units play jumps into: each with its frames before the one where it is entered, and those shown meanwhile.

    Those frames are passed over from the unit's first one, while a board shows the group before.
    """
    place = {different: (number, unit) for number, unit in enumerate(units) for different in unit}
    for before, group in pairwise(numbers):
        if group != before + 1:
            number, unit = place[group]
            yield number, sum(frames[passed] for passed in unit[: unit.index(group)]), frames[before]
