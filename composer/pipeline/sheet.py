"""The build sheet's content: for each supply, what is connected where, and with what, as plain data."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ..power import CurrentModel
from ..power.advice import bulk_capacitor, data_resistor_ohm, drop_v
from ..power.model import BOARD_V, board_a
from ..rig import Controller, Feed, LedString, Rig, Supply


def sheet_of(title: str, rig: Rig, found: Mapping[str, Any], seconds: float) -> dict[str, Any]:
    """What `report.write_build_sheet` shows. `found` is the audit with its `advice`; `seconds` the length of a show."""
    model = CurrentModel(rig)
    low, high = data_resistor_ohm()
    return {
        "title": title,
        "seconds": seconds,
        "resistor_ohm": [low, high],
        "quiet": quiet_of(rig),
        "supplies": {name: _supply(name, model, found) for name in rig.supplies},
        "boards": [_board(controller, rig) for controller in rig.controllers.values()],
    }


def _board(controller: Controller, rig: Rig) -> dict[str, Any]:
    supply = None if controller.supply is None else rig.supplies[controller.supply]
    fed = [feed.supply for string in rig.strings_of(controller.name) for feed in string.feeds]
    return {
        "name": controller.name,
        "board": controller.board.name,
        "supply": controller.supply,
        "a": None if supply is None else board_a(controller, supply),
        "converter_v": None if supply is None else _converter_v(supply),
        "grounds": list(dict.fromkeys([*([controller.supply] if controller.supply else []), *fed])),
        "button_pin": controller.button_pin,
        "pulse_in_pin": controller.pulse_in_pin,
        "pulse_out_pin": controller.pulse_out_pin,
        "led_pin": controller.led_pin,
    }


def _converter_v(supply: Supply) -> float | None:
    """What a step-down converter makes for a board on this supply; None where it needs none."""
    return BOARD_V if abs(supply.volts - BOARD_V) > 0.5 else None


def _supply(name: str, model: CurrentModel, found: Mapping[str, Any]) -> dict[str, Any]:
    rig, supply, row = model.rig, model.rig.supplies[name], found["supplies"][name]
    microfarads, stands_v = bulk_capacitor(supply.volts)
    return {
        "volts": supply.volts,
        "amps": supply.amps,
        "usable": supply.usable,
        "budget_a": row["budget_a"],
        "peak_a": row["peak_a"],
        "full_white_a": row["full_white_a"],
        "limited_frames": row["limited_frames"],
        **found["advice"]["supplies"][name],
        "capacitor_uf": microfarads,
        "capacitor_v": stands_v,
        "boards": [
            {
                "name": controller.name,
                "board": controller.board.name,
                "a": board_a(controller, supply),
                "converter_v": _converter_v(supply),
            }
            for controller in rig.controllers.values()
            if controller.supply == name
        ],
        "feeds": [_feed(feed, found) for feed in rig.feeds.values() if feed.supply == name],
        "strings": [
            _string(string, rig, found)
            for string in rig.strings.values()
            if any(feed.supply == name for feed in string.feeds)
        ],
    }


def data_basis(string: LedString, rig: Rig) -> str:
    """Where the level that a string's data pin needs is from."""
    chip = string.chip.name
    if rig.supplies[string.feeds[0].supply].volts >= 8:
        return f"0.7 x the 5 V that the {chip} makes for its own logic"
    if chip == "ws2812b":
        return "0.7 x VDD, WS2812B datasheet, electrical characteristics"
    return f"0.7 x VDD, as the WS2812B datasheet asks; look up the {chip}'s own"


def quiet_of(rig: Rig) -> dict[str, Any]:
    """What the rig asks for the neighbours' sake, as in audit.json.

    `brightness` that every string is capped at, 0-1, `no_flash`, `hours` [from, to] or None.
    """
    hours = None
    if rig.quiet_hours is not None:
        hours = [f"{minutes // 60:02}:{minutes % 60:02}" for minutes in rig.quiet_hours]
    return {"brightness": rig.quiet_brightness, "no_flash": rig.no_flash, "hours": hours}


def place_of(feed: Feed, string: LedString) -> str:
    """Where a feed is, as a person on a ladder finds it."""
    return {0: "data end", string.pixels: "far end"}.get(feed.at, f"before pixel {feed.at}")


def _feed(feed: Feed, found: Mapping[str, Any]) -> dict[str, Any]:
    row, wire = found["feeds"][feed.name], feed.wire
    return {
        "name": feed.name,
        "string": feed.string,
        "at": feed.at,
        "peak_a": row["peak_a"],
        "ground_a": row["ground_a"],
        "awg": wire.awg if wire else None,
        "mm2": wire.mm2 if wire else None,
        "metres": wire.metres if wire else None,
        "carries_a": row["wire_a"],
        "basis": row["wire_basis"],
        "drop_v": drop_v(feed, max(row["peak_a"], row["ground_a"])),
        "fuse_a": feed.fuse_a,
        "wire_ok": row["wire_ok"],
        "short_a": row["short_a"],
        "short_clears": row["short_clears"],
        "advice": found["advice"]["feeds"][feed.name],
    }


def _string(string: LedString, rig: Rig, found: Mapping[str, Any]) -> dict[str, Any]:
    row = found["strings"][string.name]
    controller = rig.controllers[string.controller]
    return {
        "name": string.name,
        "controller": controller.name,
        "board": controller.board.name,
        "pin": string.pin,
        "clock_pin": string.clock_pin,
        "chip": string.chip.name,
        "pixels": string.pixels,
        "order": string.order,
        "cuts": list(string.cuts),
        "skipped": len(string.skip),
        "feeds": [
            {"at": feed.at, "place": place_of(feed, string), "supply": feed.supply, "fuse_a": feed.fuse_a}
            for feed in string.feeds
        ],
        "data_v": row["data_v"],
        "data_basis": data_basis(string, rig),
        "logic_v": row["logic_v"],
        "limit_v": row["limit_v"],
        "min_v": row["min_v"],
        "white_min_v": row["white_min_v"],
        "rail_estimated": row["rail_estimated"],
        **found["advice"]["strings"][string.name],
    }
