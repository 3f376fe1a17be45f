"""The rig: what hangs where, on which pin, fed from which supply. Reads and checks `rig.toml`.

Conventions
-----------
Pixels have one number over the whole rig: controllers in the order of the file, within a controller its strings in
the order of the file, within a string from the data end. The bytes of a frame follow the same order, so that the
bytes of one controller, and of one string, are one contiguous slice. Places are in metres, x to the right, y up.
Electrical names end in their unit. Chip and board rows are data (`chips.toml`, `boards.toml`), a source a value.
"""

from __future__ import annotations

import itertools
import math
import re
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import cache, cached_property
from pathlib import Path
from typing import Any

from .faults import FaultList, Table, kind_of, nearest, read_toml
from .places import Ground, Point, along, places_of
from .zones import zone_pixels

NAME = re.compile(r"[^\W\d][\w-]{0,30}")
NAME_TEXT = "a name is a letter, then letters, digits, _ or -, at most 31 in all"
MOST_PIXELS = 200_000


@dataclass(frozen=True)
class Chip:
    """One row of the chip table. `source` maps each field to where its value was read."""

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

    @property
    def channels(self) -> int:
        """Colour channels a pixel, 3 or 4."""
        return len(self.order)

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
    """One board that streams one roll a song. `supply` feeds the board itself (None: powered from elsewhere)."""

    name: str
    board: Board
    supply: str | None = None


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
    """One data line of pixels on one pin. `skip` are pixels that stay dark; `cuts` are places where V+ is cut."""

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
    viewers are (None: not known); `no_flash`: a show that flashes too often fails.
    """

    path: Path
    supplies: Mapping[str, Supply]
    controllers: Mapping[str, Controller]
    strings: Mapping[str, LedString]
    zones: Mapping[str, Zone]
    skew_ms: float | None = 50.0
    viewing_m: float | None = None
    no_flash: bool = False

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
        return _slices({name: string.pixels for name, string in self.strings.items()})

    @cached_property
    def byte_slices(self) -> Mapping[str, slice]:
        """Each string's bytes within a frame of the rig."""
        return _slices({name: string.frame_bytes for name, string in self.strings.items()})

    @cached_property
    def controller_slices(self) -> Mapping[str, slice]:
        """Each controller's bytes within a frame of the rig."""
        return _slices({name: sum(s.frame_bytes for s in self.strings_of(name)) for name in self.controllers})

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


def _slices(sizes: Mapping[str, int]) -> dict[str, slice]:
    out, at = {}, 0
    for name, size in sizes.items():
        out[name] = slice(at, at + size)
        at += size
    return out


# ---- the tables of chips and boards ------------------------------------------------------------------------------


def _rows(file: str) -> dict[str, tuple[dict[str, Any], dict[str, str]]]:
    """Each row of a table by name: its values, and where each was read. Every value stands as [value, source]."""
    table = tomllib.loads((Path(__file__).parent / file).read_text(encoding="utf-8"))
    out = {}
    for name, row in table.items():
        values = {key: tuple(value) if isinstance(value, list) else value for key, (value, _) in row.items()}
        out[name] = values, {key: source for key, (_, source) in row.items()}
    return out


@cache
def chips() -> dict[str, Chip]:
    """The chip table by name."""
    return {name: Chip(name=name, source=source, **values) for name, (values, source) in _rows("chips.toml").items()}


@cache
def boards() -> dict[str, Board]:
    """The board table by name."""
    out = {}
    for name, (values, source) in _rows("boards.toml").items():
        pins = frozenset(_numbers(values.pop("pins")))
        out[name] = Board(name=name, source=source, pins=pins, **values)
    return out


def _numbers(text: str) -> list[int]:
    """Numbers and ranges as written for people: '0-22,26-28' -> 0..22, 26..28. Raises ValueError."""
    out: list[int] = []
    for part in text.split(","):
        first, dash, last = part.strip().partition("-")
        numbers = range(int(first), int(last if dash else first) + 1)
        if not numbers or len(numbers) > MOST_PIXELS:
            raise ValueError(text)
        out.extend(numbers)
    return out


def awg_mm2(awg: int) -> float:
    """Cross-section of a solid AWG conductor, mm2: d = 0.127 mm x 92^((36-n)/39) (ASTM B258, from memory)."""
    diameter_mm = 0.127 * math.pow(92, (36 - awg) / 39)
    return math.pi / 4 * diameter_mm * diameter_mm


# ---- reading rig.toml --------------------------------------------------------------------------------------------


def load_rig(path: Path) -> Rig:
    """Read and check a rig file. Raises `Faults` with everything that is wrong."""
    faults = FaultList(path)
    rig = rig_from(read_toml(path), path, faults)
    faults.raise_if_any()
    return rig


def rig_from(document: Mapping[str, Any], path: Path, faults: FaultList) -> Rig:
    """A rig from a parsed document; faults are collected, so the result counts only when there are none."""
    top = Table(document, "", faults)
    if top.whole("format", 1) != 1:
        top.fault("format", "this version reads format = 1")
    supplies = {name: _supply(name, table) for name, table in _named_tables(top, "supply")}
    controllers = {name: _controller(name, table, supplies) for name, table in _named_tables(top, "controller")}
    drawing = top.table("drawing")
    ground = Ground(path.parent, drawing.number("width", None, low=0.01, high=1e5))
    drawing.finish()
    read = [_string(name, table, controllers, supplies, ground) for name, table in _named_tables(top, "string")]
    if not controllers and not top.has("controller"):
        top.fault("controller", "a rig needs at least one [controller.NAME]")
    if not read and not top.has("string"):
        top.fault("string", "a rig needs at least one [string.NAME]")
    strings = {s.name: s for name in controllers for s in read if s.controller == name}
    for name in controllers:
        if len(strings) == len(read) > 0 and not any(s.controller == name for s in read):
            faults.add(f"controller.{name}", "has no string")
    if sum(s.pixels for s in read) > MOST_PIXELS:
        faults.add("string", f"more than {MOST_PIXELS} pixels in one rig")
    _check_pins(read, faults)
    zones = _zones(top, strings, {s.name for s in read} - set(strings), faults)
    limits, audience, quiet = top.table("limits"), top.table("audience"), top.table("quiet")
    skew_ms = _skew_ms(limits)
    viewing_m = audience.number("metres", None, low=0.5, high=10_000.0)
    cap, no_flash = quiet.number("brightness", 1.0, low=0.0, high=1.0), quiet.flag("no_flash", False)
    strings = {name: replace(s, brightness=s.brightness * cap) for name, s in strings.items()}
    for table in (limits, audience, quiet, top):
        table.finish()
    return Rig(path, supplies, controllers, strings, zones, skew_ms, viewing_m, no_flash)


def _skew_ms(limits: Table) -> float | None:
    if limits.raw("skew_ms", 50.0) == "any":
        return None
    if isinstance(limits.raw("skew_ms", 50.0), str):
        limits.fault("skew_ms", 'needs milliseconds, or "any" for boards that nobody keeps in step', '"any"')
        return 50.0
    return float(limits.number("skew_ms", 50.0, low=0.0, high=200.0))


def _named_tables(top: Table, key: str) -> list[tuple[str, Table]]:
    out = []
    for name, content in top.named(key).items():
        table = Table(content, f"{key}.{name}", top.faults)
        if not NAME.fullmatch(name):
            table.fault("", NAME_TEXT)
        out.append((name, table))
    return out


def _supply(name: str, table: Table) -> Supply:
    supply = Supply(
        name,
        volts=table.number("volts", low=3.0, high=48.0),
        amps=table.number("amps", low=0.1, high=1000.0),
        usable=table.number("usable", 0.8, low=0.05, high=1.0),
    )
    table.finish()
    return supply


def _controller(name: str, table: Table, supplies: Mapping[str, Supply]) -> Controller:
    board = boards()[table.choice("board", boards())]
    supply = _known(table, "supply", supplies, "supply", None)
    table.finish()
    return Controller(name, board, supply)


def _known(table: Table, key: str, among: Mapping[str, Any], what: str, *default: None) -> Any:
    name = table.text(key, *default)
    if table.has(key) and isinstance(table.content[key], str) and name not in among:
        table.fault(key, f'there is no {what} "{name}"', nearest(name, among))
    return name


def _string(
    name: str, table: Table, controllers: Mapping[str, Controller], supplies: Mapping[str, Supply], ground: Ground
) -> LedString:
    chip = chips()[table.choice("chip", chips(), "ws2812b")]
    order = table.text("order", chip.order)
    if sorted(order) != sorted(chip.order):
        table.fault("order", f'"{order}" must hold each of {", ".join(sorted(chip.order))} once', f'"{chip.order}"')
        order = chip.order
    pixels = table.whole("pixels", low=1, high=MOST_PIXELS)
    pixels = max(1, pixels)
    controller = _known(table, "controller", controllers, "controller")
    pin = table.whole("pin", low=0, high=99)
    clock_pin = table.whole("clock_pin", None, low=0, high=99)
    if chip.clocked and clock_pin is None:
        table.fault("clock_pin", f"{chip.name} is clocked: it needs a clock_pin besides its pin")
    if not chip.clocked and clock_pin is not None:
        table.fault("clock_pin", f"{chip.name} has no clock line")
    if controller in controllers:
        board = controllers[controller].board
        for key, number in (("pin", pin), ("clock_pin", clock_pin)):
            if table.has(key) and isinstance(number, int) and number not in board.pins:
                table.fault(key, f"{board.name} cannot drive a string from pin {number}")
    cuts = tuple(sorted(set(table.list_of("cut", "pixel numbers inside the string", _inside(1, pixels), []))))
    string = LedString(
        name=name,
        controller=controller or "",
        pin=pin,
        pixels=pixels,
        chip=chip,
        order=order,
        places=places_of(table, pixels, ground),
        brightness=table.number("brightness", 1.0, low=0.0, high=1.0),
        skip=_skip(table, pixels),
        feeds=_feeds(name, table, pixels, supplies, chip),
        cuts=cuts,
        clock_pin=clock_pin,
        rail_ohm_per_m=table.number("rail_ohm_per_m", None, low=1e-4, high=10.0),
        readings=_readings(table, pixels, chip),
    )
    table.finish()
    _check_feeds(string, table, supplies)
    return string


def _inside(low: int, high: int) -> Callable[[Any], bool]:
    """Whether a value is a whole number in [low, high)."""
    return lambda value: isinstance(value, int) and not isinstance(value, bool) and low <= value < high


def _skip(table: Table, pixels: int) -> frozenset[int]:
    out: set[int] = set()
    for item in table.list_of(
        "skip", 'pixel numbers or ranges like "100-104"', lambda v: isinstance(v, (int, str)), []
    ):
        try:
            numbers = _numbers(str(item))
        except ValueError:
            table.fault("skip", f'"{item}" is not a pixel number or a range like "100-104"')
            continue
        if max(numbers) >= pixels:
            table.fault("skip", f"{item} is outside the string's pixels 0-{pixels - 1}")
            continue
        out.update(numbers)
    return frozenset(out)


def _readings(table: Table, pixels: int, chip: Chip) -> tuple[Reading, ...]:
    """Ammeter readings: `pixels` (the whole string unless said), `level` of every channel or a list of them, `amps`."""
    out = []
    for block in table.tables("reading"):
        count = block.whole("pixels", pixels, low=1, high=MOST_PIXELS)
        levels = block.list_of("level", "levels 0-255", _inside(0, 256))
        if len(levels) == 1:
            levels = levels * chip.channels
        elif levels and len(levels) != chip.channels:
            block.fault("level", f"needs one level, or one for each of the {chip.channels} channels, got {len(levels)}")
        amps = block.number("amps", low=0.0, high=1000.0)
        if len(levels) == chip.channels:
            out.append(Reading(count, tuple(levels), amps))
        block.finish()
    return tuple(out)


def _feeds(name: str, table: Table, pixels: int, supplies: Mapping[str, Supply], chip: Chip) -> tuple[Feed, ...]:
    feeds = []
    for block in table.tables("feed"):
        at = block.raw("at", "start")
        number = {"start": 0, "end": pixels}.get(at, -1) if isinstance(at, str) else at
        if not _inside(0, pixels + 1)(number):
            block.fault("at", f'needs "start", "end" or a pixel number 0-{pixels}, got {kind_of(at)}')
            number = 0
        supply = _known(block, "supply", supplies, "supply")
        if supply in supplies and not chip.min_v <= supplies[supply].volts <= chip.max_v:
            volts = supplies[supply].volts
            block.fault("supply", f"{supply} gives {volts:g} V, {chip.name} needs {chip.min_v:g}-{chip.max_v:g} V")
        wire = _wire(block.table("wire")) if block.has("wire") else None
        fuse_a = block.number("fuse", None, low=0.05, high=500.0)
        label = {0: "start", pixels: "end"}.get(number, str(number))
        feeds.append(Feed(f"{name}@{label}", name, number, supply or "", wire, fuse_a))
        block.finish()
    for feed, other in itertools.combinations(feeds, 2):
        if feed.at == other.at:
            table.fault("feed", f"two feeds at the same place, {feed.name}")
    return tuple(sorted(feeds, key=lambda feed: feed.at))


def _wire(table: Table) -> Wire:
    awg = table.whole("awg", None, low=4, high=30)
    mm2 = table.number("mm2", None, low=0.05, high=50.0)
    if (awg is None) == (mm2 is None):
        table.fault("", "needs either awg or mm2")
    wire = Wire(mm2 if mm2 is not None else awg_mm2(awg or 16), table.number("metres", low=0.01, high=500.0), awg)
    table.finish()
    return wire


def _check_feeds(string: LedString, table: Table, supplies: Mapping[str, Supply]) -> None:
    """Every run between cuts is fed, by one supply. Two supplies on one V+ rail push current into each other."""
    edges = [0, *string.cuts, string.pixels]
    for first, end in itertools.pairwise(edges):
        names = sorted({f.supply for f in string.feeds if in_run(f.at, first, end, string.cuts)})
        run = "" if not string.cuts else f", pixels {first}-{end - 1}"
        if not names:
            table.fault("feed", f"nothing feeds it{run}: add a [[{table.where}.feed]]")
        elif len(names) > 1:
            table.fault(
                "feed",
                f"fed by {' and '.join(names)} on one V+ rail{run}: cut V+ between them and say where, cut = [PIXEL]",
            )


def _check_pins(strings: list[LedString], faults: FaultList) -> None:
    used: dict[tuple[str, int], str] = {}
    for string in strings:
        for key, pin in (("pin", string.pin), ("clock_pin", string.clock_pin)):
            if pin is None:
                continue
            owner = used.setdefault((string.controller, pin), string.name)
            if owner != string.name or key == "clock_pin" and pin == string.pin:
                where = f"string.{string.name}.{key}"
                faults.add(where, f'pin {pin} of "{string.controller}" already drives "{owner}": strings overlap')


def _zones(top: Table, strings: Mapping[str, LedString], unplaced: set[str], faults: FaultList) -> dict[str, Zone]:
    """Zones, every string first. `unplaced` are strings that exist but hang on no controller."""
    written = top.named("zone")
    for name in written:
        if name in strings or name in unplaced:
            faults.add(f"zone.{name}", "a string of this name is already a zone")
        elif not NAME.fullmatch(name):
            faults.add(f"zone.{name}", NAME_TEXT)
    slices = _slices({name: string.pixels for name, string in strings.items()})
    numbers = {name: tuple(range(run.start, run.stop)) for name, run in slices.items()}
    skipped = {slices[name].start + i for name, string in strings.items() for i in string.skip}
    zones = {}
    for name, pixels in zone_pixels(written, numbers, unplaced, faults).items():
        lit = tuple(pixel for pixel in pixels if pixel not in skipped)
        if pixels and not lit and name in written:
            faults.add(f"zone.{name}", "has no pixels but skipped ones")
        zones[name] = Zone(name, lit)
    return zones


__all__ = [
    "Board", "Chip", "Controller", "Feed", "LedString", "Point", "Reading", "Rig", "Supply", "Wire", "Zone",
    "along", "awg_mm2", "boards", "chips", "in_run", "load_rig", "rig_from",
]  # fmt: skip
