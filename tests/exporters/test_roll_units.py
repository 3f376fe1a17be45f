"""How the different groups of a show are laid into units, worked by hand."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from exporters.rollplan import CHAIN_BYTES, CHAIN_FRAMES, CHAIN_GROUPS, PlannedUnit, plan_units


def planned(
    numbers: list[int], unit_frames: int, frames: int = 10, frame_bytes: int = 2_000
) -> list[tuple[tuple[int, ...], int]]:
    """(different groups, depth) of each unit, for groups of ten frames and room for so many in a unit."""
    plan = plan_units(numbers, [frames] * (max(numbers) + 1), frame_bytes, unit_frames * frame_bytes)
    assert all(unit.frames == frames * len(unit.groups) for unit in plan)
    return [(unit.groups, unit.depth) for unit in plan]


def test_what_never_repeats_leans_on_what_came_before_until_a_chain_is_long_enough() -> None:
    assert (CHAIN_GROUPS, CHAIN_FRAMES, CHAIN_BYTES) == (8, 240, 262_144)
    assert planned(list(range(11)), 90, frames=40) == [
        ((0, 1), 0), ((2, 3), 1), ((4, 5), 2), ((6, 7), 3), ((8, 9), 0), ((10,), 1),
    ]  # fmt: skip


def test_a_chain_of_short_groups_has_more_of_them() -> None:
    depths = [depth for _, depth in planned(list(range(40)), 1, frames=20)]
    assert depths == [*range(12), *range(12), *range(12), *range(4)]  # 240 frames are twelve times 20
    depths = [depth for _, depth in planned(list(range(40)), 1, frames=2)]
    assert depths == [*range(16), *range(16), *range(8)]  # a unit leans on 15 at most (ROLL.md, 11)


def test_a_chain_of_small_frames_has_more_of_them() -> None:
    # 262,144 bytes are 524 frames of 500 bytes, 13 groups of 40.
    depths = [depth for _, depth in planned(list(range(40)), 1, frames=40, frame_bytes=500)]
    assert depths == [*range(13), *range(13), *range(13), 0]
    depths = [depth for _, depth in planned(list(range(40)), 1, frames=40, frame_bytes=60)]
    assert depths == [*range(16), *range(16), *range(8)]


def test_a_unit_is_as_long_as_a_board_has_room_but_not_longer_than_a_chain_or_255_frames() -> None:
    assert [len(groups) for groups, _ in planned(list(range(20)), 10_000)] == [8, 8, 4]
    assert [len(groups) for groups, _ in planned(list(range(7)), 10_000, frames=80)] == [3, 3, 1]


def test_a_group_larger_than_the_room_is_a_unit_of_its_own() -> None:
    assert planned([0, 1], 9) == [((0,), 0), ((1,), 1)]


def test_a_unit_that_play_jumps_into_leans_on_nothing() -> None:
    # 0 1 2 3, then from 3 back to 1: the unit of 1 stands alone, and the next chain starts with it.
    assert planned([0, 1, 2, 3, 1, 2], 19) == [((0,), 0), ((1,), 0), ((2,), 1), ((3,), 2)]
    # In a unit of several groups it does not matter which of them is jumped to.
    assert planned([0, 1, 2, 3, 3, 0], 29) == [((0, 1), 0), ((2, 3), 0)]


def test_a_unit_leans_only_on_what_a_board_has_loaded_last() -> None:
    # Back to 0 for a group, while 4 and 5 stay at hand: when it comes to 6 the last unit it loaded is that of 0 and 1.
    assert planned([0, 1, 2, 3, 4, 5, 0, 5, 6, 7], 29) == [((0, 1), 0), ((2, 3), 1), ((4, 5), 0), ((6, 7), 0)]
    assert planned([0, 1, 2, 3, 4, 5, 5, 5, 6, 7], 29)[2:] == [((4, 5), 0), ((6, 7), 1)]


def test_a_unit_that_would_be_loaded_in_haste_is_halved() -> None:
    # The second unit once more, after one group of the first: in ten frames twenty may be loaded, not thirty.
    assert planned([*range(9), 2, 3], 39) == [((0, 1, 2), 0), ((3,), 1), ((4, 5), 2), ((6, 7, 8), 3)]
    # In twenty frames it can be; and in ten, if a board has it at hand from before.
    assert [len(groups) for groups, _ in planned([*range(9), 2, 2, 3], 39)] == [3, 3, 3]
    assert [len(groups) for groups, _ in planned([*range(9), 5, 6], 39)] == [3, 3, 3]


def test_a_jump_passes_over_few_frames_of_a_unit() -> None:
    # From 0 to 4, which is the fifth of its unit: four groups of ten frames while one is shown. The half has it first.
    assert [groups for groups, _ in planned([*range(5), 0, 4], 59)] == [(0, 1), (2, 3, 4)]
    assert [groups for groups, _ in planned([*range(5), 0, 3], 59)] == [(0, 1, 2, 3, 4)]


@given(
    st.lists(st.integers(0, 9), min_size=20, max_size=40),
    st.lists(st.integers(1, 9), min_size=10, max_size=10),
    st.integers(1, 90),
)
def test_a_board_never_loads_more_than_twice_what_it_shows_but_for_a_single_group(
    wanted: list[int], lengths: list[int], unit_frames: int
) -> None:
    numbers = [list(dict.fromkeys(wanted)).index(group) for group in wanted]
    plan = plan_units(numbers, lengths[: max(numbers) + 1], 5, unit_frames * 5)
    held: list[PlannedUnit] = []  # by a board with room for two: the one that is shown last
    shown = 0  # frames of it, since it was the other one's turn
    for number in numbers:
        (unit,) = (unit for unit in plan if number in unit.groups)
        loads = [unit.frames] if held and unit not in held and len(unit.groups) > 1 else []
        assert all(frames <= 2 * shown for frames in loads)
        shown = lengths[number] + (shown if held[-1:] == [unit] else 0)
        held = [other for other in held if other is not unit][-1:] + [unit]
