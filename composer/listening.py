"""The verb `listen`: hear a song, apply what a person says of it, write the map and a click track."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from . import songmap as maps
from .faults import Fault, Faults, counted
from .files import whole_file
from .pipeline.show import Tell, hear, silent

SAID = ("tempo", "beats_per_bar", "shift", "level")  # options that stand in the fixes as they are given
NAMED = 8  # labels that are named one by one: an imported MIDI file brings dozens


def changes_of(given: Mapping[str, Any], song: Path) -> dict[str, Any]:
    """What the options of `listen` change in STEM.fix.toml, but for those that read a file.

    Twice or half as many beats count from the correction in force, so that the one takes the other back; everything
    else is said anew. Raises `Faults` for options that contradict each other.
    """
    fixes = maps.load_fixes(_fixes_of(song))
    changes: dict[str, Any] = dict.fromkeys(maps.BEAT_KEYS) if given.get("as_heard") else {}
    level = "" if given.get("as_heard") else fixes.level
    changes |= {key: given[key] for key in SAID if given.get(key) is not None}
    words = [f"--{word}" for word in ("double", "halve", "level") if given.get(word)]
    if given.get("tempo") and given.get("level") != "off-beat":
        words = ["--tempo", *words]
    if len(words) > 1:
        every = f"{' and '.join(words)} both" if len(words) == 2 else f"{', '.join(words)} all"
        raise Faults.one("listen", "", f"{every} say how fast the beat is: give one of them")
    if given.get("double") or given.get("halve"):
        try:
            changes["level"] = maps.stepped(level, "double" if given.get("double") else "half") or None
        except ValueError as error:
            raise Faults.one("listen", words[0], f"{error}: --as-heard takes that back") from None
    if given.get("tempo") and not given.get("level") and level != "off-beat":
        changes["level"] = None  # the tempo is about this, whatever was said before
    return changes


def _fixes_of(song: Path) -> Path:
    """Where a song's corrections lie. Raises `Faults` where a folder was named."""
    if song.is_dir():
        raise Faults.one(song, "", "is a folder: name the song itself")
    return maps.fixes_path(song)


def changes_from(labels: Path | None, midi: Path | None, seconds: float) -> tuple[dict[str, Any], list[str]]:
    """What label text and a MIDI file set in STEM.fix.toml, for a song of a length; and what the MIDI file lacked."""
    from . import interchange

    changes: dict[str, Any] = {}
    warnings: list[str] = []
    if midi is not None:
        read = interchange.read_midi(midi)
        warnings = [f"{midi}: {warning}" for warning in read.warnings]
        changes.update(interchange.to_fixes(read, seconds=seconds))
        if "grid" in changes:
            changes["level"] = None  # the beats are those of the file
    if labels is not None:
        changes["labels"] = {**changes.get("labels", {}), **interchange.read_labels(labels)}
    return changes, warnings


def listen(
    song: Path,
    *,
    out: Path | None = None,
    clicks: Path | None = None,
    changes: Mapping[str, Any] | None = None,
    labels: Path | None = None,
    midi: Path | None = None,
    tell: Tell = silent,
) -> tuple[maps.SongMap, list[str]]:
    """Hear a song; write its map (beside it, or to `out`), its fixes when anything is to change, its clicks.

    `changes` as `changes_of` gives them. Returns the map and warnings, a line each. Raises `Faults`; the fixes that
    were there are then as before.
    """
    path = _fixes_of(song)
    if clicks is not None and clicks.suffix.lower() != ".wav":
        raise Faults.one(clicks, "", "clicks are written as .wav")
    heard = hear(song, tell, out)  # first: no fixes for a song that cannot be heard
    more, warnings = changes_from(labels, midi, heard.song.seconds)
    if again := _brought_before(maps.load_fixes(path), more.get("notes", {}), heard.song.seconds):
        more["labels"] = {**dict.fromkeys(again), **more.get("labels", {})}
    level = (changes or {}).get("level")
    changes = {**(changes or {}), **more, **({"level": level} if level else {})}
    if any(value is not None for value in changes.values()) or (changes and path.exists()):
        before = path.read_bytes() if path.exists() else None
        try:
            _write_said(path, changes, song.name)
            heard = hear(song, tell, out)
        except Faults:
            if before is None:
                path.unlink(missing_ok=True)
            else:
                path.write_bytes(before)
            raise
    notes = [at for name, times in heard.labels.items() if name.startswith("midi ") for at in times]
    if midi is not None and astray(notes, [at for band in heard.onsets.values() for at, _ in band]):
        warnings.append(
            f"{midi}: its notes do not lie where something is heard: is {song.name} its recording, from its very "
            f"beginning? --shift moves {'its beats and notes' if 'grid' in more else 'the beats, the notes stay'}"
        )
    if clicks is not None:
        write_clicks(song, heard, clicks)
    return heard, warnings


def _write_said(path: Path, changes: Mapping[str, Any], song: str) -> None:
    """The fixes with what options said; what is wrong with it is the option's, not that of the file."""
    said = {key: f"--{key.replace('_', '-')}" for key in SAID if changes.get(key) is not None}
    try:
        maps.write_fixes(path, changes, song)
    except Faults as error:
        raise Faults(
            Fault("listen", said[fault.where], fault.what, fault.hint) if fault.where in said else fault
            for fault in error.faults
        ) from None


def _brought_before(fixes: maps.Fixes, notes: Mapping[str, Sequence[float]], seconds: float) -> list[str]:
    """Labels that are this file's notes, left where they are by an earlier Glowscore: they would not move along."""
    kept = {name: tuple(at for at in times if at <= seconds) for name, times in notes.items()}
    return [name for name, times in fixes.labels.items() if name in kept and tuple(times) == kept[name]]


def astray(notes: Sequence[float], onsets: Sequence[float], most_s: float = 2.0) -> bool:
    """Whether notes lie elsewhere than what is heard, both in seconds: at some other distance half as many again of
    them meet an onset as within 30 ms. A distance of whole beats may go unseen."""
    import numpy as np

    if len(notes) < 8 or len(onsets) < 8:
        return False
    few = np.asarray(sorted(notes))[:: len(notes) // 2000 + 1]
    apart = np.subtract.outer(np.asarray(onsets), few).ravel()
    counts, edges = np.histogram(apart, np.arange(-most_s - 0.01, most_s + 0.02, 0.02))
    met = np.convolve(counts, np.ones(3), "same")
    here = met[np.abs(edges[:-1] + 0.01) < 0.015].max()
    return bool(met.max() > 1.5 * here)


def write_clicks(song: Path, heard: maps.SongMap, path: Path) -> None:
    """The song, softened, with a click on every beat and a higher one on bar lines, as WAV at the song's own rate.

    A click is 30 ms of a decaying sine: 1,000 Hz, on bar lines 1,500 Hz; it starts on the beat's own sample.
    """
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
    with whole_file(path) as draft, draft.open("wb") as file:
        soundfile.write(file, mixed, rate, subtype="PCM_16", format="WAV")


def write_for_others(heard: maps.SongMap, midi: Path | None = None, labels: Path | None = None) -> None:
    """The map for other programs: a MIDI file of tempo, metre and markers; label text of sections and labels."""
    if midi is None and labels is None:
        return
    from . import interchange

    if midi is not None:
        interchange.write_midi(midi, heard)
    if labels is not None:
        interchange.write_labels(labels, interchange.labels_of(heard))


def summary(heard: maps.SongMap, song: Path | None = None) -> str:
    """What was heard, in a few lines; with its `song` also which corrections of STEM.fix.toml are in force."""
    file = heard.song
    lines = [f"{file.file}: {file.seconds:.1f} s at {file.sample_rate} Hz, decoded by {file.decoder}"]
    fixes = maps.Fixes() if song is None else maps.load_fixes(_fixes_of(song))
    if said := corrections(fixes):
        lines.append(f"corrections in force, from {Path(fixes.file).name}: {'; '.join(said)}")
    if other := maps.misplaced(heard, fixes):
        lines.append(f"{other}: are they right for it? --as-heard takes those of beats and bars back")
    if not heard.beats:
        return "\n".join([*lines, "no clear beat: the show gets an even clock; --tempo sets one"])
    sure = f"confidence {heard.confidence:.2f}"
    lines += [
        f"{heard.tempo:.1f} beats a minute, {counted(len(heard.beats), 'beat')}, "
        f"{counted(len(heard.bars), 'bar')} of {heard.beats_per_bar}, {sure}",
        "sections: " + ", ".join(f"{s.name} {s.start:.1f}-{s.end:.1f} s" for s in heard.sections),
    ]
    if fixes.tempo and not fixes.grid and heard.heard["beats"] and maps.near_tempo(heard, fixes.tempo) is None:
        lines.append(
            f"nothing that was heard goes at {fixes.tempo:g}: an even beat is laid. What was heard goes at "
            f"{maps.tempo_of(heard.heard['beats']):.1f} (--as-heard)"
        )
    if heard.confidence < 0.5:
        lines.append(
            "not sure of the beat: check by ear with --clicks FILE.wav; --double, --halve and --shift put it right"
        )
    return "\n".join(lines)


def corrections(fixes: maps.Fixes) -> list[str]:
    """What a person corrected, a few words each, in the order in which it is applied."""
    said = []
    if fixes.grid is not None:
        said.append(f"{len(fixes.grid.beats)} beats given whole")
    if fixes.tempo is not None:
        said.append(f"tempo {fixes.tempo:g}")
    if fixes.level:
        said.append(f"level {fixes.level}")
    parts = {"beats": fixes.shift.beats, "bars": fixes.shift.bars, "seconds": fixes.shift.seconds}
    if any(parts.values()):
        said.append("shift " + " ".join(f"{float(length):g} {unit}" for unit, length in parts.items() if length))
    if fixes.beats_per_bar is not None:
        said.append(f"{fixes.beats_per_bar} beats a bar")
    if fixes.first_bar is not None:
        said.append(f"bar 1 at {fixes.first_bar:g} s")
    said += [f"bar {anchor.bar} at {anchor.at:g} s" for anchor in fixes.anchors]
    if fixes.sections:
        said.append(f"{counted(len(fixes.sections), 'section')} of your own")
    if fixes.section_names:
        said.append("sections named " + ", ".join(f"{old} {new}" for old, new in fixes.section_names.items()))
    if names := list({**fixes.labels, **fixes.notes}):
        more = [f"and {len(names) - NAMED} more"] if len(names) > NAMED else []
        said.append("labels " + ", ".join([*names[:NAMED], *more]))
    return said
