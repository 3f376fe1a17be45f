"""What an audit finds wrong, in the same words on every page and on the terminal."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from .cells import Row, apart, ground_beyond, in_amps, is_number, rows_of


def wrongs(audit: Mapping[str, Any]) -> list[str]:
    """What besides the supplies' budgets speaks against a show, a line each; the audit as in `audit.json`."""
    out = electric_wrongs(audit)
    for name, row in rows_of(audit, "controllers").items():
        if row.get("fits") is False:
            out.append(f"the roll of {name} does not fit its board")
    flashes = audit.get("flashes") or {}
    if flashes.get("ok") is False:
        counts = [flashes.get("worst_per_s"), flashes.get("red_worst_per_s")]
        worst = max(filter(is_number, counts), default=None)
        many = "flashes" if worst is None else f"flashes: {worst} in one second"
        out.append(f"{many} exceed the WCAG 2.3.1 three-per-second figure, applied to lights by analogy")
    return out


def electric_wrongs(audit: Mapping[str, Any]) -> list[str]:
    """What is wrong with supplies whose boards run apart, with feeds and with volts, a line each."""
    out = [
        f"supply {name}: boards out of step draw {' of '.join(apart(row['skewed_a'], row['budget_a']))}"
        for name, row in rows_of(audit, "supplies").items()
        if all(is_number(row.get(key)) for key in ("peak_a", "skewed_a", "budget_a"))
        and row["peak_a"] <= row["budget_a"] < row["skewed_a"]
    ]
    out += [wrong for name, row in rows_of(audit, "feeds").items() for wrong in feed_wrongs(name, row)]
    for name, row in rows_of(audit, "strings").items():
        low, limit = row.get("min_v"), row.get("limit_v")
        if is_number(low) and is_number(limit) and low < limit:
            least, needed = apart(low, limit, "V")
            out.append(f"string {name} sinks to {least}, under its chip's {needed}")
    return out


def feed_wrongs(name: str, row: Row) -> list[str]:
    """What is wrong with one feed: its row of `feeds` as in `audit.json`; what is missing in it is not judged.

    A fuse that is None is none at all, and that is said.
    """
    peak, fuse, wire = row.get("peak_a"), row.get("fuse_a"), row.get("wire_a")
    out = []
    if "fuse_a" in row and fuse is None:
        most = f", at most {in_amps(wire)} for its wire" if is_number(wire) else ""
        out.append(f"feed {name} has no fuse: add fuse = AMPERES{most}")
    if is_number(peak) and is_number(fuse) and peak > fuse:
        out.append(f"feed {name} carries {_beyond(peak, fuse)}, more than its {fuse:g} A fuse")
    unprotected = is_number(wire) and is_number(fuse) and fuse > wire
    if unprotected:
        out.append(f"feed {name}: its {fuse:g} A fuse does not protect its wire, which carries {in_amps(wire)}")
    ground = ground_beyond(row)
    if ground is not None and (ground > wire if is_number(wire) else row.get("wire_ok") is False):
        most = f", and such a wire carries {in_amps(wire)}" if is_number(wire) else ""
        out.append(
            f"feed {name}: its ground wire carries {_beyond(ground, wire)}, its plus wire {in_amps(peak)}{most}. V+ is "
            "cut and ground is not, so neighbours' current comes back through it, and its fuse does not see that: take "
            'a thicker wire for both (the build sheet\'s "wire to take")'
        )
    elif is_number(peak) and is_number(wire) and peak > wire or (row.get("wire_ok") is False and not unprotected):
        out.append(f"feed {name}: its wire is too thin for {in_amps(peak)}")
    if row.get("short_clears") is False:
        out.append(
            f"feed {name}: a short at the far end of its run draws {in_amps(row.get('short_a'))}, too little to blow "
            f"its {fuse:g} A fuse at once (3 times its rating, by practice)"
        )
    return out


def _beyond(value: float, limit: Any) -> str:
    """Amperes to three figures, or to as many more as tell them from the limit that they are over."""
    word = in_amps(value)
    return apart(value, limit)[0] if is_number(limit) and word == in_amps(limit) else word
