"""The line under a show: where it is, how the boards are, what the supplies carry."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from ..pipeline.playing import Baked, link


def time_text(seconds: float) -> str:
    """1:23.4, or -0:01.5 before the song."""
    tenths = round(abs(seconds) * 10)
    sign = "-" if seconds < 0 and tenths else ""
    return f"{sign}{tenths // 600}:{tenths % 600 // 10:02}.{tenths % 10}"


def board_text(name: str, health: link.Health) -> str:
    """One board in a few words: `quay ok +2 ms`."""
    if health.gone:
        return f"{name} UNPLUGGED"
    if health.trouble:
        return f"{name} {health.trouble.upper()}"
    if health.silent_s > 2.5:
        return f"{name} silent {health.silent_s:.0f} s"
    words = [name, "LOST" if health.state == "lost" else "ok"]
    if health.ahead_ms is not None:
        words.append(f"{health.ahead_ms:+.0f} ms")
    words += [f"{count} {what}" for count, what in ((health.late, "late"), (health.broken, "BROKEN")) if count]
    if health.dimmed:
        words.append(f"{health.dimmed} dimmed")
    return " ".join(words)


def boards_text(boards: Iterable[link.Board], missing: int = 0) -> list[str]:
    """All boards, those that are well in one word: `2 boards ok, within 3 ms`.

    `missing`: how many more there should be; they are counted along, `1 of 2 boards ok`.
    """
    healths = {board.name: board.health for board in boards}
    well = [health for health in healths.values() if health.well and health.state != "lost"]
    aheads = [abs(health.ahead_ms) for health in well if health.ahead_ms is not None]
    out = [board_text(name, health) for name, health in healths.items() if health not in well]
    if well or missing:
        count = "1 board" if len(well) == 1 else f"{len(well)} boards"
        if missing:
            all_boards = len(healths) + missing
            count = f"{len(well)} of {all_boards} board{'s' if all_boards > 1 else ''}"
        out.append(count + (" ok" if well else "") + (f", within {max(aheads):.0f} ms" if aheads else ""))
    return out


def supply_text(amps: Mapping[str, float], budgets_a: Mapping[str, float]) -> str:
    """What every supply carries against its budget: `shed 3.1/4.8 A`."""
    known = {name: budget for name, budget in budgets_a.items() if name in amps}
    return "  ".join(f"{name} {amps[name]:.1f}/{budget:.1f} A" for name, budget in known.items())


def status_line(
    baked: Baked,
    position_s: float,
    boards: Iterable[link.Board],
    amps: Mapping[str, float],
    *,
    bright: int = 255,
    offset_ms: float = 0.0,
    marks: Iterable[str] = (),
    missing: int = 0,
) -> str:
    """Everything on one line.

    `amps`: what each supply carries; `bright`: the boards' brightness, 0 to 255; `marks`: "paused", "blackout";
    `missing`: boards of the show that were not found.
    """
    section = baked.section(position_s)
    place = f"{time_text(position_s)}  bar {baked.address(position_s)}" + (f", {section}" if section else "")
    parts = [
        f"{baked.title}  {place}",
        *[mark.upper() for mark in marks],
        *boards_text(boards, missing),
        *filter(None, [supply_text(amps, baked.budgets_a)]),
    ]
    if bright != 255:
        parts.append(f"light {bright / 255:.0%}")
    if offset_ms:
        parts.append(f"offset {offset_ms:+.0f} ms")
    return " | ".join(parts)


def fitted(line: str, columns: int) -> str:
    """The line in so many columns. What does not fit goes as a whole: half a number would be another number."""
    if len(line) <= columns:
        return line
    ends = max(line.rfind(between, 0, max(0, columns - 2) + len(between)) for between in (" | ", "  "))
    return f"{line[:ends]} …" if ends > 0 else line[:columns]
