"""Bad text in a show: one clear line a fault, all faults at once, exit code 2, nothing written, no traceback."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from shows import RIG, SCORE, SCORE_BY_EAR, command, listing, make_show

from composer.cli import main


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The small show before it is baked."""
    return make_show(tmp_path_factory.mktemp("sound") / "tide")


def broken(sound: Path, folder: Path, changes: list[tuple[str, str, str]]) -> Path:
    """A copy of the show with `old` replaced by `new` in its files, (file, old, new)."""
    show = shutil.copytree(sound, folder / "tide")
    for file, old, new in changes:
        text = (show / file).read_text(encoding="utf-8")
        assert text.count(old) == 1, f"{old!r} stands {text.count(old)} times in {file}"
        (show / file).write_text(text.replace(old, new), encoding="utf-8")
    return show


# old, new, how the one line begins after the file's name
IN_SCORE = [
    ("[colour]", "[colour", "line 7 column 8: not TOML: Expected ']'"),
    ('"#ff6a00"', '"#ff6a00"\nember = "#ff0000"', "line 9 column 18: not TOML: ember is wr"),
    ('every = "1 beat"', 'evry = "1 beat"', 'phrase.wave[1].evry: unknown key (did you mean "every"?)'),
    ("limiter =", "limitter =", 'limitter: unknown key (did you mean "limiter"?)'),
    ("[order]", "[ordr]", 'ordr: unknown key (did you mean "order"?)'),
    ('"drift"', '"drfit"', 'phrase.wave[2].effect: "drfit" is not one of'),
    ('"mast"', '"mats"', 'clip[1].zone: there is no zone "mats" (did you mean "mast"?)'),
    ('wave = ["1", "5"]', 'wvae = ["1"]', 'order.wvae: there is no phrase "wvae" (did you mean "wave"?)'),
    ('["ember", "white"]', '["embre", "white"]', "phrase.wave[1].colour"),
    ('on = "beats"', 'on = "beets"', 'trigger[1].on: "beets" is not one of'),
    ('on = "beats"', 'on = "label door"', 'trigger[1].on: the song map has no label "door"'),
    ('["1", "5"]', '["1", "section C"]', 'order.wave[2]: the song map has no section "C"'),
    ("layer = 2", 'layer = "two"', 'clip[2].layer: needs a whole number, got the text "two"'),
    ('[[clip]]\nname = "white"', '[order.clip]\nname = "white"', 'order.clip: there is no phrase "clip"'),
    ("opacity = 0.5", "opacity = 50", "clip[1].opacity: 50 is out of range, 0 to 1"),
    ('bars = "4"', "bars = 4", 'clip[2].bars: a musical time needs quotes: bars = "4"'),
    ('bars = "4"', 'at = 4.1\nfor = "1 bar"', 'clip[2].at: a musical time needs quotes: at = "4.1"'),
    ('["1", "5"]', '["1", 5]', 'order.wave[2]: a musical time needs quotes: "5"'),
    ('bars = "4"', 'at = "four"\nfor = "1 bar"', 'clip[2].at: "four" is not a musical time'),
    ('bars = "4"', 'at = "4"\nfor = "long"', 'clip[2].for: "long" is not a length'),
    ('bars = "1-8"', 'bars = "8-1"', 'clip[1].bars: "8-1" runs backwards'),
    ('bars = "4"', 'bars = "40-44"', "clip[2]: starts at 40.1, outside the song, which runs from 1.1 to 9.1"),
    ('bars = "1-8"', 'bars = "1-80"', "clip[1]: ends at 81.1, after the song, which runs from 1.1 to 9.1"),
    ('["1", "5"]', '["1", "50"]', "order.wave[2]: 50.1 is outside the song"),
    ('name = "white"', 'name = "glow"', 'clip[2].name: "glow" is already the name of clip[1]'),
    (
        "[order]",
        '[[phrase.wave]]\nphrase = "wave"\nat = "1.1"\n[order]',
        "phrase.wave: phrases go round in a circle: wave -> wave",
    ),
    (
        "[order]",
        '[[phrase.wave]]\nphrase = "ebb"\nat = "1.1"\n[[phrase.ebb]]\nphrase = "wave"\nat = "1.1"\n[order]',
        "phrase.wave: phrases go round in a circle: wave -> ebb -> wave",
    ),
    ('zone = "mast"', 'zone = ""', "clip[1].zone: is empty: it needs the name of a zone"),
    ('zone = "mast"', 'zone = "mast"\nonly = ""', "clip[1].only: is empty: it needs the name of a zone"),
    ("[order]", '[[phrase.wave]]\nphrase = ""\n[order]', "phrase.wave[3].phrase: is empty: it needs the name of a ph"),
    ('on = "beats"', 'on = ""', 'trigger[1].on: "" is not one of'),
    ('on = "beats"', 'on = "label"', "trigger[1].on: needs the name of a label"),
    ('on = "beats"', 'on = "midi 17/1"', 'trigger[1].on: "midi 17/1" is not a note'),
    ('bars = "4"', 'at = "4"\nfor = "0 beats"', "clip[2].for: a length is more than nothing"),
    (
        'bars = "1-2"\nevery',
        'at = "section C"\nfor = "1 bar"\nevery',
        'phrase.wave[1].at: "section C": inside a phrase',
    ),
    ("format = 1", "format = 2", "format: this version reads format = 1"),
    ('"tide.wav"', '"/"', 'song: "/": this is a folder, not a song'),
]
IN_RIG = [
    ("volts = 5.0", "volts = 5.0.0", "line 4 column 12: not TOML"),
    ("[string.mast]", "[string.rail]", "line 32 column 13: not TOML: [string.rail] s"),
    ("fuse = 5", "fues = 5", 'string.rail.feed[1].fues: unknown key (did you mean "fuse"?)'),
    ('"ws2812b"', '"ws2821b"', 'string.rail.chip: "ws2821b" is not one of'),
    ('"esp32"', '"esp23"', 'controller.deck.board: "esp23" is not one of'),
    (
        'controller = "deck"',
        'controller = "dekc"',
        'string.boom.controller: there is no controller "dekc" (did you mean "deck"?)',
    ),
    ("amps = 10.0", 'amps = "10 A"', 'supply.shed.amps: needs a number, got the text "10 A"'),
    ("amps = 10.0", "amps = nan", "supply.shed.amps: needs a number, got the number nan"),
    ("rail[0:30]", "rail[30:90]", 'zone.left[1]: "rail[30:90]" reaches outside rail, which has pixels 0-59'),
    ('"rail[0:30]"', '"rail[0:30]", "rail[20:40]"', "zone.left: holds 10 pixels twice: its parts overlap"),
    ("left = ", 'boom = ["mast"]\nleft = ', "zone.boom: a string of this name is already a zone"),
    ('"rail[0:30]"', '"rial[0:30]"', 'zone.left[1]: there is no string or zone "rial" (did you mean "rail"?)'),
    ("pin = 17", "pin = 16", 'string.mast.pin: pin 16 of "quay" already drives "rail": strings overlap'),
    ("pin = 17", "pin = 40", "string.mast.pin: pico cannot drive a string from pin 40"),
    ('"20-23"', '"20-24"', "string.mast.skip: 20-24 is outside the string's pixels 0-23"),
    ("{awg = 16, metres = 1.5}", '"16 awg"', "string.rail.feed[1].wire: needs a table, got the text"),
    ("volts = 12.0", "volts = 5.0", "string.boom.feed[1].supply: boat gives 5 V, ws2815 needs 9.5-13.5 V"),
]
CASES = [("score.toml", *case) for case in IN_SCORE] + [("rig.toml", *case) for case in IN_RIG]


@pytest.mark.parametrize(("file", "old", "new", "says"), CASES, ids=[case[-1] for case in CASES])
def test_one_clear_line_a_fault(
    sound: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    file: str,
    old: str,
    new: str,
    says: str,
) -> None:
    show = broken(sound, tmp_path, [(file, old, new)])
    before = listing(show)
    assert main(["bake", str(show)]) == 2
    told = capsys.readouterr()
    assert told.err.startswith(f"{show / file}: {says}")
    assert told.out == "" and len(told.err.splitlines()) == 1
    assert listing(show) == before


RECOLOURED = {  # what takes the colours of clips up again, in the cues that are laid
    "by a section": '[palette.A]\nwhite = "teal"\n',
    "by a placing": '[[clip]]\nphrase = "wave"\nat = "3"\ncolours = {white = "teal"}\n',
}


@pytest.mark.parametrize("more", RECOLOURED)
@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('["ember", "white"]', '["white", ""]'),
        ('["ember", "white"]', '["white", "goldd"]'),
        ('ember = "#ff6a00"', 'ember = ""'),
    ],
)
def test_a_word_that_is_no_colour_is_a_fault_where_colours_are_swapped_too(
    sound: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], old: str, new: str, more: str
) -> None:
    show = broken(sound, tmp_path, [("score.toml", old, new)])
    with (show / "score.toml").open("a", encoding="utf-8") as file:
        file.write(RECOLOURED[more])
    assert main(["check", str(show)]) == 2
    assert "colour" in capsys.readouterr().err


MANY = [
    ("score.toml", '"drift"', '"drfit"'),
    ("score.toml", '"mast"', '"mats"'),
    ("score.toml", 'bars = "4"', "at = 4.1\nfor = 2"),
    ("score.toml", "layer = 2", "layre = 2"),
    ("rig.toml", "pin = 17", "pin = 16"),
    ("rig.toml", "amps = 10.0", "amps = -1"),
    ("rig.toml", "fuse = 5", "fuse = true"),
]
MANY_SAY = {
    "score.toml": ["phrase.wave[2].effect", "clip[1].zone", "clip[2].at", "clip[2].for", "clip[2].layre"],
    "rig.toml": ["string.mast.pin", "supply.shed.amps", "string.rail.feed[1].fuse"],
}


@pytest.mark.parametrize("verb", ["check", "bake", "film"])
def test_all_faults_of_all_files_at_once(
    sound: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], verb: str
) -> None:
    show = broken(sound, tmp_path, MANY)
    (show / "tide.wav").write_bytes(b"")
    (show / "tide.fix.toml").write_text('tempo = "slow"\n', encoding="utf-8")
    before = listing(show)
    assert main([verb, str(show)]) == 2
    told = capsys.readouterr().err.splitlines()
    for file, places in MANY_SAY.items():
        found = [line.split(": ")[1] for line in told if line.startswith(f"{show / file}: ")]
        assert sorted(found) == sorted(places)
    assert [line for line in told if "tide.fix.toml: tempo: needs a number" in line]
    assert len(told) == sum(map(len, MANY_SAY.values())) + 1
    assert listing(show) == before


def test_score_and_rig_that_are_not_toml_are_both_told(
    sound: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    show = broken(sound, tmp_path, [("score.toml", "[order]", "[order"), ("rig.toml", "[zone]", "zone]")])
    assert main(["bake", str(show)]) == 2
    files = [line.split(": ")[0] for line in capsys.readouterr().err.splitlines()]
    assert files == [str(show / "score.toml"), str(show / "rig.toml")]


@pytest.mark.parametrize(
    ("file", "content", "says"),
    [
        ("score.toml", None, "no such file: with a song in the folder, glowscore draft "),
        ("score.toml", b"", "song: is missing"),
        ("score.toml", b"\xff\xfe\x00", "byte 0: this is not UTF-8 text"),
        ("score.toml", b"a = " + b"[" * 3000, "not TOML"),
        ("rig.toml", None, "no such file"),
        ("rig.toml", b"\x00", "line 1 column 1: not TOML"),
    ],
)
def test_files_missing_empty_or_not_text(
    sound: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], file: str, content: bytes | None, says: str
) -> None:
    show = shutil.copytree(sound, tmp_path / "tide")
    (show / file).unlink()
    if content is not None:
        (show / file).write_bytes(content)
    before = listing(show)
    assert main(["bake", str(show)]) == 2
    told = capsys.readouterr().err
    assert told.startswith(f"{show / file}: ") and says in told and len(told.splitlines()) == 1
    assert listing(show) == before


def test_a_damaged_map_is_made_anew(tmp_path: Path) -> None:
    show = make_show(tmp_path / "tide", score=SCORE_BY_EAR)
    (show / "tide.map.json").write_text('{"version": 1', encoding="utf-8")
    assert main(["check", str(show)]) == 0
    assert (show / "tide.map.json").stat().st_size > 1000


@pytest.mark.parametrize(("file", "old", "new", "says"), [CASES[0], CASES[4], CASES[-1]])
def test_a_shell_sees_the_same(sound: Path, tmp_path: Path, file: str, old: str, new: str, says: str) -> None:
    show = broken(sound, tmp_path, [(file, old, new)])
    done = command("bake", show)
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.startswith(f"{show / file}: {says}") and len(done.stderr.splitlines()) == 1


# ---- whatever a person may type ----------------------------------------------------------------------------------

VALUES = [
    "1", "-1", "0", "0.5", "1e99", "-0.0", "inf", "nan", "99999999999999999999", "true", '""', '"1.1"', '"end"', '"x"',
    '"2 bars"', '"-1 beat"', '"1/0 beat"', '"end - 900 bars"', '"section A[0]"', '"rail[5:2]"', '"rail[0:9:0]"',
    '"\\u0007"', "[]", "[[]]", "[1, 2]", '["1", "1"]', '["ember", 5]', '["all", "all"]', "{}", "{a = 1}", "1979-05-27",
    '"ws2815"', '"apa102"', '"tide.wav"', '"#ff6a0"', '"0-99999999"', '"🌊"',
]  # fmt: skip
LINES = [
    (file, number)
    for file, text in (("score.toml", SCORE), ("rig.toml", RIG))
    for number, line in enumerate(text.splitlines())
    if " = " in line
]


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.dictionaries(st.sampled_from(LINES), st.sampled_from(VALUES), min_size=1, max_size=3))
def test_any_value_at_any_key_is_taken_or_told(
    sound: Path, capsys: pytest.CaptureFixture[str], changes: dict[tuple[str, int], str]
) -> None:
    texts = {"score.toml": SCORE.splitlines(), "rig.toml": RIG.splitlines()}
    for (file, number), value in changes.items():
        texts[file][number] = texts[file][number].partition(" = ")[0] + " = " + value
    for file, lines in texts.items():
        (sound / file).write_text("\n".join(lines) + "\n", encoding="utf-8")
    code = main(["check", str(sound)])
    told = capsys.readouterr().err.splitlines()
    (sound / "score.toml").write_text(SCORE, encoding="utf-8")
    (sound / "rig.toml").write_text(RIG, encoding="utf-8")
    assert code == (2 if told else 0)
    assert all(line.startswith(str(sound)) and ": " in line for line in told)


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.sampled_from(["score.toml", "rig.toml"]), st.data())
def test_any_slip_of_the_hand_is_taken_or_told(
    sound: Path, capsys: pytest.CaptureFixture[str], file: str, data: st.DataObject
) -> None:
    text = {"score.toml": SCORE, "rig.toml": RIG}[file]
    at = data.draw(st.integers(0, len(text) - 1))
    lost = data.draw(st.integers(0, 12))
    typed = data.draw(st.text(st.sampled_from('[]{}=".#\n 019-aZ"'), max_size=4))
    (sound / file).write_text(text[:at] + typed + text[at + lost :], encoding="utf-8")
    code = main(["check", str(sound)])
    told = capsys.readouterr().err.splitlines()
    (sound / file).write_text(text, encoding="utf-8")
    assert code == (2 if told else 0)
    assert all(line.startswith(str(sound)) and ": " in line for line in told)
