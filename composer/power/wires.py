"""Copper: what wires and strip rails resist, and what wires may carry.

Resistances are per metre of one conductor. What a wire may carry comes with where the figure is from; where no code
speaks, that is said. These are figures to plan with: local code and a licensed person decide.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from ..rig import Feed, LedString, Wire

# IEC 60028:1925, 100 % IACS: 1.7241e-8 ohm m at 20 C; temperature coefficient 0.00393 / K (same standard, from memory).
COPPER_OHM_M = 1.7241e-8
COPPER_PER_K = 0.00393
# Highest resistance at 20 C of flexible conductors, plain copper, mm2 -> ohm/km: the thinnest three DIN VDE 0295 (as
# makers of wire reproduce it), the others IEC 60228, class 5/6 (as two publishers reproduce it).
FLEXIBLE_OHM_PER_KM = {
    0.22: 96.0, 0.25: 76.0, 0.34: 53.0,
    0.5: 39.0, 0.75: 26.0, 1.0: 19.5, 1.5: 13.3, 2.5: 7.98, 4.0: 4.95, 6.0: 3.30,
    10.0: 1.91, 16.0: 1.21, 25.0: 0.780, 35.0: 0.554, 50.0: 0.386,
}  # fmt: skip
_LOG_MM2, _LOG_OHM = np.log(list(FLEXIBLE_OHM_PER_KM)), np.log(list(FLEXIBLE_OHM_PER_KM.values()))

# No datasheet gives a strip's rails. An estimate: copper 35 um thick and 4 mm wide a rail. Measure yours: send a known
# current (an ammeter, dark strip and white strip) and take the drop along one metre of one rail.
RAIL_OHM_PER_M = 0.123
NO_WIRE_OHM = 1e-6

# NEC (NFPA 70) 240.4(D), largest overcurrent device for small copper conductors; 18 and 16 AWG from memory. Thicker
# ones: NEC Table 310.16, copper, 60 C (from memory).
NEC_A = {18: 7.0, 16: 10.0, 14: 15.0, 12: 20.0, 10: 30.0, 8: 40.0, 6: 55.0, 4: 70.0}
# Flexible cords, BS 7671 Table 4F3A (from memory).
CORD_A = {0.5: 3.0, 0.75: 6.0, 1.0: 10.0, 1.5: 16.0, 2.5: 25.0, 4.0: 32.0}
# Below 18 AWG / 0.5 mm2 no code speaks. 6 A/mm2, the cord figure at 0.5 mm2 drawn on; it lies between the two published
# rules of thumb (22 AWG: 0.92 A by 700 circular mils an ampere, 7 A for "chassis wiring").
THIN_A_PER_MM2 = 6.0


class Carries(NamedTuple):
    """Amperes a wire may carry, and by which figure. `code` is False where no code gives a value."""

    amps: float
    basis: str
    code: bool


def ohm_per_m(wire: Wire, celsius: float = 20.0) -> float:
    """Resistance of one conductor, ohm a metre.

    AWG: resistivity over the cross-section of ASTM B258. Metric sizes: the highest that the standards allow them, for
    a stranded wire resists more than its cross-section of copper; between listed sizes by a straight line on scales of
    logarithms, beyond them as much over that cross-section of copper as the last.
    """
    if wire.awg is None:
        listed = min(max(wire.mm2, min(FLEXIBLE_OHM_PER_KM)), max(FLEXIBLE_OHM_PER_KM))
        at_20 = float(np.exp(np.interp(math.log(listed), _LOG_MM2, _LOG_OHM))) / 1000 * listed / wire.mm2
    else:
        at_20 = COPPER_OHM_M / (wire.mm2 * 1e-6)
    return at_20 * (1 + COPPER_PER_K * (celsius - 20))


def wire_ohm(wire: Wire | None, celsius: float = 20.0) -> float:
    """Resistance of one conductor of a feed's wire, end to end, ohm. A feed without a wire has next to none."""
    return NO_WIRE_OHM if wire is None else ohm_per_m(wire, celsius) * wire.metres


def rail_ohm_per_m(string: LedString) -> float:
    """Resistance of one rail of a string, ohm a metre: the rig's figure, or the estimate."""
    return string.rail_ohm_per_m or RAIL_OHM_PER_M


def carries(wire: Wire) -> Carries:
    """What a wire may carry, amperes. A size between two listed ones carries what the thinner one does."""
    if wire.awg is not None:
        listed = [gauge for gauge in NEC_A if gauge >= wire.awg]
        if listed:
            gauge = min(listed)
            return Carries(NEC_A[gauge], f"NEC 240.4(D) / 310.16, {gauge} AWG", True)
    else:
        smaller = [mm2 for mm2 in CORD_A if mm2 <= wire.mm2]
        if smaller:
            return Carries(CORD_A[max(smaller)], f"BS 7671 Table 4F3A, {max(smaller):g} mm2 cord", True)
    return Carries(THIN_A_PER_MM2 * wire.mm2, "no code value; rule of thumb, 6 A/mm2", False)


def feed_limit_a(feed: Feed) -> float:
    """What a show may draw through a feed, amperes: its fuse's rating; without one, what its wire carries."""
    if feed.fuse_a is not None:
        return feed.fuse_a
    return carries(feed.wire).amps if feed.wire is not None else math.inf


def wire_ok(feed: Feed, peak_a: float) -> bool:
    """Whether a feed's wire carries its peak and its fuse protects that wire. A feed without a wire passes.

    `peak_a`: of its plus or its ground wire, whichever carries more.
    """
    if feed.wire is None:
        return True
    amps = carries(feed.wire).amps
    return peak_a <= amps and (feed.fuse_a is None or feed.fuse_a <= amps)
