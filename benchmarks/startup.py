"""What the command costs before it does anything: `glowscore --help` against a bare interpreter, in turns.

    python benchmarks/startup.py [--short]

Goal: below 4 times a bare interpreter. A test sees to it that no heavy library is loaded (tests/test_house.py).
"""

from __future__ import annotations

import platform
import statistics
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
LINES = {
    "bare interpreter": ["-c", "pass"],
    "glowscore --help": ["-m", "composer", "--help"],
    "import numpy": ["-c", "import numpy"],
}
GOAL = 4.0


def seconds(line: list[str]) -> float:
    """How long one start takes."""
    start = time.perf_counter()
    subprocess.run([sys.executable, *line], cwd=ROOT, stdout=subprocess.DEVNULL, check=True)
    return time.perf_counter() - start


def main() -> None:
    rounds = 7 if "--short" in sys.argv else 25
    times: dict[str, list[float]] = {name: [] for name in LINES}
    for _ in range(rounds + 1):  # in turns, so that whatever else the machine does falls on all of them
        for name, line in LINES.items():
            times[name].append(seconds(line))
    middle = {name: statistics.median(found[1:]) for name, found in times.items()}  # the first fills the disk's cache
    bare = middle["bare interpreter"]
    print(f"{platform.platform()}, Python {platform.python_version()}; median of {rounds}")
    for name, found in middle.items():
        print(f"{name:18} {found * 1000:7.1f} ms  {found / bare:5.2f} x bare")
    ratio = middle["glowscore --help"] / bare
    print(f"goal: --help below {GOAL:g} x bare: {'met' if ratio < GOAL else 'MISSED'}")


if __name__ == "__main__":
    main()
