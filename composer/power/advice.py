"""What to change about a rig's supplies, feeds, wires and fuses: plain data for the build sheet.

Figures of codes are named as such, rules of thumb too. They help to plan; local code and a licensed person decide.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from typing import Any

from ..rig import Feed, Rig, Wire, awg_mm2
from .feeding import MOST_TRIALS, NewFeeds, Places, more_feeds
from .ladder import Rails, likeness
from .model import CurrentModel
from .network import Floats
from .wires import carries, ohm_per_m, wire_ohm

# Blade fuses, ISO 8820-3, and small cartridge fuses, IEC 60127 (both from memory).
FUSES_A = (0.5, 1.0, 2.0, 3.0, 4.0, 5.0, 7.5, 10.0, 15.0, 20.0, 25.0, 30.0, 40.0)
GAUGES = (24, 22, 20, 18, 16, 14, 12, 10, 8)
METRIC_MM2 = (0.25, 0.34, 0.5, 0.75, 1.0, 1.5, 2.5, 4.0, 6.0)  # IEC 60228 sizes; the first two DIN VDE 0295
# Share of a supply's or a fuse's rating: practice. As code only for loads of 3 h and more (NEC Art. 100, 210.20(A)).
HABIT = 0.8
DROP = 0.03  # of the supply's volts along a feed's wire: practice
CAPS = (0.3, 0.5, 0.7)
ASSUMED_M = 1.0  # a feed whose wire the rig does not give


def wire_for(peak_a: float, metres: float, volts: float, celsius: float = 20.0) -> dict[str, Any]:
    """The thinnest AWG wire for a feed: it carries a fuse for its peak, and drops at most 3 % of its supply (practice).

    Keys: `awg`, `carries_a`, `basis`, `code` (False: no code gives a value), `drop_v`, `by` ("current" or "drop": what
    asked for it). Thicker than 8 AWG is not offered: `awg` is None, feed in more places. `mm2`, `mm2_carries_a`,
    `mm2_basis`: the thinnest metric wire by the same two tests, up to 6 mm2.
    """
    awg = _thinnest([Wire(awg_mm2(gauge), metres, gauge) for gauge in GAUGES], peak_a, volts, celsius)
    metric = _thinnest([Wire(mm2, metres) for mm2 in METRIC_MM2], peak_a, volts, celsius)
    found: dict[str, Any] = {"awg": None, "carries_a": None, "basis": "", "code": False, "drop_v": None, "by": ""}
    found |= {"mm2": None, "mm2_carries_a": None, "mm2_basis": ""}
    if awg is not None:
        wire, drop_v, by = awg
        found |= {"awg": wire.awg, "drop_v": drop_v, "by": by}
        found["carries_a"], found["basis"], found["code"] = carries(wire)
    if metric is not None:
        wire = metric[0]
        found |= {"mm2": wire.mm2, "mm2_carries_a": carries(wire).amps, "mm2_basis": carries(wire).basis}
    return found


def _thinnest(wires: list[Wire], peak_a: float, volts: float, celsius: float) -> tuple[Wire, float, str] | None:
    """The first wire that will do, its drop in volts, and which test it was that the one before failed."""
    by = "drop"
    for wire in wires:
        drop_v = 2 * wire.metres * ohm_per_m(wire, celsius) * peak_a
        if fuse_for(peak_a, carries(wire).amps) is None:
            by = "current"
        elif drop_v > DROP * volts:
            by = "drop"
        else:
            return wire, drop_v, by
    return None


def fuse_for(peak_a: float, carries_a: float) -> float | None:
    """The smallest usual fuse of at least peak / 0.8 (practice) that still protects a wire for `carries_a`."""
    fits = [fuse for fuse in FUSES_A if peak_a / HABIT <= fuse <= carries_a]
    return fits[0] if fits else None


def advice(model: CurrentModel, audit: Mapping[str, Any], worst: Mapping[str, Floats]) -> dict[str, Any]:
    """Advice for a whole rig: {"supplies", "strings", "feeds"} by name.

    `audit` is `PowerAudit.result`; `worst` holds, by string, its pixels' currents (pixels,) in the frame in which its
    volts are lowest (`PowerAudit.worst_amps`).
    """
    supplies = {}
    capped = {cap: model.supply_a(model.white(round(255 * cap)))[0] for cap in CAPS}
    for i, name in enumerate(model.supplies):
        found = audit["supplies"][name]
        supplies[name] = {
            "amps_for_show": found["peak_a"] / HABIT,
            "amps_for_white": found["full_white_a"] / HABIT,
            "habit": HABIT,
            "white_at_cap_a": {f"{cap:.0%}": float(amps[i]) for cap, amps in capped.items()},
        }
    strings = _further_feeds(model, audit, worst)
    feeds = {name: _feed(feed, audit["feeds"][name]["peak_a"], model.rig) for name, feed in model.rig.feeds.items()}
    return {"supplies": supplies, "strings": strings, "feeds": feeds}


def _further_feeds(
    model: CurrentModel, audit: Mapping[str, Any], worst: Mapping[str, Floats]
) -> dict[str, dict[str, Any]]:
    """By string, `feeds_for_show` and `feeds_for_white`. Strings that are alike share a network."""
    strings = model.rig.strings
    volts_of = {name: supply.volts for name, supply in model.rig.supplies.items()}
    white = model.pixel_a(model.white())[0] + model.pixel_idle_a()
    trials = min(MOST_TRIALS, max(100, MOST_TRIALS * 8 // len(strings)))  # a rig of many strings asks for many searches
    alike: dict[Hashable, list[str]] = {}
    for name, string in strings.items():
        alike.setdefault((likeness(string, Rails(string, 20.0), volts_of), string.chip.min_v), []).append(name)
    out: dict[str, dict[str, Any]] = {name: {} for name in strings}
    for names in alike.values():
        places: Places | None = None
        known: dict[bytes, NewFeeds] = {}
        for name in names:
            row, own = audit["strings"][name], model.rig.pixel_slices[name]
            for key, min_v, amps in (("show", row["min_v"], worst[name]), ("white", row["white_min_v"], white[own])):
                more = NewFeeds((), min_v, True)
                if min_v < strings[name].chip.min_v:  # what the audit has found to hold needs no network of its own
                    if amps.tobytes() not in known:
                        places = places or Places(model.rig, name)
                        known[amps.tobytes()] = more_feeds(model, name, amps, trials=trials, places=places)
                    more = known[amps.tobytes()]
                out[name][f"feeds_for_{key}"] = more._asdict()
    return out


def _feed(feed: Feed, peak_a: float, rig: Rig) -> dict[str, Any]:
    metres = feed.wire.metres if feed.wire else ASSUMED_M
    wire = wire_for(peak_a, metres, rig.supplies[feed.supply].volts)
    own = carries(feed.wire).amps if feed.wire else math.inf
    return {
        "wire": wire,
        "metres_assumed": feed.wire is None,
        "fuse_a": fuse_for(peak_a, own),
        "fuse_with_wire_a": None if wire["awg"] is None else fuse_for(peak_a, wire["carries_a"]),
    }


def drop_v(feed: Feed, peak_a: float, celsius: float = 20.0) -> float | None:
    """Volts that a feed's own wire drops at its peak, both conductors; None where the rig does not give the wire."""
    return None if feed.wire is None else 2 * wire_ohm(feed.wire, celsius) * peak_a


def data_resistor_ohm() -> tuple[int, int]:
    """A series resistor in each data line, ohm (Adafruit, NeoPixel Uberguide, best practices: common practice)."""
    return 300, 500


def bulk_capacitor(volts: float) -> tuple[int, float]:
    """A capacitor across each strip's supply: microfarads, and the voltage it must stand (same source; practice).

    6.3 V parts on 5 V; on other supplies the next usual rating above 1.2 times the volts.
    """
    return 1000, next(v for v in (6.3, 10.0, 16.0, 25.0, 35.0, 50.0, 63.0) if v >= volts * 1.2)


__all__ = ["advice", "bulk_capacitor", "data_resistor_ohm", "drop_v", "fuse_for", "wire_for"]
