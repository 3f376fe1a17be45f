"""The audit of amperes and volts: every frame of a show, added up by supply, feed and string."""

from __future__ import annotations

import hashlib
import math
import weakref
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from ..rig.parts import slices_of
from .ladder import Island, Ladder, headroom
from .limiter import SKEW_MS, group_times_us, windowed_max
from .model import Amps, CurrentModel, Frames, lit
from .network import Floats
from .wires import carries, feed_limit_a, rail_ohm_per_m, wire_ok

if TYPE_CHECKING:
    from ..clock import Group


STRIP_ROWS = 60  # stretches of a string whose volts are kept over time: as many as a plot shows


class PowerAudit:
    """Adds up a show group by group; memory is a few numbers a frame, and those of `strip_v` a group.

    After `result`: `amps` float32 (frames, supplies) and `times_us` int64 (frames,) for plots and tables; `group_us`
    int64 (groups,) when each group starts; `peak_frame[supply]` the number of the frame in which a supply draws most,
    `peak_bytes[supply]` its bytes uint8 (1, frame_bytes); `strip_v[string]` the lowest volts of at most 60 stretches of
    its pixels in each group, float32 (groups, stretches). Wires and rails are at `celsius`. Frames of a board that come
    again (a bar that repeats) are not worked out again, whatever the other boards show meanwhile.
    """

    def __init__(self, model: CurrentModel, skew_ms: float | None = SKEW_MS, celsius: float = 20.0) -> None:
        self.model = model
        self.ladder = Ladder(model.rig, celsius)
        self.strip_v: dict[str, npt.NDArray[np.float32]] = {}
        self.volts = VoltAudit(model, self.ladder)
        self.skew_ms = skew_ms
        self.peak_frame: dict[str, int] = {}
        self.peak_bytes: dict[str, Frames] = {}
        self._peak_a = np.full(len(model.supplies), -1.0)
        self._aligned_a = np.zeros(len(model.supplies))
        self._draws: list[Amps] = []
        self._low: list[npt.NDArray[np.float32]] = []
        self._amps: list[npt.NDArray[np.float32]] = []
        self._times: list[npt.NDArray[np.int64]] = []
        self._durations: list[npt.NDArray[np.int64]] = []
        self._group_us: list[int] = []
        self._dimmed = np.zeros(len(model.supplies), int)
        self._samples = _Sample()
        few = max(2, min(_Sample.LEAST, 160 // len(model.supplies)))  # of many supplies, few each
        self._dimmed_samples = {name: _Sample(few) for name in model.supplies}
        copies: weakref.WeakValueDictionary[int, Frames] = weakref.WeakValueDictionary()
        for sample in (self._samples, *self._dimmed_samples.values()):
            sample.copies = copies
        self._least_gain = np.ones(len(model.supplies))
        self._frames = 0
        self.amps: npt.NDArray[np.float32] = np.zeros((0, len(model.supplies)), np.float32)
        self.times_us: npt.NDArray[np.int64] = np.zeros(0, np.int64)
        self.group_us: npt.NDArray[np.int64] = np.zeros(0, np.int64)

    def add(self, group: Group, frames: Frames, gains: Amps | None = None) -> bool:
        """Add a group's frames uint8 (n, frame_bytes), and the limiter's gains (n, supplies) where it ran.

        Returns whether any string shows something new in them.
        """
        (sums, lit), new = self.volts.add(frames, self._frames)
        draws = self.model.draw_a(sums)
        amps = self.model.constant_a + self.model.add_draws(draws)
        self._see_peaks(amps, frames)
        self._aligned_a = np.maximum(self._aligned_a, self.model.aligned_a(lit).max(axis=0))
        self._draws.append(draws)
        self._low.append(self.model.add_draws(self.model.draw_a(sums, "low")).astype(np.float32))
        self._amps.append(amps.astype(np.float32))
        times = group_times_us(group)
        self._times.append(times)
        self._group_us.append(group.start_us)
        self._durations.append(np.diff(times, append=group.end_us))
        self._samples.add(frames, range(len(frames)), self._frames)
        if gains is not None:
            for i, name in enumerate(self.model.supplies):
                self._dimmed_samples[name].add(frames, np.flatnonzero(gains[:, i] < 1), self._frames)
            self._dimmed += (gains < 1).sum(axis=0)
            self._least_gain = np.minimum(self._least_gain, gains.min(axis=0))
        self._frames += len(frames)
        return new

    def _see_peaks(self, amps: Amps, frames: Frames) -> None:
        top = amps.argmax(axis=0)
        most = amps[top, np.arange(len(top))]
        for i in np.flatnonzero(most > self._peak_a):
            name, row = self.model.supplies[i], int(top[i])
            self._peak_a[i] = most[i]
            self.peak_frame[name] = self._frames + row
            self.peak_bytes[name] = frames[row : row + 1].copy()

    def result(self, address: Callable[[float], str]) -> dict[str, Any]:
        """`supplies`, `feeds`, `strings` as in audit.json. `address` names a time in seconds as bar.beat.

        Amperes by the high figures; `peak_low_a` is the largest by the low ones. `skewed_a` is the worst sum with
        boards that share the supply up to `skew_ms` apart (None: however far), `aligned_a` with all on-phases fallen
        together. `boards` holds what each board's pixels and itself draw at most, at whatever moment. `most_dimmed` is
        1 - the least gain. What needs the score (`clips`) is None. Raises ValueError without frames.
        """
        if not self._frames:
            raise ValueError("the audit has no frames")
        self.volts.flush()
        self.strip_v = self.volts.strips()
        self.amps = np.concatenate(self._amps)
        self.times_us = np.concatenate(self._times)
        self.group_us = np.array(self._group_us, np.int64)
        seconds = np.concatenate(self._durations) / 1e6
        total_s = float(seconds.sum())
        low = np.concatenate(self._low).max(axis=0) + self.model.idle_a("low") + self.model.boards_a("low")
        draws = np.concatenate(self._draws)
        exact = self.model.constant_a + self.model.add_draws(draws)
        if self.skew_ms is None:
            apart = draws.max(axis=0, keepdims=True)
        else:
            apart = windowed_max(draws, self.times_us, 0, self.skew_ms)
        skewed = self.model.constant_a + self.model.add_draws(apart).max(axis=0)
        boards_most = self.model.by_board(draws.max(axis=0, initial=0))
        white, idle, boards = self.model.full_white_a(), self.model.idle_a(), self.model.boards_a()
        supplies = {}
        for i, name in enumerate(self.model.supplies):
            supply = self.model.rig.supplies[name]
            amps = exact[:, i]
            mean_a = float((amps * seconds).sum() / total_s) if total_s else float(amps.mean())
            peak_s = float(self.times_us[self.peak_frame[name]] / 1e6)
            supplies[name] = {
                "budget_a": float(supply.budget_a),
                "peak_a": float(self._peak_a[i]),
                "peak_s": peak_s,
                "peak_at": address(peak_s),
                "mean_a": mean_a,
                "p99_a": _quantile(amps, seconds, 0.99),
                "energy_wh": mean_a * supply.volts * total_s / 3600,
                "full_white_a": float(white[i]),
                "clips": None,
                "limited_frames": int(self._dimmed[i]),
                "most_dimmed": float(1 - self._least_gain[i]),
                "idle_a": float(idle[i]),
                "boards_a": float(boards[i]),
                "peak_low_a": float(low[i]),
                "skewed_a": float(skewed[i]),
                "aligned_a": float(self._aligned_a[i]),
                "boards": boards_most[i],
            }
        feeds, strings = self.volts.feeds(self.times_us), self.volts.strings(self.times_us)
        return {"supplies": supplies, "feeds": feeds, "strings": strings}

    @property
    def samples(self) -> dict[int, Frames]:
        """Some frames spread evenly over the show: number -> bytes (1, frame_bytes)."""
        return self._samples.kept

    @property
    def dimmed(self) -> dict[str, dict[int, Frames]]:
        """By supply, some of the frames in which the limiter dimmed it: number -> bytes (1, frame_bytes)."""
        return {name: sample.kept for name, sample in self._dimmed_samples.items()}

    @property
    def worst_amps(self) -> dict[str, Floats]:
        """By string, its pixels' currents (pixels,) in the frame in which its volts are lowest; after `result`."""
        islands = self.ladder.island_of
        return {name: amps[islands[name].own[name]] for name, amps in self.volts.min_amps.items()}

    @property
    def loads(self) -> dict[tuple[str, ...], Floats]:
        """By strings that feel each other, where ground wires may carry more than plus wires: the frames that load
        some wire of theirs most, as their pixels' currents (frames, pixels of these strings); after `result`."""
        out = {}
        for island, rows in self.volts.loads.items():
            different = {id(row): row for row in rows.values()}
            out[tuple(island.strings)] = np.stack(list(different.values()))
        return out

    def over_budget(self) -> list[str]:
        """Supplies whose largest frame is above their budget."""
        return [name for i, name in enumerate(self.model.supplies) if self._peak_a[i] > self.model.budget_a[i]]


class _Sample:
    """Keeps every so many-th of the frames it is offered, from 20 to 39 of them, however many come.

    `least` is another number than 20; it then keeps fewer than twice that.
    """

    LEAST = 20

    def __init__(self, least: int = LEAST) -> None:
        self.kept: dict[int, Frames] = {}
        self.copies: weakref.WeakValueDictionary[int, Frames] = weakref.WeakValueDictionary()  # samples may share them
        self.least = least
        self._every, self._offered = 1, 0

    def add(self, frames: Frames, rows: Iterable[int], first: int) -> None:
        """Offer some rows of frames; `first` is the number of row 0."""
        for row in rows:
            if self._offered % self._every == 0:
                number = first + int(row)
                copy = self.copies.get(number)
                if copy is None:
                    copy = self.copies[number] = frames[row : row + 1].copy()
                self.kept[number] = copy
                if len(self.kept) == 2 * self.least:
                    self.kept = dict(list(self.kept.items())[::2])
                    self._every *= 2
            self._offered += 1


@dataclass(eq=False)
class _Part:
    """An island's part of the frames: its `place` among the bytes, each string's within that, the numbers of its runs.

    `known` are its different groups: by hash, their number and sums; `order` the number of each group of the show.
    `waiting` are groups not solved yet, of so many `frames`; `firsts` the numbers of their first frames.
    """

    island: Island
    place: slice | npt.NDArray[np.intp]
    spans: dict[str, slice]
    runs: slice | list[int]
    known: dict[bytes, tuple[int, npt.NDArray[np.int64]]] = field(default_factory=dict)
    order: list[int] = field(default_factory=list)
    waiting: list[Frames] = field(default_factory=list)
    frames: int = 0
    firsts: list[int] = field(default_factory=list)


class VoltAudit:
    """The ladder's part of the audit: volts along the strings, amperes of the feeds.

    Each island's groups are worked out once, told by a hash of their bytes.
    """

    def __init__(self, model: CurrentModel, ladder: Ladder) -> None:
        self.model, self.ladder = model, ladder
        self.idle_a = model.pixel_idle_a()
        strings = model.rig.strings
        self.min_v = dict.fromkeys(strings, np.inf)
        self.min_pixel = dict.fromkeys(strings, 0)
        self.min_frame = dict.fromkeys(strings, 0)
        self.min_amps: dict[str, Floats] = {}
        self._low: dict[str, list[npt.NDArray[np.int64]]] = {name: [] for name in strings}
        self._starved: dict[str, list[npt.NDArray[np.int64]]] = {name: [] for name in strings}
        self._strip: dict[str, list[npt.NDArray[np.float32]]] = {name: [] for name in strings}
        self.lift_v = dict.fromkeys(strings, 0.0)
        self.feed_peak_a = np.full(len(ladder.feeds), -np.inf)
        self.feed_frame = np.zeros(len(ladder.feeds), int)
        self.ground_a = np.full(len(ladder.feeds), -np.inf)
        # Of islands whose ground wires may carry more than their plus wires: by wire the frame that loads it most.
        self.loads: dict[Island, dict[tuple[str, int], Floats]] = {one: {} for one in ladder.islands if one.uneven}
        # Groups are gathered, because a few hundred frames cost little more than a few; never more than 3 MB an array,
        # and 24 MB of frames.
        longest = max(string.pixels for string in strings.values())
        self._most = max(1, min(400_000 // longest, (24 << 20) // model.rig.frame_bytes))
        self._white_v: dict[tuple[int, bytes], tuple[float, int]] = {}
        self._parts = [self._part(island) for island in ladder.islands]
        self._part_of = {name: part for part in self._parts for name in part.island.strings}

    def _part(self, island: Island) -> _Part:
        rig, names = self.model.rig, list(island.strings)
        spans = slices_of({name: string.frame_bytes for name, string in island.strings.items()})
        place: slice | npt.NDArray[np.intp] = rig.byte_slices[names[0]]
        if len(names) > 1:
            place = np.concatenate([np.arange(rig.frame_bytes)[rig.byte_slices[name]] for name in names])
        numbers = [i for i, run in enumerate(self.model.runs) if run.string.name in island.strings]
        runs = slice(numbers[0], numbers[-1] + 1) if len(names) == 1 else numbers  # those of a string are in a row
        return _Part(island, place, spans, runs)

    def add(self, frames: Frames, first: int) -> tuple[npt.NDArray[np.int64], bool]:
        """Add frames; `first` is the number of their first. Returns `CurrentModel.run_sums` of them, and of them with
        every lit byte as 1: (2, n, runs); and whether any of them were new."""
        new = False
        out = np.empty((2, len(frames), len(self.model.runs)), np.int64)
        for part in self._parts:
            own = np.ascontiguousarray(frames[:, part.place])
            key = hashlib.sha256(own.data, usedforsecurity=False).digest()
            if key not in part.known:
                new = True
                part.known[key] = len(part.known), self._sums(part, own)
                part.waiting.append(own)
                part.firsts.append(first)
                part.frames += len(own)
                if part.frames >= self._most:
                    self._solve(part)
            number, out[:, :, part.runs] = part.known[key]
            part.order.append(number)
        return out, new

    def _sums(self, part: _Part, own: Frames) -> npt.NDArray[np.int64]:
        every = [
            [self.model.string_sums(name, levels[:, span]) for name, span in part.spans.items()]
            for levels in (own, lit(own))
        ]
        return np.stack([np.concatenate(of, axis=1) for of in every])

    def low_frames(self, name: str) -> int:
        """Frames of the show in which some pixel of a string is below its chip's least."""
        return int(np.concatenate(self._low[name])[self._part_of[name].order].sum())

    def starved_frames(self, name: str) -> int:
        """Frames of the show in which some pixel of a string has so little that colours shift."""
        return int(np.concatenate(self._starved[name])[self._part_of[name].order].sum())

    def strips(self) -> dict[str, npt.NDArray[np.float32]]:
        """By string, the lowest volts of at most `STRIP_ROWS` stretches of its pixels in each group of the show."""
        return {name: np.concatenate(rows)[self._part_of[name].order] for name, rows in self._strip.items()}

    def flush(self) -> None:
        """Solve what has been gathered."""
        for part in self._parts:
            if part.waiting:
                self._solve(part)

    def _solve(self, part: _Part) -> None:
        counts = list(map(len, part.waiting))
        numbers = np.concatenate([first + np.arange(n) for first, n in zip(part.firsts, counts, strict=True)])
        own = np.concatenate(part.waiting)
        part.waiting, part.firsts, part.frames = [], [], 0
        amps = np.concatenate([self.model.string_a(name, own[:, span]) for name, span in part.spans.items()], axis=1)
        amps += self.idle_a[part.island.pixels]
        self._take(part.island, amps, numbers, np.cumsum([0, *counts[:-1]]))

    def _take(
        self, island: Island, amps: Floats, numbers: npt.NDArray[np.int64], starts: npt.NDArray[np.int64]
    ) -> None:
        """Solve an island; `numbers` are those of the frames, `starts` the first rows of the groups."""
        solved = island.solve(amps)
        for name, volts in solved.volts.items():
            string = island.strings[name]
            lowest = volts.min(axis=1)
            row = int(lowest.argmin())
            if lowest[row] < self.min_v[name]:
                self.min_v[name] = lowest[row]
                self.min_frame[name] = int(numbers[row])
                self.min_pixel[name] = int(volts[row].argmin())
                self.min_amps[name] = amps[row].copy()
            self._low[name].append(np.add.reduceat(lowest < string.chip.min_v, starts, dtype=np.int64))
            self._starved[name].append(np.add.reduceat(lowest < headroom(string).full_v, starts, dtype=np.int64))
            self.lift_v[name] = max(self.lift_v[name], float(solved.lift[name][:, 0].max()))
            by_group = np.minimum.reduceat(volts, starts, axis=0)
            self._strip[name].append(_stretches(by_group).astype(np.float32))
        top = solved.feeds.argmax(axis=0)
        peaks = solved.feeds[top, np.arange(len(top))]
        mine = island.columns
        self.feed_frame[mine] = np.where(peaks > self.feed_peak_a[mine], numbers[top], self.feed_frame[mine])
        if island in self.loads:
            grounds = np.abs(solved.grounds)
            self._keep_loads(island, "plus", amps, top, peaks > self.feed_peak_a[mine])
            most = grounds.argmax(axis=0)
            self._keep_loads(island, "ground", amps, most, grounds.max(axis=0) > self.ground_a[mine])
            self.ground_a[mine] = np.maximum(self.ground_a[mine], grounds.max(axis=0))
        self.feed_peak_a[mine] = np.maximum(self.feed_peak_a[mine], peaks)
        if island not in self.loads:
            self.ground_a[mine] = self.feed_peak_a[mine]

    def _keep_loads(
        self, island: Island, wire: str, amps: Floats, rows: npt.NDArray[np.intp], more: npt.NDArray[np.bool_]
    ) -> None:
        """Keep the frames (rows of amps) that load an island's feeds more than any before. Feeds share a copy."""
        copies = {row: amps[row].copy() for row in set(rows[more].tolist())}
        for feed in np.flatnonzero(more):
            self.loads[island][wire, int(feed)] = copies[int(rows[feed])]

    def strings(self, times_us: npt.NDArray[np.int64]) -> dict[str, dict[str, Any]]:
        """`strings` as in audit.json, and more.

        `min_v` is what the worst frame leaves when currents sink with the voltage (`currents_hold` False: they do).
        `nominal_v` is its first feed's supply, `limit_v` the chip's least; `low_frames` are below it, `starved_frames`
        so low that colours shift. `frame_wire_us` is bits and then the low time that latches them.
        `white_min_v` at full white; `lift_v` the largest rise of the ground at the data end; `data_v` what the chip
        needs on its data pin at 0.7 x its supply, `logic_v` what the board gives.
        """
        out = {}
        white = self.model.pixel_a(self.model.white())[0] + self.idle_a
        for name, string in self.model.rig.strings.items():
            feed = string.feeds[0]
            volts = self.model.rig.supplies[feed.supply].volts
            island = self.ladder.island_of[name]
            min_v, pixel = island.lowest(name, self.min_amps[name], self.idle_a[island.pixels])
            out[name] = {
                "min_v": min_v,
                "min_v_pixel": pixel,
                "min_v_s": float(times_us[self.min_frame[name]] / 1e6),
                "frame_wire_us": float(string.wire_us + string.chip.reset_us),
                "nominal_v": volts,
                "limit_v": string.chip.min_v,
                "ok": min_v >= string.chip.min_v,
                "currents_hold": self.starved_frames(name) == 0,
                "low_frames": self.low_frames(name),
                "starved_frames": self.starved_frames(name),
                "white_min_v": self._white_min_v(island, name, white[island.pixels]),
                "rail_ohm_per_m": rail_ohm_per_m(string),
                "rail_estimated": string.rail_ohm_per_m is None,
                "lift_v": self.lift_v[name],
                # Chips on 12 V make their own 5 V for their logic.
                "data_v": 0.7 * min(volts, 5.5 if volts < 8 else 5.0),
                "logic_v": self.model.rig.controllers[string.controller].board.logic_v,
            }
        return out

    def feeds(self, times_us: npt.NDArray[np.int64]) -> dict[str, dict[str, Any]]:
        """`feeds` as in audit.json, and more.

        `limit_a` is what a show may draw through it (its fuse's rating, else what its wire carries; None for neither);
        `wire_a` is what its wire carries by `wire_basis`; `wire_ok` says that neither exceeds that and its fuse
        protects it. `short_a` flows when its run is shorted at the far end; a fuse clears that promptly where it
        is 3 times its rating or more (practice). `lost_min_v`: the string's worst frame without this feed.

        `peak_a` is the plus wire's, which the fuse sees; `ground_a` is the most that its ground wire carries, which may
        be more where V+ is cut and ground is not.
        """
        out = {}
        for i, (name, feed) in enumerate(self.model.rig.feeds.items()):
            peak_a = float(self.feed_peak_a[i])
            carried = carries(feed.wire) if feed.wire is not None else None
            # Without a wire's resistance a short's current would be anyone's guess.
            short_a = self.ladder.short_a(feed) if feed.wire is not None else None
            limit_a = feed_limit_a(feed)
            out[name] = {
                "supply": feed.supply,
                "peak_a": peak_a,
                "ground_a": float(self.ground_a[i]),
                "limit_a": limit_a if math.isfinite(limit_a) else None,
                "peak_s": float(times_us[self.feed_frame[i]] / 1e6),
                "fuse_a": feed.fuse_a,
                "fuse_ok": None if feed.fuse_a is None else peak_a <= feed.fuse_a,
                "wire_ok": wire_ok(feed, max(peak_a, float(self.ground_a[i]))),
                "wire_a": carried.amps if carried else None,
                "wire_basis": carried.basis if carried else None,
                "short_a": short_a,
                "short_clears": None if feed.fuse_a is None or short_a is None else short_a >= 3 * feed.fuse_a,
                "lost_min_v": self._lost_v(name),
            }
        return out

    def _white_min_v(self, island: Island, name: str, white: Floats) -> float:
        """Lowest volts of a string at full white; strings alike are worked out once."""
        if len(island.strings) > 1:
            return island.lowest(name, white, self.idle_a[island.pixels])[0]
        key = id(island.circuit), white.tobytes()
        if key not in self._white_v:
            self._white_v[key] = island.lowest(name, white, self.idle_a[island.pixels])
        return self._white_v[key][0]

    def _lost_v(self, feed_name: str) -> float | None:
        """Lowest volts in its string's worst frame without one feed; None where nothing else feeds the same run."""
        rig = self.model.rig
        string = rig.strings[rig.feeds[feed_name].string]
        number = [feed.name for feed in string.feeds].index(feed_name)
        mates = next(feeds for _, _, feeds in self.ladder.rails[string.name].runs if number in feeds)
        if len(mates) == 1:
            return None
        alone, own = self.ladder.alone(string.name, feed_name), self.ladder.island_of[string.name].own[string.name]
        idle = self.idle_a[rig.pixel_slices[string.name]]
        return alone.lowest(string.name, self.min_amps[string.name][own], idle)[0]


def _stretches(values: Floats) -> Floats:
    """(n, pixels) -> the lowest of each of at most `STRIP_ROWS` stretches of pixels, (n, stretches)."""
    pixels = values.shape[1]
    if pixels <= STRIP_ROWS:
        return values
    lowest: Floats = np.minimum.reduceat(values, np.arange(STRIP_ROWS) * pixels // STRIP_ROWS, axis=1)
    return lowest


def _quantile(values: Amps, weights: Amps, share: float) -> float:
    """The smallest value that at least `share` of the weight is at or below."""
    order = np.argsort(values, kind="stable")
    upto = np.cumsum(weights[order])
    return float(values[order[min(np.searchsorted(upto, share * upto[-1] * (1 - 1e-12)), len(order) - 1)]])
