"""Where V+ is cut and ground is not, a feed's ground wire may carry more than its plus wire, which alone has a fuse.

By Kirchhoff's laws and the rule of the current divider. That the ladder's ground currents are right, ngspice says in
`test_power_ladder.py`.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from rooms_kit import rig_of

from composer.clock import Group
from composer.pipeline.sheet import sheet_of
from composer.power import CurrentModel, PowerAudit, advice
from composer.power.wires import carries
from composer.rig import Wire, awg_mm2
from exporters import report

Feeds = list[tuple[int, str, float]]  # before which pixel, its wire, its fuse
# 180 pixels along 3 m. The first 20 hang on a thin short wire; a long way round for their neighbours' ground is none.
LONG: Feeds = [
    (0, "awg = 20, metres = 0.3", 2),
    (60, "awg = 14, metres = 6.0", 7.5),
    (140, "awg = 14, metres = 6.0", 7.5),
]
# 140 pixels whose rails resist next to nothing. The first 10 are dark; 130 white ones draw 61 mA each.
NEAR: Feeds = [(0, "awg = 24, metres = 0.5", 1), (75, "awg = 16, metres = 1.0", 10)]


def model_of(feeds: Feeds, pixels: int, metres: float, rail: float, cuts: list[int]) -> CurrentModel:
    blocks = "".join(
        f'[[string.rail.feed]]\nat = {at}\nsupply = "shed"\nwire = {{{wire}}}\nfuse = {fuse}\n'
        for at, wire, fuse in feeds
    )
    return CurrentModel(
        rig_of(f"""
[supply.shed]
volts = 5.0
amps = 30.0
[controller.quay]
board = "pico"
[string.rail]
controller = "quay"
pin = 2
pixels = {pixels}
path = [[0, 0], [{metres}, 0]]
rail_ohm_per_m = {rail}
cut = {cuts}
{blocks}""")
    )


def audited(model: CurrentModel, dark: int = 0) -> dict[str, Any]:
    """The audit, with its advice, of a show that grows brighter and is white at last, but for the first pixels."""
    frames = np.repeat(np.linspace(0, 255, 8).astype(np.uint8)[:, None], model.rig.frame_bytes, axis=1)
    frames[:, : 3 * dark] = 0
    audit = PowerAudit(model)
    for i in range(2):
        half = frames[4 * i : 4 * i + 4]
        audit.add(Group(i, 4 * i, 4, 100_000 * i, 100_000 * (i + 1), Fraction(i), Fraction(1, 4)), half)
    found = audit.result(str)
    return {**found, "advice": advice(model, found, audit.worst_amps, audit.loads)}


def lines_on_grounds(found: dict[str, Any]) -> list[str]:
    return [line for line in report.electric_wrongs(found) if "wire carries" in line or "too thin" in line]


def long_one(feeds: Feeds) -> CurrentModel:
    return model_of(feeds, 180, 3.0, 0.06, [20, 100])


def near_one(feeds: Feeds) -> CurrentModel:
    return model_of(feeds, 140, 1.0, 0.004, [10])


def test_a_wire_is_judged_by_its_ground_too() -> None:
    found = audited(long_one(LONG))
    rows = found["feeds"]
    # Each piece's V+ comes through its own feed: 20, 80 and 80 pixels of 61 mA.
    assert [row["peak_a"] for row in rows.values()] == pytest.approx([20 * 0.061, 80 * 0.061, 80 * 0.061])
    # Ground divides among all three, as nodal analysis has it, done with another program; together they give back what
    # V+ brings (Kirchhoff).
    grounds = [row["ground_a"] for row in rows.values()]
    assert grounds == pytest.approx([3.73, 3.06, 4.19], abs=0.005)
    assert sum(grounds) == pytest.approx(180 * 0.061)
    # 20 AWG is 0.518 mm2 (ASTM B258), at 6 A/mm2 3.1 A: enough for V+, not for ground.
    assert rows["rail@start"]["wire_a"] == pytest.approx(3.1, abs=0.01)
    assert {name: row["wire_ok"] for name, row in rows.items()} == {
        "rail@start": False, "rail@60": True, "rail@140": True,
    }  # fmt: skip
    assert all(row["fuse_ok"] for row in rows.values())
    (line,) = lines_on_grounds(found)
    assert "feed rail@start: its ground wire carries 3.73 A, its plus wire 1.22 A" in line and "3.11 A" in line


def test_the_sheet_tells_the_ground_and_the_drop_it_makes() -> None:
    model = long_one(LONG)
    found = audited(model)
    row = next(f for f in sheet_of("t", model.rig, found, 1.0)["supplies"]["shed"]["feeds"] if f["at"] == 0)
    assert row["ground_a"] == pytest.approx(3.73, abs=0.005)
    # 20 AWG, 0.0333 ohm a metre (a published table: 10.15 ohm a 1000 ft), both conductors.
    assert row["drop_v"] == pytest.approx(2 * 0.3 * 0.0333 * 3.73, rel=2e-3)
    assert row["advice"]["wire"]["by"] == "ground"
    assert row["advice"]["fuse_a"] == 2.0  # of V+ alone: 1.22 A / 0.8


@pytest.mark.parametrize("size", ["awg", "mm2"])
@pytest.mark.parametrize("every", [True, False], ids=["every feed", "what is told alone"])
@pytest.mark.parametrize(("made", "feeds", "dark"), [(long_one, LONG, 0), (near_one, NEAR, 10)])
def test_who_takes_the_wires_to_take_is_told_no_more(
    made: Any, feeds: Feeds, dark: int, every: bool, size: str
) -> None:
    found = audited(made(feeds), dark)
    assert len(lines_on_grounds(found)) == 1
    taken: Feeds = []
    for (at, wire, fuse), row, advised in zip(
        feeds, found["feeds"].values(), found["advice"]["feeds"].values(), strict=True
    ):
        metres = wire.partition("metres")[2]
        new = f"{size} = {advised['wire'][size]}, metres{metres}"
        take = advised["wire"][size] is not None and (every or not row["wire_ok"])
        taken.append((at, new, advised["fuse_with_wire_a"]) if take else (at, wire, fuse))
    assert taken != feeds
    again = audited(made(taken), dark)
    assert [row["wire_ok"] for row in again["feeds"].values()] == [True] * len(feeds)
    assert lines_on_grounds(again) == []


def test_the_wire_to_take_stands_what_it_draws_to_itself() -> None:
    """A thicker wire takes more of the ground's current; one that would carry what flows now is not enough."""
    found = audited(near_one(NEAR), dark=10)
    now_a = found["feeds"]["rail@start"]["ground_a"]
    thin = Wire(awg_mm2(22), 0.5, 22)
    assert carries(Wire(awg_mm2(24), 0.5, 24)).amps < now_a < carries(thin).amps
    # Current divider, the rails' 2 x 2 mohm from the far feed to the ends left out: 130 x 61 mA, ohms of two wires.
    ohm_22, ohm_16 = 0.5 * 16.14 / 304.8, 1.0 * 4.016 / 304.8  # a published table, ohm a 1000 ft
    assert 7.93 * ohm_16 / (ohm_22 + ohm_16) > 1.3 * carries(thin).amps
    assert (
        audited(near_one([(0, "awg = 22, metres = 0.5", 1), NEAR[1]]), dark=10)["feeds"]["rail@start"]["wire_ok"]
        is False
    )
    assert found["advice"]["feeds"]["rail@start"]["wire"]["awg"] == 18


def test_without_a_cut_both_wires_carry_the_same() -> None:
    """Plus and ground are then two equal networks, by symmetry."""
    rows = audited(model_of(LONG, 180, 3.0, 0.06, []))["feeds"]
    assert [row["ground_a"] for row in rows.values()] == pytest.approx([row["peak_a"] for row in rows.values()])
