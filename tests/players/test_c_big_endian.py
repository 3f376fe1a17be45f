"""The C decoder on a machine whose integers begin with the high byte: it shows what the reader in Python reads.

Compiled by Debian's gcc-powerpc-linux-gnu for a 32-bit PowerPC, which qemu-user makes believe.
"""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest
from c_kit import (
    HOSTS,
    PLAYER,
    WARNINGS,
    chained_roll,
    every_arrangement,
    jumping_roll,
    play,
    read,
    same,
    strings_of,
    tide,
)

from exporters.rollfile import RollHeader

TOOLS = ("powerpc-linux-gnu-gcc", "qemu-ppc")
MISSING = [tool for tool in TOOLS if shutil.which(tool) is None]
pytestmark = pytest.mark.skipif(bool(MISSING), reason=f"not installed: {', '.join(MISSING)}")


def built(folder: Path, source: Path, *flags: str) -> Path:
    """A program for that machine, behind a script that runs it here."""
    program, script = folder / "program", folder / source.stem
    command = [TOOLS[0], *WARNINGS, "-O1", "-static", f"-I{PLAYER}", *flags, "-o", program, source]
    done = subprocess.run([str(word) for word in command], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    script.write_text(f'#!/bin/sh\nexec {TOOLS[1]} "{program}" "$@"\n')
    script.chmod(0o755)
    return script


def test_the_machine_that_is_made_believe_begins_with_the_high_byte(tmp_path: Path) -> None:
    source = tmp_path / "order.c"
    source.write_text("int main(void)\n{\n    const int one = 1;\n    return *(const char *)&one;\n}\n")
    assert subprocess.run([built(tmp_path, source)]).returncode == 0


def test_it_shows_what_the_reader_reads(tmp_path: Path) -> None:
    player = built(tmp_path, HOSTS / "play.c", str(PLAYER / "roll.c"))
    header = RollHeader("Tide", "quay", 1_000_000, "5a" * 32, strings_of(7))
    for bytes_of, frame_bytes in (
        (tide(), 6), (every_arrangement(header)[0], 7), (jumping_roll(), 7), (chained_roll(), 7)
    ):  # fmt: skip
        roll = tmp_path / "a.roll"
        roll.write_bytes(bytes_of)
        assert same(play(player, roll, "share", frame_bytes).shown, read(roll))
