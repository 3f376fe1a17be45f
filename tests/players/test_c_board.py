"""The C decoder on a Cortex-M3 that qemu makes believe: it shows what the reader in Python reads, in little memory.

Compiled by Debian's gcc-arm-none-eabi as a board's program would be, with nothing of a library but what gcc itself asks
for. The figures in full: benchmarks/board_c.py.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from c_kit import PLAYER, every_arrangement, strings_of

from benchmarks.board_c import CORES, TOOLS, board_program, code_bytes, object_of, run, sum_of
from exporters.rollfile import RollHeader, RollReader

MISSING = [tool for tool in TOOLS if shutil.which(tool) is None]
pytestmark = pytest.mark.skipif(bool(MISSING), reason=f"not installed: {', '.join(MISSING)}")


@pytest.fixture(scope="module")
def program(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return board_program(tmp_path_factory.mktemp("board"))


def test_a_board_shows_a_baked_show_as_the_reader_reads_it(program: Path, baked: Path) -> None:
    (roll,) = (baked / "out" / "quay").glob("*.roll")
    told = run(program, roll)
    assert told["sum"] == sum_of(roll)
    with RollReader(roll) as reader:
        assert (told["groups"], told["frames"], told["dark"]) == (len(reader), reader.stats.frames, 0)


DEMO = sorted((PLAYER.parents[2] / "demo_show" / "out").glob("*/*.roll"))


@pytest.mark.skipif(not DEMO, reason="the demo is not baked: glowscore bake demo_show")
def test_a_board_shows_the_demo_as_the_reader_reads_it(program: Path) -> None:
    for roll in DEMO:
        assert run(program, roll)["sum"] == sum_of(roll)


def test_a_board_shows_every_arrangement_and_kind_of_block(program: Path, tmp_path: Path) -> None:
    data, _ = every_arrangement(RollHeader("Tide", "quay", 0, "00" * 32, strings_of(301)))
    roll = tmp_path / "a.roll"
    roll.write_bytes(data)
    told = run(program, roll)
    assert told["sum"] == sum_of(roll)
    # Bounds of what it took when this was written, with some room: 408, 184 and 2,224 bytes.
    assert told["stack_opening"] <= 512 and told["stack_playing"] <= 256
    assert told["record"] <= 2_304


@pytest.mark.parametrize("core", CORES)
def test_the_code_stays_small(tmp_path: Path, core: str) -> None:
    """6 KiB for what a program that only plays links, on cores with Thumb-2; half a KiB more on those without."""
    whole, playing = code_bytes(object_of(tmp_path, core))
    most = 6_656 if core == "cortex-m0plus" else 6_144
    assert playing <= most and playing < whole < most + 768
