"""Cues to light: layering and fades against values worked by hand, and what makes two groups look the same."""

from __future__ import annotations

import itertools
from collections.abc import Hashable, Mapping
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from rooms_kit import SMALL_RIG, clock_for, lay_text, rig_of, song_of, steady

from composer import effects
from composer.faults import ShowFails
from composer.render import Renderer, evenly
from composer.songmap import Loudness, SongMap
from composer.wire import Wiring

F = Fraction
RIG = rig_of(SMALL_RIG)  # rail: pixels 0-11; mast: 12-17; left: 0-5; all: 0-11, 17-12
SONG = song_of(steady(32), 16.0)  # 120 beats a minute: K = 24
K = 24
COLOURS = '[colour]\na = "#ff0000"\nb = "#0000ff"\nc = "#336699"\n'  # c: codes 0.2, 0.4, 0.6


def clip(effect: str, zone: str = "rail", keys: str = "", bars: str = "1-2") -> str:
    return f'[[clip]]\nzone = "{zone}"\neffect = "{effect}"\nbars = "{bars}"\n{keys}\n'


def renderer(text: str, song: SongMap = SONG, most: int = 255) -> Renderer:
    clock = clock_for(song, RIG, most_group_frames=most)
    return Renderer(RIG, clock, lay_text(COLOURS + text, song, RIG, clock), song.loudness)


def frame(show: Renderer, number: int) -> NDArray[np.float32]:
    """The light of one frame, (pixels, 3)."""
    group = show.clock.group_at(number)
    return show.light(group)[number - group.first]


def film(show: Renderer) -> NDArray[np.float32]:
    """The light of the whole show, (frames, pixels, 3)."""
    return np.concatenate([show.light(group) for group in show.clock.groups])


# ---- layers and mixes, by hand ----


def test_light_has_the_shape_of_group_and_rig_and_is_dark_where_nothing_is() -> None:
    show = renderer(clip("hold", "left", 'colour = "a"'))
    light = show.light(show.clock.groups[0])
    assert (light.shape, light.dtype) == ((K, 18, 3), np.float32)
    assert light[:, :6].tolist() == [[[1.0, 0.0, 0.0]] * 6] * K
    assert not light[:, 6:].any()
    assert not show.light(show.clock.groups[8]).any()  # bar 3


@pytest.mark.parametrize("effect", effects.EFFECTS)
def test_a_clip_on_a_string_whose_every_pixel_is_skipped_lights_nothing(effect: str) -> None:
    rig = rig_of(SMALL_RIG.replace("pixels = 6", 'pixels = 6\nskip = ["0-5"]'))
    clock = clock_for(SONG, rig)
    show = Renderer(rig, clock, lay_text(clip(effect, "mast"), SONG, rig, clock), SONG.loudness)
    assert not film(show).any() and show.shares(0) == []


@pytest.mark.parametrize(
    ("keys", "expected"),
    [
        # Below lies c = (0.2, 0.4, 0.6), above it red (1, 0, 0).
        ("", [1, 0, 0]),
        ("opacity = 0.25", [0.2 + 0.8 * 0.25, 0.4 * 0.75, 0.6 * 0.75]),
        ("opacity = 0", [0.2, 0.4, 0.6]),
        ('mix = "add"', [1, 0.4, 0.6]),
        ('mix = "add"\nopacity = 0.5', [0.7, 0.4, 0.6]),
        ('mix = "add"\nopacity = 0.9', [1, 0.4, 0.6]),
        ('mix = "max"', [1, 0.4, 0.6]),
        ('mix = "max"\nopacity = 0.1', [0.2, 0.4, 0.6]),
        ('mix = "max"\nopacity = 0.5', [0.5, 0.4, 0.6]),
    ],
)
def test_how_a_clip_lies_on_the_one_below(keys: str, expected: list[float]) -> None:
    show = renderer(clip("hold", keys='colour = "c"') + clip("hold", "left", f'colour = "a"\nlayer = 2\n{keys}'))
    light = frame(show, 0)
    assert light[0].tolist() == pytest.approx(expected, abs=1e-6)
    assert light[6].tolist() == pytest.approx([0.2, 0.4, 0.6], abs=1e-6)


def test_a_higher_layer_lies_above_whatever_the_order_of_writing() -> None:
    red, blue = clip("hold", keys='colour = "a"\nlayer = 2'), clip("hold", keys='colour = "b"')
    assert frame(renderer(red + blue), 0)[0].tolist() == frame(renderer(blue + red), 0)[0].tolist() == [1, 0, 0]


def test_within_a_layer_the_later_lies_above() -> None:
    red, blue = clip("hold", keys='colour = "a"'), clip("hold", keys='colour = "b"')
    assert frame(renderer(red + blue), 0)[0].tolist() == [0, 0, 1]
    assert frame(renderer(blue + red), 0)[0].tolist() == [1, 0, 0]


def test_zones_light_their_pixels_in_their_own_order() -> None:
    # A step along the zone "all", which has the mast from its top: the last pixel of the zone is the mast's first.
    show = renderer(clip("edge", "all", "every = \"8 beats\"\ncolour = 'a'"))
    half = frame(show, 4 * K)[:, 0]  # 9 of 18 pixels
    assert half.tolist() == pytest.approx([1] * 9 + [0] * 9)
    late = frame(show, 7 * K)[:, 0]  # 15.75 pixels: 12 of the rail, then the mast from its end: 17, 16, 15, 3/4 of 14
    assert late.tolist() == pytest.approx([1] * 12 + [0, 0, 0.75, 1, 1, 1], abs=1e-5)


# ---- fades, by hand ----


def test_fades_in_beats() -> None:
    keys = 'colour = "a"\nfade_in = "1 beat"\nfade_out = "2 beats"\nopacity = 0.5'
    show = renderer(clip("hold", keys=keys, bars="1"))
    red = film(show)[: 4 * K, 0, 0]
    assert red[0] == 0 and red[K // 2] == pytest.approx(0.25) and red[K] == pytest.approx(0.5)
    assert red[2 * K] == pytest.approx(0.5) and red[3 * K] == pytest.approx(0.25)
    assert red[4 * K - 1] == pytest.approx(0.5 / (2 * K), abs=1e-6)


def test_fades_in_seconds_last_as_long_at_any_tempo() -> None:
    # A beat of 0.5 s, then one of 0.8 s: half of 0.4 s is over at frame 0.2 s / (0.5 s / 24) = 9.6.
    song = song_of([0.0, 0.5, 1.3, 1.8, 2.3, 2.8, 3.3, 3.8], 4.3)
    show = renderer(clip("hold", keys='colour = "a"\nfade_in = "0.4 s"', bars="1"), song)
    red = film(show)[:, 0, 0]
    at = np.array([show.clock.frame_us(i) for i in range(K)]) / 1e6
    np.testing.assert_allclose(red[:K], np.minimum(at / 0.4, 1), atol=1e-6)


def test_overlapping_fades_multiply() -> None:
    show = renderer(clip("hold", keys='colour = "a"\nfade_in = "4 beats"\nfade_out = "4 beats"', bars="1"))
    assert frame(show, 2 * K)[0, 0] == pytest.approx(0.25)


# ---- on the beat ----


def test_an_accent_is_full_on_the_frame_of_its_own_beat_however_the_tempo_drifts() -> None:
    # From 96 to 134 beats a minute, each beat 1 % shorter than the one before.
    periods = [0.625 * 0.99**i for i in range(33)]
    song = song_of([round(t, 6) for t in itertools.accumulate(periods, initial=0.37)], 17.5)
    show = renderer('[[trigger]]\non = "beats"\n[trigger.clip]\nzone = "rail"\neffect = "accent"\ncolour = "a"\n', song)
    red = film(show)[:, 0, 0]
    for beat_us in show.clock.grid.beats_us[:-1]:
        on = show.clock.frame_at_us(beat_us)
        assert abs(show.clock.frame_us(on) - beat_us) <= 1
        assert red[on] == 1 and (red[on + 1 : on + K] < 1).all() and red[on - 1] < 0.05
        assert (np.diff(red[on : on + K]) < 0).all()


def test_a_trigger_in_a_weak_place_is_weaker() -> None:
    song = song_of(steady(8), 4.0, hits={"kick": ((0.0, 1.0), (0.5, 0.5))})
    show = renderer('[[trigger]]\non = "kick"\n[trigger.clip]\nzone = "rail"\neffect = "accent"\ncolour = "a"\n', song)
    assert [float(frame(show, i)[0, 0]) for i in (0, K)] == [1.0, 0.5]


# ---- sound ----


def test_loudness_is_read_between_its_points_at_the_time_of_each_frame() -> None:
    low = tuple(i / 64 for i in range(65))  # rises evenly over 16 s, a point every 0.25 s
    song = song_of(steady(32), 16.0, loudness=Loudness(0.25, low, (), low[::-1], ()))
    show = renderer(clip("gauge", keys='band = "low"\nshows = "light"\ncolour = "a"', bars="1-8"), song)
    times = np.array([show.clock.frame_us(i) for i in range(show.clock.frames)]) / 1e6
    np.testing.assert_allclose(film(show)[:, 0, 0], times / 16, atol=1e-6)


def test_a_song_without_loudness_is_silent() -> None:
    assert not film(renderer(clip("gauge", keys='band = "high"', bars="1-8"))).any()


# ---- groups ----

BUSY = (
    clip("drift", "all", 'colour = ["a", "b"]\nevery = "3 beats"', "1-8")
    + clip("run", "rail", 'layer = 2\nevery = "2/3 beat"\nfade_in = "1 bar"', "1-6")
    + clip("scatter", "all", 'layer = 3\nmix = "add"\ntogether = false\nopacity = 0.7', "2-8")
    + clip("rings", "all", 'layer = 4\nmix = "max"\nfade_out = "3 beats"', "3-7")
    + clip("weave", "mast", "glide = 0.5", "1-8")
    + clip("pile", "left", "layer = 5\nmix = 'add'", "4-6")
    + '[[trigger]]\non = "beats"\nevery = 3\n[trigger.clip]\nzone = "mast"\neffect = "gate"\nlayer = 6\nmix = "max"\n'
)


@pytest.mark.parametrize("most", [24, 12, 5, 1])
def test_a_frame_is_the_same_whatever_the_group_it_is_rendered_in(most: int) -> None:
    whole, parts = renderer(BUSY), renderer(BUSY, most=most)
    assert len(parts.clock.groups) >= len(whole.clock.groups) * K // most
    np.testing.assert_array_equal(film(whole), film(parts))


def test_groups_render_alike_in_any_order_and_again_and_again() -> None:
    first, second = renderer(BUSY), renderer(BUSY)
    forward = [first.light(group) for group in first.clock.groups]
    back = [second.light(group) for group in reversed(second.clock.groups)][::-1]
    again = [second.light(group) for group in second.clock.groups]
    for a, b, c in zip(forward, back, again, strict=True):
        np.testing.assert_array_equal(a, b)
        np.testing.assert_array_equal(a, c)


def test_a_bar_that_repeats_is_the_same_bytes_at_any_tempo() -> None:
    # A phrase in bars 1, 3 and 5; the band speeds up from 100 to 133 beats a minute under it.
    periods = [0.6 - 0.005 * i for i in range(31)]
    song = song_of([round(t, 6) for t in itertools.accumulate(periods, initial=0.0)], 17.0)
    fading = 'mix = "add"\nfade_out = "1 beat"'
    blocks = (("all", "drift", ""), ("rail", "scatter", fading), ("mast", "run", "layer = 2"))
    text = "".join(f'[[phrase.p]]\nzone = "{z}"\neffect = "{e}"\nbars = "1"\n{more}\n' for z, e, more in blocks)
    text += '[order]\np = ["1", "3", "5"]'
    show = renderer(text, song)
    wiring = Wiring(RIG)
    bars = [
        np.concatenate([wiring.bytes_of(show.light(group)) for group in show.clock.groups[4 * bar : 4 * bar + 4]])
        for bar in (0, 2, 4)
    ]
    assert len(bars[0]) == 4 * show.clock.frames_per_beat and bars[0].any()
    np.testing.assert_array_equal(bars[0], bars[1])
    np.testing.assert_array_equal(bars[0], bars[2])
    keys = [show.key(group) for group in show.clock.groups]
    assert keys[0:4] == keys[8:12] == keys[16:20]
    assert len({*keys[0:4]}) == 4


def _alike(show: Renderer) -> int:
    """Checks that groups of one key have one light; how many groups had the key of another."""
    seen: dict[Hashable, NDArray[np.float32]] = {}
    for group in show.clock.groups:
        light = show.light(group)
        np.testing.assert_array_equal(seen.setdefault(show.key(group), light), light)
    return len(show.clock.groups) - len(seen)


_fade = st.sampled_from(["", 'fade_in = "1 beat"', 'fade_in = "0.3 s"', 'fade_out = "1 bar"', 'fade_out = "0.7 s"'])
_every = st.sampled_from(["", 'every = "1 beat"', 'every = "1/3 beat"', 'every = "0.37 s"'])
_effect = st.sampled_from(["hold", "blend", "swell", "accent", "gate", "run", "edge", "scatter", "pile", "weave",
                           "drift", "rings"])  # fmt: skip
_mix = st.sampled_from(["replace", "add", "max"])


@st.composite
def _phrases(draw: st.DrawFn) -> str:
    blocks = ""
    for i in range(draw(st.integers(1, 3))):
        decay = draw(st.sampled_from(["", 'decay = "0.4 s"', 'decay = "3/4 beat"']))
        effect = draw(_effect)
        blocks += (
            f'[[phrase.p]]\nzone = "{draw(st.sampled_from(["rail", "mast", "all"]))}"\neffect = "{effect}"\n'
            f'bars = "1"\nlayer = {i}\nmix = "{draw(_mix)}"\n{draw(_fade)}\n{draw(_every)}\n'
            + (decay if effect in ("accent", "scatter") else "") + "\n"
        )  # fmt: skip
    return blocks + '[order]\np = ["1", "2", "3", "5"]\n'


@settings(deadline=None, max_examples=60)
@given(_phrases(), st.lists(st.sampled_from([0.5, 0.5, 0.5, 0.44, 0.61]), min_size=20, max_size=20))
def test_groups_of_one_key_have_one_light(text: str, periods: list[float]) -> None:
    song = song_of([round(t, 6) for t in itertools.accumulate(periods[:-1], initial=0.0)], sum(periods) + 0.2)
    _alike(renderer(text, song))


def test_at_a_steady_tempo_a_repeated_phrase_is_rendered_once_even_when_it_counts_seconds() -> None:
    text = ('[[phrase.p]]\nzone = "rail"\neffect = "run"\nbars = "1"\nevery = "0.37 s"\nfade_out = "0.7 s"\n'
            '[order]\np = ["1", "2", "3", "4"]')  # fmt: skip
    assert _alike(renderer(text)) >= 3 * 4


def test_a_clip_that_counts_seconds_looks_different_when_its_end_comes_sooner() -> None:
    # Bars 1 and 2 begin with the same beats; bar 2's last beat is shorter, so its fade of 1.9 s is further on.
    periods = [0.5, 0.5, 0.5, 0.5, 0.5, 0.5, 0.5, 0.4, 0.5, 0.5, 0.5, 0.5]
    song = song_of([round(t, 6) for t in itertools.accumulate(periods[:-1], initial=0.0)], sum(periods))
    text = ('[[phrase.p]]\nzone = "rail"\neffect = "hold"\nbars = "1"\nfade_out = "1.9 s"\n'
            '[order]\np = ["1", "2"]')  # fmt: skip
    show = renderer(text, song)
    first, second = show.clock.groups[1], show.clock.groups[5]
    assert (first.end_us - first.start_us) == (second.end_us - second.start_us)
    assert show.key(first) != show.key(second)
    # 1.5 s and 1.4 s are left of 1.9 s.
    assert show.light(first)[0, 0, 0] == pytest.approx(1.5 / 1.9)
    assert show.light(second)[0, 0, 0] == pytest.approx(1.4 / 1.9)


def test_clips_unlike_in_anything_are_unlike_in_their_key() -> None:
    base = {"effect": '"hold"', "zone": '"rail"', "opacity": "0.5", "mix": '"add"', "seed": "1", "fade_in": '"1 beat"',
            "colour": '"a"'}  # fmt: skip
    other = {"effect": '"swell"', "zone": '"mast"', "opacity": "0.6", "mix": '"max"', "seed": "2",
             "fade_in": '"2 beats"', "colour": '"b"'}  # fmt: skip
    text = ""
    for changed in (None, *other):
        keys = base | ({changed: other[changed]} if changed else {})
        text += f"[[phrase.p{len(text)}]]\nbars = '1'\n" + "".join(f"{k} = {v}\n" for k, v in keys.items())
    names = [line.split(".")[1].rstrip("]") for line in text.splitlines() if line.startswith("[[")]
    order = "".join(f'{name} = "{bar}"\n' for bar, name in enumerate(names, 1))
    song = song_of(steady(4 * len(names)), 2.0 * len(names))
    show = renderer(f"{text}[order]\n{order}", song)
    keys_of_bars = [show.key(show.clock.groups[4 * bar]) for bar in range(len(names))]
    assert len(set(keys_of_bars)) == len(names) == 8


# ---- who lights what ----


def shares(show: Renderer, number: int) -> Mapping[str, NDArray[np.float32]]:
    return {cue.address.split("@")[0]: part for cue, part in show.shares(number)}


def test_shares_worked_by_hand() -> None:
    text = clip("hold", keys='name = "low"\ncolour = "#666666"')  # codes 0.4
    text += clip("hold", "left", 'name = "glaze"\ncolour = "#ffffff"\nopacity = 0.25\nlayer = 2')
    text += clip("hold", "left", 'name = "glow"\ncolour = "#333333"\nmix = "add"\nlayer = 3')  # codes 0.2
    found = shares(renderer(text), 0)
    # 0.4 x 0.75 = 0.3, 1 x 0.25 = 0.25, 0.2: of 0.75.
    assert {name: part[0].tolist() for name, part in found.items()} == {
        "low": pytest.approx([0.4] * 3), "glaze": pytest.approx([1 / 3] * 3), "glow": pytest.approx([0.2 / 0.75] * 3),
    }  # fmt: skip
    assert (found["low"][6] == 1).all() and not found["glaze"][6].any()
    assert all(not part[12:].any() for part in found.values())


def test_colours_are_told_apart() -> None:
    text = clip("hold", keys='name = "red"\ncolour = "#ff0000"') + clip(
        "hold", keys='name = "blue"\ncolour = "#000080"\nmix = "add"\nlayer = 2'
    )
    found = shares(renderer(text), 0)
    assert found["red"][0].tolist() == [1, 0, 0]
    assert found["blue"][0].tolist() == [0, 0, 1]


def test_what_is_covered_or_outshone_has_no_share() -> None:
    below = clip("hold", keys='name = "below"\ncolour = "#666666"')
    covered = renderer(below + clip("hold", keys='name = "above"\ncolour = "#333333"\nlayer = 2'))
    assert set(shares(covered, 0)) == {"above"}
    outshone = renderer(below + clip("hold", keys='name = "above"\ncolour = "#333333"\nlayer = 2\nmix = "max"'))
    assert set(shares(outshone, 0)) == {"below"}


@pytest.mark.parametrize("number", range(0, 32 * K, 61))
def test_the_shares_of_a_lit_channel_sum_to_one_and_of_a_dark_one_to_nothing(number: int) -> None:
    show = renderer(BUSY)
    total = np.sum([part for _, part in show.shares(number)], axis=0)
    lit = frame(show, number) > 0
    assert lit.any()
    np.testing.assert_allclose(total, lit.astype(float), atol=1e-5)


# ---- the rest ----


def test_an_effect_that_fails_is_named_with_its_clip(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: Any) -> Any:
        raise ValueError("no light today")

    monkeypatch.setitem(effects.DRAWERS, "hold", broken)
    show = renderer(clip("hold", keys='name = "glow"', bars="2"))
    assert not show.light(show.clock.groups[0]).any()
    with pytest.raises(ShowFails, match=r"effect hold failed in glow@2\.1: no light today"):
        show.light(show.clock.groups[4])


_parts = st.fractions(-5000, 5000, max_denominator=1000)


@given(_parts, st.fractions(F(1, 1000), 2, max_denominator=1000), st.integers(0, 40))
def test_evenly_spaced_places_are_each_the_nearest_float(start: Fraction, step: Fraction, count: int) -> None:
    assert evenly(start, step, count).tolist() == [float(start + i * step) for i in range(count)]


def test_evenly_spaced_places_are_exact_where_whole_numbers_no_longer_fit() -> None:
    start, step = F(1, 2**40 + 15), F(1, 2**41 + 21)
    assert evenly(start, step, 5).tolist() == [float(start + i * step) for i in range(5)]
