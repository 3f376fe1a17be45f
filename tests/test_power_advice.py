"""What the build sheet says: feeds, wires, fuses, supplies."""

from __future__ import annotations

import tomllib
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from composer.clock import Group
from composer.faults import FaultList
from composer.power import CurrentModel, Ladder, PowerAudit, advice
from composer.power.advice import bulk_capacitor, dimmed_by, drop_v, fuse_for, wire_for
from composer.power.feeding import more_feeds
from composer.power.wires import carries, ohm_per_m, wire_ok
from composer.rig import Feed, Wire, awg_mm2, rig_from


def model_of(pixels: int, metres: float, feeds: str = "") -> CurrentModel:
    """A strip with known copper, fed at its start, and perhaps elsewhere."""
    start = '[[string.rail.feed]]\nat = "start"\nsupply = "shed"\nwire = {awg = 16, metres = 1}'
    return rail(pixels, metres, f"rail_ohm_per_m = 0.062\n{feeds}\n{start}")


def rail(pixels: int, metres: float, rest: str) -> CurrentModel:
    faults = FaultList("rig.toml")
    text = f"""
    [supply.shed]
    volts = 5.0
    amps = 40.0
    [controller.quay]
    board = "pico"
    supply = "shed"
    [string.rail]
    controller = "quay"
    pin = 16
    pixels = {pixels}
    path = [[0, 0], [{metres}, 0]]
    {rest}
    """
    rig = rig_from(tomllib.loads(text), Path("rig.toml"), faults)
    faults.raise_if_any()
    return CurrentModel(rig)


def test_a_string_that_holds_needs_no_more_feeds() -> None:
    model = model_of(60, 1.0)
    found = more_feeds(model, "rail", np.full(60, 0.02))
    assert found.places == ()
    assert found.enough


@pytest.mark.parametrize("pixel_a", [0.01, 0.02, 0.03, 0.061])
def test_with_its_new_feeds_a_string_holds_and_with_one_less_it_does_not(pixel_a: float) -> None:
    model = model_of(300, 5.0)
    amps = np.full(300, pixel_a)
    found = more_feeds(model, "rail", amps)
    assert found.enough
    assert found.min_v >= 4.5
    for lost in found.places:
        blocks = "".join(
            f'[[string.rail.feed]]\nat = {at}\nsupply = "shed"\nwire = {{awg = 16, metres = 1}}\n'
            for at in found.places
            if at != lost
        )
        fewer = Ladder(model_of(300, 5.0, blocks).rig).volts(amps[None])["rail"]
        assert fewer.min() < 4.5


def test_where_no_number_of_feeds_is_enough_that_is_said() -> None:
    # 400 A through at most three wires of 13.17 mohm a conductor (1 m of 16 AWG, ASTM B258) drop 3.5 V.
    assert not more_feeds(model_of(2, 0.03), "rail", np.array([400.0, 0.0])).enough


@pytest.mark.parametrize(
    ("peak_a", "metres", "awg", "by"),
    [
        # NEC 240.4(D): 18 AWG 7 A, 16 AWG 10 A (from memory). 4 A need a fuse of 5 A (4 / 0.8, practice), 6 A one of
        # 7.5 A, 8 A one of 10 A; over 0.2 m none drops more than 0.05 V: current asks.
        (4.0, 0.2, 18, "current"),
        (6.0, 0.2, 16, "current"),
        (8.0, 0.2, 16, "current"),
        # 5 A over 3 m: 14 AWG drops 2 x 3 x 8.285e-3 x 5 = 0.249 V, over 3 % of 5 V; 12 AWG 0.156, 10 AWG 0.098 V.
        (5.0, 3.0, 10, "drop"),
    ],
)
def test_wire_by_current_and_by_drop(peak_a: float, metres: float, awg: int, by: str) -> None:
    found = wire_for(peak_a, metres, 5.0)
    assert (found["awg"], found["by"]) == (awg, by)
    assert found["drop_v"] <= 0.15


@pytest.mark.parametrize(
    ("peak_a", "metres", "mm2"),
    [
        # BS 7671 Table 4F3A (from memory): 0.75 mm2 6 A, 1 mm2 10 A; fuses as above.
        (4.0, 0.2, 0.75),
        (6.0, 0.2, 1.0),
        (8.0, 0.2, 1.0),
        # 5 A over 3 m: IEC 60228 has 7.98 ohm/km for 2.5 mm2, 0.239 V, over 3 % of 5 V; 4 mm2 4.95 ohm/km, 0.1485 V.
        (5.0, 3.0, 4.0),
        (60.0, 5.0, None),
    ],
)
def test_metric_wire_by_current_and_by_drop(peak_a: float, metres: float, mm2: float | None) -> None:
    assert wire_for(peak_a, metres, 5.0)["mm2"] == mm2


def test_a_feeds_own_wire_drops_on_both_conductors() -> None:
    # 1 m of 16 AWG, 13.174 ohm/km a conductor (ASTM B258, IEC 60028 at 20 C): 10 A drop 0.2635 V.
    model = model_of(60, 1.0)
    assert drop_v(model.rig.feeds["rail@start"], 10.0) == pytest.approx(0.26348, rel=1e-4)


def test_no_wire_is_offered_for_what_none_can_do() -> None:
    assert wire_for(60.0, 5.0, 5.0)["awg"] is None


@pytest.mark.parametrize(
    ("peak_a", "carries_a", "fuse"),
    # Practice: at least peak / 0.8, at most what the wire carries.
    [(4.0, 7.0, 5.0), (4.1, 7.0, None), (4.1, 10.0, 7.5), (8.0, 10.0, 10.0), (8.1, 10.0, None)],
)
def test_a_fuse_protects_its_wire(peak_a: float, carries_a: float, fuse: float | None) -> None:
    assert fuse_for(peak_a, carries_a) == fuse


@given(
    peak_a=st.floats(0.05, 12.0),
    metres=st.floats(0.1, 10.0),
    volts=st.sampled_from([5.0, 12.0]),
    far_ohm=st.floats(0.0, 1.0),
)
def test_wire_and_fuse_to_take_pass_the_audits_own_tests(
    peak_a: float, metres: float, volts: float, far_ohm: float
) -> None:
    found = wire_for(peak_a, metres, volts, far_ohm=far_ohm)
    assume(found["awg"] is not None)
    wire = Wire(awg_mm2(found["awg"]), metres, found["awg"])
    assert peak_a <= found["fuse_a"] <= carries(wire).amps
    assert wire_ok(Feed("f", "s", 0, "shed", wire, found["fuse_a"]), peak_a)
    # A short flows through both conductors of the wire and both rails; it blows a fuse of a third at once (practice).
    assert 3 * found["fuse_a"] <= volts / (2 * (ohm_per_m(wire) * metres + far_ohm))
    assert 2 * ohm_per_m(wire) * metres * peak_a <= 0.03 * volts


def test_where_a_short_blows_no_fuse_none_is_advised() -> None:
    # 6 m of strip at 0.123 ohm a metre and rail, fed at one end through 2.5 m of 16 AWG (13.2 mohm a metre): a short at
    # the far end draws 5 V / (2 x (0.74 + 0.03) ohm) = 3.2 A. A fuse of 5 A stands that for minutes; one that it blows
    # at once has 1 A, and the show draws more.
    feeds = strip("", '[[string.rail.feed]]\nat = "start"\nwire = {awg = 16, metres = 2.5}\nfuse = 5')
    assert feeds["rail@start"] | {"wire": None} == {
        "wire": None, "metres_assumed": False, "fuse_a": None, "fuse_with_wire_a": None, "short_limits": True,
    }  # fmt: skip


def test_a_feed_without_its_wire_is_advised_no_fuse_that_its_run_would_not_blow() -> None:
    """As above, and the rig says nothing of the wire: its strip alone lets a short draw no more than 3.4 A."""
    feeds = strip("", '[[string.rail.feed]]\nat = "start"\nsupply = "shed"')
    assert feeds["rail@start"] | {"wire": None} == {
        "wire": None, "metres_assumed": True, "fuse_a": None, "fuse_with_wire_a": None, "short_limits": True,
    }  # fmt: skip
    blocks = "".join(f'[[string.rail.feed]]\nat = {at}\nsupply = "shed"\n' for at in (25, 75, 125, 175))
    for feed in strip("cut = [50, 100, 150]", blocks).values():
        assert (feed["fuse_a"], feed["fuse_with_wire_a"], feed["short_limits"]) == (None, 3.0, False)


def test_fed_in_the_middle_of_short_pieces_a_fuse_fits() -> None:
    blocks = "".join(
        f"[[string.rail.feed]]\nat = {at}\nwire = {{awg = 14, metres = 2.5}}\nfuse = 3\n" for at in (25, 75, 125, 175)
    )
    # A piece draws 50 x (1 + 60 x 190 / 255) mA = 2.29 A, over 0.8: a fuse of 3 A.
    for feed in strip("cut = [50, 100, 150]", blocks).values():
        assert (feed["fuse_a"], feed["short_limits"]) == (3.0, False)


def strip(cut: str, blocks: str) -> dict[str, Any]:
    """Advice on the feeds of 200 pixels along 6 m, all nearly white."""
    model = rail(200, 6, cut + "\n" + blocks.replace("wire =", 'supply = "shed"\nwire ='))
    audit = PowerAudit(model)
    audit.add(Group(0, 0, 4, 0, 100_000, Fraction(0), Fraction(1, 4)), np.repeat(model.white(190), 4, axis=0))
    found: dict[str, Any] = advice(model, audit.result(str), audit.worst_amps)["feeds"]
    return found


@pytest.mark.parametrize(
    ("limited", "peak_a", "feed_a", "says"),
    [
        (0, 8.0, 5.0, []),
        (9, 8.0, 1.0, ["budget"]),
        (9, 3.0, 4.99, ["rail@start"]),
        (9, 7.99, 5.0, ["budget", "rail@start"]),
        (9, 3.0, 1.0, ["budget"]),
    ],
)
def test_what_dimmed_a_show_is_what_its_largest_frame_came_up_to(
    limited: int, peak_a: float, feed_a: float, says: list[str]
) -> None:
    audit = {
        "supplies": {"shed": {"limited_frames": limited, "budget_a": 8.0, "peak_a": peak_a, "skewed_a": peak_a}},
        "feeds": {
            "rail@start": {"supply": "shed", "peak_a": feed_a, "limit_a": 5.0},
            "mast@start": {"supply": "boat", "peak_a": 5.0, "limit_a": 5.0},
            "mast@end": {"supply": "shed", "peak_a": 5.0, "limit_a": None},
        },
    }
    assert dimmed_by("shed", audit) == says


def test_the_capacitor_stands_the_supply() -> None:
    # Adafruit, NeoPixel Uberguide: 1000 uF, 6.3 V or higher, for 5 V.
    assert bulk_capacitor(5.0) == (1000, 6.3)
    assert bulk_capacitor(12.0) == (1000, 16.0)


def test_a_rigs_advice() -> None:
    model = model_of(100, 1.65)
    audit = PowerAudit(model)
    frames = np.repeat(model.white(51), 4, axis=0)
    audit.add(Group(0, 0, 4, 0, 100_000, Fraction(0), Fraction(1, 4)), frames)
    result = audit.result(str)
    found = advice(model, result, audit.worst_amps)
    # 100 x (1 + 60/5) mA and the board's 0.1 A, over 0.8; full white 6.2 A, at 30 % (77/255 of it) less.
    assert found["supplies"]["shed"]["amps_for_show"] == pytest.approx(1.4 / 0.8)
    assert found["supplies"]["shed"]["amps_for_white"] == pytest.approx(6.2 / 0.8)
    assert found["supplies"]["shed"]["white_at_cap_a"]["30%"] == pytest.approx(0.2 + 6.0 * 76 / 255)
    assert found["strings"]["rail"]["feeds_for_show"]["places"] == ()
    assert found["strings"]["rail"]["feeds_for_white"]["places"] != ()
    assert found["feeds"]["rail@start"]["fuse_a"] == 2.0
    assert result["supplies"]["shed"]["boards"] == pytest.approx({"quay": 1.4})
