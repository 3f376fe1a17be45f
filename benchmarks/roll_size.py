"""How small a roll is, against what one would use instead, over the shows of `roll_corpus.py`.

    pip install lz4 zstandard brotli heatshrink2
    python benchmarks/roll_size.py [--short] [--small] [--json FILE]

Every rival packs all raw frames of a show as one stream, from which no group can be entered and little of which a
board could inflate; the roll is the whole file, index and names with it, its units fitted to the board's row. A
rival that is not installed is left out. Means are geometric, against `zlib -9`. `--short` takes the first groups of
each show and judges nothing; `--small` is the roll of `bake --small`.
"""

from __future__ import annotations

import argparse
import importlib
import json
import lzma
import sys
import tempfile
import time
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from roll_corpus import Show, bake
from roll_sheets import SHEETS

from composer.rig import boards
from exporters.codec import LONG
from exporters.rollfile import RollReader, RollWriter

SHORT_GROUPS = 64
STATE_BYTES = 12 * 1024  # what a decoder may take besides two units
GOALS = ("repeating at most 0.25", "repeating below xz -9", "never repeating at most 0.75", "none of those above 0.85",
         "all at most 0.35", "decoder state within 12 KiB and two units")  # fmt: skip


def run_length(show: Show) -> int:
    """Bytes of each frame as runs of equal pixels: a count to 255, and the pixel."""
    frames = np.concatenate([frames for _, _, frames in show.groups])
    size = 0
    for string in show.header.strings:
        pixels = frames[:, show.header.byte_slices[string.name]].reshape(len(frames), string.pixels, string.channels)
        begins = np.ones(pixels.shape[:2], bool)
        begins[:, 1:] = (pixels[:, 1:] != pixels[:, :-1]).any(axis=2)
        lengths = np.diff(np.append(np.flatnonzero(begins), begins.size))
        size += int((-(-lengths // 255)).sum()) * (1 + string.channels)
    return size


def _packer(package: Any, pack: Callable[[Any, bytes], bytes]) -> Callable[[Show, bytes], int]:
    return lambda _, raw: len(pack(package, raw))


def rivals() -> dict[str, Callable[[Show, bytes], int]]:
    """Name -> bytes that it makes of a show, of those that are installed."""
    found: dict[str, Callable[[Show, bytes], int]] = {
        "run-length": lambda show, _: run_length(show),
        "zlib -9": lambda _, raw: len(zlib.compress(raw, 9)),
        "xz -9": lambda _, raw: len(lzma.compress(raw, preset=9)),
    }
    packers: dict[str, tuple[str, Callable[[Any, bytes], bytes]]] = {
        "heatshrink 10": ("heatshrink2", lambda m, raw: m.compress(raw, window_sz2=10, lookahead_sz2=4)),
        "lz4hc": ("lz4.frame", lambda m, raw: m.compress(raw, compression_level=12)),
        "zstd -19": ("zstandard", lambda m, raw: m.ZstdCompressor(level=19).compress(raw)),
        "brotli 11": ("brotli", lambda m, raw: m.compress(raw, quality=11)),
    }
    for name, (module, pack) in packers.items():
        try:
            package = importlib.import_module(module)
        except ImportError:
            print(f"{name}: {module.partition('.')[0]} is not installed", file=sys.stderr)
            continue
        found[name] = _packer(package, pack)
    return found


def roll(show: Show, path: Path, board: str, small: bool) -> tuple[int, int]:
    """(bytes of the show's roll, what its decoder takes besides two units). Reads it back and compares."""
    unit_bytes = (boards()[board].ram_bytes - STATE_BYTES) // 2
    with RollWriter(
        path, show.header, groups=len(show.groups), effort=LONG if small else None, unit_bytes=unit_bytes
    ) as writer:
        for start_us, end_us, frames in show.groups:
            writer.add(start_us, end_us, frames)
    with RollReader(path) as reader:
        for (_, frames), (_, _, own) in zip(reader, show.groups, strict=True):
            if not np.array_equal(frames, own):
                raise SystemExit(f"{show.name}: the roll does not hold the show's frames")
    return writer.stats.file_bytes, writer.stats.ram_bytes - 2 * writer.stats.most_unit_bytes


def mean(ratios: list[float]) -> float:
    """Geometric mean."""
    return float(np.exp(np.mean(np.log(ratios))))


def main() -> None:
    """Print the table, the means, and whether the goals are met."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--short", action="store_true", help="the first groups of each show alone")
    parser.add_argument("--small", action="store_true", help="rolls with the long search")
    parser.add_argument("--json", type=Path, help="write the sizes to a file")
    options = parser.parse_args()
    packers = rivals()
    names = ["raw", *packers, "roll"]
    sizes: dict[str, dict[str, int]] = {}
    states: list[int] = []
    print(f"{'':10}" + "".join(f"{name:>14}" for name in names) + f"{'roll, s':>9}")
    with tempfile.TemporaryDirectory() as folder:
        for sheet in SHEETS:
            show = bake(sheet, SHORT_GROUPS if options.short else None)
            raw = show.raw
            row = {"raw": len(raw), **{name: pack(show, raw) for name, pack in packers.items()}}
            began = time.perf_counter()
            row["roll"], state = roll(show, Path(folder) / "show.roll", sheet.board, options.small)
            sizes[show.name] = row
            states.append(state)
            print(f"{show.name:10}" + "".join(f"{row[name]:14,}" for name in names), end="")
            print(f"{time.perf_counter() - began:9.2f}", flush=True)
    repeating = [sheet.name for sheet in SHEETS if sheet.repeats]
    never = [sheet.name for sheet in SHEETS if not sheet.repeats]
    ratios = {name: {show: sizes[show][name] / sizes[show]["zlib -9"] for show in sizes} for name in names}
    means = {}
    for title, shows in (("repeating", repeating), ("never", never), ("all", repeating + never)):
        means[title] = {name: mean([ratios[name][show] for show in shows]) for name in names}
        print(f"{title:10}" + "".join(f"{means[title][name]:14.3f}" for name in names))
    if options.json:
        options.json.write_text(json.dumps({"sizes": sizes, "means": means}, indent=1) + "\n", encoding="utf-8")
    if options.short:
        return
    met = (
        means["repeating"]["roll"] <= 0.25,
        means["repeating"]["roll"] < means["repeating"]["xz -9"],
        means["never"]["roll"] <= 0.75,
        max(ratios["roll"][show] for show in never) <= 0.85,
        means["all"]["roll"] <= 0.35,
        max(states) <= STATE_BYTES,
    )
    print()
    for goal, reached in zip(GOALS, met, strict=True):
        print(f"goal: {goal}: {'met' if reached else 'MISSED'}")
    print("never repeating: " + ", ".join(f"{show} {ratios['roll'][show]:.3f}" for show in never))


if __name__ == "__main__":
    main()
