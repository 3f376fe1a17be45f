"""What the ear works from: spectra, their rises, loudness.

Conventions
-----------
Samples are mono float32 at `RATE` Hz. The coarse grid has one frame every 10 ms (`FPS` a second), frame i centred on
i / FPS seconds; the fine grid one every 1.5 ms. Arrays are float32, time first.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float32]
Doubles = npt.NDArray[np.float64]

RATE = 24_000
HOP = 240
FPS = RATE / HOP
WINDOW = 1024
MELS = 48
LOW_HZ, HIGH_HZ = 170.0, 2500.0  # the edges of the three bands that lights follow
RISE_EDGES_HZ = (0.0, 110.0, 300.0, 2000.0, 5500.0, 20_000.0)
NOVELTY_S = 0.3

FINE_HOP = 36
FINE_FPS = RATE / FINE_HOP
FINE_WINDOW = 256
FINE_EDGES_HZ = (60.0, 200.0, 400.0, 800.0, 1600.0, 3200.0, 5500.0, 12_000.0)

_CHUNK = 2048  # frames transformed at once


@cache
def mel_filters() -> tuple[Floats, Doubles]:
    """Triangular filters on the mel scale, 2595 log10(1 + f/700) (O'Shaughnessy): (bins, MELS), and centres in Hz.

    Each filter's weights sum to 1, and each has at least one bin.
    """
    edges = 700 * (10 ** (np.linspace(_mel(30.0), _mel(10_000.0), MELS + 2) / 2595) - 1)
    bins = np.fft.rfftfreq(WINDOW, 1 / RATE)
    filters = np.zeros((len(bins), MELS), np.float32)
    for i in range(MELS):
        low, centre, high = edges[i : i + 3]
        weights = np.minimum((bins - low) / (centre - low), (high - bins) / (high - centre)).clip(0)
        if weights.sum() == 0:
            weights[np.argmin(np.abs(bins - centre))] = 1
        filters[:, i] = weights / weights.sum()
    return filters, edges[1:-1]


def _mel(hz: float) -> float:
    return float(2595 * np.log10(1 + hz / 700))


def mel_spectrum(samples: Floats) -> Floats:
    """Magnitudes in mel bands, (frames, MELS)."""
    filters, _ = mel_filters()
    window = np.hanning(WINDOW).astype(np.float32)
    frames = _frames(samples, WINDOW, HOP)
    out = np.empty((len(frames), MELS), np.float32)
    for i in range(0, len(frames), _CHUNK):
        out[i : i + _CHUNK] = np.abs(np.fft.rfft(frames[i : i + _CHUNK] * window, axis=1)) @ filters
    return out


def log_mel(mel: Floats) -> Floats:
    """Compressed mel magnitudes, scaled so that the loud parts of a song stand at the same level in every song."""
    return np.asarray(np.log1p(mel * np.float32(200.0 / (np.percentile(mel, 99) + 1e-9))))


def rises(log: Floats) -> Floats:
    """How far each band rose within 20 ms, (frames, MELS); a tone that slides to its neighbour is no rise."""
    before = np.maximum(log, 0)
    before[:, 1:] = np.maximum(before[:, 1:], log[:, :-1])
    before[:, :-1] = np.maximum(before[:, :-1], log[:, 1:])
    out = np.zeros_like(log)
    out[2:] = np.maximum(0, log[2:] - before[:-2])
    return out


def rise_bands(log: Floats, rise: Floats) -> Floats:
    """The rises in five bands, then the timbral novelty: how much the next 0.3 s differ from the last. (frames, 6)"""
    _, centres = mel_filters()
    bands = [
        rise[:, (centres >= low) & (centres < high)].mean(axis=1)
        for low, high in zip(RISE_EDGES_HZ[:-1], RISE_EDGES_HZ[1:], strict=True)
    ]
    tonal = log[:, centres < 3000].astype(float)
    total = np.vstack([np.zeros(tonal.shape[1]), np.cumsum(tonal, axis=0)])
    wide, n = int(NOVELTY_S * FPS), len(log)
    i = np.arange(n)
    start, end = np.clip(i - wide, 0, n), np.clip(i + wide, 0, n)
    before = (total[i] - total[start]) / np.maximum(1, i - start)[:, None]
    after = (total[end] - total[i]) / np.maximum(1, end - i)[:, None]
    return np.stack([*bands, np.abs(after - before).mean(axis=1)], axis=1).astype(np.float32)


def fine_rise(samples: Floats) -> Floats:
    """The rise of energy on the fine grid, (frames,): where exactly a sound starts."""
    window = np.hanning(FINE_WINDOW).astype(np.float32)
    bins = np.fft.rfftfreq(FINE_WINDOW, 1 / RATE)
    sums = np.stack(
        [((bins >= a) & (bins < b)) for a, b in zip(FINE_EDGES_HZ[:-1], FINE_EDGES_HZ[1:], strict=True)], axis=1
    ).astype(np.float32)
    frames = _frames(samples, FINE_WINDOW, FINE_HOP)
    energy = np.empty((len(frames), sums.shape[1]), np.float32)
    for i in range(0, len(frames), 4 * _CHUNK):
        spectrum = np.fft.rfft(frames[i : i + 4 * _CHUNK] * window, axis=1)
        energy[i : i + 4 * _CHUNK] = np.sqrt((spectrum.real**2 + spectrum.imag**2) @ sums)
    energy /= np.maximum(np.percentile(energy, 99, axis=0), 0.1 * energy.max(axis=0)) + 1e-9
    log = np.log1p(2 * energy)  # hardly bent: the more it is, the earlier a rise looks
    out = np.zeros(len(log), np.float32)
    out[2:-2] = np.maximum(0, log[4:] - log[:-4]).mean(axis=1)
    return smooth(out, 1.5)


def smooth(x: Floats, sigma: float) -> Floats:
    """Gaussian smoothing along time; `sigma` in frames."""
    from scipy.ndimage import gaussian_filter1d

    return np.asarray(gaussian_filter1d(x, sigma, axis=0), np.float32)


def running_mean(x: Floats, frames: int) -> Floats:
    """Mean over a centred stretch of that many frames, along time; the ends mirror."""
    from scipy.ndimage import uniform_filter1d

    return np.asarray(uniform_filter1d(x, max(1, min(frames, len(x))), axis=0), np.float32)


def _frames(samples: Floats, window: int, hop: int) -> Floats:
    padded = np.pad(samples, (window // 2, window // 2))
    return np.lib.stride_tricks.sliding_window_view(padded, window)[::hop]


def band_of() -> dict[str, npt.NDArray[np.bool_]]:
    """Which mel bands belong to low, mid and high."""
    _, centres = mel_filters()
    return {
        "low": centres < LOW_HZ,
        "mid": (centres >= LOW_HZ) & (centres < HIGH_HZ),
        "high": centres >= HIGH_HZ,
    }


LOUDNESS_HOP = 2  # frames
LOUDNESS_RANGE_DB = 40.0


def loudness(mel: Floats) -> tuple[float, dict[str, Floats]]:
    """Loudness by band, 0-1, every 20 ms: (seconds a step, {low, mid, high, all}).

    1 is the level that a band passes in 2 % of the song, 0 is 40 dB below. A band that is hardly there (more than
    30 dB below the whole) is not blown up.
    """
    power = mel.astype(np.float32) ** 2
    steps = (len(power) + LOUDNESS_HOP - 1) // LOUDNESS_HOP
    power = np.pad(power, ((0, steps * LOUDNESS_HOP - len(power)), (0, 0)))
    power = power.reshape(steps, LOUDNESS_HOP, -1).mean(axis=1)
    sums = {band: power[:, rows].sum(axis=1) for band, rows in band_of().items()}
    sums["all"] = power.sum(axis=1)
    whole = float(np.percentile(sums["all"], 98))
    out = {}
    for band, level in sums.items():
        top = max(float(np.percentile(level, 98)), 1e-3 * whole, 1e-12)
        out[band] = np.clip(1 + 10 * np.log10(level / top + 1e-12) / LOUDNESS_RANGE_DB, 0, 1).astype(np.float32)
    return LOUDNESS_HOP / FPS, out


def sound_span(mel: Floats) -> tuple[float, float] | None:
    """First and last sound in seconds, or None for silence: where the level passes 50 dB below the loud parts."""
    level = mel.max(axis=1, initial=0.0)
    top = float(np.percentile(level, 99))
    loud = np.flatnonzero(level > max(top * 10 ** (-50 / 20), SILENCE))
    if top <= SILENCE or len(loud) == 0:
        return None
    return float(loud[0] / FPS), float(loud[-1] / FPS)


SILENCE = 1e-4  # magnitude of a mel band (window sum 512): about -125 dB of full scale
