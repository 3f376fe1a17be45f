"""What the pixels of a rig draw, from the bytes on the wire.

Conventions
-----------
Frames are uint8 (n, rig.frame_bytes). Amperes are float64. A pixel draws its chip's idle current, and above that
`channel_ma` x byte / 255 a channel: of every channel where they add up (law "sum"), of the largest one where the dies
are in series (law "max"). A chip that drives several LEDs in series (`lens`) draws the current of one. Published
figures differ, so every chip row has a low and a high value; budgets are judged by the high one.

Sums of bytes are exact integers and are weighted in a fixed order, so the same frame gives the same figure in any
chunk, and a frame with smaller bytes never a larger one.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from ..faults import FaultList
from ..rig import Chip, Controller, LedString, Reading, Rig, Supply

Frames = npt.NDArray[np.uint8]
Amps = npt.NDArray[np.float64]
Band = Literal["low", "high"]

# A board on a supply of another voltage hangs behind a step-down converter. 85 % is common practice for small ones.
BOARD_V = 5.0
CONVERTER_EFFICIENCY = 0.85


@dataclass(frozen=True)
class Run:
    """Pixels of one string fed by one supply. `draw` numbers the (controller, supply) pair it belongs to."""

    string: LedString
    supply: int
    draw: int
    pixels: slice
    bytes: slice

    @property
    def count(self) -> int:
        """Pixels in the run."""
        return int(self.pixels.stop - self.pixels.start)

    def channel_a(self, band: Band) -> float:
        """Amperes of one channel full on."""
        return band_of(self.string.chip.channel_ma, band) / 1000

    def idle_a(self, band: Band) -> float:
        """Amperes of the run when dark."""
        return self.count * band_of(self.string.chip.idle_ma, band) / 1000


@dataclass(frozen=True)
class Draw:
    """What one controller's pixels take from one supply (an index into `CurrentModel.supplies`)."""

    controller: str
    supply: int


class CurrentModel:
    """Amperes from wire bytes for one rig.

    `supplies` are the names in the order of every (..., supplies) array; `runs` the pieces of strings by supply;
    `draws` the (controller, supply) pairs in the order of `draw_a`. `rig` is calibrated: strings with ammeter readings
    draw what those say. Raises `Faults` for readings that cannot be.
    """

    def __init__(self, rig: Rig) -> None:
        rig, self.residuals_a = calibrated(rig)
        self.rig = rig
        self.supplies: tuple[str, ...] = tuple(rig.supplies)
        number = {name: i for i, name in enumerate(self.supplies)}
        draws: list[Draw] = []
        runs: list[Run] = []
        for name, string in rig.strings.items():
            pixel0, byte0 = rig.pixel_slices[name].start, rig.byte_slices[name].start
            for first, end, supply in string.segments:
                draw = Draw(string.controller, number[supply])
                if draw not in draws:
                    draws.append(draw)
                pixels = slice(pixel0 + first, pixel0 + end)
                span = slice(byte0 + first * string.channels, byte0 + end * string.channels)
                runs.append(Run(string, draw.supply, draws.index(draw), pixels, span))
        self.runs = tuple(runs)
        self.draws = tuple(draws)
        self.budget_a: Amps = np.array([supply.budget_a for supply in rig.supplies.values()])
        self.supply_of_pixel: npt.NDArray[np.intp] = np.zeros(rig.pixels, np.intp)
        for run in runs:
            self.supply_of_pixel[run.pixels] = run.supply

    # ---- what is always there ----

    def idle_a(self, band: Band = "high") -> Amps:
        """Amperes of dark but powered pixels, (supplies,)."""
        out = np.zeros(len(self.supplies))
        for run in self.runs:
            out[run.supply] += run.idle_a(band)
        return out

    def boards_a(self, band: Band = "high") -> Amps:
        """Amperes of the boards themselves, (supplies,). See `board_a` for a board on other than 5 V."""
        out = np.zeros(len(self.supplies))
        for controller in self.rig.controllers.values():
            if controller.supply is not None:
                supply = self.rig.supplies[controller.supply]
                out[self.supplies.index(supply.name)] += board_a(controller, supply, band)
        return out

    @cached_property
    def constant_a(self) -> Amps:
        """Idle pixels and boards, (supplies,), high figures."""
        return self.idle_a() + self.boards_a()

    # ---- what a frame adds ----

    def run_sums(self, frames: Frames) -> npt.NDArray[np.int64]:
        """What each run's bytes add up to by its chip's law, (n, runs): 255 is one channel full on."""
        checked(frames, self.rig)
        spans = self.rig.byte_slices
        return np.concatenate([self.string_sums(name, frames[:, spans[name]]) for name in self.rig.strings], axis=1)

    def string_sums(self, name: str, levels: Frames) -> npt.NDArray[np.int64]:
        """As `run_sums`, for one string's bytes (n, bytes of the string): (n, runs of the string)."""
        runs = self._runs_of[name]
        out = np.empty((len(levels), len(runs)), np.int64)
        for i, (run, _, own) in enumerate(runs):
            out[:, i] = _by_law(levels[:, own], run.string).sum(axis=1, dtype=np.int64)
        return out

    def draw_a(self, sums: npt.NDArray[np.int64], band: Band = "high") -> Amps:
        """`run_sums` -> amperes above idle of each (controller, supply) pair, (n, draws)."""
        order, starts, shares = self._by_draw[band]
        return np.add.reduceat(sums[:, order] * shares, starts, axis=1)

    def most_a(self, frames: Frames, controllers: Iterable[str]) -> Amps:
        """The most amperes above idle that each pair of these controllers draws in frames, (draws,); 0 for others."""
        sums = np.zeros((len(frames), len(self.runs)), np.int64)
        wanted = set(controllers)
        at = 0
        for name, string in self.rig.strings.items():
            runs = slice(at, at + len(self._runs_of[name]))
            at = runs.stop
            if string.controller in wanted:
                sums[:, runs] = self.string_sums(name, frames[:, self.rig.byte_slices[name]])
        most: Amps = self.draw_a(sums).max(axis=0, initial=0)
        return most

    @cached_property
    def _by_draw(self) -> dict[Band, tuple[npt.NDArray[np.intp], npt.NDArray[np.intp], Amps]]:
        """The runs in the order of their draws, where each draw's begin, and amperes a step of a byte of each."""
        number = np.array([run.draw for run in self.runs])
        order = np.argsort(number, kind="stable")
        starts = np.searchsorted(number[order], np.arange(len(self.draws)))
        bands: tuple[Band, ...] = ("low", "high")
        return {band: (order, starts, np.array([self.runs[i].channel_a(band) / 255 for i in order])) for band in bands}

    def add_draws(self, draws: Amps) -> Amps:
        """Figures of the (controller, supply) pairs added up for each supply: (n, draws) -> (n, supplies)."""
        out = np.zeros((len(draws), len(self.supplies)))
        for i, draw in enumerate(self.draws):
            out[:, draw.supply] += draws[:, i]
        return out

    def by_board(self, above_a: Amps) -> list[dict[str, float]]:
        """What each controller takes of each supply, a mapping a supply: its pixels, idle included, and itself.

        `above_a` (draws,): amperes above idle of each (controller, supply) pair. High figures.
        """
        out: list[dict[str, float]] = [{} for _ in self.supplies]
        for i, draw in enumerate(self.draws):
            idle = sum(run.idle_a("high") for run in self.runs if run.draw == i)
            out[draw.supply][draw.controller] = float(above_a[i]) + idle
        for name, controller in self.rig.controllers.items():
            if controller.supply is not None:
                of = out[self.supplies.index(controller.supply)]
                of[name] = of.get(name, 0.0) + board_a(controller, self.rig.supplies[controller.supply])
        return out

    def supply_a(self, frames: Frames, band: Band = "high") -> Amps:
        """Amperes of each supply in each frame, idle pixels and boards included, (n, supplies).

        Raises ValueError unless frames are uint8 (n, rig.frame_bytes).
        """
        constant = self.constant_a if band == "high" else self.idle_a(band) + self.boards_a(band)
        return constant + self.add_draws(self.draw_a(self.run_sums(frames), band))

    def pixel_a(self, frames: Frames, band: Band = "high") -> Amps:
        """Amperes of each pixel above its idle current, (n, pixels). Skipped pixels are counted by their bytes too."""
        checked(frames, self.rig)
        out = np.empty((len(frames), self.rig.pixels))
        alike = self._alike
        if alike is not None:  # a rig of many strings of one kind: one sum, not one for each
            shares = self._channel_a[band] / 255
            return np.multiply(_levels(frames, alike), shares, out=out)
        for run in self.runs:
            np.multiply(_levels(frames[:, run.bytes], run.string), run.channel_a(band) / 255, out=out[:, run.pixels])
        return out

    @cached_property
    def _alike(self) -> LedString | None:
        """One of the strings, where all have as many channels and one law; else None."""
        kinds = {(run.string.channels, run.string.chip.law) for run in self.runs}
        return self.runs[0].string if len(kinds) == 1 else None

    @cached_property
    def _channel_a(self) -> dict[Band, Amps]:
        """Amperes of one channel of each pixel, full on, (pixels,)."""
        bands: tuple[Band, ...] = ("low", "high")
        out: dict[Band, Amps] = {band: np.empty(self.rig.pixels) for band in bands}
        for band, of in out.items():
            for run in self.runs:
                of[run.pixels] = run.channel_a(band)
        return out

    def string_a(self, name: str, levels: Frames) -> Amps:
        """As `pixel_a`, for one string's bytes (n, bytes of the string): (n, pixels of the string)."""
        out = np.empty((len(levels), self.rig.strings[name].pixels))
        for run, pixels, own in self._runs_of[name]:
            np.multiply(_levels(levels[:, own], run.string), run.channel_a("high") / 255, out=out[:, pixels])
        return out

    @cached_property
    def _runs_of(self) -> dict[str, list[tuple[Run, slice, slice]]]:
        """Each string's runs, and where their pixels and bytes are within the string."""
        out: dict[str, list[tuple[Run, slice, slice]]] = {name: [] for name in self.rig.strings}
        for run in self.runs:
            name, step = run.string.name, run.string.channels
            first = run.pixels.start - self.rig.pixel_slices[name].start
            end = first + run.count
            out[name].append((run, slice(first, end), slice(first * step, end * step)))
        return out

    def pixel_idle_a(self, band: Band = "high") -> Amps:
        """Amperes of each pixel when dark, (pixels,)."""
        out = np.empty(self.rig.pixels)
        for run in self.runs:
            out[run.pixels] = run.idle_a(band) / run.count
        return out

    def aligned_a(self, lit_sums: npt.NDArray[np.int64]) -> Amps:
        """Amperes of each supply if the on-phases of all lit channels fell together, (n, supplies).

        `lit_sums`: `run_sums` of the frames with every lit byte as 1. Chips dim by switching each channel fully on for
        a share of a short period, and nothing keeps their periods apart; for a moment every lit channel may be on at
        once. Capacitors at the strips carry such moments, not the supply's rating.
        """
        return self.constant_a + self.add_draws(self.draw_a(lit_sums * 255))

    def full_white_a(self, band: Band = "high") -> Amps:
        """Amperes of each supply with every pixel but the skipped at full white, no brightness cap, (supplies,)."""
        amps: Amps = self.supply_a(self.white(), band)[0]
        return amps

    def white(self, level: int = 255) -> Frames:
        """A frame of white at `level`, (1, rig.frame_bytes); skipped pixels stay dark."""
        frame = np.full((1, self.rig.frame_bytes), level, np.uint8)
        for name, string in self.rig.strings.items():
            for pixel in string.skip:
                first = self.rig.byte_slices[name].start + pixel * string.channels
                frame[:, first : first + string.channels] = 0
        return frame

    def sources(self) -> dict[str, dict[str, Any]]:
        """Which figures were used and where they are from: chip -> idle and channel (low, high), law, sources.

        Strings with ammeter readings are rows of their own, with the largest residual, `residual_a`.
        """
        chips = {}
        residuals_a: dict[str, float | None] = {}
        for run in self.runs:
            string = run.string
            name = string.chip.name
            if string.name in self.residuals_a:
                name = f"{name} as measured on {string.name}"
                residuals_a[name] = self.residuals_a[string.name]
            chips[name] = string.chip
        return {
            name: {
                "idle_ma": list(chip.idle_ma),
                "channel_ma": list(chip.channel_ma),
                "law": chip.law,
                "residual_a": residuals_a.get(name),
                "source": {key: chip.source.get(key, "") for key in ("idle_ma", "channel_ma", "law")},
            }
            for name, chip in chips.items()
        }


def board_a(controller: Controller, supply: Supply, band: Band = "high") -> float:
    """Amperes a board takes from its supply: the board table's figure at 5 V.

    On another voltage a step-down converter of 85 % is assumed (practice): draw x 5 V / (volts x 0.85).
    """
    at_5v_a = band_of(controller.board.draw_ma, band) / 1000
    if abs(supply.volts - BOARD_V) <= 0.5:
        return at_5v_a
    return at_5v_a * BOARD_V / (supply.volts * CONVERTER_EFFICIENCY)


def band_of(pair: Sequence[float], band: Band) -> float:
    """The low or the high figure of a pair."""
    return pair[0] if band == "low" else pair[1]


def checked(frames: Frames, rig: Rig) -> None:
    """Raise ValueError unless frames are uint8 (n, rig.frame_bytes)."""
    if frames.dtype != np.uint8:
        raise ValueError(f"frames are {frames.dtype}, need uint8 wire bytes (did you pass colour codes 0-1?)")
    if frames.ndim != 2 or frames.shape[1] != rig.frame_bytes:
        raise ValueError(f"frames have shape {frames.shape}, need (n, {rig.frame_bytes}) for this rig")


def lit(levels: Frames) -> Frames:
    """1 for every byte that is not dark, else 0."""
    ones: Frames = (levels != 0).view(np.uint8)
    return ones


def _by_law(levels: Frames, string: LedString) -> Frames:
    """The bytes that count: all of them, or the largest of each pixel where the dies are in series."""
    if string.chip.law != "max":
        return levels
    step = string.channels
    largest = levels[:, 0::step]
    for channel in range(1, step):
        largest = np.maximum(largest, levels[:, channel::step])
    return largest


def _levels(levels: Frames, string: LedString) -> npt.NDArray[np.uint8] | npt.NDArray[np.uint16]:
    """What each pixel's bytes (n, pixels x channels) count by its chip's law, (n, pixels)."""
    if string.chip.law == "max":
        return _by_law(levels, string)
    step = string.channels
    total = levels[:, 0::step].astype(np.uint16)
    for channel in range(1, step):
        total += levels[:, channel::step]
    return total


# ---- an ammeter's word -------------------------------------------------------------------------------------------


def calibrated(rig: Rig) -> tuple[Rig, dict[str, float]]:
    """The rig with its chips' currents as ammeter readings have them, where a string has any; and the largest residual
    of each such string, amperes. Raises `Faults` for readings that cannot be.
    """
    faults = FaultList(rig.path)
    strings, residuals_a = dict(rig.strings), {}
    for name, string in rig.strings.items():
        if string.readings:
            try:
                chip, residuals_a[name] = fit_chip(string.chip, string.readings)
            except ValueError as error:
                faults.add(f"string.{name}.reading", str(error))
            else:
                strings[name] = replace(string, chip=chip)
    faults.raise_if_any()
    return (replace(rig, strings=strings) if residuals_a else rig), residuals_a


def fit_chip(chip: Chip, readings: Iterable[Reading]) -> tuple[Chip, float]:
    """A chip row with idle and channel current fitted to ammeter readings, and the largest residual in amperes.

    Least squares on amps = pixels x (idle + channel x levels by the chip's law / 255). The readings need two
    patterns that differ, such as dark and white. Low and high figures become one. Raises ValueError with the likely
    mistake: too few patterns, or figures no LED has (did you give mA as A?).
    """
    rows, amps = [], []
    for reading in readings:
        if reading.pixels < 1 or len(reading.levels) != chip.channels or not all(0 <= v <= 255 for v in reading.levels):
            raise ValueError(f"a reading needs pixels >= 1 and {chip.channels} levels 0-255, got {reading}")
        level = max(reading.levels) if chip.law == "max" else sum(reading.levels)
        rows.append((reading.pixels, reading.pixels * level / 255))
        amps.append(reading.amps)
    matrix = np.array(rows, float).reshape(-1, 2)
    if len(rows) < 2 or np.linalg.matrix_rank(matrix) < 2:
        raise ValueError("readings of at least two different patterns are needed, such as all dark and all white")
    (idle_a, channel_a), *_ = np.linalg.lstsq(matrix, np.array(amps), rcond=None)
    residual_a = float(np.abs(matrix @ (idle_a, channel_a) - amps).max())
    idle_ma, channel_ma = idle_a * 1000, channel_a * 1000
    if not -0.2 <= idle_ma <= 10 or not 0.5 <= channel_ma <= 200:
        found = f"{idle_ma:.3g} mA idle, {channel_ma:.3g} mA a channel"
        raise ValueError(f"the readings give {found}: no pixel draws that (did you give mA as A?)")
    idle_ma = max(0.0, idle_ma)
    source = {**chip.source, "idle_ma": "your own ammeter readings", "channel_ma": "your own ammeter readings"}
    pairs = {"idle_ma": (float(idle_ma),) * 2, "channel_ma": (float(channel_ma),) * 2}
    return replace(chip, source=source, **pairs), residual_a  # type: ignore[arg-type]
