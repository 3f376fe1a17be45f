"""What to change about a rig's supplies, feeds, wires and fuses: plain data for the build sheet.

Figures of codes are named as such, rules of thumb too. They help to plan; local code and a licensed person decide.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from ..rig import Feed, Rig, Wire, awg_mm2
from .feeding import MOST_TRIALS, NewFeeds, Places, more_feeds
from .ladder import Circuit, Rails, likeness
from .model import CurrentModel
from .network import Floats
from .rewired import ASSUMED_M, most_with, picks
from .wires import carries, ohm_per_m, wire_ohm

# Blade fuses, ISO 8820-3, and small cartridge fuses, IEC 60127 (both from memory).
FUSES_A = (0.5, 1.0, 2.0, 3.0, 4.0, 5.0, 7.5, 10.0, 15.0, 20.0, 25.0, 30.0, 40.0)
GAUGES = (24, 22, 20, 18, 16, 14, 12, 10, 8)
METRIC_MM2 = (0.25, 0.34, 0.5, 0.75, 1.0, 1.5, 2.5, 4.0, 6.0)  # IEC 60228 sizes; the first two DIN VDE 0295
# Share of a supply's or a fuse's rating: practice. As code only for loads of 3 h and more (NEC Art. 100, 210.20(A)).
HABIT = 0.8
DROP = 0.03  # of the supply's volts along a feed's wire: practice
CLEARS = 3.0  # times its rating: what blows a fuse at once (practice)
MET = 0.95  # share of a limit that the largest frame reaches where the limiter held a show to it
CAPS = (0.3, 0.5, 0.7)
ROUNDS = 20  # of solving again with wires that are advised; two or three are enough


def wire_for(
    peak_a: float, metres: float, volts: float, celsius: float = 20.0, far_ohm: float = 0.0, ground_a: float = 0.0
) -> dict[str, Any]:
    """The thinnest AWG wire for a feed: it carries a fuse for its peak, and drops at most 3 % of its supply (practice).

    `ground_a`: what its ground wire carries at most, where that is more than its peak. The wire carries it too, and
    its drop counts; the fuse, in the plus wire, does not see it.

    `far_ohm`: of one rail up to the far end of the feed's run; a short there must blow the fuse, too. Where that asks
    for a smaller one, the fuse has less to spare than practice has it.

    Keys: `awg`, `carries_a`, `basis`, `code` (False: no code gives a value), `drop_v`, `fuse_a`, `by` ("current",
    "ground", "drop" or "short": what asked for it). Thicker than 8 AWG is not offered: `awg` is None, feed in more
    places. `mm2`, `mm2_carries_a`, `mm2_basis`: the thinnest metric wire by the same tests, up to 6 mm2.
    """
    tests = _Tests(peak_a, volts, celsius, far_ohm, ground_a)
    awg = tests.thinnest([Wire(awg_mm2(gauge), metres, gauge) for gauge in GAUGES])
    metric = tests.thinnest([Wire(mm2, metres) for mm2 in METRIC_MM2])
    found: dict[str, Any] = {"awg": None, "carries_a": None, "basis": "", "code": False, "drop_v": None, "by": ""}
    found |= {"fuse_a": None, "mm2": None, "mm2_carries_a": None, "mm2_basis": ""}
    if awg is not None:
        wire, by = awg
        found |= {"awg": wire.awg, "drop_v": tests.drop_v(wire), "by": by, "fuse_a": tests.fuse_a(wire)}
        found["carries_a"], found["basis"], found["code"] = carries(wire)
    if metric is not None:
        wire = metric[0]
        found |= {"mm2": wire.mm2, "mm2_carries_a": carries(wire).amps, "mm2_basis": carries(wire).basis}
    return found


@dataclass(frozen=True)
class _Tests:
    """What a feed's wire and fuse must stand, the tests of the audit among them."""

    peak_a: float
    volts: float
    celsius: float
    far_ohm: float
    ground_a: float = 0.0

    def thinnest(self, wires: Sequence[Wire]) -> tuple[Wire, str] | None:
        """The first wire that will do, and which test it was that the one before failed."""
        for habit in (HABIT, 1.0):
            by = "drop"
            for wire in wires:
                if fuse_for(self.peak_a, carries(wire).amps, habit) is None:
                    by = "current"
                elif self.ground_a > carries(wire).amps:
                    by = "ground"
                elif fuse_for(self.peak_a, self._most_a(wire), habit) is None:
                    by = "short"
                elif self.drop_v(wire) > DROP * self.volts:
                    by = "drop"
                else:
                    return wire, by
        return None

    def drop_v(self, wire: Wire) -> float:
        return 2 * wire.metres * ohm_per_m(wire, self.celsius) * max(self.peak_a, self.ground_a)

    def fuse_a(self, wire: Wire) -> float | None:
        """The fuse for a feed with this wire; one with less to spare than practice has it where no other fits."""
        most_a = self._most_a(wire)
        return fuse_for(self.peak_a, most_a) or fuse_for(self.peak_a, most_a, 1.0)

    def _most_a(self, wire: Wire) -> float:
        """The largest fuse that this wire and a short at the far end of the run allow."""
        ohm = 2 * (wire.metres * ohm_per_m(wire, self.celsius) + self.far_ohm)
        return min(carries(wire).amps, self.volts / ohm / CLEARS)


def fuse_for(peak_a: float, most_a: float, habit: float = HABIT) -> float | None:
    """The smallest usual fuse of at least peak / `habit` (0.8: practice), and at most what its wire carries."""
    fits = [fuse for fuse in FUSES_A if peak_a / habit <= fuse <= most_a]
    return fits[0] if fits else None


def advice(
    model: CurrentModel,
    audit: Mapping[str, Any],
    worst: Mapping[str, Floats],
    loads: Mapping[tuple[str, ...], Floats] | None = None,
) -> dict[str, Any]:
    """Advice for a whole rig: {"supplies", "strings", "feeds"} by name.

    `audit` is `PowerAudit.result`; `worst` holds, by string, its pixels' currents (pixels,) in the frame in which its
    volts are lowest (`PowerAudit.worst_amps`). `loads`: `PowerAudit.loads`, for wires that stand what flows once they
    are there.
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
            "dimmed_by": dimmed_by(name, audit),
        }
    strings = _further_feeds(model, audit, worst)
    return {"supplies": supplies, "strings": strings, "feeds": _feeds(model.rig, audit["feeds"], loads or {})}


def _feeds(
    rig: Rig, audited: Mapping[str, Mapping[str, Any]], loads: Mapping[tuple[str, ...], Floats]
) -> dict[str, dict[str, Any]]:
    """Advice on each feed. Wires that are replaced share the current in other parts, so where V+ is cut the rig is
    solved again with them, until they carry what flows through them.
    """
    far_ohm = {
        feed.name: rails.far_ohm(i)
        for string in rig.strings.values()
        for rails in [Rails(string, 20.0)]
        for i, feed in enumerate(string.feeds)
    }

    def one(name: str, peak_a: float, ground_a: float) -> dict[str, Any]:
        return _feed(rig.feeds[name], peak_a, rig.supplies[rig.feeds[name].supply].volts, far_ohm[name], ground_a)

    carried = {name: (row["peak_a"], row.get("ground_a", 0.0)) for name, row in audited.items()}
    feeds = {name: one(name, *amps) for name, amps in carried.items()}
    known: dict[Hashable, Circuit] = {}
    for strings, amps in loads.items():
        mine = [feed.name for string in strings for feed in rig.strings[string].feeds]
        bad = [name for name in mine if not audited[name]["wire_ok"]]
        for _ in range(ROUNDS):
            wires = {name: feeds[name]["wire"] for name in mine}
            choices = [pick for take in (mine, bad) for pick in picks(rig, wires, take)]
            more = most_with(rig, strings, amps, choices, known)
            for name in mine:
                carried[name] = max(more[name][0], carried[name][0]), max(more[name][1], carried[name][1])
                feeds[name] = one(name, *carried[name])
            if all(feeds[name]["wire"][size] == wires[name][size] for name in mine for size in ("awg", "mm2")):
                break
    return feeds


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


def feeds_as_built(rig: Rig) -> dict[str, dict[str, Any]]:
    """Feeds by name, with what the audit says of them that asks for no show: `fuse_a`, `wire_a`, `short_a` (amperes, or
    None) and `short_clears`."""
    rows: dict[str, dict[str, Any]] = {}
    for string in rig.strings.values():
        rails = Rails(string, 20.0)
        for i, feed in enumerate(string.feeds):
            short_a = None
            if feed.wire is not None:
                short_a = rig.supplies[feed.supply].volts / (2 * (wire_ohm(feed.wire) + rails.far_ohm(i)))
            rows[feed.name] = {
                "fuse_a": feed.fuse_a,
                "wire_a": carries(feed.wire).amps if feed.wire else None,
                "short_a": short_a,
                "short_clears": None if feed.fuse_a is None or short_a is None else short_a >= CLEARS * feed.fuse_a,
            }
    return rows


def dimmed_by(supply: str, audit: Mapping[str, Any]) -> list[str]:
    """What a supply's limiter held the show to: "budget", and feeds by name (their fuse or wire); none where it did
    nothing.

    The frame that needed most is let through up to its limit, so a limit that no frame comes near was not the reason.
    """
    row = audit["supplies"][supply]
    if not row["limited_frames"]:
        return []
    met = ["budget"] if max(row["peak_a"], row["skewed_a"]) >= MET * row["budget_a"] else []
    for name, feed in audit["feeds"].items():
        if feed["supply"] == supply and feed["limit_a"] is not None and feed["peak_a"] >= MET * feed["limit_a"]:
            met.append(name)
    return met or ["budget"]  # each board held to its own share of it


def _feed(feed: Feed, peak_a: float, volts: float, far_ohm: float, ground_a: float) -> dict[str, Any]:
    """`fuse_a` with its own wire (None without one: nothing is known of it), `fuse_with_wire_a` with the wire to take.
    `short_limits`: a short at the far end of its run blows no fuse that stands its peak."""
    metres = feed.wire.metres if feed.wire else ASSUMED_M
    wire = wire_for(peak_a, metres, volts, far_ohm=far_ohm, ground_a=ground_a)
    fuse_a = None if feed.wire is None else _Tests(peak_a, volts, 20.0, far_ohm).fuse_a(feed.wire)
    short_limits = wire["awg"] is None and fuse_a is None
    if wire["awg"] is None:
        wire = wire_for(peak_a, metres, volts, ground_a=ground_a)
        wire["fuse_a"] = None
    return {
        "wire": wire,
        "metres_assumed": feed.wire is None,
        "fuse_a": fuse_a,
        "fuse_with_wire_a": wire["fuse_a"],
        "short_limits": short_limits and wire["awg"] is not None,
    }


def drop_v(feed: Feed, peak_a: float, celsius: float = 20.0) -> float | None:
    """Volts that a feed's own wire drops at its peak, both conductors; None where the rig does not give the wire.

    `peak_a`: of its plus or its ground wire, whichever carries more.
    """
    return None if feed.wire is None else 2 * wire_ohm(feed.wire, celsius) * peak_a


def data_resistor_ohm() -> tuple[int, int]:
    """A series resistor in each data line, ohm (Adafruit, NeoPixel Uberguide, best practices: common practice)."""
    return 300, 500


def bulk_capacitor(volts: float) -> tuple[int, float]:
    """A capacitor across each strip's supply: microfarads, and the voltage it must stand (same source; practice).

    6.3 V parts on 5 V; on other supplies the next usual rating above 1.2 times the volts.
    """
    return 1000, next(v for v in (6.3, 10.0, 16.0, 25.0, 35.0, 50.0, 63.0) if v >= volts * 1.2)


__all__ = [
    "advice",
    "bulk_capacitor",
    "data_resistor_ohm",
    "dimmed_by",
    "drop_v",
    "feeds_as_built",
    "fuse_for",
    "wire_for",
]
