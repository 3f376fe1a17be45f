"""Songs made up by a seeded script, so that the ear meets more kinds of music than set A has.

What is played in each style stands in `made_styles.py`. Everything else is drawn: tempo, key, chords,
instruments, accents, fills, a player's unsteadiness, sections with and without drums. The beats are known because the
script wrote them.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import mido
import numpy as np
from made_styles import (
    BASSES,
    BELL,
    BLOCK,
    CLAP,
    CRASH,
    FIGURES,
    GUITARS,
    HAT,
    KEYS,
    KICK,
    LEADS,
    PADS,
    RIDE,
    SCALES,
    SHAKER,
    SIDE,
    SNARE,
    STICK,
    STYLES,
    TOM,
    every,
)

TICKS = 480

Note = tuple[float, float, int, int, float]  # start and length in beats, channel, key, loudness 0-1


class _Song:
    def __init__(self, seed: int) -> None:
        self.rng = np.random.default_rng(seed)
        shares = np.array([style.share for style in STYLES])
        self.style = STYLES[int(self.rng.choice(len(STYLES), p=shares / shares.sum()))]
        self.notes: list[Note] = []
        self.sections: list[tuple[int, str]] = []  # first bar, name
        low, high = np.log(self.style.bpm)
        self.bpm = float(np.exp(self.rng.uniform(low, high)))
        self.scale = self.rng.permutation(SCALES)[0]
        self.key = int(self.rng.integers(0, 12))
        self.early = {channel: self.rng.normal(0, 0.004) for channel in range(16)}  # players ahead or behind, beats
        self.loose = self.rng.choice([0.0, 0.003, 0.008])
        self.progression = self._chords()

    def pick(self, options):  # type: ignore[no-untyped-def]
        return options[int(self.rng.integers(len(options)))]

    def _chords(self) -> list[int]:
        """Degrees of the scale, one a bar, in phrases of four; sometimes two a bar or one for two bars."""
        moves = (
            (0, 4, 5, 3),
            (0, 5, 3, 4),
            (0, 3, 4, 0),
            (5, 3, 0, 4),
            (0, 0, 3, 4),
            (1, 4, 0, 0),
            (0, 6, 5, 4),
            (0, 2, 3, 4),
        )
        return [int(d) for d in self.pick(moves)]

    def swung(self, place: float) -> float:
        """Where an even place sounds: the second half of each beat moves by the swing."""
        whole, part = divmod(place, 1.0)
        turn = self.style.swing
        return whole + (part * 2 * turn if part <= 0.5 else turn + (part - 0.5) * 2 * (1 - turn))

    def add(self, at: float, length: float, channel: int, key: int, loud: float) -> None:
        at = self.swung(at) + self.early[channel] + self.rng.normal(0, self.loose)
        self.notes.append(
            (max(0.0, at), max(0.05, length), channel, int(np.clip(key, 0, 127)), float(np.clip(loud, 0.05, 1)))
        )

    def tone(self, degree: int, octave: int) -> int:
        return self.key + 12 * octave + int(self.scale[degree % 7]) + 12 * (degree // 7)


def make(seed: int, seconds: float = 60.0) -> mido.MidiFile:
    """A song of about `seconds`; equal seeds give equal songs."""
    song = _Song(seed)
    rng, style = song.rng, song.style
    bars = max(8, int(seconds * song.bpm / 60 / style.beats))
    parts = [_part(song) for _ in range(int(rng.integers(2, 4)))]
    bar, order = 0, 0
    programs = {0: song.pick(BASSES), 1: song.pick((*KEYS, *GUITARS)), 2: song.pick(LEADS), 3: song.pick(PADS)}
    if style.name in ("rag", "piano"):
        programs.update({0: 0, 1: 0, 2: song.pick((0, 0, 73, 40))})
    first = True
    while bar < bars:
        length = int(song.pick((4, 8, 8, 8, 16)))
        part = parts[order % len(parts)]
        song.sections.append((bar, "ABC"[order % len(parts)]))
        bare = first and rng.random() < 0.35
        for i in range(min(length, bars - bar)):
            _bar(song, part, bar, i, length, bare)
            bar += 1
        order, first = order + 1, False
    return _midi(song, programs, bars)


@dataclass(frozen=True)
class _Part:
    kick: tuple[float, ...]
    snare: tuple[float, ...]
    hat: tuple[float, ...]
    bass: str
    comp: str
    melody: tuple[tuple[float, float], ...]
    contour: tuple[int, ...]
    lead: bool
    pad: bool
    hat_key: int
    snare_key: int
    chord_beats: float
    loud: dict[str, float]


def _part(song: _Song) -> _Part:
    rng, style = song.rng, song.style
    phrase, at = [], float(rng.choice([0.0, 0.0, 0.0, 0.5 if not style.third else 1 / 3, 1.0]))
    span = 2 * style.beats
    density = rng.uniform(0.3, 1.0)
    while at < span:
        steps = (1, 2, 4) if style.grain <= 0.34 else (1, 2, 2, 3)
        length = style.grain * float(song.pick(steps)) / (density if rng.random() < 0.15 else 1)
        length = max(style.grain, round(length / style.grain) * style.grain)
        if at % 1.0 > 1e-6 and rng.random() < 0.5:  # notes off the beat tend to lead to it
            length = min(length, 1.0 - at % 1.0)
        if rng.random() < 0.85:
            phrase.append((at, length))
        at += length
    hats = (SHAKER,) if style.name in ("bossa", "latin") else (HAT, HAT, RIDE)
    hats = (BLOCK, SIDE, BELL, STICK, KICK) if style.name.startswith("click") else hats
    return _Part(
        kick=song.pick(style.kick),
        snare=song.pick(style.snare),
        hat=song.pick(style.hat),
        bass=song.pick(style.bass),
        comp=song.pick(style.comp),
        melody=tuple(phrase),
        contour=tuple(int(x) for x in rng.integers(-2, 3, len(phrase))),
        lead=bool(rng.random() < 0.75) and song.style.bass != ("none",),
        pad=bool(rng.random() < 0.35) and song.style.bass != ("none",),
        hat_key=int(song.pick(hats)),
        snare_key=int(
            SIDE if style.name in ("bossa", "ballad") and rng.random() < 0.5 else song.pick((SNARE, SNARE, 40, CLAP))
        ),
        chord_beats=float(song.pick((1.0, 1.0, 1.0, 0.5, 2.0))) * style.beats,
        loud={name: float(rng.uniform(0.45, 0.95)) for name in ("kick", "snare", "hat", "bass", "comp", "lead", "pad")},
    )


def _bar(song: _Song, part: _Part, bar: int, inside: int, length: int, bare: bool) -> None:
    rng, style = song.rng, song.style
    start = bar * style.beats
    drums = not bare and any((part.kick, part.snare, part.hat))
    last = inside == length - 1
    if drums:
        fill = last and rng.random() < 0.6
        until = style.beats - (1 if fill else 0)
        if inside == 0 and rng.random() < 0.5:
            song.add(start, 1, 9, CRASH, 0.8)
        for places, key, name in (
            (part.kick, KICK, "kick"),
            (part.snare, part.snare_key, "snare"),
            (part.hat, part.hat_key, "hat"),
        ):
            for place in places:
                if place < until or key == KICK and place < style.beats:
                    accent = 1.0 if place % 1 < 1e-6 else 0.75
                    if rng.random() < 0.97:
                        song.add(start + place, 0.2, 9, key, part.loud[name] * accent * rng.uniform(0.85, 1.1))
        if fill:
            grain = 1 / 3 if style.third else float(song.pick((0.5, 0.25)))
            for place in np.arange(until, style.beats - 1e-6, grain):
                if rng.random() < 0.85:
                    song.add(
                        start + float(place), 0.2, 9, int(song.pick((SNARE, TOM, TOM + 2, 41, 48))), part.loud["snare"]
                    )
    degree = song.progression[int(start // part.chord_beats) % len(song.progression)]
    half = song.progression[int((start + style.beats / 2) // part.chord_beats) % len(song.progression)]
    _bass(song, part, start, degree, half)
    if not (bare and rng.random() < 0.3):
        _comp(song, part, start, degree, half)
    if part.pad:
        for step in (0, 2, 4):
            song.add(start, style.beats * 0.95, 3, song.tone(degree + step, 5), part.loud["pad"] * 0.7)
    if part.lead:
        _lead(song, part, bar, start, degree)


def _figure(name: str, beats: int) -> list[tuple[float, float]]:
    return [(at, length) for at, length in (*FIGURES[name], *((a + 4, b) for a, b in FIGURES[name])) if at < beats]


def _bass(song: _Song, part: _Part, start: float, degree: int, half: int) -> None:
    beats = song.style.beats
    if part.bass == "kick":
        figure = [(at, 0.5) for at in part.kick] or [(0.0, 1.0)]
    elif part.bass == "stride":
        figure = [(at, 0.4) for at in every(1.0, beats)]
    elif part.bass == "quarters":
        figure = [(at, 0.8) for at in every(1.0, beats)]
    else:
        figure = _figure(part.bass, beats)
    for i, (at, length) in enumerate(figure):
        root = degree if at < beats / 2 else half
        step = 4 if part.bass in ("root_fifth", "stride") and i % 2 else 0
        if part.bass == "walk":
            step = (0, 2, 4, 5)[i % 4] if song.rng.random() < 0.7 else int(song.rng.integers(0, 7))
        key = song.tone(root + step, 3) + (12 if part.bass == "octaves" and i % 2 else 0)
        accent = 1.0 if at == 0 else 0.85
        song.add(start + at, length, 0, key, part.loud["bass"] * accent * song.rng.uniform(0.9, 1.1))


def _comp(song: _Song, part: _Part, start: float, degree: int, half: int) -> None:
    beats = song.style.beats
    if part.comp.startswith("arpeggio"):
        grain, steps = song.style.grain, (0, 2, 4, 7) if part.comp == "arpeggio" else (0, 2, 4)
        for i, at in enumerate(every(grain, beats)):
            root = degree if at < beats / 2 else half
            accent = 1.1 if at == 0 else 1.0 if at % 1 < 1e-6 else 0.8
            song.add(start + at, grain * 1.5, 1, song.tone(root + steps[i % len(steps)], 5), part.loud["comp"] * accent)
        return
    figure = [(at, 0.4) for at in every(1.0, beats, 0.5)] if part.comp == "stride" else _figure(part.comp, beats)
    for at, length in figure:
        root = degree if at < beats / 2 else half
        for step in (0, 2, 4):
            song.add(
                start + at,
                min(length, beats - at),
                1,
                song.tone(root + step, 5),
                part.loud["comp"] * song.rng.uniform(0.7, 0.9),
            )


def _lead(song: _Song, part: _Part, bar: int, start: float, degree: int) -> None:
    beats = song.style.beats
    offset = (bar % 2) * beats
    at_degree = degree + 7
    for (at, length), move in zip(part.melody, part.contour, strict=True):
        at_degree = int(np.clip(at_degree + move, degree + 2, degree + 14))
        if offset <= at < offset + beats:
            accent = 1.0 if at % 1 < 1e-6 else 0.88
            song.add(
                start + at - offset,
                length * 0.9,
                2,
                song.tone(at_degree, 5),
                part.loud["lead"] * accent * song.rng.uniform(0.9, 1.1),
            )


def _midi(song: _Song, programs: dict[int, int], bars: int) -> mido.MidiFile:
    """As a type 1 file whose tempo map and metre are the truth."""
    rng, style = song.rng, song.style
    unit = TICKS * 3 // 2 if style.third and style.beats == 2 else TICKS
    silence = float(rng.choice([0.0, 0.0, 1.0, 2.0]))  # beats before the music, not a whole bar: bar 1 is not at 0
    events: list[tuple[int, int, mido.Message]] = []
    for start, length, channel, key, loud in song.notes:
        tick, end = round((start + silence) * unit), round((start + silence + length) * unit)
        events.append((tick, 1, mido.Message("note_on", channel=channel, note=key, velocity=max(1, round(127 * loud)))))
        events.append((max(end, tick + 1), 0, mido.Message("note_off", channel=channel, note=key)))
    conductor = mido.MidiTrack()
    top, bottom = (6, 8) if unit != TICKS else (style.beats, 4)
    tempos = [(0, song.bpm)]
    kind = rng.random()
    if kind < 0.25:  # a band that drifts
        drift = np.cumsum(rng.normal(0, 0.006, bars))
        tempos = [
            (round((bar * style.beats + silence) * unit), song.bpm * float(np.exp(drift[bar]))) for bar in range(bars)
        ]
    elif kind < 0.32:  # a change of tempo
        tempos.append((round((bars // 2 * style.beats + silence) * unit), song.bpm * float(rng.uniform(0.85, 1.18))))
    meta: list[tuple[int, mido.MetaMessage]] = []
    if silence:
        meta.append((0, mido.MetaMessage("time_signature", numerator=top, denominator=bottom)))
        meta.append((round(silence * unit), mido.MetaMessage("time_signature", numerator=top, denominator=bottom)))
    else:
        meta.append((0, mido.MetaMessage("time_signature", numerator=top, denominator=bottom)))
    for bar, name in song.sections:
        meta.append((round((bar * style.beats + silence) * unit), mido.MetaMessage("marker", text=name)))
    quarter = unit / TICKS
    meta += [(tick, mido.MetaMessage("set_tempo", tempo=round(60e6 / (bpm * quarter)))) for tick, bpm in tempos]
    _append(conductor, sorted(meta, key=lambda pair: pair[0]))
    track = mido.MidiTrack([mido.Message("program_change", channel=c, program=p) for c, p in programs.items()])
    _append(track, [(tick, message) for tick, _, message in sorted(events, key=lambda e: (e[0], e[1]))])
    return mido.MidiFile(type=1, ticks_per_beat=TICKS, tracks=[conductor, track])


def _append(track, events) -> None:  # type: ignore[no-untyped-def]
    before = 0
    for tick, message in events:
        track.append(message.copy(time=tick - before))
        before = tick


def write(folder: Path, seeds: range, seconds: float = 60.0) -> list[Path]:
    """The songs of some seeds as MIDI files in a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    out = []
    for seed in seeds:
        path = folder / f"made_{seed:04d}.mid"
        make(seed, seconds).save(path)
        out.append(path)
    return out
