"""The verbs `new` and `draft`: a folder to start from, and a first score in it."""

from __future__ import annotations

import os
import shutil
from dataclasses import replace
from pathlib import Path

from .draft import draft
from .faults import Faults, read_toml
from .files import write_text
from .pipeline.show import SONG_ENDINGS, Tell, hear, silent
from .rig import load_rig

RIG = """\
# The rig: what hangs where, on which pin, fed from which supply. One string to start from: make it yours.
format = 1

[supply.main]
volts = 5.0
amps = 10.0
usable = 0.8                    # share of it that a show may use

[controller.board]
board = "pico"                  # or pico-w, pico-2, esp32, esp32-s3
supply = "main"

[string.rail]
controller = "board"
pin = 16
pixels = 150
chip = "ws2812b"
path = [[0, 1], [5, 1]]         # metres; pixels evenly along it
cut = [50, 100]                 # V+ is cut before these pixels: three pieces, each fed in its middle, so that a small
                                # fuse carries its piece, and a short at its far end still blows it

[[string.rail.feed]]
at = 25                         # before pixel 25; or "start", "end"
supply = "main"
wire = {awg = 14, metres = 2.5} # one way
fuse = 3                        # amperes

[[string.rail.feed]]
at = 75
supply = "main"
wire = {awg = 14, metres = 1.0}
fuse = 3

[[string.rail.feed]]
at = 125
supply = "main"
wire = {awg = 14, metres = 2.5}
fuse = 3

[zone]
left = ["rail[0:75]"]
right = ["rail[75:150] reversed"]
"""


def new(folder: Path, song: Path | None, tell: Tell = silent) -> list[Path]:
    """Make a show's folder: rig.toml, and with a song a copy of it, its map and a drafted score.

    Nothing that is there is overwritten. Returns what was made; raises `Faults`.
    """
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise Faults.one(folder, "", "is there already and not empty: name a new folder")
    if song is not None and not song.is_file():
        raise Faults.one(song, "", "no such file")
    there = folder.exists()  # and perhaps where somebody stands: then it stays, and is filled
    draft_folder = (folder if there else folder.parent) / f".{folder.name}.{os.getpid()}.new"
    try:
        draft_folder.mkdir(parents=True)
        (draft_folder / "rig.toml").write_text(RIG, encoding="utf-8")
        if song is not None:
            shutil.copyfile(song, draft_folder / song.name)
            write_draft(draft_folder, song.name, tell=tell)
        if there:
            for made in list(draft_folder.iterdir()):
                os.replace(made, folder / made.name)
        else:
            os.replace(draft_folder, folder)
    except Faults as error:
        # The song's fault, not that of the copy in the making.
        copy = draft_folder / song.name if song is not None else None
        raise Faults(replace(f, file=str(song)) if Path(f.file) == copy else f for f in error.faults) from None
    except OSError as error:
        raise Faults.one(folder, "", f"cannot be made: {error.strerror or error}") from None
    finally:
        shutil.rmtree(draft_folder, ignore_errors=True)
    return sorted(folder.iterdir())


def write_draft(folder: Path, song_name: str, rig_name: str = "rig.toml", tell: Tell = silent) -> Path:
    """Write `score.toml` for a song and a rig, both named from the folder. Raises `Faults`."""
    rig = load_rig(folder / rig_name)
    song = hear(folder / song_name, tell)
    path = folder / "score.toml"
    text = draft(song, rig, song_name, rig_name)
    write_text(path, text)
    return path


def redraft(folder: Path, force: bool = False, tell: Tell = silent) -> Path:
    """The verb `draft`: a first score for the song in a show's folder, which its score.toml names, too, there or not.
    Never over a score without `force`."""
    folder = folder.parent if folder.name == "score.toml" else folder
    path = folder / "score.toml"
    if path.exists() and not force:
        raise Faults.one(path, "", "is there already: --force drafts over it")
    names = read_toml(path) if path.exists() else {}
    song, rig = names.get("song"), names.get("rig")
    song_name = song if isinstance(song, str) else _only_song(folder)
    return write_draft(folder, song_name, rig if isinstance(rig, str) else "rig.toml", tell)


def _only_song(folder: Path) -> str:
    """The only sound file in a folder, by its ending."""
    if not folder.is_dir():
        raise Faults.one(folder, "", "is a file: name the show's folder" if folder.exists() else "no such folder")
    found = sorted(p.name for p in folder.iterdir() if p.suffix.lower() in SONG_ENDINGS)
    if len(found) != 1:
        what = "no song" if not found else f"{len(found)} songs ({', '.join(found)})"
        raise Faults.one(folder, "", f"holds {what}: a draft needs one")
    return found[0]
