"""The command `glowscore`: verbs and exit codes. Heavy rooms are imported by the verb that needs them.

Exit codes: 0 done; 1 the show itself fails a check; 2 bad input or usage. Errors go to stderr, one line a fault.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import os
import shlex
import signal
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

from .arguments import parser
from .faults import Faults, ShowFails, counted

DONE, FAILS, BAD = 0, 1, 2


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command; returns the exit code."""
    top = parser()
    parsed = argparse.Namespace(verb=None)
    if isinstance(sys.stdout, io.TextIOWrapper):  # a title that the terminal has no letters for ends nothing
        sys.stdout.reconfigure(errors="backslashreplace")
    try:
        parsed = top.parse_args(arguments)
        if parsed.verb is None:
            top.print_help()
            return DONE
        from .files import find_caches

        find_caches()
        with _ended_politely():
            code = VERBS[parsed.verb](parsed)
        sys.stdout.flush()
        return code
    except SystemExit as stop:
        return int(stop.code or 0)
    except Faults as error:
        return _complain(str(error), BAD)
    except ShowFails as error:
        if error.found is not None and getattr(parsed, "json", False):
            _print_json(error.found)
        return _complain(str(error), FAILS)
    except BrokenPipeError:
        # The reader of our pipe went away: nothing is wrong. What is still to be flushed must not fail at the end.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    except FileExistsError as error:
        return _complain(
            f"{error.filename or 'glowscore'}: a file of this name is there already: a folder is needed", BAD
        )
    except NotADirectoryError as error:
        return _complain(f"{error.filename or 'glowscore'}: part of this path is a file, not a folder", BAD)
    except OSError as error:
        return _complain(f"{error.filename or 'glowscore'}: {error.strerror or error}", BAD)
    except (KeyboardInterrupt, SystemError) as error:
        if not _is_stop(error):
            raise
        return _complain("stopped; nothing was left half-written", 130)


def _is_stop(error: BaseException | None) -> bool:
    """Whether it is Ctrl-C, or what compiled code makes of it."""
    while error is not None and not isinstance(error, KeyboardInterrupt):
        error = error.__cause__
    return error is not None


@contextlib.contextmanager
def _ended_politely() -> Iterator[None]:
    """A polite kill and a terminal that is closed are Ctrl-C to whoever listens for that, and clear up as it does."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    nobody_hears = signal.getsignal(signal.SIGINT) is signal.SIG_IGN  # a script's `glowscore ... &`

    def stop(*_: object) -> None:
        if nobody_hears:
            raise KeyboardInterrupt
        signal.raise_signal(signal.SIGINT)

    numbers = [getattr(signal, name) for name in ("SIGTERM", "SIGHUP") if hasattr(signal, name)]
    before = {number: signal.signal(number, stop) for number in numbers if signal.getsignal(number) is signal.SIG_DFL}
    try:
        yield
    finally:
        for number in before:
            signal.signal(number, signal.SIG_DFL)


def _complain(text: str, code: int) -> int:
    print(text, file=sys.stderr)
    return code


# ---- verbs -------------------------------------------------------------------------------------------------------


def _new(given: argparse.Namespace) -> int:
    from . import starting

    with progress() as tell:
        made = starting.new(given.folder, given.song, tell)
    for path in made:
        print(path)
    if given.song is None:
        folder = shlex.quote(str(given.folder))
        print(f"put a song into {given.folder}, then: glowscore draft {folder}")
    else:
        print(f"next: glowscore bake {shlex.quote(str(given.folder))}")
    return DONE


def _draft(given: argparse.Namespace) -> int:
    from . import starting

    with progress() as tell:
        print(starting.redraft(given.show, given.force, tell))
    return DONE


def _listen(given: argparse.Namespace) -> int:
    from . import files, listening

    files.spare(
        {"-o": given.out, "--clicks": given.clicks, "--midi-out": given.midi_out, "--labels-out": given.labels_out},
        [given.song, given.labels, given.midi, *given.song.parent.glob("*.toml")],
    )
    with progress() as tell:
        heard, warnings = listening.listen(
            given.song,
            out=_place(given.out),
            clicks=_place(given.clicks),
            changes=listening.changes_of(vars(given), given.song),
            labels=given.labels,
            midi=given.midi,
            tell=tell,
        )
        listening.write_for_others(heard, midi=_place(given.midi_out), labels=_place(given.labels_out))
    for warning in warnings:
        print(warning, file=sys.stderr)
    if given.json:
        from .songmap import to_json

        return _print_json(to_json(heard))
    print(listening.summary(heard, given.song))
    return DONE


def _check(given: argparse.Namespace) -> int:
    from . import pipeline

    with progress() as tell:
        show = pipeline.load_show(given.show, tell)
    rig, clock = show.rig, show.clock
    facts: dict[str, Any] = {
        "title": show.score.title, "song_s": show.song.song.seconds, "tempo": show.song.tempo,
        "bars": len(show.song.bars), "grid": show.song.grid, "clips": len(show.cues),
        "zones": len(rig.zones), "pixels": rig.pixels,
        "frames": clock.frames, "frames_per_beat": clock.frames_per_beat,
        "remarks": [*pipeline.remarks(show), *pipeline.rig_doubts(rig)],
    }  # fmt: skip
    if given.json:
        return _print_json(facts)
    print(
        f"{show.score.title}: {facts['song_s']:.1f} s, {facts['tempo']:.1f} beats a minute, {facts['bars']} bars; "
        f"{counted(facts['clips'], 'clip')} on {counted(facts['zones'], 'zone')}, {rig.pixels} pixels; "
        f"{clock.frames} frames, {clock.frames_per_beat} to a beat"
    )
    for doubt in [*(_placed(given.show, str(doubt)) for doubt in pipeline.doubts(show)), *pipeline.rig_doubts(rig)]:
        print(doubt)
    return DONE


def _placed(show: Path, line: str) -> str:
    """A line that names a file of a show, the file named from here as everywhere else."""
    return os.path.join(show.parent if show.suffix == ".toml" else show, line)


def _renumber(given: argparse.Namespace) -> int:
    from . import files, pipeline, renumber

    path, text, song = pipeline.score_and_song(given.show)
    moved, notes = renumber.renumbered(text, path, song)
    if moved == text:
        print(f"{path}: nothing to move")
        return DONE
    asks = sys.stdin.isatty() and not given.dry_run
    if not asks and not given.dry_run:  # before it is shown: whoever reads that may stop early
        files.write_text(path, moved)
    print(renumber.difference(text, moved, str(path)))
    for note in notes:
        print(f"{path}: {note}", file=sys.stderr)
    if asks and input("Write it? [y/N] ").strip().lower() in ("y", "yes"):
        files.write_text(path, moved)
    return DONE


def _bake(given: argparse.Namespace) -> int:
    from . import pipeline
    from .pipeline import in_bytes

    with progress() as tell:
        baked = pipeline.bake(
            given.show,
            given.out,
            small=given.small,
            limiter=given.limiter,
            strict=given.strict,
            no_red=given.no_red,
            soften=given.soften,
            distance_m=given.distance,
            jobs=given.jobs,
            dask=given.dask,
            tell=tell,
        )
    if given.json:
        return _print_json(baked.audit)
    for name, path in baked.rolls.items():
        row = baked.audit["controllers"][name]
        share, pace = row["roll_bytes"] / row["raw_bytes"], row["bytes_per_s"]
        print(f"{path}: {in_bytes(row['roll_bytes'])}, {share:.1%} of its frames; {in_bytes(pace)} a second")
    _print_audit(baked.audit)
    for remark in baked.remarks:
        print(_placed(given.show, remark))
    print(", ".join(str(baked.out / name) for name in ("audit.html", "sheet.html", "film.png")))
    return DONE


def _audit(given: argparse.Namespace) -> int:
    from . import files, pipeline

    if (given.show is None) == (given.roll is None):
        raise Faults.one("audit", "", "needs either a show or --roll FILE ... --rig FILE")
    csv = _place(given.csv)
    if given.roll is not None:
        if given.rig is None:
            raise Faults.one("audit", "", "--roll needs --rig FILE")
        files.spare({"--csv": csv}, [*given.roll, *pipeline.files_of(given.rig)])
        out = given.out or Path.cwd()
        # A person who leaves a board out must not read its dark strings as a pass.
        found = pipeline.audit_rolls(
            given.roll, given.rig, out, csv=csv, strict=given.strict, no_red=given.no_red, distance_m=given.distance
        )
        for note in found["notes"]:
            if note.startswith("Without their rolls"):
                print(note, file=sys.stderr)
    else:
        if given.rig is not None:
            raise Faults.one("audit", "", "--rig goes with --roll: a show names its own rig")
        baked = given.out or files.score_path(given.show).parent / "out"
        files.spare({"--csv": csv}, [*pipeline.files_of(given.show), *baked.glob("*/*.roll")])
        with progress() as tell:
            found = pipeline.audit(
                given.show,
                given.out,
                csv=csv,
                strict=given.strict,
                no_red=given.no_red,
                distance_m=given.distance,
                tell=tell,
            )
        _tell_of_changes([given.show], given.out)
    if given.json:
        return _print_json(found)
    _print_audit(found)
    return DONE


def _tell_of_changes(shows: Sequence[Path], out: Path | None = None) -> None:
    """Say which shows were worked on since they were baked: what is there is played all the same."""
    from .pipeline import changed_since_bake

    for line in dict.fromkeys(line for show in shows for line in changed_since_bake(show, out)):
        print(line, file=sys.stderr)


def _print_audit(found: dict[str, Any]) -> None:
    from . import pipeline
    from .pipeline import in_amps

    for row in found.get("softened") or ():
        beats = f"{row['over_beats']:g} beat{'' if row['over_beats'] == 1 else 's'}"
        left = "" if row["opacity"] == 1 else f", {row['opacity']:.0%} of it left"
        print(f"softened: {row['clip']}, over {beats}{left}" if row["opacity"] else f"left out: {row['clip']}")
    for name, row in found["supplies"].items():
        limited = ""
        if row["limited_frames"]:
            limited = f"; {row['limited_frames']} frames dimmed, most {row['most_dimmed']:.0%}, for "
            limited += pipeline.dimmed_by(found, name)
        at = f" at {row['peak_at']}" if row["peak_at"] else ""
        print(
            f"{name}: peak {in_amps(row['peak_a'])} of {in_amps(row['budget_a'])}{at} ({row['peak_s']:.2f} s){limited}"
        )
    for line in pipeline.wrongs(found):
        print(line)


def _studio(given: argparse.Namespace) -> int:
    from .studio.serve import serve
    from .studio.session import Session

    with progress() as tell:
        session = Session(given.show, tell)
    serve(session, given.port, not given.no_open, lambda text: print(text, flush=True))
    return DONE


def _film(given: argparse.Namespace) -> int:
    from . import files, pipeline

    out = _place(given.out)
    files.spare({"-o": out}, pipeline.files_of(given.show))
    if out is not None and out.suffix.lower() not in (".png", ".mp4"):
        raise Faults.one(out, "", "a film is drawn as .png or .mp4")
    with progress() as tell:
        print(pipeline.draw_film(given.show, out, tell))
    return DONE


def _rig(given: argparse.Namespace) -> int:
    from . import files, pipeline

    out = _place(given.out)
    files.spare({"-o": out}, pipeline.files_of(given.show))
    rig = pipeline.rig_of(given.show)
    if out is None:
        folder = files.score_path(given.show).parent / "out"
        folder.mkdir(exist_ok=True)
        out = folder / "rig.svg"
    if out.suffix.lower() not in (".svg", ".png"):
        raise Faults.one(out, "", "a rig is drawn as .svg or .png")
    pipeline.draw_rig(rig, out)
    print(out)
    return DONE


def _place(path: Path | None) -> Path | None:
    """Where a file is to be written: its folder is there, which is better known before the work than after it."""
    if path is not None and not path.parent.is_dir():
        raise Faults.one(path, "", f"cannot be written: there is no folder {path.parent}")
    return path


def _play(given: argparse.Namespace) -> int:
    from . import night
    from .night.evening import find_evening

    if given.devices:
        print(night.devices())
        return DONE
    if not given.shows:
        raise Faults.one("play", "", "needs shows, or an evening.toml")
    options = night.Options(
        ports=tuple(given.port) if given.port else None,
        network=() if given.network is None else tuple(given.network) or ("broadcast",),
        device=given.device,
        silent=given.no_sound,
        offset_ms=given.offset,
        partly=given.partly,
        boards=not given.no_boards,
        e131=given.e131,
        universe=given.universe,
    )
    if given.clap:
        print(f"offset_ms = {night.clap_test(given.shows[0], options, progress):.0f}")
        return DONE
    evening = find_evening(given.shows)
    _tell_of_changes([*evening.shows, *([evening.look] if evening.look else [])])
    return DONE if night.play_evening(given.shows, options, progress) else FAILS


def _load(given: argparse.Namespace) -> int:
    from .night.evening import alone, evening_file, load_evening
    from .pipeline import loading

    shows, look, keys = given.shows, None, None
    named = None if given.wiring else evening_file(shows)
    if named is not None:
        evening = load_evening(named)
        shows, look = evening.shows, evening.look
        keys = {key: value for key, value in alone(evening, ()).items() if key in ("loop", "pause_s")}
    choices = loading.Choices(only=given.only, replace=given.replace, force=given.force)
    with progress() as tell:
        done, missing = loading.load(
            shows,
            given.out,
            controller=given.controller,
            ports=given.port,
            wiring=given.wiring,
            look=look,
            alone=keys,
            choices=choices,
            tell=tell,
        )
    if not given.wiring:
        _tell_of_changes([*shows, *([look] if look else [])], given.out)
    if given.json:
        return _print_json({"boards": [vars(board) for board in done], "missing": missing})
    for board in done:
        what = "everything was there already"
        if board.copied:
            what = f"{counted(len(board.copied), 'file')}, {board.copied_bytes / 1000:.0f} kB, copied and verified"
        free, plays = f"{board.free_bytes / 1000:.0f} kB were free", ", ".join(board.songs) or "no song yet"
        print(f"{board.controller} ({board.port}): {free}; {what}; plays {plays}")
        for note in board.notes:
            print(f"{board.controller}: {note}")
    if missing:
        print(f"not plugged in: {', '.join(missing)}")
    return DONE


def _inspect(given: argparse.Namespace) -> int:
    from . import files, pipeline

    in_bytes = pipeline.in_bytes
    frames = _place(given.frames)
    if frames is not None and frames.suffix.lower() != ".npz":
        raise Faults.one(frames, "", "frames are written as .npz")
    files.spare({"--frames": frames}, [given.roll])
    found = pipeline.inspect(given.roll, verify=given.verify, frames=frames)
    faults = found.get("faults", [])
    if given.json:
        _print_json(found)
    else:
        print(f"{found['title']}, for {found['controller']}: {found['start_s']:.3f} to {found['end_s']:.3f} s")
        for s in found["strings"]:
            print(f"  {s['name']}: pin {s['pin']}, {s['pixels']} pixels of {s['chip']}, {s['order']}")
        print(
            f"  {found['frames']} frames in {found['groups']} groups, {found['stored_groups']} of them stored; "
            f"{in_bytes(found['roll_bytes'])} for {in_bytes(found['raw_bytes'])}; two units, a frame and a decoder "
            f"take {in_bytes(found['ram_bytes'])} of a board's memory"
        )
        if given.verify and not faults:
            print("  every group is sound")
        if frames is not None:
            print(frames)
    if not faults:
        return DONE
    return _complain("\n".join(f"{given.roll}: {fault}" for fault in [*faults, "bake the show again"]), FAILS)


def _print_json(content: Any) -> int:
    from .pipeline import plain

    letters = (sys.stdout.encoding or "").lower().replace("-", "") == "utf8"  # else they are escaped, as JSON has it
    print(json.dumps(plain(content), ensure_ascii=not letters, allow_nan=False))
    return DONE


@contextlib.contextmanager
def progress() -> Iterator[Callable[[str, float], None]]:
    """Progress on a terminal, silence in a pipe."""
    if not sys.stderr.isatty():
        yield lambda what, share: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("starting", total=1.0)
        yield lambda what, share: bar.update(task, description=what, completed=share)


if __name__ == "__main__":
    raise SystemExit(main())


VERBS = {
    "new": _new,
    "draft": _draft,
    "listen": _listen,
    "check": _check,
    "renumber": _renumber,
    "bake": _bake,
    "audit": _audit,
    "studio": _studio,
    "film": _film,
    "rig": _rig,
    "play": _play,
    "load": _load,
    "inspect": _inspect,
}
