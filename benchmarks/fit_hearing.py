"""Fit what the ear knows of bars and of readings; writes `composer/analysis/patterns.json`.

    python benchmarks/fit_hearing.py

Everything is fitted on made-up songs (`made_songs.py`) and on nothing else, so that every real song is a fair test.
Needs the Debian packages fluidsynth and fluid-soundfont-gm; half an hour on two cores.
"""

from __future__ import annotations

import json
from multiprocessing import Pool
from pathlib import Path

import hearing
import made_songs
import mir_eval
import numpy as np
from scipy.optimize import minimize

from composer.analysis import bars, beats, decoder, features, lattice
from composer.analysis.features import FPS

OUT = Path(__file__).parent.parent / "composer" / "analysis" / "patterns.json"
SAME_BEAT = 30.0  # frames that the beat-independent table weighs against a level's overall share
BEAT_UNITS, BEAT_RIDGE = 10, 0.01
BAR_UNITS, BAR_RIDGE = 6, 0.003
JUDGES = 3  # fits from different starts, whose beliefs are averaged
SAME_BAR = 40.0  # frames that a beat's own table weighs against the beat-independent one


def count(levels: np.ndarray, beat_times: np.ndarray, down_times: np.ndarray) -> np.ndarray:
    """(bands, BAR, PLACES, LEVELS) frames of a song by beat of the bar, place in the beat and level."""
    out = np.zeros((levels.shape[1], beats.BAR, lattice.PLACES, beats.LEVELS))
    at = beat_times * FPS
    bar = np.searchsorted(down_times, beat_times + 0.01) - 1
    for i, (start, end) in enumerate(zip(at[:-1], at[1:], strict=True)):
        if not 20 <= end - start <= 130:
            continue
        line = down_times[max(bar[i], 0)]
        beat = (i - np.searchsorted(beat_times, line - 0.01)) % beats.BAR
        for t in range(max(0, int(np.ceil(start - 0.5))), min(len(levels), int(np.ceil(end - 0.5)))):
            place = lattice.places_of(t - start, end - start)
            for band in range(levels.shape[1]):
                out[band, beat, place, levels[t, band]] += 1
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


def tables(counts: list[np.ndarray], swing: list[bool]) -> dict[str, np.ndarray]:
    """The straight table, and the swing table: of few swung songs, helped by the straight ones played swung."""
    straight = sum(c for c, s in zip(counts, swing, strict=True) if not s)
    swings = [c for c, s in zip(counts, swing, strict=True) if s]
    return {"straight": table(straight), "swing": table(sum(swings, 0.15 * swung(straight)))}


def judge(
    marks: list[np.ndarray], right: list[np.ndarray], inner: int, ridge: float, seed: int = 0
) -> dict[str, list[float]]:
    """What `composer.analysis.belief` needs: fitted so that the expected rightness of the belief is greatest.

    marks : per song (candidates, marks); right : per song (candidates,), the F-measure of each
    inner : units of the bent part; ridge : keeps the numbers small
    """
    rng = np.random.default_rng(seed)
    everything = np.concatenate(marks)
    mean, spread = everything.mean(axis=0), everything.std(axis=0) + 1e-9
    x = (everything - mean) / spread
    r = np.concatenate(right)
    first = np.cumsum([0, *(len(m) for m in marks)])[:-1]
    song = np.repeat(np.arange(len(marks)), [len(m) for m in marks])
    share = np.full(len(marks), 1 / len(marks))
    n = x.shape[1]
    shapes = [(n,), (n, inner), (inner,), (inner,)]
    sizes = [int(np.prod(shape)) for shape in shapes]

    def parts(theta: np.ndarray) -> list[np.ndarray]:
        return [p.reshape(shape) for p, shape in zip(np.split(theta, np.cumsum(sizes)[:-1]), shapes, strict=True)]

    def loss(theta: np.ndarray) -> tuple[float, np.ndarray]:
        linear, into, offset, outer = parts(theta)
        z = np.tanh(x @ into + offset)
        worth = x @ linear + z @ outer
        p = np.exp(worth - np.maximum.reduceat(worth, first)[song])
        p /= np.add.reduceat(p, first)[song]
        mean_right = np.add.reduceat(p * r, first)
        slope = -(share / (mean_right + 0.02))[song] * p * (r - mean_right[song])
        dz = (slope[:, None] * outer) * (1 - z * z)
        gradient = np.concatenate([x.T @ slope, (x.T @ dz).ravel(), dz.sum(axis=0), z.T @ slope])
        total = -float((share * np.log(mean_right + 0.02)).sum()) + ridge * float(theta @ theta)
        return total, gradient + 2 * ridge * theta

    start = np.concatenate([np.zeros(n), rng.normal(0, 0.2, n * inner), np.zeros(inner), rng.normal(0, 0.1, inner)])
    found = minimize(loss, start, jac=True, method="L-BFGS-B", options={"maxiter": 200}).x
    names = ("linear", "inner", "offset", "outer")
    out = dict(zip(names, parts(found), strict=True)) | {"mean": mean, "spread": spread}
    return {name: [float(f"{v:.4g}") for v in values.ravel()] for name, values in out.items()}


def write(fitted: dict[str, np.ndarray], judges: dict[str, list[dict[str, list[float]]]], path: Path = OUT) -> None:
    """The parameters as text; tables in hundredths of a nat."""
    content = {
        "made_by": "benchmarks/fit_hearing.py",
        **judges,
        **{name: np.round(100 * values).astype(int).ravel().tolist() for name, values in fitted.items()},
    }
    path.write_text(json.dumps(content, separators=(",", ":")).replace(',"', ',\n"') + "\n", encoding="ascii")


# ---- examples ----------------------------------------------------------------------------------------------------

MADE = 480
MADE_SECONDS = 50.0


def example(path: Path) -> tuple[hearing.Truth, beats.Heard]:
    """A made-up song as the ear sees it, rendered and transformed once."""
    truth = hearing.truth_of(path, MADE_SECONDS)
    kept = path.with_suffix(".npz")
    if not kept.exists():
        sound = path.with_suffix(".wav")
        hearing.render(path, sound)
        samples, _, _ = decoder.decode_at(sound, features.RATE)
        sound.unlink()
        samples = samples[: int(MADE_SECONDS * features.RATE)]
        log = features.log_mel(features.mel_spectrum(samples))
        np.savez(kept, rise=features.rise_bands(log, features.rises(log)), log=log.astype(np.float16))
    with np.load(kept) as arrays:
        return truth, beats.Heard(beats.quantise(arrays["rise"]), arrays["log"].astype(np.float32))


def _count(path: Path) -> tuple[np.ndarray, bool]:
    truth, heard = example(path)
    return count(heard.levels, truth.beats, truth.downs), truth.swing


def _candidates(job: tuple[Path, dict[str, np.ndarray]]) -> tuple[np.ndarray, ...]:
    """Marks and F-measures of a song's readings, and of the bars of the reading that is right (if one is)."""
    path, fitted = job
    truth, heard = example(path)
    found = beats.readings(heard.levels, fitted)
    marks = np.array([beats.marks(heard, reading) for reading in found])
    right = np.array([_f(truth.beats, reading.frames[:-1] / FPS, truth) for reading in found])
    best = found[int(np.argmax(right))]
    rows = bars.bar_marks(heard, best)
    times = best.frames[:-1] / FPS
    bar_right = np.array([_f(truth.downs, times[first::size], truth) for size, first in bars.candidates()])
    return marks, right, rows, bar_right


def _f(true: np.ndarray, found: np.ndarray, truth: hearing.Truth) -> float:
    inside = found[(found >= truth.first - 0.05) & (found <= truth.last + 0.05)]
    return float(mir_eval.beat.f_measure(true, inside)) if len(inside) else 0.0


def main() -> None:
    """Make the songs, count, fit, write."""
    paths = made_songs.write(hearing.CACHE / "made", range(MADE), MADE_SECONDS)
    with Pool() as pool:
        counted = pool.map(_count, paths, chunksize=4)
        fitted = tables([c for c, _ in counted], [s for _, s in counted])
        rows = pool.map(_candidates, [(path, fitted) for path in paths], chunksize=4)
    beat = [judge([r[0] for r in rows], [r[1] for r in rows], BEAT_UNITS, BEAT_RIDGE, seed) for seed in range(JUDGES)]
    sure = [r for r in rows if r[1].max() > 0.9]
    bar = [judge([r[2] for r in sure], [r[3] for r in sure], BAR_UNITS, BAR_RIDGE, seed) for seed in range(JUDGES)]
    write(fitted, {"beat": beat, "bar": bar})
    print(f"{len(paths)} songs; best reading F {np.mean([r[1].max() for r in rows]):.3f}; {OUT} written")


if __name__ == "__main__":
    main()
