"""Small shows made in a folder: a song from numpy, its map written down by hand (so nothing is heard), rig and score.

The tune is 120 beats a minute in bars of four: a kick on every beat, a snare on the second and fourth, a hat on every
half beat. Two boards, three strings of three kinds, two supplies.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import soundfile

from composer import songmap as maps

ROOT = Path(__file__).resolve().parent.parent
BEAT_S = 0.5
RATE = 44_100

RIG = """\
format = 1

[supply.shed]
volts = 5.0
amps = 10.0

[supply.boat]
volts = 12.0
amps = 0.6

[controller.quay]
board = "pico"
supply = "shed"

[controller.deck]
board = "esp32"
supply = "boat"

[string.rail]
controller = "quay"
pin = 16
pixels = 60
chip = "ws2812b"
path = [[0, 0], [2, 0]]

[[string.rail.feed]]
at = "start"
supply = "shed"
wire = {awg = 16, metres = 1.5}
fuse = 5

[string.mast]
controller = "quay"
pin = 17
pixels = 24
chip = "sk6812-rgbw"
path = [[2, 0], [2, 1.2]]
skip = ["20-23"]

[[string.mast.feed]]
at = "end"
supply = "shed"

[string.boom]
controller = "deck"
pin = 4
pixels = 30
chip = "ws2815"
path = [[3, 0.5], [4.5, 0.5]]

[[string.boom.feed]]
at = "start"
supply = "boat"

[zone]
left = ["rail[0:30]"]
all = ["rail", "mast reversed", "boom"]
"""

# Bars 1-2 and 5-6 are the same phrase; on bar 4 everything is white, which is more than the boat's 0.48 A.
SCORE = """\
format = 1
song = "tide.wav"
rig = "rig.toml"
title = "Ebb & tide"
limiter = "on"

[colour]
ember = "#ff6a00"

[[phrase.wave]]
zone = "rail"
effect = "run"
bars = "1-2"
every = "1 beat"
colour = ["ember", "white"]

[[phrase.wave]]
zone = "boom"
effect = "drift"
bars = "1-2"
colour = ["navy", "teal"]

[order]
wave = ["1", "5"]

[[clip]]
name = "glow"
zone = "mast"
effect = "hold"
bars = "1-8"
colour = "ember"
opacity = 0.5

[[clip]]
name = "white"
zone = "all"
effect = "swell"
bars = "4"
layer = 2

[[trigger]]
on = "beats"
bars = "7-8"
clip = {zone = "left", effect = "accent", for = "1 beat", layer = 3, mix = "max"}
"""

# The same by seconds and beats: it fits wherever the bar lines are heard.
SCORE_BY_EAR = (
    SCORE.replace('bars = "1-2"', 'at = "1.1"\nfor = "8 beats"')
    .replace('["1", "5"]', '["start", "8s"]')
    .replace('bars = "1-8"', 'at = "start"\nto = "end"')
    .replace('bars = "4"', 'at = "6s"\nfor = "2 s"')
    .replace('bars = "7-8"', 'at = "12s"\nto = "end"')
)


def tune(seconds: float = 16.0, rate: int = RATE, channels: int = 1) -> np.ndarray:
    """The tune, float32 (samples,) or (samples, channels), every channel the same."""
    out = np.zeros(round(seconds * rate), np.float32)
    dice = np.random.default_rng(5)
    at = np.arange(round(0.2 * rate)) / rate
    kick = 0.8 * np.sin(2 * np.pi * 60 * at) * np.exp(-at / 0.06)
    snare = 0.4 * dice.standard_normal(len(at)) * np.exp(-at / 0.04)
    hat = 0.15 * np.diff(dice.standard_normal(len(at) + 1)) * np.exp(-at / 0.01)
    for half in range(int(2 * seconds / BEAT_S)):
        beat, off = divmod(half, 2)
        sounds = [hat] if off else [hat, kick, snare] if beat % 2 else [hat, kick]
        for sound in sounds:
            part = out[round(half * BEAT_S / 2 * rate) :][: len(sound)]
            part += sound[: len(part)]
    return out if channels == 1 else np.repeat(out[:, None], channels, axis=1)


def made_map(song: Path, seconds: float, rate: int = RATE) -> maps.SongMap:
    """The tune's map as a person would write it: nothing is heard. Saved beside the song."""
    beats = tuple(i * BEAT_S for i in range(int(seconds / BEAT_S)))
    bars = tuple(range(0, len(beats), 4))
    hop_s = 0.05
    curve = tuple(round(1 - i * hop_s % BEAT_S, 3) for i in range(int(seconds / hop_s)))
    heard = {
        "hearing": maps.HEARING, "fixes": maps.Fixes().id, "notes": [], "beats": list(beats), "bars": list(bars),
        "beats_per_bar": 4, "confidence": 1.0, "phases": {}, "alternatives": [], "sections": [], "labels": {},
        "first_sound": 0.0, "last_sound": seconds,
    }  # fmt: skip
    song_map = maps.SongMap(
        song=maps.SongFile(song.name, maps.file_sha256(song), seconds, rate, "made"),
        grid=maps.grid_id(bars, 4),
        tempo=maps.tempo_of(beats),
        beats=beats,
        bars=bars,
        beats_per_bar=4,
        confidence=1.0,
        onsets={band: tuple((beat, 0.9) for beat in beats) for band in maps.BANDS},
        hits={drum: tuple((beat, 0.9) for beat in beats) for drum in maps.DRUMS},
        sections=(maps.Section(0.0, seconds / 2, "A"), maps.Section(seconds / 2, seconds, "B")),
        loudness=maps.Loudness(hop_s, curve, curve, curve, curve),
        labels={},
        heard=heard,
    )
    maps.save_map(song_map, maps.map_path(song))
    return song_map


def make_show(folder: Path, *, rig: str = RIG, score: str = SCORE, seconds: float = 16.0, mapped: bool = True) -> Path:
    """A show in a new folder. `mapped`: the made map of its song lies there already."""
    folder.mkdir(parents=True, exist_ok=True)
    song = folder / "tide.wav"
    soundfile.write(song, tune(seconds), RATE, subtype="PCM_16")
    (folder / "rig.toml").write_text(rig, encoding="utf-8")
    (folder / "score.toml").write_text(score, encoding="utf-8")
    if mapped:
        made_map(song, seconds)
    return folder


def listing(folder: Path) -> dict[str, bytes]:
    """Every file under a folder with its bytes, folders as empty ones."""
    return {str(p.relative_to(folder)): p.read_bytes() if p.is_file() else b"" for p in sorted(folder.rglob("*"))}


def command(*arguments: object, **more: object) -> subprocess.CompletedProcess[str]:
    """Run `python -m composer ARGUMENTS` as a person's shell would, without a terminal."""
    line = [sys.executable, "-m", "composer", *map(str, arguments)]
    return subprocess.run(line, capture_output=True, text=True, cwd=ROOT, timeout=120, **more)  # type: ignore[call-overload]
