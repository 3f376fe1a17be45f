"""`evening.toml`: which shows, in which order, from when to when, how bright. EVENING.md says every key.

Conventions: clock times are minutes of the local day, 0 to 1439; spans of clock time are (from, to) and run over
midnight where `to` is not after `from`. Dates are naive local `datetime`s. Paths are relative to the file.
"""

from __future__ import annotations

import random
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from ..clock import parse_span
from ..faults import FaultList, Faults, Table, is_number, kind_of, nearest, read_toml
from ..files import score_path

KEYS = ("shows", "shuffle", "rounds", "pause", "look", "times", "quiet", "brightness", "sound", "boards")
CLOCK_TIME = re.compile(r"([01]?\d|2[0-3]):([0-5]\d)")
Hours = tuple[int, int]


@dataclass(frozen=True)
class Evening:
    """What an evening is to be. `rounds` None: until `end`. `brightness`: (from that minute on, share of 1), by time.

    `look`: a show that loops without sound in the pauses. `offset_ms`: how much later than the sound leaves the
    computer it is heard, beyond what the computer knows; found once by ear or camera. `network`: addresses of boards,
    or "broadcast".
    """

    shows: tuple[Path, ...]
    shuffle: bool = False
    rounds: int | None = 1
    pause_s: float = 0.0
    look: Path | None = None
    start: int | None = None
    end: int | None = None
    cut: bool = False
    quiet_hours: Hours | None = None
    brightness: tuple[tuple[int, float], ...] = ()
    device: str | None = None
    silent: bool = False
    offset_ms: float = 0.0
    network: tuple[str, ...] = ()


def load_evening(path: Path) -> Evening:
    """Read and check an evening. Raises `Faults` with all that is wrong in it."""
    faults = FaultList(path)
    document = read_toml(path)
    _is_one(document, path)
    evening = evening_from(document, path, faults)
    faults.raise_if_any()
    return evening


def _is_one(document: dict[str, Any], path: Path) -> None:
    """Raises `Faults`, one line, for a file that is something else: a list of its keys would be no help."""
    if any(key in document for key in KEYS) or not {*document} - {"format"}:
        return
    near = f' ("{path.parent}")' if (path.parent / "score.toml").is_file() else ""
    if any(key in document for key in ("supply", "controller", "string")):
        raise Faults.one(path, "", f"is a rig: name the folder of a show{near}, or an evening.toml")
    what = 'is no evening, which has format = 1 and shows = ["FOLDER", ...]'
    raise Faults.one(path, "", f"{what}: name one, or the folder of a show{near}")


def evening_from(document: dict[str, Any], path: Path, faults: FaultList) -> Evening:
    """An evening out of a parsed document; what is wrong goes to `faults`."""
    top = Table(document, "", faults)
    if top.whole("format") != 1 and top.has("format"):
        top.fault("format", "this program reads format 1")
    shows = tuple(_show(name, f"shows[{i + 1}]", top, path) for i, name in enumerate(_texts(top, "shows")))
    if not shows and top.sound("shows"):
        top.fault("shows", "needs at least one show's folder")
    look = top.text("look", None)
    times, sound, boards = top.table("times"), top.table("sound"), top.table("boards")
    quiet = top.table("quiet")
    start, end = _clock(times, "start"), _clock(times, "end")
    if start is not None and start == end:
        times.fault("end", "is the same time as start")
    rounds = _rounds(top, end)
    evening = Evening(
        shows,
        shuffle=top.flag("shuffle", False),
        rounds=rounds,
        pause_s=_pause(top),
        look=None if look is None or not top.sound("look") else _show(look, "look", top, path),
        start=start,
        end=end,
        cut=times.flag("cut", False),
        quiet_hours=_hours(quiet),
        brightness=_brightness(top),
        device=sound.text("device", None),
        silent=sound.flag("silent", False),
        offset_ms=sound.number("offset_ms", 0.0, low=-2000, high=2000),
        network=_network(boards),
    )
    for table in (times, sound, boards, quiet, top):
        table.finish()
    return evening


def _texts(table: Table, key: str) -> list[str]:
    return table.list_of(key, "text in quotes", lambda value: isinstance(value, str))


def _show(name: str, where: str, top: Table, path: Path) -> Path:
    folder = path.parent / name
    if not score_path(folder).is_file():
        near = [p.name for p in path.parent.iterdir() if (p / "score.toml").is_file()] if path.parent.is_dir() else []
        top.faults.add(where, f'"{name}" is no show: there is no {name}/score.toml', nearest(name, near))
    return folder


def _clock(table: Table, key: str) -> int | None:
    text = table.text(key, None, wanted='a clock time in quotes, such as "21:30"')  # TOML has clock times of its own
    if text is None or not table.sound(key):
        return None
    minute = _minute(text)
    if minute is None:
        colon = text.replace(".", ":")
        near = f'"{colon}"' if _minute(colon) is not None else ""
        table.fault(key, f'"{text}" is no clock time, such as "21:30"', near)
    return minute


def _minute(text: str) -> int | None:
    found = CLOCK_TIME.fullmatch(text.strip())
    return 60 * int(found[1]) + int(found[2]) if found else None


def _hours(quiet: Table) -> Hours | None:
    text = quiet.text("hours", None)
    if text is None or not quiet.sound("hours"):
        return None
    ends = [_minute(part) for part in text.split("-")]
    if len(ends) != 2 or ends[0] is None or ends[1] is None:
        quiet.fault("hours", f'"{text}" needs two clock times, such as "22:00-07:00"')
        return None
    if ends[0] == ends[1]:
        quiet.fault("hours", "start and end at the same time")
    return ends[0], ends[1]


def _pause(top: Table) -> float:
    if is_number(top.raw("pause", None)):
        top.fault("pause", f'needs quotes and a unit: pause = "{top.raw("pause"):g} s"')
        return 0.0
    text = top.text("pause", None)
    if not text:  # none, or one that was refused
        return 0.0
    try:
        span = parse_span(text)
    except ValueError:
        top.fault("pause", f'"{text}" is not a time in seconds, such as "20 s"')
        return 0.0
    if span.beats or span.bars or span.seconds < 0:
        top.fault("pause", f'"{text}" needs seconds, such as "20 s": between songs there are no beats')
    return max(0.0, float(span.seconds))


def _rounds(top: Table, end: int | None) -> int | None:
    if top.raw("rounds", 1) == "until end":
        if end is None:
            top.fault("rounds", 'is "until end", and [times] has no end')
        return None
    if isinstance(top.raw("rounds", 1), str):
        top.fault("rounds", 'needs a whole number, or "until end"', '"until end"')
        return 1
    return int(top.whole("rounds", 1, low=1, high=10_000))


def _brightness(top: Table) -> tuple[tuple[int, float], ...]:
    out = []
    for text, share in top.named("brightness").items():
        minute = _minute(text)
        if minute is None:
            top.faults.add(f"brightness.{text}", 'is no clock time, such as "21:00"')
        elif not is_number(share):
            top.faults.add(f"brightness.{text}", f"needs a number, got {kind_of(share)}")
        elif not 0 <= share <= 1:
            top.faults.add(f"brightness.{text}", f"{share:g} is out of range, 0 to 1")
        else:
            out.append((minute, float(share)))
    return tuple(sorted(out))


def _network(boards: Table) -> tuple[str, ...]:
    return tuple(_texts(boards, "network")) if boards.has("network") else ()


# ---- by the clock ------------------------------------------------------------------------------------------------


def minute_of(now: datetime) -> int:
    """The minute of the day."""
    return 60 * now.hour + now.minute


def within(minute: int, hours: Hours | None) -> bool:
    """Whether a minute of the day lies in a span of clock time, perhaps over midnight."""
    if hours is None:
        return False
    start, end = hours
    return start <= minute < end if start < end else minute >= start or minute < end


def window(evening: Evening, now: datetime) -> tuple[datetime, datetime | None]:
    """When an evening that is begun now starts and ends. In the middle of it: it starts now."""
    if evening.start is not None and evening.end is not None and within(minute_of(now), (evening.start, evening.end)):
        start = now
    else:
        start = now if evening.start is None else _next(evening.start, now)
    return start, None if evening.end is None else _next(evening.end, start + timedelta(minutes=1))


def _next(minute: int, now: datetime) -> datetime:
    """The next time that a clock shows this, now included."""
    day = now.replace(hour=minute // 60, minute=minute % 60, second=0, microsecond=0)
    return day if day >= now.replace(second=0, microsecond=0) else day + timedelta(days=1)


def brightness_at(evening: Evening, now: datetime) -> float:
    """The share of brightness that the clock allows now: the last entry's that has passed, over midnight."""
    if not evening.brightness:
        return 1.0
    passed = [share for minute, share in evening.brightness if minute <= minute_of(now)]
    return passed[-1] if passed else evening.brightness[-1][1]


def order(evening: Evening, chance: random.Random) -> Iterator[int]:
    """Numbers of the shows in the order of playing. Shuffled: each round anew, and no show twice in a row."""
    last, done = -1, 0
    while evening.rounds is None or done < evening.rounds:
        numbers = list(range(len(evening.shows)))
        if evening.shuffle:
            chance.shuffle(numbers)
            if len(numbers) > 1 and numbers[0] == last:
                numbers = [*numbers[1:], numbers[0]]
        yield from numbers
        last, done = numbers[-1], done + 1


# ---- for boards that run alone -----------------------------------------------------------------------------------


def alone(evening: Evening, rolls: Sequence[str], look: str | None = None) -> dict[str, Any]:
    """What a board without a computer can keep of an evening: keys of its settings.json.

    `rolls`: the file name of each show's roll for that board, in the order of `evening.shows`; `look`: that of the
    quiet look. A board knows no clock time: start, end, quiet hours and brightness by hour stay behind, and an order
    that is shuffled is written as it stands, since boards must agree.
    """
    return {
        "songs": list(rolls),
        "loop": evening.rounds != 1,
        "pause_s": round(evening.pause_s),
        "quiet_look": look,
    }


def plain(shows: Sequence[Path]) -> Evening:
    """An evening of shows given by hand, once through."""
    return Evening(tuple(shows))


def evening_file(paths: Sequence[Path]) -> Path | None:
    """The evening.toml that the command line names; None for shows (their folders, or scores). Raises `Faults`."""
    files = [path for path in paths if path.suffix == ".toml" and path.name != "score.toml" and not _is_score(path)]
    if files and len(paths) > 1:
        _is_one(read_toml(files[0]), files[0])
        raise Faults.one(files[0], "", "an evening stands alone: it names its shows itself")
    return files[0] if files else None


def _is_score(path: Path) -> bool:
    document = read_toml(path)
    return "song" in document and "shows" not in document


def find_evening(paths: Sequence[Path]) -> Evening:
    """The evening that the command line names: one evening.toml, or shows. Raises `Faults`."""
    path = evening_file(paths)
    return plain(paths) if path is None else load_evening(path)
