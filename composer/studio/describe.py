"""A show as the page needs to know it: plain data for JSON. Beats and bars are numbers here, for drawing only."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from fractions import Fraction
from functools import lru_cache
from pathlib import Path
from typing import Any

from ..clock import SECOND, FrameClock, Moment
from ..effects.table import EFFECTS, MOST_COLOURS, parse_colour
from ..faults import Fault
from ..pipeline import doubts, live, shown
from ..score import EVENTS, FLASH_MODES, LIMITER_MODES, MIXES, SPEEDS, Block, Score
from ..songmap import LEVELS, Fixes
from .score_edits import BadEdit, Times
from .toml_text import CannotEdit, items, line_of

_BLOCK = re.compile(r"(?:(?:clip|trigger|master|anchor|section)|phrase\..+?|order\..+?)\[\d+\]")
_PLACE = re.compile(r"line (\d+)")
COMMON = (
    ("name", "text", None, "what messages and the audit call it"),
    ("layer", "whole", 1, "higher covers lower"),
    ("mix", "choice", "replace", "how it lies on what is below"),
    ("opacity", "number", 1.0, "0 to 1, or points"),
    ("fade_in", "pace", None, "a length, within the clip"),
    ("fade_out", "pace", None, "a length, within the clip"),
    ("only", "zone", None, "a zone outside which it does not show"),
    ("seed", "whole", None, "for what is drawn by lot"),
)


def effects() -> dict[str, Any]:
    """The table of effects and all that a panel needs to build itself."""
    rows = []
    for effect in EFFECTS.values():
        params = [
            {
                "key": p.key, "kind": p.kind, "default": p.default, "help": p.help, "low": _bound(p.low),
                "high": _bound(p.high), "choices": list(p.choices),
            }
            for p in effect.params
        ]  # fmt: skip
        rows.append(
            {
                "name": effect.name, "help": effect.help, "trade": effect.trade, "uses_sound": effect.uses_sound,
                "params": params,
            }
        )  # fmt: skip
    bounds = {"layer": (-1000, 1000), "opacity": (0, 1), "seed": (0, 2**31 - 1)}
    common = [
        {
            "key": key, "kind": kind, "default": default, "help": help, "low": bounds.get(key, (None, None))[0],
            "high": bounds.get(key, (None, None))[1], "choices": list(MIXES) if key == "mix" else [],
        }
        for key, kind, default, help in COMMON
    ]  # fmt: skip
    return {
        "effects": rows, "common": common, "events": list(EVENTS), "mixes": list(MIXES), "speeds": list(SPEEDS),
        "limiter_modes": list(LIMITER_MODES), "flash_modes": list(FLASH_MODES), "levels": list(LEVELS),
        "most_colours": MOST_COLOURS,
    }  # fmt: skip


def _bound(value: float) -> float | None:
    return value if abs(value) != float("inf") else None


def show_of(view: live.View, text: str, document: Mapping[str, Any], fixes: Fixes, mode: str) -> dict[str, Any]:
    """A good show: the `show` of the state. `text` and `document` are the score's."""
    show = view.show
    clock, song = show.clock, show.song
    clips, numbers = _Blocks(view, text, document).all()
    wheres, placed, of = shown.origins(show)
    cues = [
        [numbers.get(where, -1), inside, cue.first, cue.end, round(float(cue.start), 4),
         round(float(cue.start + cue.length), 4)]
        for cue, where, inside in zip(show.cues, wheres, of, strict=True)
    ]  # fmt: skip
    return {
        "title": show.score.title,
        "seed": show.score.seed,
        "limiter": show.score.limiter,
        "doubts": doubt_rows(view),
        "softens": show.score.flashes == "soften",
        "softened": shown.softened_rows(view),
        "mode": mode,
        "trouble": view.trouble,
        "rate": show.score.rate,
        "frames": clock.frames,
        "frames_per_beat": clock.frames_per_beat,
        "song_us": show.song_us,
        "song_file": show.score.song.name,
        "tempo": song.tempo,
        "beats_per_bar": clock.grid.beats_per_bar,
        "confidence": song.confidence,
        "has_beats": bool(song.beats),
        "fixes": _fixes(fixes),
        "alternatives": list(song.alternatives),
        "knots": knots(clock),
        "bars": bars(clock),
        "sections": [
            {"name": s.name, "start_us": round(s.start * SECOND), "end_us": round(s.end * SECOND),
             "from": _at(clock, s.start), "to": _at(clock, s.end)}
            for s in song.sections
        ],
        "labels": {
            name: [{"s": second, "beat": _at(clock, second)} for second in times] for name, times in song.labels.items()
        },
        "colours": {
            name: {"written": texts[0] if len(texts) == 1 else texts, "screen": [_screen(text) for text in texts]}
            for name, texts in show.score.colours.items()
        },
        "zones": list(show.rig.zones),
        "clips": clips,
        "phrases": {name: [block.where for block in blocks] for name, blocks in show.score.phrases.items()},
        "placings": _placings(view, placed, document),
        "master": [
            {"where": level.where, "beat": _number(live.place_of(show, level.at)), "level": level.level,
             "written": _written(document, "master", i, "at")}
            for i, level in enumerate(show.score.master)
        ],
        "cues": cues,
        "pieces": pieces(view, mode),
    }  # fmt: skip


@lru_cache(4)
def knots(clock: FrameClock) -> list[list[float]]:
    """[beat, microseconds] where musical time is pinned to the song: straight lines between."""
    beats = {clock.start, clock.end, *(Fraction(i) for i in range(len(clock.grid.beats_us)))}
    return [[float(beat), clock.us_at(beat)] for beat in sorted(beats) if clock.start <= beat <= clock.end]


@lru_cache(4)
def bars(clock: FrameClock) -> list[dict[str, Any]]:
    """Every bar that the song touches; the outer ones end where the song does."""
    grid = clock.grid
    out = []
    for bar in range(grid.bar_of(clock.start), grid.bar_of(clock.end) + 1):
        start, end = max(grid.bar_start(bar), clock.start), min(grid.bar_start(bar + 1), clock.end)
        if start < end:
            out.append(
                {
                    "bar": bar, "from": float(start), "to": float(end), "start_us": clock.us_at(start),
                    "end_us": clock.us_at(end), "beats": grid.bar_beats(bar),
                }
            )  # fmt: skip
    return out


def pieces(view: live.View, mode: str) -> list[dict[str, Any]]:
    """The pieces of a show under a limiter mode."""
    return [
        {
            "id": p.id, "bar": p.bar, "first": p.first, "frames": p.frames, "start_us": p.start_us, "end_us": p.end_us,
            "from": float(p.from_beat), "to": float(p.to_beat),
        }
        for p in view.pieces(mode)
    ]  # fmt: skip


def _at(clock: FrameClock, second: float) -> float:
    return round(float(clock.beat_at_us(round(second * SECOND))), 4)


def _number(beat: Fraction | None) -> float | None:
    return None if beat is None else round(float(beat), 4)


def _screen(text: str) -> str:
    """A colour as the page paints it in a swatch: what the screen shows of its light."""
    return shown.swatch(parse_colour(text))


def _written(document: Mapping[str, Any], kind: str, number: int, key: str) -> Any:
    return document[kind][number].get(key)


def _fixes(fixes: Fixes) -> dict[str, Any]:
    return {
        "level": fixes.level,
        "shift_beats": float(fixes.shift.beats),
        "shift_bars": float(fixes.shift.bars),
        "shift_ms": float(fixes.shift.seconds) * 1000,
        "tempo": fixes.tempo,
        "beats_per_bar": fixes.beats_per_bar,
        "first_bar": fixes.first_bar,
        "anchors": [{"bar": anchor.bar, "at": anchor.at} for anchor in fixes.anchors],
        "sections": [{"at": at, "name": name} for at, name in fixes.sections],
        "section_names": dict(fixes.section_names),
        "labels": {
            name: [*fixes.notes.get(name, ()), *fixes.labels.get(name, ())] for name in {**fixes.notes, **fixes.labels}
        },
        "grid": fixes.grid is not None,
    }


class _Blocks:
    """Every block as written, in the order of their kinds: clips, phrases, triggers."""

    def __init__(self, view: live.View, text: str, document: Mapping[str, Any]) -> None:
        self.show, self.document = view.show, document
        self.lines = _Lines(text)
        self.song = Times(view.show.clock, self._falls, view.show.clock.grid.beats_per_bar)
        self.phrase = Times(None, self._falls, view.show.clock.grid.beats_per_bar)
        self.events: dict[str, int] = {}
        for cue in view.show.cues:
            label = cue.address.rpartition("@")[0]
            self.events[label] = self.events.get(label, 0) + 1

    def _falls(self, moment: Moment) -> Fraction | None:
        return live.place_of(self.show, moment)

    def all(self) -> tuple[list[dict[str, Any]], dict[str, int]]:
        score = self.show.score
        rows = [self._row(block, self.document["clip"][i], None) for i, block in enumerate(score.clips)]
        for name, blocks in score.phrases.items():
            rows += [self._row(block, self.document["phrase"][name][i], name) for i, block in enumerate(blocks)]
        for i, trigger in enumerate(score.triggers):
            row = self._row(trigger.clip, self.document["trigger"][i], None)
            row |= {"where": trigger.where, "kind": "trigger", "on": f"{trigger.event} {trigger.of}".strip()}
            row["events"] = self.events.get(trigger.clip.label, 0)
            row["line"] = self.lines.of(("trigger", i))
            rows.append(row)
        return rows, {row["where"]: i for i, row in enumerate(rows)}

    def _row(self, block: Block, values: Mapping[str, Any], phrase: str | None) -> dict[str, Any]:
        start, end = self._span(values, phrase)
        if block.phrase and start is not None:
            end = start + self._length(block.phrase, self.show.score, 0)
        return {
            "where": block.where, "kind": "placing" if block.phrase else "clip", "of": block.phrase or None,
            "label": block.label, "phrase": phrase, "zone": block.zone, "effect": block.effect, "layer": block.layer,
            "from": _number(start), "to": _number(end), "line": self.lines.of(_path(block.where)), "values": values,
        }  # fmt: skip

    def _span(self, values: Mapping[str, Any], phrase: str | None) -> tuple[Fraction | None, Fraction | None]:
        if phrase is None and not any(key in values for key in ("at", "bars")):
            return self.show.clock.start, self.show.clock.end  # a trigger over the whole song
        times = self.song if phrase is None else self.phrase
        try:
            return times.span(values)
        except BadEdit:
            return None, None

    def _length(self, phrase: str, score: Score, depth: int) -> Fraction:
        """How many beats a phrase lasts as written."""
        longest = Fraction(0)
        for i, block in enumerate(score.phrases.get(phrase, ())):
            start, end = self._span(self.document["phrase"][phrase][i], phrase)
            if start is not None and block.phrase and depth < 16:
                end = start + self._length(block.phrase, score, depth + 1)
            longest = max(longest, end or Fraction(0))
        return longest


class _Lines:
    """The lines on which blocks start; the text is scanned once."""

    def __init__(self, text: str) -> None:
        self.lines: dict[tuple[str | int, ...], int] = {}
        at, line = 0, 1
        try:
            for item in items(text):
                line += text.count("\n", at, item.start)
                at = item.start
                self.lines.setdefault(item.path, line)
        except CannotEdit:
            pass  # lines are a help and no more

    def of(self, path: tuple[str | int, ...]) -> int | None:
        return self.lines.get(path)


def _path(where: str) -> tuple[str | int, ...]:
    """`phrase.a.b[2].zone` -> ("phrase", "a.b", 1, "zone")."""
    match = re.fullmatch(r"(clip|trigger|master|anchor|section|phrase\.(.+?)|order\.(.+?))\[(\d+)\](?:\.(.+))?", where)
    if not match:
        return tuple(where.split(".")) if where else ()
    kind: tuple[str, ...] = (match[1],)
    if match[2] or match[3]:
        kind = (match[1].partition(".")[0], match[2] or match[3])
    return (*kind, int(match[4]) - 1, *(match[5].split(".") if match[5] else ()))


def _placings(view: live.View, placed: Iterable[shown.Placing], document: Mapping[str, Any]) -> list[dict[str, Any]]:
    show = view.show
    by_order = {cue.order: cue for cue in show.cues}
    at = {block.where: block.stretch.at for block in show.score.clips if block.phrase and block.stretch}
    written = {block.where: document["clip"][i].get("at") for i, block in enumerate(show.score.clips)}
    for name, moments in show.score.order.items():
        texts = document["order"][name]
        texts = texts if isinstance(texts, list) else [texts]
        at |= {f"order.{name}[{i + 1}]": moment for i, moment in enumerate(moments)}
        written |= {f"order.{name}[{i + 1}]": text for i, text in enumerate(texts)}
    out = []
    for placing in placed:
        cues = [by_order[number] for number in placing.cues if number in by_order]
        start = live.place_of(show, at[placing.where]) if placing.where in at else None
        end = max((cue.start + cue.length for cue in cues), default=start)
        out.append(
            {
                "where": placing.where,
                "phrase": placing.phrase,
                "from": _number(start),
                "to": _number(end),
                "written": written.get(placing.where),
            }
        )
    return out


def doubt_rows(view: live.View) -> list[dict[str, str]]:
    """What is probably not meant, each with the block that it concerns, '' for the whole score."""
    labels = {block.label: block.where for block in view.written.score.blocks()}
    rows = []
    for doubt in doubts(view.written):
        block = _BLOCK.match(doubt.where)
        named = labels.get(doubt.where.rpartition("@")[0])  # a clip's name may look like the place of another
        concerns = named or (block[0] if block else "")
        rows.append({"block": concerns, "where": doubt.where, "what": doubt.what, "text": str(doubt)})
    return rows


# ---- faults ------------------------------------------------------------------------------------------------------


def fault_rows(faults: Iterable[Fault], texts: Mapping[str, str]) -> list[dict[str, Any]]:
    """Faults as the page shows them, each with the block that it concerns and its line. `texts`: file -> its text."""
    return [fault_row(fault, texts.get(fault.file)) for fault in faults]


def fault_row(fault: Fault, text: str | None) -> dict[str, Any]:
    """One fault; `block` is a clip, a trigger, a placing ..., '' where it concerns the whole file."""
    block = _BLOCK.match(fault.where)
    key = fault.where[block.end() :].lstrip(".") if block else fault.where
    place = _PLACE.match(fault.where)
    line = int(place[1]) if place else None
    if line is None and text is not None:
        try:
            line = line_of(text, _path(fault.where))
        except CannotEdit:
            line = None
    return {
        "file": Path(fault.file).name, "where": fault.where, "block": block[0] if block else "", "key": key,
        "line": line, "what": fault.what, "hint": fault.hint, "text": str(fault),
    }  # fmt: skip
