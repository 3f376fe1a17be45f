"""Volts and amperes along strings: closed forms, wire tables, and ngspice on random rigs."""

from __future__ import annotations

import math
import shutil
import subprocess
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from composer.faults import FaultList
from composer.power import CurrentModel
from composer.power.ladder import Ladder, headroom
from composer.power.wires import carries, ohm_per_m, wire_ohm
from composer.rig import Rig, Wire, awg_mm2, rig_from

Floats = npt.NDArray[np.float64]


def rig_of(strings: str, volts: dict[str, float] | None = None) -> Rig:
    supplies = "".join(
        f"[supply.{name}]\nvolts = {v}\namps = 100.0\n" for name, v in (volts or {"shed": 5.0, "lamp": 5.0}).items()
    )
    faults = FaultList("rig.toml")
    text = f'{supplies}[controller.quay]\nboard = "pico"\n{strings}'
    rig = rig_from(tomllib.loads(text), Path("rig.toml"), faults)
    faults.raise_if_any()
    return rig


def string(
    name: str, pixels: int, metres: float, feeds: list[tuple[int | str, str, str]], rail: float = 0.062, extra: str = ""
) -> str:
    """A strip of `metres`: pixels in the middle of their pitch, so the outermost are half a pitch from the ends."""
    between = metres * (pixels - 1) / pixels
    blocks = "".join(
        f"[[string.{name}.feed]]\nat = {at if isinstance(at, int) else repr(at)}\nsupply = '{supply}'\n{wire}\n"
        for at, supply, wire in feeds
    )
    pin = 2 + sum(map(ord, name)) % 20
    path = f"path = [[0, 0], [{between}, 0]]" if pixels > 1 else ""
    return f"""
[string.{name}]
controller = "quay"
pin = {pin}
pixels = {pixels}
{path}
rail_ohm_per_m = {rail}
{extra}
{blocks}
"""


# ---- closed forms ----


def test_one_end_drops_half_of_what_the_whole_current_would() -> None:
    # A uniform load on two rails fed at one end: 2 x I R L / 2. 15 A, 62 mohm/m, 5 m: 4.65 V (so it cannot be).
    ladder = Ladder(rig_of(string("rail", 300, 5.0, [("start", "shed", "")])))
    solved = ladder.solve(np.full((1, 300), 15 / 300))
    # The last pixel lies half a pitch before the end, where no current flows any more.
    assert 5 - solved.volts["rail"][0, -1] == pytest.approx(4.65, abs=1e-4)
    assert solved.feeds == pytest.approx(np.array([[15.0]]))


def test_both_ends_drop_a_quarter_of_that() -> None:
    # By symmetry each half is a strip of 2.5 m with 7.5 A: 2 x 7.5 x 0.062 x 2.5 / 2.
    ladder = Ladder(rig_of(string("rail", 300, 5.0, [("start", "shed", ""), ("end", "shed", "")])))
    solved = ladder.solve(np.full((1, 300), 15 / 300))
    assert 5 - solved.volts["rail"].min() == pytest.approx(4.65 / 4, abs=1e-4)
    assert solved.feeds == pytest.approx(np.array([[7.5, 7.5]]))


def test_one_lit_pixel_between_two_feeds_divides_like_two_resistors() -> None:
    # Pixel 29 of 100 on 10 m lies 2.95 m from the start: the near feed takes 7.05/10 of its current.
    ladder = Ladder(rig_of(string("rail", 100, 10.0, [("start", "shed", ""), ("end", "shed", "")])))
    amps = np.zeros((1, 100))
    amps[0, 29] = 2.0
    solved = ladder.solve(amps)
    assert solved.feeds[0] == pytest.approx([2 * 0.705, 2 * 0.295], rel=1e-4)
    assert 5 - solved.volts["rail"][0, 29] == pytest.approx(2 * 2 * 0.062 * 2.95 * 7.05 / 10, rel=1e-4)


@pytest.mark.parametrize(
    ("wire", "amps", "drop"),
    [
        # Both conductors, ASTM B258 and IEC 60028 at 20 C: 2 x metres x ohm/km / 1000 x amps.
        ("wire = {awg = 18, metres = 2}", 5.0, 0.419),
        ("wire = {awg = 22, metres = 1}", 3.0, 0.318),
        ("wire = {awg = 20, metres = 3}", 6.0, 1.199),
    ],
)
def test_a_feeds_wire_drops_on_both_conductors(wire: str, amps: float, drop: float) -> None:
    ladder = Ladder(rig_of(string("rail", 1, 0.1, [("start", "shed", wire)], rail=0.0001)))
    assert 5 - ladder.solve(np.array([[amps]])).volts["rail"][0, 0] == pytest.approx(drop, abs=0.001)


def test_v_plus_that_is_cut_keeps_supplies_apart_while_ground_goes_through() -> None:
    # Two supplies of 5 V, V+ cut in the middle, the first half dark: its feed gives nothing, though its ground wire
    # might have carried something back, had the supplies' minus poles been joined elsewhere too.
    feeds: list[tuple[int | str, str, str]] = [("start", "shed", ""), (50, "lamp", "")]
    ladder = Ladder(rig_of(string("rail", 100, 10.0, feeds, extra="cut = [50]")))
    amps = np.zeros((1, 100))
    amps[0, 50:] = 0.02
    solved = ladder.solve(amps)
    assert solved.feeds[0] == pytest.approx([0.0, 1.0], abs=1e-6)
    assert solved.volts["rail"][0, :50] == pytest.approx(np.full(50, 5.0), abs=1e-4)
    assert 5 - solved.volts["rail"][0, -1] == pytest.approx(2 * 1.0 * 0.062 * 5 / 2, rel=1e-3)


def test_ground_that_goes_through_divides_like_two_resistors_where_v_plus_is_cut() -> None:
    """The pixel after the cut has its V+ from the far feed alone; its ground current divides, the larger part through
    the near feed, whose V+ is dark: the rule of the current divider, and Kirchhoff's of currents for the sum."""
    far = "wire = {mm2 = 0.3, metres = 10}"
    rig = rig_of(string("rail", 2, 2.0, [(0, "shed", ""), (2, "shed", far)], 0.1, "cut = [1]"))
    solved = Ladder(rig).solve(np.array([[0.0, 3.0]]))
    assert solved.feeds[0] == pytest.approx([0.0, 3.0])
    # Rails 1 m a pitch, half of it beyond each end, 0.1 ohm a metre; the far feed's wire as the rig's reader has it.
    near_ohm, far_ohm = 0.15, 0.05 + wire_ohm(rig.feeds["rail@end"].wire)
    near_a = 3.0 * far_ohm / (near_ohm + far_ohm)
    assert near_a > 2.0
    assert solved.grounds[0] == pytest.approx([near_a, 3.0 - near_a], rel=1e-4)


def test_ground_lift_is_half_the_drop_of_a_string_fed_at_one_end() -> None:
    ladder = Ladder(rig_of(string("rail", 60, 2.0, [("start", "shed", "wire = {awg = 18, metres = 2}")])))
    solved = ladder.solve(np.full((1, 60), 0.05))
    assert solved.lift["rail"] == pytest.approx((5 - solved.volts["rail"]) / 2)


def test_copper_goes_round_the_corners_of_a_path() -> None:
    """Three pixels along 0.4 m that fold back: the strip between two is 0.2 m long, however near they hang."""
    bent, straight = "path = [[0, 0], [0.1, 0], [0, 0], [0.2, 0]]", "path = [[0, 0], [0.4, 0]]"
    feed = '[[string.rail.feed]]\nsupply = "shed"\n'
    head = '[string.rail]\ncontroller = "quay"\npin = 2\npixels = 3\nrail_ohm_per_m = 0.5\n'
    rigs = [rig_of(f"{head}{path}\n{feed}") for path in (bent, straight)]
    assert rigs[0].strings["rail"].places[1] == pytest.approx((0.0, 0.0))
    volts = [Ladder(rig).volts(np.full((1, 3), 1.0))["rail"][0] for rig in rigs]
    # Ohm: half a pitch of both rails to the first pixel with 3 A, then a pitch with 2 A and one with 1 A.
    assert volts[0] == pytest.approx([5 - 2 * 0.1 * at for at in (1.5, 3.5, 4.5)], abs=1e-5)
    assert volts[0] == pytest.approx(volts[1])


def test_copper_that_is_warm_drops_more() -> None:
    # 0.00393 / K (IEC 60028): 55 K more is 1.21615 times the resistance.
    rig = rig_of(string("rail", 60, 2.0, [("start", "shed", "wire = {awg = 18, metres = 2}")]))
    amps = np.full((1, 60), 0.02)
    cold, warm = (5 - Ladder(rig, celsius).volts(amps)["rail"] for celsius in (20, 75))
    assert warm / cold == pytest.approx(np.full((1, 60), 1.21615), rel=1e-5)


def test_feeds_give_what_pixels_take_in_every_frame() -> None:
    rig = rig_of(
        string("rail", 40, 3.0, [(0, "shed", "wire = {awg = 20, metres = 1}"), (17, "shed", ""), (40, "shed", "")])
        + string("mast", 25, 2.0, [(9, "lamp", "wire = {mm2 = 0.75, metres = 4}")])
    )
    amps = np.random.default_rng(0).random((50, 65)) * 0.06
    feeds = Ladder(rig).feed_a(amps)
    assert feeds[:, :3].sum(axis=1) == pytest.approx(amps[:, :40].sum(axis=1))
    assert feeds[:, 3] == pytest.approx(amps[:, 40:].sum(axis=1))


def test_a_run_that_lost_its_only_feed_is_dark() -> None:
    feeds: list[tuple[int | str, str, str]] = [("start", "shed", ""), (50, "lamp", "")]
    ladder = Ladder(rig_of(string("rail", 100, 10.0, feeds, extra="cut = [50]")), without="rail@50")
    solved = ladder.solve(np.full((1, 100), 0.02))
    assert solved.feeds[0] == pytest.approx([1.0])
    assert (solved.volts["rail"][0, 50:] == 0).all()


def test_a_short_at_the_far_end_is_ohms_law() -> None:
    # 5 V over both conductors of 2 m of 18 AWG (20.948 mohm/m) and both rails of 5 m (62 mohm/m).
    rig = rig_of(string("rail", 300, 5.0, [("start", "shed", "wire = {awg = 18, metres = 2}")]))
    assert Ladder(rig).short_a(rig.feeds["rail@start"]) == pytest.approx(5 / (2 * (2 * 0.020948 + 5 * 0.062)), rel=1e-4)


# ---- where chips run out of headroom ----


def test_consistent_currents_leave_a_good_rig_alone() -> None:
    rig = rig_of(string("rail", 60, 2.0, [("start", "shed", "")]))
    ladder = Ladder(rig)
    amps, idle = np.full(60, 0.02), np.full(60, 0.001)
    volts, drawn = ladder.consistent(amps, idle)
    assert volts["rail"] == pytest.approx(ladder.volts(amps[None])["rail"][0])
    assert drawn == pytest.approx(amps)


def test_one_starved_pixel_is_a_quadratic_worked_by_hand() -> None:
    # 1 A wanted through 2 x 1 ohm from 5 V: 3 V, below full. Between 2.5 and 3.8 V the current is (V - 2.5) / 1.3 A,
    # and V = 5 - 2 (V - 2.5) / 1.3, so V = (5 + 5 / 1.3) / (1 + 2 / 1.3).
    wire = f"wire = {{mm2 = 0.5, metres = {1 / 0.039}}}"  # IEC 60228: 39.0 ohm/km
    ladder = Ladder(rig_of(string("rail", 1, 0.01, [("start", "shed", wire)])))
    assert headroom(ladder.strings["rail"]) == (3.8, 2.5)
    volts, drawn = ladder.consistent(np.array([1.0]), np.array([0.0]))
    expected = (5 + 5 / 1.3) / (1 + 2 / 1.3)
    assert volts["rail"][0] == pytest.approx(expected, rel=1e-6)
    assert drawn[0] == pytest.approx((expected - 2.5) / 1.3, rel=1e-6)


def test_full_white_that_cannot_be_there_is_brought_down_to_what_can() -> None:
    # The 15 A, 5 m strip above would "drop" 4.65 V. What is found must satisfy both the ladder and the chips.
    rig = rig_of(string("rail", 300, 5.0, [("start", "shed", "")]))
    ladder = Ladder(rig)
    idle = np.full(300, 0.001)
    found, drawn = ladder.consistent(np.full(300, 0.05), idle)
    volts = found["rail"]
    assert ladder.volts(drawn[None])["rail"][0] == pytest.approx(volts, abs=1e-6)
    assert drawn == pytest.approx(idle + 0.049 * np.clip((volts - 2.5) / 1.3, 0, 1), abs=1e-9)
    assert 2.5 < volts.min() < 3.8
    assert drawn.sum() < 15


# ---- wires ----

# Cirris wire-resistance table, ohm per 1000 ft at 20 C.
PER_1000_FT = {12: 1.588, 14: 2.525, 16: 4.016, 18: 6.385, 20: 10.15, 22: 16.14, 24: 25.67, 26: 40.81}


@pytest.mark.parametrize(("awg", "ohm"), PER_1000_FT.items())
def test_awg_resistance_by_a_published_table(awg: int, ohm: float) -> None:
    assert ohm_per_m(Wire(awg_mm2(awg), 1.0, awg)) * 304.8 == pytest.approx(ohm, rel=5e-4)


# NFPA 70 (NEC), Chapter 9 Table 8, solid uncoated copper at 75 C, ohm/km.
@pytest.mark.parametrize(("awg", "ohm"), {18: 25.5, 16: 16.0, 14: 10.1, 12: 6.34}.items())
def test_awg_resistance_at_75_c_by_the_nec(awg: int, ohm: float) -> None:
    assert ohm_per_m(Wire(awg_mm2(awg), 1.0, awg), 75) * 1000 == pytest.approx(ohm, rel=3e-3)


# DIN VDE 0295, then IEC 60228, class 5/6: plain copper, highest resistance at 20 C, ohm/km.
FLEXIBLE = {
    0.22: 96.0, 0.25: 76.0, 0.34: 53.0,
    0.5: 39.0, 0.75: 26.0, 1.0: 19.5, 1.5: 13.3, 2.5: 7.98, 4.0: 4.95, 6.0: 3.30, 10.0: 1.91, 50.0: 0.386,
}  # fmt: skip


@pytest.mark.parametrize(("mm2", "ohm"), FLEXIBLE.items())
def test_metric_flexible_wire_by_its_standards(mm2: float, ohm: float) -> None:
    assert wire_ohm(Wire(mm2, 1000.0)) == pytest.approx(ohm)


@given(st.floats(0.05, 50.0), st.floats(0.05, 50.0))
@example(1.3, 1.5)
@example(4.0, 6.0)
def test_thicker_metric_wire_resists_less_and_none_less_than_its_copper(one: float, other: float) -> None:
    thin, thick = sorted((one, other))
    assert ohm_per_m(Wire(thick, 1.0)) <= ohm_per_m(Wire(thin, 1.0)) * (1 + 1e-12)
    for mm2 in (thin, thick):
        # 17.241 ohm mm2/km (IEC 60028, 100 % IACS); of strands more, by a quarter at most in the standards' sizes.
        assert 17.241 <= ohm_per_m(Wire(mm2, 1.0)) * 1000 * mm2 <= 17.241 * 1.25


@pytest.mark.parametrize(
    ("wire", "amps", "code"),
    [
        (Wire(awg_mm2(14), 1, 14), 15.0, True),  # NEC 240.4(D)
        (Wire(awg_mm2(12), 1, 12), 20.0, True),
        (Wire(awg_mm2(10), 1, 10), 30.0, True),
        (Wire(awg_mm2(16), 1, 16), 10.0, True),  # NEC 240.4(D), from memory
        (Wire(awg_mm2(15), 1, 15), 10.0, True),  # between 16 and 14: the thinner one's
        (Wire(1.5, 1), 16.0, True),  # BS 7671 Table 4F3A, from memory
        (Wire(1.2, 1), 10.0, True),
    ],
)
def test_what_a_wire_carries_by_code(wire: Wire, amps: float, code: bool) -> None:
    assert carries(wire)[::2] == (amps, code)


@pytest.mark.parametrize("awg", [20, 22, 24])
def test_thin_wire_has_no_code_value_and_stays_between_the_rules_of_thumb(awg: int) -> None:
    # 700 circular mils an ampere, and "chassis wiring" (Handbook of Electronic Tables and Formulas).
    low, high = {20: (1.5, 11), 22: (0.92, 7), 24: (0.58, 3.5)}[awg]
    found = carries(Wire(awg_mm2(awg), 1, awg))
    assert low < found.amps < high
    assert "no code value" in found.basis


# ---- ngspice ----


def random_rig(seed: int) -> tuple[Rig, Floats]:
    """One to three strings with feeds anywhere, with and without wires, one or two supplies, V+ cut between them."""
    rng = np.random.default_rng(seed)
    text = ""
    for number in range(rng.integers(1, 4)):
        pixels = int(rng.integers(2, 60))
        places = sorted(rng.choice(pixels + 1, size=rng.integers(1, min(5, pixels)), replace=False).tolist())
        cut = places[int(rng.integers(1, len(places)))] if len(places) > 1 and rng.random() < 0.6 else None
        cut = None if cut == pixels else cut
        feeds: list[tuple[int | str, str, str]] = []
        for at in places:
            wire = f"wire = {{mm2 = {rng.uniform(0.2, 4):.3f}, metres = {rng.uniform(0.1, 6):.3f}}}"
            feeds.append((at, "lamp" if cut is not None and at >= cut else "shed", wire if rng.random() < 0.8 else ""))
        extra = f"cut = [{cut}]" if cut is not None else ""
        text += string(f"s{number}", pixels, float(rng.uniform(0.3, 6)), feeds, float(rng.uniform(0.02, 0.3)), extra)
    rig = rig_of(text, {"shed": float(rng.uniform(4.8, 5.2)), "lamp": float(rng.uniform(4.8, 5.2))})
    return rig, rng.random(rig.pixels) * rng.choice([0.001, 0.02, 0.06])


def netlist(rig: Rig, amps: Floats) -> tuple[str, list[str]]:
    """The same rig drawn as a circuit, resistor by resistor, by its own little rules; and what to print."""
    lines, prints = ["* rig"], []
    used = list(dict.fromkeys(feed.supply for s in rig.strings.values() for feed in s.feeds))
    joined = {frozenset(feed.supply for feed in s.feeds) for s in rig.strings.values()}
    lines.append(f"Vref {used[0]}_m 0 0")
    for other in used[1:]:
        # Supplies that no string joins float apart; give each its own reference.
        if not any({used[0], other} <= group for group in joined):
            lines.append(f"Vref_{other} {other}_m 0 0")
    pixel = 0
    for name, s in rig.strings.items():
        rail = s.rail_ohm_per_m or math.nan
        pitch = math.dist(s.places[0], s.places[1]) * rail
        for k in range(s.pixels + 1):
            # The two halves of the rail either side of boundary k meet in node b; V+ is open there at a cut.
            if k < s.pixels:
                lines.append(f"Rpr{name}_{k} {name}_bp{k} {name}_p{k} {pitch / 2:.15g}")
                lines.append(f"Rgr{name}_{k} {name}_bg{k} {name}_g{k} {pitch / 2:.15g}")
                lines.append(f"I{name}_{k} {name}_p{k} {name}_g{k} {amps[pixel]:.15g}")
                prints.append(f"v({name}_p{k})-v({name}_g{k})")
                pixel += 1
            if k > 0:
                left = f"{name}_open{k}" if k in s.cuts else f"{name}_bp{k}"
                lines.append(f"Rpl{name}_{k} {name}_p{k - 1} {left} {pitch / 2:.15g}")
                lines.append(f"Rgl{name}_{k} {name}_g{k - 1} {name}_bg{k} {pitch / 2:.15g}")
        for feed in s.feeds:
            ohm = wire_ohm(feed.wire)
            source = f"V{name}_{feed.at}"
            lines.append(f"{source} {name}_w{feed.at} {feed.supply}_m {rig.supplies[feed.supply].volts:.15g}")
            lines.append(f"Rwp{name}_{feed.at} {name}_w{feed.at} {name}_bp{feed.at} {ohm:.15g}")
            lines.append(f"Rwg{name}_{feed.at} {name}_bg{feed.at} {feed.supply}_m {ohm:.15g}")
            prints += [f"-i({source})", f"(v({name}_bg{feed.at})-v({feed.supply}_m))/{ohm:.15g}"]
    return "\n".join(lines), prints


def ngspice(rig: Rig, amps: Floats, folder: Path) -> list[float]:
    circuit, prints = netlist(rig, amps)
    control = "\n".join(f"print {what}" for what in prints)
    options = ".options reltol=1e-9 abstol=1e-15 vntol=1e-12 gmin=1e-18"
    file = folder / "rig.cir"
    file.write_text(f"{circuit}\n{options}\n.control\nset numdgt=12\nop\n{control}\n.endc\n.end\n")
    done = subprocess.run(["ngspice", "-b", str(file)], capture_output=True, text=True, timeout=60, check=False)
    values = [
        float(line.rsplit("=", 1)[1]) for line in done.stdout.splitlines() if line.startswith(("v(", "-i(", "(v("))
    ]
    assert len(values) == len(prints), done.stdout + done.stderr
    return values


@pytest.mark.skipif(shutil.which("ngspice") is None, reason="needs ngspice (Debian package of that name)")
@pytest.mark.parametrize("seed", range(24))
def test_random_rigs_agree_with_ngspice(seed: int, tmp_path: Path) -> None:
    rig, amps = random_rig(seed)
    solved = Ladder(rig).solve(amps[None])
    expected = ngspice(rig, amps, tmp_path)
    ours: list[Any] = []
    first = 0
    for name, s in rig.strings.items():
        mine = slice(first, first + len(s.feeds))
        ours += [*solved.volts[name][0], *np.stack([solved.feeds[0, mine], solved.grounds[0, mine]], axis=1).ravel()]
        first += len(s.feeds)
    assert ours == pytest.approx(expected, rel=1e-6, abs=1e-8)


def test_current_model_and_ladder_count_pixels_alike() -> None:
    rig = rig_of(string("rail", 30, 1.0, [("start", "shed", ""), ("end", "shed", "")]))
    model = CurrentModel(rig)
    frames = np.random.default_rng(1).integers(0, 256, (6, 90), dtype=np.uint8)
    feeds = Ladder(rig).feed_a(model.pixel_a(frames) + model.pixel_idle_a())
    assert feeds.sum(axis=1) == pytest.approx(model.supply_a(frames)[:, 0])
