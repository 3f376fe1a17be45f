"""What the ear works from: spectra, their rises, loudness.

Conventions
-----------
Samples are mono float32 at `RATE` Hz. The coarse grid has one frame every 10 ms (`FPS` a second), frame i centred on
i / FPS seconds; the fine grid one every 1.5 ms. Arrays are float32, time first.
"""

from __future__ import annotations

from collections.abc import Callable
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

CHROMA_HOP = 1200
CHROMA_FPS = RATE / CHROMA_HOP
CHROMA_LOW, CHROMA_HIGH = (8192, 50.0, 260.0), (4096, 260.0, 2100.0)  # window; from and to, Hz: basses and chords
FINER_HZ = 400.0  # from here a semitone is several bins wide

_CHUNK = 1 << 21  # samples transformed at once


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


class Stream:
    """What a transform makes of a signal's frames, while the signal arrives in blocks of any size.

    Frame i is centred on sample i x `hop`; before its start and after its end the signal is silent. `transform` makes
    rows (frames, columns) of windowed frames (frames, window).
    """

    def __init__(self, window: int, hop: int, transform: Callable[[Floats], Floats]) -> None:
        self._window, self._hop, self._transform = window, hop, transform
        self._shape = np.hanning(window).astype(np.float32)
        self._chunk = max(1, _CHUNK // window)
        self._waiting = [np.zeros(window // 2, np.float32)]
        self._count = window // 2
        self._rows: list[Floats] = []

    def feed(self, block: Floats) -> None:
        """More of the signal, float32."""
        self._waiting.append(block)
        self._count += len(block)
        if self._count >= self._window + (self._chunk - 1) * self._hop:
            self._work()

    def result(self) -> Floats:
        """Every frame's row, (frames, columns), once the signal has ended."""
        self.feed(np.zeros(self._window // 2, np.float32))
        self._work()
        return np.concatenate(self._rows)

    def _work(self) -> None:
        if self._count < self._window:
            return
        signal = np.concatenate(self._waiting)
        frames = np.lib.stride_tricks.sliding_window_view(signal, self._window)[:: self._hop]
        for i in range(0, len(frames), self._chunk):
            self._rows.append(self._transform(frames[i : i + self._chunk] * self._shape))
        self._waiting = [signal[len(frames) * self._hop :].copy()]
        self._count = len(self._waiting[0])


def into(streams: list[Stream]) -> Callable[[Floats], None]:
    """What hands blocks on to every one of some streams."""

    def take(block: Floats) -> None:
        for stream in streams:
            stream.feed(block)

    return take


def mel_stream() -> Stream:
    """Magnitudes in mel bands, (frames, MELS)."""
    filters, _ = mel_filters()

    def transform(frames: Floats) -> Floats:
        return np.asarray(np.abs(np.fft.rfft(frames, axis=1)) @ filters, np.float32)

    return Stream(WINDOW, HOP, transform)


@cache
def pitch_classes(window: int, low: float, high: float) -> Floats:
    """How much each bin of a spectrum belongs to each pitch class, equal temperament with a' at 440 Hz: (bins, 12)."""
    bins = np.fft.rfftfreq(window, 1 / RATE)
    out = np.zeros((len(bins), 12), np.float32)
    for i in np.flatnonzero((bins >= low) & (bins < high)):
        pitch = 12 * np.log2(bins[i] / 440.0) + 9
        off = abs(pitch - round(pitch))
        out[i, round(pitch) % 12] = max(0.0, 1 - 2 * off) if bins[i] > FINER_HZ else np.exp(-0.5 * (off / 0.35) ** 2)
    return out


def chroma_streams() -> tuple[Stream, Stream]:
    """Loudness by pitch class, (frames, 12), at `CHROMA_FPS`: of basses and of chords. `chroma` takes both."""

    def stream(window: int, low: float, high: float, power: float) -> Stream:
        classes = pitch_classes(window, low, high)

        def transform(frames: Floats) -> Floats:
            return np.asarray(np.abs(np.fft.rfft(frames, axis=1)) ** power @ classes, np.float32)

        return Stream(window, CHROMA_HOP, transform)

    return stream(*CHROMA_LOW, 1.0), stream(*CHROMA_HIGH, 0.5)


def chroma(low: Floats, high: Floats) -> Floats:
    """Basses, then chords, by pitch class, each scaled to the song's loud parts and compressed: (frames, 24)."""
    parts = [part / (np.percentile(part.sum(axis=1), 95) + 1e-9) for part in (low, high)]
    return np.asarray(np.log1p(5 * np.concatenate(parts, axis=1)), np.float32)


def mel_spectrum(samples: Floats) -> Floats:
    """Magnitudes in mel bands, (frames, MELS), of a signal that is there whole."""
    return _whole(mel_stream(), samples)


def _whole(stream: Stream, samples: Floats) -> Floats:
    stream.feed(samples)
    return stream.result()


def log_mel(mel: Floats) -> Floats:
    """Compressed mel magnitudes, scaled so that the loud parts of a song stand at the same level in every song."""
    out = mel * np.float32(200.0 / (np.percentile(mel, 99) + 1e-9))
    return np.asarray(np.log1p(out, out=out))


def rises(log: Floats) -> Floats:
    """How far each band rose within 20 ms, (frames, MELS); a tone that slides to its neighbour is no rise."""
    before = np.maximum(log, 0)
    np.maximum(before[:, 1:], log[:, :-1], out=before[:, 1:])
    np.maximum(before[:, :-1], log[:, 1:], out=before[:, :-1])
    out = np.zeros_like(log)
    np.subtract(log[2:], before[:-2], out=out[2:])
    return np.asarray(np.maximum(0, out, out=out))


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


def fine_stream() -> Stream:
    """Magnitudes in seven bands on the fine grid, (frames, 7): what `fine_rise` works from."""
    bins = np.fft.rfftfreq(FINE_WINDOW, 1 / RATE)
    bands = zip(FINE_EDGES_HZ[:-1], FINE_EDGES_HZ[1:], strict=True)
    sums = np.stack([((bins >= low) & (bins < high)) for low, high in bands], axis=1).astype(np.float32)

    def transform(frames: Floats) -> Floats:
        spectrum = np.fft.rfft(frames, axis=1)
        return np.asarray(np.sqrt((spectrum.real**2 + spectrum.imag**2) @ sums), np.float32)

    return Stream(FINE_WINDOW, FINE_HOP, transform)


def fine_rise(energy: Floats) -> Floats:
    """The rise of energy on the fine grid, (frames,): where exactly a sound starts. Works in place."""
    energy /= np.maximum(np.percentile(energy, 99, axis=0), 0.1 * energy.max(axis=0)) + 1e-9
    log = np.log1p(2 * energy, out=energy)  # hardly bent: the more it is, the earlier a rise looks
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
    steps = (len(mel) + LOUDNESS_HOP - 1) // LOUDNESS_HOP
    sums = {}
    for band, rows in band_of().items():
        power = np.pad((mel[:, rows] ** 2).sum(axis=1), (0, steps * LOUDNESS_HOP - len(mel)))
        sums[band] = power.reshape(steps, LOUDNESS_HOP).mean(axis=1)
    sums["all"] = np.sum(list(sums.values()), axis=0)
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
