"""Songs over the backing styles of Debian's `mma` (Musical MIDI Accompaniment), so that the ear meets other people's
drummers, bassists and pianists, not this project's alone.

Chords, form and melody are drawn here from a seed, the band plays what a style's author wrote. The beats are known
because the band plays to the tick. Which tempo a style is felt at is common practice, from memory.
"""

from __future__ import annotations

import re
import subprocess
from dataclasses import dataclass
from pathlib import Path

import mido
import numpy as np

LIBRARY = Path("/usr/share/mma/lib")
FOLDERS = ("stdlib", "casio", "kara", "pflib", "yamaha", "alexis", "zoom")
# Beats a minute by what a style is called; the first that fits counts.
TEMPI = (
    ("metronome|none|count|intro|ending|ambient|arpeggiowaltz48", None),
    ("samba|polka|merengue|bluegrass|zydeco|quickstep|bwmarch", None),  # notated in two or in four, as one likes
    ("lullaby|hymn|spiritual|serenade", (58, 88)),
    ("vienese", (160, 190)),
    ("fast.*waltz", (150, 190)),
    ("fast(swing|bigband|blues|twist)|bebop", (170, 230)),
    ("slow|ballad|bald|rb-|evansish|nitejazz", (56, 86)),
    ("easyswing|mellow|softshoe|countryblues|strut|broadway$|showtune", (88, 132)),
    ("dixie|gypsy|jive|charleston|lfusion|ska|punk|metal|mtl|thr", (140, 200)),
    ("swing|jazz|bigband|basie|bouncy", (112, 190)),
    ("dnb", (160, 176)),
    ("hip-?hop|trip|reggae|r\\+?n?b$|dsoul|modernrb|16beat|beat16|fus16|16shuffle|16b|soul|funk", (72, 112)),
    ("dance|techno|trance|rave|house|disco|digital|electric|boneym", (112, 142)),
    ("waltz|34$|rock34|latinwaltz", (88, 168)),
    ("rhumba|beguine|tango|chacha|bolero|habanera|march|foxtrot|polkafox", (100, 132)),
    ("mambo|salsa|son$|cuban|calypso", (150, 200)),
    ("bossa|latin|worldpop", (104, 150)),
    ("twist|50s|60s|rock|bop|boog", (110, 176)),
    ("", (84, 140)),
)
CHORDS = (
    "C Am F G", "C F G C", "Am F C G", "Dm7 G7 CM7 Am7", "C C F G", "Am G F E7", "C G Am F", "F C G C", "C7 F7 C7 G7",
    "Em Am D G", "Am Dm G C", "C Em F G7", "Cm Ab Bb Cm", "D A Bm G",
)  # fmt: skip
TONES = {"": (0, 4, 7), "m": (0, 3, 7), "7": (0, 4, 7, 10), "m7": (0, 3, 7, 10), "M7": (0, 4, 7, 11)}
ROOTS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11, "Ab": 8, "Bb": 10}
LEADS = (0, 4, 11, 21, 24, 25, 26, 56, 65, 66, 68, 71, 73, 75, 80, 81, 40, 22)
MMA_TICKS = 192
KEEP = ("note_on", "note_off", "program_change", "control_change", "pitchwheel")


@dataclass(frozen=True)
class Style:
    """A file of the library: its grooves, how many MMA beats its bar has, and whether three of them are one beat."""

    name: str
    grooves: tuple[str, ...]
    beats: int
    compound: bool
    swung: bool
    bpm: tuple[float, float]


def styles() -> list[Style]:
    """The styles whose tempo is known, in the order of their names."""
    out = []
    for folder in FOLDERS:
        for path in sorted((LIBRARY / folder).glob("*.mma")):
            text = path.read_text(encoding="latin-1")
            bpm = next(bpm for pattern, bpm in TEMPI if re.search(pattern, path.stem.lower()))
            names = re.findall(r"^ *DefGroove +(\S+)", text, re.M)
            plain = [n for n in names if not re.search("intro|end|fill|brk|break|roll|stop|[0-9]F[AB]$", n, re.I)]
            times = re.findall(r"^ *Time +(\d)", text, re.M)
            if bpm is None or not plain:
                continue
            beats = int(times[0]) if times else 4
            swung = bool(re.search("swing|jazz|shuffle|blues|boog|128|bebop|broadway|twi", path.stem.lower()))
            if beats == 6:
                bpm = (min(bpm[0], 84), min(bpm[1], 116))
            out.append(Style(f"{folder}/{path.stem}", tuple(plain), beats, beats == 6, swung, bpm))
    return out


def make(style: Style, seed: int, seconds: float, folder: Path) -> mido.MidiFile:
    """A song of about `seconds`; equal seeds give equal songs."""
    rng = np.random.default_rng(seed)
    bpm = float(np.exp(rng.uniform(*np.log(style.bpm))))
    felt = style.beats // 3 if style.compound else style.beats
    bars = max(8, int(seconds * bpm / 60 / felt))
    parts = [str(rng.choice(style.grooves)) for _ in range(2)]
    chords = [CHORDS[int(rng.integers(len(CHORDS)))].split() for _ in range(2)]
    slow = bool(rng.random() < 0.25)  # a chord lasts two bars
    transpose = int(rng.integers(-5, 6))
    lines, played = [f"RndSeed {seed}", f"Tempo {bpm:.3f}", f"Use {style.name}"], []
    for bar in range(bars):
        part = bar // 8 % 2
        if bar % 8 == 0:
            lines.append(f"Groove {parts[part]}")
        chord = chords[part][bar // (2 if slow else 1) % len(chords[part])]
        lines.append(f"{bar + 1} {chord}")
        played.append(chord)
    source, made = folder / f"{seed}.mma", folder / f"{seed}.mma.mid"
    source.write_text("\n".join(lines) + "\n")
    done = subprocess.run(["mma", str(source), "-f", str(made)], capture_output=True, text=True)
    if done.returncode != 0 or not made.exists():
        raise ValueError(f"{style.name}: {done.stdout[-200:]}")
    band = mido.MidiFile(made)
    source.unlink()
    made.unlink()
    ticks = MMA_TICKS * 2 if style.compound else MMA_TICKS  # three of MMA's beats are a dotted quarter
    conductor = mido.MidiTrack()
    top, bottom = (6, 8) if style.compound else (style.beats, 4)
    conductor.append(mido.MetaMessage("time_signature", numerator=top, denominator=bottom))
    quarter = 1.5 if style.compound else 1.0
    at, drifts = 0, bool(rng.random() < 0.25)
    drift = np.cumsum(rng.normal(0, 0.006, bars))
    for bar in range(bars if drifts else 1):
        pace = bpm * float(np.exp(drift[bar])) if drifts else bpm
        tick = bar * style.beats * MMA_TICKS
        conductor.append(mido.MetaMessage("set_tempo", tempo=round(60e6 / (pace * quarter)), time=tick - at))
        at = tick
    tracks = [conductor]
    for track in band.tracks:
        kept, late = mido.MidiTrack(), 0
        for message in track:
            late += message.time
            if message.type in KEEP:
                if message.type.startswith("note") and message.channel != 9:
                    message = message.copy(note=int(np.clip(message.note + transpose, 0, 127)))
                kept.append(message.copy(time=late))
                late = 0
        tracks.append(kept)
    if rng.random() < 0.7:
        tracks.append(_lead(rng, style, played, transpose))
    return mido.MidiFile(type=1, ticks_per_beat=ticks, tracks=tracks)


def _lead(rng: np.random.Generator, style: Style, played: list[str], transpose: int) -> mido.MidiTrack:
    """A melody of two-bar phrases over the chords, in eighths or triplets, with rests and upbeats."""
    beat = MMA_TICKS
    span = 2 * style.beats
    if style.compound:
        steps = np.arange(0, span, 1.0)
    elif style.swung:
        steps = np.sort(np.concatenate([np.arange(span), np.arange(span) + 2 / 3]))
    else:
        steps = np.arange(0, span, 0.5)
    on = steps % (3.0 if style.compound else 1.0) < 1e-6
    phrases = [rng.random(len(steps)) < np.where(on, 0.75, rng.uniform(0.15, 0.7)) for _ in range(2)]
    walk = [rng.integers(-2, 3, len(steps)) for _ in range(2)]
    notes, at = [], 0
    for pair in range(len(played) // 2):
        which = pair // 2 % 2 if rng.random() < 0.8 else int(rng.integers(2))
        if pair % 8 >= 6 and rng.random() < 0.3:
            continue  # a rest
        times = steps[phrases[which]]
        for time, move in zip(times, walk[which][phrases[which]], strict=True):
            chord = played[2 * pair + int(time // style.beats)]
            root = next(name for name in sorted(ROOTS, key=len, reverse=True) if chord.startswith(name))
            tones = TONES[chord[len(root) :]]
            at = int(np.clip(at + move, -2, 7))
            key = (
                67 + ROOTS[root] - 12 * (ROOTS[root] > 6) + tones[at % len(tones)] + 12 * (at // len(tones)) + transpose
            )
            after = times[times > time]
            length = min((after[0] if len(after) else span) - time, 2.0) * rng.uniform(0.6, 0.95)
            tick = round((2 * pair * style.beats + time + rng.normal(0, 0.01)) * beat)
            loud = int(np.clip(rng.normal(96 if time % 1 < 1e-6 else 86, 7), 30, 127))
            notes.append((max(0, tick), 1, mido.Message("note_on", channel=8, note=key, velocity=loud)))
            notes.append((max(1, tick + round(length * beat)), 0, mido.Message("note_off", channel=8, note=key)))
    track = mido.MidiTrack([mido.Message("program_change", channel=8, program=int(rng.choice(LEADS)))])
    before = 0
    for tick, _, message in sorted(notes, key=lambda note: note[:2]):
        track.append(message.copy(time=tick - before))
        before = tick
    return track


def start_s(path: Path) -> float:
    """How many seconds to leave out at a song's start: of every other backing song up to 8, so that not all of them
    start on a bar line; of other songs none."""
    if not path.stem.startswith("backing_"):
        return 0.0
    rng = np.random.default_rng(int(path.stem[-4:]) + 7)
    return float(rng.uniform(0, 8)) if rng.random() < 0.5 else 0.0


def write(folder: Path, rounds: int, seconds: float) -> list[Path]:
    """So many songs in every style as MIDI files in a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    out = []
    for turn in range(rounds):
        for number, style in enumerate(styles()):
            path = folder / f"backing_{1000 * turn + number:04d}.mid"
            make(style, 1000 * turn + number, seconds, folder).save(path)
            out.append(path)
    return out
