"""Numbers on the pages: with their units, and no more figures than they are good for."""

from __future__ import annotations

import xml.etree.ElementTree as ET

import pytest

from exporters.report.cells import dimmed_words, fuse_word, in_amps, in_bytes, table_of


@pytest.mark.parametrize(
    ("amps", "says"),
    # Three figures, as far as published currents can be trusted; whole amperes above.
    [(0.0, "0.00 A"), (1.234, "1.23 A"), (9.994, "9.99 A"), (9.996, "10.0 A"), (99.96, "100 A"), (1234.5, "1234 A")],
)
def test_amperes_have_three_figures(amps: float, says: str) -> None:
    assert in_amps(amps) == says


@pytest.mark.parametrize(
    ("count", "says"),
    [(999, "999 B"), (1000, "1.00 kB"), (443_030, "443 kB"), (999_900, "1000 kB"), (1.44e6, "1.44 MB")],
)
def test_bytes_have_three_figures(count: float, says: str) -> None:
    # IEC 80000-13: kB is 1000 bytes.
    assert in_bytes(count) == says


@pytest.mark.parametrize(
    ("dimmed_by", "says"),
    [
        ([], ""),
        (["budget"], "the supply's budget"),
        (["rail@start"], "what feed rail@start may carry (fuse or wire)"),
        (["budget", "a", "b", "c"], "the supply's budget and what feeds a, b, c may carry (fuse or wire)"),
        (["a", "b", "c", "d"], "what feeds a, b and 2 more may carry (fuse or wire)"),
    ],
)
def test_which_limit_dimmed_a_show(dimmed_by: list[str], says: str) -> None:
    assert dimmed_words(dimmed_by) == says


@pytest.mark.parametrize(
    ("feed", "says"),
    [({}, "-"), ({"fuse_a": 7.5}, "7.5 A"), ({"fuse_a": None}, '<span class="bad-word">none</span>')],
)
def test_a_fuse_that_is_not_there_is_marked(feed: dict[str, float | None], says: str) -> None:
    assert fuse_word(feed) == says


def test_every_cell_knows_its_head_for_cards_on_a_phone() -> None:
    columns = [("Peak", lambda _, r: in_amps(r["a"]), True), ("Fuse now", lambda *_: "-", False)]
    tree = ET.fromstring(table_of("Feed", {"rail@start": {"a": 1.0}}, columns))
    # A column that has nothing to show is left out, its heads with it.
    assert [cell.get("data-head") for cell in tree.iter("td")] == [None, "Peak"]
