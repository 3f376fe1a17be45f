"""RIG.md: its example is a rig, and the page and the tables know the same keys."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from composer import rig as rigs
from composer.rig import boards, chips, load_rig

PAGE = Path(rigs.__file__).parents[1] / "RIG.md"


@pytest.fixture
def example() -> str:
    return re.findall(r"```toml\n(.*?)```", PAGE.read_text(), re.DOTALL)[0]


def test_the_example_is_a_rig(example: str, tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    path.write_text(example)
    rig = load_rig(path)
    assert rig.pixels == 264
    rail = rig.pixel_slices["rail"]
    # 100 pixels, less the skipped 0; lamps are every fifth pixel, less the skipped 0 and 100.
    assert len(rig.zones["left"].pixels) == 99
    assert len(rig.zones["lamps"].pixels) == 38
    assert rig.zones["end_stop"].pixels == (rail.stop - 1,)
    assert rig.zones["all"].pixels[-1] == rig.pixel_slices["panel"].start


def test_the_second_example_adds_to_the_first(tmp_path: Path) -> None:
    first, second = re.findall(r"```toml\n(.*?)```", PAGE.read_text(), re.DOTALL)
    path = tmp_path / "rig.toml"
    path.write_text(first + second)
    rig = load_rig(path)
    assert len(rig.strings["rail"].readings) == 2
    assert rig.no_flash and rig.viewing_m == 12.0 and rig.quiet_hours == (22 * 60, 7 * 60)
    assert rig.quiet_brightness == 0.5
    # The cap and the string's own 0.8.
    assert rig.strings["rail"].brightness <= 0.5


def test_a_cut_needs_power_on_both_sides(example: str, tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    path.write_text(example)
    assert [run[:2] for run in load_rig(path).strings["rail"].segments] == [
        (0, 50), (50, 100), (100, 150), (150, 200),
    ]  # fmt: skip


def test_chips_and_boards_named_on_the_page_exist() -> None:
    text = PAGE.read_text()
    assert set(re.findall(r'chip = "([\w-]+)"', text)) <= set(chips())
    assert set(re.findall(r'board = "([\w-]+)"', text)) <= set(boards())
