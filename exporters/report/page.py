"""The audit as one HTML page that stands alone: no script, no network, readable on a phone, printable."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape
from pathlib import Path
from typing import Any

import numpy as np

from .cautions import cautions
from .cells import (
    NONE,
    Column,
    Row,
    apart,
    as_text,
    dimmed_words,
    figure,
    fuse_word,
    ground_beyond,
    in_amps,
    in_bytes,
    in_minutes,
    in_percent,
    in_volts,
    is_number,
    judged_word,
    marked,
    quiet_words,
    rows_of,
    scaled,
    table_of,
)
from .files import plain, whole_file
from .judging import wrongs
from .plots import Series, amps_plot, volt_key, volts_strip
from .style import STYLE

# What a column of the supplies' table means, by the key it shows.
SUPPLY_WORDS = {
    "peak_low_a": "By the low figures: if your parts draw the least that is published under their name.",
    "skewed_a": "Boards out of step: the worst sum with boards that share a supply as far apart as the rig allows.",
    "aligned_a": (
        "All on-phases at once: chips dim by switching each colour fully on for a part of a short period, and nothing "
        "keeps these apart. For an instant all that is lit may be fully on together; the capacitors at the strings "
        "carry such instants, not the supply's rating, so no budget is judged by it."
    ),
}
MOST_SPANS = 24  # places of flashes that the page lists


def write_audit_html(path: str | Path, audit: Mapping[str, Any], series: Series) -> None:
    """Write the audit page.

    Args:
        path: the file to write.
        audit: the mapping that goes into `audit.json`; a key that is missing, None or NaN is shown as `-`. Beyond the
            published fields it may hold `notes` and `sources` (lists of sentences; `sources` also as chip -> `idle_ma`,
            `channel_ma` pairs, `law`, `source`), a supply's `peak_low_a`, `skewed_a` and `aligned_a`, a feed's
            `supply`, a string's `limit_v` and `nominal_v`, the row `rig` of the flashes, `softened` (rows of `clip`,
            `over_beats`, `opacity`), `quiet` (`brightness` 0-1, `no_flash`, `hours` [from, to]) and `advice` (its
            `supplies` may say `dimmed_by`, as `dimmed_words` has it).
        series: what is plotted over the song.

    Raises ValueError when the series' lengths differ.
    """
    audit = plain(audit)
    title = series.title or "show"
    parts = [
        f"<h1>Audit of {escape(title)}</h1>",
        _verdict(audit),
        _supplies(audit, series),
        _feeds(audit),
        _strings(audit, series),
        _controllers(audit),
        _flashes(audit, series),
        _quiet(audit),
        cautions(),
        _list("Notes", "", audit.get("notes") or []),
        _list("Figures used", "Where the currents and limits come from.", _sources(audit.get("sources") or [])),
        "<footer>Worked out frame by frame from the bytes that the boards will send.</footer>",
    ]
    page = (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8"/>\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1"/>\n'
        f"<title>Audit of {escape(title)}</title>\n<style>{STYLE}</style>\n</head>\n<body>\n<main>\n"
        + "\n".join(part for part in parts if part)
        + "\n</main>\n</body>\n</html>\n"
    )
    with whole_file(path) as file:
        file.write(page)


# ---- the verdict -------------------------------------------------------------------------------------------------


def _verdict(audit: Mapping[str, Any]) -> str:
    supplies = rows_of(audit, "supplies")
    judged = {n: s for n, s in supplies.items() if is_number(s.get("peak_a")) and is_number(s.get("budget_a"))}
    over = {name: row for name, row in judged.items() if row["peak_a"] > row["budget_a"]}
    others = [escape(wrong) for wrong in wrongs(audit)]
    if over:
        kind, word = "bad", "Over budget"
    elif not judged:
        kind, word = "unsure", "Budget not judged"
    elif others or audit.get("ok") is False:
        kind, word = "bad", "Within budget, but something else needs a look"
    else:
        kind, word = "good", "Within budget"
    lines = []
    for name, row in (over or judged).items():
        peak, budget = row["peak_a"], row["budget_a"]
        words = apart(peak, budget) if over else (in_amps(peak), in_amps(budget))
        at = f" at {as_text(row.get('peak_at'))}" if row.get("peak_at") else ""
        lines.append(f"{escape(name)}: highest {words[0]} of {words[1]}{at}")
    lines += others
    items = "".join(f"<li>{line}</li>" for line in lines)
    return f'<div class="verdict {kind}"><p class="word">{word}</p>{f"<ul>{items}</ul>" if items else ""}</div>'


# ---- supplies ----------------------------------------------------------------------------------------------------


def _supplies(audit: Mapping[str, Any], series: Series) -> str:
    rows = rows_of(audit, "supplies")
    columns: list[Column] = [
        ("Budget", lambda _, r: in_amps(r.get("budget_a")), True),
        ("Peak", lambda _, r: marked(in_amps(r.get("peak_a")), r.get("peak_a"), r.get("budget_a")), True),
        ("Share of budget", lambda _, r: in_percent(r.get("peak_a"), r.get("budget_a")), True),
        ("By the low figures", lambda _, r: in_amps(r.get("peak_low_a")), False),
        (
            "Boards out of step",
            lambda _, r: marked(in_amps(r.get("skewed_a")), r.get("skewed_a"), r.get("budget_a")),
            False,
        ),
        ("All on-phases at once", lambda _, r: in_amps(r.get("aligned_a")), False),
        ("At bar.beat", lambda _, r: as_text(r.get("peak_at")), True),
        ("At time", lambda _, r: in_minutes(r.get("peak_s")), True),
        ("Mean", lambda _, r: in_amps(r.get("mean_a")), True),
        ("99 % of frames under", lambda _, r: in_amps(r.get("p99_a")), True),
        ("Energy of one show", lambda _, r: figure(r.get("energy_wh"), "{:.1f} Wh"), True),
        ("Everything white would draw", lambda _, r: in_amps(r.get("full_white_a")), True),
    ]
    about = ["Amperes on the low-voltage side. The budget is the share of a supply's rating that a show may use."]
    about += [text for key, text in SUPPLY_WORDS.items() if any(is_number(row.get(key)) for row in rows.values())]
    advised = rows_of(audit.get("advice") or {}, "supplies")
    panels = "".join(_supply(name, row, series, advised.get(name, {})) for name, row in rows.items())
    return f'<h2>Supplies</h2><p class="about">{" ".join(about)}</p>{table_of("Supply", rows, columns)}{panels}'


def _supply(name: str, row: Row, series: Series, advice: Row) -> str:
    peak_a, peak_s, budget = row.get("peak_a"), row.get("peak_s"), row.get("budget_a")
    where = as_text(row.get("peak_at"))
    parts = [f'<div class="top"><h3>{escape(name)}</h3>{_word_of(peak_a, budget)}</div>']
    if name in series.amps:
        marked = None
        if is_number(peak_s) and is_number(peak_a):
            marked = (peak_s, peak_a, str(row.get("peak_at") or in_minutes(peak_s)))
        point = f"peak {in_amps(peak_a)} at {where} ({in_minutes(peak_s)})"
        parts.append(
            '<p class="key"><span><i style="background:var(--high)"></i>highest in each moment</span>'
            '<span><i style="background:var(--mean)"></i>mean</span>'
            f'<span><i class="line"></i>budget {in_amps(budget)}</span>'
            f'<span><i class="round" style="background:var(--ink)"></i>{point}</span></p>'
        )
        parts.append(amps_plot(series, name, budget if is_number(budget) else None, marked))
    parts.append(_limiter(row, advice))
    parts.append(_boards(row))
    parts.append(_draws(row.get("clips") or [], peak_a, f"Who draws at the peak ({where})"))
    parts.append(_draws(row.get("mean_clips") or [], row.get("mean_a"), "Who draws over the whole show, on average"))
    dimmed = "Where the limiter dims: thin out these clips first (amperes while it does)"
    parts.append(_draws(row.get("thin_out") or [], None, dimmed))
    return f'<section class="panel">{"".join(parts)}</section>'


def _limiter(row: Row, advice: Row) -> str:
    frames, most = row.get("limited_frames"), row.get("most_dimmed")
    if not is_number(frames):
        return ""
    if not frames:
        return '<p class="about">The limiter had nothing to dim.</p>'
    why = dimmed_words(advice.get("dimmed_by") or [])
    return (
        f'<p class="about">The limiter dimmed {frames:,.0f} frames, at most by {figure(most, "{:.0%}")}'
        f"{', for ' + escape(why) if why else ''}.</p>"
    )


def _boards(row: Row) -> str:
    """Boards that share a supply: what each takes at most, whenever that is, and what it is allotted."""
    most, allotted = row.get("boards") or {}, row.get("allotments") or {}
    if len(most) < 2:
        return ""
    columns: list[Column] = [
        ("Takes at most", lambda _, r: in_amps(r["a"]), True),
        ("Allotted in its roll", lambda _, r: in_amps(r["allotted_a"]), False),
    ]
    rows = {str(name): {"a": amps, "allotted_a": allotted.get(name)} for name, amps in most.items()}
    about = ""
    if any(is_number(of["allotted_a"]) for of in rows.values()):
        about = (
            '<p class="about">Allotted: the part of the budget that stands in a board\'s roll. The parts sum to no '
            "more than the budget, so boards that each keep to theirs keep it together, however far apart they run."
        )
        over = [name for name, of in rows.items() if is_number(of["allotted_a"]) and of["a"] > of["allotted_a"]]
        if over:
            about += (
                f" At times {escape(' and '.join(over))} {'takes' if len(over) == 1 else 'take'} more than that: the "
                "budget then holds while the boards keep step."
            )
        about += "</p>"
    return f"<h4>Boards on this supply, each at its highest</h4>{table_of('Board', rows, columns)}{about}"


def _draws(clips: Sequence[Row], whole_a: Any, head: str) -> str:
    """Who draws, as bars, each with its part of the whole."""
    known = [clip for clip in clips if is_number(clip.get("a"))]
    if not known:
        return ""
    most = max(max(clip["a"] for clip in known), 1e-9)
    total = whole_a if is_number(whole_a) and whole_a > 0 else sum(clip["a"] for clip in known)
    cells = "".join(
        f'<span class="name" title="{escape(str(clip.get("clip")))}">{escape(str(clip.get("clip")))}</span>'
        f'<span class="bar"><i style="width:{100 * max(clip["a"], 0) / most:.1f}%"></i></span>'
        f'<span class="number">{in_amps(clip["a"])}</span>'
        f'<span class="number soft">{in_percent(clip["a"], total)}</span>'
        for clip in sorted(known, key=lambda clip: -clip["a"])
    )
    return f'<h4>{head}</h4><div class="draws">{cells}</div>'


# ---- the other tables --------------------------------------------------------------------------------------------


def _feeds(audit: Mapping[str, Any]) -> str:
    rows = rows_of(audit, "feeds")

    def wire(_: str, r: Row) -> str:
        carried, fuse = r.get("wire_a"), r.get("fuse_a")
        if "wire_a" in r and carried is None:
            return "not given"
        most = ground_beyond(r) or r.get("peak_a")
        too_thin = not is_number(carried) or not is_number(most) or most > carried
        fused = is_number(carried) and is_number(fuse) and fuse > carried
        return judged_word(r.get("wire_ok"), "carries it", "fuse too large" if fused and not too_thin else "too thin")

    columns: list[Column] = [
        ("Supply", lambda _, r: as_text(r.get("supply")), False),
        ("Highest current", lambda _, r: marked(in_amps(r.get("peak_a")), r.get("peak_a"), r.get("fuse_a")), True),
        (
            "In its ground wire",
            lambda _, r: marked(in_amps(ground_beyond(r)), ground_beyond(r), r.get("wire_a")),
            False,
        ),
        ("Fuse", lambda _, r: fuse_word(r), True),
        ("Wire", wire, True),
        ("Wire carries", lambda _, r: in_amps(r.get("wire_a")), False),
        ("by", lambda _, r: as_text(r.get("wire_basis")), False),
        ("Short at the far end", lambda _, r: in_amps(r.get("short_a")), False),
        ("Lowest voltage without it", lambda _, r: in_volts(r.get("lost_min_v")), False),
    ]
    about = (
        "Places where power enters a string. Each has its own wire and should have its own fuse. A short at the far "
        "end of its run should draw 3 times the fuse or more (practice)."
    )
    if any(ground_beyond(row) for row in rows.values()):
        about += (
            " Where V+ is cut, ground goes on: a ground wire may carry its neighbours' current, too, and no fuse "
            "sees that."
        )
    return _section("Feeds and wires", about, table_of("Feed", rows, columns))


def _strings(audit: Mapping[str, Any], series: Series) -> str:
    rows = rows_of(audit, "strings")

    def lowest(_: str, r: Row) -> str:
        low, limit = r.get("min_v"), r.get("limit_v")
        word = in_volts(low)
        return f'<span class="bad-word">{word}</span>' if is_number(low) and is_number(limit) and low < limit else word

    columns: list[Column] = [
        ("Lowest voltage", lowest, True),
        ("Chip needs", lambda _, r: in_volts(r.get("limit_v")), False),
        ("At pixel", lambda _, r: figure(r.get("min_v_pixel"), "{:.0f}"), True),
        ("At time", lambda _, r: _moment(r.get("min_v_s"), series), True),
        ("At full white", lambda _, r: in_volts(r.get("white_min_v")), False),
        ("Ground lift at the data end", lambda _, r: in_volts(r.get("lift_v")), False),
        ("One frame on the wire", lambda _, r: figure(scaled(r.get("frame_wire_us"), 1e-3), "{:.2f} ms"), True),
    ]
    strips = "".join(_strip(name, rows.get(name, {}), series) for name in series.volts or {})
    about = "Lowest voltage between the two rails, and the time one frame takes on the data line, reset included."
    return _section("Strings", about, table_of("String", rows, columns) + strips)


def _strip(name: str, row: Row, series: Series) -> str:
    volts = np.asarray((series.volts or {})[name], dtype=np.float64)
    if not volts.size or not np.isfinite(volts).any():
        return ""
    nominal, limit = row.get("nominal_v"), row.get("limit_v")
    high = float(nominal) if is_number(nominal) else float(np.nanmax(volts))
    # A tenth under the nominal voltage: 4.5 V of 5 V, as the WS2812B datasheet has it. A smaller sag stays pale.
    low = min(float(limit) if is_number(limit) else 0.9 * high, float(np.nanmin(volts)))
    return (
        f'<section class="panel"><div class="top"><h3>{escape(name)}</h3></div>'
        f'<p class="key"><span>volts along the string: {in_volts(low)} '
        f'<i class="ramp" style="background:{volt_key()};margin:0 6px"></i>{in_volts(high)}</span></p>'
        f"{volts_strip(series, name, low, high)}</section>"
    )


def _controllers(audit: Mapping[str, Any]) -> str:
    rows = rows_of(audit, "controllers")
    columns: list[Column] = [
        ("Roll", lambda _, r: in_bytes(r.get("roll_bytes")), True),
        ("Room on the board", lambda _, r: in_bytes(r.get("board_bytes")), True),
        ("", lambda _, r: judged_word(r.get("fits"), "fits", "does not fit"), True),
        ("Memory while playing", lambda _, r: in_bytes(r.get("ram_bytes")), True),
        ("Read from flash", lambda _, r: in_bytes(r.get("bytes_per_s"), " a second"), True),
    ]
    return _section("Boards", "Each board plays one file, its roll.", table_of("Board", rows, columns))


def _flashes(audit: Mapping[str, Any], series: Series) -> str:
    flashes = audit.get("flashes") or {}
    rows: dict[str, Row] = {"whole rig": flashes.get("rig") or flashes, **rows_of(flashes, "zones")} if flashes else {}

    def moment(row: Row) -> str:
        return _moment(row.get("at_s"), series) if row.get("worst_per_s") else NONE

    columns: list[Column] = [
        ("Most flashes in a second", lambda _, r: figure(r.get("worst_per_s"), "{:g}"), True),
        ("At time", lambda _, r: moment(r), True),
        ("Most red flashes in a second", lambda _, r: figure(r.get("red_worst_per_s"), "{:g}"), True),
        ("Three a second", lambda _, r: judged_word(r.get("ok"), "not exceeded", "exceeded"), True),
    ]
    about = (
        "Counted as WCAG 2.3.1 does for screens (at most three general and three red ones in any second), by analogy. "
        "A zone, or the rig, counts as flashing where a quarter or more of its pixels flash in the same second; what "
        "fewer do does not show here"
    )
    about += ", but for the area rule below." if flashes.get("area") else ", unless the rig's [audience] gives metres."
    parts = [_area(flashes), _spans(flashes), _softened(audit.get("softened") or [])]
    return _section("Flashes", about, table_of("Where", rows, columns) + "".join(parts))


def _softened(rows: Sequence[Row]) -> str:
    """Clips that were softened, and how far."""
    if not rows:
        return ""
    lines = []
    for row in rows:
        beats, left = row.get("over_beats"), row.get("opacity")
        word = f"averaged over {figure(beats, '{:g}')} beat{'' if beats == 1 else 's'}"
        if is_number(left) and left < 1:
            word = f"{word}, {left:.0%} of it left" if left else "left out"
        lines.append(f"<li><b>{escape(str(row.get('clip')))}</b>: {word}</li>")
    return f'<h3>Softened, because they flashed too often</h3><ul class="plain">{"".join(lines)}</ul>'


def _quiet(audit: Mapping[str, Any]) -> str:
    """What the rig asks for the neighbours' sake."""
    lines = quiet_words(audit.get("quiet") or {})
    return _list("For the neighbours", "As the rig asks.", lines) if lines else ""


def _area(flashes: Mapping[str, Any]) -> str:
    """The area rule, where a viewing distance was given."""
    area = flashes.get("area")
    if not area:
        return ""
    word = judged_word(area.get("ok"), "not exceeded", "exceeded")
    worst = figure(max(area.get("worst_per_s") or 0, area.get("red_worst_per_s") or 0), "{:g}")
    return (
        f"<p>Seen from {figure(area.get('distance_m'), '{:g} m')}: in the 10-degree field that flashes most, 0.006 "
        f"steradian of it flash {worst} times in the worst second; three a second are {word}.</p>"
    )


def _spans(flashes: Mapping[str, Any]) -> str:
    """Where three a second are exceeded, and by which clips."""
    spans = flashes.get("spans") or []
    if not spans:
        return ""
    lines = []
    for span in spans[:MOST_SPANS]:
        at = f"{as_text(span.get('at'))} to {as_text(span.get('to'))}, " if span.get("at") else ""
        clips = ", ".join(escape(str(clip)) for clip in span.get("clips") or [])
        lines.append(
            f"<li><b>{escape(str(span.get('zone')))}</b>: {at}{in_minutes(span.get('from_s'))} to "
            f"{in_minutes(span.get('to_s'))}{f'; what changes most: {clips}' if clips else ''}</li>"
        )
    if len(spans) > MOST_SPANS:
        lines.append(f"<li>and {len(spans) - MOST_SPANS} more (audit.json has them all)</li>")
    return f'<h3>Where, and by which clips</h3><ul class="plain">{"".join(lines)}</ul>'


def _sources(sources: Any) -> list[str]:
    if not isinstance(sources, Mapping):
        return [str(line) for line in sources]
    out = []
    for chip, row in sources.items():
        source = row.get("source") or {}
        parts = []
        for key, what in (("idle_ma", "dark"), ("channel_ma", "a channel full on")):
            ends = " to ".join(f"{value:g}" for value in dict.fromkeys(row.get(key) or []))
            parts.append(f"{what} {ends or NONE} mA ({source.get(key) or 'no source given'})")
        if is_number(row.get("residual_a")):
            parts.append(f"the readings agree to within {1000 * row['residual_a']:.0f} mA")
        adding = {"sum": "channels add", "max": "the largest channel counts"}.get(row.get("law"), "")
        out.append(f"{chip}: " + "; ".join([*parts, adding] if adding else parts))
    return out


def _list(head: str, about: str, lines: Sequence[Any]) -> str:
    items = "".join(f"<li>{escape(str(line))}</li>" for line in lines)
    return _section(head, about, f'<ul class="plain">{items}</ul>' if items else "", always=False)


# ---- parts of the page ------------------------------------------------------------------------------------------


def _section(head: str, about: str, body: str, always: bool = True) -> str:
    if not body and not always:
        return ""
    return f"<h2>{head}</h2>{_about(about)}{body}"


def _about(text: str) -> str:
    return f'<p class="about">{text}</p>' if text else ""


def _moment(value: Any, series: Series) -> str:
    bar = series.bar_at(value) if is_number(value) else None
    return in_minutes(value) if bar is None else f"{in_minutes(value)} (bar {bar})"


def _word_of(peak: Any, budget: Any) -> str:
    known = is_number(peak) and is_number(budget)
    return judged_word(peak <= budget if known else None, "within budget", "over budget") if known else ""
