"""What is baked, as a show night needs it: each board's roll, where the bars are, frames and amperes by time.

It is also the night's door to the exporters: the link to the boards, and E1.31.
"""

from __future__ import annotations

import hashlib
import zlib
from bisect import bisect_right
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from exporters import e131, link
from exporters.rollfile import RollReader
from exporters.rollhead import checked_part, head_bytes
from exporters.spec import RollError

from ..clock import SECOND
from ..faults import Fault, Faults, ShowFails, reading
from ..power import CurrentModel
from ..rig import Rig
from .results import address_of, bar_lines, section_spans
from .rolls import MISSING, opened, roll_path, strings_of
from .show import Show, Tell, load_show, silent


@dataclass(frozen=True)
class RollFile:
    """One board's roll as it was baked. `head_crc`: the board gives it back when it has opened the same roll."""

    path: Path
    sha256: str
    head_crc: int
    roll_bytes: int

    @property
    def name(self) -> str:
        """What the file is called on the board."""
        return self.path.name


@dataclass(frozen=True)
class Baked:
    """A show that was baked, ready for a night.

    `rolls`: controller -> its roll. `seconds`: length of the song; `light_s`: when its last frame ends. `bars`: seconds
    of every bar line.
    """

    folder: Path
    title: str
    song: Path
    seconds: float
    light_s: float
    rig: Rig
    rolls: dict[str, RollFile]
    budgets_a: dict[str, float]
    bars: tuple[float, ...] = field(repr=False)
    sections: tuple[tuple[float, float, str], ...] = field(repr=False)
    show: Show = field(repr=False)

    @property
    def end_s(self) -> float:
        """When both the song and its light are over, seconds."""
        return max(self.seconds, self.light_s)

    def address(self, seconds: float) -> str:
        """Bar and beat, as 17.3."""
        return address_of(self.show.clock)(min(max(seconds, 0.0), self.seconds))

    def section(self, seconds: float) -> str:
        """The section that is playing, or ''."""
        return next((name for start, end, name in self.sections if start <= seconds < end), "")

    def bar_before(self, seconds: float) -> float:
        """Where the bar before this one begins: for a step back. A bar that has just begun counts as this one."""
        at = bisect_right(self.bars, seconds - 0.5)
        return self.bars[at - 1] if at else 0.0

    def bar_after(self, seconds: float) -> float:
        """Where the next bar begins; the song's end after the last."""
        at = bisect_right(self.bars, seconds + 0.05)
        return self.bars[at] if at < len(self.bars) else self.seconds


def load_baked(folder: Path, out: Path | None = None, tell: Tell = silent) -> Baked:
    """A show's rolls and what belongs to them. Raises `Faults` (bad files, not baked) and `ShowFails` (broken rolls,
    or rolls that were made for another recording or another rig)."""
    show = load_show(folder, tell)
    out = out or show.folder / "out"
    paths = {name: roll_path(out, name, show.name) for name in show.rig.controllers}
    missing = [name for name, path in paths.items() if not path.exists()]
    if missing:
        raise Faults([Fault(str(paths[name]), "", MISSING) for name in missing])
    rolls: dict[str, RollFile] = {}
    clocks = set()
    for number, (name, path) in enumerate(paths.items()):
        tell("checking the rolls", number / len(paths))
        rolls[name], clock = _checked(path, show, name)
        clocks.add(clock)
    if len(clocks) > 1:
        raise ShowFails(f"{out}: its rolls do not share one clock: bake the show again")
    return Baked(
        show.folder,
        show.score.title,
        show.score.song,
        show.song.song.seconds,
        clocks.pop()[-1] / SECOND,
        show.rig,
        rolls,
        {name: supply.budget_a for name, supply in show.rig.supplies.items()},
        tuple(seconds for seconds, _ in bar_lines(show)),
        tuple(section_spans(show)),
        show,
    )


def _checked(path: Path, show: Show, controller: str) -> tuple[RollFile, tuple[int, ...]]:
    """A roll's marks, and when its groups begin and the last one ends. Every checksum is checked, nothing decoded.

    Raises `ShowFails` where it is damaged, or was made for another recording or another rig.
    """
    with reading(path, "roll"):
        data = path.read_bytes()
    with opened(path) as reader:
        if reader.header.song_sha256 != show.song.song.sha256:
            raise ShowFails(f"{path}: was baked for another recording than {show.score.song}: bake the show again")
        if reader.header.strings != strings_of(show.rig, controller):
            raise ShowFails(f"{path}: was baked for another rig than {show.rig.path}: bake the show again")
        for number, unit in enumerate(reader.units):
            payload = data[unit.payload_at : unit.payload_at + unit.payload_bytes]
            if zlib.crc32(checked_part(unit), zlib.crc32(payload)) != unit.crc:
                raise ShowFails(f"{path}: the checksum of unit {number} does not match: bake the show again")
        clock = (*(group.start_us for group in reader.groups), reader.groups[-1].end_us)
    return RollFile(path, hashlib.sha256(data).hexdigest(), head_crc(data), len(data)), clock


def head_crc(roll: bytes) -> int:
    """The checksum of a sound roll's head, which covers the checksums of all its payloads (ROLL.md, sections 2, 3)."""

    def u16(at: int) -> int:
        return int.from_bytes(roll[at : at + 2], "little")

    tables = 8 * roll[6] + 4 * roll[7] + 13 * roll[8] + u16(10)
    end = head_bytes(tables, u16(22), u16(20))
    return int.from_bytes(roll[end - 4 : end], "little")


class FramesByTime:
    """The frames of a show's rolls by the time of the song, and what they draw. Use as a context.

    Raises `Faults` and `ShowFails` for a roll that cannot be read any more.
    """

    def __init__(self, baked: Baked) -> None:
        self._rig = baked.rig
        self._model = CurrentModel(baked.rig)
        with ExitStack() as stack:
            self._readers = {name: stack.enter_context(opened(roll.path)) for name, roll in baked.rolls.items()}
            self._close = stack.pop_all().close
        self._kept: dict[str, tuple[int, NDArray[np.uint8]]] = {}

    def amps_at(self, seconds: float, share: float = 1.0) -> dict[str, float]:
        """What each supply carries at a time of the song, amperes, as the audit counts it.

        `share`: of the light, 0 to 1, that the boards' brightness leaves.
        """
        frame = np.zeros((1, self._rig.frame_bytes), np.uint8)
        for name, reader in self._readers.items():
            frame[0, self._rig.controller_slices[name]] = self._frame(name, reader, round(seconds * SECOND))
        dark_a = self._model.constant_a
        now_a = dark_a + share * (self._model.supply_a(frame)[0] - dark_a)
        return dict(zip(self._rig.supplies, map(float, now_a), strict=True))

    def at(self, seconds: float) -> dict[str, bytes]:
        """Every string's bytes on the wire at a time of the song; dark outside it, and where a roll is broken."""
        out: dict[str, bytes] = {}
        for name, reader in self._readers.items():
            frame = self._frame(name, reader, round(seconds * SECOND))
            for string, place in reader.header.byte_slices.items():
                out[string] = frame[place].tobytes()
        return out

    def _frame(self, name: str, reader: RollReader, us: int) -> NDArray[np.uint8]:
        dark = np.zeros(reader.header.frame_bytes, np.uint8)
        try:
            found = reader.seek(us)
            if found is None:
                return dark
            number, frame = found
            kept, frames = self._kept.get(name, (-1, dark[None]))
            if kept != number:
                frames = reader.group(number)
                self._kept[name] = (number, frames)
        except (RollError, OSError):  # damaged, or its disk went away
            return dark
        standing: NDArray[np.uint8] = frames[frame]
        return standing

    def __enter__(self) -> FramesByTime:
        return self

    def __exit__(self, *_: object) -> None:
        self._close()


def patch_of(rig: Rig, first_universe: int = 1) -> list[e131.Patch]:
    """The rig's strings on E1.31 universes, in the rig's order. Raises ValueError beyond universe 63999."""
    return e131.patch([(s.name, s.pixels, s.order) for s in rig.strings.values()], first_universe)


def dim_white(rig: Rig, share: float = 0.5, most: int = 40) -> NDArray[np.uint8]:
    """One frame, uint8 (frame_bytes,): all pixels white, as bright as `share` of every supply's budget and the byte
    `most` allow; dark where even dark pixels are above it."""
    model = CurrentModel(rig)
    for level in range(most, 0, -1):
        frame = model.white(level)
        if (model.supply_a(frame) <= share * model.budget_a).all():
            white: NDArray[np.uint8] = frame[0]
            return white
    return np.zeros(rig.frame_bytes, np.uint8)


def decoded(song: Path) -> tuple[NDArray[np.float32], int]:
    """The sound that was analysed: mono samples and their rate. Raises `Faults`."""
    from ..analysis import decode

    samples, rate, _ = decode(song)
    return samples, rate


__all__ = [
    "Baked", "FramesByTime", "RollFile", "decoded", "dim_white", "e131", "head_crc", "link", "load_baked", "patch_of",
]  # fmt: skip
