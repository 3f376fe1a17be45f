"""The demo's tune, "Slack Water": composed and played by this script, so that its every beat is known.

    python demo_show/make_tune.py [OUT.flac]

writes `quay.flac` (44.1 kHz, stereo, 16 bit) beside the script. `compose()` gives the samples and the truth about
them: when each beat, bar, drum hit and section falls. The truth does not come from listening; it is what was played.

Conventions: times in seconds from the start of the file, durations in beats, tempo in beats a minute, pitch as note
names in equal temperament on A4 = 440 Hz (ISO 16). Sounds are mono float32 arrays at `RATE`. Four beats a bar.
The same seed gives the same bytes on one machine.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cache, partial
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import soundfile as sf

RATE = 44_100
BEATS_PER_BAR = 4
LEAD_IN_S = 1.5
RING_OUT_S = 4.0
PEAK = 10 ** (-1.0 / 20)  # full scale less 1 dB, room for the overshoot of a lossy encoder

Sound = npt.NDArray[np.float32]

# name, bars, beats a minute at its first beat and at its last. The slow bridge gathers speed in its own two bars.
SECTIONS = (
    ("intro", 8, 112.0, 112.0),
    ("verse", 8, 112.0, 112.0),
    ("chorus", 8, 112.0, 112.0),
    ("verse", 8, 112.0, 112.0),
    ("chorus", 8, 112.0, 112.0),
    ("bridge", 6, 96.0, 96.0),
    ("gather", 2, 97.5, 118.5),
    ("chorus", 8, 120.0, 120.0),
    ("outro", 8, 120.0, 120.0),
)

# One chord a bar ("D/G": half a bar each), and the tune over it as NOTE:BEATS, "-" for a rest.
CHORDS = {
    "intro": "G D Em C G D Em C",
    "verse": "Em C G D Em C Am D",
    "chorus": "G D Em C G D C D/G",
    "bridge": "C G Am Em F C",
    "gather": "D D",
    "outro": "G D Em C G D C/D G",
}
TUNE = {
    "verse": """
        E5:1 G5:.5 F#5:.5 E5:1 B4:1     C5:1 E5:.5 D5:.5 C5:1 G4:1
        B4:1 D5:1 G5:1.5 F#5:.5         F#5:1 E5:.5 D5:.5 A4:2
        E5:1 G5:.5 F#5:.5 E5:1 B4:1     C5:1 E5:.5 D5:.5 E5:1 G5:1
        A5:1.5 G5:.5 E5:1 C5:1          D5:1 E5:.5 F#5:.5 A5:2""",
    "chorus": """
        D5:1.5 B4:.5 D5:1 G5:1          F#5:1.5 E5:.5 D5:2
        E5:1.5 F#5:.5 G5:1 B5:1         A5:1 G5:.5 E5:.5 G5:2
        D5:1.5 B4:.5 D5:1 G5:1          A5:1.5 G5:.5 F#5:1 D5:1
        E5:1 G5:1 A5:.5 G5:.5 E5:1      F#5:1 A5:.5 F#5:.5 G5:2""",
    "bridge": """
        G5:2 E5:2    D5:3 B4:1    C5:2 E5:2    B4:4    A4:2 C5:2    G5:2 E5:1 D5:1""",
    "gather": "F#5:1 A5:1 F#5:1 A5:1    D6:1 A5:1 F#5:1 E5:1",
    "outro": """
        D5:1.5 B4:.5 D5:1 G5:1          F#5:1.5 E5:.5 D5:2
        E5:1.5 F#5:.5 G5:1 B5:1         A5:1 G5:.5 E5:.5 G5:2
        D5:1.5 B4:.5 D5:1 G5:1          A5:1.5 G5:.5 F#5:1 D5:1
        E5:1 G5:1 F#5:1 A5:1            G5:1 D5:1 G4:2""",
}
TRIADS = {
    "G": "G3 B3 D4", "D": "F#3 A3 D4", "Em": "G3 B3 E4", "C": "G3 C4 E4", "Am": "A3 C4 E4", "F": "A3 C4 F4",
}  # fmt: skip
ROOTS = {"G": "G1", "D": "D2", "Em": "E2", "C": "C2", "Am": "A1", "F": "F1"}

# A bar of drums in sixteenths: "x" a stroke, "o" an open hat, "." nothing.
BEATS = {
    "soft": {"hat": "x...x...x...x..."},
    "walk": {"kick": "x.......x.......", "hat": "x.x.x.x.x.x.x.x."},
    "verse": {"kick": "x.......x.x.....", "snare": "....x.......x...", "hat": "x.x.x.x.x.x.x.x."},
    "chorus": {"kick": "x...x...x...x...", "snare": "....x.......x...", "hat": "x.o.x.o.x.o.x.o."},
    "half": {"kick": "x.........x.....", "snare": "........x.......", "hat": "x.x.x.x.x.x.x.x."},
    "gather": {"kick": "x...x...x...x...", "snare": "x...x...x...x..."},
    "rush": {"kick": "x...x...x...x...", "snare": "x.x.x.x.x.x.x.x."},
    "fill": {"kick": "x.......x.......", "snare": "....x.....x.x.x.", "hat": "x.x.x.x.x......."},
    "end": {"kick": "x.......x.......", "hat": "x...x...x...x..."},
}
PLAYED = {
    "intro": "soft soft soft soft walk walk walk fill",
    "verse": "verse verse verse verse verse verse verse fill",
    "chorus": "chorus chorus chorus chorus chorus chorus chorus fill",
    "bridge": "half half half half half half",
    "gather": "gather rush",
    "outro": "chorus chorus chorus chorus walk walk walk end",
}


class Section(NamedTuple):
    """A stretch of whole bars: its name and the beats it covers, end exclusive."""

    name: str
    first_beat: int
    end_beat: int


@dataclass(frozen=True)
class Meter:
    """Beat times: `beats` [s] of every beat and, as its last item, of the end of the last bar."""

    beats: npt.NDArray[np.float64]
    sections: tuple[Section, ...]

    def at(self, beat: float) -> float:
        """Seconds at a position in beats; within a beat time runs evenly."""
        return float(np.interp(beat, np.arange(len(self.beats)), self.beats))

    def span(self, beat: float, beats: float) -> float:
        """Seconds that `beats` last from a position on, to the millisecond: equal notes are made once."""
        return round(self.at(beat + beats) - self.at(beat), 3)


@dataclass
class Mix:
    """What has been played so far: `dry` goes straight out, `duck` gives way to the kick; `wet` gets the reverb."""

    meter: Meter
    noise: np.random.Generator
    hits: dict[str, list[float]] = field(default_factory=lambda: {"kick": [], "snare": [], "hat": []})

    def __post_init__(self) -> None:
        frames = round((self.meter.beats[-1] + RING_OUT_S) * RATE)
        self.dry, self.duck, self.wet = (np.zeros((frames, 2), np.float32) for _ in range(3))

    def play(self, bus: npt.NDArray[np.float32], beat: float, sound: Sound, gain: float, pan: float = 0.0,
             send: float = 0.0) -> None:  # fmt: skip
        """Add a sound at a beat. `pan` -1 left to 1 right (constant power), `send` its share of the reverb."""
        first = round(self.meter.at(beat) * RATE)
        sound = sound[: len(self.dry) - first]
        angle = (pan + 1) * np.pi / 4
        placed = sound[:, None] * (gain * np.array([np.cos(angle), np.sin(angle)])).astype(np.float32)
        bus[first : first + len(sound)] += placed
        if send:
            self.wet[first : first + len(sound)] += send * placed


def meter() -> Meter:
    """The beat times of `SECTIONS`: one tempo a beat, from a section's first to its last in even steps."""
    tempo: list[float] = []
    sections = []
    for name, bars, first, last in SECTIONS:
        beats = bars * BEATS_PER_BAR
        sections.append(Section(name, len(tempo), len(tempo) + beats))
        tempo.extend(np.linspace(first, last, beats))
    return Meter(LEAD_IN_S + np.concatenate([[0.0], np.cumsum(60.0 / np.array(tempo))]), tuple(sections))


def note_hz(name: str) -> float:
    """Frequency of a note such as "F#4": equal temperament, A4 = 440 Hz (ISO 16)."""
    semitones = {"C": -9, "D": -7, "E": -5, "F": -4, "G": -2, "A": 0, "B": 2}[name[0]] + name.count("#")
    return float(440.0 * 2.0 ** (semitones / 12 + int(name[-1]) - 4))


# ---- sounds ------------------------------------------------------------------------------------------------------


def clock(seconds: float) -> npt.NDArray[np.float64]:
    """Sample times of a sound, seconds."""
    return np.arange(round(seconds * RATE)) / RATE


def fade(seconds: float, attack_s: float, release_s: float) -> npt.NDArray[np.float64]:
    """An envelope: up in `attack_s`, held, down in the last `release_s`, both along a raised cosine."""
    time = clock(seconds)
    edge = np.minimum(np.clip(time / attack_s, 0, 1), np.clip((seconds - time) / release_s, 0, 1))
    return 0.5 - 0.5 * np.cos(np.pi * edge)


def harmonics(hz: float, time: npt.NDArray[np.float64], levels: tuple[float, ...]) -> npt.NDArray[np.float64]:
    """A sum of sines at multiples of `hz` with these levels; those above 16 kHz are left out, so nothing folds back."""
    return np.asarray(
        sum(level * np.sin(2 * np.pi * hz * n * time) for n, level in enumerate(levels, 1) if hz * n < 16_000)
    )


def coloured(noise: np.random.Generator, seconds: float, low_hz: float, high_hz: float) -> npt.NDArray[np.float64]:
    """Noise between two frequencies, peak 1, cut softly in the spectrum."""
    frames = round(seconds * RATE)
    spectrum = np.fft.rfft(noise.standard_normal(frames))
    hz = np.fft.rfftfreq(frames, 1 / RATE)
    spectrum *= 1 / (1 + (low_hz / np.maximum(hz, 1.0)) ** 4) / (1 + (hz / high_hz) ** 4)
    sound = np.fft.irfft(spectrum, frames)
    return np.asarray(sound / np.abs(sound).max())


def kick() -> Sound:
    """A drum skin: a sine that falls from 160 to 50 Hz, with the beater's click."""
    time = clock(0.32)
    phase = 2 * np.pi * (50 * time + 110 * 0.028 * (1 - np.exp(-time / 0.028)))
    click = 0.3 * np.sin(2 * np.pi * 1300 * time) * np.exp(-time / 0.003)
    return _struck(np.sin(phase) * np.exp(-time / 0.1) + click)


def snare(noise: np.random.Generator) -> Sound:
    """Two drum modes under a rattle of noise."""
    time = clock(0.24)
    skin = (np.sin(2 * np.pi * 188 * time) + 0.6 * np.sin(2 * np.pi * 331 * time)) * np.exp(-time / 0.045)
    rattle = coloured(noise, 0.24, 1500, 9000) * np.exp(-time / 0.065)
    return _struck(0.5 * skin + 0.9 * rattle)


def hat(noise: np.random.Generator, decay_s: float) -> Sound:
    """A cymbal: bright noise with a short (closed) or longer (open) decay."""
    time = clock(6 * decay_s)
    return _struck(coloured(noise, 6 * decay_s, 7000, 14_000) * np.exp(-time / decay_s))


def _struck(sound: npt.NDArray[np.float64]) -> Sound:
    """Half a millisecond in, so that a stroke starts without a step, and the last 5 ms out."""
    time = np.arange(len(sound)) / RATE
    return _shaped(sound, np.clip(time / 0.0005, 0, 1) * np.clip((time[-1] - time) / 0.005, 0, 1))


def _shaped(body: npt.NDArray[np.float64], envelope: npt.NDArray[np.float64]) -> Sound:
    return np.asarray(body * envelope, dtype=np.float32)


@cache
def bass(hz: float, seconds: float) -> Sound:
    """A plucked bass string: upper harmonics die first."""
    time = clock(seconds)
    strands = [np.sin(2 * np.pi * hz * n * time) * np.exp(-time * n * 1.6) / n**1.3 for n in range(1, 8)]
    return _shaped(np.sum(strands, axis=0), fade(seconds, 0.006, 0.04))


@cache
def pluck(hz: float, seconds: float) -> Sound:
    """A wire string, bright at the stroke."""
    time = clock(seconds)
    strands = [np.sin(2 * np.pi * hz * n * time) * np.exp(-time * (2.5 + 2.2 * n)) / n for n in range(1, 9)]
    return _shaped(np.sum(strands, axis=0), fade(seconds, 0.003, 0.05))


@cache
def reed(hz: float, seconds: float) -> Sound:
    """A concertina: two free reeds a few cents apart, beating against each other."""
    time = clock(seconds)
    levels = (1.0, 0.45, 0.55, 0.2, 0.25, 0.1, 0.1, 0.05)
    body = harmonics(hz * 0.9985, time, levels) + harmonics(hz * 1.0015, time, levels)
    return _shaped(0.5 * body, fade(seconds, 0.025, 0.06))


@cache
def pad(hz: float, seconds: float) -> Sound:
    """A soft chord voice: three strands out of tune by a hair, dark."""
    time = clock(seconds)
    strands = [harmonics(hz * cents, time, (1.0, 0.4, 0.2, 0.1, 0.05)) for cents in (0.9965, 1.0, 1.0035)]
    return _shaped(np.mean(strands, axis=0), fade(seconds, 0.12, 0.2))


@cache
def bell(hz: float, seconds: float = 3.0) -> Sound:
    """A ship's bell: hum, prime, tierce, quint and nominal of a cast bell, the high ones short."""
    time = clock(seconds)
    partials = ((0.5, 0.5, 1.4), (1.0, 1.0, 1.0), (1.2, 0.7, 0.7), (1.5, 0.35, 0.5), (2.0, 0.8, 0.45), (3.0, 0.3, 0.2))
    modes = [level * np.sin(2 * np.pi * hz * ratio * time) * np.exp(-time / tau) for ratio, level, tau in partials]
    return _shaped(np.sum(modes, axis=0), fade(seconds, 0.002, 0.3))


def sea(noise: np.random.Generator, seconds: float) -> Sound:
    """A wave that runs up the quay wall and back."""
    return _shaped(coloured(noise, seconds, 250, 1200), fade(seconds, seconds * 0.45, seconds * 0.5) ** 2)


# ---- the band ----------------------------------------------------------------------------------------------------


def notes(line: str) -> Iterator[tuple[str, float, float]]:
    """(note, first beat, beats) of a line such as "E5:1 -:.5 G5:.5"; rests are passed over."""
    beat = 0.0
    for word in line.split():
        name, _, length = word.partition(":")
        if name != "-":
            yield name, beat, float(length)
        beat += float(length)


def chords(section: Section) -> Iterator[tuple[str, int, int]]:
    """(chord, first beat, beats) of a section."""
    for bar, word in enumerate(CHORDS[section.name].split()):
        first, *second = word.split("/")
        start = section.first_beat + bar * BEATS_PER_BAR
        yield first, start, 2 if second else BEATS_PER_BAR
        for chord in second:
            yield chord, start + 2, 2


def play_drums(mix: Mix, section: Section, kit: dict[str, Sound]) -> None:
    """Kick, snare and hats; each stroke is written down in `mix.hits`."""
    gains = {"kick": 0.95, "snare": 0.62, "hat": 0.3, "open": 0.26}
    level = {"intro": 0.75, "bridge": 0.8, "gather": 0.85, "outro": 0.85}.get(section.name, 1.0)
    for bar, pattern in enumerate(PLAYED[section.name].split()):
        for drum, line in BEATS[pattern].items():
            for sixteenth, mark in enumerate(line):
                if mark == ".":
                    continue
                beat = section.first_beat + bar * BEATS_PER_BAR + sixteenth / 4
                sound = "open" if mark == "o" else drum
                accent = 1.0 if sixteenth % 4 == 0 or drum != "hat" else 0.7
                pan = 0.25 if drum == "hat" else 0.0
                mix.play(mix.dry, beat, kit[sound], gains[sound] * level * accent, pan, 0.0 if drum == "kick" else 0.12)
                mix.hits[drum].append(mix.meter.at(beat))


def play_bass(mix: Mix, section: Section) -> None:
    """Roots in long notes, eighths with the octave in the chorus, silent while the intro opens."""
    for chord, beat, beats in chords(section):
        if section.name == "intro" and beat < section.first_beat + 16:
            continue
        hz = note_hz(ROOTS[chord])
        step = 0.5 if section.name in ("chorus", "gather") else 2.0 if section.name == "verse" else float(beats)
        for i in range(round(beats / step)):
            start = beat + i * step
            seconds = mix.meter.span(start, step)
            octave = 2 if step == 0.5 and i % 2 else 1
            mix.play(mix.duck, start, bass(hz * octave, seconds), 0.42 if octave == 1 else 0.3)


def play_chords(mix: Mix, section: Section) -> None:
    """Pads all through, and a plucked figure in eighths that leans on the beat."""
    quiet = section.name in ("bridge", "gather")
    for chord, beat, beats in chords(section):
        voices = [note_hz(name) for name in TRIADS[chord].split()]
        seconds = mix.meter.span(beat, beats) + 0.15
        for pan, hz in zip((-0.6, 0.0, 0.6), voices, strict=True):
            mix.play(mix.duck, beat, pad(hz, seconds), 0.13 if quiet else 0.09, pan, 0.3)
        if section.name == "bridge" or (section.name == "outro" and beat >= section.end_beat - BEATS_PER_BAR):
            continue
        for i in range(2 * beats):
            hz = 2 * voices[(0, 2, 1, 2, 0, 1, 2, 1)[i % 8]]
            gain = 0.3 if i % 8 == 0 else 0.22 if i % 2 == 0 else 0.14
            mix.play(mix.dry, beat + i / 2, pluck(hz, 0.7), gain, 0.35 if i % 2 else -0.35, 0.25)


def play_tune(mix: Mix, section: Section) -> None:
    """The tune: plucked in the verse, on the concertina in the chorus, on bells over the bridge."""
    for name, beat, beats in notes(TUNE.get(section.name, "")):
        start, hz = section.first_beat + beat, note_hz(name)
        seconds = mix.meter.span(start, beats)
        if section.name in ("bridge", "gather"):
            mix.play(mix.dry, start, bell(hz), 0.2, -0.15, 0.35)
        elif section.name == "verse" or section.name == "outro":
            mix.play(mix.dry, start, pluck(hz, max(0.9, seconds)), 0.4, 0.1, 0.3)
        if section.name == "chorus" or (section.name == "verse" and section.first_beat > 90):
            mix.play(mix.dry, start, reed(hz, seconds + 0.04), 0.24 if section.name == "chorus" else 0.13, -0.1, 0.25)


def play_harbour(mix: Mix) -> None:
    """Ship's bells where a part begins, and the sea under the quiet ones."""
    for section in mix.meter.sections:
        if section.name == "intro":
            for beat, gain in ((0, 0.3), (2, 0.2), (16, 0.3), (18, 0.2)):
                mix.play(mix.dry, section.first_beat + beat, bell(note_hz("G5")), gain, -0.3, 0.5)
        elif section.name in ("chorus", "bridge"):
            mix.play(mix.dry, section.first_beat, bell(note_hz("G5")), 0.25, -0.3, 0.5)
        elif section.name == "outro":
            for beat in (28, 30):
                mix.play(mix.dry, section.first_beat + beat, bell(note_hz("G5")), 0.3, -0.3, 0.5)
        if section.name in ("intro", "bridge", "outro"):
            span = mix.meter.beats[section.end_beat] - mix.meter.beats[section.first_beat]
            for pan in (-0.7, 0.7):
                mix.play(mix.dry, section.first_beat, sea(mix.noise, span), 0.05, pan)


# ---- the desk ----------------------------------------------------------------------------------------------------


def reverb(wet: npt.NDArray[np.float32], noise: np.random.Generator, seconds: float = 1.4) -> npt.NDArray[np.float32]:
    """A stone harbour basin: each side convolved with its own decaying noise, block by block (overlap-add).

    `wet` float32 (frames, 2); the same shape comes back.
    """
    frames, block = len(wet), 1 << 17
    time = clock(seconds)
    size = 1 << (block + len(time)).bit_length()
    out = np.zeros((frames + size, 2), np.float32)
    for side in range(2):
        room = coloured(noise, seconds, 300, 5000) * np.exp(-time / (seconds / 5)) * np.clip(time / 0.01, 0, 1)
        spectrum = np.fft.rfft(room / np.sqrt(np.sum(room**2)), size)
        for first in range(0, frames, block):
            piece = np.fft.irfft(np.fft.rfft(wet[first : first + block, side], size) * spectrum, size)
            out[first : first + size, side] += piece.astype(np.float32)
    return out[:frames]


def ducking(frames: int, kicks: list[float]) -> npt.NDArray[np.float32]:
    """Gain (frames, 1) that dips at each kick and is back within a quarter of a second, so the kick stays clear."""
    gain = np.ones(frames, np.float32)
    dip = (1 - 0.55 * np.exp(-clock(0.25) / 0.06) * np.clip((0.25 - clock(0.25)) / 0.05, 0, 1)).astype(np.float32)
    for second in kicks:
        first = round(second * RATE)
        part = gain[first : first + len(dip)]
        np.minimum(part, dip[: len(part)], out=part)
    return gain[:, None]


def compose(seed: int = 1) -> tuple[npt.NDArray[np.float32], dict[str, Any]]:
    """Play the tune. Returns samples float32 (frames, 2) within +-1, and the truth:

    `sample_rate`; `beats` [s]; `bars`, indices into `beats` of each bar line; `beats_per_bar`; `sections`
    [(start s, end s, name)]; `hits` {"kick", "snare", "hat": [s]}; `tempo`, beats a minute from each beat to the next.
    """
    noise = np.random.default_rng(seed)
    mix = Mix(meter(), noise)
    kit = {"kick": kick(), "snare": snare(noise), "hat": hat(noise, 0.022), "open": hat(noise, 0.09)}
    for section in mix.meter.sections:
        for player in (partial(play_drums, kit=kit), play_bass, play_chords, play_tune):
            player(mix, section)
    play_harbour(mix)
    samples = mix.dry + mix.duck * ducking(len(mix.duck), mix.hits["kick"]) + 0.5 * reverb(mix.wet, noise)
    samples = np.tanh(samples)  # rounds the few peaks where everything strikes at once
    samples *= np.float32(PEAK / np.abs(samples).max())
    return samples.astype(np.float32), _truth(mix)


def _truth(mix: Mix) -> dict[str, Any]:
    beats = mix.meter.beats
    return {
        "sample_rate": RATE,
        "beats": beats[:-1].tolist(),
        "bars": list(range(0, len(beats) - 1, BEATS_PER_BAR)),
        "beats_per_bar": BEATS_PER_BAR,
        "sections": [(float(beats[s.first_beat]), float(beats[s.end_beat]), s.name) for s in mix.meter.sections],
        "hits": {drum: sorted(times) for drum, times in mix.hits.items()},
        "tempo": (60 / np.diff(beats)).tolist(),
    }


def main() -> None:
    """Write the tune to the path given, or to `quay.flac` beside this script."""
    out = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).with_name("quay.flac")
    samples, _ = compose()
    part = out.with_name(out.name + ".part")  # a name of its own until it is whole
    sf.write(part, samples, RATE, format="FLAC", subtype="PCM_16")
    part.replace(out)
    print(f"{out}: {len(samples) / RATE:.1f} s")


if __name__ == "__main__":
    main()
