"""What a rig says of its own strings, viewers and neighbours: readings, distance, quiet, boards out of step."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from rooms_kit import SMALL_RIG, rig_of
from shows import RIG, SCORE, make_show

from composer.cli import main
from composer.faults import Faults
from composer.power import CurrentModel

# A meter in the lead of the rail's 12 pixels: dark 9.6 mA (0.8 mA a pixel), white 441.6 mA (12 mA a channel more).
READINGS = """
[[string.rail.reading]]
level = 0
amps = 0.0096
[[string.rail.reading]]
pixels = 12
level = [255, 255, 255]
amps = 0.4416
[[string.rail.reading]]
pixels = 6
level = [255, 0, 0]
amps = 0.0768
"""


def rig_with(text: str) -> Any:
    """The small rig, with more about its rail or about itself."""
    at = SMALL_RIG.index("[string.mast]")
    return rig_of(f"{SMALL_RIG[:at]}{text}\n{SMALL_RIG[at:]}") if "rail" in text else rig_of(SMALL_RIG + text)


def test_an_ammeters_word_replaces_the_tables_figures() -> None:
    model = CurrentModel(rig_with(READINGS))
    # Pixels 0.8 mA dark; white 12 x 3 x 12 mA = 432 mA more. The mast: SK6812 RGBW by the high figures, 6 x 81 mA.
    assert model.idle_a()[0] == pytest.approx(12 * 0.0008 + 6 * 0.001)
    assert model.full_white_a()[0] == pytest.approx(0.4416 + 6 * 0.081)
    assert model.full_white_a("low")[0] == pytest.approx(0.4416 + 6 * (0.001 + 4 * 0.012))
    frames = np.zeros((1, model.rig.frame_bytes), np.uint8)
    assert model.supply_a(frames)[0, 0] == pytest.approx(0.0096 + 0.006)


def test_the_sources_say_who_measured_and_how_well_it_fits() -> None:
    off = READINGS.replace("amps = 0.0768", "amps = 0.0868")
    rows = CurrentModel(rig_with(off)).sources()
    assert set(rows) == {"ws2812b as measured on rail", "sk6812-rgbw"}
    assert rows["ws2812b as measured on rail"]["source"]["channel_ma"] == "your own ammeter readings"
    # Least squares by its normal equations; rows are pixels, pixels x sum of levels / 255.
    matrix, amps = np.array([[12, 0], [12, 36], [6, 6]], float), np.array([0.0096, 0.4416, 0.0868])
    fitted = np.linalg.solve(matrix.T @ matrix, matrix.T @ amps)
    assert rows["ws2812b as measured on rail"]["residual_a"] == pytest.approx(np.abs(matrix @ fitted - amps).max())
    assert rows["sk6812-rgbw"]["residual_a"] is None


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[[string.rail.reading]]\nlevel = 0\namps = 0.01", "readings of at least two different patterns are needed"),
        (READINGS.replace("amps = 0.4416", "amps = 441.6"), "did you give mA as A?"),
        ("[[string.rail.reading]]\nlevel = 300\namps = 0.01", "level: needs levels 0-255, got the number 300"),
        ("[[string.rail.reading]]\nlevel = [1, 2]\namps = 0.01", "one for each of the 3 channels, got 2"),
        ("[[string.rail.reading]]\nlevel = 0\namps = -1", "amps: -1 is out of range, 0 to 1000"),
        ("[[string.rail.reading]]\nlevel = 0", "amps: is missing"),
    ],
)
def test_readings_that_cannot_be_are_faults(text: str, says: str) -> None:
    with pytest.raises(Faults, match=r"string\.rail\.reading") as caught:
        CurrentModel(rig_with(text))
    assert says in str(caught.value)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[limits]\nskew_ms = 'never'\n", 'limits.skew_ms: needs milliseconds, or "any"'),
        ("[limits]\nskew_ms = 5000\n", "limits.skew_ms: 5000 is out of range, 0 to 200"),
        ("[limits]\nskew = 5\n", 'limits.skew: unknown key (did you mean "skew_ms"?)'),
        ("[audience]\nmetres = 0\n", "audience.metres: 0 is out of range"),
        ("[quiet]\nbrightness = 2\n", "quiet.brightness: 2 is out of range, 0 to 1"),
        ("[quiet]\nno_flash = 1\n", "quiet.no_flash: needs true or false"),
    ],
)
def test_what_a_rig_may_not_say(text: str, says: str) -> None:
    with pytest.raises(Faults) as caught:
        rig_with(text)
    assert says in str(caught.value)


def test_what_a_rig_says_of_boards_viewers_and_flashes() -> None:
    rig = rig_with('[limits]\nskew_ms = "any"\n[audience]\nmetres = 8\n[quiet]\nno_flash = true\n')
    assert (rig.skew_ms, rig.viewing_m, rig.no_flash) == (None, 8.0, True)
    assert (rig_of(SMALL_RIG).skew_ms, rig_of(SMALL_RIG).viewing_m, rig_of(SMALL_RIG).no_flash) == (50.0, None, False)


def test_quiet_caps_every_strings_brightness() -> None:
    rig = rig_with("[quiet]\nbrightness = 0.4\n")
    assert [string.brightness for string in rig.strings.values()] == [0.4, 0.4]
    dim = SMALL_RIG.replace("pixels = 12", "pixels = 12\nbrightness = 0.5")
    dimmer = rig_of(f"{dim}[quiet]\nbrightness = 0.4\n")
    assert dimmer.strings["rail"].brightness == pytest.approx(0.2)


# ---- through the whole path --------------------------------------------------------------------------------------

GATE = SCORE.replace('effect = "accent"', 'effect = "gate", every = "1/4 beat"').replace('"left"', '"all"')


def audit_of(show: Path) -> Any:
    return json.loads((show / "out" / "audit.json").read_text(encoding="utf-8"))


def test_a_quiet_rig_bakes_less_light_and_fails_what_flashes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rig = RIG.replace("amps = 0.6", "amps = 2.0")
    loud = make_show(tmp_path / "loud", score=GATE, rig=rig)
    assert main(["bake", str(loud)]) == 0
    quiet = make_show(tmp_path / "quiet", score=GATE, rig=f"{rig}\n[quiet]\nbrightness = 0.5\nno_flash = true\n")
    capsys.readouterr()
    assert main(["bake", str(quiet)]) == 1
    assert "exceed the WCAG 2.3.1 three-per-second figure" in capsys.readouterr().err
    for name, row in audit_of(quiet)["supplies"].items():
        full = audit_of(loud)["supplies"][name]
        always = row["idle_a"] + row["boards_a"]
        assert row["peak_a"] - always == pytest.approx((full["peak_a"] - always) / 2, rel=0.02)
    # A dim flash at night is a flash: the count does not change.
    assert audit_of(quiet)["flashes"]["worst_per_s"] == audit_of(loud)["flashes"]["worst_per_s"] == 8


def test_viewers_and_readings_come_out_in_the_audit(tmp_path: Path) -> None:
    reading = "[[string.rail.reading]]\nlevel = 0\namps = 0.048\n[[string.rail.reading]]\nlevel = 255\namps = 2.208\n"
    rig = RIG.replace("[string.mast]", f"{reading}\n[string.mast]") + "\n[audience]\nmetres = 0.5\n"
    show = make_show(tmp_path / "tide", rig=rig.replace("amps = 0.6", "amps = 2.0"), score=GATE)
    assert main(["bake", str(show)]) == 0
    found = audit_of(show)
    # The rail's pixels hang 2 m / 59 apart: 3.4 cm, 0.0046 sr each from half a metre, 8.7 cm of field: three of them.
    assert found["flashes"]["area"]["distance_m"] == 0.5
    assert found["flashes"]["area"]["ok"] is False
    assert found["sources"]["ws2812b as measured on rail"]["residual_a"] == pytest.approx(0, abs=1e-9)
    page = (show / "out" / "audit.html").read_text(encoding="utf-8")
    assert "Seen from 0.5 m" in page and "the readings agree to within 0 mA" in page
    # 60 pixels of 0.8 mA dark and 36 mA more white, 24 of the mast by the table, and the board.
    assert found["supplies"]["shed"]["full_white_a"] == pytest.approx(2.208 + 24 * 0.001 + 20 * 0.080 + 0.1)
