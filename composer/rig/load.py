"""Reads and checks `rig.toml`: every fault at once."""

from __future__ import annotations

import itertools
import re
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from ..faults import FaultList, Table, kind_of, nearest, read_toml
from ..places import KEYS as PLACE_KEYS
from ..places import Ground, places_of
from ..zones import zone_pixels
from .parts import (
    MOST_PIXELS,
    Chip,
    Controller,
    Feed,
    LedString,
    Reading,
    Rig,
    Supply,
    Wire,
    Zone,
    in_run,
    slices_of,
)
from .rows import awg_mm2, boards, chips, numbers_of, text_of

NAME = re.compile(r"[^\W\d][\w-]{0,30}")
NAME_TEXT = "a name is a letter, then letters, digits, _ or -, at most 31 in all"
NO_PIN = -1  # of a string whose pin was refused: it meets no other
STARTS = ("wait", "button", "boot")
CONTROL_PINS = ("button_pin", "pulse_in_pin", "pulse_out_pin", "led_pin")
CLOCK_TIMES = re.compile(r"([01]?\d|2[0-3]):([0-5]\d)\s*-\s*([01]?\d|2[0-3]):([0-5]\d)")


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
    refused: set[str] = set()  # places of values that are not as written, and not to be held against others
    supplies = {name: _supply(name, table, refused) for name, table in _named_tables(top, "supply")}
    controllers = {
        name: _controller(name, table, supplies, refused) for name, table in _named_tables(top, "controller")
    }
    drawing = top.table("drawing")
    ground = Ground(path.parent, drawing.number("width", None, low=0.01, high=1e5))
    drawing.finish()
    read = []
    for name, table in _named_tables(top, "string"):
        read.append(_string(name, table, controllers, supplies, ground, refused))
        if not any(table.has(key) for key in PLACE_KEYS):
            ground = replace(ground, row=ground.row + 1)  # the next one hangs below it
    if not controllers and top.sound("controller"):
        top.fault("controller", "a rig needs at least one [controller.NAME]")
    if not read and top.sound("string"):
        top.fault("string", "a rig needs at least one [string.NAME]")
    strings = {s.name: s for name in controllers for s in read if s.controller == name}
    for name in controllers:
        if len(strings) == len(read) > 0 and not any(s.controller == name for s in read):
            faults.add(f"controller.{name}", "has no string")
    if sum(s.pixels for s in read) > MOST_PIXELS:
        faults.add("string", f"more than {MOST_PIXELS} pixels in one rig")
    _check_pins(read, controllers, faults)
    unplaced = {s.name for s in read if s.name not in strings or f"string.{s.name}.pixels" in refused}
    top.raw("zone", {})
    zones = _zones(top, strings, unplaced, faults) if read else {}  # of no strings there are none
    limits, audience, quiet = top.table("limits"), top.table("audience"), top.table("quiet")
    skew_ms = _skew_ms(limits)
    viewing_m = audience.number("metres", None, low=0.5, high=10_000.0)
    cap, no_flash = quiet.number("brightness", 1.0, low=0.0, high=1.0), quiet.flag("no_flash", False)
    quiet_hours = _quiet_hours(quiet)
    strings = {name: replace(s, brightness=s.brightness * cap) for name, s in strings.items()}
    for table in (limits, audience, quiet, top):
        table.finish()
    return Rig(path, supplies, controllers, strings, zones, skew_ms, viewing_m, no_flash, quiet_hours, cap)


def _skew_ms(limits: Table) -> float | None:
    if limits.raw("skew_ms", 50.0) == "any":
        return None
    if isinstance(limits.raw("skew_ms", 50.0), str):
        limits.fault("skew_ms", 'needs milliseconds, or "any" for boards that nobody keeps in step', '"any"')
        return 50.0
    return float(limits.number("skew_ms", 50.0, low=0.0, high=200.0))


def _quiet_hours(quiet: Table) -> tuple[int, int] | None:
    text = quiet.text("hours", None)
    if text is None or not quiet.sound("hours"):
        return None
    found = CLOCK_TIMES.fullmatch(text.strip())
    if found is None:
        quiet.fault("hours", f'"{text}" needs two clock times, such as "22:00-07:00"')
        return None
    a, b, c, d = map(int, found.groups())
    if (a, b) == (c, d):
        quiet.fault("hours", "start and end at the same time")
    return 60 * a + b, 60 * c + d


def _named_tables(top: Table, key: str) -> list[tuple[str, Table]]:
    out = []
    for name, content in top.named(key).items():
        table = Table(content, f"{key}.{name}", top.faults)
        if not NAME.fullmatch(name):
            table.fault("", NAME_TEXT)
        out.append((name, table))
    return out


def _supply(name: str, table: Table, refused: set[str]) -> Supply:
    supply = Supply(
        name,
        volts=table.number("volts", low=3.0, high=48.0),
        amps=table.number("amps", low=0.1, high=1000.0),
        usable=table.number("usable", 0.8, low=0.05, high=1.0),
    )
    if not table.sound("volts"):
        refused.add(table.place("volts"))
    table.finish()
    return supply


def _pin(table: Table, key: str, needed: bool = False) -> Any:
    """A pin's number; a name that ends in one, such as GP16, is told as it is to be written."""
    text = table.content.get(key)
    digits = re.search(r"(\d+)\s*$", text) if isinstance(text, str) else None
    if digits:
        table.raw(key)
        table.fault(key, f"needs a whole number, got {kind_of(text)}", digits[1])
        return None
    return table.whole(key, low=0, high=99) if needed else table.whole(key, None, low=0, high=99)


def _controller(name: str, table: Table, supplies: Mapping[str, Supply], refused: set[str]) -> Controller:
    known = str(table.raw("board", "")) in boards()
    if not known:
        refused.add(table.place("board"))
    board = boards()[table.choice("board", boards())]
    supply = _known(table, "supply", supplies, "supply", None)
    start = table.choice("start", STARTS, "wait")
    pins = {key: _pin(table, key) for key in CONTROL_PINS}
    taken: dict[int, str] = {}
    for key, pin in pins.items():
        if pin is None or not table.sound(key):
            continue
        if known and key != "led_pin" and pin not in board.pins:
            table.fault(key, f"{board.name} has no pin {pin} to use: it has {text_of(board.pins)}")
        if taken.setdefault(pin, key) != key:
            table.fault(key, f"pin {pin} is already its {taken[pin]}")
    if start == "button" and pins["button_pin"] is None and table.sound("button_pin"):
        table.fault("start", '"button" needs a button_pin')
    table.finish()
    return Controller(name, board, supply, start, **pins)


def _known(table: Table, key: str, among: Mapping[str, Any], what: str, *default: None) -> Any:
    name = table.text(key, *default)
    if table.has(key) and isinstance(table.content[key], str) and name not in among:
        table.fault(key, f'there is no {what} "{name}"', nearest(name, among))
    return name


def _string(
    name: str,
    table: Table,
    controllers: Mapping[str, Controller],
    supplies: Mapping[str, Supply],
    ground: Ground,
    refused: set[str],
) -> LedString:
    """One string; `refused` are places of values that the rig has not as written, those of its own are added."""
    known = str(table.raw("chip", "ws2812b")) in chips()  # a misspelt chip's other faults would only confuse
    chip = chips()[table.choice("chip", chips(), "ws2812b")]
    order = table.text("order", chip.order)
    if known and sorted(order) != sorted(chip.order):
        table.fault("order", f'"{order}" must hold each of {", ".join(sorted(chip.order))} once', f'"{chip.order}"')
        order = chip.order
    pixels = table.whole("pixels", low=1, high=MOST_PIXELS)
    counted = table.sound("pixels")
    most = pixels if counted else MOST_PIXELS  # what was refused is not held against other keys
    if not counted:
        pixels = 1
        refused.add(table.place("pixels"))
    controller = _known(table, "controller", controllers, "controller")
    pin = _pin(table, "pin", needed=True)
    clock_pin = _pin(table, "clock_pin")
    if known and chip.clocked and clock_pin is None and table.sound("clock_pin"):
        table.fault("clock_pin", f"{chip.name} is clocked: it needs a clock_pin besides its pin")
    if known and not chip.clocked and clock_pin is not None and table.sound("clock_pin"):
        table.fault("clock_pin", f"{chip.name} has no clock line")
    if controller in controllers and f"controller.{controller}.board" not in refused:
        board = controllers[controller].board
        for key, number in (("pin", pin), ("clock_pin", clock_pin)):
            if table.has(key) and table.sound(key) and number not in board.pins:
                pins = text_of(board.pins)
                table.fault(key, f"{board.name} cannot drive a string from pin {number}: take one of {pins}")
    cuts = tuple(sorted(set(table.list_of("cut", "pixel numbers inside the string", _inside(1, most), []))))
    hung = places_of(table, pixels, replace(ground, counted=counted))
    string = LedString(
        name=name,
        controller=controller or "",
        pin=pin if table.sound("pin") else NO_PIN,
        pixels=pixels,
        chip=chip,
        order=order,
        places=hung.places,
        pitch_m=hung.pitch_m,
        brightness=table.number("brightness", 1.0, low=0.0, high=1.0),
        skip=_skip(table, most),
        feeds=_feeds(name, table, most, supplies, chip if known else None, refused),
        cuts=cuts,
        clock_pin=clock_pin if table.sound("clock_pin") else None,
        rail_ohm_per_m=table.number("rail_ohm_per_m", None, low=1e-4, high=10.0),
        readings=_readings(table, pixels, chip),
    )
    table.finish()
    if counted and table.sound("cut", "feed"):
        _check_feeds(string, table)
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
            numbers = numbers_of(str(item))
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
        elif levels and len(levels) != chip.channels and block.sound("level"):
            block.fault("level", f"needs one level, or one for each of the {chip.channels} channels, got {len(levels)}")
        amps = block.number("amps", low=0.0, high=1000.0)
        if len(levels) == chip.channels:
            out.append(Reading(count, tuple(levels), amps))
        block.finish()
    return tuple(out)


def _feeds(
    name: str, table: Table, pixels: int, supplies: Mapping[str, Supply], chip: Chip | None, refused: set[str]
) -> tuple[Feed, ...]:
    """The feeds, by place. What is wrong with one is a fault of the string's `feed`, too. `chip`: None if not known."""
    feeds, sound = [], True
    for block in table.tables("feed"):
        at = block.raw("at", "start")
        number = {"start": 0, "end": pixels}.get(at, -1) if isinstance(at, str) else at
        if not _inside(0, pixels + 1)(number):
            block.fault("at", f'needs "start", "end" or a pixel number 0-{pixels}, got {kind_of(at)}')
            number = 0
        supply = _known(block, "supply", supplies, "supply")
        sound = sound and block.sound("at", "supply")
        given = supply in supplies and f"supply.{supply}.volts" not in refused
        if chip and given and not chip.min_v <= supplies[supply].volts <= chip.max_v:
            volts = supplies[supply].volts
            what = chip.name if table.has("chip") else f"{chip.name} (the chip where none is written)"
            block.fault("supply", f"{supply} gives {volts:g} V, {what} needs {chip.min_v:g}-{chip.max_v:g} V")
        wire = _wire(block.table("wire")) if block.has("wire") else None
        fuse_a = block.number("fuse", None, low=0.05, high=500.0)
        label = {0: "start", pixels: "end"}.get(number, str(number))
        feeds.append(Feed(f"{name}@{label}", name, number, supply or "", wire, fuse_a))
        block.finish()
    if not sound:
        table.doubt("feed")
        return tuple(feeds)
    for feed, other in itertools.combinations(feeds, 2):
        if feed.at == other.at:
            table.fault("feed", f"two feeds at the same place, {feed.name}")
    return tuple(sorted(feeds, key=lambda feed: feed.at))


def _wire(table: Table) -> Wire:
    awg = table.whole("awg", None, low=4, high=30)
    mm2 = table.number("mm2", None, low=0.05, high=50.0)
    if (awg is None) == (mm2 is None):
        table.fault("", "needs either awg or mm2" if awg is None else "has awg and mm2: keep one of them")
    wire = Wire(mm2 if mm2 is not None else awg_mm2(awg or 16), table.number("metres", low=0.01, high=500.0), awg)
    table.finish()
    return wire


def _check_feeds(string: LedString, table: Table) -> None:
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


def _check_pins(strings: list[LedString], controllers: Mapping[str, Controller], faults: FaultList) -> None:
    used: dict[tuple[str, int], str] = {}
    for name, controller in controllers.items():
        for key in CONTROL_PINS:
            number = getattr(controller, key)
            if number is not None:
                used[name, number] = f"{name}.{key}"
    for string in strings:
        for key, pin in (("pin", string.pin), ("clock_pin", string.clock_pin)):
            if pin is None or pin == NO_PIN:
                continue
            owner = used.setdefault((string.controller, pin), string.name)
            if owner != string.name or key == "clock_pin" and pin == string.pin:
                where = f"string.{string.name}.{key}"
                faults.add(where, f'pin {pin} of "{string.controller}" already drives "{owner}": strings overlap')


def _zones(top: Table, strings: Mapping[str, LedString], unplaced: set[str], faults: FaultList) -> dict[str, Zone]:
    """Zones, every string first. `unplaced` are strings that exist but whose pixels are not known."""
    written = top.named("zone")
    for name in written:
        if name in strings or name in unplaced:
            faults.add(f"zone.{name}", "a string of this name is already a zone")
        elif not NAME.fullmatch(name):
            faults.add(f"zone.{name}", NAME_TEXT)
    slices = slices_of({name: string.pixels for name, string in strings.items()})
    numbers = {name: tuple(range(run.start, run.stop)) for name, run in slices.items()}
    skipped = {slices[name].start + i for name, string in strings.items() for i in string.skip}
    zones = {}
    for name, pixels in zone_pixels(written, numbers, unplaced, faults).items():
        lit = tuple(pixel for pixel in pixels if pixel not in skipped)
        if pixels and not lit and name in written:
            faults.add(f"zone.{name}", "has no pixels but skipped ones")
        zones[name] = Zone(name, lit)
    if strings and not unplaced and len(skipped) == sum(string.pixels for string in strings.values()):
        faults.add(f"string.{next(iter(strings))}.skip", "every pixel of the rig is skipped: none is left to light")
    return zones
