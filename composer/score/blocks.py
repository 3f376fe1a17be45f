"""Reads the blocks of a score: clips, placings of phrases, triggers, the order, levels of the master."""

from __future__ import annotations

import re
import zlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from ..clock import Moment, Span
from ..effects.table import (
    EFFECTS,
    MOST_COLOURS,
    RGB,
    Effect,
    default_of,
    parse_colour,
    read_colour,
    read_params,
)
from ..faults import FaultList, Table, is_number, kind_of, listed, nearest
from .times import (
    length_only,
    moment_at,
    moment_of,
    number_or_points,
    read_span,
    signed_span,
    stretch_of,
    wholes_along,
    widths_along,
)
from .written import BANDS, EVENTS, MIXES, SPEEDS, Block, Level, Stretch, Trigger, Variation


def recoloured(words: Iterable[str], swaps: Mapping[str, str], colours: Mapping[str, list[str]]) -> tuple[RGB, ...]:
    """The colours that words stand for once each is swapped for another; without those that are none, which are told
    where they are read."""
    swapped = (swaps.get(word, word) for word in words)
    texts = (text for word in swapped for text in colours.get(word, [word]))
    return tuple(parse_colour(text) for text in texts if _plain(text))[:MOST_COLOURS]


def read_colours(top: Table) -> dict[str, list[str]]:
    """[colour]: names for colours and palettes. A palette is a list."""
    table = top.table("colour")
    colours: dict[str, list[str]] = {}
    for name in table.content:
        texts = table.list_of(name, 'a colour such as "#ff6a00"', lambda v: isinstance(v, str))
        for text in texts:
            if text in table.content and not _plain(text):
                table.fault(name, f'"{text}" is a name of [colour] itself: write its colours here too')
            else:
                read_colour(table, name, text, {})
        colours[name] = texts
    return colours


def _plain(text: str) -> bool:
    """Whether a word is a colour by itself."""
    try:
        return bool(parse_colour(text))
    except ValueError:
        return False


def read_palettes(top: Table, colours: Mapping[str, list[str]]) -> dict[str, dict[str, str]]:
    """[palette.SECTION]: what stands for colour words while a section of the song lasts."""
    palettes: dict[str, dict[str, str]] = {}
    for section, content in top.named("palette").items():
        table = Table(content, f"palette.{section}", top.faults)
        texts = {word: table.text(word) for word in table.content}
        palettes[section] = {
            word: text for word, text in texts.items() if text and read_colour(table, word, text, colours)
        }
    return palettes


@dataclass(frozen=True)
class Reader:
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
        stretch = stretch_of(table, in_phrase, needed=True) if timed else length_only(table)
        effect = table.choice("effect", EFFECTS)
        if not table.has("effect") and nearest("effect", table.content):  # nobody asks for its other keys then
            table.fault(nearest("effect", table.content).strip('"'), "unknown key", '"effect"')
        zone = _name(table, "zone", "a zone")
        params, words = self._params(table, EFFECTS[effect])
        block = Block(
            where=table.where,
            label=label,
            stretch=stretch,
            zone=zone,
            effect=effect,
            layer=table.whole("layer", 1, low=-1000, high=1000),
            mix=table.choice("mix", MIXES, "replace"),
            opacity=number_or_points(table, "opacity", 1.0, 0.0, 1.0),
            fade_in=read_span(table, "fade_in") or Span(),
            fade_out=read_span(table, "fade_out") or Span(),
            # Named by what it is, not by its number: a clip put in before it must not change its random choices.
            seed=table.whole("seed", zlib.crc32(f"{name}/{zone}/{effect}".encode()) >> 1, low=0, high=2**31 - 1),
            params=params,
            only=_name(table, "only", "a zone", ""),
            words=words,
        )
        if table.content.get("effect") == effect:  # else its other keys may well be right for the effect that was meant
            for key in table.unasked():  # a key of another effect is no slip of the pen
                if owners := [name for name, other in EFFECTS.items() if key in {param.key for param in other.params}]:
                    table.raw(key)
                    table.fault(key, f"is no key of {effect}, but of {listed(owners)}")
            table.finish()
        return block

    def _params(self, table: Table, effect: Effect) -> tuple[dict[str, Any], dict[str, tuple[str, ...]]]:
        """The effect's parameters, numbers and widths along points among them; and the words of its colours."""
        may = ("number", "whole", "width")
        along = {p.key: p for p in effect.params if p.kind in may and isinstance(table.content.get(p.key), list)}
        plain = Table({k: v for k, v in table.content.items() if k not in along}, table.where, table.faults)
        params = read_params(plain, effect, self.colours)
        for param in effect.params:
            table.raw(param.key, None)  # asked for, so that it counts as known
        for key, param in along.items():
            if param.kind == "whole":
                params[key] = wholes_along(table, key, param.default, param.low, param.high)
            elif param.kind == "width":
                params[key] = widths_along(table, key, default_of(param))
            else:
                params[key] = number_or_points(table, key, param.default, param.low, param.high)
        words = {}
        for param in effect.params:
            if param.kind == "colours" and table.has(param.key):
                value = table.raw(param.key)
                items = value if isinstance(value, list) else [value]
                words[param.key] = tuple(item for item in items if isinstance(item, str))
        return params, words

    def _placing(self, table: Table, label: str, in_phrase: bool, timed: bool) -> Block:
        """A phrase placed by a block: `phrase` and `at`. It lasts as long as its clips."""
        phrase = _name(table, "phrase", "a phrase")
        for key in ("bars", "for", "to"):
            if table.has(key):
                table.raw(key)
                table.fault(key, f"a phrase lasts as long as its clips: drop {key}, and say where it starts with at")
        if not timed:
            table.fault("phrase", "a trigger lays a clip, not a phrase")
        at = moment_at(table, "at", in_phrase)
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


def _name(table: Table, key: str, what: str, *default: str) -> str:
    """The name of something that the score or the rig has; an empty one would stand for nothing without a word."""
    name: str = table.text(key, *default)
    if table.has(key) and not name and table.sound(key):
        table.fault(key, f"is empty: it needs the name of {what}")
    return name


def read_level(table: Table) -> Level | None:
    level = table.number("level", low=0.0, high=1.0)
    if not table.has("at"):
        table.fault("at", 'is missing: say from when, at = "17.1"')
    at = moment_at(table, "at", in_phrase=False)
    table.finish()
    return None if at is None else Level(table.where, at, level)


def read_order(table: Table, phrases: Mapping[str, Any]) -> dict[str, tuple[Moment, ...]]:
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
                moments.append(moment_of(table, key, item))
        order[name] = tuple(m for m in moments if m is not None)
    return order


MIDI_NOTE = re.compile(r"(?:[1-9]|1[0-6])/(?:\d|[1-9]\d|1[01]\d|12[0-7])")


def read_trigger(table: Table, label: str, read: Reader) -> Trigger:
    text = table.text("on")
    event, _, of = text.strip().partition(" ")
    of = of.strip()
    if table.sound("on") and event not in EVENTS:
        table.fault("on", f'"{text}" is not one of {", ".join(EVENTS)}', nearest(event, EVENTS))
    elif event == "onsets" and of not in BANDS:
        table.fault("on", f'onsets need a band, "onsets low", "onsets mid" or "onsets high", got "{text}"')
    elif event == "label" and not of:
        table.fault("on", 'needs the name of a label, such as "label door"')
    elif event == "midi" and not MIDI_NOTE.fullmatch(of):
        table.fault("on", f'"{text}" is not a note: write "midi 10/36", channel 1-16 and note 0-127')
    elif event not in ("onsets", "label", "midi") and of:
        table.fault("on", f'"{text}": {event} takes nothing after it', f'"{event}"')
    if not table.sound("on"):
        event = ""  # of which there are none
    if table.has("clip"):
        clip = read.block(table.table("clip"), label, timed=False)
    else:
        clip = Block(f"{table.where}.clip", label, None)
        table.fault("clip", "is missing: what to lay on every event, clip = {zone = ..., effect = ...}")
    trigger = Trigger(
        where=table.where,
        event=event,
        of=of,
        stretch=stretch_of(table, in_phrase=False, needed=False),
        every=table.whole("every", 1, low=1, high=1000),
        offset=table.whole("offset", 0, low=0, high=1000),
        threshold=table.number("threshold", 0.0, low=0.0, high=1.0),
        gap=read_span(table, "gap") or Span(),
        clip=clip,
        shift=signed_span(table, "shift"),
    )
    table.finish()
    return trigger
