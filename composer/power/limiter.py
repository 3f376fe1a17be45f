"""The limiter: keeps every supply and every feed within its budget in every frame, without pumping.

The gain of a supply in a frame depends only on frames within one beat either side, in two steps without recursion:

    need     what this frame alone would need: headroom / amperes above idle, at most 1; the least of the supply's
             own and its feeds' (their fuse, or what their wire carries)
    floor    the smallest need within half a beat either side
    gain     the floor averaged over 3/8 of a beat either side, a raised cosine

Every floor that enters the average saw this frame, so gain <= need. Accents that come back within a beat see one
level, so the gain does not pump with them. Distances are musical, so a bar with the same surroundings gets the same
gains at any tempo, and bakes to the same bytes. The bytes are scaled in whole numbers and rounded down, so the
budget holds on what the wire carries.

Pixels that are to keep their light are a tier of their own: what they need is found as if they were alone, and the
others share what is left of the headroom. Each tier has its own need, floor and gain.
"""

from __future__ import annotations

import weakref
from collections import deque
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt
import scipy.sparse as sp

from ..faults import ShowFails
from .ladder import Ladder
from .model import Amps, CurrentModel, Frames, Run
from .wires import feed_limit_a

if TYPE_CHECKING:
    from ..clock import Group

Mode = Literal["off", "warn", "on"]
Limited = tuple["Group", Frames, Amps]

LOOK = Fraction(1)
FLOOR_BEATS = 0.5
SMOOTH_BEATS = 0.375
SKEW_MS = 50.0
ONE = 1 << 16
LOW_LEVEL = 16  # below this a step of one is a visible shift of colour
GOLDEN = 0.6180339887498949


@dataclass(frozen=True, eq=False)
class _Held:
    """A group waiting for its look-ahead: its frames, their sums (n, runs), what they draw (n, tiers, draws), what its
    feeds need of each supply's gain (n, tiers, supplies)."""

    group: Group
    frames: Frames
    sums: npt.NDArray[np.int64]
    draws: Amps
    feed_need: Amps
    times_us: npt.NDArray[np.int64]

    @property
    def beat(self) -> Fraction:
        return self.group.beat

    @property
    def end_beat(self) -> Fraction:
        return self.group.beat + self.group.frames * self.group.step


def limited(
    stream: Iterable[tuple[Group, Frames]],
    model: CurrentModel,
    mode: Mode = "on",
    skew_ms: float | None = SKEW_MS,
    keep: Iterable[int] = (),
) -> Iterator[Limited]:
    """Groups of frames within budget: yields (group, frames uint8 (n, frame_bytes), gains float64 (n, supplies)).

    Mode "on": each supply and each feed stays at or under its budget in every frame, on the bytes that come out, also
    while boards that share a supply run up to `skew_ms` (at most a beat) apart. With None they may run however far
    apart: then each is held to its part of the budget by full white, lit or not the others. Modes "warn" and "off":
    frames unchanged, gains 1. Where nothing is scaled the very array that came in goes out. Holds about three beats of
    groups.

    `keep` are pixels (numbers over the rig) that are dimmed only when dark others do not suffice; the gains are then
    the smaller of theirs and the others'.

    Raises ShowFails, before the first frame, where idle pixels and boards alone exceed a budget.
    """
    # Why not recursive, as most limiters are: a recursive gain remembers the whole song before it, so no two bars bake
    # alike and a change in bar 2 changes every byte after it.
    if mode not in ("off", "warn", "on"):
        raise ValueError(f'the limiter is "off", "warn" or "on", not {mode!r}')
    if mode == "on":
        scaler = _Scaler(model, keep)
        check_budgets(model, scaler.feeds)
        return _limited(stream, scaler, skew_ms)
    return ((group, frames, np.ones((len(frames), len(model.supplies)))) for group, frames in stream)


def check_budgets(model: CurrentModel, feeds: _Feeds) -> None:
    """Raise ShowFails, a line each, where a budget is below what dark pixels and boards draw."""
    lines = []
    for name, budget_a, idle_a, boards_a in zip(
        model.supplies, model.budget_a, model.idle_a(), model.boards_a(), strict=True
    ):
        if budget_a < idle_a + boards_a:
            lines.append(
                f"supply.{name}: its budget of {budget_a:.2f} A is below the {idle_a + boards_a:.2f} A of its dark "
                f"pixels ({idle_a:.2f} A) and boards ({boards_a:.2f} A)"
            )
    for name, limit_a, idle in zip(feeds.names, feeds.limit_a, feeds.idle_a, strict=True):
        if limit_a < idle:
            lines.append(f"feed {name}: its {limit_a:.2f} A are below the {idle:.2f} A that its dark pixels draw")
    if lines:
        raise ShowFails("\n".join(lines))


def group_times_us(group: Group) -> npt.NDArray[np.int64]:
    """When each frame of a group latches, microseconds, (frames,)."""
    return group.start_us + np.arange(group.frames, dtype=np.int64) * (group.end_us - group.start_us) // group.frames


def _limited(stream: Iterable[tuple[Group, Frames]], scaler: _Scaler, skew_ms: float | None) -> Iterator[Limited]:
    held: deque[_Held] = deque()
    done = 0  # groups of `held` that are out already and stay for those that follow
    for group, frames in stream:
        held.append(_Held(group, frames, *scaler.looked_at(frames), group_times_us(group)))
        while done < len(held) and held[-1].end_beat >= held[done].end_beat + LOOK:
            yield _emit(held, done, scaler, skew_ms)
            done += 1
            while done and held[0].end_beat <= held[done].beat - LOOK:
                held.popleft()
                done -= 1
    while done < len(held):
        yield _emit(held, done, scaler, skew_ms)
        done += 1


def _emit(held: deque[_Held], index: int, scaler: _Scaler, skew_ms: float | None) -> Limited:
    this = held[index]
    near = [h for h in held if h.end_beat > this.beat - LOOK and h.beat < this.end_beat + LOOK]
    gains = _gains(near, this, scaler, skew_ms)
    if (gains == 1).all():
        return this.group, this.frames, gains[:, 0]
    return this.group, scaler.scaled(this.frames, this.sums, gains), gains.min(axis=1)


def _gains(near: list[_Held], this: _Held, scaler: _Scaler, skew_ms: float | None) -> Amps:
    """Gains of one group from its surroundings, (frames, tiers, supplies)."""
    model = scaler.model
    gains = np.ones((len(this.frames), scaler.tiers, len(model.supplies)))
    draws = np.concatenate([h.draws for h in near])
    feed_need = np.concatenate([h.feed_need for h in near])
    # Whichever frames of the boards meet, and each board's own share: most groups are told by that alone.
    most = draws.max(axis=0).sum(axis=0, keepdims=True)
    fits = model.add_draws(most) <= scaler.headroom_a
    if skew_ms is None:
        fits &= scaler.by_share(most) <= scaler.headroom_a
    if fits.all() and (feed_need == 1).all():
        return gains
    times_us = np.concatenate([h.times_us for h in near])
    need = np.minimum(_needs(draws, times_us, scaler, skew_ms), feed_need)
    # Places relative to this group: exact fractions first, so that equal surroundings give equal floats.
    at = np.concatenate([float(h.beat - this.beat) + np.arange(len(h.frames)) * float(h.group.step) for h in near])
    width = np.concatenate([np.full(len(h.frames), float(h.group.step)) for h in near])
    first = sum(len(h.frames) for h in near[: near.index(this)])
    mine = slice(first, first + len(this.frames))
    apart = np.abs(at[mine, None] - at[None, :])
    weight = np.where(apart < SMOOTH_BEATS, 1 + np.cos(np.pi / SMOOTH_BEATS * apart), 0.0) * width
    wanted = np.flatnonzero(weight.any(axis=0))
    close = np.abs(at[wanted, None] - at[None, :]) <= FLOOR_BEATS + 1e-9
    for tier in range(scaler.tiers):
        for supply in range(len(model.supplies)):
            wants = need[:, tier, supply]
            if (wants == 1).all():
                continue
            floor = np.where(close, wants[None, :], 1.0).min(axis=1)
            # 1 - the average of what is taken away: exactly 1 where nothing is.
            taken = (weight[:, wanted] * (1 - floor)).sum(axis=1) / weight.sum(axis=1)
            gains[:, tier, supply] = np.minimum(np.clip(1 - taken, 0, 1), wants[mine])
    return gains


def _needs(draws: Amps, times_us: npt.NDArray[np.int64], scaler: _Scaler, skew_ms: float | None) -> Amps:
    """The gain each frame alone would need, (n, tiers, supplies), from draws (n, tiers, draws).

    A tier has what the tiers before it leave of the headroom. They take min(headroom, their draws) at most: their own
    gains see to that. What they draw is looked for in every frame of theirs that a frame of this tier may meet.
    """
    out = np.empty((len(draws), scaler.tiers, len(scaler.model.supplies)))
    for tier in range(scaler.tiers):
        lit = draws[:, tier]
        before = _meeting(draws[:, :tier].sum(axis=1), times_us, scaler, skew_ms, lit)
        total = _meeting(lit, times_us, scaler, skew_ms, lit)
        out[:, tier] = _share(scaler.headroom_a - np.minimum(scaler.headroom_a, before), total)
    return out


def _share(left_a: Amps, wanted_a: Amps) -> Amps:
    """What part of the amperes wanted there is, at most 1; of nothing wanted, all."""
    return np.where(wanted_a > 0, np.minimum(1.0, left_a / np.maximum(wanted_a, 1e-12)), 1.0)


def _meeting(draws: Amps, times_us: npt.NDArray[np.int64], scaler: _Scaler, skew_ms: float | None, lit: Amps) -> Amps:
    """What each supply must be ready for in each frame, (n, supplies), from draws (n, draws).

    Of a supply shared by several boards, a board's frame counts together with the most that each other board draws
    within the skew, if the board has anything to dim in it (`lit`, (n, draws), the draws of the tier that is asked
    about). Whatever frames of the boards meet, each then has gain <= headroom / (the sum of their draws).
    """
    model = scaler.model
    total = model.add_draws(draws)
    if skew_ms is None:
        return np.maximum(total, scaler.by_share(draws))
    widest = windowed_max(draws, times_us, -skew_ms, skew_ms)
    for i, draw in enumerate(model.draws):
        others = scaler.others[i]
        if others:
            meeting = np.where(lit[:, i] > 0, draws[:, i] + widest[:, others].sum(axis=1), 0)
            total[:, draw.supply] = np.maximum(total[:, draw.supply], meeting)
    return total


def windowed_max(values: Amps, times_us: npt.NDArray[np.int64], from_ms: float, to_ms: float) -> Amps:
    """The largest of each column from `from_ms` (<= 0) to `to_ms` (>= 0) around each frame, (n, columns)."""
    out = values.copy()
    for step in range(1, len(times_us)):
        apart_ms = (times_us[step:] - times_us[:-step]) / 1000
        before, after = apart_ms <= -from_ms, apart_ms <= to_ms
        if not (before.any() or after.any()):
            break
        np.maximum(out[step:], values[:-step], out=out[step:], where=before[:, None])
        np.maximum(out[:-step], values[step:], out=out[:-step], where=after[:, None])
    return out


class _Feeds:
    """The feeds that full white would take over their limit, and what gain keeps them under it.

    A feed's current is a weighted sum of its own run's pixels, weights 0-1 from the ladder, so the gain of the run's
    supply scales all of it above idle.
    """

    def __init__(self, model: CurrentModel) -> None:
        self.model = model
        every = list(model.rig.feeds.values())
        limits = np.array([feed_limit_a(feed) for feed in every])
        self.weights = sp.csc_matrix((model.rig.pixels, 0))
        tight = np.zeros(len(every), bool)
        if np.isfinite(limits).any():
            weights = Ladder(model.rig).by_pixel()
            weights.data = np.clip(weights.data, 0, 1)
            white = weights.T @ (model.pixel_a(model.white())[0] + model.pixel_idle_a())
            tight = white > limits
            self.weights = weights[:, np.flatnonzero(tight)].tocsc()
        self.names = [feed.name for feed, keep in zip(every, tight, strict=True) if keep]
        self.limit_a: Amps = limits[tight]
        self.idle_a: Amps = np.asarray(self.weights.T @ model.pixel_idle_a())
        # A millionth less than there is, for the rounding of the network's solution.
        self.headroom_a: Amps = np.maximum(0.0, self.limit_a * (1 - 1e-6) - self.idle_a)
        self.supply = [model.supplies.index(model.rig.feeds[name].supply) for name in self.names]
        self.runs = [
            next(
                i for i, run in enumerate(model.runs)
                if run.string.name == model.rig.feeds[name].string and self.weights[run.pixels, f].count_nonzero()
            )
            for f, name in enumerate(self.names)
        ]  # fmt: skip
        self.channel_a: Amps = np.array([model.runs[r].channel_a("high") / 255 for r in self.runs])

    def suffice(self, sums: npt.NDArray[np.int64] | Amps) -> bool:
        """Whether all the pixels of every feed's run together draw less than it may; `sums` (n, runs).

        A feed takes no more than that; most groups are told by it, without looking at pixels.
        """
        most = sums.max(axis=0, initial=0)[self.runs] * self.channel_a
        return not (most > self.headroom_a).any()

    def above_idle_a(self, frames: Frames) -> Amps:
        """Amperes of these feeds above idle, (n, feeds)."""
        return np.asarray(self.model.pixel_a(frames) @ self.weights)

    def need(self, frames: Frames, sums: npt.NDArray[np.int64], kept: npt.NDArray[np.bool_] | None) -> Amps:
        """The gain of each supply that its feeds alone would need, (n, tiers, supplies).

        `sums` (n, runs) are of all pixels; `kept` (pixels,) are those of the first of two tiers, None for one tier.
        """
        out = np.ones((len(frames), 1 if kept is None else 2, len(self.model.supplies)))
        if self.suffice(sums):
            return out
        amps = self.model.pixel_a(frames)
        tiers = [amps] if kept is None else [np.where(on, amps, 0) for on in (kept, ~kept)]
        before = np.zeros((len(frames), len(self.names)))
        for tier, lit in enumerate(tiers):
            above = np.asarray(lit @ self.weights)
            wants = _share(self.headroom_a - np.minimum(self.headroom_a, before), above)
            before += above
            for f, supply in enumerate(self.supply):
                out[:, tier, supply] = np.minimum(out[:, tier, supply], wants[:, f])
        return out


@dataclass(frozen=True, eq=False)
class _Piece:
    """Pixels of one run and one tier: which run, where their bytes are, their thresholds for the dither (bytes,)."""

    run: Run
    number: int
    tier: int
    bytes: slice | npt.NDArray[np.intp]
    dither: npt.NDArray[np.uint32]


class _Scaler:
    """Scales bytes by the gain of the supply that feeds them, whole numbers only."""

    def __init__(self, model: CurrentModel, keep: Iterable[int] = ()) -> None:
        self.model = model
        # A billionth less than there is, for the rounding of the sums themselves.
        self.headroom_a: Amps = np.maximum(0.0, (model.budget_a - model.constant_a) * (1 - 1e-9) - 1e-12)
        self.feeds = _Feeds(model)
        white = model.draw_a(model.run_sums(model.white()))
        self.share: Amps = white[0] / np.maximum(
            model.add_draws(white)[0, [draw.supply for draw in model.draws]], 1e-12
        )
        kept = np.zeros(model.rig.pixels, bool)
        kept[list(keep)] = True
        self.kept = kept if kept.any() else None
        self.tiers = 1 if self.kept is None else 2
        self._known: dict[int, tuple[weakref.ref[Frames], tuple[npt.NDArray[np.int64], Amps, Amps]]] = {}
        draws = list(enumerate(model.draws))
        self.others = [[j for j, other in draws if other.supply == draw.supply and j != i] for i, draw in draws]
        self._supply_of = [run.supply for run in model.runs]
        self.pieces = [piece for i, run in enumerate(model.runs) for piece in _pieces(i, run, self.kept)]

    def looked_at(self, frames: Frames) -> tuple[npt.NDArray[np.int64], Amps, Amps]:
        """Sums of frames (n, runs), what they draw (n, tiers, draws), what their feeds need of each gain (n, tiers,
        supplies).

        A read-only array that comes again (a bar that repeats) is not looked at again.
        """
        known = self._known.get(id(frames))
        if known is not None and known[0]() is frames:
            return known[1]
        found = self._look_at(frames)
        if not frames.flags.writeable:
            self._known[id(frames)] = weakref.ref(frames), found
        return found

    def _look_at(self, frames: Frames) -> tuple[npt.NDArray[np.int64], Amps, Amps]:
        sums = self.model.run_sums(frames)
        needs = self.feeds.need(frames, sums, self.kept)
        if self.kept is None:
            return sums, self.model.draw_a(sums)[:, None], needs
        first = np.zeros_like(sums)
        for piece in self.pieces:
            if piece.tier == 0:
                string = piece.run.string
                first[:, piece.number] = _sums(frames[:, piece.bytes], string.chip.law, string.channels)
        return sums, np.stack([self.model.draw_a(first), self.model.draw_a(sums - first)], axis=1), needs

    def by_share(self, draws: Amps) -> Amps:
        """What each supply would draw if all its boards used as much of their part as the one that uses most.

        draws (n, draws) -> (n, supplies). Within the headroom, every board is within its part of it.
        """
        out = np.zeros((len(draws), len(self.model.supplies)))
        for i, draw in enumerate(self.model.draws):
            np.maximum(out[:, draw.supply], draws[:, i] / max(self.share[i], 1e-12), out=out[:, draw.supply])
        return out

    def scaled(self, frames: Frames, sums: npt.NDArray[np.int64], gains: Amps) -> Frames:
        """Frames, with their sums, scaled by gains (n, tiers, supplies). No run comes out with more than gain x its
        sum, tier by tier.

        Rounded down, but where a level ends below 16 a static spatial dither keeps the colour of a run of pixels;
        in a frame where that would exceed the share, or a feed's limit, everything is rounded down.
        """
        scale = np.floor(gains * ONE).astype(np.uint32)
        out = self._scaled(frames, scale, True)
        if not self.feeds.suffice(sums * gains.max(axis=1)[:, self._supply_of]):
            over = np.flatnonzero((self.feeds.above_idle_a(out) > self.feeds.headroom_a).any(axis=1))
            out[over] = self._scaled(frames[over], scale[over], False)
        return out

    def _scaled(self, frames: Frames, scale: npt.NDArray[np.uint32], dithered: bool) -> Frames:
        out = frames.copy()
        for piece in self.pieces:
            run = piece.run
            by = scale[:, piece.tier, run.supply]
            rows = np.flatnonzero(by < ONE)
            if not len(rows):
                continue
            where = (rows, piece.bytes) if isinstance(piece.bytes, slice) else np.ix_(rows, piece.bytes)
            before = frames[where]
            exact = before * by[rows, None]
            after = (exact + piece.dither * (exact < LOW_LEVEL * ONE) * dithered) >> 16
            step = run.string.channels
            share = by[rows] * _sums(before, run.string.chip.law, step)
            over = _sums(after, run.string.chip.law, step) * ONE > share
            after[over] = exact[over] >> 16
            out[where] = after
        return out


def _pieces(number: int, run: Run, kept: npt.NDArray[np.bool_] | None) -> Iterator[_Piece]:
    """A run whole, or its kept pixels (tier 0) and its others (tier 1)."""
    at = np.arange(run.count)
    step = run.string.channels
    # One threshold a pixel, the same for its channels, evenly spread along the string and fixed in time.
    dither = np.repeat((at * GOLDEN % 1.0 * (ONE * 7 / 8)).astype(np.uint32), step)
    mine = np.zeros(run.count, bool) if kept is None else kept[run.pixels]
    tiers = [(0, at)] if kept is None else [(0, at[mine]), (1, at[~mine])]
    for tier, pixels in tiers:
        if len(pixels) == run.count:
            yield _Piece(run, number, tier, run.bytes, dither)
        elif len(pixels):
            places = (pixels[:, None] * step + np.arange(step)).ravel()
            yield _Piece(run, number, tier, run.bytes.start + places, dither[places])


def _sums(levels: npt.NDArray[np.integer], law: str, step: int) -> npt.NDArray[np.int64]:
    if law == "max":
        levels = np.maximum.reduce([levels[:, channel::step] for channel in range(step)])
    total: npt.NDArray[np.int64] = levels.sum(axis=1, dtype=np.int64)
    return total
