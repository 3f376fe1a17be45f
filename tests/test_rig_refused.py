"""A value that was refused brings no further faults; strings without places hang apart."""

from __future__ import annotations

import pytest
from test_rig import FEED, MAST, rail, rig_of

from composer.faults import Faults


@pytest.mark.parametrize(
    ("text", "where"),
    [
        # 12 V for a chip that is not known: the stand-in's 5 V are not held against it.
        (rail('chip = "ws2811"', feed=FEED.replace("shed", "boat")), "chip"),
        # As many pixels as nobody knows: neither cuts nor feeds, places, skips or zones lie outside.
        (rail("cut = [12]\nskip = [15]", pixels=150.5, feed=FEED + FEED.replace("supply", "at = 17\nsupply"),
              after='[zone]\nz = ["rail[5:9]"]'), "pixels"),
        (rail("grid = {columns = 7, pitch = 0.1}", pixels='"many"', after='[zone]\nz = ["rail[5:9]"]'), "pixels"),
        (rail(pixels=300_000, after=MAST), "pixels"),
        # A feed at no place meets no other, and its run is not called unfed.
        (rail(feed=FEED + FEED.replace("supply", "at = 500\nsupply")), "feed[2].at"),
        (rail("cut = [10]", feed=FEED + FEED.replace("supply", "at = 500\nsupply")), "feed[2].at"),
        # A misspelt supply is no second supply.
        (rail(feed=FEED + FEED.replace("supply", "at = 9\nsupply").replace("shed", "shd")), "feed[2].supply"),
        (rail(feed='[[string.rail.feed]]\nat = 3'), "feed[1].supply"),
        (rail('cut = ["10"]'), "cut[1]"),
        (rail(after=MAST.replace("17", "0")).replace("pin = 16", 'pin = "GP16"'), "pin"),
    ],
)  # fmt: skip
def test_what_was_refused_is_not_held_against_other_keys(text: str, where: str) -> None:
    with pytest.raises(Faults) as raised:
        rig_of(text)
    assert [fault.where for fault in raised.value.faults] == [f"string.rail.{where}"]


@pytest.mark.parametrize(
    ("change", "where"),
    [
        # Neither volts that were refused nor the pins of another board are held against a string.
        (("volts = 5.0", 'volts = "5"'), "supply.shed.volts"),
        (('board = "pico"', 'board = "esp23"'), "controller.quay.board"),
    ],
)
def test_what_was_refused_is_not_held_against_strings(change: tuple[str, str], where: str) -> None:
    text = rail().replace("pin = 16", "pin = 33" if "board" in where else "pin = 16")
    assert change[0] in text
    with pytest.raises(Faults) as raised:
        rig_of(text.replace(*change))
    assert [fault.where for fault in raised.value.faults] == [where]


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (rail("path = [[0, 0], [1]]"), r"string\.rail\.path\[2\]: needs points \[x, y\] in metres, got a list"),
        (rail("svg = 5"), r"string\.rail\.svg: needs text in quotes, got the number 5"),
        (rail('clock_pin = "x"'), r'string\.rail\.clock_pin: needs a whole number, got the text "x"'),
        (rail("clock_pin = 16"), r"string\.rail\.clock_pin: ws2812b has no clock line"),
        (rail(after="[zone]\na = ['rail', 'rail[0]']\nb = ['a']"), r"zone\.a: holds 1 pixel twice: its parts overlap"),
        (
            rail().replace('board = "pico"', 'board = "pico"\nstart = "button"\nbutton_pin = "GP14"'),
            r'controller\.quay\.button_pin: needs a whole number, got the text "GP14" \(did you mean 14\?\)',
        ),
        (
            rail(after="[[string.rail.reading]]\nlevel = [256, 0, 0]\namps = 1"),
            r"string\.rail\.reading\[1\]\.level\[1\]: needs levels 0-255, got the number 256",
        ),
        (
            rail().partition("[string.rail]")[0] + "[string]\n[zone]\nz = ['rail']",
            r"string: a rig needs at least one \[string\.NAME\]",
        ),
    ],
)
def test_one_slip_is_told_in_one_line(text: str, says: str) -> None:
    with pytest.raises(Faults, match=rf"\Arig\.toml: {says}\Z"):
        rig_of(text)


def test_a_zone_of_one_part_without_a_list_is_named_by_itself() -> None:
    with pytest.raises(Faults, match=r'\Arig\.toml: zone\.z: there is no string or zone "rial"'):
        rig_of(rail(after="[zone]\nz = 'rial'"))


def test_a_string_may_be_skipped_whole_but_not_every_string() -> None:
    assert rig_of(rail('skip = ["0-19"]', after=MAST)).zones["rail"].pixels == ()
    with pytest.raises(Faults) as raised:
        rig_of(rail('skip = ["0-19"]'))
    (fault,) = raised.value.faults
    assert (fault.where, fault.what[:33]) == ("string.rail.skip", "every pixel of the rig is skipped")


def test_strings_of_which_no_places_are_said_hang_one_below_the_other() -> None:
    third = MAST.replace("mast", "boom").replace("17", "18").replace("pixels", "path = [[0, 5], [1, 5]]\npixels")
    rig = rig_of(rail(after=third + MAST))
    heights = {name: {y for _, y in string.places} for name, string in rig.strings.items()}
    assert heights == {"rail": {0.0}, "boom": {5.0}, "mast": {-0.25}}
