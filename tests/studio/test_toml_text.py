"""TOML edited letter by letter. What comes out is judged by tomllib (TOML 1.0), and by what must not have changed."""

from __future__ import annotations

import copy
import math
import re
import tomllib
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from composer.studio import toml_text
from composer.studio.toml_text import CannotEdit, set_data, set_value

TEXT = """\
# the file's own words

format = 1   # as ever
title = 'plain "words"'

[colour]
ember = "#ff6a00"      # warm
'odd name' = ["#001430",
  "white",   # brackets ] in a comment
]

# the first clip
[[clip]]
zone = "rail"
bars = "1-4"   # four
colour = ["ember", "a # b", 'c"d']
colours = {ember = "tide", foam = "white"}

[[trigger]]
on = "kick"
clip = {zone = "rail", effect = "accent", strength = "width"}

[[clip]]
zone = "mast"
text = \"\"\"
[[clip]]  not a header
\"\"\"
[clip.colours]
a = "b"

[[phrase.a-b]]
zone = "x"

[[phrase."c d"]]
zone = "y"
# under it

# far below
[order]
a-b = ["1", "5"]
"""


def changed(path: tuple[str | int, ...], value: Any, text: str = TEXT) -> str:
    """An edit of the text that says what the same edit of the data says."""
    data = tomllib.loads(text)
    set_data(data, path, value)
    out = set_value(text, path, value)
    assert tomllib.loads(out) == data
    return out


@pytest.mark.parametrize(
    ("path", "value", "line"),
    [
        (("format",), 2, "format = 2   # as ever"),
        (("title",), "b\\n", 'title = "b\\\\n"'),
        (("clip", 0, "bars"), "5", 'bars = "5"     # four'),  # the comment keeps its column
        (("clip", 0, "bars"), "100-1000", 'bars = "100-1000" # four'),  # until there is no room
        (("clip", 0, "layer"), 3, "layer = 3"),
        (("clip", 1, "zone"), "boom", 'zone = "boom"'),
        (("clip", 0, "colours", "foam"), "black", 'colours = {ember = "tide", foam = "black"}'),
        (("trigger", 0, "clip", "a"), 2, 'clip = {zone = "rail", effect = "accent", strength = "width", a = 2}'),
        (("clip", 1, "colours", "a"), "c", 'a = "c"'),
        (("phrase", "c d", 0, "zone"), "z", 'zone = "z"'),
        (("order", "a-b", 1), "7", 'a-b = ["1", "7"]'),
        (("order", "a-b", 2), "7", 'a-b = ["1", "5", "7"]'),
        (("order", "c d"), ["1"], '"c d" = ["1"]'),
        (("colour", "ember"), "#ff0000", 'ember = "#ff0000"      # warm'),
        (("clip", 0, "colour", 1), "x", 'colour = ["ember", "x", \'c"d\']'),
    ],
)
def test_one_value_is_set_and_the_rest_stays(path: tuple[str | int, ...], value: Any, line: str) -> None:
    out = changed(path, value)
    assert line in out.splitlines()
    kept = [row for row in TEXT.splitlines() if row in out.splitlines()]
    assert len(kept) >= len(TEXT.splitlines()) - 1


@pytest.mark.parametrize(
    ("path", "gone"),
    [
        (("clip", 0, "bars"), 'bars = "1-4"   # four\n'),
        (("trigger", 0, "clip", "zone"), 'zone = "rail", '),
        (("trigger", 0, "clip", "strength"), ', strength = "width"'),
        (("order", "a-b", 0), '"1", '),
        (("order", "a-b", 1), ', "5"'),
        (("clip", 1, "colours", "a"), 'a = "b"\n'),
    ],
)
def test_a_key_is_taken_out_with_its_line(path: tuple[str | int, ...], gone: str) -> None:
    out = changed(path, None)
    assert len(out) == len(TEXT) - len(gone) and gone in TEXT


def test_a_table_that_is_not_there_is_made_at_the_end() -> None:
    out = changed(("labels", "door"), [12.5, "33.2"])
    assert out == TEXT + '\n[labels]\ndoor = [12.5, "33.2"]\n'


def test_top_keys_go_before_the_first_table() -> None:
    assert changed(("seed",), 5, "[[clip]]\nzone = 1\n") == "seed = 5\n\n[[clip]]\nzone = 1\n"
    assert changed(("seed",), 5, "").splitlines() == ["seed = 5"]
    assert "title = 'plain \"words\"'\nseed = 5\n" in changed(("seed",), 5)


def test_blocks_come_and_go_with_the_comments_right_above() -> None:
    out = toml_text.removed(TEXT, ("clip", 0))
    assert "# the first clip" not in out and "# the file's own words" in out
    assert tomllib.loads(out)["clip"] == tomllib.loads(TEXT)["clip"][1:]
    out = toml_text.removed(TEXT, ("clip", 1))
    assert "[clip.colours]" not in out and "not a header" not in out
    out = toml_text.removed(TEXT, ("phrase", "c d", 0))
    assert "# under it" not in out and "# far below\n[order]" in out
    block = toml_text.block_text(("clip",), {"zone": "new"})
    out = toml_text.inserted(TEXT, block, ("clip", 0))
    assert [clip["zone"] for clip in tomllib.loads(out)["clip"]] == ["rail", "new", "mast"]
    assert out.replace('[[clip]]\nzone = "new"\n\n', "") == TEXT
    assert tomllib.loads(toml_text.inserted(TEXT, block, None))["clip"][-1] == {"zone": "new"}


def test_a_block_becomes_one_of_another_kind() -> None:
    out = toml_text.renamed_header(TEXT, ("clip", 1), ("phrase", "new one"))
    data = tomllib.loads(out)
    assert data["phrase"]["new one"] == [tomllib.loads(TEXT)["clip"][1]]
    assert len(data["clip"]) == 1


def test_lines_are_named() -> None:
    lines = TEXT.splitlines()
    assert lines[toml_text.line_of(TEXT, ("clip", 0, "bars")) - 1].startswith("bars")
    assert lines[toml_text.line_of(TEXT, ("clip", 1, "nothing")) - 1] == "[[clip]]"
    assert toml_text.line_of(TEXT, ("nowhere",)) is None


@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_line_ends_stay(end: str) -> None:
    text = TEXT.replace('"""\n[[clip]]  not a header\n"""', '"x"').replace("\n", end)
    out = changed(("clip", 0, "layer"), 3, text)
    out = toml_text.inserted(out, toml_text.block_text(("clip",), {"zone": "new", "layer": 2}), ("clip", 0))
    out = toml_text.removed(out, ("trigger", 0))
    assert out.count("\n") == out.count(end)


def test_a_layout_that_cannot_be_edited_is_refused() -> None:
    with pytest.raises(CannotEdit, match=r"clip\[1\] is not written as a block"):
        toml_text.removed('clip = [{zone = "a"}]\n', ("clip", 0))
    with pytest.raises(CannotEdit, match="too large"):
        toml_text.toml_of(2**63)
    with pytest.raises(CannotEdit, match="lone surrogate"):
        toml_text.toml_of("\ud800")
    with pytest.raises(CannotEdit, match=r"there is no clip\[3\]"):
        set_value(TEXT, ("clip", 2, "zone"), "x")


# ---- whatever a person may have written --------------------------------------------------------------------------

WORDS = st.text(st.characters(codec="utf-8", exclude_categories=["Cs"]), max_size=12)
KEYS = st.one_of(st.from_regex(r"[a-z][a-z0-9_-]{0,6}", fullmatch=True), WORDS)
PLAIN = st.one_of(
    WORDS, st.booleans(), st.integers(-(2**63), 2**63 - 1), st.floats(allow_nan=False),
)  # fmt: skip
VALUES = st.recursive(
    PLAIN, lambda inner: st.one_of(st.lists(inner, max_size=4), st.dictionaries(KEYS, inner, max_size=3)), max_leaves=6
)
COMMENTS = st.sampled_from(["", "  # one", " # [[clip]] \"'{", "\t# = ]]"])
GAPS = st.sampled_from(["", "\n", "# alone\n", "\n# above\n", "   \n\t# 'x\n\n"])


@st.composite
def documents(draw: st.DrawFn) -> str:
    """Blocks of two kinds that take turns, tables, comments and gaps wherever TOML allows them."""
    out = [draw(GAPS)]
    for key in draw(st.lists(KEYS.filter(lambda k: k not in ("clip", "deep", "table")), unique=True, max_size=3)):
        out.append(f"{toml_text.key_of(key)}{draw(st.sampled_from(['=', ' = ', '  =']))}")
        out.append(f"{toml_text.toml_of(draw(VALUES))}{draw(COMMENTS)}\n{draw(GAPS)}")
    headers = draw(st.lists(st.sampled_from(["[[clip]]", "[[deep.one]]", '[[ deep . "t w o" ]]']), max_size=6))
    if draw(st.booleans()):
        headers.insert(draw(st.integers(0, len(headers))), "[table]")
    for header in headers:
        out.append(f"{draw(st.sampled_from(['', '  ']))}{header}{draw(COMMENTS)}\n{draw(GAPS)}")
        for key in draw(st.lists(KEYS, unique=True, max_size=4)):
            indent = draw(st.sampled_from(["", "  "]))
            value = toml_text.toml_of(draw(VALUES))
            out.append(f"{indent}{toml_text.key_of(key)} = {value}{draw(COMMENTS)}\n{draw(GAPS)}")
    return "".join(out)


def same(one: Any, other: Any) -> bool:
    """Equal as data; true is not 1."""
    if isinstance(one, dict) and isinstance(other, dict):
        return one.keys() == other.keys() and all(same(one[key], other[key]) for key in one)
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(same, one, other))
    if isinstance(one, float) and isinstance(other, float):
        return one == other and math.copysign(1, one) == math.copysign(1, other)
    return type(one) is type(other) and one == other


def tables(data: dict[str, Any]) -> list[tuple[str | int, ...]]:
    """The top and every block or table of a document as `documents` makes them."""
    found: list[tuple[str | int, ...]] = [()]
    found += [("clip", i) for i in range(len(data.get("clip", [])))]
    for name, blocks in data.get("deep", {}).items():
        found += [("deep", name, i) for i in range(len(blocks))]
    return [*found, ("table",)] if "table" in data else found


def at(data: Any, path: tuple[str | int, ...]) -> Any:
    """A place of parsed data."""
    for part in path:
        data = data[part]
    return data


@given(documents(), st.data())
def test_any_edit_of_any_document_says_what_was_meant_and_keeps_the_other_lines(text: str, data: st.DataObject) -> None:
    parsed = tomllib.loads(text)
    table = data.draw(st.sampled_from(tables(parsed)))
    own = [key for key, value in at(parsed, table).items() if table or key not in ("clip", "deep", "table")]
    key = data.draw(st.one_of(KEYS, st.sampled_from(own)) if own else KEYS)
    if not table and key in ("clip", "deep", "table"):
        key = "another"
    value = data.draw(st.one_of(st.none(), VALUES))
    wanted = copy.deepcopy(parsed)
    set_data(wanted, (*table, key), copy.deepcopy(value))
    out = set_value(text, (*table, key), value)
    assert same(tomllib.loads(out), wanted)
    # At most one line went and one came, wherever it stands.
    before, after = text.split("\n"), out.split("\n")
    assert len(set(before) - set(after)) <= 1 and len(set(after) - set(before)) <= 2
    assert abs(len(after) - len(before)) <= 2


@given(documents(), st.data())
def test_any_block_can_go_and_come_back(text: str, data: st.DataObject) -> None:
    parsed = tomllib.loads(text)
    blocks = [path for path in tables(parsed) if path and isinstance(path[-1], int)]
    if not blocks:
        blocks = [("clip", 0)]
        text = toml_text.inserted(text, "[[clip]]\n", None)
        parsed = tomllib.loads(text)
    path = data.draw(st.sampled_from(blocks))
    wanted = copy.deepcopy(parsed)
    held = at(wanted, path[:-1])
    block = held.pop(int(path[-1]))
    out = toml_text.removed(text, path)
    found = tomllib.loads(out)
    assert same(_without_empty(found), _without_empty(wanted))
    again = toml_text.inserted(out, toml_text.block_text([str(part) for part in path[:-1]], block), None)
    held.append(block)
    assert same(_without_empty(tomllib.loads(again)), _without_empty(wanted))


def _without_empty(data: Any) -> Any:
    """Arrays of blocks of which none is left are gone from a text, and so are tables that held only those."""
    out = {key: value for key, value in data.items() if not (key == "clip" and value == [])}
    if "deep" in out:
        out["deep"] = {name: blocks for name, blocks in out["deep"].items() if blocks}
        if not out["deep"]:
            del out["deep"]
    return out


@given(documents())
def test_scanning_finds_every_key_where_it_stands(text: str) -> None:
    found = toml_text.items(text)
    assert [item.start for item in found] == sorted(item.start for item in found)
    for item in (item for item in found if not item.header):
        value = tomllib.loads(f"x = {text[item.at : item.stop]}")["x"]
        assert same(value, at(tomllib.loads(text), item.path))
    assert len(re.findall(r"(?m)^[ \t]*\[", text)) >= sum(item.header for item in found)
