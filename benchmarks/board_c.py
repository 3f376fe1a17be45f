"""What the C decoder takes of a small board: code, memory, stack, and instructions a frame.

    apt-get install gcc-arm-none-eabi libnewlib-arm-none-eabi qemu-system-arm
    python benchmarks/board_c.py [--short] [ROLL ...]

Code is what the compiler makes of `roll.c` with -Os. Stack and instructions are counted on a Cortex-M3 that qemu makes
believe, which plays the whole roll: the stack was painted, and with `-icount shift=0` each instruction takes one
nanosecond of the machine's time (the first thing it does is to count a loop whose length is known). Without rolls named
it plays the shows of `roll_corpus.py`, in units as large as their board's memory allows and in units of one group.

Instructions are not cycles. They say how the decoder compares with itself; a Cortex-M0+ with its flash behind a cache
takes some 1.3 to 2 cycles for one (common experience, not measured here).
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import zlib
from collections.abc import Iterator
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT))

from exporters.rollfile import RollReader, RollWriter  # noqa: E402
from exporters.spec import RollBroken  # noqa: E402

PLAYER = ROOT / "exporters" / "players" / "c"
BOARD = ROOT / "tests" / "players" / "c_board"
CORES = ("cortex-m0plus", "cortex-m3", "cortex-m33")
TOOLS = ("arm-none-eabi-gcc", "qemu-system-arm")

# What a program that only plays does not link.
APART = {"roll_level": "second net", "roll_dim": "second net", "roll_name": "names", "roll_find": "finding a time",
         "roll_frame_at": "finding a time"}  # fmt: skip

STATE_BYTES = 12 * 1024  # what a decoder may take besides two units
CODE_GOAL, MEAN_GOAL, WORST_GOAL = 6 * 1024, 40, 4
SHORT_GROUPS = 64


def object_of(folder: Path, core: str) -> Path:
    """`roll.c` compiled for a core with -Os."""
    made = folder / f"{core}.o"
    flags = ["-std=c99", f"-mcpu={core}", "-mthumb", "-Os", f"-I{PLAYER}", "-c", str(PLAYER / "roll.c")]
    subprocess.run(["arm-none-eabi-gcc", *flags, "-o", str(made)], check=True)
    return made


def code_bytes(made: Path) -> tuple[int, int]:
    """Bytes of code and tables: all of it, and of it what a program that only plays links."""
    sizes = subprocess.run(["arm-none-eabi-size", str(made)], check=True, capture_output=True, text=True).stdout
    text, data, bss = map(int, sizes.splitlines()[1].split()[:3])
    if data or bss:
        raise RuntimeError(f"the decoder keeps {data + bss} bytes of its own")
    symbols = subprocess.run(["arm-none-eabi-nm", "-S", str(made)], check=True, capture_output=True, text=True).stdout
    rows = [line.split() for line in symbols.splitlines()]
    return text, text - sum(int(row[1], 16) for row in rows if len(row) == 4 and row[3] in APART)


def board_program(folder: Path) -> Path:
    """The program of c_board for the machine mps2-an385 of qemu."""
    program = folder / "board.elf"
    flags = ["-std=gnu99", "-mcpu=cortex-m3", "-mthumb", "-Os", f"-I{PLAYER}"]
    flags += ["-nostartfiles", "-T", str(BOARD / "board.ld")]
    sources = [str(BOARD / "board.c"), str(object_of(folder, "cortex-m3"))]
    subprocess.run(["arm-none-eabi-gcc", *flags, *sources, "-o", str(program), "-lc", "-lgcc"], check=True)
    return program


def run(program: Path, roll: Path, timeout_s: float = 300) -> dict[str, int]:
    """Play a roll on the machine that qemu makes believe: what the program tells, by name."""
    machine = ["qemu-system-arm", "-M", "mps2-an385", "-icount", "shift=0", "-nographic", "-monitor", "none"]
    machine += ["-serial", "none", "-kernel", str(program)]
    machine += ["-semihosting-config", f"enable=on,target=native,arg=board,arg={roll}"]
    done = subprocess.run(machine, capture_output=True, text=True, timeout=timeout_s)
    told = [line.split() for line in (done.stdout + done.stderr).splitlines()]
    out = {words[0]: int(words[1]) for words in told if len(words) == 2 and words[1].isdigit()}
    if done.returncode or out.get("calibration") != 200_000 or "sum" not in out:
        raise RuntimeError(f"the board did not play {roll.name}: {done.stdout}{done.stderr}")
    return out


def sum_of(roll: Path) -> int:
    """What the board adds up, by the reader in Python: CRC-32 of each frame's time, then its bytes unless dark."""
    crc = 0
    with RollReader(roll) as reader:
        for number in range(len(reader)):
            try:
                frames = list(reader.group(number))
            except RollBroken:
                frames = []
            for i, us in enumerate(reader.frame_times_us(number)):
                crc = zlib.crc32(int(us).to_bytes(4, "little"), crc)
                crc = zlib.crc32(np.ascontiguousarray(frames[i]).tobytes(), crc) if frames else crc
    return crc


def rolls(folder: Path, short: bool) -> Iterator[tuple[str, Path]]:
    """The corpus as rolls, each in units fitted to its board and in units of one group."""
    from roll_corpus import bake  # type: ignore[import-not-found]
    from roll_sheets import SHEETS  # type: ignore[import-not-found]

    from composer.rig import boards

    for sheet in SHEETS[:3] if short else SHEETS:
        show = bake(sheet, SHORT_GROUPS if short else None)
        fitted = (boards()[sheet.board].ram_bytes - STATE_BYTES) // 2
        for title, unit_bytes in (("", fitted), (", a group a unit", 1)):
            path = folder / "show.roll"
            with RollWriter(path, show.header, groups=len(show.groups), unit_bytes=unit_bytes) as writer:
                for group in show.groups:
                    writer.add(*group)
            yield show.name + title, path


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--short", action="store_true", help="the first groups of three shows")
    parser.add_argument("rolls", nargs="*", type=Path, metavar="ROLL")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        print(f"{'core':16}{'code, bytes':>12}{'only playing':>14}")
        codes = {}
        for core in CORES:
            whole, playing = code_bytes(object_of(folder, core))
            codes[core] = playing
            print(f"{core:16}{whole:12,}{playing:14,}")
        program = board_program(folder)
        columns = ("frame", "unit", "state", "stack", "mean", "a byte", "worst", "x mean", "opening")
        print(f"\n{'on a Cortex-M3':32}" + "".join(f"{column:>10}" for column in columns))
        means, worsts, largest = [], [], 0
        given = ((path.parent.name + "/" + path.name, path) for path in options.rolls)
        for title, path in given if options.rolls else rolls(folder, options.short):
            told = run(program, path)
            if told["sum"] != sum_of(path):
                raise SystemExit(f"{title}: the board showed something else")
            with RollReader(path) as reader:
                unit = reader.stats.most_unit_bytes
            mean = told["instructions"] / told["frames"]
            means.append(mean / told["frame_bytes"])
            worsts.append(told["worst"] / mean)
            largest = max(largest, told["worst"])
            state = told["record"] + told["needs"] - 2 * unit
            stack = max(told["stack_opening"], told["stack_playing"])
            print(f"{title:32}{told['frame_bytes']:10,}{unit:10,}{state:10,}{stack:10,}{mean:10,.0f}", end="")
            print(f"{means[-1]:10.1f}{told['worst']:10,}{worsts[-1]:10.1f}{told['opening']:10,}", flush=True)
        print("\nstate: bytes besides two units; mean, worst, opening (checking the head): instructions")
        print(f"the worst frame of all: {largest:,}, {largest * 2 / 125e3:.1f} ms at 125 MHz and two cycles each")
        for goal, met in (
            *((f"only playing, below {CODE_GOAL:,} bytes of code, {core}", codes[core] < CODE_GOAL) for core in CORES),
            (f"below {MEAN_GOAL} instructions a wire byte, mean of the shows", sum(means) / len(means) < MEAN_GOAL),
            (f"the worst frame below {WORST_GOAL} times the mean", max(worsts) < WORST_GOAL),
        ):
            print(f"goal: {goal}: {'met' if met else 'MISSED'}")


if __name__ == "__main__":
    main()
