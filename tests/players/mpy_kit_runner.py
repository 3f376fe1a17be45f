"""Two real MicroPythons for the tests: the unix port (from PyPI, 64 bits, native code) and the one for the web (from
npm, run by node, 32 bits as on the boards, no native code). And rolls made by hand for them.

GLOWSCORE_NODE_MODULES names a folder that has the latter; otherwise it is installed once into the user's cache.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from exporters.rollfile import Draw, RollGroup, RollHeader, RollReader, RollUnit, StringSpec
from exporters.rollhead import Head, checked_part, head_bytes, pack_head, pack_tables
from exporters.spec import LAST_BLOCK, RollBroken, RollError

KIT = Path(__file__).parent / "mpy_kit"
PLAYER = Path(__file__).parents[2] / "exporters" / "players" / "micropython"
WEB = "@micropython/micropython-webassembly-pyscript"
WEB_VERSION = "1.27.0"


def unix_port() -> str | None:
    """The command of the unix port, None where it is not installed."""
    beside = Path(sys.executable).with_name("micropython")
    return str(beside) if beside.exists() else shutil.which("micropython")


def node_modules() -> Path | None:
    """A folder with the port for the web; None without node, or where it cannot be installed."""
    given = os.environ.get("GLOWSCORE_NODE_MODULES")
    beside = Path(__file__).parents[2] / ".node" / "node_modules"  # where CI puts it
    if shutil.which("node") is None or shutil.which("npm") is None:
        return None
    home = Path(given) if given else Path.home() / ".cache" / "glowscore-tests" / "node_modules"
    if not given and (beside / WEB).exists():
        return beside
    if not (home / WEB).exists():
        home.parent.mkdir(parents=True, exist_ok=True)
        command = ["npm", "install", "--no-save", "--prefix", str(home.parent), f"{WEB}@{WEB_VERSION}"]
        subprocess.run(command, capture_output=True, timeout=300, check=False)
    return home if (home / WEB).exists() else None


def unix(script: str, *words: object, heap: str = "4M", timeout_s: float = 300) -> list[str]:
    """The lines that a script of the kit prints in the unix port."""
    command = [str(unix_port()), "-X", f"heapsize={heap}", str(KIT / script), str(PLAYER), *map(str, words)]
    return _lines(command, timeout_s)


def web(script: str, *words: object, timeout_s: float = 300) -> list[str]:
    """The same in the port for the web."""
    command = ["node", str(KIT / "wasm.mjs"), str(node_modules()), str(KIT / script), str(PLAYER), *map(str, words)]
    return _lines(command, timeout_s)


def _lines(command: list[str], timeout_s: float) -> list[str]:
    done = subprocess.run(command, capture_output=True, text=True, timeout=timeout_s)
    assert done.returncode == 0, done.stdout[-500:] + done.stderr[-2000:]
    return done.stdout.splitlines()


def bundle(path: Path, rolls: Sequence[bytes]) -> Path:
    """Many rolls in one file, as the kit reads them."""
    path.write_bytes(b"".join(len(roll).to_bytes(4, "little") + roll for roll in rolls))
    return path


def shown(path: Path) -> str:
    """What the kit's `rolls` prints of one roll, by the reader in Python: `refused`, or a hash a group, - if broken."""
    try:
        reader = RollReader(path)
    except RollError:
        return "refused"
    groups = []
    with reader:
        for number in range(len(reader)):
            try:
                groups.append(hashlib.sha256(reader.group(number).tobytes()).digest()[:8].hex())
            except RollBroken:
                groups.append("-")
    return " ".join(groups)


# ---- rolls made by hand -----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class HandUnit:
    """A unit as it is to lie in a roll: the bytes it inflates to, or the payload itself."""

    how: int
    frames: int
    arranged: bytes
    depth: int = 0
    payload: bytes | None = None


def packed(body: bytes, window: bytes = b"") -> bytes:
    """A payload as ROLL.md section 9 wants it."""
    packer = zlib.compressobj(6, zlib.DEFLATED, -13, zdict=window)
    return (packer.compress(body[:-1]) + packer.flush(zlib.Z_SYNC_FLUSH))[:-4] + LAST_BLOCK + body[-1:]


def strings_of(frame_bytes: int) -> tuple[StringSpec, ...]:
    """One or two strings with so many bytes: 3, 4, 6 and more, but not 5."""
    four = -frame_bytes % 3
    four = {0: 0, 2: 1, 1: 2}[four]
    three = (frame_bytes - 4 * four) // 3
    strings = []
    if three:
        strings.append(StringSpec("rail", 16, None, three, 3, "grb", "ws2812b"))
    if four:
        strings.append(StringSpec("lamp", 2, None, four, 4, "grbw", "sk6812-rgbw"))
    return tuple(strings)


def hand_roll(
    frame_bytes: int,
    units: Sequence[HandUnit],
    groups: Sequence[tuple[int, int, int]] | None = None,
    draws: tuple[Draw, ...] = (),
    milliamps: int = 1500,
    strings: tuple[StringSpec, ...] | None = None,
    group_us: int = 250_000,
    header: RollHeader | None = None,
) -> bytes:
    """A roll of these units. groups: (unit, first, frames), each 250 ms; None: one a unit, all its frames."""
    strings = strings or strings_of(frame_bytes)
    header = header or RollHeader("Tide", "quay", 0, "5a" * 32, strings, (("shed", milliamps),), draws)
    assert header.frame_bytes == frame_bytes
    groups = groups or [(number, 0, unit.frames) for number, unit in enumerate(units)]
    at = head_bytes(len(pack_tables(header)), len(units), len(groups))
    records, payloads, window = [], b"", b""
    for unit in units:
        window = window if unit.depth else b""
        payload = packed(unit.arranged, window) if unit.payload is None else unit.payload
        record = RollUnit(at, len(payload), unit.frames, unit.depth, unit.how, 0)
        crc = zlib.crc32(checked_part(record), zlib.crc32(payload))
        records.append(RollUnit(at, len(payload), unit.frames, unit.depth, unit.how, crc))
        payloads, at, window = payloads + payload, at + len(payload), window + unit.arranged
    entries = [
        RollGroup(number * group_us, (number + 1) * group_us, frames, unit, first)
        for number, (unit, first, frames) in enumerate(groups)
    ]
    return pack_head(Head(header, tuple(records), tuple(entries), 13, at)) + payloads
