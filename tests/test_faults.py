"""Faults of what a person wrote: every one at once, each a line that says what, where, and the word that was meant."""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from composer.faults import Fault, FaultList, Faults, Table, is_number, kind_of, nearest, parse_toml, read_toml


def read(content: Any) -> tuple[Table, FaultList]:
    faults = FaultList("rig.toml")
    return Table(content, "supply.shed", faults), faults


def lines(faults: FaultList) -> list[str]:
    return [str(fault) for fault in faults.faults]


# ---- lines ----


def test_a_fault_is_file_place_what_and_hint() -> None:
    assert str(Fault("rig.toml", "supply.shed", "is missing", '"amps"')) == (
        'rig.toml: supply.shed: is missing (did you mean "amps"?)'
    )
    assert str(Fault("rig.toml", "", "no such file")) == "rig.toml: no such file"


def test_a_fault_stays_one_line_whatever_was_written() -> None:
    assert str(Fault("rig.toml", "supply", "needs a number, got " + kind_of("five\nor\u2028six"))) == (
        'rig.toml: supply: needs a number, got the text "five or six"'
    )


def test_all_faults_come_in_one_exception_each_once_in_the_order_found() -> None:
    faults = FaultList("rig.toml")
    faults.add("b", "wrong")
    faults.add("a", "wrong")
    faults.add("b", "wrong")
    with pytest.raises(Faults, match=r"\Arig.toml: b: wrong\nrig.toml: a: wrong\Z") as raised:
        faults.raise_if_any()
    assert [fault.where for fault in raised.value.faults] == ["b", "a"]


def test_without_faults_nothing_is_raised() -> None:
    FaultList("rig.toml").raise_if_any()


# ---- nearest ----


@pytest.mark.parametrize(
    ("word", "known", "meant"),
    [
        ("voltz", ["volts", "amps"], '"volts"'),
        ("RAIL", ["rail", "mast"], '"rail"'),
        ("rial", ["Rail"], '"Rail"'),
        ("xylophone", ["rail", "mast"], ""),
        ("rail", [], ""),
    ],
)
def test_the_nearest_word_is_named_without_regard_to_case(word: str, known: list[str], meant: str) -> None:
    assert nearest(word, known) == meant


# ---- reading text ----


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("volts = 5\nvolts = 6\n", r"rig.toml: line 2 column \d+: not TOML: volts is written a second time: drop"),
        ("a = 1\nb = [\n1]\na = [\n2,\n3]\n", r"rig.toml: line 6 column \d+: not TOML: a is written a second time"),
        ("[x]\na = 1\n[y]\n[x.a]\n", r"rig.toml: line 4 column \d+: not TOML: \[x.a\] is written a second time: drop"),
        ("[x.y]\n[x.y]\n", r"rig.toml: line 2 column \d+: not TOML: \[x.y\] stands here a second time: put both"),
        ("a = 1\nbars = 5-8", r'rig.toml: line 2 column 9: not TOML: text and times stand in quotes: bars = "5-8"'),
        ("every = 1/2 beat  # slow", r'not TOML: text and times stand in quotes: every = "1/2 beat"\Z'),
        ("start = 17:30", r'not TOML: text and times stand in quotes: start = "17:30"'),
        ("colour = #ff6a00", r'not TOML: text and times stand in quotes: colour = "#ff6a00"'),
        ("bars = \u201c1-4\u201d", r'not TOML: quotes are plain ones: bars = "1-4"'),
        ("together = True", r"not TOML: true and false are written small: together = true"),
        ("opacity = -.5", r"not TOML: a number begins with a digit: opacity = -0\.5"),
        ("a = true\na = true", r"not TOML: a is written a second time"),
        (
            "[x]\na = 1\n[[x]]\na = 2\n",
            r"stands here after \[x\]: blocks that repeat have two brackets each, \[\[ \]\]",
        ),
        ("clip = {zone = rail}", r"not TOML: Invalid value: text and times stand in quotes, numbers are written"),
        ("wire = {awg = 14 metres = 2}", r"not TOML: Unclosed inline table: { } has commas between its keys"),
        ("cut = [50 100]", r"not TOML: Unclosed array: \[ \] has commas between its items\Z"),
        ("volts = 5.0.0", r"not TOML: Expected newline"),
        ("volts = = 5", r"rig.toml: line 1 column 9: not TOML: Invalid value"),
        ("[supply", r"rig.toml: .*: not TOML: Expected"),
        ("a = " + "[" * 5000, r"\Arig.toml: not TOML: nested too deeply\Z"),
        ("a = 1" + "0" * 5000, r"\Arig.toml: holds a number that is too long\Z"),
    ],
)
def test_text_that_is_no_toml_is_one_line_with_its_place(text: str, line: str) -> None:
    with pytest.raises(Faults, match=line) as raised:
        parse_toml(text, "rig.toml")
    assert len(raised.value.faults) == 1 and "\n" not in str(raised.value)


def test_files_that_cannot_be_read_say_why(tmp_path: Path) -> None:
    with pytest.raises(Faults, match=r"absent\.toml: no such file\Z"):
        read_toml(tmp_path / "absent.toml")
    with pytest.raises(Faults, match=r": this is a folder, not a file\Z"):
        read_toml(tmp_path)
    latin = tmp_path / "latin.toml"
    latin.write_bytes(b'title = "Kai' + b'\xe4"\n')
    with pytest.raises(Faults, match=r"latin\.toml: byte 12: this is not UTF-8 text\Z"):
        read_toml(latin)


def test_a_byte_order_mark_is_no_fault(tmp_path: Path) -> None:
    file = tmp_path / "rig.toml"
    file.write_bytes(b"\xef\xbb\xbfformat = 1\n")
    assert read_toml(file) == {"format": 1}


@given(st.text(max_size=60))
def test_any_text_is_read_or_is_a_fault_of_one_line(text: str) -> None:
    try:
        assert isinstance(parse_toml(text, "rig.toml"), dict)
    except Faults as error:
        assert len(error.faults) == 1 and str(error).startswith("rig.toml: ")


# ---- tables ----


def test_good_values_come_as_they_are_and_whole_numbers_as_floats_where_numbers_are_wanted() -> None:
    table, faults = read({"name": "shed", "on": True, "volts": 5, "pixels": 7, "chip": "b", "at": [1, 2]})
    assert table.text("name") == "shed"
    assert table.flag("on") is True
    assert table.number("volts", low=3, high=24) == 5.0 and isinstance(table.number("volts"), float)
    assert table.whole("pixels", low=7, high=7) == 7
    assert table.choice("chip", ["a", "b"]) == "b"
    assert table.list_of("at", "numbers", is_number) == [1, 2]
    table.finish()
    assert lines(faults) == []


def test_what_is_no_table_has_that_one_fault() -> None:
    faults = FaultList("rig.toml")
    table = Table("14 awg", "string.rail.feed[1].wire", faults)
    assert table.number("metres", low=0.01) == 0.01
    table.fault("", "needs either awg or mm2")
    assert not table.sound("metres")
    assert lines(faults) == ['rig.toml: string.rail.feed[1].wire: needs a table, got the text "14 awg"']


def test_missing_keys_are_faults_only_without_a_default() -> None:
    table, faults = read({})
    assert table.text("name", "shed") == "shed"
    assert table.number("fuse", None) is None
    assert table.choice("mix", ["add"], None) is None
    assert table.list_of("cut", "numbers", is_number, []) == []
    assert lines(faults) == []
    for reader in (table.text, table.flag, table.number, table.whole, table.raw):
        reader("volts")
    assert lines(faults) == ["rig.toml: supply.shed.volts: is missing"]


@pytest.mark.parametrize(
    ("reader", "value", "what"),
    [
        ("text", 5, "needs text in quotes, got the number 5"),
        ("text", ["a"], "needs text in quotes, got a list"),
        ("flag", "yes", 'needs true or false, got the text "yes"'),
        ("flag", 1, "needs true or false, got the number 1"),
        ("number", "5", 'needs a number, got the text "5"'),
        ("number", True, "needs a number, got true"),
        ("number", float("nan"), "needs a number, got the number nan"),
        ("number", float("inf"), "needs a number, got the number inf"),
        ("number", {"a": 1}, "needs a number, got a table"),
        ("number", datetime.time(17, 1), "needs a number, got a time"),
        ("whole", 5.0, "needs a whole number, got the number 5.0"),
        ("whole", False, "needs a whole number, got false"),
    ],
)
def test_a_value_of_the_wrong_kind_is_named_for_what_it_is(reader: str, value: Any, what: str) -> None:
    table, faults = read({"volts": value})
    getattr(table, reader)("volts")
    assert lines(faults) == [f"rig.toml: supply.shed.volts: {what}"]


@pytest.mark.parametrize(
    ("value", "low", "high", "what", "kept"),
    [
        (2.5, 3, 24, "2.5 is out of range, 3 to 24", 3),
        (25, 3, 24, "25 is out of range, 3 to 24", 24),
        (-1, 0, float("inf"), "-1 is out of range, at least 0", 0),
        (2, -float("inf"), 1, "2 is out of range, at most 1", 1),
    ],
)
def test_numbers_out_of_range_are_faults_and_read_as_the_nearest_end(
    value: float, low: float, high: float, what: str, kept: float
) -> None:
    table, faults = read({"volts": value})
    assert table.number("volts", low=low, high=high) == kept
    assert lines(faults) == [f"rig.toml: supply.shed.volts: {what}"]


def test_a_number_too_large_for_a_double_is_a_fault_and_is_not_printed_whole() -> None:
    table, faults = read({"volts": 10**400})
    table.number("volts", low=3, high=24)
    table.whole("volts", low=3, high=24)
    assert len(faults.faults) == 2 and all(len(line) < 120 for line in lines(faults))


@pytest.mark.parametrize("content", [{}, {"chip": 5}, {"chip": "ws2812"}])
def test_a_choice_always_gives_a_word_of_its_list_so_that_reading_can_go_on(content: dict[str, Any]) -> None:
    table, faults = read(content)
    assert table.choice("chip", ["ws2812b", "sk6812"]) == "ws2812b"
    assert len(faults.faults) == 1


def test_a_word_that_is_no_choice_names_them_all_and_the_nearest() -> None:
    table, faults = read({"chip": "sk6821"})
    assert table.choice("chip", ["ws2812b", "sk6812"], "ws2812b") == "ws2812b"
    assert lines(faults) == [
        'rig.toml: supply.shed.chip: "sk6821" is not one of ws2812b, sk6812 (did you mean "sk6812"?)'
    ]


def test_keys_nobody_asked_for_are_faults_with_the_nearest_key_that_was() -> None:
    table, faults = read({"volts": 5, "amp": 30, "colour": 1})
    table.number("volts")
    table.number("amps", 1.0)
    table.finish()
    assert lines(faults) == [
        'rig.toml: supply.shed.amp: unknown key (did you mean "amps"?)',
        "rig.toml: supply.shed.colour: unknown key",
    ]


def test_blocks_lists_and_tables_of_the_wrong_shape_say_what_is_wanted() -> None:
    table, faults = read({"feed": {"at": 1}, "wire": 5, "zone": [], "cut": [1, "x"], "skip": "y"})
    assert table.tables("feed") == []
    assert table.table("wire").content == {}
    assert table.named("zone") == {}
    assert table.list_of("cut", "numbers", is_number) == [1]
    assert table.list_of("skip", "numbers", is_number) == []
    assert lines(faults) == [
        "rig.toml: supply.shed.feed: needs [[supply.shed.feed]] blocks, got a table",
        "rig.toml: supply.shed.wire: needs a table, got the number 5",
        "rig.toml: supply.shed.zone: needs a table, got a list",
        'rig.toml: supply.shed.cut[2]: needs numbers, got the text "x"',
        'rig.toml: supply.shed.skip: needs numbers, got the text "y"',
    ]


def test_blocks_are_counted_from_one() -> None:
    table, faults = read({"feed": [{"at": 0}, {"at": "x"}]})
    for block in table.tables("feed"):
        block.whole("at")
    assert lines(faults) == ['rig.toml: supply.shed.feed[2].at: needs a whole number, got the text "x"']


_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5) | st.dates(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=3), inner, max_size=3),
    max_leaves=5,
)


@given(_values)
def test_no_value_whatever_breaks_a_reader(value: Any) -> None:
    table, faults = read({"key": value})
    assert isinstance(table.text("key"), str)
    assert isinstance(table.flag("key"), bool)
    assert 0 <= table.number("key", low=0, high=1) <= 1
    assert table.whole("key", low=2, high=3) in (2, 3)
    assert table.choice("key", ["a", "b"]) in ("a", "b")
    assert all(isinstance(item, Table) for item in table.tables("key"))
    assert isinstance(table.named("key"), dict)
    assert all(is_number(item) for item in table.list_of("key", "numbers", is_number))
    assert len(faults.faults) >= 5  # no value is good for all of them
    assert all(len(line.splitlines()) == 1 for line in lines(faults))
