"""What a rig is made of, as plain data. Electrical names end in their unit; places are in metres."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

from ..places import Point

MOST_PIXELS = 200_000


@dataclass(frozen=True)
class Chip:
    """One row of the chip table. `source` maps each field to where its value was read.

    `high_us`: how long the line is high for a 0 and for a 1, out of `bit_us`; (0, 0) for clocked chips.
    """

    name: str
    what: str
    order: str
    bit_us: float
    bits: int
    reset_us: float
    volts: float
    min_v: float
    max_v: float
    idle_ma: tuple[float, float]
    channel_ma: tuple[float, float]
    law: str
    source: Mapping[str, str] = field(compare=False, repr=False)
    overhead_bits: tuple[float, float] = (0.0, 0.0)
    lens: int = 1
    clocked: bool = False
    high_us: tuple[float, float] = (0.0, 0.0)

    @property
    def channels(self) -> int:
        """Colour channels a pixel, 3 or 4."""
        return len(self.order)

    @property
    def bit_ns(self) -> tuple[int, int, int, int]:
        """How long the line is high and low for a 0, then for a 1, nanoseconds; zeros for clocked chips."""
        if self.clocked:
            return 0, 0, 0, 0
        zero_us, one_us = self.high_us
        return tuple(round(1000 * us) for us in (zero_us, self.bit_us - zero_us, one_us, self.bit_us - one_us))  # type: ignore[return-value]

    def frame_bits(self, pixels: int) -> int:
        """Bits that one frame of this many pixels puts on the wire."""
        fixed, per_pixel = self.overhead_bits
        return math.ceil(pixels * (self.bits + per_pixel) + fixed)


@dataclass(frozen=True)
class Board:
    """One row of the board table. `source` maps each field to where its value was read."""

    name: str
    what: str
    fs_bytes: int
    ram_bytes: int
    outputs_at_once: int
    decode_us_per_byte: float
    logic_v: float
    draw_ma: tuple[float, float]
    serial_bytes_per_s: int
    read_bytes_per_s: int
    machine: str
    pins: frozenset[int]
    network: bool
    source: Mapping[str, str] = field(compare=False, repr=False)


@dataclass(frozen=True)
class Supply:
    """A power supply: `volts` x `amps`, of which a show may use the share `usable`."""

    name: str
    volts: float
    amps: float
    usable: float = 0.8

    @property
    def budget_a(self) -> float:
        """Amperes a show may draw."""
        return self.amps * self.usable


@dataclass(frozen=True)
class Controller:
    """One board that streams one roll a song. `supply` feeds the board itself (None: powered from elsewhere).

    `start`: what makes it play when nobody is linked to it: "wait" (nothing but the link), "button", "boot". Pins of
    the button, of the pulse that boards keep in step by, and of a light of its own (None: it has none, or the board's
    own).
    """

    name: str
    board: Board
    supply: str | None = None
    start: str = "wait"
    button_pin: int | None = None
    pulse_in_pin: int | None = None
    pulse_out_pin: int | None = None
    led_pin: int | None = None


@dataclass(frozen=True)
class Wire:
    """A pair of conductors: cross-section of one of them in mm2, one-way length in metres, AWG where given so."""

    mm2: float
    metres: float
    awg: int | None = None


@dataclass(frozen=True)
class Feed:
    """A place where power comes in, before pixel `at` of its string (0 = data end, `pixels` = far end)."""

    name: str
    string: str
    at: int
    supply: str
    wire: Wire | None = None
    fuse_a: float | None = None


@dataclass(frozen=True)
class Reading:
    """An ammeter reading: `amps` taken by `pixels` pixels all showing `levels`, the bytes of one pixel 0-255."""

    pixels: int
    levels: tuple[int, ...]
    amps: float


@dataclass(frozen=True)
class LedString:
    """One data line of pixels on one pin. `skip` are pixels that stay dark; `cuts` are places where V+ is cut.

    `pitch_m`: metres of strip from a pixel to the next; None: as far as their places are apart.
    """

    name: str
    controller: str
    pin: int
    pixels: int
    chip: Chip
    order: str
    places: tuple[Point, ...] = field(repr=False)
    brightness: float = 1.0
    skip: frozenset[int] = frozenset()
    feeds: tuple[Feed, ...] = ()
    cuts: tuple[int, ...] = ()
    clock_pin: int | None = None
    rail_ohm_per_m: float | None = None
    pitch_m: float | None = None
    readings: tuple[Reading, ...] = ()

    @property
    def channels(self) -> int:
        """Bytes a pixel on the wire."""
        return len(self.order)

    @property
    def frame_bytes(self) -> int:
        """Bytes of one frame of this string."""
        return self.pixels * self.channels

    @property
    def wire_us(self) -> float:
        """Time that one frame of this string takes on the wire, without the reset."""
        return self.chip.frame_bits(self.pixels) * self.chip.bit_us

    @cached_property
    def segments(self) -> tuple[tuple[int, int, str], ...]:
        """Runs of pixels fed by one supply: (first pixel, end, supply)."""
        edges = [0, *sorted(self.cuts), self.pixels]
        runs = []
        for first, end in itertools.pairwise(edges):
            supply = next(f.supply for f in self.feeds if in_run(f.at, first, end, self.cuts))
            runs.append((first, end, supply))
        return tuple(runs)


@dataclass(frozen=True)
class Zone:
    """A named, ordered set of pixels: pixel numbers over the whole rig, skipped ones left out."""

    name: str
    pixels: tuple[int, ...] = field(repr=False)


@dataclass(frozen=True)
class Rig:
    """A checked rig. Mappings keep the order of the file; `strings` are in frame order.

    `skew_ms`: how far apart boards that share a supply may run (None: however far); `viewing_m`: how far the nearest
    viewers are (None: not known); `no_flash`: a show that flashes too often fails; `quiet_hours`: from and to, minutes
    after midnight, when nothing plays (None: no such hours; the first may be the greater, over midnight);
    `quiet_brightness`: the cap on every string, which their own `brightness` already has in it.
    """

    path: Path
    supplies: Mapping[str, Supply]
    controllers: Mapping[str, Controller]
    strings: Mapping[str, LedString]
    zones: Mapping[str, Zone]
    skew_ms: float | None = 50.0
    viewing_m: float | None = None
    no_flash: bool = False
    quiet_hours: tuple[int, int] | None = None
    quiet_brightness: float = 1.0

    @cached_property
    def pixels(self) -> int:
        """Pixels of the whole rig."""
        return sum(string.pixels for string in self.strings.values())

    @cached_property
    def frame_bytes(self) -> int:
        """Bytes of one frame of the whole rig."""
        return sum(string.frame_bytes for string in self.strings.values())

    @cached_property
    def pixel_slices(self) -> Mapping[str, slice]:
        """Each string's pixels among the rig's."""
        return slices_of({name: string.pixels for name, string in self.strings.items()})

    @cached_property
    def byte_slices(self) -> Mapping[str, slice]:
        """Each string's bytes within a frame of the rig."""
        return slices_of({name: string.frame_bytes for name, string in self.strings.items()})

    @cached_property
    def controller_slices(self) -> Mapping[str, slice]:
        """Each controller's bytes within a frame of the rig."""
        return slices_of({name: sum(s.frame_bytes for s in self.strings_of(name)) for name in self.controllers})

    @cached_property
    def places(self) -> tuple[Point, ...]:
        """Where each pixel hangs, metres."""
        return tuple(itertools.chain.from_iterable(string.places for string in self.strings.values()))

    @cached_property
    def feeds(self) -> Mapping[str, Feed]:
        """All feeds by name (`STRING@start`, `STRING@100`, `STRING@end`)."""
        return {feed.name: feed for string in self.strings.values() for feed in string.feeds}

    def strings_of(self, controller: str) -> tuple[LedString, ...]:
        """The strings of one controller in frame order."""
        return tuple(s for s in self.strings.values() if s.controller == controller)

    def wire_us(self, controller: str) -> float:
        """Time that one frame of a controller takes on its wires, microseconds, reset included.

        Strings go out in batches of the board's `outputs_at_once`, in frame order; a batch lasts as long as its
        slowest string. bits x bit time + reset: WS2812B datasheet, data transfer time.
        """
        strings = self.strings_of(controller)
        at_once = self.controllers[controller].board.outputs_at_once
        batches = [strings[i : i + at_once] for i in range(0, len(strings), at_once)]
        sending = sum(max(s.wire_us for s in batch) for batch in batches)
        return sending + max((s.chip.reset_us for s in strings), default=0.0)

    def frame_us(self, controller: str) -> float:
        """Shortest time between two frames of a controller: wire time plus the board's share for decoding."""
        board = self.controllers[controller].board
        return self.wire_us(controller) + board.decode_us_per_byte * sum(
            s.frame_bytes for s in self.strings_of(controller)
        )

    @cached_property
    def shortest_frame_us(self) -> int:
        """Shortest time between two frames that every controller can keep up with, microseconds, rounded up."""
        return math.ceil(max((self.frame_us(name) for name in self.controllers), default=1.0))


def in_run(at: int, first: int, end: int, cuts: tuple[int, ...]) -> bool:
    """Whether a feed before pixel `at` feeds the run [first, end): one exactly at a cut feeds the pixels after it."""
    return first <= at < end or (at == end and at not in cuts)


def slices_of(sizes: Mapping[str, int]) -> dict[str, slice]:
    """Runs of these sizes, one after another."""
    out, at = {}, 0
    for name, size in sizes.items():
        out[name] = slice(at, at + size)
        at += size
    return out
