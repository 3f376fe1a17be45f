"""The fewest further feeds, against every set of places tried one by one with the whole network."""

from __future__ import annotations

import itertools
import tomllib
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from composer.clock import Group
from composer.faults import FaultList
from composer.power import CurrentModel, Ladder, PowerAudit, advice
from composer.power import feeding as room
from composer.power.feeding import more_feeds
from composer.rig import Feed, Rig, rig_from

Floats = npt.NDArray[np.float64]

RIG = """
[supply.shed]
volts = 5.0
amps = 90.0
[supply.boat]
volts = 5.2
amps = 90.0
[controller.quay]
board = "pico"
[string.rail]
controller = "quay"
pin = 16
pixels = {pixels}
path = [[0, 0], [{metres}, 0]]
rail_ohm_per_m = {ohm}
{cut}
[[string.rail.feed]]
at = {at}
supply = "shed"
wire = {{awg = 18, metres = {wire}}}
"""
SECOND = '[[string.rail.feed]]\nat = "end"\nsupply = "boat"\nwire = {awg = 16, metres = 1}\n'


def rig_of(text: str) -> Rig:
    faults = FaultList("rig.toml")
    rig = rig_from(tomllib.loads(text), Path("rig.toml"), faults)
    faults.raise_if_any()
    return rig


def with_feeds(rig: Rig, places: tuple[int, ...]) -> Rig:
    """The rig with feeds more, each with supply and wire of the nearest one of its run."""
    string = rig.strings["rail"]
    new: list[Feed] = []
    for at in places:
        supply = next(name for first, end, name in string.segments if first <= min(at, string.pixels - 1) < end)
        near = min((f for f in string.feeds if f.supply == supply), key=lambda f: abs(f.at - at))
        new.append(replace(near, name=f"new@{at}", at=at))
    feeds = tuple(sorted([*string.feeds, *new], key=lambda feed: feed.at))
    return replace(rig, strings={"rail": replace(string, feeds=feeds)})


def lowest(rig: Rig, places: tuple[int, ...], amps: Floats) -> float:
    return float(Ladder(with_feeds(rig, places)).volts(amps[None])["rail"].min())


def fewest_by_trying(rig: Rig, amps: Floats, most: int = 3) -> int | None:
    """How many further feeds are needed, every set of up to `most` places tried; None when more are."""
    string = rig.strings["rail"]
    free = [at for at in range(string.pixels + 1) if at not in {feed.at for feed in string.feeds}]
    for count in range(most + 1):
        if any(lowest(rig, places, amps) >= string.chip.min_v for places in itertools.combinations(free, count)):
            return count
    return None


@settings(deadline=None, max_examples=40)
@example(pixels=8, at=0, ohm=0.25, wire=2.0, cut=True, seed=272, most_a=4.0)  # every place beside the lowest is fed
@given(
    pixels=st.integers(3, 10),
    at=st.integers(0, 3),
    ohm=st.floats(0.02, 0.3),
    wire=st.floats(0.1, 3.0),
    cut=st.booleans(),
    seed=st.integers(0, 2**31),
    most_a=st.floats(0.5, 4.0),
)
def test_no_smaller_set_of_places_would_do(
    pixels: int, at: int, ohm: float, wire: float, cut: bool, seed: int, most_a: float
) -> None:
    cuts = f"cut = [{max(at + 1, pixels // 2)}]" if cut and max(at + 1, pixels // 2) < pixels else ""
    text = RIG.format(pixels=pixels, metres=pixels / 10, ohm=ohm, wire=wire, at=at, cut=cuts)
    rig = rig_of(text + (SECOND if cuts else ""))
    amps = np.random.default_rng(seed).random(pixels) * most_a
    found = more_feeds(CurrentModel(rig), "rail", amps)
    tried = fewest_by_trying(rig, amps)
    assert (len(found.places) if found.enough and len(found.places) <= 3 else None) == tried
    assert found.fewest or tried is None
    assert found.min_v == pytest.approx(lowest(rig, found.places, amps), abs=1e-9)


def test_step_by_step_is_not_always_best_and_the_search_mends_it() -> None:
    # Two heavy places: feeding the lowest first ends with two feeds where one between them would do.
    seen = set()
    for seed in range(60):
        rng = np.random.default_rng(seed)
        rig = rig_of(RIG.format(pixels=12, metres=1.2, ohm=0.2, wire=0.2, at=0, cut=""))
        amps = rng.random(12) ** 3 * 4
        network = room._Fed(room.Places(rig, "rail"), amps)
        steps = room._step_by_step(network, 4.5)
        found = more_feeds(CurrentModel(rig), "rail", amps)
        if network.lowest(steps)[0] >= 4.5:
            seen.add(len(steps) - len(found.places))
    assert min(seen) == 0 and 1 in seen  # never more feeds than step by step, and at times fewer


def test_a_search_that_is_cut_short_says_so() -> None:
    rig = rig_of(RIG.format(pixels=300, metres=5, ohm=0.062, wire=1, at=0, cut=""))
    model, amps = CurrentModel(rig), np.full(300, 0.061)
    short, whole = more_feeds(model, "rail", amps, trials=1), more_feeds(model, "rail", amps)
    assert short.enough and not short.fewest
    assert whole.enough and whole.fewest and len(whole.places) <= len(short.places)
    assert lowest(rig, whole.places, amps) >= 4.5


def test_a_long_string_is_looked_at_in_even_steps() -> None:
    rig = rig_of(RIG.format(pixels=2000, metres=33, ohm=0.01, wire=1, at=0, cut=""))
    amps = np.full(2000, 0.004)
    found = more_feeds(CurrentModel(rig), "rail", amps)
    assert found.enough and found.places
    assert lowest(rig, found.places, amps) == pytest.approx(found.min_v, abs=1e-6)


def test_strings_that_are_alike_get_the_advice_that_each_gets_alone() -> None:
    head, body = RIG.split("[string.rail]")
    text = head
    for pin, (name, at) in enumerate([("a", 0), ("b", 0), ("c", 30), ("d", 0)], 2):
        one = body.replace("[string.rail", f"[string.{name}").replace("pin = 16", f"pin = {pin}")
        text += f"[string.{name}]" + one.format(pixels=60, metres=2, ohm=0.6, wire=1, at=at, cut="")
    model = CurrentModel(rig_of(text))
    audit = PowerAudit(model)
    frames = np.zeros((4, model.rig.frame_bytes), np.uint8)
    for name, level in (("a", 250), ("b", 200), ("c", 250), ("d", 2)):
        frames[2, model.rig.byte_slices[name]] = level
    audit.add(Group(0, 0, 4, 0, 100_000, Fraction(0), Fraction(1, 4)), frames)
    result = audit.result(str)
    found = advice(model, result, audit.worst_amps)["strings"]
    white = model.pixel_a(model.white())[0] + model.pixel_idle_a()
    for name in "abc":
        alone = more_feeds(model, name, audit.worst_amps[name])
        assert found[name]["feeds_for_show"] == alone._asdict() and alone.places
        alone = more_feeds(model, name, white[model.rig.pixel_slices[name]])
        assert found[name]["feeds_for_white"] == alone._asdict()
    assert found["d"]["feeds_for_show"]["places"] == ()
    assert found["d"]["feeds_for_white"] == found["a"]["feeds_for_white"] != found["c"]["feeds_for_white"]
