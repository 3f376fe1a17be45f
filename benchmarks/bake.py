"""How long a bake takes, stage by stage, and how much memory.

    python benchmarks/bake.py [--short] [--profile]

A made-up show: 3 minutes (and 12), 1,000 pixels on five strings of three boards, 40 frames a second, about 300 clips
(1,200). Its song map is written down, so nothing is heard. Each bake is a process of its own on one core; the first
finds no compiled code, the second what the first left. Goals: render to audit within 1/60 of the song's length once
compiled, below 400 MB whatever the length. `--profile` prints where the time of the second bake goes.
"""

from __future__ import annotations

import contextlib
import cProfile
import json
import os
import platform
import pstats
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent
BEAT_S = 0.6  # 100 beats a minute: 24 frames a beat are 40 a second
GOAL_SHARE = 1 / 60
GOAL_MB = 400

RIG = """\
format = 1
[supply.shed]
volts = 5.0
amps = 20.0
[supply.boat]
volts = 12.0
amps = 4.0
[controller.quay]
board = "pico-2"
supply = "shed"
[controller.shed]
board = "pico-2"
supply = "shed"
[controller.deck]
board = "esp32-s3"
supply = "boat"
"""
STRINGS = [  # name, controller, pin, pixels, chip, supply, from, to
    ("rail", "quay", 16, 300, "ws2812b", "shed", "[0, 1]", "[10, 1]"),
    ("ladder", "quay", 17, 100, "sk6812", "shed", "[10, -2]", "[10, 1]"),
    ("crane", "shed", 2, 250, "ws2813", "shed", "[12, 0]", "[12, 8]"),
    ("window", "shed", 3, 150, "sk6812-rgbw", "shed", "[14, 1]", "[17, 1]"),
    ("boom", "deck", 4, 200, "ws2815", "boat", "[20, 2]", "[26, 5]"),
]
ZONES = """\
[zone]
shore = ["rail", "ladder", "crane"]
all = ["rail", "ladder", "crane", "window", "boom"]
near = ["rail[0:150]"]
far = ["rail[150:300] reversed"]
"""
# A chorus (8 bars) and a verse (8 bars): zone, effect, first bar, last bar, more.
CHORUS = [
    ("all", "blend", 1, 8, 'every = "4 beats"\ncolour = ["navy", "purple"]\nopacity = 0.5'),
    ("rail", "run", 1, 4, 'every = "1 beat"\ncolour = ["#ff6a00", "white"]'),
    ("rail", "weave", 5, 8, 'every = "1 beat"\nglide = 0.5'),
    ("ladder", "edge", 1, 8, 'every = "2 beats"\ncolour = ["red", "gold"]'),
    ("crane", "scatter", 1, 4, 'every = "1/2 beat"\ndecay = "2 beats"\nshare = 0.2'),
    ("crane", "pile", 5, 8, 'every = "1 beat"'),
    ("window", "gauge", 1, 8, 'colour = "teal"\nband = "low"'),
    ("boom", "rings", 1, 8, 'every = "1 beat"\ncolour = ["gold", "white"]'),
    ("near", "accent", 2, 2, 'every = "1 beat"\nlayer = 2\nmix = "max"'),
    ("far", "accent", 4, 4, 'every = "1 beat"\nlayer = 2\nmix = "max"'),
    ("shore", "swell", 8, 8, 'layer = 3\nmix = "add"\nopacity = 0.4'),
    ("all", "gate", 7, 7, 'every = "2 beats"\nlayer = 4\nmix = "max"\nopacity = 0.3\nsoft = 1.0'),
]
VERSE = [
    ("all", "drift", 1, 8, 'every = "4 beats"\ncolour = ["navy", "#202060"]'),
    ("rail", "run", 3, 6, 'every = "2 beats"\nlayer = 2\nturn = "back"'),
    ("crane", "scatter", 1, 8, 'every = "1 beat"\ndecay = "2 s"\nlayer = 2\ntogether = false'),
    ("window", "hold", 1, 8, 'colour = "#603010"\nfade_in = "1 bar"\nlayer = 2'),
    ("boom", "blend", 1, 8, 'colour = ["#000030", "teal"]\nevery = "2 bars"\nlayer = 2'),
    ("ladder", "accent", 1, 8, 'every = "2 beats"\nlayer = 2\ncolour = "#802000"'),
]


# ---- the show ----------------------------------------------------------------------------------------------------


def make_show(folder: Path, minutes: int) -> None:
    """Write rig, score and song map. The song itself is a few bytes that nobody listens to."""
    sys.path.insert(0, str(ROOT))
    from composer import songmap as maps

    folder.mkdir()
    song = folder / "tide.wav"
    song.write_bytes(b"not for ears")
    seconds = 60.0 * minutes
    # A band that breathes: beats wander by up to a hundredth of a beat, bars keep their count.
    beats = tuple(round(BEAT_S * (i + 0.01 * (i % 7 - 3) / 3), 6) for i in range(1, round(seconds / BEAT_S)))
    bars = tuple(range(0, len(beats), 4))
    curve = tuple(round(0.5 + 0.5 * ((i * 37) % 101) / 101, 3) for i in range(int(seconds * 20)))
    hits = tuple((beat, 0.5 + 0.5 * (i % 3) / 2) for i, beat in enumerate(beats))
    heard: dict[str, Any] = {
        "hearing": maps.HEARING, "fixes": maps.Fixes().id, "beats": list(beats), "bars": list(bars), "beats_per_bar": 4,
        "first_sound": 0.0, "last_sound": seconds,
    }  # fmt: skip
    song_map = maps.SongMap(
        song=maps.SongFile(song.name, maps.file_sha256(song), seconds, 44_100, "made"),
        grid=maps.grid_id(bars, 4),
        tempo=maps.tempo_of(beats),
        beats=beats,
        bars=bars,
        beats_per_bar=4,
        confidence=1.0,
        onsets=dict.fromkeys(maps.BANDS, hits),
        hits=dict.fromkeys(maps.DRUMS, hits),
        sections=(),
        loudness=maps.Loudness(0.05, curve, curve, curve, curve),
        labels={},
        heard=heard,
    )
    maps.save_map(song_map, maps.map_path(song))
    (folder / "rig.toml").write_text(rig_text(), encoding="utf-8")
    (folder / "score.toml").write_text(score_text(len(bars) - 1), encoding="utf-8")


def rig_text() -> str:
    out = [RIG]
    for name, controller, pin, pixels, chip, supply, start, end in STRINGS:
        out.append(
            f'[string.{name}]\ncontroller = "{controller}"\npin = {pin}\npixels = {pixels}\nchip = "{chip}"\n'
            f"path = [{start}, {end}]\n"
        )
        for at in ('"start"', str(pixels // 2), '"end"'):
            out.append(f'[[string.{name}.feed]]\nat = {at}\nsupply = "{supply}"\nwire = {{awg = 16, metres = 3.0}}\n')
    return "".join([*out, ZONES])


def score_text(bars: int) -> str:
    out = ['format = 1\nsong = "tide.wav"\n']
    for phrase, blocks in (("chorus", CHORUS), ("verse", VERSE)):
        for zone, effect, first, last, more in blocks:
            out.append(f'[[phrase.{phrase}]]\nzone = "{zone}"\neffect = "{effect}"\nbars = "{first}-{last}"\n{more}\n')
    starts = range(1, bars - 8, 8)
    places = [[f'"{bar}"' for i, bar in enumerate(starts) if i % 2 == odd] for odd in (0, 1)]
    out.append(f"[order]\nverse = [{', '.join(places[0])}]\nchorus = [{', '.join(places[1])}]\n")
    for number, bar in enumerate(range(2, bars - 2, 2)):
        zone, effect = ("near", "far", "window", "boom")[number % 4], ("run", "accent", "edge")[number % 3]
        out.append(f'[[clip]]\nzone = "{zone}"\neffect = "{effect}"\nbars = "{bar}"\nlayer = 5\nmix = "max"\n')
    clip = 'clip = {zone = "near", effect = "accent", for = "1 beat", layer = 6, mix = "add", opacity = 0.3}'
    out.append(f'[[trigger]]\non = "kick"\nbars = "1-end"\nevery = 2\n{clip}\n')
    return "".join(out)


# ---- one bake, in a process of its own ---------------------------------------------------------------------------


class Stages:
    """Seconds by stage, each without the stages that it calls."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}
        self._stack = ["the rest"]
        self._since = time.perf_counter()

    @contextlib.contextmanager
    def within(self, stage: str) -> Iterator[None]:
        self._turn()
        self._stack.append(stage)
        try:
            yield
        finally:
            self._turn()
            self._stack.pop()

    def _turn(self) -> None:
        now = time.perf_counter()
        self.seconds[self._stack[-1]] = self.seconds.get(self._stack[-1], 0.0) + now - self._since
        self._since = now

    def wrap(self, owner: Any, name: str, stage: str) -> None:
        """Time a function of a module or class, or what it yields."""
        function: Callable[..., Any] = getattr(owner, name)

        def timed(*given: Any, **named: Any) -> Any:
            with self.within(stage):
                result = function(*given, **named)
            return self._each(result, stage) if isinstance(result, Iterator) else result

        setattr(owner, name, timed)

    def _each(self, stream: Iterator[Any], stage: str) -> Iterator[Any]:
        nothing = object()
        while True:
            with self.within(stage):
                item = next(stream, nothing)
            if item is nothing:
                return
            yield item


COUNTED = ("render, wire", "limit", "encode", "read back", "audit")


def bake_once(folder: Path, profiled: bool) -> None:
    """Bake and print one JSON object: seconds by stage, of the imports, the process's peak memory."""
    import resource

    start = time.perf_counter()
    sys.path.insert(0, str(ROOT))
    from composer import pipeline
    from composer.pipeline import results
    from composer.pipeline.pictures import Film
    from composer.pipeline.rolls import Bakery

    imports_s = time.perf_counter() - start
    stages = Stages()
    stages.wrap(pipeline, "load_show", "read, check")
    stages.wrap(pipeline, "frames_of", "render, wire")
    stages.wrap(pipeline, "within_budget", "limit")
    stages.wrap(Bakery, "write", "encode")
    stages.wrap(pipeline, "read_back", "read back")
    stages.wrap(results, "audit", "audit")
    stages.wrap(results, "add_clips", "audit")
    stages.wrap(results, "write", "pages")
    stages.wrap(Film, "add", "film")
    stages.wrap(Film, "save", "film")
    profile = cProfile.Profile()
    start = time.perf_counter()
    with profile if profiled else contextlib.nullcontext():
        baked = pipeline.bake(folder)
    total_s = time.perf_counter() - start
    if profiled:
        pstats.Stats(profile, stream=sys.stderr).sort_stats("tottime").print_stats(30)
    sizes = baked.audit["controllers"].values()
    found = {
        "imports_s": imports_s,
        "total_s": total_s,
        "stages": stages.seconds,
        "peak_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
        "roll_bytes": sum(row["roll_bytes"] for row in sizes),
        "raw_bytes": sum(row["raw_bytes"] for row in sizes),
    }
    print(json.dumps(found))


def bake(folder: Path, cache: Path, profiled: bool = False) -> dict[str, Any]:
    """One bake on one core; compiled code is kept in `cache`."""
    env = {**os.environ, "NUMBA_CACHE_DIR": str(cache), "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
    line = [sys.executable, __file__, "--once", str(folder), *(["--profile"] if profiled else [])]

    def one_core() -> None:
        os.sched_setaffinity(0, {max(os.sched_getaffinity(0))})

    done = subprocess.run(line, env=env, stdout=subprocess.PIPE, text=True, check=True, preexec_fn=one_core)
    found: dict[str, Any] = json.loads(done.stdout)
    return found


def show_row(name: str, found: dict[str, Any], song_s: float) -> None:
    counted = sum(found["stages"].get(stage, 0.0) for stage in COUNTED)
    share = song_s / counted
    print(
        f"\n{name}: {found['total_s']:.2f} s and {found['imports_s']:.2f} s of imports; "
        f"render to audit {counted:.2f} s = 1/{share:.0f} of the song; peak {found['peak_mb']:.0f} MB; "
        f"rolls {found['roll_bytes'] / 1000:.0f} kB, {found['roll_bytes'] / found['raw_bytes']:.1%} of the frames"
    )
    for stage, seconds in sorted(found["stages"].items(), key=lambda item: -item[1]):
        print(f"  {stage:14} {seconds:7.3f} s{'' if stage in COUNTED else '   (not counted)'}")


def main() -> None:
    if "--once" in sys.argv:
        bake_once(Path(sys.argv[sys.argv.index("--once") + 1]), "--profile" in sys.argv)
        return
    print(f"{platform.platform()}, Python {platform.python_version()}, one core")
    with tempfile.TemporaryDirectory() as temporary:
        place, cache = Path(temporary), Path(temporary) / "compiled"
        make_show(place / "three", 3)
        show_row("3 minutes, nothing compiled", bake(place / "three", cache), 180)
        second = bake(place / "three", cache)
        show_row("3 minutes, compiled before", second, 180)
        peak_mb = second["peak_mb"]
        if "--profile" in sys.argv:
            bake(place / "three", cache, profiled=True)
        if "--short" not in sys.argv:
            make_show(place / "twelve", 12)
            long = bake(place / "twelve", cache)
            show_row("12 minutes, compiled before", long, 720)
            peak_mb = max(peak_mb, long["peak_mb"])
    counted = sum(second["stages"].get(stage, 0.0) for stage in COUNTED)
    print(f"\ngoal: render to audit within 1/60 of the song: {'met' if counted <= 180 * GOAL_SHARE else 'MISSED'}")
    print(f"goal: below {GOAL_MB} MB: {'met' if peak_mb < GOAL_MB else 'MISSED'}")


if __name__ == "__main__":
    main()
