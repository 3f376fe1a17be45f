"""Where clips fall: cues in whole frames from a score, a song map and a rig."""

from __future__ import annotations

import dataclasses
import itertools
import tomllib
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rooms_kit import SMALL_RIG, Section, clock_for, lay_text, rig_of, song_of, steady

from composer import timeline
from composer.clock import FrameClock, Span
from composer.effects.table import Pace
from composer.faults import FaultList, Faults
from composer.score import score_from
from composer.timeline import Cue, lay, pace_of

F = Fraction
RIG = rig_of(SMALL_RIG)
SONG = song_of(steady(64), 32.0)  # 120 beats a minute, 16 bars of four: K = 24
K = 24


def clip(keys: str, effect: str = "hold", zone: str = "rail") -> str:
    return f'[[clip]]\nzone = "{zone}"\neffect = "{effect}"\n{keys}\n'


def phrase(name: str, keys: str, effect: str = "hold") -> str:
    return f'[[phrase.{name}]]\nzone = "rail"\neffect = "{effect}"\n{keys}\n'


def trigger(on: str, keys: str = "", clip_keys: str = "", effect: str = "accent") -> str:
    return f'[[trigger]]\non = "{on}"\n{keys}\n[trigger.clip]\nzone = "rail"\neffect = "{effect}"\n{clip_keys}\n'


def cue_of(text: str) -> Cue:
    (cue,) = lay_text(text, SONG, RIG)
    return cue


def beats(cues: list[Cue]) -> list[Fraction]:
    return sorted(cue.start for cue in cues)


# ---- clips ----


@pytest.mark.parametrize(
    ("keys", "start", "length"),
    [
        ('bars = "1-4"', 0, 16),
        ('bars = "5"', 16, 4),
        ('bars = "15-end"', 56, 8),
        ('at = "3.2"\nfor = "1 beat"', 9, 1),
        ('at = "3.2+1/2"\nfor = "1/3 beat"', F(19, 2), F(1, 3)),
        ('at = "3.2"\nto = "4.1"', 9, 3),
        ('at = "2.5"\nfor = "1 bar"', 8, 4),
        ('at = "4.25s"\nfor = "0.5 s"', F(17, 2), 1),
        ('at = "start"\nto = "end"', 0, 64),
        ('at = "end - 2 bars"\nto = "end"', 56, 8),
        ('at = "end - 1 bar - 1 beat"\nfor = "1 beat"', 59, 1),
        ('at = "16.4"\nfor = "2 beats"', 63, 1),  # a beat past the end is trimmed without a word
    ],
)
def test_clips_fall_where_they_are_written(keys: str, start: Fraction, length: Fraction) -> None:
    cue = cue_of(clip(keys))
    assert (cue.start, cue.length) == (start, length)
    assert (cue.first, cue.end) == (start * K, (start + length) * K)


def test_a_clip_begins_and_ends_on_its_nearest_frames_and_counts_from_there() -> None:
    # Frames stand at multiples of 1/24 beat: 0.05 of a beat is nearest to 1/24, 0.55 to 13/24.
    cue = cue_of(clip('at = "1.1+0.05"\nto = "1.1+0.55"'))
    assert (cue.first, cue.end, cue.start, cue.length) == (1, 13, F(1, 24), F(1, 2))


def test_a_clip_shorter_than_a_frame_has_one() -> None:
    cue = cue_of(clip('at = "1.2"\nfor = "1 ms"'))
    assert (cue.first, cue.end) == (K, K + 1)


def test_a_clip_in_the_last_half_frame_of_the_song_has_its_last() -> None:
    cue = cue_of(clip('at = "16.4+47/48"\nfor = "1 beat"'))
    assert (cue.first, cue.end) == (64 * K - 1, 64 * K)


def test_bars_are_those_of_the_song() -> None:
    # A pickup of one beat, a bar of three, then of four.
    song = song_of(steady(12), 6.0, bars=[1, 4, 8])
    cues = lay_text(clip('bars = "0"') + clip('bars = "1"') + clip('bars = "2"') + clip('at = "0.4"\nfor = "1 beat"'),
                    song_of(steady(12, start_s=2.0), 8.0, bars=[1, 4, 8]), RIG)  # fmt: skip
    assert [(cue.start, cue.length) for cue in cues] == [(-3, 4), (1, 3), (4, 4), (0, 1)]
    assert clock_for(song).grid.bar_start(1) == 1


def test_sections_and_labels_are_counted_and_sections_start_on_their_beat() -> None:
    song = song_of(
        steady(64), 32.0,
        sections=[Section(*s) for s in ((0.0, 8.0, "A"), (8.001, 16.0, "B"), (16.0, 24.0, "A"), (24.0, 32.0, "B"))],
        labels={"door": (3.01, 9.0), "verse-2": (10.0,)},
    )  # fmt: skip
    text = "".join(
        clip(f'at = "{at}"\nfor = "1 beat"')
        for at in ("section A", "section B", "section B[2] + 1", "label door[2]", "label verse-2 - 1 bar")
    )
    assert [cue.start for cue in lay_text(text, song, RIG)] == [0, 16, 49, 18, 16]
    (heard,) = lay_text(clip('at = "label door"\nfor = "1 beat"'), song, RIG)
    assert heard.start == 6  # heard at 6.02 beats: nearer to 6 than to 6 1/24


def test_layers_come_in_order_and_within_one_the_score_does() -> None:
    text = clip('bars = "1"\nname = "b"\nlayer = 2') + clip('bars = "1"\nname = "a"') + clip('bars = "1"\nname = "c"')
    assert [cue.address for cue in lay_text(text, SONG, RIG)] == ["a@1.1", "c@1.1", "b@1.1"]


def test_times_of_a_clip_become_beats_or_seconds() -> None:
    cue = cue_of(clip('bars = "1-2"\nfade_in = "1 bar"\nfade_out = "0.5 s"\nevery = "2 beats"'))
    assert cue.fade_in == Pace(F(4), "beats") and cue.fade_out == Pace(F(1, 2), "seconds")
    assert dict(cue.params)["every"] == Pace(F(2), "beats")
    assert cue.by_seconds
    assert not cue_of(clip('bars = "1-2"\nfade_in = "1 bar"')).by_seconds
    assert cue_of(clip('bars = "1"', "gauge")).by_seconds


def test_a_bar_is_as_long_as_the_one_the_clip_starts_in() -> None:
    song = song_of(steady(12), 6.0, bars=[0, 4, 7])
    first, second = lay_text(clip('bars = "1"\nevery = "1 bar"') + clip('bars = "2"\nevery = "1/2 bar"'), song, RIG)
    assert (dict(first.params)["every"], dict(second.params)["every"]) == (Pace(F(4), "beats"), Pace(F(3, 2), "beats"))
    assert pace_of(Span(), 4) is None


# ---- phrases ----

CHORUS = (
    phrase("chorus", 'bars = "1-2"\nevery = "1 beat"', "scatter")
    + phrase("chorus", 'at = "2.3"\nfor = "1 beat"', "accent")
    + '[[phrase.chorus]]\nphrase = "fill"\nat = "2.4"\n'
    + phrase("fill", 'at = "1.1"\nfor = "1/2 beat"', "gate")
    + phrase("fill", 'at = "0.4"\nfor = "1 beat"', "edge")  # the beat before it
)


def without_place(cue: Cue) -> Cue:
    return dataclasses.replace(cue, address="", first=0, end=0, start=F(0), order=0)


def test_a_repeated_phrase_gives_cues_that_differ_only_in_where_they_stand() -> None:
    cues = lay_text(CHORUS + '[order]\nchorus = ["3", "9", "13.1"]', SONG, RIG)
    placings = [sorted(cues, key=lambda c: c.order)[i : i + 4] for i in (0, 4, 8)]
    assert [beats(placing) for placing in placings] == [
        [8, 14, 14, 15], [32, 38, 38, 39], [48, 54, 54, 55],
    ]  # fmt: skip
    first, second, third = ([without_place(cue) for cue in placing] for placing in placings)
    assert first == second == third


def test_phrases_are_placed_by_clips_too_and_in_the_middle_of_a_bar() -> None:
    cues = lay_text(CHORUS + '[[clip]]\nphrase = "fill"\nat = "3.2"\n', SONG, RIG)
    assert beats(cues) == [8, 9]


def test_a_phrase_takes_the_bars_of_where_it_is_placed() -> None:
    # Bars of 4, 3, 4 beats: the second bar of the phrase starts 4, 3 or 4 beats after the first.
    song = song_of(steady(15), 7.5, bars=[0, 4, 7, 11])
    text = phrase("p", 'bars = "2"') + '[order]\np = ["1", "2", "3"]'
    assert [(cue.start, cue.length) for cue in lay_text(text, song, RIG)] == [(4, 3), (7, 4), (11, 4)]


def test_the_address_says_which_clip_and_where() -> None:
    cues = lay_text(CHORUS + '[order]\nchorus = "3"', SONG, RIG)
    assert {cue.address for cue in cues} == {"chorus[1]@3.1", "chorus[2]@4.3", "fill[1]@4.4", "fill[2]@4.3"}


# ---- seeds ----


def test_a_clip_put_in_before_changes_no_other_clips_choices() -> None:
    scatter, drift = clip('bars = "1-2"', "scatter"), clip('bars = "3-4"', "drift")
    rest = scatter + drift + CHORUS + '[order]\nchorus = ["3", "9"]\n' + trigger("beats")
    before = lay_text(rest, SONG, RIG)
    after = lay_text(clip('bars = "5"', "run") + rest, SONG, RIG)
    seeds = [(cue.effect, cue.start, cue.seed) for cue in before]
    assert seeds == [(cue.effect, cue.start, cue.seed) for cue in after if cue.effect != "run"]


def test_the_scores_seed_changes_them_all() -> None:
    one, two = (lay_text(f"seed = {seed}\n" + clip('bars = "1"', "scatter"), SONG, RIG)[0] for seed in (1, 2))
    assert one.seed != two.seed and 0 <= min(one.seed, two.seed) and max(one.seed, two.seed) < 2**31


def test_triggered_clips_choose_alike_where_the_bar_repeats_and_unlike_within_it() -> None:
    cues = lay_text(trigger("beats", 'bars = "1-4"', "", "scatter"), SONG, RIG)
    bars = [[cue.seed for cue in cues[i : i + 4]] for i in range(0, 16, 4)]
    assert bars[0] == bars[1] == bars[2] == bars[3]
    assert len(set(bars[0])) == 4


# ---- triggers ----

KICKS = tuple((0.5 * i, 0.5 + (i % 2) / 4) for i in range(64))  # every beat, strengths 0.5 and 0.75 in turn
FLAM = ((4.0, 0.9), (4.06, 0.9), (5.0, 0.9), (6.0, 0.9), (6.06, 0.9), (7.0, 0.9))
HEARD = song_of(
    steady(64), 32.0, hits={"kick": KICKS, "snare": FLAM}, onsets={"low": ((1.0, 0.4), (2.51, 1.0)), "high": ()},
    labels={"door": (2.0, 3.0)},
)  # fmt: skip


@pytest.mark.parametrize(
    ("on", "keys", "starts"),
    [
        ("beats", 'bars = "2"', [4, 5, 6, 7]),
        ("beats", 'bars = "2-3"\nevery = 2\noffset = 1', [5, 7, 9, 11]),
        ("beats", 'bars = "2-3"\nevery = 3', [4, 7, 10]),
        ("beats", 'bars = "2-3"\ngap = "2 beats"', [4, 6, 8, 10]),
        ("beats", 'at = "1.1"\nto = "1.3+1/2"', [0, 1, 2]),
        ("bars", 'bars = "3-5"', [8, 12, 16]),
        ("bars", "every = 4\noffset = 1", [4, 20, 36, 52]),
        ("kick", 'bars = "1"', [0, 1, 2, 3]),
        ("kick", 'bars = "1-2"\nthreshold = 0.6', [1, 3, 5, 7]),
        ("kick", 'bars = "1-2"\nthreshold = 0.6\nevery = 2', [1, 5]),
        ("kick", 'bars = "1-2"\nthreshold = 0.75', [1, 3, 5, 7]),
        ("snare", 'gap = "1/2 beat"', [8, 10, 12, 14]),
        ("snare", 'gap = "1/2 beat"\nevery = 2', [8, 12]),  # the second stroke of a flam is not counted
        ("onsets low", "", [2, 5]),  # heard at 5.02 beats: its nearest frame is the beat's own
        ("onsets high", "", []),
        ("hat", "", []),
        ("label door", "", [4, 6]),
    ],
)
def test_a_trigger_lays_its_clip_on_the_events_it_names(on: str, keys: str, starts: list[int]) -> None:
    assert beats(lay_text(trigger(on, keys), HEARD, RIG)) == starts


def test_strength_goes_with_the_clip() -> None:
    cues = lay_text(trigger("kick", 'bars = "1"'), HEARD, RIG)
    assert [cue.strength for cue in cues] == [0.5, 0.75, 0.5, 0.75]
    assert [cue.strength for cue in lay_text(trigger("beats", 'bars = "1"'), HEARD, RIG)] == [1.0] * 4


def test_a_triggered_clip_lasts_a_beat_unless_said_and_ends_with_the_triggers_stretch() -> None:
    assert {cue.length for cue in lay_text(trigger("beats", 'bars = "1"'), SONG, RIG)} == {1}
    cues = lay_text(trigger("beats", 'bars = "1"', 'for = "2 beats"'), SONG, RIG)
    assert [cue.length for cue in cues] == [2, 2, 2, 1]


def test_a_song_without_beats_still_has_its_even_grid_to_trigger_on() -> None:
    assert beats(lay_text(trigger("beats"), song_of((), 2.0), RIG)) == [0, 1, 2, 3]


@settings(deadline=None, max_examples=50)
@given(
    st.lists(st.tuples(st.floats(0, 31.99), st.floats(0, 1)), max_size=30),
    st.integers(1, 4), st.integers(0, 3), st.floats(0, 1), st.sampled_from(["0 beats", "1/2 beat", "3 beats", "0.3 s"]),
)  # fmt: skip
def test_what_a_trigger_lays_is_strong_enough_far_enough_apart_and_every_so_often(
    events: list[tuple[float, float]], every: int, offset: int, threshold: float, gap: str
) -> None:
    song = song_of(steady(64), 32.0, hits={"hat": tuple(sorted(events))})

    def laid(every: int, offset: int) -> list[Cue]:
        keys = f'threshold = {threshold}\ngap = "{gap}"\nevery = {every}\noffset = {offset}'
        return lay_text(trigger("hat", keys), song, RIG)

    kept = laid(1, 0)
    assert all(cue.strength >= threshold for cue in kept)
    least = {"0 beats": F(0), "1/2 beat": F(1, 2), "3 beats": F(3), "0.3 s": F(3, 5)}[gap]
    # Each event falls on its nearest frame, half a frame away at most.
    assert all(b.start - a.start >= least - F(1, K) for a, b in itertools.pairwise(kept))
    assert [cue.first for cue in laid(every, offset)] == [cue.first for cue in kept][offset::every]


# ---- faults ----


@pytest.mark.parametrize(
    ("text", "line"),
    [
        (clip('bars = "1"', zone="rial"), r'clip\[1\]\.zone: there is no zone "rial" \(did you mean "rail"\?\)'),
        (clip('bars = "1"', zone="shed"), r'clip\[1\]\.zone: there is no zone "shed"; the rig has rail, mast'),
        (phrase("p", 'bars = "1"').replace("rail", "rial"), r'phrase\.p\[1\]\.zone: there is no zone "rial"'),
        (trigger("beats").replace("rail", "rial"), r'trigger\[1\]\.clip\.zone: there is no zone "rial"'),
        (clip('bars = "17"'), r"clip\[1\]: starts at 17\.1, outside the song, which runs from 1\.1 to 17\.1"),
        (clip('at = "0.4"\nfor = "1 beat"'), r"clip\[1\]: starts at 0\.4, outside the song"),
        (clip('bars = "15-18"'), r"clip\[1\]: ends at 19\.1, after the song, which runs from 1\.1 to 17\.1"),
        (clip('at = "3.1"\nto = "2.1"'), r"clip\[1\]: ends at 2\.1, not after its start at 3\.1"),
        (clip('at = "section C"\nfor = "1 bar"'), r'clip\[1\]: the song map has no section "C"'),
        (clip('at = "label dor"\nfor = "1 bar"'), r'clip\[1\]: the song map has no label "dor"; it has door \(did you'),
        (clip('at = "label door[3]"\nfor = "1 bar"'), r'clip\[1\]: the song map has label "door" 2 times, not 3'),
        (phrase("p", 'bars = "1-4"') + '[order]\np = ["3", "16"]',
         r"phrase\.p\[1\]: ends at 20\.1, after the song, .* \(phrase placed at 16\.1\)"),
        (phrase("p", 'bars = "1"') + '[order]\np = ["3", "17"]', r"order\.p\[2\]: 17\.1 is outside the song"),
        (phrase("p", 'bars = "1"') + '[order]\np = "section C"', r'order\.p\[1\]: the song map has no section "C"'),
        (phrase("p", 'bars = "1"') + '[[clip]]\nphrase = "p"\nat = "99"', r"clip\[1\]: 99\.1 is outside the song"),
        (trigger("label dor"), r'trigger\[1\]\.on: the song map has no label "dor" \(did you mean "door"\?\)'),
        (trigger("beats", 'bars = "20-21"'), r"trigger\[1\]: starts at 20\.1, outside the song"),
    ],
)  # fmt: skip
def test_every_fault_says_what_and_where(text: str, line: str) -> None:
    with pytest.raises(Faults, match=rf"\Ascore\.toml: {line}") as raised:
        lay_text(text, HEARD, RIG)
    assert len(raised.value.faults) == 1


def test_a_score_for_another_rig_is_told_once_what_to_do() -> None:
    other = [clip('bars = "1"', zone=name) for name in ("shed", "shed", "pier", "rial")]
    with pytest.raises(Faults) as raised:
        lay_text("".join(other), HEARD, RIG)
    first, *more = raised.value.faults
    assert (first.where, len(more)) == ("rig", 4)
    assert "draft the score anew, over this one (draft --force)" in first.what
    with pytest.raises(Faults) as raised:
        lay_text("".join(other[1:]), HEARD, RIG)
    assert [fault.where for fault in raised.value.faults] == ["clip[1].zone", "clip[2].zone", "clip[3].zone"]


def test_all_faults_of_where_clips_fall_come_at_once() -> None:
    text = clip('bars = "17"') + clip('bars = "1"', zone="rial") + clip('at = "label dor"\nfor = "1 bar"')
    with pytest.raises(Faults, match=r"clip\[2\]\.zone") as raised:
        lay_text(text, HEARD, RIG)
    assert [fault.where for fault in raised.value.faults] == ["clip[2].zone", "clip[1]", "clip[3]"]


@pytest.mark.parametrize(
    "text",
    [
        '[[trigger]]\non = "onsets"\nclip = {zone = "rail", effect = "hold"}',
        '[[trigger]]\non = "kik"\nclip = {zone = "rail", effect = "hold"}',
        "[[trigger]]\non = 5",
        '[[clip]]\n[[clip]]\nphrase = "p"\n[[phrase.p]]\nphrase = "p"\n',
        '[[clip]]\nzone = "rail"\nat = 1.1\nfor = "1 bar"',
        "[order]\np = 5\n[[phrase.p]]\n",
    ],
)
def test_a_score_with_faults_is_laid_as_far_as_it_goes(text: str) -> None:
    # A show's faults are told together: the score's own, and those of where its good clips fall.
    faults = FaultList("score.toml")
    good = clip('bars = "99"')
    score = score_from(tomllib.loads(f'song = "quay.flac"\n{text}\n{good}'), Path("score.toml"), faults)
    own = len(faults.faults)
    assert own > 0
    lay(score, HEARD, RIG, clock_for(HEARD), faults)
    assert any("outside the song" in fault.what for fault in faults.faults[own:])


@pytest.mark.parametrize(
    "text",
    [
        "".join(f'[[phrase.p{i}]]\nphrase = "p{i + 1}"\n' * 9 for i in range(12)) + phrase("p12", 'bars = "1"'),
        '[[phrase.p0]]\nphrase = "p0"\n' * 4,  # in a circle: a fault already, and it must not run for ever
    ],
)
def test_a_show_of_too_many_clips_is_a_fault_and_comes_to_an_end(text: str, monkeypatch: pytest.MonkeyPatch) -> None:
    # 9^12 and 4^16 placings: without an end to it this test never ends.
    monkeypatch.setattr(timeline, "MOST_CUES", 2_000)
    faults = FaultList("score.toml")
    score = score_from(tomllib.loads(f'song = "quay.flac"\n{text}[order]\np0 = "1"'), Path("score.toml"), faults)
    assert lay(score, SONG, RIG, clock_for(SONG), faults) == []
    with pytest.raises(Faults, match=r"score\.toml: more than 2000 clips in one show\Z"):
        faults.raise_if_any()


# ---- in any song ----


def clock_and_cues(text: str, periods: list[float]) -> tuple[FrameClock, list[Cue]]:
    times = [round(t, 6) for t in itertools.accumulate(periods, initial=0.4)]
    song = song_of(times, times[-1] + 0.7)
    clock = clock_for(song, RIG)
    return clock, lay_text(text, song, RIG, clock)


@settings(deadline=None, max_examples=60)
@given(
    st.lists(st.floats(0.25, 0.9), min_size=8, max_size=12),
    st.fractions(0, 6, max_denominator=24),
    st.fractions(F(1, 100), 3, max_denominator=100),
)
def test_cues_stand_on_frames_within_half_a_frame_of_what_was_written(
    periods: list[float], at: Fraction, length: Fraction
) -> None:
    clock, (cue,) = clock_and_cues(clip(f'at = "1.1+{at}"\nfor = "{length} beats"'), periods)
    step = clock.group_at(cue.first).step
    assert 0 <= cue.first < cue.end <= clock.frames
    assert cue.start == clock.frame_beat(cue.first)
    assert abs(cue.start - at) <= step
    assert cue.length > 0 and cue.start + cue.length <= clock.end
    assert abs(cue.start + cue.length - (at + length)) <= 2 * step
