"""The show while it is being changed: read again quickly, rendered a bar at a time, and only what has changed.

    loader = Loader(folder)          keeps rig, song map and clock while their files stay as they are
    show = loader.read(text)         score text -> checked show, or every fault
    view = View(show, kept)          one good version; its pieces (bars) are rendered when asked for
    view.light_of(piece)             the bytes of a bar, as a bake would write them, and the limiter's gains

A piece is named by a hash of all that its bytes depend on, so what did not change keeps its name, and whoever holds
its bytes need not ask again. `Kept` remembers frames over the versions of a show.
"""

from __future__ import annotations

import bisect
import hashlib
import itertools
import os
import secrets
import tempfile
import threading
from collections import OrderedDict
from collections.abc import Hashable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from fractions import Fraction
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Any, Generic, TypeVar

import numpy as np
from numpy.typing import NDArray

from exporters.codec import AT_ONCE
from exporters.rollfile import RollWriter

from .. import power as powers
from .. import score as scores
from .. import songmap as maps
from .. import timeline
from ..clock import FrameClock, Group, Moment
from ..faults import Fault, FaultList, Faults, ShowFails, parse_toml
from ..files import score_path
from ..power import CurrentModel, Ladder, limiter
from ..power.limiter import LOOK, Mode
from ..render import Renderer
from ..rig import Rig
from ..songmap import Loudness
from ..timeline import Cue
from ..wire import Duties, Wiring, screen_of_duty
from . import softening, within_budget
from .relaying import Relaying
from .rolls import Frames, header_of
from .show import (
    Show,
    Tell,
    _kept,
    _names_a_rig,
    _names_a_song,
    _other_bars,
    _rig,
    _too_short,
    another_song,
    clock_of,
    files_of,
    hear,
    silent,
)

RAW_BYTES = 128 << 20  # frames before the limiter that are kept
DONE_BYTES = 96 << 20  # frames after it
MODES = ("on", "warn", "off")
COLUMNS = 96  # of a piece's picture
ROWS = 16  # of one zone in it
CLOCK_CALLS = 1 << 16
MOST_STANDS = 200_000  # groups of all versions that are told apart, before all is forgotten
# All of a cue but where it stands: cues alike in these show the same light at the same phase.
LOOKS = tuple(
    field.name for field in fields(Cue) if field.name not in ("address", "first", "end", "start", "layer", "order")
)
Stamp = tuple[tuple[str, int, int], ...]

K = TypeVar("K", bound=Hashable)
V = TypeVar("V")


# ---- reading -----------------------------------------------------------------------------------------------------


class Loader:
    """Reads one show again and again. Rig, song map and clock are read anew only when one of their files changed."""

    def __init__(self, folder: Path, tell: Tell = silent) -> None:
        self.path = score_path(folder)
        self.folder = self.path.parent
        self._tell = tell
        self._rig: tuple[Path, Stamp, Rig] | None = None
        self._song: tuple[Path, Stamp, maps.SongMap] | None = None
        self._clock: tuple[tuple[Rig, maps.SongMap, float], FrameClock] | None = None
        self._relaying = Relaying()
        self._documents: dict[str, dict[str, Any]] = {}

    def read(self, text: str) -> Show:
        """A checked show from a score's text, saved or not. Raises `Faults` with all that is wrong in all its files."""
        faults: list[Fault] = []
        document = _kept(faults, lambda: self.document(text))
        if document is None:
            raise Faults(faults)
        found = FaultList(self.path)
        score = scores.score_from(document, self.path, found)
        rig = None
        if _names_a_rig(score, document, found):
            rig = _kept(faults, lambda: self.rig(score.rig, faults))
        song = None
        if _names_a_song(score, document, found):
            song = _kept(faults, lambda: self.song(score.song))
        show = None
        if rig is not None:
            timeline.check_zones(score, rig, found)
        if song is not None and score.grid not in ("", song.grid):
            found.add("grid", _other_bars(score.grid, song))
        elif rig is not None and song is not None:
            clock = self._clock_of(rig, song, score.rate)
            if clock.frames == 0:
                faults.append(_too_short(score, rig, song))
            else:
                cues = self._relaying.lay(score, song, rig, clock, found)
                show = Show(self.folder, score, rig, song, clock, cues)
                if found.faults:
                    found.faults[:0] = another_song(score, song)
        faults = [*found.faults, *faults]
        if faults or show is None:
            raise Faults(faults)
        return show

    def document(self, text: str) -> dict[str, Any]:
        """A score's text as data, not to be changed: the newest few are kept. Raises `Faults`."""
        found = self._documents.get(text)
        if found is None:
            found = parse_toml(text.removeprefix("\ufeff"), self.path)
        self._documents = dict([*((k, v) for k, v in self._documents.items() if k != text), (text, found)][-4:])
        return found

    def rig(self, path: Path, faults: list[Fault]) -> Rig | None:
        """The rig as far as it can be read, its faults collected; a sound one is read again when it or a drawing or
        table of places that it names changed. Raises `Faults` where nothing can be read."""
        stamp = stamp_of(*rig_files(path))
        if self._rig is not None and self._rig[:2] == (path, stamp):
            return self._rig[2]
        found: list[Fault] = []
        rig = _rig(path, found)
        if rig is not None:
            measured = rig
            _kept(found, lambda: powers.calibrated(measured))
            if not found:
                self._rig = path, stamp, rig
        faults += found
        return rig

    def song(self, path: Path) -> maps.SongMap:
        """The song's map, made again when the song, its fixes or the map changed. Raises `Faults`."""
        files = (path, maps.fixes_path(path), maps.map_path(path))
        if self._song is None or self._song[:2] != (path, stamp_of(*files)):
            song = hear(path, self._tell)
            self._song = path, stamp_of(*files), song
        return self._song[2]

    def _clock_of(self, rig: Rig, song: maps.SongMap, rate: float) -> FrameClock:
        known = self._clock
        if known is None or known[0][0] is not rig or known[0][1] is not song or known[0][2] != rate:
            known = self._clock = (rig, song, rate), remembering(clock_of(rig, song, rate))
        return known[1]


def stamp_of(*paths: Path) -> Stamp:
    """When files were written and how long they are: a missing one is (name, 0, 0)."""
    found = []
    for path in paths:
        try:
            stat = path.stat()
            found.append((str(path), stat.st_mtime_ns, stat.st_size))
        except OSError:
            found.append((str(path), 0, 0))
    return tuple(found)


def rig_files(path: Path) -> tuple[Path, ...]:
    """A rig's file, and those of the drawings and places that it names."""
    return _named_by(path, stamp_of(path))


@lru_cache(8)
def _named_by(path: Path, stamp: Stamp) -> tuple[Path, ...]:
    """As `files_of`, which reads the file, while it stays as it is."""
    return tuple(files_of(path))


def remembering(clock: FrameClock) -> FrameClock:
    """The same clock, which remembers what it was asked: a score is laid on it again at every change."""
    names = ("frame_at", "frame_beat", "frame_us", "us_at", "beat_at_us", "add")
    clock.__dict__.update({name: lru_cache(CLOCK_CALLS)(getattr(clock, name)) for name in names})
    return clock


def place_of(show: Show, moment: Moment) -> Fraction | None:
    """Where a written time falls in the song, in beats; None where it names nothing."""
    return timeline.place_of(moment, show.score, show.song, show.rig, show.clock)


# ---- keeping -----------------------------------------------------------------------------------------------------


class Shelf(Generic[K, V]):
    """Keeps values up to a number of bytes; the one that was used longest ago goes first."""

    def __init__(self, most_bytes: int) -> None:
        self._most, self._bytes = most_bytes, 0
        self._held: OrderedDict[K, tuple[V, int]] = OrderedDict()

    def get(self, key: K) -> V | None:
        """The value of a key, if it is still here."""
        found = self._held.get(key)
        if found is None:
            return None
        self._held.move_to_end(key)
        return found[0]

    def put(self, key: K, value: V, size: int) -> V:
        """Keep a value of `size` bytes."""
        self._bytes += size - (self._held.pop(key)[1] if key in self._held else 0)
        self._held[key] = value, size
        while self._bytes > self._most and len(self._held) > 1:
            self._bytes -= self._held.popitem(last=False)[1][1]
        return value


class Kept:
    """What outlives a version of a show: frames by what they depend on, for one rig and one song."""

    def __init__(self) -> None:
        self.lock = threading.RLock()
        self._for: tuple[Any, ...] = ()
        self.forget(None, None)

    def forget(self, rig: Rig | None, loudness: Loudness | None) -> None:
        """Start anew where the rig or the sound is another, or too much has gathered."""
        if self._for and self._for[0] is rig and self._for[1] is loudness and len(self.by_stands) < MOST_STANDS:
            return
        self._for = (rig, loudness)
        self.kinds: dict[Hashable, int] = {}  # cues that look alike
        self.stands: dict[Hashable, int] = {}  # and where they stand
        self.keys: dict[Hashable, int] = {}  # what a group's light depends on
        self.by_stands: dict[Hashable, int] = {}  # the same by clock, group and the cues that stand in it
        self.clocks: list[FrameClock] = []
        self.scalers: dict[frozenset[int], Any] = {}
        self.raw: Shelf[int, Frames] = Shelf(RAW_BYTES)
        self.done: Shelf[str, Light] = Shelf(DONE_BYTES)
        self.salt = secrets.token_bytes(8)  # numbers of another start mean other things


class _Renderer(Renderer):
    """A renderer whose numbers for cues that look alike are shared among the versions of a show."""

    def __init__(self, show: Show, kinds: dict[Hashable, int]) -> None:
        self._shared = kinds
        super().__init__(show.rig, show.clock, show.cues, show.song.loudness)

    def _kind(self, cue: Cue) -> int:
        alike = tuple(getattr(cue, name) for name in LOOKS)
        return self._shared.setdefault(alike, len(self._shared))


# ---- pieces ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Piece:
    """A bar of a show: groups [first_group, end_group). Pieces of equal `id` have equal bytes and lengths."""

    id: str
    bar: int
    first_group: int
    end_group: int
    first: int
    frames: int
    start_us: int
    end_us: int
    from_beat: Fraction
    to_beat: Fraction


@dataclass(frozen=True)
class Bar:
    """The groups of a bar, and those [low, high) on which the limiter's gains in it depend; `times` tells bars of
    another course of time apart."""

    bar: int
    first_group: int
    end_group: int
    low: int
    high: int
    first: int
    frames: int
    start_us: int
    end_us: int
    from_beat: Fraction
    to_beat: Fraction
    times: bytes


@lru_cache(8)
def bars_of(clock: FrameClock) -> tuple[Bar, ...]:
    """Every bar of a clock, in order, without gaps."""
    out = []
    for bar, run in itertools.groupby(clock.groups, key=lambda group: clock.grid.bar_of(group.beat)):
        own = list(run)
        first, last = own[0], own[-1]
        low, high = around(clock.groups, first.index, last.index + 1)
        start = first.start_us
        times = [(g.frames, g.start_us - start, g.end_us - start) for g in clock.groups[low:high]]
        out.append(
            Bar(
                bar, first.index, last.index + 1, low, high, first.first, last.end - first.first, start, last.end_us,
                first.beat, last.beat + last.frames * last.step, repr((first.index - low, times)).encode(),
            )
        )  # fmt: skip
    return tuple(out)


def around(groups: Sequence[Group], first: int, end: int) -> tuple[int, int]:
    """The groups on which the limiter's gains in groups [first, end) depend."""
    low, high = first, end
    from_beat = groups[first].beat - LOOK
    to_beat = groups[end - 1].beat + groups[end - 1].frames * groups[end - 1].step + LOOK
    while low > 0 and groups[low - 1].beat + groups[low - 1].frames * groups[low - 1].step > from_beat:
        low -= 1
    while high < len(groups) and groups[high].beat < to_beat:
        high += 1
    return low, high


@dataclass(frozen=True)
class Light:
    """A piece's bytes uint8 (frames, rig.frame_bytes) after the limiter, and its gains float32 (frames, supplies)."""

    frames: Frames
    gains: NDArray[np.float32]


class View:
    """One good version of a show, rendered when asked. `trouble`: why its limiter cannot work, '' if it can.

    `written` is the show as its score says it; `show` the same with clips softened by so many steps (`steps`: clip ->
    number), as a bake does it for a score that asks for that.
    """

    def __init__(self, show: Show, kept: Kept, steps: Mapping[str, int] | None = None) -> None:
        self.written, self.kept, self.steps = show, kept, dict(steps or {})
        show = self.show = softening.resoftened(show, self.steps) if self.steps else show
        with kept.lock:
            kept.forget(show.rig, show.song.loudness)
            self.salt = kept.salt
            self.renderer = _Renderer(show, kept.kinds)
            self.keys = self._keys()
        self.model = CurrentModel(show.rig)
        self.wiring = Wiring(show.rig)
        self._rendering = threading.Lock()
        self._pieces: dict[str, tuple[Piece, ...]] = {}
        self._by_id: dict[str, tuple[Piece, str]] = {}
        self.trouble = ""
        try:
            self._scaler = self._made_scaler()
        except ShowFails as error:
            self.trouble = str(error)

    def _keys(self) -> list[int]:
        """A number for what each group's light depends on; worked out only where other cues stand than before."""
        kept, renderer, clock = self.kept, self.renderer, self.show.clock
        if not any(known is clock for known in kept.clocks):
            kept.clocks.append(clock)
        number = next(i for i, known in enumerate(kept.clocks) if known is clock)
        stands = [
            kept.stands.setdefault((kind, cue.start, cue.first, cue.end), len(kept.stands))
            for kind, cue in zip(renderer._kind_of, renderer.cues, strict=True)
        ]
        out = []
        for group, active in zip(clock.groups, renderer._active, strict=True):
            there = (number, group.index, tuple(stands[cue] for cue in active))
            key = kept.by_stands.get(there)
            if key is None:
                key = kept.keys.setdefault(renderer.key(group), len(kept.keys))
                kept.by_stands[there] = key
            out.append(key)
        return out

    def find(self, id: str) -> tuple[Piece, str] | None:
        """A piece that `pieces` has told of, and its limiter mode."""
        return self._by_id.get(id)

    def pieces(self, mode: str) -> tuple[Piece, ...]:
        """Every bar in order, without gaps, under a limiter mode."""
        if mode not in self._pieces:
            self._pieces[mode] = tuple(self._cut(mode))
            self._by_id |= {piece.id: (piece, mode) for piece in self._pieces[mode]}
        return self._pieces[mode]

    def _cut(self, mode: str) -> Iterator[Piece]:
        working = self._working(mode)
        more = repr((working, sorted(self.show.score.keep))).encode()
        for bar in bars_of(self.show.clock):
            low, high = (bar.low, bar.high) if working == "on" else (bar.first_group, bar.end_group)
            name = hashlib.blake2b(more + bar.times, digest_size=12, salt=self.salt)
            name.update(repr(self.keys[low:high]).encode())
            yield Piece(
                name.hexdigest(), bar.bar, bar.first_group, bar.end_group, bar.first, bar.frames, bar.start_us,
                bar.end_us, bar.from_beat, bar.to_beat,
            )  # fmt: skip

    def _working(self, mode: str) -> Mode:
        return "on" if mode == "on" and not self.trouble else "off"

    def raw(self, number: int) -> Frames:
        """The bytes of a group before the limiter."""
        key = self.keys[number]
        with self.kept.lock:
            frames = self.kept.raw.get(key) if self.kept.salt == self.salt else None
        if frames is None:
            frames = self.wiring.bytes_of(self.renderer.light(self.show.clock.groups[number]))
            frames.setflags(write=False)
            with self.kept.lock:
                if self.kept.salt == self.salt:
                    self.kept.raw.put(key, frames, frames.nbytes)
        return frames

    def light_of(self, piece: Piece, mode: str) -> Light:
        """A piece's bytes as a bake writes them under this limiter mode. Raises ShowFails for a faulty effect."""
        found = self._done(piece)
        if found is None:
            with self._rendering:  # two who ask at once must not both work
                found = self._done(piece) or self._lit(piece, mode)
        return found

    def _done(self, piece: Piece) -> Light | None:
        with self.kept.lock:
            return self.kept.done.get(piece.id) if self.kept.salt == self.salt else None

    def _lit(self, piece: Piece, mode: str) -> Light:
        working = self._working(mode)
        groups = self.show.clock.groups
        low, high = piece.first_group, piece.end_group
        if working == "on":
            low, high = around(groups, low, high)
        stream = ((groups[number], self.raw(number)) for number in range(low, high))
        own = [
            (frames, gains)
            for group, frames, gains in self._limited(stream, working)
            if piece.first_group <= group.index < piece.end_group
        ]
        light = Light(
            np.concatenate([frames for frames, _ in own]),
            np.concatenate([gains for _, gains in own]).astype(np.float32),
        )
        light.frames.setflags(write=False)
        with self.kept.lock:
            if self.kept.salt == self.salt:
                self.kept.done.put(piece.id, light, light.frames.nbytes)
        return light

    def frame_at(self, us: int, mode: str) -> Frames:
        """The bytes that stand at a moment under a limiter mode, uint8 (rig.frame_bytes,)."""
        clock = self.show.clock
        frame = min(max(bisect.bisect_right(range(clock.frames), us, key=clock.frame_us) - 1, 0), clock.frames - 1)
        piece = next(p for p in self.pieces(mode) if p.first <= frame < p.first + p.frames)
        standing: Frames = self.light_of(piece, mode).frames[frame - piece.first]
        return standing

    def stream(self, mode: str) -> Iterator[tuple[Group, Frames, NDArray[np.float64]]]:
        """Every group of the show after the limiter: (group, bytes, gains)."""
        groups = self.show.clock.groups
        raw = ((group, self.raw(group.index)) for group in groups)
        return self._limited(raw, self._working(mode))

    # -- what is read off a piece

    def amps(self, light: Light) -> NDArray[np.float32]:
        """What each supply gives in each frame, amperes float32 (frames, supplies)."""
        draws = self.model.draw_a(self.model.run_sums(light.frames))
        total: NDArray[np.float32] = (self.model.constant_a + self.model.add_draws(draws)).astype(np.float32)
        return total

    def rolls(self, piece: Piece, light: Light) -> dict[str, bytes]:
        """A roll of this piece for each controller; its groups start at 0 microseconds."""
        groups = self.show.clock.groups[piece.first_group : piece.end_group]

        def roll(name: str, part: slice) -> bytes:
            with tempfile.TemporaryDirectory(prefix="glowscore-", dir=memory_folder()) as folder:
                path = Path(folder) / "piece.roll"
                with RollWriter(path, header_of(self.show, name, {}), groups=len(groups), effort=AT_ONCE) as writer:
                    for group in groups:
                        at = group.first - piece.first
                        frames = light.frames[at : at + group.frames, part]
                        writer.add(group.start_us - piece.start_us, group.end_us - piece.start_us, frames)
                return path.read_bytes()

        return {name: roll(name, part) for name, part in self.show.rig.controller_slices.items()}

    @cached_property
    def bands(self) -> dict[str, tuple[int, NDArray[np.intp]]]:
        """For each zone its first row in a piece's picture, and the pixels that its rows show."""
        out, top = {}, 0
        for name, zone in self.show.rig.zones.items():
            rows = min(ROWS, len(zone.pixels))
            picked = np.array(zone.pixels, np.intp)[(np.arange(rows) * 2 + 1) * len(zone.pixels) // max(1, 2 * rows)]
            out[name] = top, picked
            top += rows
        return out

    def _made_scaler(self) -> Any:
        """The limiter's own figures, which take long to find and depend on the rig and the zones kept light alone."""
        rig = self.show.rig
        keep = frozenset(pixel for zone in self.show.score.keep for pixel in rig.zones[zone].pixels)
        with self.kept.lock:
            scaler = self.kept.scalers.get(keep) if self.kept.salt == self.salt else None
        if scaler is None:
            scaler = limiter._Scaler(self.model, keep)
            limiter.check_budgets(self.model, scaler.feeds)
            with self.kept.lock:
                if self.kept.salt == self.salt:
                    self.kept.scalers[keep] = scaler
        return scaler

    def _limited(self, stream: Iterator[tuple[Group, Frames]], working: Mode) -> Iterator[limiter.Limited]:
        """As `within_budget`, for many short streams."""
        if working == "on":
            return limiter._limited(stream, self._scaler, self.show.rig.skew_ms)
        return within_budget(self.show, stream, working)

    @property
    def picture_rows(self) -> int:
        """Rows of a piece's picture."""
        return sum(len(pixels) for _, pixels in self.bands.values())

    def picture(self, light: Light) -> NDArray[np.uint8]:
        """The light of every zone: screen codes uint8 (rows of all zones, columns, 3), time to the right."""
        count = len(light.frames)
        columns = min(COLUMNS, count)
        duties, where = self._shown
        duty = duties.of(light.frames)
        edges = np.arange(columns) * count // columns
        sums = np.add.reduceat(duty, edges, axis=0)
        mean = sums / np.diff(np.append(edges, count))[:, None, None]
        return np.ascontiguousarray(screen_of_duty(mean)[:, where].transpose(1, 0, 2))

    @cached_property
    def _shown(self) -> tuple[Duties, NDArray[np.intp]]:
        """The duties of the pixels in the bands, and which of them each row shows."""
        shown, where = np.unique(np.concatenate([pixels for _, pixels in self.bands.values()]), return_inverse=True)
        return Duties(self.show.rig, shown), where

    @cached_property
    def _ladder(self) -> Ladder:
        return Ladder(self.show.rig)

    def volts(self, piece: Piece, light: Light) -> dict[str, dict[str, Any]]:
        """For each string, by group of the piece: its lowest volts `min_v` and the `pixel` there, counted in it."""
        solved = self._ladder.solve(self.model.pixel_a(light.frames) + self.model.pixel_idle_a())
        groups = self.show.clock.groups[piece.first_group : piece.end_group]
        starts = [group.first - piece.first for group in groups]
        out: dict[str, dict[str, Any]] = {}
        for name, volts in solved.volts.items():
            lowest = np.minimum.reduceat(volts, starts, axis=0)
            out[name] = {
                "min_v": [round(float(v), 3) for v in lowest.min(axis=1)],
                "pixel": [int(p) for p in lowest.argmin(axis=1)],
                "lowest_v": self.show.rig.strings[name].chip.min_v,
            }
        return out


@lru_cache(1)
def memory_folder() -> str | None:
    """A folder that lies in memory, where a roll that is read at once need not wait for a disk; None: the usual one."""
    folder = "/dev/shm"
    return folder if os.path.isdir(folder) and os.access(folder, os.W_OK) else None
