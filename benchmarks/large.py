"""How long a bake of a large show takes on two cores, and how much memory all its processes have at their worst.

    python benchmarks/large.py [PIXELS [MINUTES]]

100,000 pixels (200 strings of 500 on 100 boards, 50 supplies) and 4 minutes unless said, 40 frames a second, its song
map written down. Verses and choruses that repeat, clips over everything, drums that trigger. `--jobs 2`, code compiled
before. Goals for the whole bake: 90 s, 1 GB.
"""

from __future__ import annotations

import os
import platform
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import bake

GOAL_S, GOAL_MB = 90.0, 1000.0
STRING_PIXELS = 500

CHORUS = [
    ("all", "blend", "1-8", 'every = "8 beats"\ncolour = ["navy", "purple", "teal"]\nrepeat = 20'),
    ("front", "run", "1-4", 'every = "4 beats"\nlayer = 2\npulses = 4'),
    ("front", "weave", "5-8", 'every = "1 beat"\nlayer = 2\nmix = "max"'),
    ("back", "rings", "1-8", 'every = "2 beats"\nlayer = 2'),
    ("back", "scatter", "5-8", 'every = "1/2 beat"\nlayer = 3\nmix = "max"'),
]
VERSE = [
    ("all", "drift", "1-8", 'every = "4 beats"\ncolour = ["navy", "#202060"]\nwidth = "2 m"'),
    ("front", "edge", "3-6", 'every = "4 beats"\nlayer = 2\nthen = "clear"'),
    ("back", "hold", "7-8", 'colour = "#603010"\nfade_in = "1 bar"\nlayer = 2'),
]


def rig_text(pixels: int) -> str:
    strings = max(2, pixels // STRING_PIXELS)
    out = ["format = 1\n"]
    names = []
    for i in range(strings):
        board, supply = i // 2, i // 4
        if i % 4 == 0:
            out.append(f"[supply.s{supply}]\nvolts = 5.0\namps = 60.0\n")
        if i % 2 == 0:
            out.append(f'[controller.c{board}]\nboard = "esp32-s3"\n')
        names.append(f"row{i}")
        out.append(
            f'[string.row{i}]\ncontroller = "c{board}"\npin = {4 + i % 2}\npixels = {STRING_PIXELS}\nchip = "ws2812b"\n'
            f"path = [[0, {i * 0.2:.1f}], [25, {i * 0.2:.1f}]]\n"
        )
        for at in ('"start"', str(STRING_PIXELS // 2), '"end"'):
            out.append(f'[[string.row{i}.feed]]\nat = {at}\nsupply = "s{supply}"\nwire = {{awg = 14, metres = 3.0}}\n')
    half = len(names) // 2
    zones = {"all": names, "front": names[:half], "back": names[half:]}
    out.append("[zone]\n" + "".join(f"{name} = {str(of).replace(chr(39), chr(34))}\n" for name, of in zones.items()))
    return "".join(out)


def score_text(strings: int, minutes: int) -> str:
    bars = round(60 * minutes / bake.BEAT_S) // 4 - 1
    out = ['format = 1\nsong = "tide.wav"\n']
    for phrase, blocks in (("chorus", CHORUS), ("verse", VERSE)):
        for zone, effect, where, more in blocks:
            out.append(f'[[phrase.{phrase}]]\nzone = "{zone}"\neffect = "{effect}"\nbars = "{where}"\n{more}\n')
    starts = list(range(1, bars - 8, 8))
    places = [", ".join(f'"{bar}"' for bar in starts[odd::2]) for odd in (0, 1)]
    out.append(f"[order]\nverse = [{places[0]}]\nchorus = [{places[1]}]\n")
    for number, bar in enumerate(range(2, bars - 2, 2)):
        zone, effect = f"row{number % strings}", ("run", "accent", "edge")[number % 3]
        out.append(f'[[clip]]\nzone = "{zone}"\neffect = "{effect}"\nbars = "{bar}"\nlayer = 5\nmix = "max"\n')
    clip = 'clip = {zone = "row1", effect = "accent", for = "1 beat", layer = 6, mix = "add", opacity = 0.3}'
    out.append(f'[[trigger]]\non = "kick"\nevery = 2\n{clip}\n')
    return "".join(out)


def memory_mb(process: int) -> float:
    """What a process and all that it started hold between them (Pss: shared pages shared out), MB."""
    waiting, total = [process], 0.0
    while waiting:
        number = waiting.pop()
        try:
            lines = Path(f"/proc/{number}/smaps_rollup").read_text().splitlines()
            total += next(int(line.split()[1]) for line in lines if line.startswith("Pss:")) / 1024
            for thread in Path(f"/proc/{number}/task").iterdir():
                waiting += map(int, (thread / "children").read_text().split())
        except (FileNotFoundError, ProcessLookupError, StopIteration):
            continue  # it has ended meanwhile
    return total


def main() -> None:
    pixels = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    minutes = int(sys.argv[2]) if len(sys.argv) > 2 else 4
    print(f"{platform.platform()}, Python {platform.python_version()}, {pixels} pixels, {minutes} minutes, --jobs 2")
    with tempfile.TemporaryDirectory() as temporary:
        show = Path(temporary) / "show"
        bake.make_show(show, minutes)
        (show / "rig.toml").write_text(rig_text(pixels), encoding="utf-8")
        (show / "score.toml").write_text(score_text(max(2, pixels // STRING_PIXELS), minutes), encoding="utf-8")
        env = {**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
        line = [sys.executable, "-m", "composer", "bake", str(show), "--jobs", "2"]
        start, most_mb = time.perf_counter(), 0.0
        with subprocess.Popen(line, env=env, cwd=bake.ROOT, stdout=subprocess.DEVNULL) as process:
            while process.poll() is None:
                most_mb = max(most_mb, memory_mb(process.pid))
                time.sleep(0.5)  # a look at a large process takes its time too
        seconds = time.perf_counter() - start
        rolls = sum(path.stat().st_size for path in (show / "out").rglob("*.roll"))
    if process.returncode:
        sys.exit("the bake failed")
    spent = resource.getrusage(resource.RUSAGE_CHILDREN)
    print(
        f"{seconds:.1f} s ({spent.ru_utime + spent.ru_stime:.0f} s of the processors', which other work on the machine "
        f"makes no longer), {most_mb:.0f} MB at most, rolls {rolls / 1e6:.1f} MB"
    )
    print(f"goal {GOAL_S:g} s: {'met' if seconds <= GOAL_S else 'MISSED'}")
    print(f"goal {GOAL_MB:g} MB: {'met' if most_mb <= GOAL_MB else 'MISSED'}")


if __name__ == "__main__":
    main()
