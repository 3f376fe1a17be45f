"""How well a song is heard: beats, bars, onsets and tempo against songs whose beats are known.

    apt-get install openttd-openmsx fluidsynth fluid-soundfont-gm
    python benchmarks/hearing.py [--short]

Set A is the 31 MIDI files of Debian's `openttd-openmsx`, their first 90 s rendered at 44.1 kHz. The truth is each
file's own tempo map and metre, later by the synthesiser's latency. A beat is a quarter note, or a dotted quarter in
6/8, 9/8 and 12/8. What is fitted (`benchmarks/fit_hearing.py`) is fitted here without the songs that it is scored on.
"""

from __future__ import annotations

import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path

import mido
import numpy as np

SONGS = Path("/usr/share/games/openttd/baseset/openmsx")
SOUNDS = Path("/usr/share/sounds/sf2/FluidR3_GM.sf2")
LATENCY_S = 0.0042  # of fluidsynth with this sound font, measured on percussion
SECONDS = 90.0
CACHE = Path(tempfile.gettempdir()) / "glowscore-hearing"


@dataclass(frozen=True)
class Truth:
    """What a MIDI file says of its beats, seconds."""

    name: str
    beats: np.ndarray
    downs: np.ndarray
    onsets: np.ndarray
    first: float
    last: float
    metre_given: bool
    swing: bool


def truth_of(path: Path, seconds: float = SECONDS) -> Truth:
    """Beats, bar lines and onsets of the first `seconds` of a MIDI file, as its rendering sounds them."""
    midi = mido.MidiFile(path, clip=True)
    tempos: list[tuple[int, int]] = []
    metres: list[tuple[int, int, int]] = []
    notes: list[int] = []
    for track in midi.tracks:
        tick = 0
        for message in track:
            tick += message.time
            if message.type == "set_tempo":
                tempos.append((tick, message.tempo))
            elif message.type == "time_signature":
                metres.append((tick, message.numerator, message.denominator))
            elif message.type == "note_on" and message.velocity > 0:
                notes.append(tick)
    resolution = midi.ticks_per_beat
    tempo_ticks, tempo_us = [0], [500_000]
    for tick, us in sorted(tempos, key=lambda pair: pair[0]):
        if tick == tempo_ticks[-1]:
            tempo_us[-1] = us
        else:
            tempo_ticks.append(tick)
            tempo_us.append(us)
    starts = np.concatenate([[0], np.cumsum(np.diff(tempo_ticks) * np.array(tempo_us[:-1]) / resolution / 1e6)])

    def time(ticks: list[float] | list[int]) -> np.ndarray:
        at = np.asarray(ticks, float)
        i = np.clip(np.searchsorted(tempo_ticks, at, side="right") - 1, 0, None)
        return starts[i] + (at - np.array(tempo_ticks)[i]) * np.array(tempo_us)[i] / resolution / 1e6 + LATENCY_S

    given = {tick: (top, bottom) for tick, top, bottom in sorted(metres, key=lambda row: row[0])}
    lines = [(tick, *metre) for tick, metre in sorted({0: (4, 4), **given}.items())]
    end = max(notes) + 8 * resolution
    beats: list[float] = []
    downs: list[float] = []
    for i, (tick, top, bottom) in enumerate(lines):
        until = lines[i + 1][0] if i + 1 < len(lines) else end
        compound = bottom == 8 and top % 3 == 0
        unit = resolution * 1.5 if compound else float(resolution)
        size = round(top / 3 if compound else top * 4 / bottom)
        for count in range(int(np.ceil((until - tick) / unit - 1e-9))):
            beats.append(tick + count * unit)
            if count % size == 0:
                downs.append(tick + count * unit)
    onsets = np.sort(time(notes))
    onsets = onsets[onsets < seconds - 0.05]
    first, last = float(onsets[0]), float(onsets[-1])
    merged = [onsets[0]]
    for onset in onsets:
        if onset - merged[-1] > 0.030:
            merged.append(onset)
    unit = resolution * 1.5 if lines[0][2] == 8 and lines[0][1] % 3 == 0 else resolution
    part = np.array(notes) / unit % 1.0
    regular = {k: abs(np.exp(2j * np.pi * k * part).mean()) for k in (2, 3, 4)}

    def heard(times: np.ndarray) -> np.ndarray:
        return times[(times >= first - 0.05) & (times <= last + 0.05)]

    return Truth(
        path.stem, heard(time(beats)), heard(time(downs)), np.array(merged), first, last, bool(metres),
        bool(regular[3] > regular[4] + 0.1),
    )  # fmt: skip


def rendered(path: Path, seconds: float = SECONDS) -> Path:
    """The song as a WAV file of its first `seconds`, made once."""
    import soundfile

    CACHE.mkdir(exist_ok=True)
    out = CACHE / f"{path.stem}.wav"
    if not out.exists():
        whole = CACHE / f"{path.stem}.whole.wav"
        subprocess.run(
            ["fluidsynth", "-ni", "-g", "0.5", "-r", "44100", "-F", str(whole), str(SOUNDS), str(path)],
            check=True, capture_output=True,
        )  # fmt: skip
        with soundfile.SoundFile(whole) as source:
            samples = source.read(int(seconds * source.samplerate), dtype="int16")
            soundfile.write(CACHE / "draft.wav", samples, source.samplerate, subtype="PCM_16")
        (CACHE / "draft.wav").replace(out)
        whole.unlink()
    return out


def songs() -> list[Path]:
    """The MIDI files of set A."""
    return sorted(SONGS.glob("*.mid"))
