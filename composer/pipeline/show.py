"""A show's folder, read and checked: score, rig, song map, clock and cues, with every fault found on the way."""

from __future__ import annotations

import shlex
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from .. import clock as clocks
from .. import effects, power, timeline
from .. import rig as rigs
from .. import score as scores
from .. import songmap as maps
from ..faults import Fault, FaultList, Faults, nearest, read_toml
from ..files import score_path

SONG_ENDINGS = {".wav", ".flac", ".ogg", ".opus", ".mp3", ".m4a", ".aac"}

T = TypeVar("T")
Tell = Callable[[str, float], None]
"""Told what is being done and how far it is, 0-1."""


def silent(what: str, share: float) -> None:
    """Tells nobody."""


@dataclass(frozen=True)
class Show:
    """A checked show, ready to render."""

    folder: Path
    score: scores.Score
    rig: rigs.Rig
    song: maps.SongMap
    clock: clocks.FrameClock
    cues: list[timeline.Cue]

    @property
    def name(self) -> str:
        """What the show's rolls are called: the song's file without its ending."""
        return self.score.song.stem

    @property
    def song_us(self) -> int:
        """Length of the song, microseconds."""
        return round(self.song.song.seconds * clocks.SECOND)


def hear(song: Path, tell: Tell = silent, path: Path | None = None, grid: str = "") -> maps.SongMap:
    """The current map of a song with its fixes applied: read if it still stands, else heard and saved.

    The map lies beside the song unless `path` says otherwise. It goes on knowing the bar numberings that scores beside
    the song are written against, and `grid`. Raises `Faults` (no such song, not a song, bad fixes).
    """
    if song.is_dir():
        raise Faults.one(song, "", "this is a folder, not a song")
    if song.name != song.name.encode(errors="replace").decode():  # maps and scores, which name it, are UTF-8
        raise Faults.one(song, "", "its name is not UTF-8: rename it")
    fixes = maps.load_fixes(maps.fixes_path(song))
    path = path or maps.map_path(song)
    earlier = _map_if_sound(path)
    if earlier is not None and maps.current(earlier, song, fixes):
        return earlier
    named = maps.named_by_scores(song) | {grid}
    if earlier is not None and _still_heard(earlier, song):
        fixed = maps.apply_fixes(earlier, fixes, named)  # only the fixes changed: no need to listen again
    else:
        from .. import analysis

        heard = analysis.listen(song, tell)
        if earlier is not None:
            heard = maps.succeeding(heard, earlier)
        try:
            fixed = maps.apply_fixes(heard, fixes)
        except Faults as error:
            other = maps.misplaced(heard, fixes)
            raise Faults([*([Fault(str(song), "", other)] if other else []), *error.faults]) from None
        if earlier is not None and earlier.song.sha256 == fixed.song.sha256 and earlier.grid != fixed.grid:
            fixed = maps.remember(fixed, earlier, named)
    maps.save_map(fixed, path)
    return fixed


def _map_if_sound(path: Path) -> maps.SongMap | None:
    """The map beside a song. A map is derived, so one that is missing or damaged is made anew without a word."""
    try:
        return maps.load_map(path) if path.exists() else None
    except Faults:
        return None


def _still_heard(earlier: maps.SongMap, song: Path) -> bool:
    return earlier.heard.get("hearing") == maps.HEARING and earlier.song.sha256 == maps.file_sha256(song)


def load_show(folder: Path, tell: Tell = silent) -> Show:
    """Read and check a show: its folder, or its score file. Raises `Faults` with all that is wrong in all its files."""
    path = score_path(folder)
    if not path.exists():
        raise no_score(path)
    faults: list[Fault] = []
    document = _kept(faults, lambda: read_toml(path))
    if document is None:  # which rig it names is not known; the usual one is read all the same
        if path.with_name("rig.toml").exists():
            _kept(faults, lambda: _rig(path.with_name("rig.toml"), faults))
        raise Faults(faults)
    if "shows" in document and "song" not in document:
        raise Faults.one(path, "", "is an evening, which play and load take: name the folder of one of its shows")
    if "string" in document and "song" not in document:
        raise Faults.one(path, "", "is a rig: name the folder of a show, which has a score.toml")
    _kept(faults, effects.load_added)
    score_faults = FaultList(path)
    score = scores.score_from(document, path, score_faults)
    rig = None
    if _names_a_rig(score, document, score_faults):
        rig = _kept(faults, lambda: _rig(score.rig, faults))
    song = None
    if _names_a_song(score, document, score_faults):
        song = _kept(faults, lambda: hear(score.song, tell, grid=score.grid))
    show = None
    if rig is not None:  # a song that is missing hides none of these
        timeline.check_zones(score, rig, score_faults)
        measured = rig
        _kept(faults, lambda: power.calibrated(measured))
    if song is not None and score.grid not in ("", song.grid):
        # Its addresses mean other moments now: where they fall is not worth telling.
        score_faults.add("grid", _other_bars(score.grid, song))
    elif rig is not None and song is not None:
        clock = clock_of(rig, song, score.rate)
        if clock.frames == 0:
            faults.append(_too_short(score, rig, song))
        else:
            cues = timeline.lay(score, song, rig, clock, score_faults)
            show = Show(path.parent, score, rig, song, clock, cues)
            if score_faults.faults:
                score_faults.faults[:0] = another_song(score, song)
    faults = [*score_faults.faults, *faults]
    if faults or show is None:
        raise Faults(faults)
    return show


def _other_bars(grid: str, song: maps.SongMap) -> str:
    written = f'written against the bars "{grid}", the song map has "{song.grid}"'
    way = "glowscore renumber moves it" if song.numbering(grid) is not None else maps.ways_out(song)
    return f"{written}: {way}"


def another_song(score: scores.Score, song: maps.SongMap) -> list[Fault]:
    """Where a score has faults: that its song's corrections were made for another recording, which may be why."""
    other = maps.misplaced(song, maps.load_fixes(maps.fixes_path(score.song)))
    return [Fault(str(score.path), "song", other)] if other else []


def rig_of(show: Path) -> rigs.Rig:
    """The rig of a show's folder or score, of a rig file, or of a folder with a rig alone: to be drawn or wired, a rig
    needs no song. Raises `Faults`."""
    path = show
    if show.suffix != ".toml":
        path = show / "score.toml"
        if not path.exists() and path.with_name("rig.toml").exists():
            return rigs.load_rig(path.with_name("rig.toml"))
        if not path.exists():
            if show.is_file():
                raise Faults.one(show, "", "is no show and no rig: name a show's folder or a rig file, rig.toml")
            raise Faults.one(show, "", "no rig.toml and no score.toml in it" if show.is_dir() else "no such folder")
    document = read_toml(path)
    if "shows" in document:
        raise Faults.one(path, "", "is an evening, with a rig for each of its shows: name one show, or a rig file")
    if path == show and "song" not in document and path.name != "score.toml":
        return rigs.load_rig(path)
    name = document.get("rig", "rig.toml")
    return rigs.load_rig(path.with_name("rig.toml") if not isinstance(name, str) else path.parent / name)


def files_of(show: Path) -> list[Path]:
    """What a person made of a show: score, song, corrections, rig, and the drawings and places that its strings name.

    As far as they can be read: what is wrong in them is for others to tell.
    """
    score = score_path(show)
    document = _readable(score)
    song, rig = document.get("song"), document.get("rig", "rig.toml")
    found = [score, *(score.parent / name for name in (song, rig) if isinstance(name, str))]
    if isinstance(song, str) and (score.parent / song).name:
        found.append(maps.fixes_path(score.parent / song))
    for path in (score, score.parent / rig if isinstance(rig, str) else score):
        strings = _readable(path).get("string")
        for string in strings.values() if isinstance(strings, dict) else ():
            names = [string.get(key) for key in ("csv", "svg")] if isinstance(string, dict) else []
            found += [path.parent / name.partition("#")[0] for name in names if isinstance(name, str)]
    return found


def _readable(path: Path) -> dict[str, Any]:
    try:
        return read_toml(path)
    except Faults:
        return {}


def no_score(path: Path) -> Faults:
    """There is no score where a show was named: with a rig beside it, a first one can be drafted."""
    if path.parent.is_file():
        return Faults.one(path.parent, "", "is no show: a show is a folder with a score.toml")
    what = "no such file: a show is a folder with a score.toml"
    if path.with_name("rig.toml").exists():
        folder = shlex.quote(str(path.parent))
        what = f"no such file: with a song in the folder, glowscore draft {folder} writes a first one"
    return Faults.one(path, "", what)


def _names_a_song(score: scores.Score, document: Mapping[str, Any], found: FaultList) -> bool:
    """Whether the song that a score names is there to be heard; else that is told, with the file that may be meant."""
    if any(fault.where == "song" for fault in found.faults):
        return False
    if not score.song.name:  # "/", or "." where the show is
        found.add("song", f'"{document.get("song")}": this is a folder, not a song')
        return False
    if score.song.exists():
        return True
    try:
        beside = [path.name for path in score.song.parent.iterdir() if path.suffix.lower() in SONG_ENDINGS]
    except OSError:
        beside = []
    near = nearest(score.song.name, beside) or (f'"{beside[0]}"' if len(beside) == 1 else "")
    found.add("song", f'"{document.get("song")}": no such file', near)
    return False


def _names_a_rig(score: scores.Score, document: Mapping[str, Any], found: FaultList) -> bool:
    """False where a score names a rig that is not there and another may be meant, which is told. A rig that is missing
    with nothing like it is for its reader to tell."""
    name = document.get("rig")
    if not isinstance(name, str) or score.rig.exists():
        return True
    try:
        beside = [path.name for path in score.rig.parent.glob("*.toml") if not path.name.endswith(".fix.toml")]
    except OSError:
        beside = []
    near = nearest(score.rig.name, [path for path in beside if path != "score.toml"])
    if near:
        found.add("rig", f'"{name}": no such file', near)
    return not near


def _too_short(score: scores.Score, rig: rigs.Rig, song: maps.SongMap) -> Fault:
    slow = max(rig.controllers, key=rig.frame_us)
    ms, song_ms = rig.frame_us(slow) / 1000, song.song.seconds * 1000
    if song_ms < ms:
        return Fault(str(score.song), "", f"lasts {song_ms:.3g} ms; one frame of controller {slow} takes {ms:.3g} ms")
    return Fault(str(score.rig), f"controller.{slow}", f"one frame takes {ms:.0f} ms, longer than a beat")


def _rig(path: Path, faults: list[Fault]) -> rigs.Rig | None:
    """The rig as far as it can be read: with faults in it the score is still checked against its zones."""
    found = FaultList(path)
    rig = rigs.rig_from(read_toml(path), path, found)
    faults.extend(found.faults)
    return rig if rig.strings and rig.controllers else None


def _kept(faults: list[Fault], make: Callable[[], T]) -> T | None:
    try:
        return make()
    except Faults as error:
        faults.extend(error.faults)
        return None


def clock_of(rig: rigs.Rig, song: maps.SongMap, rate: float) -> clocks.FrameClock:
    """The frame clock that every controller of a rig can keep, its groups small enough for every board's memory."""
    song_us = round(song.song.seconds * clocks.SECOND)
    grid = clocks.BarGrid.of(song.beats, song.bars, song.beats_per_bar, song_us)
    return clocks.frame_clock(grid, song_us, rate, rig.shortest_frame_us, most_group_frames(rig))


def most_group_frames(rig: rigs.Rig) -> int:
    """Frames a group may hold so that a board can keep two of them in a third of its memory."""
    most = clocks.GROUP_FRAMES
    for name, controller in rig.controllers.items():
        frame_bytes = sum(string.frame_bytes for string in rig.strings_of(name))
        if frame_bytes:
            most = min(most, controller.board.ram_bytes // 3 // 2 // frame_bytes)
    return max(1, most)
