"""The arguments of the command `glowscore`, and its help."""

from __future__ import annotations

import argparse
import math
import os
import re
from pathlib import Path
from typing import Any, NoReturn

from . import __version__
from .faults import nearest

LEVELS = ("double", "half", "quadruple", "quarter", "off-beat", "3:2", "2:3")  # as songmap has them


class _Parser(argparse.ArgumentParser):
    def parse_known_args(self, args: Any = None, namespace: Any = None) -> Any:
        given, rest = super().parse_known_args(args, namespace)
        if rest and self.prog.count(" "):  # a verb's own words: the whole command line would not know its options
            if not rest[0].startswith("-"):
                self.error(f"{rest[0]} is one word too many")
            near = nearest(rest[0].partition("=")[0], self._option_string_actions).strip('"')
            self.error(f"there is no {rest[0]}" + (f" (did you mean {near}?)" if near else ""))
        return given, rest

    def error(self, message: str) -> NoReturn:
        chosen = re.search(r"invalid choice: '(.*?)' \(choose from (.*)\)$", message)
        if chosen:  # a dozen verbs in a row help less than the one that was meant
            words = [word.strip("' ") for word in chosen[2].split(",")]
            near = nearest(chosen[1], words)
            if near or len(words) > len(LEVELS):
                message = message.partition(" (choose")[0] + (f" (did you mean {near}?)" if near else "")
        if message == "argument --shift: expected one argument":  # -20ms looks like an option
            message += ', with a minus sign --shift="-20 ms"'
        kind = re.search(r"invalid (float|int) value: '(.*)'$", message)
        if kind:
            message = f"{message[: kind.start()]}needs a {'' if kind[1] == 'float' else 'whole '}number, got {kind[2]}"
        self.exit(2, f"{self.prog}: {message}\n")


def parser() -> argparse.ArgumentParser:
    """The whole command line."""
    top = _Parser(prog="glowscore", description="Light shows in time with a song, for addressable LED strings.")
    top.add_argument("--version", action="version", version=f"glowscore {__version__}")
    verbs = top.add_subparsers(dest="verb", metavar="VERB", parser_class=_Parser)

    def verb(name: str, help: str) -> argparse.ArgumentParser:
        return verbs.add_parser(name, help=help, description=f"{help[0].upper()}{help[1:]}.")

    add = verb("new", "a folder to start from: the song, what was heard in it, a rig and a first score")
    add.add_argument("folder", type=Path, metavar="DIR", help="the folder to make")
    add.add_argument("song", type=Path, nargs="?", metavar="SONG", help="a sound file, copied into it")

    add = verb("draft", "a first score from the song map, as text to edit")
    _show(add)
    add.add_argument("--force", action="store_true", help="write over the score that is there")

    add = verb("listen", "hear a song: beats, bars, onsets, sections, into STEM.map.json beside it")
    add.add_argument("song", type=Path, metavar="SONG", help="a sound file")
    add.add_argument("-o", "--out", type=Path, metavar="FILE", help="write the map here instead")
    add.add_argument(
        "--clicks", type=Path, metavar="FILE.wav", help="the song with a click on every beat, higher on bar lines"
    )
    add.add_argument("--tempo", type=float, metavar="BPM", help="fix: the tempo is about this")
    add.add_argument("--beats-per-bar", type=int, metavar="N", help="fix: beats in a bar")
    add.add_argument("--shift", metavar="SPAN", help='fix: move what was heard by "20 ms", "-0.05 s" or "1 beat"')
    add.add_argument("--double", action="store_true", help="fix: twice as many beats as now; takes --halve back")
    add.add_argument("--halve", action="store_true", help="fix: half as many beats as now; takes --double back")
    add.add_argument("--as-heard", action="store_true", help="take every correction of beats and bars back")
    add.add_argument(
        "--labels", type=Path, metavar="FILE", help="take moments from label text: start, tab, end, tab, name"
    )
    add.add_argument(
        "--level", choices=LEVELS, metavar="NAME", help="fix: another reading of the beat, such as off-beat or half"
    )
    add.add_argument("--midi", type=Path, metavar="FILE", help="take beats, bars and notes from a MIDI file")
    add.add_argument(
        "--midi-out", type=Path, metavar="FILE", help="beats, bars and sections for a DAW, in step with the song"
    )
    add.add_argument("--labels-out", type=Path, metavar="FILE", help="sections and labels as label text")
    _json(add)

    add = verb("check", "read and check a show's files, render nothing")
    _show(add)
    _json(add)

    add = verb("renumber", "move a score's addresses after the bars changed, showing the difference first")
    _show(add)
    add.add_argument("--dry-run", action="store_true", help="only show the difference")

    add = verb("bake", "render, limit, write and audit a show: one roll for each controller")
    _show(add)
    add.add_argument("-o", "--out", type=Path, metavar="DIR", help="write here instead of SHOW/out")
    add.add_argument("--small", action="store_true", help="search longer for smaller rolls")
    add.add_argument("--jobs", type=_jobs, default=1, metavar="N", help="processes that render (0: one for each core)")
    add.add_argument("--dask", metavar="ADDRESS", help="the workers of a Dask scheduler render instead")
    add.add_argument("--limiter", choices=("on", "warn", "off"), help="instead of what the score says")
    add.add_argument("--soften", action="store_true", help="soften the clips that flash too often")
    add.add_argument("--strict", action="store_true", help="too many flashes fail the show")
    add.add_argument("--no-red", action="store_true", help="whatever is red in the audit fails the show")
    add.add_argument("--distance", type=_metres, metavar="METRES", help="how far the nearest viewers are")
    _json(add)

    add = verb("audit", "amperes, volts and flashes of what is baked, frame by frame")
    add.add_argument("show", type=Path, nargs="?", metavar="SHOW", help="the show's folder")
    add.add_argument("--roll", type=Path, nargs="+", metavar="FILE", help="audit these rolls instead of a show's")
    add.add_argument("--rig", type=Path, metavar="FILE", help="the rig that the rolls are for")
    add.add_argument("-o", "--out", type=Path, metavar="DIR", help="where the rolls lie and the audit goes (SHOW/out)")
    add.add_argument(
        "--csv", type=Path, metavar="FILE", help="one row for each frame: time, musical time, amperes of each supply"
    )
    add.add_argument("--strict", action="store_true", help="too many flashes fail the show")
    add.add_argument("--no-red", action="store_true", help="whatever is red in the audit fails the show")
    add.add_argument("--distance", type=_metres, metavar="METRES", help="how far the nearest viewers are")
    _json(add)

    add = verb("studio", "a page in the browser to see, hear and change a show, served on this computer alone")
    _show(add)
    add.add_argument("--port", type=_port, default=0, metavar="N", help="the port to listen on; a free one if left out")
    add.add_argument("--no-open", action="store_true", help="only print the address, open no browser")

    add = verb("film", "every zone over the whole song as a picture, or the rig at night as an mp4 with sound")
    _show(add)
    add.add_argument("-o", "--out", type=Path, metavar="FILE", help="a .png or .mp4, instead of SHOW/out/film.png")

    add = verb("rig", "the rig drawn to scale, with zones, pixel numbers and feeds")
    _show(add)
    add.add_argument("-o", "--out", type=Path, metavar="FILE", help="an SVG or PNG, instead of SHOW/out/rig.svg")

    add = verb("play", "show night: the sound, the boards in step with it, from a show or an evening.toml")
    add.add_argument("shows", type=Path, nargs="*", metavar="SHOW", help="shows in order, or one evening.toml")
    add.add_argument("--port", action="append", metavar="PORT", help="a board's serial port (all on USB)")
    add.add_argument(
        "--network", nargs="*", metavar="ADDRESS", help="boards on the network too: these, or whoever answers"
    )
    add.add_argument("--partly", action="store_true", help="play although boards are missing")
    add.add_argument("--no-boards", action="store_true", help="only the sound, and E1.31")
    add.add_argument("--no-sound", action="store_true", help="another player has the sound")
    add.add_argument("--device", metavar="NAME", help="the sound device, by name or number")
    add.add_argument("--devices", action="store_true", help="list the sound devices")
    add.add_argument("--offset", type=_offset, metavar="MS", help="light this much later: from the clap test")
    add.add_argument("--clap", action="store_true", help="the clap test: trim the light to the sound, once")
    add.add_argument("--e131", metavar="HOST", help='ANSI E1.31 to this receiver, or "multicast"')
    add.add_argument("--universe", type=int, default=1, metavar="N", help="its first universe (1)")

    add = verb("load", "copy what was baked to the boards that are plugged in, and verify it there")
    add.add_argument("shows", type=Path, nargs="+", metavar="SHOW", help="shows in order, or one evening.toml")
    add.add_argument("-o", "--out", type=Path, metavar="DIR", help="where they were baked to, instead of SHOW/out")
    add.add_argument("--controller", metavar="NAME", help="only this controller's board")
    add.add_argument("--port", action="append", default=[], metavar="PORT", help="a board's serial port (all on USB)")
    add.add_argument("--wiring", action="store_true", help="only player and settings, and start the wiring test")
    add.add_argument("--only", action="store_true", help="other shows leave the boards")
    add.add_argument("--replace", action="store_true", help="old files may go before their new ones have arrived")
    add.add_argument(
        "--force", action="store_true", help="overwrite files that are not ours; make a board another controller's"
    )
    _json(add)

    add = verb("inspect", "what a roll holds")
    add.add_argument("roll", type=Path, metavar="FILE.roll", help="a roll that bake has written")
    add.add_argument("--verify", action="store_true", help="check every group")
    add.add_argument("--frames", type=Path, metavar="FILE.npz", help="write every frame to a numpy file")
    _json(add)
    return top


def _show(add: argparse.ArgumentParser) -> None:
    add.add_argument("show", type=Path, metavar="SHOW", help="the show's folder")


def _json(add: argparse.ArgumentParser) -> None:
    add.add_argument("--json", action="store_true", help="print one JSON object on stdout and nothing else")


def _metres(text: str) -> float:
    """A viewing distance, as far as the rig's own may be."""
    try:
        metres = float(text)
    except ValueError:
        metres = 0.0
    if not 0.5 <= metres <= 10_000:
        raise argparse.ArgumentTypeError(f"needs metres, 0.5 to 10000, got {text}")
    return metres


def _offset(text: str) -> float:
    """As an evening's `offset_ms`."""
    try:
        ms = float(text)
    except ValueError:
        ms = math.inf
    if not -2000 <= ms <= 2000:
        raise argparse.ArgumentTypeError(f"needs milliseconds, -2000 to 2000, got {text}")
    return ms


def _jobs(text: str) -> int:
    if not text.isdecimal() or int(text) > 256:
        raise argparse.ArgumentTypeError(f"needs a whole number 0 to 256, got {text}")
    return int(text) or os.cpu_count() or 1


def _port(text: str) -> int:
    if not text.isdecimal() or int(text) > 65_535:
        raise argparse.ArgumentTypeError(f"needs a port 0 to 65535, got {text}")
    return int(text)
