"""Twelve made-up shows for measuring the roll: rig and score as a person writes them, rendered by the composer.

    python benchmarks/roll_corpus.py

Seven repeat in bars, five never do. They have 60 to 1,000 pixels, three and four channels, steady and drifting tempo,
little light and much. Committed before the work on the codec that they judge; shows are added, never changed.
"""

from __future__ import annotations

import sys
import time
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from roll_sheets import SHEETS, Sheet

from composer.clock import SECOND, BarGrid, FrameClock, frame_clock
from composer.faults import FaultList
from composer.render import Renderer
from composer.rig import Rig, rig_from
from composer.score import score_from
from composer.songmap import Loudness, Section, SongFile, SongMap, grid_id
from composer.timeline import lay
from composer.wire import Wiring
from exporters.rollfile import RollHeader, StringSpec

HOP_S = 0.02
DECODER_BYTES = 12 * 1024  # kept free of groups when a group is fitted to the board's RAM row


@dataclass(frozen=True)
class Show:
    """One show as baked: `groups` holds (start_us, end_us, frames uint8 (n, frame_bytes))."""

    name: str
    repeats: bool
    header: RollHeader
    groups: tuple[tuple[int, int, np.ndarray], ...]

    @property
    def raw(self) -> bytes:
        """All frames one after another."""
        return b"".join(frames.tobytes() for _, _, frames in self.groups)


# ---- the shows ---------------------------------------------------------------------------------------------------


def song_of(sheet: Sheet) -> SongMap:
    """A song that nobody plays: beats, drums and loudness by arithmetic and seeded lots."""
    rng = np.random.default_rng(len(sheet.name) * 1000 + int(sheet.bpm))
    period = 60 / sheet.bpm
    beats = [0.35]
    while beats[-1] + 1.2 * period < sheet.seconds:
        at = len(beats)
        # A slow drift, and a few milliseconds of a drummer's own.
        sway = sheet.wobble * (np.sin(at / 23) + 0.5 * np.sin(at / 7.3)) + (sheet.wobble > 0) * rng.normal(0, 0.006)
        beats.append(round(beats[-1] + period * (1 + sway), 6))
    bars = tuple(range(0, len(beats), sheet.beats_per_bar))
    hits = {
        "kick": tuple((beats[i], 0.9) for i in range(0, len(beats), 2)),
        "snare": tuple((beats[i], 0.8) for i in range(1, len(beats), 2)),
        "hat": tuple((b + period / 2, 0.4) for b in beats),
    }
    times = np.sort(rng.uniform(1, sheet.seconds - 2, int(sheet.seconds)))
    onsets = {
        band: tuple((round(float(t), 6), 0.5) for t in times[i::3]) for i, band in enumerate(("low", "mid", "high"))
    }
    grid = np.arange(0, sheet.seconds, HOP_S)
    curves = []
    for share, decay in ((0.7, 0.25), (0.5, 0.4), (0.4, 0.1), (0.6, 0.3)):
        struck = np.exp(-((grid - beats[0]) % period) / decay) * (0.6 + 0.4 * np.sin(grid / 5.1))
        breath = np.convolve(rng.uniform(0, 1, len(grid)), np.hanning(15) / np.hanning(15).sum(), "same")
        curves.append(tuple(np.round(np.clip(share * struck + 0.4 * breath, 0, 1), 4).tolist()))
    return SongMap(
        song=SongFile(f"{sheet.name}.flac", "0" * 64, sheet.seconds, 44_100, "made up"),
        grid=grid_id(bars, sheet.beats_per_bar),
        tempo=sheet.bpm,
        beats=tuple(beats),
        bars=bars,
        beats_per_bar=sheet.beats_per_bar,
        confidence=1.0,
        onsets=onsets,
        hits=hits,
        sections=(Section(0.0, sheet.seconds, "A"),),
        loudness=Loudness(HOP_S, *curves),
        labels={},
        heard={},
    )


def rig_of(sheet: Sheet) -> Rig:
    """The sheet's rig, checked as any other."""
    text = f'format = 1\n[supply.shed]\nvolts = 5.0\namps = 200.0\n[controller.quay]\nboard = "{sheet.board}"\n'
    for pin, (name, pixels, chip, path) in enumerate(sheet.strings):
        text += (
            f'[string.{name}]\ncontroller = "quay"\npin = {pin}\npixels = {pixels}\nchip = "{chip}"\npath = {path}\n'
        )
        text += f'[[string.{name}.feed]]\nat = "start"\nsupply = "shed"\n'
    faults = FaultList(Path("rig.toml"))
    rig = rig_from(tomllib.loads(text.replace("volts = 5.0", volts_of(sheet)) + f"[zone]\n{sheet.zones}\n"),
                   Path("rig.toml"), faults)  # fmt: skip
    faults.raise_if_any()
    return rig


def volts_of(sheet: Sheet) -> str:
    """The supply's line: 12 V chips are told by their name."""
    return "volts = 12.0" if any(chip == "ws2815" for _, _, chip, _ in sheet.strings) else "volts = 5.0"


def clock_of(song: SongMap, rig: Rig, rate: float) -> FrameClock:
    """The frame clock, its groups cut so that two of them and a payload fit the board's RAM row."""
    song_us = round(song.song.seconds * SECOND)
    grid = BarGrid.of(song.beats, song.bars, song.beats_per_bar, song_us)
    ram = min(controller.board.ram_bytes for controller in rig.controllers.values())
    most = max(1, (ram - DECODER_BYTES) // (3 * rig.frame_bytes))
    return frame_clock(grid, song_us, rate, rig.shortest_frame_us, min(most, 255))


def bake(sheet: Sheet, beats: int | None = None) -> Show:
    """Render a sheet; `beats`: only its first so many groups."""
    song, rig = song_of(sheet), rig_of(sheet)
    faults = FaultList(Path("score.toml"))
    score = score_from(
        tomllib.loads(f'format = 1\nsong = "{sheet.name}.flac"\n{sheet.score}'), Path("score.toml"), faults
    )
    clock = clock_of(song, rig, score.rate)
    cues = lay(score, song, rig, clock, faults)
    faults.raise_if_any()
    renderer, wiring = Renderer(rig, clock, cues, song.loudness), Wiring(rig)
    strings = tuple(
        StringSpec(s.name, s.pin, s.clock_pin, s.pixels, s.channels, s.order, s.chip.name) for s in rig.strings.values()
    )
    header = RollHeader(sheet.name, "quay", clock.song_us, "0" * 64, strings, (("shed", 160_000),))
    seen: dict[object, np.ndarray] = {}
    groups = []
    for group in clock.groups[:beats]:
        key = renderer.key(group)
        if key not in seen:
            seen[key] = wiring.bytes_of(renderer.light(group))
        groups.append((group.start_us, group.end_us, seen[key]))
    return Show(sheet.name, sheet.repeats, header, tuple(groups))


def shows(beats: int | None = None) -> Iterator[Show]:
    """All shows, one after another."""
    for sheet in SHEETS:
        yield bake(sheet, beats)


def main() -> None:
    """What the corpus is made of."""
    for sheet in SHEETS:
        began = time.perf_counter()
        show = bake(sheet)
        frames = np.concatenate([frames for _, _, frames in show.groups])
        once = len({frames.tobytes() for _, _, frames in show.groups})
        print(
            f"{show.name:10} {'repeats' if show.repeats else 'never  '} "
            f"{sum(s.pixels for s in show.header.strings):5} px"
            f" {len(frames):6} frames {len(show.groups):4} groups, {once:4} different"
            f" {frames.nbytes / 1e6:6.1f} MB  lit {np.mean(frames > 0):4.0%}  {time.perf_counter() - began:5.2f} s"
        )


if __name__ == "__main__":
    main()
