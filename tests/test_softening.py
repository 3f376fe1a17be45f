"""Clips that flash too often, softened: by how much, which bytes change, and that the flash audit then passes.

The figure is WCAG 2.3.1's, three flashes in a second (W3C); what a softened clip's light comes to is worked by hand.
"""

from __future__ import annotations

import json
import re
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from rooms_kit import SMALL_RIG, clock_for, lay_text, rig_of, song_of, steady
from shows import RIG, SCORE, make_show

from composer.cli import main
from composer.render import Renderer
from composer.songmap import Section, SongMap
from composer.timeline import Softness, softened
from exporters.rollfile import RollReader

F = Fraction
ROOM = rig_of(SMALL_RIG)
SONG = song_of(steady(32), 16.0)  # 120 beats a minute: 24 frames a beat
K = 24
GATE = '[[clip]]\nname = "blink"\nzone = "rail"\neffect = "gate"\nbars = "2"\nevery = "1/2 beat"\ncolour = "white"\n'
SOFTER = {"blink": Softness(F(1, 2))}


def film(text: str, softness: dict[str, Softness], song: SongMap = SONG, most: int = 255) -> NDArray[np.float32]:
    """Light of a whole song, (frames, pixels, 3)."""
    clock = clock_for(song, ROOM, most_group_frames=most)
    show = Renderer(ROOM, clock, softened(lay_text(text, song, ROOM, clock), clock, softness), song.loudness)
    return np.concatenate([show.light(group) for group in clock.groups])


# ---- the light, by hand ------------------------------------------------------------------------------------------


def test_a_gate_averaged_over_its_own_period_is_steady_and_its_edges_are_ramps() -> None:
    sharp, soft = (film(GATE, softness)[:, 0, 0] for softness in ({}, SOFTER))
    bar = slice(4 * K, 8 * K)
    assert sorted(set(sharp[bar])) == [0.0, 1.0] and sharp[bar].mean() == 0.5  # open for half of each step
    # Half a beat is 12 frames: from 6 frames after its start to 6 before its end each frame sees one whole period.
    assert soft[4 * K + 6 : 8 * K - 6] == pytest.approx(0.5, abs=1e-6)
    # The frame n after the ramp's begin has n + 1 frames of the first opening in its window: n + 1 twelfths, up to 6.
    assert soft[4 * K - 6 : 4 * K] == pytest.approx(np.arange(6) / 12, abs=1e-6)
    assert not soft[: 4 * K - 6].any() and not soft[8 * K + 6 :].any()
    assert np.abs(np.diff(soft)).max() <= 1 / 12 + 1e-6


def test_two_colours_that_take_turns_become_their_mean() -> None:
    text = GATE.replace('"white"', '["#ff0000", "#0000ff"]') + "open = 1.0\n"
    soft = film(text, {"blink": Softness(F(1))})  # both turns: a beat
    assert soft[6 * K, 0] == pytest.approx([0.5, 0.0, 0.5], abs=1e-6)


def test_what_is_left_of_a_clip_and_a_clip_left_out() -> None:
    below = '[[clip]]\nname = "sea"\nzone = "rail"\neffect = "hold"\nbars = "1-4"\ncolour = "#0000ff"\nlayer = 0\n'
    half = film(below + GATE, {"blink": Softness(F(1, 2), 0.5)})
    # A quarter of white (half open, half left) over blue.
    assert half[6 * K, 0] == pytest.approx([0.25, 0.25, 1.0], abs=1e-6)
    out = film(below + GATE, {"blink": Softness(F(4), 0.0)})
    np.testing.assert_array_equal(out, film(below, {}))


def test_where_the_palette_changes_one_colour_gives_way_to_the_other() -> None:
    """Half a beat is 12 frames: frame n of those about the change is n twelfths of the new colour, else of the old."""
    song = song_of(steady(32), 16.0, sections=[Section(0.0, 8.0, "A"), Section(8.0, 16.0, "B")])
    text = '[[clip]]\nname = "blink"\nzone = "rail"\neffect = "hold"\nbars = "1-8"\ncolour = "white"\nmix = "add"\n'
    light = film(text + '[palette.B]\nwhite = "#0000ff"\n', SOFTER, song)[16 * K - 12 : 16 * K + 12, 0]
    share = np.clip(np.arange(-6, 18) / 12, 0, 1)
    assert light[:, 0] == pytest.approx(1 - share, abs=1e-6)  # red: white's alone
    assert light[:, 2] == pytest.approx(1.0, abs=1e-6)  # blue: of both, which sum to one


@pytest.mark.parametrize("most", [24, 7, 1])
@pytest.mark.parametrize(
    "text",
    [
        GATE,
        GATE.replace("1/2 beat", "0.25 s"),
        GATE.replace('"gate"', '"scatter"'),
        GATE + 'opacity = [["1.1", 0.1], ["1.4", 0.9]]\nfade_out = "1 beat"\n',
    ],
    ids=["beats", "seconds", "by lot", "along points"],
)
def test_a_softened_frame_is_the_same_whatever_the_group_it_is_rendered_in(text: str, most: int) -> None:
    np.testing.assert_array_equal(film(text, SOFTER), film(text, SOFTER, most=most))


def test_softened_bars_that_repeat_are_the_same_at_any_tempo() -> None:
    text = GATE.replace("[[clip]]\n", "[[phrase.p]]\n").replace('bars = "2"', 'bars = "1"')
    text += '[order]\np = ["2", "6"]\n'
    beats = (*steady(17), *(8.0 + round(0.45 * i, 6) for i in range(1, 17)))  # faster from bar 5 on
    light = film(text, SOFTER, song_of(beats, 16.0))
    assert light[4 * K : 8 * K].any()
    np.testing.assert_array_equal(light[4 * K : 8 * K], light[20 * K : 24 * K])


# ---- the whole path ----------------------------------------------------------------------------------------------

STROBE = '\n[[clip]]\nname = "strobe"\nzone = "rail"\neffect = "gate"\nbars = "6"\nevery = "1/4 beat"\nlayer = 5\n'
FED_INSIDE = RIG.replace('at = "start"', "at = 30", 1)  # so that no pixel of the rail starves: that fails strictly, too
ROOMY = FED_INSIDE.replace("amps = 0.6", "amps = 2.0")  # so that the limiter has nothing to do


def frames(show: Path, controller: str) -> NDArray[np.uint8]:
    with RollReader(show / "out" / controller / "tide.roll") as reader:
        return np.concatenate([block for _, block in reader])


def audit_of(show: Path) -> Any:
    return json.loads((show / "out" / "audit.json").read_text(encoding="utf-8"))


def test_a_strobe_fails_strictly_and_softened_it_passes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    show = make_show(tmp_path / "tide", score=SCORE + STROBE, rig=ROOMY)
    assert main(["bake", str(show), "--strict"]) == 1
    strict = re.fullmatch(
        r"flashes: (\d+) in one second .*; no roll was written, see .*audit\.html\n", capsys.readouterr().err
    )
    assert strict is not None and int(strict[1]) >= 8  # four openings a beat, two beats a second
    assert main(["bake", str(show)]) == 0
    sharp = {name: frames(show, name) for name in ("quay", "deck")}
    capsys.readouterr()

    assert main(["bake", str(show), "--strict", "--soften"]) == 0
    told = audit_of(show)
    assert told["softened"] == [{"clip": "strobe", "over_beats": 0.5, "opacity": 1.0}]
    assert told["flashes"]["ok"] and max(told["flashes"]["worst_per_s"], told["flashes"]["red_worst_per_s"]) <= 3
    assert "softened: strobe, over 0.5 beats" in capsys.readouterr().out

    # Only the rail's bytes, only in bar 6 and a quarter beat before and after it, are others than they were.
    np.testing.assert_array_equal(frames(show, "deck"), sharp["deck"])
    changed = frames(show, "quay") != sharp["quay"]
    rail = 60 * 3
    assert changed[:, :rail].any() and not changed[:, rail:].any()
    rows = np.flatnonzero(changed.any(axis=1))
    assert 20 * K - 6 <= rows.min() and rows.max() < 24 * K + 6

    # An audit of what was softened still knows who draws what.
    assert main(["audit", str(show), "--strict"]) == 0
    assert audit_of(show)["softened"] == told["softened"]
    assert audit_of(show)["supplies"]["shed"]["clips"] == told["supplies"]["shed"]["clips"]


def test_a_score_may_ask_for_it_itself(tmp_path: Path) -> None:
    score = SCORE.replace("format = 1", 'format = 1\nflashes = "soften"') + STROBE
    show = make_show(tmp_path / "tide", score=score, rig=FED_INSIDE)
    assert main(["bake", str(show), "--strict"]) == 0
    assert [row["clip"] for row in audit_of(show)["softened"]] == ["strobe"]


def test_a_show_that_flashes_seldom_is_left_alone(tmp_path: Path) -> None:
    show = make_show(tmp_path / "tide", rig=ROOMY)
    assert main(["bake", str(show)]) == 0
    before = {name: frames(show, name) for name in ("quay", "deck")}
    assert main(["bake", str(show), "--soften"]) == 0
    assert audit_of(show)["softened"] == []
    for name, array in before.items():
        np.testing.assert_array_equal(frames(show, name), array)


NOTHING_ELSE = """\
format = 1
song = "tide.wav"
[[trigger]]
on = "beats"
bars = "2-3"
clip = {name = "hits", zone = "all", effect = "accent", for = "1/8 beat", colour = "red"}
[[clip]]
name = "sparks"
zone = "all"
effect = "gate"
bars = "5-6"
every = "1/16 beat"
colour = ["white", "black", "red"]
[[clip]]
name = "dots"
zone = "all"
effect = "gate"
every = "1/4 beat"
bars = "7"
split = 2
"""


def test_a_show_of_flashes_alone_passes_too(tmp_path: Path) -> None:
    # Nothing steady to compare with: what is left of the flashes is itself the brightest of the show.
    show = make_show(
        tmp_path / "tide", score=NOTHING_ELSE.replace("1/8 beat", "1/4 beat").replace("beats", "onsets low")
    )
    (show / "score.toml").write_text(NOTHING_ELSE.replace("black", "navy"), encoding="utf-8")
    assert main(["bake", str(show), "--strict"]) == 1
    assert main(["bake", str(show), "--strict", "--soften"]) == 0
    told = {row["clip"] for row in audit_of(show)["softened"]}
    assert told and told <= {"hits", "sparks", "dots"}


def test_an_unknown_word_for_flashes_is_a_fault(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    show = make_show(tmp_path / "tide", score=SCORE.replace("format = 1", 'format = 1\nflashes = "softer"'))
    assert main(["check", str(show)]) == 2
    assert capsys.readouterr().err.endswith('flashes: "softer" is not one of report, soften (did you mean "soften"?)\n')


# ---- how far the nearest viewers are -----------------------------------------------------------------------------


def test_the_distance_on_the_command_line_stands_for_the_rigs(tmp_path: Path) -> None:
    show = make_show(tmp_path / "tide", rig=RIG + "\n[audience]\nmetres = 9.0\n")
    assert main(["bake", str(show), "--distance", "3.5"]) == 0
    assert audit_of(show)["flashes"]["area"]["distance_m"] == 3.5
    assert main(["audit", str(show)]) == 0
    assert audit_of(show)["flashes"]["area"]["distance_m"] == 9.0
    assert main(["audit", str(show), "--distance", "12"]) == 0
    assert audit_of(show)["flashes"]["area"]["distance_m"] == 12.0


@pytest.mark.parametrize("text", ["0", "near", "-3", "nan", "20000"])
def test_a_distance_that_cannot_be_is_bad_usage(text: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["bake", "somewhere", f"--distance={text}"]) == 2
    assert f"needs metres, 0.5 to 10000, got {text}" in capsys.readouterr().err


# ---- for the neighbours ------------------------------------------------------------------------------------------


def test_a_rig_that_forbids_flashing_says_so_and_what_is_left(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    quiet = '\n[quiet]\nbrightness = 0.75\nno_flash = true\nhours = "22:00-07:30"\n'
    show = make_show(tmp_path / "tide", score=SCORE + STROBE, rig=ROOMY + quiet)
    assert main(["bake", str(show)]) == 1
    told = capsys.readouterr().err
    page = show / "out" / "audit.html"
    assert told.endswith(f"; the rig's no_flash forbids it; no roll was written, see {page}\n")
    assert list(show.rglob("*.roll")) == []
    assert audit_of(show)["quiet"]["no_flash"] is True and audit_of(show)["quiet"]["hours"] == ["22:00", "07:30"]
    for name in ("audit.html", "sheet.html"):
        text = page.with_name(name).read_text(encoding="utf-8")
        assert "Nothing plays from 22:00 to 07:30." in text and "Brightness is capped at 75%" in text


def test_the_build_sheet_names_each_chips_own_level(tmp_path: Path) -> None:
    apa = ROOMY.replace('chip = "ws2815"', 'chip = "ws2815"').replace(
        'pin = 17\npixels = 24\nchip = "sk6812-rgbw"', 'pin = 17\nclock_pin = 18\npixels = 24\nchip = "apa102"'
    )
    show = make_show(tmp_path / "tide", rig=apa)
    assert main(["bake", str(show)]) == 0
    sheet = (show / "out" / "sheet.html").read_text(encoding="utf-8")
    # WS2812B datasheet, electrical characteristics: VIH 0.7 x VDD = 3.5 V at 5 V. The others' are taken from it.
    assert "Data level: the board gives 3.3 V, the chip needs 3.5 V (0.7 x VDD, WS2812B datasheet" in sheet
    assert "Data and clock level: the board gives 3.3 V, the chip needs 3.5 V (0.7 x VDD, as the WS2812B" in sheet
    assert "look up the apa102&#x27;s own" in sheet
    assert "0.7 x the 5 V that the ws2815 makes for its own logic" in sheet
