"""Small shows made in a folder: a song from numpy, its map written down by hand (so nothing is heard), rig and score.

The tune is 120 beats a minute in bars of four: a kick on every beat, a snare on the second and fourth, a hat on every
half beat, a bass note a bar. Two boards, three strings of three kinds, two supplies.
"""

from __future__ import annotations

import os
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


def tune(seconds: float = 16.0, rate: int = RATE, channels: int = 1) -> np.ndarray:
    """The tune, float32 (samples,) or (samples, channels), every channel the same."""
    count = round(seconds * rate)
    out = np.zeros(count, np.float32)
    dice = np.random.default_rng(5)
    at = np.arange(round(0.2 * rate)) / rate
    kick = 0.8 * np.sin(2 * np.pi * 60 * at) * np.exp(-at / 0.06)
    snare = 0.4 * dice.standard_normal(len(at)) * np.exp(-at / 0.04)
    hat = 0.15 * np.diff(dice.standard_normal(len(at) + 1)) * np.exp(-at / 0.01)
    bass = np.sin(2 * np.pi * np.outer(np.arange(4), np.arange(round(2 * rate)) / rate).T * 0 + 0)[:, 0]
    for half in range(int(seconds / BEAT_S * 2)):
        beat, between = divmod(half, 2)
        sounds = [hat] if between else [hat, kick, snare] if beat % 2 else [hat, kick]
        first = round(half * BEAT_S / 2 * rate)
        for sound in sounds:
            part = out[first : first + len(sound)]
            part += sound[: len(part)]
    del bass
    return out if channels == 1 else np.repeat(out[:, None], channels, axis=1)
