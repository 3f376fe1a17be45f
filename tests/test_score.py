"""The score as written: what may stand in `score.toml`, and every fault that can be told without song or rig."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest
from rooms_kit import score_of

from composer.clock import Moment, Span
from composer.effects.table import EFFECTS
from composer.faults import Faults
from composer.score import Stretch, load_score

CLIP = 'zone = "rail"\neffect = "hold"\n'


def clip(keys: str, effect: str = "hold") -> str:
    return f'[[clip]]\nzone = "rail"\neffect = "{effect}"\n{keys}\n'


def phrase(name: str, keys: str) -> str:
    return f"[[phrase.{name}]]\n{CLIP}{keys}\n"


def placed(inner: str, at: str = "1.1") -> str:
    return f'phrase = "{inner}"\nat = "{at}"\n'


# ---- what may be written ----


def test_a_score_of_one_clip_has_its_defaults() -> None:
    score = score_of(clip('bars = "1-4"'))
    assert (score.title, score.rate, score.seed, score.limiter, score.grid) == ("quay", 40.0, 1, "on", "")
    assert score.rig == Path("rig.toml")
    (block,) = score.clips
    assert (block.where, block.label) == ("clip[1]", "clip[1]")
    assert (block.layer, block.mix, block.opacity) == (1, "replace", 1.0)
    assert (block.fade_in, block.fade_out) == (Span(), Span())
    assert block.stretch == Stretch(Moment("bar", bar=1), Moment("bar", bar=5))


def test_everything_a_clip_may_say() -> None:
    score = score_of(
        clip(
            'name = "glow"\nat = "17.3+1/2"\nfor = "2 bars"\nlayer = -3\nmix = "add"\nopacity = 0.5\n'
            'fade_in = "1 beat"\nfade_out = "0.5 s"\nseed = 7\ncolour = ["ember", "#0f0"]\nevery = "1 bar"\n'
        )
        + '[colour]\nember = "#ff6a00"\n'
    )
    (block,) = score.clips
    assert (block.label, block.layer, block.mix, block.opacity, block.seed) == ("glow", -3, "add", 0.5, 7)
    assert (block.fade_in, block.fade_out) == (Span(beats=Fraction(1)), Span(seconds=Fraction(1, 2)))
    assert block.stretch is not None and block.stretch.length == Span(bars=Fraction(2))
    assert block.params["colour"] == ((1.0, 106 / 255, 0.0), (0.0, 1.0, 0.0))
    assert block.params["every"] == Span(bars=Fraction(1))


@pytest.mark.parametrize(
    ("keys", "stretch"),
    [
        ('bars = "5"', Stretch(Moment("bar", bar=5), Moment("bar", bar=6))),
        ('bars = "1-4"', Stretch(Moment("bar", bar=1), Moment("bar", bar=5))),
        ('bars = " 0 - 2 "', Stretch(Moment("bar", bar=0), Moment("bar", bar=3))),
        ('bars = "41-end"', Stretch(Moment("bar", bar=41), Moment("end"))),
        ('at = "start"\nto = "end - 2 bars"', Stretch(Moment("start"), Moment("end", plus=-Span(bars=Fraction(2))))),
        ('at = "83.5s"\nfor = "250 ms"',
         Stretch(Moment("seconds", seconds=Fraction(167, 2)), None, Span(seconds=Fraction(1, 4)))),
        ('at = "section B[2]"\nfor = "1 beat"', Stretch(Moment("section", name="B", nth=2), None, Span(Fraction(1)))),
    ],
)  # fmt: skip
def test_when_a_clip_is(keys: str, stretch: Stretch) -> None:
    assert score_of(clip(keys)).clips[0].stretch == stretch


def test_phrases_order_and_triggers() -> None:
    score = score_of(
        phrase("chorus", 'bars = "1-4"')
        + "[[phrase.chorus]]\n"
        + placed("fill", "4.1")
        + phrase("fill", 'at = "0.4"\nfor = "1 beat"')
        + '[order]\nchorus = ["17", "41", "section B"]\nfill = "start"\n'
        + '[[trigger]]\non = "onsets low"\nbars = "9-16"\nevery = 2\noffset = 1\nthreshold = 0.3\ngap = "1/2 beat"\n'
        + f'[trigger.clip]\n{CLIP}for = "1 bar"\n[[trigger]]\non = "label the door"\n[trigger.clip]\n{CLIP}'
    )
    assert [block.label for block in score.phrases["chorus"]] == ["chorus[1]", "chorus[2]"]
    assert score.phrases["chorus"][1].phrase == "fill"
    assert [moment.kind for moment in score.order["chorus"]] == ["bar", "bar", "section"]
    assert score.order["fill"] == (Moment("start"),)
    onsets, label = score.triggers
    assert (onsets.event, onsets.of, onsets.every, onsets.offset, onsets.threshold) == ("onsets", "low", 2, 1, 0.3)
    assert (onsets.gap, onsets.clip.label) == (Span(beats=Fraction(1, 2)), "trigger[1]")
    assert onsets.clip.stretch is not None and onsets.clip.stretch.length == Span(bars=Fraction(1))
    assert (label.event, label.of, label.stretch, label.gap) == ("label", "the door", None, Span())
    assert label.clip.stretch is not None and label.clip.stretch.length == Span(beats=Fraction(1))  # a beat unless said
    assert len(list(score.blocks())) == 5


def test_a_phrase_within_a_phrase_starts_with_it_unless_it_says_when() -> None:
    score = score_of(phrase("a", 'bars = "1"') + '[[phrase.b]]\nphrase = "a"\n')
    assert score.phrases["b"][0].stretch == Stretch(Moment("bar", bar=1))


def test_the_seed_of_a_clip_comes_from_what_it_is_and_not_from_its_number() -> None:
    after = score_of(clip('bars = "1"', "scatter"))
    second = score_of(clip('bars = "9"', "drift") + clip('bars = "1"', "scatter"))
    assert after.clips[0].seed == second.clips[1].seed
    assert second.clips[0].seed != second.clips[1].seed
    named = score_of(clip('name = "sparks"\nbars = "1"', "scatter"))
    assert named.clips[0].seed != after.clips[0].seed


def test_files_are_named_from_the_scores_own_folder(tmp_path: Path) -> None:
    file = tmp_path / "score.toml"
    file.write_text(f'song = "../songs/quay.ogg"\nrig = "front/rig.toml"\n{clip(chr(10))}bars = "1"', encoding="utf-8")
    score = load_score(file)
    assert score.song == tmp_path / "../songs/quay.ogg" and score.rig == tmp_path / "front/rig.toml"
    assert score.title == "quay"
    file.write_text('songs = "quay.ogg"\n', encoding="utf-8")
    with pytest.raises(Faults, match=r'score\.toml: songs: unknown key \(did you mean "song"\?\)') as raised:
        load_score(file)
    assert [str(fault.where) for fault in raised.value.faults] == ["song", "songs"]


# ---- faults ----


@pytest.mark.parametrize(
    ("text", "line"),
    [
        # times
        (clip("at = 17.1\nfor = '1 bar'"), r'clip\[1\]\.at: a musical time needs quotes: at = "17\.1"\Z'),
        (clip("bars = 5"), r'clip\[1\]\.bars: a musical time needs quotes: bars = "5"\Z'),
        (clip("at = '17'\nfor = 2"), r'clip\[1\]\.for: a musical time needs quotes: for = "2 beats"\Z'),
        (clip("bars = '1'\nfade_in = 0.5"), r'clip\[1\]\.fade_in: a musical time needs quotes: fade_in = "0\.5 beats"'),
        (clip("at = 17:30:00\nfor = '1 bar'"), r'clip\[1\]\.at: needs a time in quotes such as "17\.3", got a time\Z'),
        (clip("at = ['17']\nfor = '1 bar'"), r"clip\[1\]\.at: needs a time in quotes .* got a list"),
        (clip("at = 'soon'\nfor = '1 bar'"), r'clip\[1\]\.at: "soon" is not a musical time: write "17\.3"'),
        (clip("at = '17'\nfor = '2'"), r'clip\[1\]\.for: "2" is not a length: write "2 bars"'),
        (clip("at = '17'\nfor = '0 beats'"), r"clip\[1\]\.for: a length is more than nothing"),
        (clip("at = '17'\nto = 19"), r'clip\[1\]\.to: a musical time needs quotes: to = "19"'),
        (clip("bars = '4-1'"), r'clip\[1\]\.bars: "4-1" runs backwards'),
        (clip("bars = '1 to 4'"), r'clip\[1\]\.bars: "1 to 4" is not a run of bars: write "5", "1-4" or "41-end"'),
        (clip(f"bars = '{'9' * 5000}'"), r"clip\[1\]\.bars: .* is not a run of bars"),  # Python's int ends at 4300
        (clip("bars = '1'\nat = '1.1'"), r"clip\[1\]\.at: bars already says when: drop bars or at"),
        (clip("bars = '1'\nfor = '1 bar'"), r"clip\[1\]\.for: bars already says when: drop bars or for"),
        (clip("at = '1'\nfor = '1 bar'\nto = '2'"), r"clip\[1\]\.to: for already says how long: drop for or to"),
        (clip(""), r'clip\[1\]\.at: is missing: say when, at = "17\.1" with for = "2 bars", or bars = "17-18"'),
        (clip("for = '1 bar'"), r"clip\[1\]\.at: is missing: say when"),
        (clip("at = '1.1'"), r'clip\[1\]\.for: is missing: say how long, for = "2 bars" or to = "19\.1"'),
        # clips
        (clip("bars = '1'", "flash"), r'clip\[1\]\.effect: "flash" is not one of hold, blend, '),
        (clip("bars = '1'", "accnt"), r'clip\[1\]\.effect: "accnt" is not one of .* \(did you mean "accent"\?\)'),
        ("[[clip]]\nzone = 'rail'\nbars = '1'", r"clip\[1\]\.effect: is missing"),
        ("[[clip]]\nzone = 'rail'\nefect = 'hold'\nbars = '1'",
         r'clip\[1\]\.efect: unknown key \(did you mean "effect"\?\)'),
        ("[[clip]]\nzone = 'rail'\neffect = 5\nbars = '1'", r"clip\[1\]\.effect: needs text in quotes"),
        ("[[clip]]\neffect = 'hold'\nbars = '1'", r"clip\[1\]\.zone: is missing"),
        (clip("bars = '1'\nmix = 'over'"), r'clip\[1\]\.mix: "over" is not one of replace, add, max'),
        (clip("bars = '1'\nopacity = 2"), r"clip\[1\]\.opacity: 2 is out of range, 0 to 1"),
        (clip("bars = '1'\nlayer = 1.5"), r"clip\[1\]\.layer: needs a whole number, got the number 1\.5"),
        (clip("bars = '1'\ncolur = 'red'"), r'clip\[1\]\.colur: unknown key \(did you mean "colour"\?\)'),
        (clip("bars = '1'\ncolour = 'ambr'") + "[colour]\namber = '#fa0'",
         r'clip\[1\]\.colour: there is no colour "ambr" \(did you mean "amber"\?\)'),
        (clip("bars = '1'\ncolour = '#ff6a0'"), r'clip\[1\]\.colour: "#ff6a0" is not a colour'),
        (clip("bars = '1'\nevery = 2"),
         r'clip\[1\]\.every: a length of time needs quotes and a unit: every = "2 beats"'),
        (clip("bars = '1'\nname = 'a'") * 2, r'clip\[2\]\.name: "a" is already the name of clip\[1\]'),
        (clip("bars = '1'\nname = 'a'") + phrase("p", "bars = '1'\nname = 'a'"),
         r'phrase\.p\[1\]\.name: "a" is already the name of clip\[1\]'),
        # colours
        ("[colour]\nember = 5", r'colour\.ember: needs a colour such as "#ff6a00", got the number 5'),
        ("[colour]\nember = 'gold'\nwarm = ['ember', 'red']",
         r'colour\.warm: "ember" is a name of \[colour\] itself: write its colours here too'),
        ("[colour]\nember = ['red', 'ambr']", r'colour\.ember: there is no colour "ambr"'),
        # phrases
        ("[[clip]]\n" + placed("chrous") + phrase("chorus", "bars = '1'"),
         r'clip\[1\]\.phrase: there is no phrase "chrous" \(did you mean "chorus"\?\)'),
        ("[[clip]]\nphrase = 'a'\n" + phrase("a", "bars = '1'"),
         r'clip\[1\]\.at: is missing: say where the phrase starts, at = "17\.1"'),
        ("[[clip]]\n" + placed("a") + "for = '2 bars'\n" + phrase("a", "bars = '1'"),
         r"clip\[1\]\.for: a phrase lasts as long as its clips: drop for"),
        ("[[clip]]\n" + placed("a") + "zone = 'rail'\n" + phrase("a", "bars = '1'"), r"clip\[1\]\.zone: unknown key"),
        (phrase("a", "at = '83s'\nfor = '1 bar'"),
         r'phrase\.a\[1\]\.at: "83s": inside a phrase, times are bars and beats from its own start, such as "1\.1"'),
        (phrase("a", "at = '1'\nto = 'end'"), r'phrase\.a\[1\]\.to: "end": inside a phrase'),
        (phrase("a", "bars = '1-end'"), r'phrase\.a\[1\]\.bars: "1-end": a phrase has no end of its own'),
        ("[phrase]\na = []", r"phrase\.a: needs \[\[phrase\.a\]\] blocks, got a list"),
        ("[phrase.a]\nzone = 'rail'", r"phrase\.a: needs \[\[phrase\.a\]\] blocks, got a table"),
        ("[[phrase.a]]\n" + placed("a"), r"phrase\.a: phrases go round in a circle: a -> a\Z"),
        ("[[phrase.a]]\n" + placed("b") + "[[phrase.b]]\n" + placed("c") + "[[phrase.c]]\n" + placed("a"),
         r"\Ascore\.toml: phrase\.a: phrases go round in a circle: a -> b -> c -> a\Z"),
        # order
        ("[order]\nchrous = '17'\n" + phrase("chorus", "bars = '1'"),
         r'order\.chrous: there is no phrase "chrous" \(did you mean "chorus"\?\)'),
        ("[order]\na = 17\n" + phrase("a", "bars = '1'"), r'order\.a: a musical time needs quotes: "17"'),
        ("[order]\na = ['1', 17.3]\n" + phrase("a", "bars = '1'"),
         r'order\.a\[2\]: a musical time needs quotes: "17\.3"'),
        ("[order]\na = ['1', 'x']\n" + phrase("a", "bars = '1'"), r'order\.a\[2\]: "x" is not a musical time'),
        ("[order]\na = true\n" + phrase("a", "bars = '1'"),
         r'order\.a: needs a time in quotes such as "17\.1", got true'),
        # triggers
        ("[[trigger]]\n[trigger.clip]\n" + CLIP, r"trigger\[1\]\.on: is missing"),
        ("[[trigger]]\non = 'kik'\n[trigger.clip]\n" + CLIP,
         r'trigger\[1\]\.on: "kik" is not one of beats, bars, onsets, .* \(did you mean "kick"\?\)'),
        ("[[trigger]]\non = 'onsets'\n[trigger.clip]\n" + CLIP, r'trigger\[1\]\.on: onsets need a band, "onsets low"'),
        ("[[trigger]]\non = 'onsets bass'\n[trigger.clip]\n" + CLIP, r'onsets need a band, .* got "onsets bass"'),
        ("[[trigger]]\non = 'label'\n[trigger.clip]\n" + CLIP, r"trigger\[1\]\.on: needs the name of a label"),
        ("[[trigger]]\non = 'kick low'\n[trigger.clip]\n" + CLIP,
         r'trigger\[1\]\.on: "kick low": kick takes nothing after it \(did you mean "kick"\?\)'),
        ("[[trigger]]\non = 'kick'", r"trigger\[1\]\.clip: is missing: what to lay on every event"),
        ("[[trigger]]\non = 'kick'\nclip = 5", r"trigger\[1\]\.clip: needs a table, got the number 5"),
        ("[[trigger]]\non = 'kick'\n[trigger.clip]\nbars = '1'\n" + CLIP,
         r"trigger\[1\]\.clip\.bars: the trigger says when"),
        ("[[trigger]]\non = 'kick'\n[trigger.clip]\nphrase = 'a'\n" + phrase("a", "bars = '1'"),
         r"trigger\[1\]\.clip\.phrase: a trigger lays a clip, not a phrase"),
        ("[[trigger]]\non = 'kick'\nat = '9'\n[trigger.clip]\n" + CLIP, r"trigger\[1\]\.for: is missing: say how long"),
        ("[[trigger]]\non = 'kick'\nevery = 0\n[trigger.clip]\n" + CLIP, r"trigger\[1\]\.every: 0 is out of range"),
        ("[[trigger]]\non = 'kick'\nevery = '2 beats'\n[trigger.clip]\n" + CLIP,
         r'trigger\[1\]\.every: needs a whole number, got the text "2 beats"'),
        ("[[trigger]]\non = 'kick'\nthreshold = 2\n[trigger.clip]\n" + CLIP,
         r"trigger\[1\]\.threshold: 2 is out of range"),
        ("[[trigger]]\non = 'kick'\ngap = 1\n[trigger.clip]\n" + CLIP, r'trigger\[1\]\.gap: .* gap = "1 beat"'),
        # the rest
        ("format = 2", r"format: this version reads format = 1"),
        ("rate = 1000", r"rate: 1000 is out of range, 5 to 240"),
        ("limiter = 'maybe'", r'limiter: "maybe" is not one of on, warn, off'),
        ("seed = -1", r"seed: -1 is out of range"),
        ("clips = 5", r'clips: unknown key \(did you mean "clip"\?\)'),
        ("clip = 5", r"clip: needs \[\[clip\]\] blocks, got the number 5"),
        ("order = 5", r"order: needs a table, got the number 5"),
        ("phrase = 5", r"phrase: needs a table, got the number 5"),
        ("colour = 5", r"colour: needs a table, got the number 5"),
    ],
)  # fmt: skip
def test_every_fault_says_what_and_where(text: str, line: str) -> None:
    with pytest.raises(Faults, match=line):
        score_of(text)


def test_an_unknown_effect_does_not_make_its_parameters_unknown_too() -> None:
    with pytest.raises(Faults, match=r"accnt") as raised:
        score_of(clip("bars = '1'\ndecay = '1 beat'", "accnt"))
    assert len(raised.value.faults) == 1


def test_a_colour_that_is_none_is_told_where_it_is_written_and_not_at_each_use() -> None:
    colours = "[colour]\nlamp = '#zz0'\nwarm = ['red', 'ambr']\nsea = 'lamp'\n"
    uses = "".join(clip(f"bars = '1'\ncolour = '{name}'") for name in ("lamp", "warm", "sea"))
    with pytest.raises(Faults) as raised:
        score_of(uses + colours)
    assert [fault.where for fault in raised.value.faults] == ["colour.lamp", "colour.warm", "colour.sea"]


def test_phrases_nested_too_deep_are_a_fault_whatever_the_order_they_are_written_in() -> None:
    chain = ["[[phrase.p0]]\n" + CLIP + "bars = '1'\n"]
    chain += [f"[[phrase.p{i}]]\n" + placed(f"p{i - 1}") for i in range(1, 17)]
    for text in ("".join(chain), "".join(reversed(chain))):
        with pytest.raises(Faults, match=r"phrase\.p16: phrases are nested more than 16 deep"):
            score_of(text)
    assert len(score_of("".join(chain[:16])).phrases) == 16


def test_phrases_that_all_place_each_other_are_checked_in_no_time() -> None:
    # 2^40 ways through them: each is looked at once.
    text = phrase("p0", "bars = '1'")
    text += "".join(f"[[phrase.p{i}]]\n{placed(f'p{max(0, i - 3)}')}" * 2 for i in range(1, 40))
    assert len(score_of(text).phrases) == 40


def test_a_long_chain_of_phrases_is_a_fault_and_no_crash() -> None:
    text = "".join(f"[[phrase.p{i}]]\n" + placed(f"p{i + 1}") for i in range(2000)) + phrase("p2000", "bars = '1'")
    with pytest.raises(Faults, match=r"phrases are nested more than 16 deep"):
        score_of(text)


def test_all_faults_of_a_score_come_at_once() -> None:
    text = (
        clip("at = 1\nfor = 1\nmix = 'x'") + phrase("a", "at = 'soon'\nfor = '1 bar'") + "[order]\nb = '1'\n"
        "[[trigger]]\non = 'kik'\nclip = {zone = 'rail', effect = 'hld'}\n[colour]\nred2 = 'rde'\n"
    )
    with pytest.raises(Faults, match=r"clip\[1\]\.at") as raised:
        score_of(text)
    assert {fault.where for fault in raised.value.faults} == {
        "clip[1].at", "clip[1].for", "clip[1].mix", "phrase.a[1].at", "order.b", "trigger[1].on",
        "trigger[1].clip.effect", "colour.red2",
    }  # fmt: skip


@pytest.mark.parametrize("effect", EFFECTS)
def test_every_parameter_of_every_effect_is_read_and_can_be_part_of_a_key(effect: str) -> None:
    (block,) = score_of(clip('bars = "1"', effect)).clips
    assert set(block.params) == {param.key for param in EFFECTS[effect].params}
    assert len({tuple(block.params.items())}) == 1  # a TypeError if any is not hashable
