"""Words and tables of the pages: numbers with their units, `-` for what is not known, cells that judge."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from html import escape
from typing import Any, TypeGuard

NONE = "-"
Row = Mapping[str, Any]
# A column of a table: heading, how its cell is made (already HTML), and whether it stays when it has nothing to show.
Column = tuple[str, Callable[[str, Row], str], bool]


def table_of(first: str, rows: Mapping[str, Row], columns: Sequence[Column]) -> str:
    """A table as HTML, or `-` without rows. Where it has little room each row becomes a card, so cells know their
    heads."""
    cells = {name: [make(name, row) for _, make, _ in columns] for name, row in rows.items()}
    shown = [i for i, (_, _, always) in enumerate(columns) if always or any(row[i] != NONE for row in cells.values())]
    head = "".join(f"<th>{columns[i][0]}</th>" for i in shown)
    body = "".join(
        f"<tr><td>{escape(name)}</td>"
        + "".join(f'<td data-head="{columns[i][0]}">{row[i]}</td>' for i in shown)
        + "</tr>"
        for name, row in cells.items()
    )
    if not body:
        return f'<p class="soft">{NONE}</p>'
    head = f"<thead><tr><th>{first}</th>{head}</tr></thead>"
    return f'<div class="scroll"><table>{head}<tbody>{body}</tbody></table></div>'


def rows_of(audit: Mapping[str, Any], key: str) -> Mapping[str, Row]:
    """The rows of a part of the audit by name; a row that is null is empty."""
    return {str(name): row or {} for name, row in (audit.get(key) or {}).items()}


def is_number(value: Any) -> TypeGuard[float]:
    """Whether a value is a number (and not a truth value)."""
    return isinstance(value, int | float) and not isinstance(value, bool)


def scaled(value: Any, factor: float) -> Any:
    """A number times a factor, else None."""
    return value * factor if is_number(value) else None


def figure(value: Any, form: str) -> str:
    """A number in a form such as `{:.2f} A`."""
    return form.format(value) if is_number(value) else NONE


def in_amps(value: Any) -> str:
    """Three figures, no more: 1.234 -> 1.23 A, 12.34 -> 12.3 A"""
    return f"{three_figures(value)} A" if is_number(value) else NONE


def apart(value: float, limit: float, unit: str = "A") -> tuple[str, str]:
    """Both to a hundredth, or to as many digits more as tell them apart: 24.004, 24.0 -> 24.004 A, 24.000 A."""
    for digits in range(2, 10):
        both = f"{value:.{digits}f} {unit}", f"{limit:.{digits}f} {unit}"
        if both[0] != both[1]:
            break
    return both


def three_figures(value: float) -> str:
    """A number to three figures, or to the whole: 1.234 -> 1.23, 12.34 -> 12.3, 1234 -> 1234."""
    return f"{value:.{2 if abs(value) < 9.995 else 1 if abs(value) < 99.95 else 0}f}"


def in_volts(value: Any) -> str:
    """1.234 -> 1.23 V"""
    return figure(value, "{:.2f} V")


def as_text(value: Any) -> str:
    """A text, escaped."""
    return NONE if value is None or value == "" else escape(str(value))


def in_minutes(value: Any) -> str:
    """Minutes and seconds, to a tenth: 83.46 -> 1:23.5."""
    if not is_number(value):
        return NONE
    tenths = round(value * 10)
    return f"{tenths // 600}:{tenths % 600 / 10:04.1f}"


def in_bytes(value: Any, tail: str = "") -> str:
    """Bytes in powers of 1000, as IEC 80000-13 has kB and MB."""
    if not is_number(value):
        return NONE
    for least, unit in ((1e6, "MB"), (1e3, "kB")):
        if value >= least:
            return f"{three_figures(value / least)} {unit}{tail}"
    return f"{value:.0f} B{tail}"


def in_percent(part: Any, whole: Any) -> str:
    """A part of a whole in percent."""
    return f"{part / whole:.0%}" if is_number(part) and is_number(whole) and whole else NONE


def marked(word: str, value: Any, limit: Any) -> str:
    """A word, marked as bad where the value is over its limit."""
    return f'<span class="bad-word">{word}</span>' if is_number(value) and is_number(limit) and value > limit else word


def ground_beyond(feed: Row) -> float | None:
    """What a feed's ground wire carries at most, amperes, where that is more than its plus wire does; else None.

    A hundredth more is told only where it is what the wire does not carry.
    """
    peak, ground, wire = feed.get("peak_a"), feed.get("ground_a"), feed.get("wire_a", feed.get("carries_a"))
    if not is_number(ground) or not is_number(peak):
        return None
    return ground if ground > 1.01 * peak or (is_number(wire) and peak <= wire < ground) else None


def quiet_words(quiet: Mapping[str, Any]) -> list[str]:
    """What a rig asks for the neighbours' sake, a sentence each: `brightness` 0-1, `no_flash`, `hours` [from, to]."""
    lines = []
    cap, hours = quiet.get("brightness"), quiet.get("hours")
    if is_number(cap) and cap < 1:
        lines.append(f"Brightness is capped at {cap:.0%}; every figure here has the cap in it, but full white.")
    if quiet.get("no_flash"):
        lines.append("A show that flashes too often fails: no roll is written for it.")
    if hours:
        lines.append(f"Nothing plays from {hours[0]} to {hours[1]}.")
    return lines


def fuse_word(feed: Row) -> str:
    """A feed's fuse as the rig has it; none at all is marked as bad."""
    if "fuse_a" in feed and feed["fuse_a"] is None:
        return '<span class="bad-word">none</span>'
    return figure(feed.get("fuse_a"), "{:g} A")


def dimmed_words(limits: Sequence[str]) -> str:
    """What a limiter held a show to: "budget", else names of feeds."""
    feeds = [name for name in limits if name != "budget"]
    words = ["the supply's budget"] if "budget" in limits else []
    if feeds:
        more = f" and {len(feeds) - 2} more" if len(feeds) > 3 else ""
        names = ", ".join(feeds[:2] if more else feeds)
        words.append(f"what feed{'s' if len(feeds) > 1 else ''} {names}{more} may carry (fuse or wire)")
    return " and ".join(words)


def judged_word(value: Any, yes: str, no: str) -> str:
    """One of two words, marked as good or bad; `-` for None."""
    if value is None:
        return NONE
    return f'<span class="{"good" if value else "bad"}-word">{yes if value else no}</span>'
