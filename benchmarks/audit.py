"""How long the audit of a show takes, against the show's length, and how much memory.

    python benchmarks/audit.py [--short]

The made-up show of `bake.py`: 1,000 pixels on five strings of three boards, 15 feeds, 40 frames a second, 3 minutes
(and 12). It is baked once; then its rolls are audited in a process of their own on one core, compiled code at hand:
every frame read back, amperes, ladders with every frame's volts, flashes, advice, who draws. Counted is the time of the
processor, so that other work on the machine does not. Goals: within 1/120 of the show's length (aim 1/240), memory
below 400 MB whatever the length.
"""

from __future__ import annotations

import contextlib
import json
import os
import platform
import subprocess
import sys
import tempfile
import time
import types
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent))
import bake as baking

GOAL_SHARE, AIM_SHARE = 1 / 120, 1 / 240
GOAL_MB = 400


def audit_once(folder: Path) -> None:
    """Audit and print one JSON object: seconds by part, the process's peak memory."""
    import resource

    sys.path.insert(0, str(baking.ROOT))
    from composer import pipeline
    from composer.flash import Brightest, FlashAudit
    from composer.pipeline import results
    from composer.pipeline.rolls import read_back, roll_path
    from composer.power import PowerAudit

    baking.time = types.SimpleNamespace(perf_counter=time.process_time)  # type: ignore[assignment]
    stages = baking.Stages()
    stages.wrap(PowerAudit, "add", "amperes, volts")
    stages.wrap(PowerAudit, "result", "amperes, volts")
    stages.wrap(FlashAudit, "add", "flashes")
    stages.wrap(FlashAudit, "result", "flashes")
    stages.wrap(Brightest, "add", "flashes")
    stages.wrap(results, "advice", "advice")
    stages.wrap(results, "spans_of", "who flashes")
    stages.wrap(results, "add_clips", "who draws")
    show = pipeline.load_show(folder)
    renderer = pipeline.renderer_of(show)
    paths = {name: roll_path(folder / "out", name, show.name) for name in show.rig.controllers}

    def frames() -> Iterator[Any]:
        stream = read_back(show.rig, paths)
        while True:
            with stages.within("read back"):
                item = next(stream, None)
            if item is None:
                return
            yield item

    start = time.process_time()
    found, power = results.audit(show.rig, frames, results.address_of(show.clock), renderer=renderer)
    results.add_clips(found, renderer, power)
    total_s = time.process_time() - start
    peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    parts = {name: seconds for name, seconds in stages.seconds.items() if name != "the rest"}
    print(json.dumps({"total_s": total_s, "parts": parts, "peak_mb": peak_mb, "frames": len(power.times_us)}))


def on_one_core(function: str, folder: Path, cache: Path) -> dict[str, Any]:
    """Run one part of this script in a process of its own; what it prints."""
    env = {**os.environ, "NUMBA_CACHE_DIR": str(cache), "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}

    def one_core() -> None:
        os.sched_setaffinity(0, {max(os.sched_getaffinity(0))})

    line = [sys.executable, __file__, function, str(folder)]
    done = subprocess.run(line, env=env, stdout=subprocess.PIPE, text=True, check=True, preexec_fn=one_core)
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def measure(place: Path, minutes: int, cache: Path, say: Callable[[str], None]) -> tuple[float, float]:
    """Audit a show of so many minutes twice, and say how the second went. Its share of the show's length, and MB."""
    folder = place / str(minutes)
    baking.make_show(folder, minutes)
    on_one_core("--bake", folder, cache)
    on_one_core("--audit", folder, cache)
    found = on_one_core("--audit", folder, cache)
    share = found["total_s"] / (60 * minutes)
    say(
        f"\n{minutes} minutes, {found['frames']} frames: {found['total_s']:.2f} s = 1/{1 / share:.0f} of the show, "
        f"peak {found['peak_mb']:.0f} MB"
    )
    for name, seconds in sorted(found["parts"].items(), key=lambda item: -item[1]):
        say(f"  {name:16} {seconds:7.3f} s  {seconds / found['total_s']:.0%}")
    return share, found["peak_mb"]


def main() -> None:
    if "--audit" in sys.argv:
        audit_once(Path(sys.argv[-1]))
        return
    if "--bake" in sys.argv:
        with contextlib.redirect_stdout(sys.stderr):
            sys.path.insert(0, str(baking.ROOT))
            from composer import pipeline

            pipeline.bake(Path(sys.argv[-1]))
        print("{}")
        return
    print(f"{platform.platform()}, Python {platform.python_version()}, one core")
    with tempfile.TemporaryDirectory() as temporary:
        place, cache = Path(temporary), Path(temporary) / "compiled"
        share, peak_mb = measure(place, 3, cache, print)
        if "--short" not in sys.argv:
            peak_mb = max(peak_mb, measure(place, 12, cache, print)[1])
    print(f"\ngoal: within 1/120 of the show: {'met' if share <= GOAL_SHARE else 'MISSED'}")
    print(f"aim: within 1/240: {'met' if share <= AIM_SHARE else 'missed'}")
    print(f"goal: below {GOAL_MB} MB: {'met' if peak_mb < GOAL_MB else 'MISSED'}")


if __name__ == "__main__":
    main()
