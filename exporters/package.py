"""A controller's folder: what lies on its board for a show, and whether that fits.

    SONG.roll ...     the rolls
    *.py, glow/       the player, from `players/micropython`
    settings.json     strings, pins, songs: `players/PLAYER.md` says what each key means
    manifest.json     every other file with its size and SHA-256; written last, so a folder with it is whole

Conventions: names of files are relative, with `/` on every system. Sizes are bytes as a file has them; room on a board
is counted in whole blocks of its file system. Errors are `PackageError` and name the file.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from .rollfile import INFLATER_BYTES, READ_BYTES, RollReader
from .spec import MOST_WINDOW_BITS, RollError

FORMAT = 1
MANIFEST, SETTINGS = "manifest.json", "settings.json"
PLAYER = Path(__file__).parent / "players" / "micropython"

# littlefs, which MicroPython puts on these boards: blocks of 4096 bytes (one sector of their flash); from its second
# block on, a file's block holds on average 8 bytes of pointers ("CTZ skip-lists" in littlefs's DESIGN.md); a folder is
# a pair of blocks. Small files are kept in their folder's pair, but count here as a block.
BLOCK_BYTES = 4_096
POINTER_BYTES = 8
FOLDER_BLOCKS = 2
SPARE_BLOCKS = 2  # for what is renamed and for the list that loading keeps (practice)

# What the player holds beside what a decoder needs (ROLL.md, section 10): the frame that a unit leans on, the one that
# goes out, a live one; and its lists, lines and samples.
PLAYER_FRAMES = 3
PLAYER_BYTES = 3_072

READS = 2  # each payload is read once for its checksum and once to be inflated
LEAST_RATE = 5  # frames a second below which nobody is helped
HEADROOM = 0.97  # of what would just fit: a roll is not quite proportional to its frames


class PackageError(Exception):
    """A folder that is not a whole package; the message names the file."""


@dataclass(frozen=True)
class PackedFile:
    """One file of a package: its name, `bytes` long, its SHA-256 in hexadecimal."""

    name: str
    bytes: int
    sha256: str

    @property
    def is_roll(self) -> bool:
        """Whether it is a roll, by its name."""
        return self.name.endswith(".roll")


@dataclass(frozen=True)
class Package:
    """A controller's folder as its manifest has it. `player` names the player by its content."""

    folder: Path
    controller: str
    board: str
    player: str
    files: tuple[PackedFile, ...]

    @property
    def rolls(self) -> tuple[PackedFile, ...]:
        """The rolls among the files."""
        return tuple(file for file in self.files if file.is_roll)

    @property
    def settings(self) -> dict[str, Any]:
        """The content of settings.json. Raises `PackageError`."""
        return read_json(self.folder / SETTINGS)


@dataclass(frozen=True)
class BoardRow:
    """What a kind of board offers: file system, memory for buffers, and bytes a second from its own flash."""

    name: str
    fs_bytes: int
    ram_bytes: int
    read_bytes_per_s: int


@dataclass(frozen=True)
class Needs:
    """What a roll asks of its board.

    `read_bytes_per_s`: in its busiest moment. `frames_per_s`: on average. `period_us`: from one frame to the next, at
    its shortest. `frame_us`: what a frame takes on the wires and in the decoder.
    """

    file_bytes: int
    ram_bytes: int
    frame_bytes: int
    read_bytes_per_s: float
    frames_per_s: float
    period_us: float
    frame_us: float


# ---- files ------------------------------------------------------------------------------------------------------


def player_files(folder: Path = PLAYER) -> dict[str, bytes]:
    """The player's files by the name that they have on a board, in order; what only tests use is left out."""
    paths = [path for path in sorted(folder.glob("*.py")) + sorted(folder.glob("glow/**/*.py")) if path.is_file()]
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in paths if "fake" not in path.stem}


def player_id(files: Mapping[str, bytes]) -> str:
    """A player's name by its content, 12 hexadecimal digits: a player that differs in one byte is another."""
    return _player_id({name: hashlib.sha256(data).digest() for name, data in files.items()})


def _player_id(hashes: Mapping[str, bytes]) -> str:
    digest = hashlib.sha256()
    for name in sorted(hashes):
        digest.update(name.encode() + b"\0" + hashes[name])
    return digest.hexdigest()[:12]


def settings_bytes(settings: Mapping[str, Any]) -> bytes:
    """settings.json as it is written: short lines, since a board reads it into its memory."""
    return json.dumps(settings, ensure_ascii=False, separators=(",", ":")).encode() + b"\n"


def packed(name: str, data: bytes) -> PackedFile:
    """A file's row in a manifest."""
    return PackedFile(name, len(data), hashlib.sha256(data).hexdigest())


def manifest_bytes(controller: str, board: str, player: str, files: Iterable[PackedFile]) -> bytes:
    """manifest.json as it is written."""
    rows = [vars(file) for file in files]
    content = {"format": FORMAT, "controller": controller, "board": board, "player": player, "files": rows}
    return json.dumps(content, ensure_ascii=False, indent=1).encode() + b"\n"


def write_package(
    folder: Path, controller: str, board: str, settings: Mapping[str, Any], rolls: Iterable[Path] = ()
) -> Package:
    """Write player, settings and manifest into a folder. `rolls`: those to be listed, wherever they lie now.

    The manifest is written last. Raises `OSError`.
    """
    player = player_files()
    files = {**player, SETTINGS: settings_bytes(settings)}
    for name, data in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    rows = [packed(path.name, path.read_bytes()) for path in rolls]
    rows += [packed(name, data) for name, data in files.items()]
    package = Package(folder, controller, board, player_id(player), tuple(rows))
    (folder / MANIFEST).write_bytes(manifest_bytes(controller, board, package.player, rows))
    return package


def read_package(folder: Path) -> Package:
    """A package whose files are all there and as its manifest says. Raises `PackageError`."""
    package = manifest_from(read_json(folder / MANIFEST), folder)
    for file in package.files:
        path = folder / file.name
        try:
            data = path.read_bytes()
        except OSError as error:
            raise PackageError(f"{path}: cannot be read: {error.strerror}: bake the show again") from None
        if packed(file.name, data) != file:
            raise PackageError(f"{path}: is not the file that was baked: bake the show again")
    player = [file for file in package.files if not file.is_roll and file.name != SETTINGS]
    if _player_id({file.name: bytes.fromhex(file.sha256) for file in player}) != package.player:
        # A board would be loaded without a part of its player, and lose the one that it has.
        raise PackageError(f"{folder / MANIFEST}: does not list the player's files as they are: bake the show again")
    return package


def manifest_from(content: Mapping[str, Any], folder: Path) -> Package:
    """A package from its parsed manifest; the files are not looked at. Raises `PackageError`."""
    try:
        if content["format"] != FORMAT:
            raise PackageError(f"{folder / MANIFEST}: format {content['format']}, this version reads {FORMAT}")
        files = tuple(PackedFile(str(row["name"]), int(row["bytes"]), str(row["sha256"])) for row in content["files"])
        package = Package(folder, str(content["controller"]), str(content["board"]), str(content["player"]), files)
    except (KeyError, TypeError, ValueError):
        raise PackageError(f"{folder / MANIFEST}: is not a manifest") from None
    for file in files:  # a name that leads elsewhere would read or write elsewhere
        if not file.name or file.name.startswith("/") or {"..", ""} & set(file.name.split("/")) or "\\" in file.name:
            raise PackageError(f'{folder / MANIFEST}: "{file.name}" is not the name of a file in this folder')
    return package


def read_json(path: Path) -> dict[str, Any]:
    """A JSON object from a file. Raises `PackageError`."""
    try:
        content = json.loads(path.read_bytes())
    except FileNotFoundError:
        raise PackageError(f"{path}: no such file: bake the show first") from None
    except OSError as error:
        raise PackageError(f"{path}: cannot be read: {error.strerror}") from None
    except (ValueError, RecursionError):
        raise PackageError(f"{path}: is not JSON") from None
    if not isinstance(content, dict):
        raise PackageError(f"{path}: is not a JSON object")
    return content


# ---- whether it fits --------------------------------------------------------------------------------------------


def room(sizes: Mapping[str, int]) -> int:
    """Bytes that files take of a board's file system: {name: bytes} in whole blocks, their folders with them."""
    blocks = 0
    for size in sizes.values():
        blocks += 1 if size <= BLOCK_BYTES else 1 + math.ceil((size - BLOCK_BYTES) / (BLOCK_BYTES - POINTER_BYTES))
    folders = {name.rpartition("/")[0] for name in sizes} | {""}
    return (blocks + FOLDER_BLOCKS * len(folders)) * BLOCK_BYTES


def player_room(settings: Mapping[str, Any]) -> int:
    """Room of everything on a board but its rolls, spare blocks included."""
    files = {**player_files(), SETTINGS: settings_bytes(settings)}
    sizes = {name: len(data) for name, data in files.items()}
    rows = [packed(name, data) for name, data in files.items()]
    sizes[MANIFEST] = len(manifest_bytes("", "", "", rows))
    return room(sizes) + SPARE_BLOCKS * BLOCK_BYTES


def roll_room(file_bytes: int) -> int:
    """Room of one roll."""
    return room({"": file_bytes}) - FOLDER_BLOCKS * BLOCK_BYTES


def player_ram(settings: Mapping[str, Any]) -> int:
    """Bytes of memory that the player takes beside a decoder's, by its strings: see `players/micropython`."""
    strings = settings["strings"]
    clocked: int = sum(
        string["start_bytes"] + string["pixels"] * (1 + string["channels"]) + string["end_bytes"]
        for string in strings
        if string["clocked"]
    )
    return PLAYER_FRAMES * _frame_bytes(settings) + clocked + PLAYER_BYTES


def _frame_bytes(settings: Mapping[str, Any]) -> int:
    return sum(int(string["pixels"] * string["channels"]) for string in settings["strings"])


def unit_room(ram_bytes: int, settings: Mapping[str, Any]) -> int:
    """Bytes that a unit may have so that two of them, a decoder and the player fit a board's memory; at least 1."""
    decoder = INFLATER_BYTES[MOST_WINDOW_BITS] + READ_BYTES + _frame_bytes(settings)
    return max(1, (ram_bytes - decoder - player_ram(settings)) // 2)


def needs_of(reader: RollReader, frame_us: float, settings: Mapping[str, Any]) -> Needs:
    """What a roll asks of its board; `frame_us`: what a frame takes there (Needs); `settings`: the player's."""
    stats, groups = reader.stats, reader.groups
    span_us = groups[-1].end_us - groups[0].start_us
    return Needs(
        file_bytes=stats.file_bytes,
        ram_bytes=stats.ram_bytes + player_ram(settings),
        frame_bytes=reader.header.frame_bytes,
        read_bytes_per_s=_busiest(reader),
        frames_per_s=stats.frames * 1e6 / span_us,
        period_us=min((group.end_us - group.start_us) / group.frames for group in groups),
        frame_us=frame_us,
    )


def _busiest(reader: RollReader) -> float:
    """Bytes a second while one unit is shown and the next is fetched, the most of a roll played in order."""
    most = 0.0
    shown, since_us = reader.groups[0].unit, reader.groups[0].start_us
    for group in reader.groups:
        if group.unit != shown:
            most = max(most, READS * reader.units[group.unit].payload_bytes * 1e6 / (group.start_us - since_us))
            shown, since_us = group.unit, group.start_us
    return most


def unfit(row: BoardRow, needs: Needs, player_bytes: int, others: Sequence[BoardRow] = ()) -> list[str]:
    """Why a roll does not fit its board, a line each, and what would make it fit; empty where it fits.

    `player_bytes`: room of everything but the roll. `others`: the boards that one could take instead.
    """
    lines = []

    def tell(what: str, share: float, larger: Iterable[BoardRow], else_: str = "") -> None:
        rate = math.floor(needs.frames_per_s * share * HEADROOM)
        names = [board.name for board in larger if board.name != row.name]
        ways = [f"about {rate} frames a second"] if LEAST_RATE <= rate < needs.frames_per_s else []
        ways += [f"a {' or a '.join(names)}"] if names else []
        ways += [else_] if else_ else []
        lines.append(f"does not fit: {what}" + (f"; would fit: {', or '.join(ways)}" if ways else ""))

    roll = roll_room(needs.file_bytes)
    if roll + player_bytes > row.fs_bytes:
        by_room = sorted((b for b in others if roll + player_bytes <= b.fs_bytes), key=lambda b: b.fs_bytes)
        what = f"{roll + player_bytes} bytes of roll, player and settings on a board with {row.fs_bytes}"
        tell(what, (row.fs_bytes - player_bytes) / roll, by_room, "a shorter song")
    if needs.ram_bytes > row.ram_bytes:
        by_ram = sorted((b for b in others if needs.ram_bytes <= b.ram_bytes), key=lambda b: b.ram_bytes)
        rest = row.ram_bytes - INFLATER_BYTES[MOST_WINDOW_BITS] - READ_BYTES - PLAYER_BYTES
        most = max(0, rest) // (2 + 1 + PLAYER_FRAMES)  # two units of a frame each, the frame that stands
        fewer = f"strings of {most} bytes a frame in all, the rest on another board" if most < needs.frame_bytes else ""
        tell(f"{needs.ram_bytes} bytes of memory on a board with {row.ram_bytes}", 0.0, by_ram, fewer)
    if needs.read_bytes_per_s > row.read_bytes_per_s:
        able = [b for b in others if needs.read_bytes_per_s <= b.read_bytes_per_s]
        what = (
            f"{needs.read_bytes_per_s:.0f} bytes a second from the flash of a board that reads {row.read_bytes_per_s}"
        )
        tell(what, row.read_bytes_per_s / needs.read_bytes_per_s, able)
    if needs.period_us < math.floor(needs.frame_us):
        what = f"a frame every {needs.period_us:.0f} us, which takes {needs.frame_us:.0f} us on its wires"
        rate = math.floor(1e6 / needs.frame_us)
        tell(what, 0.0, (), f"{rate} frames a second, or fewer pixels a string")
    return lines


def fits_together(row: BoardRow, packages: Sequence[Package], songs: Collection[str] | None = None) -> list[str]:
    """Why the packages of an evening cannot lie on one board together, a line each; empty where they can.

    They share player and settings; only their songs differ. `songs`: only these of their rolls count.
    Raises `PackageError`.
    """
    lines = []
    first = packages[0]
    for package in packages:
        if package.controller != first.controller:
            lines.append(
                f"{package.folder}: is for controller {package.controller}, {first.folder} for {first.controller}"
            )
        if package.board != row.name:
            lines.append(
                f"{package.folder}: was baked for a {package.board}, this board is a {row.name}: bake it again"
            )
        if package.player != first.player:
            lines.append(f"{package.folder}: has another player than {first.folder}: bake both again")
        if {**package.settings, "songs": ()} != {**first.settings, "songs": ()}:
            lines.append(f"{package.folder}: has other strings or settings than {first.folder}: bake both again")
    rolls: dict[str, PackedFile] = {}
    homes: dict[str, Path] = {}
    for package in packages:
        for roll in package.rolls:
            if songs is not None and roll.name not in songs:
                continue
            if rolls.setdefault(roll.name, roll) != roll:
                lines.append(
                    f"{package.folder / roll.name}: {homes[roll.name] / roll.name} has the same name: rename a song"
                )
            homes.setdefault(roll.name, package.folder)
    rest = player_room(first.settings)
    need = sum(roll_room(roll.bytes) for roll in rolls.values()) + rest
    if need > row.fs_bytes:
        sizes = ", ".join(f"{name} {roll_room(roll.bytes)}" for name, roll in rolls.items())
        lines.append(
            f"controller.{first.controller}: does not fit: {need} bytes on a board with {row.fs_bytes}: "
            f"{sizes}, player and settings {rest}: leave a song out, or use a board with more room"
        )
    for name, home in homes.items():
        try:
            with RollReader(home / name) as reader:
                ram_bytes = reader.stats.ram_bytes + player_ram(first.settings)
        except (RollError, OSError) as error:
            raise PackageError(f"{home / name}: {error}") from None
        if ram_bytes > row.ram_bytes:
            lines.append(f"{home / name}: {ram_bytes} bytes of memory on a board with {row.ram_bytes}")
    return lines
