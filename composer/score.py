"""The score: what is to happen, as a person writes it in `score.toml`. Loads and checks; knows no song and no rig.

Times stay as written (`Moment`, `Span`): only the timeline, which knows the beats, turns them into frames. Inside a
phrase, bars and beats count from the phrase's own start.
"""

from __future__ import annotations

import re
import zlib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any

from .clock import Moment, Span, parse_moment, parse_span
from .effects.table import EFFECTS, MOST_COLOURS, RGB, Effect, parse_colour, read_colour, read_params
from .faults import FaultList, Table, is_number, kind_of, nearest, range_text, read_toml

MIXES = ("replace", "add", "max")
LIMITER_MODES = ("on", "warn", "off")
EVENTS = ("beats", "bars", "onsets", "kick", "snare", "hat", "label", "midi")
SPEEDS = {"half": Fraction(2), "normal": Fraction(1), "double": Fraction(1, 2)}  # how much longer all takes
BANDS = ("low", "mid", "high")
MOST_DEPTH = 16
MOST_POINTS = 256


@dataclass(frozen=True)
class Stretch:
    """From when to when: a start, and an end or a length."""

    at: Moment
    to: Moment | None = None
    length: Span | None = None


@dataclass(frozen=True)
class Points:
    """A number that changes along a clip: straight from point to point, level before the first and after the last.

    Each point is a place, counted from the clip's own start ("1.1") or from its end, and a value.
    """

    points: tuple[tuple[Moment, float], ...]


@dataclass(frozen=True)
class Variation:
    """How one placing of a phrase differs from what is written in it.

    `seed` makes other choices by lot (None: the same); `mirror` shows it left for right; `longer` is how many times as
    long everything takes; `colours` names what stands for each of the phrase's colour words.
    """

    seed: int | None = None
    mirror: bool = False
    longer: Fraction = Fraction(1)
    colours: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Block:
    """A clip as written, or the placing of a phrase (`phrase` set; then `effect` and `zone` are empty).

    `where` is its place in the file, `label` what messages and the audit call it. `params` are hashable; a number may
    be `Points`. `words` holds, for each written colour parameter, its words. `only` is a zone outside which the clip
    does not show, '' for none. `variation` belongs to a placing.
    """

    where: str
    label: str
    stretch: Stretch | None
    zone: str = ""
    effect: str = ""
    params: Mapping[str, Any] = field(default_factory=dict)
    layer: int = 1
    mix: str = "replace"
    opacity: float | Points = 1.0
    fade_in: Span = Span()
    fade_out: Span = Span()
    seed: int = 0
    phrase: str = ""
    only: str = ""
    words: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    variation: Variation = Variation()


@dataclass(frozen=True)
class Trigger:
    """A rule that lays one clip on every event in a stretch (the whole song without one).

    `event` is one of EVENTS, `of` the band, the label or the MIDI channel/note. Clips start `shift` after their events,
    which counts before `stretch` does. Every `every`-th event counts, from number `offset` (0 = the
    first). Events weaker than `threshold`, or nearer than `gap` to the last that was kept, are passed over and not
    counted.
    """

    where: str
    event: str
    of: str
    stretch: Stretch | None
    every: int
    offset: int
    threshold: float
    gap: Span
    clip: Block
    shift: Span = Span()


@dataclass(frozen=True)
class Level:
    """One point of the master: from here on, straight to the next one, all light is scaled by `level`, 0-1."""

    where: str
    at: Moment
    level: float


@dataclass(frozen=True)
class Score:
    """A checked score. `order` places phrases; `grid` is the bar numbering it was written against ('' unknown)."""

    path: Path
    title: str
    song: Path
    rig: Path
    rate: float
    seed: int
    limiter: str
    grid: str
    clips: tuple[Block, ...]
    phrases: Mapping[str, tuple[Block, ...]]
    order: Mapping[str, tuple[Moment, ...]]
    triggers: tuple[Trigger, ...]
    master: tuple[Level, ...] = ()
    colours: Mapping[str, list[str]] = field(default_factory=dict)

    def blocks(self) -> Iterator[Block]:
        """Every written clip, wherever it stands."""
        yield from self.clips
        for blocks in self.phrases.values():
            yield from blocks
        for trigger in self.triggers:
            yield trigger.clip


def load_score(path: Path) -> Score:
    """Read and check a score file. Raises `Faults` with everything that is wrong."""
    faults = FaultList(path)
    score = score_from(read_toml(path), path, faults)
    faults.raise_if_any()
    return score


def score_from(document: Mapping[str, Any], path: Path, faults: FaultList) -> Score:
    """A score from a parsed document; faults are collected, so the result counts only when there are none."""
    top = Table(document, "", faults)
    if top.whole("format", 1) != 1:
        top.fault("format", "this version reads format = 1")
    song, rig = top.text("song"), top.text("rig", "rig.toml")
    read = _Reader(_colours(top))
    phrases = {name: read.phrase(name, blocks, faults) for name, blocks in top.named("phrase").items()}
    clips = tuple(read.block(t, f"clip[{i + 1}]") for i, t in enumerate(top.tables("clip")))
    triggers = tuple(_trigger(t, f"trigger[{i + 1}]", read) for i, t in enumerate(top.tables("trigger")))
    order = _order(top.table("order"), phrases)
    _check_phrases(phrases, clips, faults)
    _check_variations(phrases, clips, faults)
    _check_names([*clips, *(trigger.clip for trigger in triggers)], phrases, faults)
    score = Score(
        path=path,
        title=top.text("title", "") or Path(song or "show").stem,
        song=path.parent / (song or "song"),
        rig=path.parent / rig,
        rate=top.number("rate", 40.0, low=5, high=240),
        seed=top.whole("seed", 1, low=0, high=2**31 - 1),
        limiter=top.choice("limiter", LIMITER_MODES, "on"),
        grid=top.text("grid", ""),
        clips=clips,
        phrases=phrases,
        order=order,
        triggers=triggers,
        master=tuple(level for t in top.tables("master") if (level := _level(t)) is not None),
        colours=read.colours,
    )
    top.finish()
    return score


def recoloured(words: Iterable[str], swaps: Mapping[str, str], colours: Mapping[str, list[str]]) -> tuple[RGB, ...]:
    """The colours that words stand for once each is swapped for another; of a score without faults."""
    swapped = (swaps.get(word, word) for word in words)
    found = (parse_colour(text) for word in swapped for text in colours.get(word, [word]))
    return tuple(found)[:MOST_COLOURS]


def _colours(top: Table) -> dict[str, list[str]]:
    """[colour]: names for colours and palettes. A palette is a list."""
    table = top.table("colour")
    colours: dict[str, list[str]] = {}
    for name in table.content:
        texts = table.list_of(name, 'a colour such as "#ff6a00"', lambda v: isinstance(v, str))
        for text in texts:
            read_colour(table, name, text, {})
        colours[name] = texts
    return colours


@dataclass(frozen=True)
class _Reader:
    """Reads clip blocks against the score's own colours."""

    colours: Mapping[str, list[str]]

    def phrase(self, name: str, blocks: Any, faults: FaultList) -> tuple[Block, ...]:
        where = f"phrase.{name}"
        if not isinstance(blocks, list) or not blocks:
            faults.add(where, f"needs [[{where}]] blocks, got {kind_of(blocks)}")
            return ()
        tables = [Table(block, f"{where}[{i + 1}]", faults) for i, block in enumerate(blocks)]
        return tuple(self.block(t, f"{name}[{i + 1}]", in_phrase=True) for i, t in enumerate(tables))

    def block(self, table: Table, label: str, in_phrase: bool = False, timed: bool = True) -> Block:
        """One clip, or the placing of a phrase. `timed`: it says when; else the trigger it belongs to does."""
        name = table.text("name", "")
        label = name or label
        if table.has("phrase"):
            return self._placing(table, label, in_phrase, timed)
        stretch = _stretch(table, in_phrase, needed=True) if timed else _length_only(table)
        effect = table.choice("effect", EFFECTS)
        zone = table.text("zone")
        params, words = self._params(table, EFFECTS[effect])
        block = Block(
            where=table.where,
            label=label,
            stretch=stretch,
            zone=zone,
            effect=effect,
            layer=table.whole("layer", 1, low=-1000, high=1000),
            mix=table.choice("mix", MIXES, "replace"),
            opacity=_number_or_points(table, "opacity", 1.0, 0.0, 1.0),
            fade_in=read_span(table, "fade_in") or Span(),
            fade_out=read_span(table, "fade_out") or Span(),
            # Named by what it is, not by its number: a clip put in before it must not change its random choices.
            seed=table.whole("seed", zlib.crc32(f"{name}/{zone}/{effect}".encode()) >> 1, low=0, high=2**31 - 1),
            params=params,
            only=table.text("only", ""),
            words=words,
        )
        if table.content.get("effect") == effect:  # else its other keys may well be right for the effect that was meant
            table.finish()
        return block

    def _params(self, table: Table, effect: Effect) -> tuple[dict[str, Any], dict[str, tuple[str, ...]]]:
        """The effect's parameters, numbers along points among them; and the words of its colours."""
        along = {p.key: p for p in effect.params if p.kind == "number" and isinstance(table.content.get(p.key), list)}
        plain = Table({k: v for k, v in table.content.items() if k not in along}, table.where, table.faults)
        params = read_params(plain, effect, self.colours)
        for param in effect.params:
            table.raw(param.key, None)  # asked for, so that it counts as known
        for key, param in along.items():
            params[key] = _number_or_points(table, key, param.default, param.low, param.high)
        words = {}
        for param in effect.params:
            if param.kind == "colours" and table.has(param.key):
                value = table.raw(param.key)
                items = value if isinstance(value, list) else [value]
                words[param.key] = tuple(item for item in items if isinstance(item, str))
        return params, words

    def _placing(self, table: Table, label: str, in_phrase: bool, timed: bool) -> Block:
        """A phrase placed by a block: `phrase` and `at`. It lasts as long as its clips."""
        phrase = table.text("phrase")
        for key in ("bars", "for", "to"):
            if table.has(key):
                table.raw(key)
                table.fault(key, f"a phrase lasts as long as its clips: drop {key}, and say where it starts with at")
        if not timed:
            table.fault("phrase", "a trigger lays a clip, not a phrase")
        at = _moment(table, "at", in_phrase)
        if timed and not table.has("at"):
            if in_phrase:
                at = Moment("bar", bar=1)
            else:
                table.fault("at", 'is missing: say where the phrase starts, at = "17.1"')
        variation = self._variation(table)
        table.finish()
        return Block(table.where, label, None if at is None else Stretch(at), phrase=phrase, variation=variation)

    def _variation(self, table: Table) -> Variation:
        """What a placing changes. Which words the phrase has is checked when all phrases are known."""
        swaps = table.table("colours")
        colours = {}
        for word in swaps.content:
            text = swaps.text(word)
            if text and read_colour(swaps, word, text, self.colours):
                colours[word] = text
        return Variation(
            seed=table.whole("seed", None, low=0, high=2**31 - 1),
            mirror=table.flag("mirror", False),
            longer=SPEEDS[table.choice("speed", SPEEDS, "normal")],
            colours=colours,
        )


# ---- times -------------------------------------------------------------------------------------------------------


def read_span(table: Table, key: str) -> Span | None:
    """A length such as "2 bars" at a key, None without the key or with a fault, which says how to write it."""
    text = _quoted(table, key, "2 bars", unit=" beats")
    if text is None:
        return None
    try:
        return parse_span(text)
    except ValueError as error:
        table.fault(key, str(error))
        return None


def _signed_span(table: Table, key: str) -> Span:
    """A length that may lie before: "1/2 beat", "-20 ms". Nothing without the key or with a fault."""
    text = _quoted(table, key, "1/2 beat", unit=" beats")
    if text is None:
        return Span()
    before = text.lstrip().startswith("-")
    try:
        span = parse_span(text.lstrip()[1:] if before else text)
    except ValueError as error:
        table.fault(key, str(error))
        return Span()
    return -span if before else span


def _number_or_points(table: Table, key: str, default: float, low: float, high: float) -> float | Points:
    """A number, or points `[["1.1", 0.2], ["3.1", 1.0]]` in the clip's own bars and beats."""
    value = table.content.get(key)
    if not isinstance(value, list):
        number: float = table.number(key, default, low=low, high=high)
        return number
    table.raw(key)
    if not 1 <= len(value) <= MOST_POINTS:
        table.fault(key, f"holds {len(value)} points, needs 1 to {MOST_POINTS}")
    points = []
    for i, item in enumerate(value):
        at = f"{key}[{i + 1}]"
        if not (isinstance(item, list) and len(item) == 2):
            table.fault(at, f'needs a place in the clip and a value, such as ["1.1", {high:g}], got {kind_of(item)}')
            continue
        place, number = item
        if is_number(place):
            table.fault(at, f'a musical time needs quotes: ["{place}", {number}]')
            continue
        if not isinstance(place, str):
            table.fault(at, f'needs a time in quotes such as "1.1", got {kind_of(place)}')
            continue
        if not is_number(number) or not low <= number <= high:
            table.fault(at, f"needs a value, {range_text(low, high)}, got {kind_of(number)}")
            continue
        moment = _moment_of(table, at, place)
        if moment is not None and moment.kind not in ("bar", "start", "end"):
            table.fault(at, f'"{place}": points count from the clip\'s own start, such as "1.1", or from its end')
        elif moment is not None:
            points.append((moment, float(number)))
    return Points(tuple(points)) if points else default


def _level(table: Table) -> Level | None:
    level = table.number("level", low=0.0, high=1.0)
    if not table.has("at"):
        table.fault("at", 'is missing: say from when, at = "17.1"')
    at = _moment(table, "at", in_phrase=False)
    table.finish()
    return None if at is None else Level(table.where, at, level)


def _moment(table: Table, key: str, in_phrase: bool) -> Moment | None:
    text = _quoted(table, key, "17.3")
    return None if text is None else _moment_of(table, key, text, in_phrase)


def _moment_of(table: Table, key: str, text: str, in_phrase: bool = False) -> Moment | None:
    try:
        moment = parse_moment(text)
    except ValueError as error:
        table.fault(key, str(error))
        return None
    if in_phrase and moment.kind != "bar":
        table.fault(key, f'"{text}": inside a phrase, times are bars and beats from its own start, such as "1.1"')
    return moment


def _quoted(table: Table, key: str, example: str, unit: str = "") -> str | None:
    """A time in quotes, or None. Unquoted, TOML reads 17.10 as 17.1, so that is a fault which shows the fix."""
    value = table.raw(key, None)
    if is_number(value):
        table.fault(key, f'a musical time needs quotes: {key} = "{value}{unit.rstrip("s") if value == 1 else unit}"')
        return None
    if table.has(key) and not isinstance(value, str):
        table.fault(key, f'needs a time in quotes such as "{example}", got {kind_of(value)}')
        return None
    return str(value) if table.has(key) else None


BARS = re.compile(r"\s*(-?\d+)\s*(?:-\s*(\d+|end)\s*)?")


def _stretch(table: Table, in_phrase: bool, needed: bool) -> Stretch | None:
    """`bars = "1-4"`, or `at` with `for` or `to`. Not `needed`: without any of them None, the whole song."""
    if table.has("bars"):
        for key in ("at", "for", "to"):
            if table.has(key):
                table.raw(key)
                table.fault(key, f"bars already says when: drop bars or {key}")
        return _bars(table, in_phrase)
    table.raw("bars", None)
    length, to = _length(table), _moment(table, "to", in_phrase)
    if table.has("to") and table.has("for"):
        table.fault("to", "for already says how long: drop for or to")
    at = _moment(table, "at", in_phrase)
    if not table.has("at"):
        if needed or table.has("for") or table.has("to"):
            table.fault("at", 'is missing: say when, at = "17.1" with for = "2 bars", or bars = "17-18"')
        return None
    if not table.has("for") and not table.has("to"):
        table.fault("for", 'is missing: say how long, for = "2 bars" or to = "19.1"')
    return None if at is None else Stretch(at, to, length)


def _bars(table: Table, in_phrase: bool) -> Stretch | None:
    text = _quoted(table, "bars", "1-4")
    if text is None:
        return None
    match = BARS.fullmatch(text)
    if not match:
        table.fault("bars", f'"{text}" is not a run of bars: write "5", "1-4" or "41-end"')
        return None
    first, last = match.groups()
    if last == "end":
        if in_phrase:
            table.fault("bars", f'"{text}": a phrase has no end of its own, say the last bar')
        return Stretch(Moment("bar", bar=int(first)), Moment("end"))
    if last and int(last) < int(first):
        table.fault("bars", f'"{text}" runs backwards')
        return None
    return Stretch(Moment("bar", bar=int(first)), Moment("bar", bar=int(last or first) + 1))


def _length(table: Table) -> Span | None:
    length = read_span(table, "for")
    if length is not None and not length.positive:
        table.fault("for", "a length is more than nothing")
    return length


def _length_only(table: Table) -> Stretch:
    """A trigger's clip: the trigger says when, the clip only how long (a beat unless said)."""
    for key in ("at", "to", "bars"):
        if table.has(key):
            table.raw(key)
            table.fault(key, "the trigger says when; its clip says only how long, with for")
    return Stretch(Moment("start"), length=_length(table) or Span(beats=Fraction(1)))


# ---- order, triggers ---------------------------------------------------------------------------------------------


def _order(table: Table, phrases: Mapping[str, Any]) -> dict[str, tuple[Moment, ...]]:
    order = {}
    for name in table.content:
        if name not in phrases:
            table.raw(name)
            table.fault(name, f'there is no phrase "{name}"', nearest(name, phrases))
            continue
        value = table.raw(name)
        moments = []
        for i, item in enumerate(value if isinstance(value, list) else [value]):
            key = f"{name}[{i + 1}]" if isinstance(value, list) else name
            if is_number(item):
                table.fault(key, f'a musical time needs quotes: "{item}"')
            elif not isinstance(item, str):
                table.fault(key, f'needs a time in quotes such as "17.1", got {kind_of(item)}')
            else:
                moments.append(_moment_of(table, key, item))
        order[name] = tuple(m for m in moments if m is not None)
    return order


MIDI_NOTE = re.compile(r"(?:[1-9]|1[0-6])/(?:\d|[1-9]\d|1[01]\d|12[0-7])")


def _trigger(table: Table, label: str, read: _Reader) -> Trigger:
    text = table.text("on")
    event, _, of = (text or "").strip().partition(" ")
    of = of.strip()
    if text and event not in EVENTS:
        table.fault("on", f'"{text}" is not one of {", ".join(EVENTS)}', nearest(event, EVENTS))
    elif event == "onsets" and of not in BANDS:
        table.fault("on", f'onsets need a band, "onsets low", "onsets mid" or "onsets high", got "{text}"')
    elif event == "label" and not of:
        table.fault("on", 'needs the name of a label, such as "label door"')
    elif event == "midi" and not MIDI_NOTE.fullmatch(of):
        table.fault("on", f'"{text}" is not a note: write "midi 10/36", channel 1-16 and note 0-127')
    elif event not in ("onsets", "label", "midi") and of:
        table.fault("on", f'"{text}": {event} takes nothing after it', f'"{event}"')
    if table.has("clip"):
        clip = read.block(table.table("clip"), label, timed=False)
    else:
        clip = Block(f"{table.where}.clip", label, None)
        table.fault("clip", "is missing: what to lay on every event, clip = {zone = ..., effect = ...}")
    trigger = Trigger(
        where=table.where,
        event=event,
        of=of,
        stretch=_stretch(table, in_phrase=False, needed=False),
        every=table.whole("every", 1, low=1, high=1000),
        offset=table.whole("offset", 0, low=0, high=1000),
        threshold=table.number("threshold", 0.0, low=0.0, high=1.0),
        gap=read_span(table, "gap") or Span(),
        clip=clip,
        shift=_signed_span(table, "shift"),
    )
    table.finish()
    return trigger


def _check_phrases(phrases: Mapping[str, tuple[Block, ...]], clips: tuple[Block, ...], faults: FaultList) -> None:
    """Every placed phrase exists, and none holds itself, however far down."""
    for blocks in (clips, *phrases.values()):
        for block in blocks:
            if block.phrase and block.phrase not in phrases:
                faults.add(
                    f"{block.where}.phrase", f'there is no phrase "{block.phrase}"', nearest(block.phrase, phrases)
                )
    depths: dict[str, int] = {}

    def depth(name: str, path: tuple[str, ...]) -> int:
        """How many phrases deep a phrase is, itself included."""
        if name in path:
            circle = [*path[path.index(name) :], name]
            faults.add(f"phrase.{name}", f"phrases go round in a circle: {' -> '.join(circle)}")
        elif name not in depths and len(path) <= MOST_DEPTH:
            inner = (block.phrase for block in phrases.get(name, ()) if block.phrase)
            depths[name] = 1 + max((depth(phrase, (*path, name)) for phrase in inner), default=0)
        return depths.get(name, 1)

    for name in phrases:
        if depth(name, ()) > MOST_DEPTH:
            faults.add(f"phrase.{name}", f"phrases are nested more than {MOST_DEPTH} deep")


def _check_variations(phrases: Mapping[str, tuple[Block, ...]], clips: tuple[Block, ...], faults: FaultList) -> None:
    """A placing swaps colours that its phrase, or one placed inside it, does write."""
    for blocks in (clips, *phrases.values()):
        for block in blocks:
            known = _words_of(block.phrase, phrases) if block.variation.colours else set()
            for word in block.variation.colours:
                if block.phrase in phrases and word not in known:
                    what = f'the phrase "{block.phrase}" writes no colour "{word}"'
                    faults.add(f"{block.where}.colours.{word}", what, nearest(word, known))


def _words_of(phrase: str, phrases: Mapping[str, tuple[Block, ...]]) -> set[str]:
    """Every colour word that a phrase writes, those of phrases placed inside it too; as they are swapped there."""
    found: set[str] = set()
    seen: set[str] = set()
    waiting = [phrase]
    while waiting:
        name = waiting.pop()
        if name in seen:
            continue
        seen.add(name)
        for block in phrases.get(name, ()):
            for words in block.words.values():
                found.update(words)
            found.update(block.variation.colours.values())
            if block.phrase:
                waiting.append(block.phrase)
    return found


def _check_names(clips: list[Block], phrases: Mapping[str, tuple[Block, ...]], faults: FaultList) -> None:
    seen: dict[str, str] = {}
    for block in (*clips, *(block for blocks in phrases.values() for block in blocks)):
        first = seen.setdefault(block.label, block.where)
        if first != block.where:
            faults.add(f"{block.where}.name", f'"{block.label}" is already the name of {first}')
