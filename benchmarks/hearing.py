"""How well a song is heard: beats, bars, onsets and tempo against songs whose beats are known.

    apt-get install openttd-openmsx fluidsynth fluid-soundfont-gm
    python benchmarks/hearing.py [--short]

Set A is the 31 MIDI files of Debian's `openttd-openmsx`, their first 90 s rendered at 44.1 kHz. The truth is each
file's own tempo map and metre, later by the synthesiser's latency. A beat is a quarter note, or a dotted quarter in
6/8, 9/8 and 12/8. F, CMLt, AMLt: mir_eval's beat measures; F25 and on25 with a window of 25 ms; |e|, p95 and the
signed median of found minus true, ms, where the level is right; s/min: seconds of CPU a minute of music.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import subprocess
import tempfile
import time
from dataclasses import dataclass, replace
from pathlib import Path
from unittest import mock

import mido
import numpy as np

SONGS = Path("/usr/share/games/openttd/baseset/openmsx")
SOUNDS = Path("/usr/share/sounds/sf2/FluidR3_GM.sf2")
LATENCY_S = 0.0042  # of fluidsynth with this sound font, measured on percussion
SECONDS = 90.0
# General MIDI level 1, percussion key map: channel 10, keys of bass drums, snares (side stick, clap), hats and rides.
DRUMS = {"kick": (35, 36), "snare": (37, 38, 39, 40), "hat": (42, 44, 46, 51, 53, 59, 70)}
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
    drums: dict[str, np.ndarray]
    sections: list[tuple[float, str]]  # start and name, where the file has markers


def truth_of(path: Path, seconds: float = SECONDS) -> Truth:
    """Beats, bar lines and onsets of the first `seconds` of a MIDI file, as its rendering sounds them."""
    midi = mido.MidiFile(path, clip=True)
    tempos: list[tuple[int, int]] = []
    metres: list[tuple[int, int, int]] = []
    notes: list[int] = []
    markers: list[tuple[int, str]] = []
    percussion: list[tuple[int, int]] = []
    for track in midi.tracks:
        tick = 0
        for message in track:
            tick += message.time
            if message.type == "set_tempo":
                tempos.append((tick, message.tempo))
            elif message.type == "marker":
                markers.append((tick, message.text))
            elif message.type == "time_signature":
                metres.append((tick, message.numerator, message.denominator))
            elif message.type == "note_on" and message.velocity > 0:
                notes.append(tick)
                if message.channel == 9 and message.velocity > 25:
                    percussion.append((tick, message.note))
    resolution = midi.ticks_per_beat
    tempo_ticks, tempo_us = [0], [500_000]
    for tick, us in sorted(tempos, key=lambda pair: pair[0]):
        if tick == tempo_ticks[-1]:
            tempo_us[-1] = us
        else:
            tempo_ticks.append(tick)
            tempo_us.append(us)
    starts = np.concatenate([[0], np.cumsum(np.diff(tempo_ticks) * np.array(tempo_us[:-1]) / resolution / 1e6)])

    def seconds_at(ticks: list[float] | list[int]) -> np.ndarray:
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
    onsets = np.sort(seconds_at(notes))
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
        return np.unique(times[(times >= first - 0.05) & (times <= last + 0.05)])

    return Truth(
        path.stem, heard(seconds_at(beats)), heard(seconds_at(downs)), np.array(merged), first, last, bool(metres),
        bool(regular[3] > regular[4] + 0.1),
        {drum: heard(seconds_at([tick for tick, note in percussion if note in keys])) for drum, keys in DRUMS.items()},
        [(float(seconds_at([tick])[0]), name) for tick, name in markers],
    )  # fmt: skip


def later(truth: Truth, skip: float) -> Truth:
    """The truth of a song of which the first `skip` seconds are left out."""

    def left(times: np.ndarray) -> np.ndarray:
        return times[times >= skip - 0.03] - skip

    onsets = left(truth.onsets)
    return replace(
        truth, beats=left(truth.beats), downs=left(truth.downs), onsets=onsets, first=float(onsets[0]),
        last=truth.last - skip, drums={drum: left(times) for drum, times in truth.drums.items()},
        sections=[(start - skip, name) for start, name in truth.sections if start >= skip],
    )  # fmt: skip


def render(path: Path, out: Path) -> None:
    """A MIDI file as a WAV file."""
    command = ["fluidsynth", "-ni", "-g", "0.5", "-r", "44100", "-F", str(out), str(SOUNDS), str(path)]
    subprocess.run(command, check=True, capture_output=True)


def rendered(path: Path, seconds: float = SECONDS) -> Path:
    """The song as a WAV file of its first `seconds`, made once."""
    import soundfile

    CACHE.mkdir(exist_ok=True)
    out = CACHE / f"{path.stem}.wav"
    if not out.exists():
        whole = CACHE / f"{path.stem}.whole.wav"
        render(path, whole)
        with soundfile.SoundFile(whole) as source:
            samples = source.read(int(seconds * source.samplerate), dtype="int16")
            soundfile.write(CACHE / "draft.wav", samples, source.samplerate, subtype="PCM_16")
        (CACHE / "draft.wav").replace(out)
        whole.unlink()
    return out


def fold_file(fold: int) -> Path:
    """Where `fit_hearing.py` puts what it fitted without one fold of set A (every FOLDS-th song)."""
    return CACHE / f"without_{fold}.json"


def songs() -> list[Path]:
    """The MIDI files of set A."""
    return sorted(SONGS.glob("*.mid"))


# ---- scoring -----------------------------------------------------------------------------------------------------

FOLDS = 8
SECTION_SONGS, SECTION_S = 24, 90.0  # seeds that nothing was fitted on
SHORT = 8  # songs of the short profile, evenly out of the set
WINDOW_S, NARROW_S = 0.07, 0.025  # mir_eval's own, and what light needs


@dataclass(frozen=True)
class Score:
    """One tracker on one song. `errors` are seconds, found minus true, where the level is right."""

    name: str
    f: float
    f25: float
    cmlt: float
    amlt: float
    downs: float
    onsets_50: float
    onsets_25: float
    drums: dict[str, float]
    errors: np.ndarray
    confidence: float
    tempo_off: float
    steady: bool
    cpu_s: float
    seconds: float


def score(
    truth: Truth, beats: np.ndarray, downs: np.ndarray, onsets: np.ndarray, drums: dict[str, np.ndarray], **other: float
) -> Score:
    """Measures of `mir_eval` (beats before 5 s count too)."""
    import mir_eval

    def inside(times: np.ndarray) -> np.ndarray:
        return np.unique(times[(times >= truth.first - 0.05) & (times <= truth.last + 0.05)])

    beats, downs, onsets = inside(beats), inside(downs), inside(onsets)
    f = mir_eval.beat.f_measure(truth.beats, beats, WINDOW_S) if len(beats) else 0.0
    pairs = mir_eval.util.match_events(truth.beats, beats, WINDOW_S) if f > 0.6 else []
    continuity = mir_eval.beat.continuity(truth.beats, beats) if len(beats) > 2 else (0.0, 0.0, 0.0, 0.0)
    hits = [mir_eval.onset.f_measure(truth.onsets, onsets, window=w)[0] if len(onsets) else 0.0 for w in (0.05, 0.025)]
    drummed = {
        drum: mir_eval.onset.f_measure(true, drums[drum])[0] if len(drums[drum]) else 0.0
        for drum, true in truth.drums.items()
        if len(true) > 15 and drum in drums
    }
    return Score(
        truth.name, f, mir_eval.beat.f_measure(truth.beats, beats, NARROW_S) if len(beats) else 0.0,
        continuity[1], continuity[3], mir_eval.beat.f_measure(truth.downs, downs, WINDOW_S) if len(downs) else 0.0,
        hits[0], hits[1], drummed, np.array([beats[j] - truth.beats[i] for i, j in pairs]), **other,
    )  # fmt: skip


def ours(path: Path) -> Score:
    """`composer.analysis.listen` on one song."""
    from composer import analysis
    from composer.analysis import beats

    fold = fold_file(songs().index(path) % FOLDS)
    known = beats.unpacked(json.loads(fold.read_text())) if fold.exists() else beats.patterns()
    truth, sound = truth_of(path), rendered(path)
    start = time.process_time()
    with mock.patch.object(beats, "patterns", lambda: known):
        heard = analysis.listen(sound)
    cpu = time.process_time() - start
    onsets = np.array([at for band in heard.onsets.values() for at, _ in band])
    drums = {drum: np.array([at for at, _ in events]) for drum, events in heard.hits.items()}
    true_tempo = 60 * (len(truth.beats) - 1) / (truth.beats[-1] - truth.beats[0])
    return score(
        truth, np.array(heard.beats), np.array(heard.bar_times), onsets, drums, confidence=heard.confidence,
        tempo_off=heard.tempo - true_tempo, steady=bool(np.ptp(np.diff(truth.beats)) < 0.001), cpu_s=cpu,
        seconds=heard.song.seconds,
    )  # fmt: skip


def librosas(path: Path) -> Score:
    """librosa's default tracker and onset detector on the same file."""
    import librosa

    truth, sound = truth_of(path), rendered(path)
    start = time.process_time()
    samples, rate = librosa.load(sound)
    _, beats = librosa.beat.beat_track(y=samples, sr=rate, units="time")
    cpu = time.process_time() - start
    onsets = librosa.onset.onset_detect(y=samples, sr=rate, units="time")
    return score(
        truth, np.asarray(beats), np.zeros(0), onsets, {}, confidence=0.0, tempo_off=0.0, steady=False, cpu_s=cpu,
        seconds=len(samples) / rate,
    )  # fmt: skip


def sections_scored() -> str:
    """Sections on made-up songs, whose parts the script that made them wrote down as markers (mir_eval.segment)."""
    import made_songs
    import mir_eval

    from composer import analysis

    rows = []
    for path in made_songs.write(CACHE / "sections", range(1000, 1000 + SECTION_SONGS), SECTION_S):
        truth = truth_of(path, SECTION_S)
        sound = path.with_suffix(".wav")
        if not sound.exists():
            render(path, sound)
        heard = analysis.listen(sound)
        starts = [start for start, _ in truth.sections]
        true = np.array(list(zip(starts, [*starts[1:], truth.last], strict=True)))
        found = np.array([(s.start, s.end) for s in heard.sections])
        names, found_names = [name for _, name in truth.sections], [s.name for s in heard.sections]
        true, names = mir_eval.util.adjust_intervals(true, names, 0.0, truth.last)
        found, found_names = mir_eval.util.adjust_intervals(found, found_names, 0.0, truth.last)
        rows.append((
            *(mir_eval.segment.detection(true, found, window=w, trim=True)[2] for w in (0.5, 3.0)),
            mir_eval.segment.pairwise(true, names, found, found_names)[2],
        ))  # fmt: skip
    near, wide, pairs = np.mean(rows, axis=0)
    counted = f"sections, {len(rows)} made-up songs"
    return f"{counted}: boundaries F {near:.2f} at 0.5 s, {wide:.2f} at 3 s; names {pairs:.2f}"


def row(name: str, scores: list[Score]) -> str:
    """One line of the table."""
    errors = 1000 * np.concatenate([s.errors for s in scores])
    means = [float(np.mean([getattr(s, field) for s in scores])) for field in FIELDS]
    size = np.abs(errors) if len(errors) else np.zeros(1)
    timing = [np.median(size), np.percentile(size, 95), np.median(errors) if len(errors) else 0.0]
    cpu = 60 * sum(s.cpu_s for s in scores) / sum(s.seconds for s in scores)
    return f"{name:<18}" + "".join(f"{m:7.3f}" for m in means) + "".join(f"{t:8.2f}" for t in timing) + f"{cpu:8.2f}"


FIELDS = ("f", "f25", "cmlt", "amlt", "downs", "onsets_50", "onsets_25")


def main() -> None:
    """Print the table and the reliability of `confidence`."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--short", action="store_true", help=f"{SHORT} songs instead of all")
    parser.add_argument("--songs", action="store_true", help="a line a song")
    options = parser.parse_args()
    chosen = songs()[:: len(songs()) // SHORT][:SHORT] if options.short else songs()
    if not chosen or not SOUNDS.exists():
        raise SystemExit("needs the Debian packages openttd-openmsx, fluidsynth and fluid-soundfont-gm")
    print(f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}, {len(chosen)} songs")
    held_out = all(fold_file(fold).exists() for fold in range(FOLDS))
    print("cross-validated: no song is scored by what was fitted on it" if held_out else
          "NOT cross-validated (fit_hearing.py not run here): what ships was fitted on these songs too")  # fmt: skip
    ours(chosen[0])  # compiled, or read from numba's cache, before the clock runs
    librosas(chosen[0])
    mine, theirs = [ours(path) for path in chosen], [librosas(path) for path in chosen]
    titles = ("F", "F25", "CMLt", "AMLt", "downF", "on50", "on25")
    print(f"{'':<18}" + "".join(f"{t:>7}" for t in titles) + "  |e| ms   p95 ms  median   s/min")
    print(row("listen", mine))
    print(row("librosa default", theirs))
    for drum in DRUMS:
        print(f"{drum:<6} F {np.mean([s.drums[drum] for s in mine if drum in s.drums]):.3f} at 50 ms, where it plays")
    steady = sorted((abs(s.tempo_off), s.name) for s in mine if s.steady and s.f25 > 0.95)
    worse = [f"{name} {off:.2f}" for off, name in steady if off > 0.1]
    print(f"tempo right to 0.1 on {len(steady) - len(worse)} of {len(steady)} steady songs at the right level", *worse)
    if not options.short:
        print(sections_scored())
    if options.songs:
        for s in mine:
            print(f"  {s.name:<24} F {s.f:.2f} AMLt {s.amlt:.2f} downs {s.downs:.2f} sure {s.confidence:.2f}")
    print("confidence    songs  right (F > 0.9)")
    for low, high in ((0.0, 0.4), (0.4, 0.6), (0.6, 0.8), (0.8, 1.01)):
        group = [s for s in mine if low <= s.confidence < high]
        print(f"  {low:.1f}-{min(high, 1.0):.1f}     {len(group):5d}  {sum(s.f > 0.9 for s in group)}")


if __name__ == "__main__":
    main()
