"""The verb `listen`: hear a song, apply what a person says of it, write the map and a click track."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from . import songmap as maps
from .faults import Faults
from .pipeline.show import Tell, hear, silent


def changes_of(given: Mapping[str, Any]) -> dict[str, Any]:
    """What the options of `listen` set in STEM.fix.toml."""
    changes: dict[str, Any] = {}
    if given["tempo"] is not None:
        changes["tempo"] = given["tempo"]
    if given["beats_per_bar"] is not None:
        changes["beats_per_bar"] = given["beats_per_bar"]
    if given["shift"] is not None:
        changes["shift"] = given["shift"]
    if given["double"] and given["halve"]:
        raise Faults.one("listen", "", "--double and --halve cancel out: give one of them")
    if given["double"] or given["halve"]:
        changes["level"] = "double" if given["double"] else "half"
    for key in ("labels", "midi"):
        if given[key] is not None:
            changes.update(_from_file(key, given[key]))
    return changes


def _from_file(key: str, path: Path) -> dict[str, Any]:
    from . import interchange

    if key == "midi":
        return dict(interchange.to_fixes(interchange.read_midi(path)))
    return {"labels": interchange.read_labels(path)}


def listen(
    song: Path, *, out: Path | None = None, clicks: Path | None = None, changes: Mapping[str, Any], tell: Tell = silent
) -> maps.SongMap:
    """Hear a song; write its map (beside it, or to `out`), its fixes when there are `changes`, its clicks.

    Raises `Faults`.
    """
    maps.file_sha256(song)  # no fixes for a song that is not there
    if changes:
        maps.write_fixes(maps.fixes_path(song), changes, song.name)
    heard = hear(song, tell, out)
    if clicks is not None:
        write_clicks(song, heard, clicks)
    return heard


def write_clicks(song: Path, heard: maps.SongMap, path: Path) -> None:
    """The song, softened, with a click on every beat and a higher one on bar lines, as WAV at the song's own rate.

    A click is 30 ms of a decaying sine: 1,000 Hz, on bar lines 1,500 Hz; it starts on the beat's own sample.
    """
    import os

    import numpy as np
    import soundfile

    from . import analysis

    samples, rate, _ = analysis.decode(song)
    mixed = 0.5 * samples / max(1.0, float(np.abs(samples).max(initial=0.0)))
    length = int(0.03 * rate)
    at = np.arange(length) / rate
    bars = set(heard.bars)
    for number, beat in enumerate(heard.beats):
        click = 0.5 * np.sin(2 * np.pi * (1500 if number in bars else 1000) * at) * np.exp(-at / 0.008)
        first = round(beat * rate)
        part = mixed[first : first + length]
        part += click[: len(part)].astype(mixed.dtype)
    draft = path.with_name(f".{path.name}.{os.getpid()}.tmp.wav")
    try:
        soundfile.write(draft, mixed, rate, subtype="PCM_16", format="WAV")
        os.replace(draft, path)
    except (OSError, soundfile.LibsndfileError) as error:
        raise Faults.one(path, "", f"cannot be written: {getattr(error, 'strerror', None) or error}") from None
    finally:
        draft.unlink(missing_ok=True)


def summary(heard: maps.SongMap) -> str:
    """What was heard, in a few lines."""
    song = heard.song
    head = f"{song.file}: {song.seconds:.1f} s at {song.sample_rate} Hz, decoded by {song.decoder}"
    if not heard.beats:
        return f"{head}\nno clear beat: the show gets an even clock; --tempo sets one"
    sure = f"confidence {heard.confidence:.2f}"
    lines = [
        head,
        f"{heard.tempo:.1f} beats a minute, {len(heard.beats)} beats, {len(heard.bars)} bars of {heard.beats_per_bar}, {sure}",
        "sections: " + ", ".join(f"{s.name} {s.start:.1f}-{s.end:.1f} s" for s in heard.sections),
    ]
    if heard.confidence < 0.5:
        lines.append(
            "not sure of the beat: check by ear with --clicks FILE.wav; --double, --halve and --shift put it right"
        )
    return "\n".join(lines)
