"""Fit what the ear knows of bars and of readings; writes `composer/analysis/patterns.json`.

    apt-get install mma openttd-openmsx fluidsynth fluid-soundfont-gm
    python benchmarks/fit_hearing.py

From set A (see `benchmarks/hearing.py`), 300 made-up songs (`made_songs.py`) and 243 over the backing styles of `mma`
(`backing_songs.py`). Writes also, beside the rendered songs, what is fitted without each eighth of set A, so that the
benchmark scores no song by what was fitted on it. Half an hour on two cores, most of it the rendering, done once.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import backing_songs
import hearing
import made_songs
import mir_eval
import numpy as np
from scipy.optimize import minimize

from composer.analysis import bars, beats, belief, decoder, features, lattice, marks, onsets, refine
from composer.analysis.features import FPS

OUT = Path(__file__).parent.parent / "composer" / "analysis" / "patterns.json"
SAME_BEAT = 30.0  # frames that the beat-independent table weighs against a level's overall share
BEAT_FIT, BAR_FIT = (8, 0.001), (6, 0.003)  # units of a judge's bent part, and its ridge
JUDGES = 2  # fits from different starts, whose beliefs are averaged
SAME_BAR = 40.0  # frames that a beat's own table weighs against the beat-independent one


def count(levels: np.ndarray, beat_times: np.ndarray, down_times: np.ndarray) -> np.ndarray:
    """(bands, BAR, PLACES, LEVELS) frames of a song by beat of the bar, place in the beat and level."""
    out = np.zeros((levels.shape[1], beats.BAR, lattice.PLACES, beats.LEVELS))
    at = beat_times * FPS
    line = down_times[np.maximum(np.searchsorted(down_times, beat_times + 0.01) - 1, 0)]
    beat = (np.arange(len(at)) - np.searchsorted(beat_times, line - 0.01)) % beats.BAR
    frames = np.arange(len(levels))
    i = np.searchsorted(np.ceil(at - 0.5), frames, side="right") - 1
    length = np.diff(at, append=np.inf)[i]
    used = (i >= 0) & (length >= 20) & (length <= 130)
    frames, i, length = frames[used], i[used], length[used]
    place = lattice.places_of(frames - at[i], length)
    for band in range(levels.shape[1]):
        np.add.at(out[band], (beat[i], place, levels[frames, band]), 1)
    return out


def table(counts: np.ndarray) -> np.ndarray:
    """Log likelihood ratios (bands, BAR, PLACES, LEVELS), nats, smoothed towards what all beats share."""
    out = np.zeros(counts.shape)
    for band in range(len(counts)):
        anywhere = counts[band].sum(axis=(0, 1)) + 1
        anywhere /= anywhere.sum()
        shared = counts[band].sum(axis=0) + SAME_BEAT * anywhere
        shared /= shared.sum(axis=1, keepdims=True)
        own = counts[band] + SAME_BAR * shared
        own /= own.sum(axis=2, keepdims=True)
        out[band] = np.log(own / anywhere)
    return out


def swung(counts: np.ndarray) -> np.ndarray:
    """Straight counts as if played swung: eighths fall on the last third, quarters between them say nothing."""
    out = counts.copy()
    elsewhere = counts[:, :, -1:, :]
    elsewhere = elsewhere / np.maximum(1, elsewhere.sum(axis=-1, keepdims=True))

    def part(i: int) -> slice:
        return slice(i * lattice.SPREAD, (i + 1) * lattice.SPREAD)

    for i in (1, 3, 5):
        out[:, :, part(i)] = elsewhere * counts[:, :, part(i)].sum(axis=-1, keepdims=True)
    out[:, :, part(4)] = counts[:, :, part(3)]
    out[:, :, part(2)] = 0.7 * counts[:, :, part(1)] + 0.3 * counts[:, :, part(3)]
    return out


def tables(counts: list[np.ndarray], swing: list[bool], weight: list[float]) -> dict[str, np.ndarray]:
    """The straight table, and the swing table: of few swung songs, helped by the straight ones played swung."""
    straight = sum(w * c for c, s, w in zip(counts, swing, weight, strict=True) if not s)
    swings = sum(w * c for c, s, w in zip(counts, swing, weight, strict=True) if s)
    return {"straight": table(straight), "swing": table(swings + 0.1 * swung(straight))}


def judge(
    marks: list[np.ndarray], right: list[np.ndarray], weight: list[float], inner: int, ridge: float, seed: int = 0
) -> dict[str, list[float]]:
    """What `composer.analysis.belief` needs: fitted so that the expected rightness of the belief is greatest.

    marks : per song (candidates, marks); right : per song (candidates,), how right each is, 0-1; weight : of each song
    inner : units of the bent part; ridge : keeps the numbers small
    """
    rng = np.random.default_rng(seed)
    everything = np.concatenate(marks)
    mean, spread = everything.mean(axis=0), everything.std(axis=0) + 1e-6
    x = np.clip((everything - mean) / spread, -belief.FAR, belief.FAR).astype(np.float32)
    r = np.concatenate(right)
    first = np.cumsum([0, *(len(m) for m in marks)])[:-1]
    song = np.repeat(np.arange(len(marks)), [len(m) for m in marks])
    share = np.array(weight) / sum(weight)
    n = x.shape[1]
    shapes = [(n,), (n, inner), (inner,), (inner,)]
    sizes = [int(np.prod(shape)) for shape in shapes]

    def parts(theta: np.ndarray) -> list[np.ndarray]:
        return [p.reshape(shape) for p, shape in zip(np.split(theta, np.cumsum(sizes)[:-1]), shapes, strict=True)]

    def loss(theta: np.ndarray) -> tuple[float, np.ndarray]:
        linear, into, offset, outer = parts(theta.astype(np.float32))
        z = np.tanh(x @ into + offset)
        worth = (x @ linear + z @ outer).astype(float)
        p = np.exp(worth - np.maximum.reduceat(worth, first)[song])
        p /= np.add.reduceat(p, first)[song]
        mean_right = np.add.reduceat(p * r, first)
        slope = (-(share / (mean_right + 0.02))[song] * p * (r - mean_right[song])).astype(np.float32)
        dz = (slope[:, None] * outer) * (1 - z * z)
        gradient = np.concatenate([x.T @ slope, (x.T @ dz).ravel(), dz.sum(axis=0), z.T @ slope]).astype(float)
        total = -float((share * np.log(mean_right + 0.02)).sum()) + ridge * float(theta @ theta)
        return total, gradient + 2 * ridge * theta

    start = np.concatenate(
        [np.zeros(n), rng.normal(0, 0.5 / np.sqrt(n), n * inner), np.zeros(inner), rng.normal(0, 0.1, inner)]
    )
    found = minimize(loss, start, jac=True, method="L-BFGS-B", options={"maxiter": 150}).x
    names = ("linear", "inner", "offset", "outer")
    out = dict(zip(names, parts(found), strict=True)) | {"mean": mean, "spread": spread}
    return {name: [float(f"{v:.4g}") for v in values.ravel()] for name, values in out.items()}


def write(fitted: dict[str, np.ndarray], judges: Mapping[str, Any], path: Path = OUT) -> None:
    """The parameters as text; tables in hundredths of a nat."""
    content = {
        "made_by": "benchmarks/fit_hearing.py",
        **judges,
        **{name: np.round(100 * values).astype(int).ravel().tolist() for name, values in fitted.items()},
    }
    path.write_text(json.dumps(content, separators=(",", ":")).replace(',"', ',\n"') + "\n", encoding="ascii")


# ---- examples ----------------------------------------------------------------------------------------------------

MADE, MADE_SECONDS = 300, 50.0
MADE_WEIGHT = 0.1  # of a made-up song's frames in the tables; a real song's count 1
REAL_TIMES = 6.0  # a real song counts so many times in the judges
ODD_WEIGHT = 0.5  # of a song cut to another bar length
REAL_DRUMS = 7.0  # a real song's weight among the drums
DRUM_RIDGE = 5e-4
FOLDS = hearing.FOLDS


# Bars of five and seven are rare: they are cut together from the beats of every third song in four.
CUTS = {
    5: ((0, 1, 2, 3, 3), (0, 1, 1, 1, 1), (0, 3, 3, 3, 3), (0, 1, 2, 3, 1), (0, 1, 2, 0, 3)),
    7: ((0, 1, 2, 3, 0, 1, 3), (0, 1, 1, 1, 1, 1, 1), (0, 3, 3, 3, 3, 3, 3), (0, 1, 2, 3, 1, 2, 3)),
}
ODD_EVERY = 3


@dataclass(frozen=True)
class Rows:
    """Marks (candidates, marks) and rightness of a song's readings, and of the bars of its right reading.

    odd : the same of bars of five or seven cut together from a song in four
    """

    beat: np.ndarray
    beat_right: np.ndarray
    f: np.ndarray
    bar: np.ndarray
    bar_right: np.ndarray
    odd: list[tuple[np.ndarray, np.ndarray]]


@dataclass(frozen=True)
class Example:
    """A song as the ear sees it, and its truth."""

    truth: hearing.Truth
    heard: beats.Heard
    starts: tuple[np.ndarray, np.ndarray]


def example(path: Path) -> Example:
    """A song, rendered and transformed once. Half of the backing songs start anywhere, not on a bar line."""
    real = path.parent == hearing.SONGS
    seconds = hearing.SECONDS if real else MADE_SECONDS
    kept = hearing.CACHE / "examples" / f"{path.stem}.npz"
    if not kept.exists():
        kept.parent.mkdir(parents=True, exist_ok=True)
        sound = hearing.rendered(path) if real else kept.with_suffix(".wav")
        if not real:
            hearing.render(path, sound)
        samples, _, _ = decoder.decode_at(sound, features.RATE)
        if not real:
            sound.unlink()
        skip = backing_songs.start_s(path)
        samples = samples[int(skip * features.RATE) :][: int(seconds * features.RATE)]
        streams = [features.mel_stream(), features.fine_stream(), *features.chroma_streams()]
        for stream in streams:
            stream.feed(samples)
        mel, fine, low, high = (stream.result() for stream in streams)
        log = features.log_mel(mel)
        at, strength = refine.starts(features.fine_rise(fine))
        np.savez(
            kept, skip=skip, rise=features.rise_bands(log, features.rises(log)), log=log.astype(np.float16), at=at,
            strength=strength, chroma=np.concatenate([low, high], axis=1),
        )  # fmt: skip
    with np.load(kept) as arrays:
        skip = float(arrays["skip"])
        truth = hearing.later(hearing.truth_of(path, seconds + skip), skip)
        tones = arrays["chroma"].astype(np.float32)
        heard = beats.Heard(
            beats.quantise(arrays["rise"]),
            arrays["log"].astype(np.float32),
            features.chroma(tones[:, :12], tones[:, 12:]),
        )
        return Example(truth, heard, (arrays["at"], arrays["strength"]))


def _count(path: Path) -> tuple[np.ndarray, bool]:
    song = example(path)
    return count(song.heard.levels, song.truth.beats, song.truth.downs), song.truth.swing


def _rows(job: tuple[Path, dict[str, np.ndarray]]) -> Rows:
    path, fitted = job
    song = example(path)
    truth, heard = song.truth, song.heard
    found = beats.readings(heard.levels, fitted)
    f = np.array([_f(truth.beats, reading.frames[:-1] / FPS, truth) for reading in found])
    at_a_level = np.array([_amlt(truth, reading.frames[:-1] / FPS) for reading in found])
    best = found[int(np.argmax(f))]
    times = best.frames[:-1] / FPS
    return Rows(
        marks.reading_marks(heard, found, song.starts),
        (f + at_a_level) / 2,
        f,
        bars.bar_marks(heard, best),
        np.array([_f(truth.downs, times[first::size], truth) for size, first in bars.candidates()]),
        _odd(song, fitted, int(path.stem[-4:])) if path.parent != hearing.SONGS else [],
    )


def _odd(song: Example, fitted: dict[str, np.ndarray], seed: int) -> list[tuple[np.ndarray, np.ndarray]]:
    """Marks and rightness of a song in four whose bars are cut to five or seven beats, starting anywhere in a bar."""
    if seed % ODD_EVERY:
        return []
    rng = np.random.default_rng(seed)
    size = int(rng.choice(list(CUTS)))
    cut = CUTS[size][int(rng.integers(len(CUTS[size])))]
    at = np.round(song.truth.beats * FPS).astype(int)
    at = at[at < len(song.heard.levels)]
    lines = np.searchsorted(song.truth.beats, song.truth.downs - 0.01)
    whole = [line for line in lines[:-1] if line + beats.BAR < len(at)]
    if len(whole) < 6 or np.any(np.diff(lines) != beats.BAR):
        return []
    skip = int(rng.integers(size))
    order = [line + step for line in whole for step in cut][skip:]
    pieces = [np.arange(at[beat], at[beat + 1]) for beat in order]
    starts = np.arange(-skip % size, len(order), size)
    frames = np.cumsum([0, *(len(piece) for piece in pieces)])
    index = np.concatenate(pieces)
    heard = beats.Heard(
        song.heard.levels[index], song.heard.log[index],
        song.heard.chroma[np.minimum(index[::5] // 5, len(song.heard.chroma) - 1)],
    )  # fmt: skip
    scores = np.stack([beats.frame_scores(heard.levels, fitted[time]) for time in ("straight", "swing")])
    reading = beats.Reading(frames, beats.worth_of(scores, frames))
    times, downs = frames[:-1] / FPS, frames[starts] / FPS
    right = [mir_eval.beat.f_measure(downs, times[f::s], 0.07) for s, f in bars.candidates()]
    return [(bars.bar_marks(heard, reading), np.array(right))]


def _amlt(truth: hearing.Truth, found: np.ndarray) -> float:
    inside = found[(found >= truth.first - 0.05) & (found <= truth.last + 0.05)]
    return float(mir_eval.beat.continuity(truth.beats, inside)[3]) if len(inside) > 2 else 0.0


def _f(true: np.ndarray, found: np.ndarray, truth: hearing.Truth) -> float:
    inside = found[(found >= truth.first - 0.05) & (found <= truth.last + 0.05)]
    return float(mir_eval.beat.f_measure(true, inside)) if len(inside) else 0.0


def _drums(path: Path) -> tuple[np.ndarray, np.ndarray]:
    """(onsets, marks) of a song's onsets, and (onsets, 3) which of them are kick, snare, hat."""
    song = example(path)
    truth, heard = song.truth, song.heard
    rise = features.rises(heard.log)
    frames, _ = onsets.picked(rise.mean(axis=1))
    is_drum = np.zeros((len(frames), len(truth.drums)), bool)
    for k, times in enumerate(truth.drums.values()):
        if len(times):
            is_drum[:, k] = np.abs(times[None, :] - frames[:, None] / FPS).min(axis=1) < 0.03
    return onsets.drum_marks(rise, heard.log, frames), is_drum


def drum_judge(rows: list[tuple[np.ndarray, np.ndarray]], weight: list[float]) -> dict[str, list[float]]:
    """Logistic regression of each drum on an onset's marks; every song counts by its weight, however many onsets."""
    marks, is_drum = (np.concatenate([row[i] for row in rows]) for i in range(2))
    share = np.concatenate([np.full(len(row[0]), w / max(1, len(row[0]))) for row, w in zip(rows, weight, strict=True)])
    share /= share.sum()
    mean, spread = marks.mean(axis=0), marks.std(axis=0) + 1e-3
    x = np.c_[(marks - mean) / spread, np.ones(len(marks))]
    found = []
    for k in range(is_drum.shape[1]):
        sign = np.where(is_drum[:, k], 1.0, -1.0)

        def loss(w: np.ndarray, sign: np.ndarray = sign) -> tuple[float, np.ndarray]:
            margin = sign * (x @ w)
            inner = np.r_[w[:-1], 0.0]
            slope = -share * sign / (1 + np.exp(margin))
            total = float(share @ np.logaddexp(0, -margin) + DRUM_RIDGE * inner @ inner)
            return total, x.T @ slope + 2 * DRUM_RIDGE * inner

        found.append(minimize(loss, np.zeros(x.shape[1]), jac=True, method="L-BFGS-B", options={"maxiter": 200}).x)
    out = {"weights": np.array(found)[:, :-1], "offset": np.array(found)[:, -1], "mean": mean, "spread": spread}
    return {name: [float(f"{v:.4g}") for v in values.ravel()] for name, values in out.items()}


def judges(rows: list[Rows], weight: list[float]) -> dict[str, Any]:
    """Of readings, and of bars where a reading is right."""
    song = [(r, w) for r, w in zip(rows, weight, strict=True) if r.f.max() > 0.6]
    sure = [(r, w) for r, w in zip(rows, weight, strict=True) if r.f.max() > 0.9 and r.bar_right.max() > 0.6]
    beat = [
        judge([r.beat for r, _ in song], [r.beat_right for r, _ in song], [w for _, w in song], *BEAT_FIT, seed)
        for seed in range(JUDGES)
    ]
    barred = [(r.bar, r.bar_right, w) for r, w in sure]
    barred += [(bar, right, ODD_WEIGHT * w) for r, w in sure for bar, right in r.odd]
    bar = [judge(*map(list, zip(*barred, strict=True)), *BAR_FIT, seed) for seed in range(JUDGES)]  # type: ignore[arg-type]
    return {"beat": beat, "bar": bar}


def main() -> None:
    """Make the songs, count, fit on all (what ships) and without each fold of set A (what is scored).

    A real song's marks always come from tables that do not know it: those without its fold, and when a fold is held
    out also without that. The other songs are marked once, by tables without one fold or another.
    """
    made = made_songs.write(hearing.CACHE / "made", range(MADE), MADE_SECONDS)
    made += backing_songs.write(hearing.CACHE / "backing", 1, MADE_SECONDS)
    real = hearing.songs()
    with get_context("spawn").Pool() as pool:
        counted = dict(zip([*real, *made], pool.map(_count, [*real, *made], chunksize=4), strict=True))

        def without(*folds: int) -> dict[str, np.ndarray]:
            kept = [path for i, path in enumerate(real) if i % FOLDS not in folds] + made
            weight = [MADE_WEIGHT if path in made else 1.0 for path in kept]
            return tables([counted[p][0] for p in kept], [counted[p][1] for p in kept], weight)

        drums = dict(zip([*real, *made], pool.map(_drums, [*real, *made], chunksize=4), strict=True))

        def drums_without(fold: int | None = None) -> dict[str, list[float]]:
            kept = [path for i, path in enumerate(real) if fold is None or i % FOLDS != fold] + made
            return drum_judge([drums[p] for p in kept], [1.0 if p in made else REAL_DRUMS for p in kept])

        one_out = [without(fold) for fold in range(FOLDS)]
        made_rows = pool.map(_rows, [(path, one_out[i % FOLDS]) for i, path in enumerate(made)], chunksize=4)
        real_rows = pool.map(_rows, [(path, one_out[i % FOLDS]) for i, path in enumerate(real)], chunksize=1)
        for fold in range(FOLDS):
            two_out = {own: without(fold, own) for own in range(FOLDS) if own != fold}
            jobs = [(path, two_out[i % FOLDS]) for i, path in enumerate(real) if i % FOLDS != fold]
            found = judges(made_rows + pool.map(_rows, jobs, chunksize=1), [1.0] * len(made) + [REAL_TIMES] * len(jobs))
            write(one_out[fold], found | {"drum": drums_without(fold)}, hearing.fold_file(fold))
            print(f"without fold {fold}", flush=True)
    found = judges(made_rows + real_rows, [1.0] * len(made) + [REAL_TIMES] * len(real))
    write(without(), found | {"drum": drums_without()}, OUT)
    best = np.mean([r.f.max() for r in real_rows])
    print(f"{len(made)} songs of our own, {len(real)} of set A; best reading there F {best:.3f}; {OUT} written")


if __name__ == "__main__":
    main()
