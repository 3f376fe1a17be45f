"""The build sheet: for each supply a page to print and take along, with what is connected where, and with what.

Figures of a code are named as such, habits and practice too. The sheet helps to plan; it decides nothing.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from html import escape
from pathlib import Path
from typing import Any

from .cautions import cautions
from .cells import (
    NONE,
    Column,
    Row,
    dimmed_words,
    fuse_word,
    ground_beyond,
    in_amps,
    in_volts,
    is_number,
    quiet_words,
    table_of,
)
from .files import plain, whole_file
from .judging import feed_wrongs
from .style import SHEET_STYLE, STYLE

CODE_80 = (
    "The 80 % is a habit that keeps supplies cool. It is code (NEC Art. 100, 210.20(A), 215.3: 125 % of a continuous "
    "load) for circuits whose load lasts three hours or more, as a show does that is played over and over all evening."
)
FUSE_80 = (
    "Fuse: at least the peak / 0.8 (habit; where none fits, at least the peak), at most what the wire carries and a "
    "third of what a short at the far end draws (practice), near the supply."
)
HEAD = (
    '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8"/>\n'
    '<meta name="viewport" content="width=device-width, initial-scale=1"/>\n'
)
WHITE_WHEN = "if a board went wrong, or without the limiter"
STEPS = (
    "Everything unplugged. Set and measure each supply's volts before a string hangs on it.",
    "Ground first: from each supply to its feeds, and from each board to the string it drives. Disconnect it last.",
    "V+ of each feed through its own fuse. Where a sheet says so, V+ is cut between two pixels; ground and data go on.",
    "Data from the board's pin through its resistor, by a short wire beside a ground wire.",
    "First light with a dim show, one feed after another. Feel wires, plugs and fuses after ten minutes.",
)


def write_build_sheet(path: str | Path, sheet: Mapping[str, Any]) -> None:
    """Write the build sheet as one HTML page that stands alone, each supply on paper of its own.

    Args:
        path: the file to write.
        sheet: `title`, `seconds` (a show's length), `resistor_ohm` [least, most], and `supplies` name -> mapping with
            `volts`, `amps`, `usable`, `budget_a`, `peak_a`, `full_white_a`, `limited_frames`, `amps_for_show`,
            `amps_for_white`, `white_at_cap_a` {"30%": amperes}, `capacitor_uf`, `capacitor_v`, and the lists `boards`
            (`name`, `board`, `a`, `converter_v`), `feeds` (`name`, `peak_a`, `ground_a`, `awg`, `mm2`, `metres`,
            `carries_a`, `basis`, `drop_v`, `fuse_a`, `wire_ok`, `short_a`, `short_clears`, `advice`) and `strings`
            (`name`, `controller`, `board`, `pin`, `clock_pin`, `chip`, `pixels`, `order`, `cuts`, `skipped` (how
            many pixels are), `feeds` with `at`, `place`, `supply`, `fuse_a`, `data_v`, `data_basis` (where that is
            from), `logic_v`, `limit_v`, `min_v`,
            `white_min_v`, `rail_estimated`, `feeds_for_show`, `feeds_for_white`). What is None is shown as `-`. It may
            hold `quiet` (`brightness` 0-1, `no_flash`, `hours` [from, to]) and `boards`, every board with its wires
            that are no string's (`name`, `supply` or None, `a`, `converter_v`, `grounds`: supplies that its strings
            hang on, and `button_pin`, `pulse_in_pin`, `pulse_out_pin`, `led_pin`).
    """
    sheet = plain(sheet)
    title = str(sheet.get("title") or "show")
    pages = [_supply(name, row, sheet) for name, row in (sheet.get("supplies") or {}).items()]
    steps = "".join(f"<li>{step}</li>" for step in STEPS)
    last = _wires(sheet.get("boards") or [])
    last += f'<h2>In this order</h2><ol class="steps">{steps}</ol>{cautions()}'
    last += "<footer>Worked out from the show's bytes and the rig file, not measured.</footer>"
    page = (
        f"{HEAD}<title>Build sheet for {escape(title)}</title>\n<style>{STYLE}{SHEET_STYLE}</style>\n</head>\n<body>\n"
        + "<main>\n"
        + "\n".join([*pages, f'<section class="sheet">{last}</section>'])
        + "\n</main>\n</body>\n</html>\n"
    )
    with whole_file(path) as file:
        file.write(page)


def _supply(name: str, row: Row, sheet: Mapping[str, Any]) -> str:
    volts, amps = row["volts"], row["amps"]
    parts = [
        f"<h1>Build sheet for {escape(str(sheet.get('title') or 'show'))}</h1>",
        f'<h2 class="supply">{escape(name)}<span>{volts:g} V, {amps:g} A</span></h2>',
        _size(row, sheet),
        _boards(row),
        "<h3>Feeds</h3>",
        _feeds(row),
        "<h3>Strings</h3>",
        *(_string(string, name, row, sheet) for string in row["strings"]),
    ]
    return f'<section class="sheet">{"".join(parts)}</section>'


# ---- the supply itself -------------------------------------------------------------------------------------------


def _size(row: Row, sheet: Mapping[str, Any]) -> str:
    amps, peak, show, white = row["amps"], row["peak_a"], row["amps_for_show"], row["amps_for_white"]
    any_skipped = any(string.get("skipped") for string in row["strings"])
    # Skipped pixels count as dark there, and what goes wrong minds no rig file.
    white_when = "without the limiter, skipped pixels dark" if any_skipped else WHITE_WHEN
    boxes = [
        ("This show at most", in_amps(peak), f"of a budget of {in_amps(row['budget_a'])}"),
        ("Everything white", in_amps(row["full_white_a"]), white_when),
        ("Supply for this show", _least(show), _enough(amps, show)),
        ("Supply for everything white", _least(white), _enough(amps, white)),
    ]
    cells = "".join(f'<div><span>{head}</span><b>{value}</b><span class="soft">{tail}</span></div>'
                    for head, value, tail in boxes)  # fmt: skip
    caps = ", ".join(f"{escape(cap)}: {in_amps(a)}" for cap, a in (row.get("white_at_cap_a") or {}).items())
    lines = [f"Amperes by the high figures of the chips; a supply's size is the peak / 0.8. {CODE_80}"]
    if is_number(row.get("limited_frames")) and row["limited_frames"]:
        limit = escape(dimmed_words(row.get("dimmed_by") or ["budget"]))
        lines.append(f"The limiter keeps this show within {limit}: it is dimmed where it would draw more.")
    if caps:
        lines.append(f"Everything white with the brightness capped at {caps}.")
    lines += quiet_words(sheet.get("quiet") or {})
    notes = "".join(f'<p class="about">{line}</p>' for line in lines)
    return f'<div class="boxes">{cells}</div>{notes}'


def _least(amps: Any) -> str:
    """Rounded up to a tenth: a supply of this rating or more."""
    return f"{math.ceil(amps * 10 - 1e-9) / 10:.1f} A" if is_number(amps) else NONE


def _enough(amps: float, needed: Any) -> str:
    if not is_number(needed):
        return ""
    return "or more; yours will do" if amps >= needed * (1 - 1e-9) else f"or more; yours gives {amps:g} A"


def _boards(row: Row) -> str:
    boards = row["boards"]
    if not boards:
        return ""
    items = "".join(
        f"<li><b>{escape(board['name'])}</b>, {escape(board['board'])}: {in_amps(board['a'])}"
        + (f" through a step-down converter to {board['converter_v']:g} V" if board.get("converter_v") else "")
        + "</li>"
        for board in boards
    )
    return f'<h3>Boards on this supply</h3><ul class="plain">{items}</ul>'


def _wires(boards: Sequence[Row]) -> str:
    """Every wire of every board that is no string's: power, ground, button, pulse, a light of its own."""
    if not boards:
        return ""
    rows = [(board["name"], wire) for board in boards for wire in _wires_of(board, boards)]
    body = "".join(
        f'<tr><td>{escape(name)}</td><td data-head="done"><i class="tick"></i></td><td data-head="Its pin">{pin}</td>'
        f'<td data-head="Goes to" class="words">{what}</td></tr>'
        for name, (pin, what) in rows
    )
    head = '<tr><th>Board</th><th>done</th><th>Its pin</th><th class="words">Goes to</th></tr>'
    return f'<h2>Boards</h2><div class="scroll"><table><thead>{head}</thead><tbody>{body}</tbody></table></div>'


def _wires_of(board: Row, boards: Sequence[Row]) -> list[tuple[str, str]]:
    """A board's wires: (pin, what it goes to), as HTML."""
    if board.get("supply"):
        volts = board.get("converter_v")
        through = f", through a step-down converter to {volts:g} V" if is_number(volts) else ""
        power = f"V+ of {escape(board['supply'])}{through}, {in_amps(board.get('a'))}: a wire and a fuse of its own"
    else:
        power = "a supply of its own, such as USB: the rig names none"
    grounds = _and([escape(name) for name in board.get("grounds") or []])
    wires = [("5 V in", power), ("ground", f"ground of {grounds}" if grounds else "ground of the strings it drives")]
    if is_number(board.get("button_pin")):
        wires.append((f"{board['button_pin']}", "a push button, and from there to ground"))
    if is_number(board.get("pulse_out_pin")):
        others = [
            f"pin {other['pulse_in_pin']} of {escape(other['name'])}"
            for other in boards
            if is_number(other.get("pulse_in_pin")) and other["name"] != board["name"]
        ]
        what = _and(others) or "no board yet: none has a pulse_in_pin"
        wires.append((f"{board['pulse_out_pin']}", f"pulse wire to {what}, a ground wire beside it"))
    if is_number(board.get("pulse_in_pin")):
        leads = [other for other in boards if is_number(other.get("pulse_out_pin")) and other["name"] != board["name"]]
        what = _and([f"pin {other['pulse_out_pin']} of {escape(other['name'])}" for other in leads])
        wires.append((f"{board['pulse_in_pin']}", f"pulse wire from {what or 'a board with a pulse_out_pin'}"))
    if is_number(board.get("led_pin")):
        wires.append((f"{board['led_pin']}", "a light of its own for blink codes"))
    return wires


# ---- feeds -------------------------------------------------------------------------------------------------------


def _feeds(row: Row) -> str:
    columns: list[Column] = [
        ("done", lambda *_: '<i class="tick"></i>', True),
        ("Peak", lambda _, f: _peak(f), True),
        ("Wire now", lambda _, f: _wire(f.get("awg"), f.get("mm2"), f.get("metres")), True),
        ("carries", lambda _, f: _carried(f), True),
        ("drops", lambda _, f: in_volts(f.get("drop_v")), True),
        ("Fuse now", lambda _, f: fuse_word(f), True),
        ("Wire to take", lambda _, f: _advised(f), True),
        ("Fuse to take", lambda _, f: _fuse(f), True),
    ]
    about = (
        "Now: as the rig has it; both conductors alike. Wire to take: the thinnest that its fuse protects and that "
        f"drops at most 3 % (practice); thicker is better. {FUSE_80} What wires carry: "
        f"{escape(_bases(row['feeds'])) or NONE}."
    )
    table = table_of("Feed", {f["name"]: f for f in row["feeds"]}, columns)
    return f'{table}{_remarks(row["feeds"])}<p class="about">{about}</p>'


def _peak(feed: Row) -> str:
    """A feed's highest current; its ground wire's too where that is higher."""
    ground, word = ground_beyond(feed), in_amps(feed.get("peak_a"))
    return word if ground is None else f'{word}<br/><span class="soft">ground {in_amps(ground)}</span>'


def _remarks(feeds: Sequence[Row]) -> str:
    """What is wrong with feeds as the rig has them, in the audit's words."""
    lines = [wrong for f in feeds for wrong in feed_wrongs(f["name"], {**f, "wire_a": f.get("carries_a")})]
    items = "".join(f"<li>{escape(line)}</li>" for line in lines)
    return f'<div class="remarks"><b>To be mended</b><ul>{items}</ul></div>' if items else ""


def _bases(feeds: Sequence[Row]) -> str:
    """Where the figures are from, each source once with the sizes that were read there."""
    sizes: dict[str, set[str]] = {}
    for basis in [f.get("basis") for f in feeds] + [_basis(f) for f in feeds]:
        if basis:
            source, _, size = str(basis).rpartition(", ")
            sizes.setdefault(source or size, set()).update([size] if source else [])
    return "; ".join(f"{source} ({', '.join(sorted(of))})" if of else source for source, of in sorted(sizes.items()))


def _wire(awg: Any, mm2: Any, metres: Any) -> str:
    if not is_number(mm2):
        return NONE
    gauge = f"{awg} AWG ({mm2:.2g} mm²)" if is_number(awg) else f"{mm2:g} mm²"
    return _wraps(gauge + (f", {metres:g} m" if is_number(metres) else ""))


def _wraps(words: str) -> str:
    """Words in a table's cell that may take two lines."""
    return f'<span class="wraps">{words}</span>'


def _carried(feed: Row) -> str:
    word = in_amps(feed.get("carries_a"))
    return f'{word}<br/><span class="soft">no code value</span>' if _no_code(feed.get("basis")) else word


def _no_code(basis: Any) -> bool:
    return str(basis or "").startswith("no code value")


def _basis(feed: Row) -> str:
    return str((feed.get("advice") or {}).get("wire", {}).get("basis") or "")


def _advised(feed: Row) -> str:
    wire = (feed.get("advice") or {}).get("wire") or {}
    if wire.get("awg") is None:
        return _wraps("none will do: feed in more places")
    word = f"{wire['awg']} AWG" + (f" or {wire['mm2']:g} mm²" if is_number(wire.get("mm2")) else "")
    why = {"current": "for its current", "ground": "for its ground", "short": "so that a short blows the fuse"}.get(
        str(wire.get("by")), "for its drop"
    )
    if feed["advice"].get("metres_assumed"):
        why += ", 1 m assumed"
    if _no_code(wire.get("basis")):
        why += "; no code value"
    return _wraps(f'{word}<br/><span class="soft">{why}</span>')


def _fuse(feed: Row) -> str:
    advice = feed.get("advice") or {}
    if is_number(advice.get("fuse_a")):
        return f"{advice['fuse_a']:g} A"
    if is_number(advice.get("fuse_with_wire_a")):
        return _wraps(f'{advice["fuse_with_wire_a"]:g} A<br/><span class="soft">with the wire to take</span>')
    if advice.get("short_limits"):
        return _wraps("no fuse fits: feed nearer the middle, cut V+ between feeds")
    return NONE


# ---- strings -----------------------------------------------------------------------------------------------------


def _string(string: Row, supply: str, row: Row, sheet: Mapping[str, Any]) -> str:
    low, high = sheet["resistor_ohm"]
    clock = f", clock pin {string['clock_pin']}" if string.get("clock_pin") is not None else ""
    items = [
        f"Board <b>{escape(string['controller'])}</b> ({escape(string['board'])}), data pin <b>{string['pin']}</b>"
        f"{clock}, {low}-{high} ohm in series at the board (practice).",
        _level(string),
        f"{row['capacitor_uf']:g} µF, {row['capacitor_v']:g} V or more, across V+ and ground where power enters "
        "(practice); mind its polarity.",
    ]
    if string["cuts"]:
        cuts = _and([f"{cut - 1} and {cut}" for cut in string["cuts"]])
        items.append(f"Cut V+ alone between pixels {cuts}. Ground and data go through.")
    others = sorted({feed["supply"] for feed in string["feeds"]} - {supply})
    if others:
        items.append(f"Also fed by {escape(_and(others))}: never join the two V+; ground goes through.")
    items.append(_lowest(string))
    body = "".join(f"<li>{item}</li>" for item in items)
    head = (
        f"<h4>{escape(string['name'])}<span>{string['pixels']} pixels of {escape(string['chip'])}, "
        f"order {escape(string['order'])}</span></h4>"
    )
    return f'<div class="string">{head}{_drawing(string, supply)}<ul class="plain">{body}</ul></div>'


def _level(string: Row) -> str:
    need, have = string.get("data_v"), string.get("logic_v")
    if not is_number(need) or not is_number(have):
        return f"Data level: {NONE}."
    clocked = string.get("clock_pin") is not None
    lines, basis = ("Data and clock" if clocked else "Data"), escape(str(string.get("data_basis") or "0.7 x VDD"))
    if have >= need:
        return f"{lines} level: the board's {have:g} V reach the {need:.2g} V that the chip needs ({basis})."
    return (
        f"<b>{lines} level: the board gives {have:g} V, the chip needs {need:.2g} V ({basis}).</b> It "
        f"may work today and not with the next batch: put a level shifter at the board{', on both lines' * clocked} "
        "(practice: a buffer on 5 V with TTL inputs, of the 74AHCT kind)."
    )


def _lowest(string: Row) -> str:
    """Lowest volts, and the further feeds that would mend them."""
    limit = string.get("limit_v")
    parts = []
    for what, volts, feeds in (
        ("In this show", string.get("min_v"), string.get("feeds_for_show") or {}),
        ("at full white", string.get("white_min_v"), string.get("feeds_for_white") or {}),
    ):
        word = in_volts(volts)
        if is_number(volts) and is_number(limit) and volts < limit:
            word = f'<b class="bad-word">{word}</b>'
            if feeds.get("places"):
                places = _and([_place(at, string) for at in feeds["places"]])
                more = "one more feed" if len(feeds["places"]) == 1 else f"{len(feeds['places'])} more feeds"
                maybe = " (fewer may do)" if feeds.get("fewest") is False and feeds.get("enough") else ""
                word += f" ({'needs' if feeds.get('enough') else 'even with'} {more}{maybe}, {places})"
            elif not feeds.get("enough"):
                word += " (further feeds do not help: wires or supply do)"
        parts.append(f"{what} {word}")
    rails = "; the strip's own copper is estimated: measure it" if string.get("rail_estimated") else ""
    return f"Lowest voltage: {', '.join(parts)}; the chip needs {in_volts(limit)}{rails}."


def _place(at: int, string: Row) -> str:
    return {0: "at the data end", string["pixels"]: "at the far end"}.get(at, f"before pixel {at}")


def _and(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}" if words else ""


def _drawing(string: Row, supply: str) -> str:
    """The string as a line from its data end, its feeds as arrows, its cuts as gaps. Words are HTML over it."""
    pixels = string["pixels"]
    marks = []
    for i, feed in enumerate(string["feeds"]):
        x = 100 * feed["at"] / pixels
        kind = "own" if feed["supply"] == supply else "other"
        fuse = f", {feed['fuse_a']:g} A" if is_number(feed.get("fuse_a")) else ""
        words = {0: "start", pixels: "end"}.get(feed["at"], str(feed["at"]))
        marks.append(f'<i class="feed {kind}" style="left:{x:.2f}%"></i>')
        side = "left" if x > 85 else "right" if x < 15 else "middle"
        tail = fuse if kind == "own" else f", {escape(feed['supply'])}"
        marks.append(f'<b class="{side} row{i % 2}" style="left:{x:.2f}%">{words}{tail}</b>')
    marks += [f'<i class="cut" style="left:{100 * cut / pixels:.2f}%"></i>' for cut in string["cuts"]]
    return f'<div class="line"><span class="rail"></span>{"".join(marks)}</div>'
