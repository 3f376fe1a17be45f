"""Copying packages to boards, so that nothing on a board is lost when a copy breaks.

    survey    which board is which; what lies on it
    planned   what is to be copied, renamed and removed, in which order; or why not
    carried   doing it: copy to NAME.new, read its SHA-256 back, rename; the manifest last

Before anything is copied, every board has been looked at and every plan has been made. Where there is room for old and
new together, all new files are there and verified before the first old one goes; where there is not, files follow one
by one, each verified before its old one goes; where even that does not fit, nothing is done without `replace`.
Errors are `BoardError`, and `Refused` with all lines at once.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from . import mpboard
from .link import serial_ports
from .mpboard import BoardError, BoardFull, MpBoard, NoMicroPython, Tell, Unplugged
from .package import (
    MANIFEST,
    SETTINGS,
    BoardRow,
    Package,
    PackageError,
    PackedFile,
    manifest_bytes,
    manifest_from,
    packed,
    roll_room,
    settings_bytes,
)

NEW = ".new"
JOURNAL = "loading.json"
FOLDER_BYTES = 2 * 4096  # of a folder that is made for new files (littlefs: a pair of blocks)
MOST_MANIFEST = 64 << 10
STAYS = ("loop", "pause_s", "quiet_look")  # settings that a load without an evening leaves as they are
_NOWHERE = Path("board")


class Refused(Exception):
    """Why nothing was copied to any board, a line each."""

    def __init__(self, lines: Iterable[str]) -> None:
        self.lines = list(lines)
        super().__init__("\n".join(self.lines))


@dataclass(frozen=True)
class Job:
    """What is to lie on one controller's board. `machine`: how such a board's `os.uname().machine` ends.

    `packages` hold the rolls `songs`, which play in this order (one may come twice), and the roll `look`, which loops
    in the pauses; other rolls in their folders are left out. `alone`: further settings, for boards that run without a
    computer. `wiring`: start the wiring test.
    """

    controller: str
    row: BoardRow
    machine: str
    packages: tuple[Package, ...]
    songs: tuple[str, ...]
    look: str | None = None
    alone: Mapping[str, Any] = field(default_factory=dict)
    wiring: bool = False

    @property
    def files(self) -> dict[str, Path]:
        """Where each file lies that is to be on the board, by its name there."""
        return {
            file.name: package.folder / file.name
            for package in reversed(self.packages)
            for file in package.files
            if not file.is_roll or file.name in (*self.songs, self.look)
        }


@dataclass(frozen=True)
class Choices:
    """What a person allows. `only`: other shows leave the board; `replace`: an old file may go before its new one has
    arrived; `force`: files that are not ours may be overwritten, and a board may become another controller's."""

    only: bool = False
    replace: bool = False
    force: bool = False


@dataclass(frozen=True)
class Seen:
    """What a board holds. `ours`: the files that loads have put there, each with the hashes that it had then."""

    port: str
    machine: str
    free_bytes: int
    files: Mapping[str, int]
    settings: Mapping[str, Any]
    ours: Mapping[str, frozenset[str]]

    @property
    def controller(self) -> str:
        """Whose board it is by its settings, '' where it has none."""
        return str(self.settings.get("controller", ""))


@dataclass(frozen=True)
class Plan:
    """What happens on one board. `content`: the new files' bytes by name; `journal`: see `_journal`; `batches`: names
    that are copied and verified together, then renamed together, the manifest last of all; before and after them, what
    is removed."""

    port: str
    controller: str
    content: Mapping[str, bytes] = field(repr=False)
    journal: bytes = field(repr=False)
    remove_first: tuple[str, ...]
    batches: tuple[tuple[str, ...], ...]
    remove_last: tuple[str, ...]
    songs: tuple[str, ...]
    free_bytes: int
    notes: tuple[str, ...] = ()

    @property
    def copied_bytes(self) -> int:
        """Bytes that go over the cable."""
        return sum(len(self.content[name]) for batch in self.batches for name in batch)


@dataclass(frozen=True)
class Loaded:
    """What a load has done with one board. `free_bytes`: what was free before."""

    port: str
    controller: str
    free_bytes: int
    copied: tuple[str, ...]
    copied_bytes: int
    songs: tuple[str, ...]
    notes: tuple[str, ...]


def load(
    jobs: Sequence[Job],
    ports: Sequence[str] = (),
    choices: Choices | None = None,
    tell: Tell = lambda what, share: None,
) -> list[Loaded]:
    """Load the boards that are there. `ports`: only these, as a person named them.

    Raises `Refused` before anything has been copied, `BoardError` when a copy broke.
    """
    choices = choices or Choices()
    tell("looking for boards", 0.0)
    with contextlib.ExitStack() as stack:
        boards, notes = survey(jobs, ports, stack, choices.force)
        plans, faults = [], []
        for job, board in boards:
            tell(f"{job.controller}: what is there", 0.0)
            try:
                seen = look(board, job)
                hashes = {name: board.sha256(name) for name in doubtful(seen, job, choices)}
                plans.append((job, board, planned(job, seen, hashes, choices)))
            except Refused as error:
                faults += error.lines
            except (BoardError, PackageError) as error:
                faults.append(str(error))
        if faults:
            raise Refused(faults)
        return [_loaded(job, board, plan, notes.get(board.port, ()), tell) for job, board, plan in plans]


# ---- which board is which ---------------------------------------------------------------------------------------


def survey(
    jobs: Sequence[Job], ports: Sequence[str], stack: contextlib.ExitStack, force: bool = False
) -> tuple[list[tuple[Job, MpBoard]], dict[str, tuple[str, ...]]]:
    """The jobs whose boards are there, each with its board at the prompt; notes by port. Raises `Refused`.

    Without `ports` every USB port is asked for its name. Players of other controllers are left to play, and so is
    whatever answers neither as a player nor with MicroPython's prompt: it may be anything.
    """
    wanted = [job.controller for job in jobs]
    boards: dict[str, list[MpBoard]] = {name: [] for name in wanted}
    nameless: list[MpBoard] = []
    notes: dict[str, tuple[str, ...]] = {}
    faults: list[str] = []
    others: list[str] = []
    for port in dict.fromkeys(ports) or serial_ports():
        # What is wrong with a port that nobody named is no fault, unless it is all there is.
        lines = faults if ports else others
        try:
            playing = None if ports else _left_alone(port, wanted)
            if playing is not None:
                others.append(playing)
                continue
            board, notes[port] = _interrupted(port, stack)
            controller = look(board).controller
        except NoMicroPython:
            lines.append(mpboard.advice_without_micropython(port, mpboard.bootloader_drives()))
        except BoardError as error:
            lines.append(str(error))
        else:
            if controller in wanted:
                boards[controller].append(board)
            elif not controller or ports and force:
                nameless.append(board)
            else:
                names = " or ".join(f'"{name}"' for name in wanted)
                lines.append(f'{port}: this board is "{controller}", not {names}: --force makes it another')
    free = [name for name in wanted if not boards[name]]
    if ports and len(nameless) == len(free) == 1:
        boards[free[0]] = nameless
    else:
        what = "a board that is no controller's yet: name both, --controller NAME --port"
        (faults if ports else others).extend(f"{board.port}: {what} {board.port}" for board in nameless)
    for name, found in boards.items():
        if len(found) > 1:
            where = " and ".join(board.port for board in found)
            faults.append(f'{where}: both boards are "{name}": unplug one, or name the port with --port')
    if not any(boards.values()) and not faults:
        faults = others or ["no board was found: is it plugged in, with a cable that carries data?"]
        faults += [mpboard.advice_without_micropython(str(d), [(d, model)]) for d, model in mpboard.bootloader_drives()]
    if faults:
        raise Refused(faults)
    return [(job, boards[job.controller][0]) for job in jobs if boards[job.controller]], notes


def _left_alone(port: str, wanted: Sequence[str]) -> str | None:
    """Why a port that nobody named is left alone; None for a board that is, or may be, wanted. Raises `BoardError`."""
    hello, at_prompt = mpboard.greet(port)
    if hello is not None:
        return None if hello.controller in wanted else f"{port} is {hello.controller}"
    return None if at_prompt else f"{port}: does not answer: if it is a board, name it with --port"


def _interrupted(port: str, stack: contextlib.ExitStack) -> tuple[MpBoard, tuple[str, ...]]:
    """A board at its prompt, and what it was doing. Raises `BoardError`."""
    notes: tuple[str, ...] = ()
    player = mpboard.hello(port) is not None
    if player:
        playing = mpboard.stop(port)
        if playing:
            notes = (f"was showing {playing}: stopped",)
            time.sleep(mpboard.WATCHDOG_S)
    return stack.enter_context(MpBoard(port, mpboard.PATIENCE_S if player else mpboard.REPL_S)), notes


def look(board: MpBoard, job: Job | None = None) -> Seen:
    """What a board holds. `job`: what kind of board it must be. Raises `BoardError`; `Refused` for another kind."""
    if job is not None and board.machine.split()[-1:] != [job.machine]:
        raise Refused([f'{board.port}: this board is a "{board.machine}", {job.controller} is a {job.row.name}'])
    files = board.files()
    ours: dict[str, set[str]] = {}
    for name in (MANIFEST, JOURNAL):  # the second is left by a load that broke
        content = _json_on(board, files, name)
        with contextlib.suppress(PackageError):
            for file in manifest_from(content, _NOWHERE).files:
                ours.setdefault(file.name, set()).add(file.sha256)
    return Seen(
        board.port,
        board.machine,
        board.free_bytes(),
        files,
        _json_on(board, files, SETTINGS),
        {name: frozenset(hashes) for name, hashes in ours.items()},
    )


def _json_on(board: MpBoard, files: Mapping[str, int], name: str) -> dict[str, Any]:
    """A JSON object on a board; an empty one where there is none."""
    if files.get(name, MOST_MANIFEST) >= MOST_MANIFEST:
        return {}
    try:
        content = json.loads(board.read(name, files[name]))
    except (ValueError, RecursionError):
        return {}
    return content if isinstance(content, dict) else {}


# ---- the plan ---------------------------------------------------------------------------------------------------


def wanted_content(
    job: Job, seen: Seen, hashes: Mapping[str, str], choices: Choices
) -> tuple[dict[str, bytes], tuple[str, ...], list[str]]:
    """Every file that is to lie on the board, the songs in order, and notes.

    Rolls that are there already stay, and in the list of songs where they are for the same strings, and so does what
    an evening has set. The Wi-Fi that somebody has written into the board's settings stays in any case: a rig's file
    is no place for a password.
    """
    content = {name: path.read_bytes() for name, path in job.files.items()}
    settings = job.packages[0].settings
    kept = [name for name in seen.files if name.endswith(".roll") and name in seen.ours and name not in content]
    same = seen.settings.get("strings") == settings.get("strings") and seen.controller == job.controller
    listed = seen.settings.get("songs")
    before = [name for name in listed if name in kept] if isinstance(listed, list) and not choices.only else []
    notes = []
    if same:
        songs = (*job.songs, *before)
        settings |= {key: seen.settings[key] for key in STAYS if key in seen.settings and not choices.only}
    else:
        songs = job.songs
        notes += [f"{name} stays there, but was baked for other strings: bake and load it again" for name in before]
    settings |= job.alone
    if job.look is not None:
        settings["quiet_look"] = job.look
    wifi = settings.get("wifi") or seen.settings.get("wifi")
    content[SETTINGS] = settings_bytes(settings | {"songs": songs, "wifi": wifi})
    rows = [packed(name, data) for name, data in content.items()]
    if not choices.only:
        rows += [PackedFile(name, seen.files[name], hashes.get(name) or min(seen.ours[name])) for name in kept]
    content[MANIFEST] = manifest_bytes(job.controller, job.row.name, job.packages[0].player, rows)
    return content, songs, notes


def doubtful(seen: Seen, job: Job, choices: Choices) -> list[str]:
    """Files on the board whose hashes a plan needs: those that it may change or remove."""
    wanted = {*job.files, MANIFEST}
    return [
        name
        for name in seen.files
        if name in wanted
        or name in seen.ours
        and (not name.endswith(".roll") or choices.only or len(seen.ours[name]) > 1)
    ]


def planned(job: Job, seen: Seen, hashes: Mapping[str, str], choices: Choices) -> Plan:
    """What is to be done on a board. `hashes`: SHA-256 of the files there that are `doubtful`. Raises `Refused`."""
    content, songs, notes = wanted_content(job, seen, hashes, choices)
    change = [name for name, data in content.items() if hashes.get(name) != hashlib.sha256(data).hexdigest()]
    faults = [] if choices.force else _clashes(change, seen, hashes)
    litter = [name for name in seen.files if name.endswith(NEW) and name.removesuffix(NEW) in {*content, *seen.ours}]
    obsolete = [
        name
        for name, known in seen.ours.items()
        if name in seen.files and name not in content and hashes.get(name) in known
    ]
    journal = _journal(job, seen, content)
    going = [name for name in (*litter, JOURNAL) if name in seen.files]
    free = seen.free_bytes + sum(roll_room(seen.files[name]) for name in going) - roll_room(len(journal))
    first: list[str] = []
    batches = _batches(change, content, seen.files, free)
    if batches is None:
        # The old manifest stays until the new one is whole: without it nobody would know which files are ours.
        gone = [name for name in change if name in seen.files and name not in (SETTINGS, MANIFEST)] + obsolete
        rest = {name: size for name, size in seen.files.items() if name not in gone}
        batches = _batches(change, content, rest, free + sum(roll_room(seen.files[name]) for name in gone))
        need = sum(roll_room(len(content[name])) for name in change)
        full = f"{seen.port}: {need} bytes of room are needed for what is new, {free} are free"
        if batches is None:
            rolls = [f"{name} {roll_room(size)}" for name, size in seen.files.items() if name.endswith(".roll")]
            way = "" if choices.only else ": --only removes other shows"
            faults.append(f"{full}; there: {', '.join(rolls) or 'no rolls'}{way}")
        elif not choices.replace:
            faults.append(f"{full}: --replace removes old files before their new ones have arrived")
        first, obsolete = gone, []
    if faults or batches is None:
        raise Refused(faults)
    if not batches and JOURNAL in seen.files:  # a load broke when all was done but this
        litter.append(JOURNAL)
    remove_first, remove_last = (*litter, *first), tuple(obsolete)
    return Plan(
        seen.port,
        job.controller,
        content,
        journal,
        remove_first,
        batches,
        remove_last,
        songs,
        seen.free_bytes,
        tuple(notes),
    )


def _clashes(change: Iterable[str], seen: Seen, hashes: Mapping[str, str]) -> list[str]:
    """Files that would be overwritten and are not ours, or no longer as they were loaded, a line each."""
    lines = []
    for name in change:
        written_anew = seen.ours and name in (SETTINGS, MANIFEST)
        if name in seen.files and not written_anew and hashes[name] not in seen.ours.get(name, ()):
            why = "was changed since it was loaded" if name in seen.ours else "is not ours"
            lines.append(f"{seen.port}: {name} is there and {why}: save it, then --force overwrites it")
    return lines


def _journal(job: Job, seen: Seen, content: Mapping[str, bytes]) -> bytes:
    """A manifest of what is ours before and after: while a load goes on, files may be either."""
    rows = [packed(name, data) for name, data in content.items()]
    rows += [PackedFile(name, 0, known) for name, hashes in seen.ours.items() for known in sorted(hashes)]
    return manifest_bytes(job.controller, job.row.name, job.packages[0].player, dict.fromkeys(rows))


def _batches(
    change: Sequence[str], content: Mapping[str, bytes], there: Mapping[str, int], free: int
) -> tuple[tuple[str, ...], ...] | None:
    """The files to copy, all at once where old and new have room together, else one by one; None where neither."""
    if not change:
        return ()
    names = sorted((name for name in change if name not in (SETTINGS, MANIFEST)), key=lambda name: len(content[name]))
    last = tuple(name for name in (SETTINGS, MANIFEST) if name in change)
    room = {name: roll_room(len(content[name])) for name in change}
    folders = {name.rpartition("/")[0] for name in change} - {name.rpartition("/")[0] for name in there} - {""}
    free -= FOLDER_BYTES * (1 + len(folders))
    if sum(room.values()) <= free:
        return ((*names, *last),)
    free -= sum(room[name] for name in last)
    for name in names:
        if room[name] > free:
            return None
        free += roll_room(there[name]) - room[name] if name in there else -room[name]
    return (*((name,) for name in names), last) if free >= 0 else None


# ---- doing it ---------------------------------------------------------------------------------------------------


def carried(board: MpBoard, plan: Plan, tell: Callable[[int], None] = lambda done: None) -> tuple[str, ...]:
    """Carry a plan out; the names of the files copied. Raises `BoardError`, and then says what still stands."""
    doing = "was looked at"
    began = False
    done = 0
    try:
        if plan.batches:  # first of all, so that a load after one that broke knows what is ours
            doing = f"took {JOURNAL}"
            board.write(JOURNAL, plan.journal)
        for name in plan.remove_first:
            doing, began = f"was freed of {name}", began or not (name.endswith(NEW) or name == JOURNAL)
            board.remove(name)
        for batch in plan.batches:
            for name in batch:
                doing, at = f"took {name}", done
                _copied(board, name, plan.content[name], lambda n, at=at: tell(at + n))  # type: ignore[misc]
                done += len(plan.content[name])
            for name in batch:
                doing, began = f"renamed {name}{NEW}", True
                board.move(name + NEW, name)
        for name in (*plan.remove_last, *((JOURNAL,) if plan.batches else ())):
            doing = f"was freed of {name}"
            board.remove(name)
    except BoardFull:
        for name in (*(name + NEW for name in plan.content), *(() if began else (JOURNAL,))):
            with contextlib.suppress(BoardError):
                board.remove(name)
        raise BoardFull(f"{board.port}: {plan.controller} is full: {_standing(began)}") from None
    except Unplugged:
        raise Unplugged(f"{board.port}: {plan.controller} went away while it {doing}: {_standing(began)}") from None
    return tuple(name for batch in plan.batches for name in batch)


def _standing(began: bool) -> str:
    if began:
        return "every file on it is whole, old or new; load again to finish"
    return "everything that was on it is still there; load again"


def _copied(board: MpBoard, name: str, data: bytes, tell: Callable[[int], None]) -> None:
    """Copy one file to its temporary name and read its hash back. Raises `BoardError`."""
    board.write(name + NEW, data, tell)
    if board.sha256(name + NEW) != hashlib.sha256(data).hexdigest():
        with contextlib.suppress(BoardError):
            board.remove(name + NEW)
        raise BoardError(f"{board.port}: {name} did not arrive whole: try another cable; what was there still is")


def _loaded(job: Job, board: MpBoard, plan: Plan, notes: Iterable[str], tell: Tell) -> Loaded:
    total, free = max(1, plan.copied_bytes), f"{plan.free_bytes / 1000:.0f} kB free"
    what = f"{job.controller}: {free}, copying {plan.copied_bytes / 1000:.0f} kB"
    copied = carried(board, plan, lambda done: tell(what, done / total))
    tell(f"{job.controller}: restarting", 1.0)
    board.restart()
    notes = [*notes, *plan.notes]
    hello = mpboard.await_player(board.port, mpboard.PATIENCE_S)
    if hello is None:
        notes.append("its player does not answer yet: if it stays silent, unplug the board and plug it in again")
    elif job.wiring and mpboard.ask(board.port, "wiring 1")[0] != "ok":
        notes.append("the wiring test does not start")
    return Loaded(board.port, job.controller, plan.free_bytes, copied, plan.copied_bytes, plan.songs, tuple(notes))
