"""How a score is built up: phrases placed with variations, numbers along points, masks, the master, shifted triggers.

Expected values are worked by hand: bars of four at 120 beats a minute, K = 24 frames a beat.
"""

from __future__ import annotations

import re
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from rooms_kit import SMALL_RIG, clock_for, lay_text, rig_of, score_of, song_of, steady

from composer import score
from composer.effects.table import EFFECTS, Pace
from composer.faults import Faults
from composer.render import Renderer
from composer.songmap import Loudness, Section
from composer.timeline import Along, Cue

F = Fraction
RIG = rig_of(SMALL_RIG)  # rail: pixels 0-11, from left to right; mast: 12-17, upward; left: 0-5; all: 0-11, 17-12
CURVE = tuple(1 - i % 10 / 12 for i in range(640))
SONG = song_of(
    steady(64),
    32.0,
    labels={"midi 10/36": (1.0, 2.0), "door": (4.0,)},
    sections=[Section(16.0, 32.0, "B")],
    loudness=Loudness(0.05, CURVE, CURVE, CURVE, CURVE),
)
K = 24
COLOURS = '[colour]\nember = "#ff0000"\ntide = ["#0000ff", "#00ff00"]\nfoam = "#ffffff"\n'


def clip(effect: str, keys: str = "", zone: str = "rail", bars: str = "1-2") -> str:
    return f'[[clip]]\nzone = "{zone}"\neffect = "{effect}"\nbars = "{bars}"\n{keys}\n'


def phrase(name: str, effect: str, keys: str = "", zone: str = "rail", bars: str = "1-2") -> str:
    return clip(effect, keys, zone, bars).replace("[[clip]]", f"[[phrase.{name}]]")


def placed(name: str, at: str, keys: str = "") -> str:
    return f'[[clip]]\nphrase = "{name}"\nat = "{at}"\n{keys}\n'


def cues_of(text: str) -> list[Cue]:
    return lay_text(COLOURS + text, SONG, RIG)


def renderer(text: str, most: int = 255) -> Renderer:
    clock = clock_for(SONG, RIG, most_group_frames=most)
    return Renderer(RIG, clock, lay_text(COLOURS + text, SONG, RIG, clock), SONG.loudness)


def film(text: str, most: int = 255) -> NDArray[np.float32]:
    show = renderer(text, most)
    return np.concatenate([show.light(group) for group in show.clock.groups])


def param(cue: Cue, key: str) -> object:
    return dict(cue.params)[key]


# ---- a phrase placed with variations ----


def test_colours_are_swapped_word_by_word_and_palettes_unfold() -> None:
    text = phrase("wave", "run", 'colour = ["ember", "gold", "foam"]')
    plain, varied = cues_of(
        text + placed("wave", "1") + placed("wave", "9", 'colours = {ember = "tide", gold = "red"}')
    )
    assert param(plain, "colour") == ((1, 0, 0), (1.0, 215 / 255, 0), (1, 1, 1))  # gold: CSS Color 4
    assert param(varied, "colour") == ((0, 0, 1), (0, 1, 0), (1, 0, 0), (1, 1, 1))


def test_swaps_of_nested_placings_follow_each_other_from_the_inside() -> None:
    text = phrase("inner", "hold", 'colour = "ember"', bars="1")
    text += '[[phrase.outer]]\nphrase = "inner"\nat = "1.1"\ncolours = {ember = "foam"}\n'
    cues = cues_of(text + placed("outer", "3", 'colours = {foam = "tide"}') + placed("outer", "5"))
    assert [param(cue, "colour") for cue in cues] == [((0, 0, 1), (0, 1, 0)), ((1, 1, 1),)]


def test_half_speed_takes_twice_as_long_in_beats_and_as_long_in_seconds() -> None:
    text = phrase("wave", "scatter", 'every = "1/2 beat"\ndecay = "0.5 s"\nfade_in = "1 beat"', bars="2")
    half, double = cues_of(text + placed("wave", "3", 'speed = "half"') + placed("wave", "9", 'speed = "double"'))
    # Bar 2 of the phrase is beats 4-8 of it: 8-16 at half speed, 2-4 at double. Bars 3 and 9 start at beats 8 and 32.
    assert (half.start, half.length) == (8 + 8, 8)
    assert (double.start, double.length) == (32 + 2, 2)
    assert (param(half, "every"), param(double, "every")) == (Pace(F(1), "beats"), Pace(F(1, 4), "beats"))
    assert param(half, "decay") == param(double, "decay") == Pace(F(1, 2), "seconds")
    assert (half.fade_in, double.fade_in) == (Pace(F(2), "beats"), Pace(F(1, 2), "beats"))


def test_a_length_in_seconds_stays_at_half_speed() -> None:
    text = '[[phrase.wave]]\nzone = "rail"\neffect = "hold"\nat = "1.2"\nfor = "0.5 s"\n'
    (cue,) = cues_of(text + placed("wave", "3", 'speed = "half"'))
    assert (cue.start, cue.length) == (8 + 2, 1)


def test_speeds_of_nested_placings_multiply() -> None:
    text = phrase("inner", "hold", bars="2")
    text += '[[phrase.outer]]\nphrase = "inner"\nat = "2.1"\nspeed = "half"\n'
    (cue,) = cues_of(text + placed("outer", "3", 'speed = "double"'))
    # The inner phrase starts 4 beats into the outer, at double speed 2; inside it both speeds cancel out.
    assert (cue.start, cue.length) == (8 + 2 + 4, 4)


def test_half_speed_shows_every_second_frame_of_the_plain_one() -> None:
    text = phrase("wave", "run", 'every = "2 beats"', bars="1")
    plain, half = film(text + placed("wave", "1")), film(text + placed("wave", "1", 'speed = "half"'))
    assert np.array_equal(half[: 8 * K : 2], plain[: 4 * K])


@pytest.mark.parametrize("effect", sorted(set(EFFECTS) - {"rings"}))
def test_mirror_turns_a_line_from_left_to_right_end_for_end(effect: str) -> None:
    text = phrase("wave", effect, 'strength = "nothing"')
    plain, mirrored = film(text + placed("wave", "1")), film(text + placed("wave", "1", "mirror = true"))
    assert plain.any()
    assert np.array_equal(mirrored[:, :12], plain[:, 11::-1])


def test_mirror_turns_x_but_leaves_up_and_down() -> None:
    by_x, by_y = (phrase("wave", "edge", f'axis = "{axis}"', zone="all") for axis in "xy")
    plain, mirrored = film(by_x + placed("wave", "1")), film(by_x + placed("wave", "1", "mirror = true"))
    # From the left the rail's first pixel is reached first; in the mirror the mast, on the right, is.
    assert plain[K, 0].all() and not plain[K, 12].any()
    assert mirrored[K, 12].all() and not mirrored[K, 0].any()
    plain, mirrored = film(by_y + placed("wave", "1")), film(by_y + placed("wave", "1", "mirror = true"))
    assert np.array_equal(plain, mirrored)


def test_two_mirrors_show_the_plain_phrase() -> None:
    text = phrase("inner", "scatter", zone="all") + '[[phrase.outer]]\nphrase = "inner"\nmirror = true\n'
    assert np.array_equal(film(text + placed("inner", "1")), film(text + placed("outer", "1", "mirror = true")))


def test_a_seed_makes_other_choices_and_the_same_seed_the_same() -> None:
    text = phrase("wave", "scatter", "share = 0.5")
    text += placed("wave", "1") + "".join(
        placed("wave", bar, f"seed = {seed}") for bar, seed in [("3", 3), ("5", 4), ("7", 3)]
    )
    out = film(text)
    plain, three, four, again = (out[bar * 4 * K : (bar + 2) * 4 * K, :12] for bar in (0, 2, 4, 6))
    assert np.array_equal(three, again)
    assert not any(np.array_equal(a, b) for a, b in pairwise([plain, three, four]))


def test_equal_seeds_inside_each_other_do_not_cancel_out() -> None:
    text = phrase("inner", "scatter") + '[[phrase.outer]]\nphrase = "inner"\nseed = 3\n'
    plain, nested = cues_of(text + placed("inner", "1") + placed("outer", "5", "seed = 3"))
    assert plain.seed != nested.seed


def test_phrases_are_placed_at_sections_and_labels_with_variations() -> None:
    text = phrase("wave", "hold", bars="1")
    cues = cues_of(text + placed("wave", "section B", "mirror = true") + placed("wave", "label door", 'speed = "half"'))
    assert [(cue.start, cue.length, cue.mirror) for cue in cues] == [(32, 4, True), (8, 8, False)]


# ---- numbers along points ----


def test_a_number_goes_straight_from_point_to_point_and_stays_level_outside() -> None:
    along = Along(((F(1), 0.25), (F(3), 0.75), (F(4), 0.0)))
    expected = {F(-1): 0.25, F(1): 0.25, F(2): 0.5, F(5, 2): 0.625, F(3): 0.75, F(7, 2): 0.375, F(4): 0.0, F(9): 0.0}
    assert {beats: along.at(beats) for beats in expected} == expected


def test_opacity_along_points_counts_from_the_clips_own_start() -> None:
    out = film(clip("hold", 'opacity = [["1.1", 0.0], ["2.1", 1.0]]', bars="3-4"))
    bar = out[8 * K : 12 * K, 0, 0]
    assert bar == pytest.approx(np.arange(4 * K) / (4 * K), abs=1e-6)
    assert (out[12 * K : 16 * K, 0, 0] == 1).all()


def test_points_may_count_from_the_end_of_the_clip() -> None:
    (cue,) = cues_of(clip("hold", 'opacity = [["start + 1 beat", 1], ["end - 1 bar", 0.5], ["end", 0]]', bars="1-4"))
    assert cue.opacity == Along(((F(1), 1.0), (F(12), 0.5), (F(16), 0.0)))


def test_points_stretch_with_their_phrase() -> None:
    text = phrase("wave", "hold", 'opacity = [["1.1", 0], ["1.3+1/2", 1], ["end", 0.5]]', bars="1")
    (cue,) = cues_of(text + placed("wave", "3", 'speed = "half"'))
    assert cue.opacity == Along(((F(0), 0.0), (F(5), 1.0), (F(8), 0.5)))


def test_a_parameter_along_points_has_at_each_frame_the_look_of_its_value() -> None:
    moving = film(clip("gate", 'open = [["1.1", 0.25], ["2.1", 0.75], ["2.3", 0.75]]\nevery = "1 bar"'))
    for at in (0, 1, 30, 77, 4 * K, 5 * K, 7 * K):
        value = 0.25 + 0.5 * min(at / (4 * K), 1)
        still = film(clip("gate", f'open = {value!r}\nevery = "1 bar"'))
        assert np.array_equal(moving[at], still[at]), at


def numeric() -> list[tuple[str, str, float, float]]:
    rows = [(e.name, p.key, p.low, p.high) for e in EFFECTS.values() for p in e.params if p.kind == "number"]
    return [(name, key, low, min(high, low + 2)) for name, key, low, high in rows]


@pytest.mark.parametrize(("effect", "key", "low", "high"), numeric())
def test_every_number_of_every_effect_may_go_along_points_whatever_the_groups(
    effect: str, key: str, low: float, high: float
) -> None:
    text = clip(effect, f'{key} = [["1.2", {low!r}], ["1.4+1/3", {high!r}], ["2.1", {low!r}]]', zone="all")
    whole = film(text)
    assert whole[: 8 * K].any()
    assert np.array_equal(whole, film(text, most=7))
    assert np.array_equal(whole, film(text, most=1))


def test_a_bar_that_repeats_with_points_looks_the_same_and_one_in_another_place_does_not() -> None:
    text = phrase("wave", "blend", 'repeat = [["1.1", 1], ["end", 3]]', bars="1-2")
    show = renderer(text + placed("wave", "1") + placed("wave", "5"))
    keys = [show.key(group) for group in show.clock.groups]
    assert keys[:8] == keys[16:24]
    assert len(set(keys[:8])) == 8


# ---- masks, master ----


def test_a_mask_hides_what_lies_outside_another_zone_without_moving_what_is_inside() -> None:
    plain, masked = film(clip("run", zone="all")), film(clip("run", 'only = "left"', zone="all"))
    assert np.array_equal(masked[:, :6], plain[:, :6])
    assert plain[:, 6:].any() and not masked[:, 6:].any()


def test_a_mask_stays_where_it_is_when_its_phrase_is_mirrored() -> None:
    text = phrase("wave", "run", 'only = "left"')
    unmasked = phrase("wave", "run") + placed("wave", "1", "mirror = true")
    masked = film(text + placed("wave", "1", "mirror = true"))
    assert np.array_equal(masked[:, :6], film(unmasked)[:, :6])
    assert not masked[:, 6:].any()


MASTER = '[[master]]\nat = "start"\nlevel = 0.0\n[[master]]\nat = "2.1"\nlevel = 1.0\n'


def test_the_master_scales_all_light_along_its_levels() -> None:
    down = '[[master]]\nat = "5"\nlevel = 1\n[[master]]\nat = "5.3"\nlevel = 0.5\n'
    out = film(clip("hold", zone="rail", bars="1-8") + clip("hold", zone="mast", bars="1-8") + MASTER + down)
    level = np.concatenate([
        np.arange(4 * K) / (4 * K), np.ones(12 * K), 1 - np.arange(2 * K) / (4 * K), np.full(14 * K, 0.5)
    ])  # fmt: skip
    assert out[: 32 * K] == pytest.approx(np.broadcast_to(level[:, None, None], (32 * K, 18, 3)), abs=1e-6)


def test_the_master_lies_above_every_layer_and_is_no_ones_light() -> None:
    dark = '[[master]]\nat = "start"\nlevel = 0.25\n'
    show = renderer(clip("hold", "layer = 1000", bars="1-8") + dark)
    assert show.light(show.clock.groups[3])[0, 0] == pytest.approx([0.25] * 3)
    ((cue, part),) = show.shares(3 * K)
    assert (cue.effect, part[0].tolist()) == ("hold", [1, 1, 1])
    assert cue.address == "clip[1]@1.1"


def test_where_the_master_is_full_bars_still_look_alike() -> None:
    text = phrase("wave", "run", bars="1-2") + placed("wave", "3") + placed("wave", "5") + MASTER
    show = renderer(text)
    keys = [show.key(group) for group in show.clock.groups]
    assert keys[8:16] == keys[16:24]


@given(st.lists(st.tuples(st.integers(0, 63), st.floats(0, 1)), min_size=1, max_size=6, unique_by=lambda p: p[0]))
@settings(max_examples=15, deadline=None)
def test_any_master_gives_between_dark_and_full_and_its_own_level_on_its_points(
    points: list[tuple[int, float]],
) -> None:
    points = sorted(points)
    text = "".join(f'[[master]]\nat = "{b // 4 + 1}.{b % 4 + 1}"\nlevel = {level!r}\n' for b, level in points)
    out = film(clip("hold", bars="1-16") + text)[:, 0, 0]
    assert out[[beat * K for beat, _ in points]] == pytest.approx([level for _, level in points], abs=1e-6)
    assert out.min() >= min(level for _, level in points) - 1e-6
    assert out.max() <= max(level for _, level in points) + 1e-6


def test_all_of_it_together_looks_the_same_whatever_the_groups() -> None:
    text = phrase(
        "wave", "scatter", 'only = "left"\nopacity = [["1.1", 0], ["end", 1]]\nfade_out = "1 beat"', zone="all"
    )
    text += phrase("wave", "rings", 'layer = 2\nmix = "max"\ndim = [["1.2", 0], ["2.1+1/3", 1]]', zone="all")
    text += placed("wave", "1") + placed("wave", "3", 'mirror = true\nspeed = "half"\nseed = 9') + MASTER
    whole = film(text)
    assert whole[16 * K : 24 * K].any()
    for most in (1, 7):
        assert np.array_equal(film(text, most), whole)


# ---- triggers ----


def trigger(on: str, keys: str = "", inner: str = "") -> str:
    return f'[[trigger]]\non = "{on}"\n{keys}\nclip = {{zone = "rail", effect = "accent", for = "1/2 beat"{inner}}}\n'


@pytest.mark.parametrize(
    ("shift", "starts"),
    [
        ("1/2 beat", [F(1, 2), F(3, 2), F(5, 2), F(7, 2)]),  # off-beats; the one before bar 1 does not exist
        ("2/3 beat", [F(2, 3), F(5, 3), F(8, 3), F(11, 3)]),  # swung off-beats
        ("-1/4 beat", [F(3, 4), F(7, 4), F(11, 4), F(15, 4)]),  # the next bar's first, moved into this one
        ("125 ms", [F(1, 4), F(5, 4), F(9, 4), F(13, 4)]),
    ],
)
def test_a_shift_moves_every_clip_and_then_the_bars_count(shift: str, starts: list[Fraction]) -> None:
    assert [cue.start for cue in cues_of(trigger("beats", f'shift = "{shift}"\nbars = "1"'))] == starts


def test_every_second_off_beat() -> None:
    cues = cues_of(trigger("beats", 'shift = "1/2 beat"\nevery = 2\noffset = 1\nbars = "1-2"'))
    assert [cue.start for cue in cues] == [F(3, 2), F(7, 2), F(11, 2), F(15, 2)]


def test_notes_of_a_midi_file_trigger() -> None:
    assert [cue.start for cue in cues_of(trigger("midi 10/36"))] == [2, 4]  # at 1 s and 2 s, 120 beats a minute


def test_a_triggered_clip_may_have_points() -> None:
    cues = cues_of(trigger("midi 10/36", inner=', opacity = [["1.1", 1], ["end", 0]]'))
    assert {cue.opacity for cue in cues} == {Along(((F(0), 1.0), (F(1, 2), 0.0)))}


# ---- faults ----

WAVE = phrase("wave", "hold", 'colour = "ember"')


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        (placed("wave", "1", 'speed = "haff"'), r'speed: "haff" is not one of half, normal, double .*"half"'),
        (placed("wave", "1", "mirror = 1"), r"mirror: needs true or false"),
        (placed("wave", "1", "seed = -1"), r"seed: -1 is out of range"),
        (placed("wave", "1", 'colour = {ember = "tide"}'), r'colour: unknown key .*"colours"'),
        (placed("wave", "1", 'colours = "tide"'), r"colours: needs a table"),
        (placed("wave", "1", 'colours = {ember = "tied"}'), r'colours.ember: there is no colour "tied" .*"tide"'),
        (placed("wave", "1", 'colours = {embr = "tide"}'),
         r'colours.embr: the phrase "wave" writes no colour "embr" .*"ember"'),
        (clip("hold", "mirror = true"), r"mirror: unknown key"),
        (clip("hold", 'spread = "1 beat"'), r"spread: is no key of hold, but of rings\Z"),
        (clip("hold", "opacity = []"), r"opacity: holds 0 points"),
        (clip("hold", "opacity = [[1.1, 0.5]]"), r'opacity\[1\]: a musical time needs quotes: \["1.1", 0.5\]'),
        (clip("hold", 'opacity = [["1.1", 1.5]]'), r"opacity\[1\]: needs a value, 0 to 1, got the number 1.5"),
        (clip("hold", 'opacity = [["1.1", true]]'), r"opacity\[1\]: needs a value, 0 to 1, got true"),
        (clip("hold", 'opacity = ["1.1", 1]'), r"opacity\[1\]: needs a place in the clip and a value"),
        (clip("hold", 'opacity = [["section B", 1]]'), r"points count from the clip's own start"),
        (clip("hold", 'opacity = [["one", 1]]'), r'opacity\[1\]: "one" is not a musical time'),
        (clip("blend", 'repeat = [["1.1", 0]]'), r"repeat\[1\]: needs a value, 0.1 to 100"),
        (clip("run", 'tale = [["1.1", 2]]'), r'tale: unknown key .*"tail"'),
        (trigger("beats", "shift = 0.5"), r'shift: a musical time needs quotes: shift = "0.5 beats"'),
        (trigger("beats", 'shift = "--1 beat"'), r"shift: .* is not a length"),
        (trigger("midi 17/36"), r'on: "midi 17/36" is not a note: write "midi 10/36"'),
        (trigger("midi"), r'on: "midi" is not a note'),
        ("[[master]]\nlevel = 1\n", r"master\[1\].at: is missing"),
        ('[[master]]\nat = "1"\n', r"master\[1\].level: is missing"),
        ('[[master]]\nat = "1"\nlevle = 1\n', r'master\[1\].levle: unknown key .*"level"'),
        ('[[master]]\nat = 1\nlevel = 2\n', r"master\[1\].level: 2 is out of range"),
    ],
)  # fmt: skip
def test_faults_of_the_score_alone(text: str, fault: str) -> None:
    with pytest.raises(Faults, match=fault):
        score_of(COLOURS + WAVE + text)


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        (clip("hold", 'only = "lefd"'), r'only: there is no zone "lefd" .*"left"'),
        (clip("hold", 'opacity = [["2.1", 1], ["1.1", 0]]'), r"opacity: point 2 does not come after"),
        (clip("hold", 'opacity = [["2.1", 1], ["end - 2 bars", 0]]'), r"opacity: point 2 does not come after"),
        (MASTER + '[[master]]\nat = "1.3"\nlevel = 1\n', r"master\[3\]: 1.3 does not come after the level before it"),
        (MASTER + '[[master]]\nat = "99"\nlevel = 1\n', r"master\[3\]: 99.1 is outside the song"),
        (trigger("midi 10/37"), r'on: the song\'s MIDI file has no note 10/37 .*"midi 10/36"'),
        (WAVE + placed("wave", "15", 'speed = "half"'), r"ends at 19.1, after the song"),
    ],
)
def test_faults_of_where_it_falls(text: str, fault: str) -> None:
    with pytest.raises(Faults, match=fault):
        cues_of(text)


# ---- whole numbers and widths along points ----


def test_a_width_along_points_is_at_each_frame_that_width() -> None:
    growing = lit(clip("accent", 'decay = "8 bars"\nwidth = [["1.1", "2 pixels"], ["2.1", "10 pixels"]]'))
    for frame, pixels in ((0, 2.0), (2 * K, 6.0), (3 * K, 8.0), (5 * K, 10.0)):
        fixed = lit(clip("accent", f'decay = "8 bars"\nwidth = "{pixels} pixels"'))
        np.testing.assert_array_equal(growing[frame], fixed[frame])


def test_whole_numbers_along_points_are_the_nearest() -> None:
    more = lit(clip("gate", 'every = "1/4 beat"\nsplit = [["1.1", 1], ["2.1", 5]]'))
    # A bar from 1 to 5: a beat on it stands at 2; half a beat before that the nearest of 1.5 is 2 already.
    for frame, parts in ((0, 1), (K // 4, 1), (K // 2, 2), (K, 2), (3 * K - 1, 4), (5 * K, 5)):
        fixed = lit(clip("gate", f'every = "1/4 beat"\nsplit = {parts}'))
        np.testing.assert_array_equal(more[frame], fixed[frame])


@pytest.mark.parametrize(
    ("keys", "fault"),
    [
        ('width = [["1.1", "2 pixels"], ["2.1", "1 m"]]', r'width\[2\]: "1 m": all widths along points need one unit'),
        ('width = [["1.1", 2]]', r"width\[1\]: needs a width in quotes"),
        ('width = [["1.1", "2 feet"]]', r'width\[1\]: "2 feet" is not a width'),
        ('width = [[1.1, "2 pixels"]]', r'width\[1\]: a musical time needs quotes: \["1.1", "2 pixels"\]'),
        ("width = []", "width: holds 0 points"),
        ('pulses = [["1.1", 1.5]]', r"pulses\[1\]: needs a whole number"),
        ('pulses = [["1.1", 99]]', r"pulses\[1\]: needs a whole number"),
    ],
)
def test_faults_of_widths_and_whole_numbers_along_points(keys: str, fault: str) -> None:
    with pytest.raises(Faults, match=fault):
        cues_of(clip("run", keys))


# ---- palettes that follow the sections ----

IN_B = '[palette.B]\nember = "foam"\n'  # section B: 16 s to 32 s, bars 9 to 16


def lit(text: str) -> NDArray[np.float32]:
    """Light of the whole song, (frames, pixels, 3)."""
    show = renderer(text)
    return np.concatenate([show.light(group) for group in show.clock.groups])


@pytest.mark.parametrize("every", ["3 beats", "0.7 s"])
def test_a_clip_changes_its_colours_where_the_section_does_and_runs_on(every: str) -> None:
    keys = f'colour = "ember"\nevery = "{every}"'
    both, red = lit(IN_B + clip("run", keys, bars="1-16")), lit(clip("run", keys, bars="1-16"))
    white = lit(clip("run", keys.replace("ember", "foam"), bars="1-16"))
    np.testing.assert_array_equal(both[: 32 * K], red[: 32 * K])
    np.testing.assert_array_equal(both[32 * K :], white[32 * K :])
    assert both[32 * K :].any() and (red[32 * K :] != white[32 * K :]).any()


def test_a_palette_of_several_colours_and_a_colour_by_itself_may_stand_for_a_word() -> None:
    cues = cues_of(
        '[palette.B]\nember = "tide"\nfoam = "#00ff00"\n' + clip("weave", 'colour = ["ember", "foam"]', bars="8-9")
    )
    assert [(cue.first, cue.end) for cue in cues] == [(28 * K, 32 * K), (32 * K, 36 * K)]
    assert [dict(cue.params)["colour"] for cue in cues] == [
        ((1.0, 0.0, 0.0), (1.0, 1.0, 1.0)),
        ((0.0, 0.0, 1.0), (0.0, 1.0, 0.0), (0.0, 1.0, 0.0)),
    ]
    assert len({(cue.address, cue.start, cue.length) for cue in cues}) == 1


def test_clips_whose_colours_stay_are_not_cut() -> None:
    before = IN_B + clip("hold", 'colour = "ember"')
    assert len(cues_of(before + clip("hold", 'colour = "tide"', bars="1-16"))) == 2
    assert len(cues_of(before + clip("hold", bars="1-16"))) == 2  # white by itself: no word is written


def test_placings_swap_first_and_triggers_follow_too() -> None:
    text = IN_B + phrase("p", "hold", 'colour = "tide"') + placed("p", "9.1", 'colours = {tide = "ember"}')
    assert dict(cues_of(text)[0].params)["colour"] == ((1.0, 1.0, 1.0),)
    beats = (
        IN_B + '[[trigger]]\non = "bars"\nclip = {zone = "rail", effect = "accent", for = "1 beat", colour = "ember"}\n'
    )
    colours = [dict(cue.params)["colour"] for cue in cues_of(beats)]
    assert colours == [((1.0, 0.0, 0.0),)] * 8 + [((1.0, 1.0, 1.0),)] * 8


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ('[palette.C]\nember = "foam"\n', 'palette.C: the song map has no section "C"'),
        ('[palette.B]\nembers = "foam"\n', 'palette.B.embers: no clip writes a colour "embers" .*"ember"'),
        ('[palette.B]\nember = "fome"\n', 'palette.B.ember: there is no colour "fome" .*"foam"'),
        ("[palette.B]\nember = 3\n", "palette.B.ember: needs"),
    ],
)
def test_faults_of_palettes(text: str, fault: str) -> None:
    with pytest.raises(Faults, match=fault):
        cues_of(text + clip("hold", 'colour = "ember"'))


# ---- the page ----

ROOM = Path(score.__file__).parent
PAGE = ROOM.with_name("SCORE.md").read_text(encoding="utf-8")
SOURCE = "".join(path.read_text(encoding="utf-8") for path in sorted(ROOM.glob("*.py")))
LONG_SONG = song_of(
    steady(240), 120.0, sections=[Section(60.0, 90.0, "B")], labels={"midi 10/36": (1.0, 2.0), "door": (4.0, 8.0)},
    hits={"kick": ((20.0, 0.9), (20.5, 0.2))},
)  # fmt: skip
EXAMPLES = re.findall(r"```toml\n(.*?)```", PAGE, re.DOTALL)


@pytest.mark.parametrize("number", range(len(EXAMPLES)))
def test_every_example_of_the_page_falls_into_a_song(number: int) -> None:
    text = EXAMPLES[number]
    text = text.replace('song = "quay.flac"', "# the kit names a song")
    text += "" if "[colour]" in text else COLOURS
    assert lay_text(text, LONG_SONG, RIG)


def test_the_examples_together_say_every_key_that_a_score_knows() -> None:
    said = set(re.findall(r"^(\w+) = ", "\n".join(EXAMPLES), re.MULTILINE))
    said |= set(re.findall(r"`(\w+)`", PAGE))
    known = set(re.findall(r'(?:table|top)\.(?:text|whole|number|flag|choice|table|tables|named)\(\s*"(\w+)"', SOURCE))
    known |= set(re.findall(r'(?:_span|_points|moment_at|_quoted|length_of)\(table, "(\w+)"', SOURCE))
    assert {"song", "layer", "shift", "mirror", "level", "opacity", "at"} <= known
    headers = {"colour", "palette", "phrase", "order", "clip", "trigger", "master"}
    assert known - said - headers == set()


def test_the_page_names_every_event_mix_and_speed() -> None:
    for word in (*score.EVENTS, *score.MIXES, *score.SPEEDS, *score.LIMITER_MODES):
        assert re.search(rf'"{word}\b', PAGE), word
