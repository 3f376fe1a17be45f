"""Any song file -> mono samples. The content decides the format, not the name; the decoded length counts, not the
header's.

Conventions
-----------
Samples are float32, nominally -1 to 1, shape (samples,). Times count from the first decoded sample, so a file whose
codec delay was not written down starts late in every player that believes it; `DecodeInfo.notes` says so.
"""

from __future__ import annotations

import contextlib
import os
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from ..faults import Faults, reading

Samples = npt.NDArray[np.float32]
Taker = Callable[[Samples], object]  # is given a song block by block
Progress = Callable[[str, float], None]  # (what is being done, share done 0-1)

BLOCK = 1 << 16  # samples of one channel read at once
LONGEST_S = 70 * 60.0  # a roll's times are 32-bit microseconds: 71 minutes
CANCELLED = 0.01  # a mono mix with less than this share of the channels' energy has cancelled itself
RATES = (1_000, 768_000)
HEAD = 4096  # bytes that tell what a file is


@dataclass(frozen=True)
class DecodeInfo:
    """What was decoded. `gapless` is None where the format has no codec delay to write down."""

    sample_rate: int
    channels: int
    seconds: float
    decoder: str
    gapless: bool | None = None
    notes: tuple[str, ...] = ()


def decode(path: str | Path) -> tuple[Samples, int, DecodeInfo]:
    """A whole song as mono float32 at the file's own rate.

    Returns (samples, sample rate in Hz, info). Raises `Faults` in one line: missing, empty, not audio, no samples,
    too long, AAC without ffmpeg.
    """
    return decode_at(path, None)


def decode_at(path: str | Path, rate: int | None, progress: Progress | None = None) -> tuple[Samples, int, DecodeInfo]:
    """As `decode`, resampled on the way to `rate` Hz (None: the file's own)."""
    blocks: list[Samples] = []

    def begin() -> Taker:
        blocks.clear()
        return blocks.append

    info = decode_into(path, rate, begin, progress)
    return np.concatenate(blocks), rate or info.sample_rate, info


def decode_into(
    path: str | Path, rate: int | None, begin: Callable[[], Taker], progress: Progress | None = None
) -> DecodeInfo:
    """Decode a song, handing it on block by block, so that it never lies in memory whole.

    begin : gives what takes the blocks, mono float32 at `rate` (None: the file's own), in order. It is asked again,
        and what was taken before is worth nothing, when the song has to be read anew (by another decoder, or because
        its channels cancel each other).
    """
    path = Path(path)
    head = _head(path)
    with contextlib.ExitStack() as stack:
        try:
            source = stack.enter_context(_open(path))
            decoder = _decoder_name(source)
            found = _heard_alone(source, rate, path, begin, progress)
            if found[0].count == 0 and len(head) == HEAD:
                raise _NotForUs("holds no sound: 0 samples")
        except _NotForUs as reason:
            source = stack.enter_context(_open(_through_ffmpeg(path, head, str(reason), stack)))
            decoder = "ffmpeg"
            found = _heard_alone(source, rate, path, begin, progress)
        energy, notes = found
        channels, own_rate = int(source.channels), int(source.samplerate)
    if energy.count == 0:
        raise Faults.one(path, "", "holds no sound: 0 samples")
    seconds = energy.count / own_rate
    if energy.bad:
        notes.append(f"{energy.bad} samples are not numbers and were heard as silence")
    gapless = _gapless(path) if decoder.endswith("MP3") else None
    # An MP3's header is often wrong by a frame or two; without a tag it is a guess.
    broken = energy.broken or (gapless is not False and energy.claimed > 1.05 * energy.count + BLOCK // 4)
    broken = broken or _cut_short(path, head)
    if broken and seconds < 1.0:
        raise Faults.one(path, "", f"breaks off after {seconds:.2f} s: the file is damaged")
    if broken:
        notes.append(f"the file is damaged or cut short: {seconds:.1f} s of it were heard")
    if gapless is False:
        notes.append("no gapless data in this MP3: other players may start 25 to 51 ms earlier or later")
    if decoder == "ffmpeg" and head[:2] in (b"\xff\xf1", b"\xff\xf9"):
        notes.append("raw AAC says nothing of its delay: other players may start about 23 ms earlier or later")
    return DecodeInfo(own_rate, channels, seconds, decoder, gapless, tuple(notes))


class _NotForUs(Exception):
    """libsndfile does not know this content."""


@dataclass
class _Energy:
    mix: float
    channels: npt.NDArray[np.float64]
    count: int = 0
    claimed: int = 0
    bad: int = 0
    broken: bool = False


def _heard_alone(
    source: Any, rate: int | None, path: Path, begin: Callable[[], Taker], progress: Progress | None
) -> tuple[_Energy, list[str]]:
    """The mono mix; or the loudest channel alone, where the channels cancel each other in the mix."""
    if not RATES[0] <= source.samplerate <= RATES[1]:
        raise Faults.one(path, "", f"a sample rate of {source.samplerate} Hz is not one of sound")
    energy = _mono(source, rate, path, None, begin(), progress)
    loudest = int(np.argmax(energy.channels))
    if energy.mix >= CANCELLED * energy.channels[loudest] / source.channels:
        return energy, []
    source.seek(0)
    energy = _mono(source, rate, path, loudest, begin(), progress)
    return energy, [f"its channels cancel each other: channel {loudest + 1} was heard alone"]


def _head(path: Path) -> bytes:
    with reading(path, "song"), path.open("rb") as stream:
        head = stream.read(HEAD)
    if not head:
        raise Faults.one(path, "", "is empty")
    return head


@contextlib.contextmanager
def _open(path: Path) -> Iterator[Any]:
    """A sound file, opened by descriptor so that libsndfile never sees the name."""
    import soundfile

    handle = os.open(path, os.O_RDONLY | getattr(os, "O_BINARY", 0))
    try:
        try:
            with _hushed():
                source = soundfile.SoundFile(handle, closefd=False)
        except (soundfile.SoundFileError, ValueError, TypeError) as error:
            raise _NotForUs(str(error)) from None
        with source:
            yield source
    finally:
        os.close(handle)


@contextlib.contextmanager
def _hushed() -> Iterator[None]:
    """Without what C libraries say on stderr: the MP3 decoder complains there of files that it then reads well."""
    sys.stderr.flush()
    try:
        kept = os.dup(2)
    except OSError:  # no stderr at all, as under a service
        yield
        return
    try:
        with open(os.devnull, "wb") as nothing:
            os.dup2(nothing.fileno(), 2)
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)


def _decoder_name(source: Any) -> str:
    import soundfile

    kind = "MP3" if "MPEG" in f"{source.format} {source.subtype}" else f"{source.format} {source.subtype}"
    return f"libsndfile {soundfile.__libsndfile_version__}, {kind}"


def _mono(
    source: Any, rate: int | None, path: Path, only: int | None, take: Taker, progress: Progress | None
) -> _Energy:
    """Read everything; mix to mono, or take one channel; resample; hand on, block by block."""
    import soundfile

    stream = None
    if rate is not None and rate != source.samplerate:
        import soxr

        stream = soxr.ResampleStream(source.samplerate, rate, 1, dtype="float32")
    energy = _Energy(0.0, np.zeros(source.channels))
    most = int(LONGEST_S * source.samplerate)
    while True:
        try:
            with _hushed():
                block = source.read(BLOCK, dtype="float32", always_2d=True)
        except (soundfile.SoundFileError, RuntimeError):
            energy.broken, block = True, np.zeros((0, source.channels), np.float32)
        good = np.isfinite(block)
        if not good.all():
            energy.bad += int((~good).sum())
            block = np.where(good, block, np.float32(0))
        block = np.clip(block, -1e6, 1e6)
        mono = block.mean(axis=1) if only is None else block[:, only]
        energy.count += len(mono)
        energy.mix += float(np.square(mono, dtype=np.float64).sum())
        energy.channels += np.square(block, dtype=np.float64).sum(axis=0)
        if energy.count > most:
            raise Faults.one(path, "", f"is longer than {LONGEST_S / 60:.0f} minutes, the most that one show can hold")
        last = len(block) == 0
        if stream is not None:
            mono = stream.resample_chunk(np.ascontiguousarray(mono, dtype=np.float32), last=last)
        take(np.asarray(mono, dtype=np.float32).reshape(-1))
        if last:
            break
        if progress is not None and source.frames > 0:
            progress("decoding", min(1.0, energy.count / source.frames))
    energy.claimed = int(source.frames)
    return energy


# ---- formats that libsndfile does not read -----------------------------------------------------------------------


def _through_ffmpeg(path: Path, head: bytes, reason: str, stack: contextlib.ExitStack) -> Path:
    """Convert to a temporary file; only its first audio stream, and no network whatever the content asks for."""
    if head[:4] == b"MThd":
        raise Faults.one(path, "", "is a MIDI file, which has no sound: name the recording, and this one with --midi")
    kind = _kind(head)
    tool = shutil.which("ffmpeg")
    if tool is None:
        if kind:
            raise Faults.one(path, "", f"{kind} needs ffmpeg, which was not found; or convert it to WAV or FLAC")
        raise Faults.one(path, "", "is not a sound file that can be read (wav, flac, ogg, mp3; m4a with ffmpeg)")
    if kind is None and not _may_be_media(head):
        raise Faults.one(path, "", "is not a sound file")
    folder = Path(stack.enter_context(tempfile.TemporaryDirectory(prefix="song")))
    out = folder / "song.w64"
    command = [tool, "-nostdin", "-v", "error", "-protocol_whitelist", "file", "-i", f"file:{path.resolve()}"]
    command += ["-map", "0:a:0", "-t", str(LONGEST_S + 1), "-c:a", "pcm_s16le", "-f", "w64", str(out)]
    try:
        done = subprocess.run(command, capture_output=True, check=False)
    except OSError as error:
        raise Faults.one(path, "", f"ffmpeg could not be started: {error.strerror}") from None
    if done.returncode != 0 or not out.exists() or out.stat().st_size == 0:
        lines = done.stderr.decode("utf-8", "replace").strip().splitlines() or [reason]
        what = re.sub(r"^\[[^]]*\] ", "", lines[-1]).replace(f"file:{path.resolve()}: ", "")
        raise Faults.one(path, "", f"ffmpeg cannot decode it: {what[:120]}")
    return out


def _kind(head: bytes) -> str | None:
    if head[4:8] == b"ftyp":
        return "AAC (m4a, mp4)"
    if head[:1] == b"\xff" and len(head) > 1 and head[1] & 0xF6 == 0xF0:
        return "AAC"
    if head[:16] == bytes.fromhex("3026b2758e66cf11a6d900aa0062ce6c"):
        return "WMA"
    if head[:4] == b"\x1a\x45\xdf\xa3":
        return "Matroska or WebM"
    return None


def _may_be_media(head: bytes) -> bool:
    """Containers without a row of their own still go to ffmpeg; text and playlists never do."""
    try:
        text = head.decode("utf-8")
    except UnicodeDecodeError as error:
        if error.start < len(head) - 4:
            return True
        text = head[: error.start].decode("utf-8")
    return sum(not (c.isprintable() or c.isspace()) for c in text) > 0.1 * len(text)


def _cut_short(path: Path, head: bytes) -> bool:
    """Whether a WAV or AIFF file ends before the sound its head tells of (libsndfile reads such a file as whole).

    Chunks as in the RIFF specification (Microsoft and IBM, 1991) and AIFF 1.3 (Apple, 1989), from memory: a name of
    four bytes, a size of four, then that many bytes and one more if odd. Sizes of 0 and from 0x7fff0000 on stand for
    "not known": they are what programs write that stream.
    """
    kinds = {(b"RIFF", b"WAVE"): ("little", b"data"), (b"FORM", b"AIFF"): ("big", b"SSND")}
    kinds[b"FORM", b"AIFC"] = kinds[b"FORM", b"AIFF"]
    if (head[:4], head[8:12]) not in kinds:
        return False
    order, wanted = kinds[head[:4], head[8:12]]
    length, at = path.stat().st_size, 12
    with path.open("rb") as stream:
        while at + 8 <= length:
            stream.seek(at)
            name, size = stream.read(4), int.from_bytes(stream.read(4), "little" if order == "little" else "big")
            if name == wanted:
                return 0 < size < 0x7FFF0000 and at + 8 + size > length
            at += 8 + size + size % 2
    return False


def _gapless(path: Path) -> bool:
    """Whether an MP3 tells its codec delay: a Xing or Info frame with an encoder's tag (LAME, Lavc or Lavf).

    Layout from memory: the tag lies in the first frame after any ID3v2 block, whose size is four 7-bit bytes.
    """
    with path.open("rb") as stream:
        head = stream.read(10)
        skip = 0
        if head[:3] == b"ID3":
            skip = 10 + sum((byte & 0x7F) << shift for byte, shift in zip(head[6:10], (21, 14, 7, 0), strict=True))
        stream.seek(skip)
        frame = stream.read(8192)
    at = max(frame.find(b"Xing"), frame.find(b"Info"))
    if at < 0:
        return False
    tag = frame[at : at + 160]
    return any(word in tag for word in (b"LAME", b"Lavc", b"Lavf", b"L3.9"))
