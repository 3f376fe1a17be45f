"""The sound, which is the clock of the night: where it is, as it leaves the loudspeaker.

Conventions: positions are seconds of the song; before it begins they are negative. `position` may be asked at any
moment and goes forward at the pace of the sound card (or of the computer, without sound).
"""

from __future__ import annotations

import statistics
import threading
import time
from collections import deque
from collections.abc import Callable
from pathlib import Path
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from ..faults import Faults
from ..pipeline.playing import decoded

Samples = npt.NDArray[np.int16]
BLOCK = 1 << 16  # samples of one channel read at once
LATENCY_S = 0.2  # asked of the device: known and taken into account, so large, for computers with much else to do
MARKS = 32  # callbacks whose times are averaged: single ones jump by milliseconds
BREAK_S, BREAK_AFTER_S = 0.020, 0.5  # callbacks that are off by more for so long: the stream itself stood still
STEADY_S, STEADY_MARKS = 0.005, 8
STALL_S = 4.0  # a card that asks for nothing so long is gone; some sound servers take 2 s to begin
GONE = "the sound device went away"
NO_SOUND = (
    'sound needs the extra "play" (pip install -e ".[play]" in the folder of Glowscore); '
    "--no-sound leaves it to another player"
)

NO_DEVICE = "no sound device was found; --no-sound leaves the song to another player"


class Sound(Protocol):
    """Something that plays a song and knows where it is."""

    def start(self, at_s: float) -> None:
        """Play from a position; negative: that much silence first."""

    def pause(self) -> float:
        """Hold; returns the position."""

    def position(self) -> float:
        """Where the sound that leaves the loudspeaker is."""

    @property
    def steady(self) -> bool:
        """Whether the position can be relied on already."""

    @property
    def fault(self) -> str:
        """Why there is no sound any more; '' while all is well."""

    def close(self) -> None:
        """Be silent and let go of the device."""


class Silent:
    """No sound: the computer's own clock, for a mixer that plays the song, and for the quiet look."""

    fault = ""
    steady = True

    def __init__(self, now: Callable[[], float] = time.monotonic) -> None:
        self._now = now
        self._held_s: float | None = 0.0
        self._from_s = 0.0

    def start(self, at_s: float) -> None:
        """Count from here."""
        self._from_s, self._held_s = at_s - self._now(), None

    def pause(self) -> float:
        """Hold."""
        self._held_s = self.position()
        return self._held_s

    def position(self) -> float:
        """Where the count is."""
        return self._from_s + self._now() if self._held_s is None else self._held_s

    def close(self) -> None:
        """Nothing to let go of."""


def load_samples(song: Path, seconds: float) -> tuple[Samples, int]:
    """A song to play: int16 (samples, 1 or 2) and its rate, Hz.

    In stereo where the reader that analysed it can give the very same samples, else the mono that was analysed; either
    way sample 0 is where the song map's times begin. Raises `Faults`.
    """
    import soundfile

    try:
        with soundfile.SoundFile(str(song)) as file:
            # Asked for whole numbers, libsndfile cuts the fractions of a float file off: silence.
            kind, rate = "float32" if file.subtype in ("FLOAT", "DOUBLE") else "int16", int(file.samplerate)
            blocks = [_whole(block[:, :2]) for block in file.blocks(BLOCK, dtype=kind, always_2d=True)]
        if blocks and abs(sum(map(len, blocks)) / rate - seconds) < 1e-3:
            return np.concatenate(blocks), rate
    except (soundfile.SoundFileError, OSError, RuntimeError):
        pass  # a format that only ffmpeg reads
    mono, rate = decoded(song)
    return _whole(mono[:, None]), rate


def _whole(block: npt.NDArray[Any]) -> Samples:
    """Samples as int16; floats beyond full scale are clipped, what is no number is silence."""
    if block.dtype == np.int16:
        return block
    scaled: Samples = (np.clip(np.nan_to_num(block, posinf=0.0, neginf=0.0), -1, 1) * 32767).astype(np.int16)
    return scaled


class Card:
    """A song on a sound card, by PortAudio.

    The stream runs from the moment it is opened, silent at first. The card's thread asks for samples and says when the
    first of them will leave the device. The difference between that time and the count of samples so far is constant
    while the stream runs, so its median over the last callbacks tells at any moment which sample is leaving, output
    latency included; and that is known before the song begins.
    """

    def __init__(self, samples: Samples, rate: int, device: str | int | None = None, sounddevice: Any = None) -> None:
        """Opens the device. Raises `Faults` where there is none, or PortAudio is missing."""
        if sounddevice is None:
            sounddevice = _sounddevice()
        self._samples, self._rate = samples, rate
        self._next: int | None = None  # the next sample to play, negative: silence before the song; None: pause
        self._count = 0  # samples handed over since the stream was opened
        self._zero_s = 0.0  # where the song's beginning lies in that count, seconds
        self._held_s = 0.0  # the position that was known last
        self._marks: deque[float] = deque(maxlen=MARKS)
        self._off: deque[float] = deque(maxlen=MARKS)
        self._off_count = 0
        self._lock = threading.Lock()
        self._asked_s = time.monotonic()
        self._ended = ""
        try:
            self._stream = sounddevice.OutputStream(
                samplerate=rate,
                channels=samples.shape[1],
                dtype="int16",
                device=int(device) if isinstance(device, str) and device.isdecimal() else device,
                latency=LATENCY_S,
                callback=self._fill,
                finished_callback=self._finished,
            )
            self._stream.start()
        except (sounddevice.PortAudioError, ValueError) as error:
            none = not str(sounddevice.query_devices())
            what = NO_DEVICE if none else f"cannot be played: {_one_line(error)}; --devices lists what there is"
            raise Faults.one("sound", str(device or ""), what) from None

    def _fill(self, out: Samples, frames: int, times: Any, status: Any) -> None:
        """The card's thread: the next samples. Nothing here may wait or fail."""
        self._asked_s = time.monotonic()
        with self._lock:
            out[:] = 0
            if self._next is not None:
                first, last = self._next, self._next + frames
                part = self._samples[max(first, 0) : max(last, 0)]
                skip = min(max(-first, 0), frames)
                out[skip : skip + len(part)] = part
                self._next = last
            leaves_s = times.outputBufferDacTime
            if leaves_s <= times.currentTime:  # some drivers do not say
                leaves_s = times.currentTime + self._stream.latency
            self._mark(self._count / self._rate - leaves_s)
            self._count += frames

    def _mark(self, mark: float) -> None:
        """Remember one callback. After a break in the stream the marks from before it are worth nothing; but a busy
        computer gives wrong ones for a moment, so only marks that agree for half a second are a break."""
        if not self._marks or abs(mark - statistics.median(self._marks)) <= BREAK_S:
            self._marks.append(mark)
            self._off.clear()
            return
        if self._off and abs(mark - statistics.median(self._off)) > BREAK_S:
            self._off.clear()
        if not self._off:
            self._off_count = self._count
        self._off.append(mark)
        if self._count - self._off_count >= BREAK_AFTER_S * self._rate:
            self._marks.clear()
            self._marks.extend(self._off)
            self._off.clear()

    def _finished(self) -> None:
        self._ended = GONE

    def start(self, at_s: float) -> None:
        """Play from a position: its sample is the next one that the card gets."""
        with self._lock:
            self._next = round(at_s * self._rate)
            self._zero_s = (self._count - self._next) / self._rate
            self._held_s = at_s

    def pause(self) -> float:
        """Hold. What is on its way through the device is still heard."""
        with self._lock:
            held_s = self._position()
            self._next = None
            return held_s

    def position(self) -> float:
        """Where the sound that leaves the device is."""
        with self._lock:
            return self._position()

    def _position(self) -> float:
        if self._marks and self._next is not None:
            try:
                self._held_s = statistics.median(self._marks) + float(self._stream.time) - self._zero_s
            except Exception:  # PortAudio's errors have no class without PortAudio; a stream that is gone has no time
                self._ended = self._ended or GONE
        return self._held_s

    @property
    def steady(self) -> bool:
        """Whether the last callbacks agree on when sound leaves the device."""
        with self._lock:
            marks = list(self._marks)[-STEADY_MARKS:]
        return len(marks) == STEADY_MARKS and max(marks) - min(marks) < STEADY_S and not self._off

    @property
    def fault(self) -> str:
        """Why there is no sound any more."""
        if not self._ended and time.monotonic() - self._asked_s > STALL_S:
            self._ended = "the sound device stopped asking for sound"
        return self._ended

    def close(self) -> None:
        """Be silent at once."""
        try:
            self._stream.abort()
            self._stream.close()
        except Exception:  # a device that is gone: PortAudio's errors have no class without PortAudio
            self._ended = self._ended or GONE


def devices() -> str:
    """What there is to play on, as text for a person. Raises `Faults` without PortAudio."""
    return str(_sounddevice().query_devices()) or NO_DEVICE


def _sounddevice() -> Any:
    try:
        import sounddevice
    except (ImportError, OSError) as error:  # the package, or PortAudio below it
        raise Faults.one("sound", "", NO_SOUND if isinstance(error, ImportError) else f"{NO_SOUND} ({error})") from None
    return sounddevice


def _one_line(error: Exception) -> str:
    return " ".join(str(error).split())
