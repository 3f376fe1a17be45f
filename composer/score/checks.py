"""What only the whole score shows: phrases that are missing or go round in a circle, colours, names used twice."""

from __future__ import annotations

from collections.abc import Mapping

from ..faults import FaultList, nearest
from .written import MOST_DEPTH, Block


def check_phrases(phrases: Mapping[str, tuple[Block, ...]], clips: tuple[Block, ...], faults: FaultList) -> None:
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


def check_variations(phrases: Mapping[str, tuple[Block, ...]], clips: tuple[Block, ...], faults: FaultList) -> None:
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


def check_palettes(
    palettes: Mapping[str, Mapping[str, str]],
    clips: list[Block],
    phrases: Mapping[str, tuple[Block, ...]],
    faults: FaultList,
) -> None:
    """A section's palette stands for colour words that some clip of the score writes."""
    known: set[str] = set()
    for block in (*clips, *(block for blocks in phrases.values() for block in blocks)):
        known.update(word for words in block.words.values() for word in words)
        known.update(block.variation.colours.values())
    for section, swaps in palettes.items():
        for word in swaps:
            if word not in known:
                faults.add(f"palette.{section}.{word}", f'no clip writes a colour "{word}"', nearest(word, known))


def check_names(clips: list[Block], phrases: Mapping[str, tuple[Block, ...]], faults: FaultList) -> None:
    seen: dict[str, str] = {}
    for block in (*clips, *(block for blocks in phrases.values() for block in blocks)):
        first = seen.setdefault(block.label, block.where)
        if first != block.where:
            faults.add(f"{block.where}.name", f'"{block.label}" is already the name of {first}')
