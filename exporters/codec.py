"""One unit of frames <-> its payload, as ROLL.md "Payloads" says.

Conventions: frames are uint8, shape (frames, frame_bytes), in wire order. A unit is a run of frames that is arranged,
packed and checked as one. `before` is what stands when it begins: the last frame of the unit it leans on, uint8
(frame_bytes,), or None for darkness; `history` are all frames of that unit, if its `how` is one that `keeps_frames`;
`window` are the last inflated bytes of that unit's chain, at most 2^window_bits, which its deflate may point back into.
Without a unit to lean on there is none of them.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from .spec import (
    CHANGES,
    COLUMNS,
    LAST_BLOCK,
    MOST_FRAMES,
    MOST_UNIT_BYTES,
    MOST_WINDOW_BITS,
    PAIRS,
    QUOTES,
    ROWS,
    STEP,
    RollError,
)

if TYPE_CHECKING:
    from . import quotes

Frames = NDArray[np.uint8]
Row = NDArray[np.uint8]

NO_HISTORY: Frames = np.zeros((0, 0), np.uint8)

PROBE_LEVEL = 2
MOSTLY_CHANGED, HARDLY_CHANGED = 0.4, 0.1  # shares of changed bytes beyond which some arrangements are not probed
CLEARLY = 0.6  # of what a part promises for the whole: below, there is no doubt; nor above the inverse
SAMPLED, SAMPLE_BLOCK, SAMPLE_OF = 768, 96, 4  # of longer frames every fourth block is probed; 96 is whole pixels

# (kind, changes, in steps of a pixel's channels, or of one byte). Each wins on some shows, some seldom.
DENSE = (
    (COLUMNS, True, True),
    (COLUMNS, True, False),
    (COLUMNS, False, True),
    (PAIRS, True, True),
    (ROWS, True, True),
    (ROWS, False, True),
)
DENSE_SELDOM = ((COLUMNS, False, False), (ROWS, False, False), (ROWS, True, False))
QUOTED = ((QUOTES, False, True), (QUOTES, True, True))
QUOTED_BYTES = ((QUOTES, False, False), (QUOTES, True, False))  # tried where the like by pixels is smallest
ALL = (*QUOTED, *QUOTED_BYTES, *DENSE, *DENSE_SELDOM)


@dataclass(frozen=True)
class Effort:
    """How hard a small payload is looked for.

    level: zlib's, 0-9. packed: so many arrangements, those that are likely to come out smallest, are packed by it; 0:
    the first one there is. searched: so many of those, the smallest again, by `deflate`, with its passes and depth.
    sampled: what is likely is probed on a part of a long frame. quoted: how many places are looked at for something to
    quote.
    """

    level: int
    packed: int
    searched: int = 0
    passes: int = 0
    depth: int = 0
    sampled: bool = False
    quoted: int = 0


AT_ONCE = Effort(0, 0)  # nothing is packed: for rolls that are read at once
QUICK = Effort(6, 2, sampled=True, quoted=8)  # some 10 MB a second
FAIR = Effort(7, 2, 1, passes=2, depth=16, quoted=8)  # some 2 MB a second
FULL = Effort(7, 2, 1, passes=3, depth=96, quoted=32)  # some 1 MB a second
LONG = Effort(9, len(ALL), 3, passes=8, depth=400, quoted=400)  # some 0.05 MB a second


@dataclass(frozen=True)
class Packed:
    """A unit as stored: its payload, how it is arranged, and the bytes that it inflates to."""

    payload: bytes
    how: int
    arranged: bytes


def encode_chain(
    units: Sequence[Frames], *, window_bits: int = MOST_WINDOW_BITS, channels: int = 3, effort: Effort = FULL
) -> list[Packed]:
    """Pack units of which each leans on the one before, the first on nothing, as small as some effort finds.

    units, window_bits, channels, effort: as in `encode_unit`. Raises `RollError` as it does.
    """
    chain: list[Packed] = []
    before, history, window = None, NO_HISTORY, b""
    for frames in units:
        like = chain[-1].how if chain else None
        packed = encode_unit(
            frames,
            before=before,
            history=history,
            window=window,
            window_bits=window_bits,
            channels=channels,
            effort=effort,
            like=like,
        )
        chain.append(packed)
        history = frames if keeps_frames(packed.how) else NO_HISTORY
        before, window = frames[-1], (window + packed.arranged)[-(1 << MOST_WINDOW_BITS) :]
    if effort is not LONG:
        return chain
    # Each unit's smallest is not the chain's: what is found in less time comes out smaller now and then.
    other = encode_chain(units, window_bits=window_bits, channels=channels, effort=FULL)
    return min(chain, other, key=lambda packed: sum(len(one.payload) for one in packed))


def encode_unit(
    frames: Frames,
    *,
    before: Row | None = None,
    history: Frames = NO_HISTORY,
    window: bytes = b"",
    window_bits: int = MOST_WINDOW_BITS,
    channels: int = 3,
    effort: Effort = FULL,
    like: int | None = None,
) -> Packed:
    """Pack a unit as small as some effort finds.

    frames: uint8 (frames, frame_bytes). before, history, window: see above. channels: bytes a pixel of most of them, 3
    or 4: a hint. like: how the unit that this one leans on is arranged, which is tried as well if there is a search:
    its bytes are in the window. Raises `RollError` for an array of another kind or beyond the limits.
    """
    check_frames(frames)
    stand = _stand(before, frames.shape[1])

    @cache
    def quoting(step: int) -> quotes.Quoting:
        from . import quotes  # its compiler takes a moment to load

        return quotes.Quoting.of(frames, history.ravel(), step, effort.quoted)

    @cache
    def arranged(how: int) -> bytes:
        if kind_of(how) == QUOTES:
            return quoting((how & STEP) + 1).written(bool(how & CHANGES))
        return arrange(frames, how, stand)

    if effort.packed == 0:
        hows = [how_of(ROWS, False, 1)]
    elif effort.packed == len(ALL):
        hows = _hows(ALL, channels)
    else:
        hows = _likely(frames, stand, channels, arranged, window, window_bits, effort.sampled)[: effort.packed]
        if effort.searched and like is not None and like not in hows:
            hows.append(like)
    packed = []
    for how in hows:
        body = arranged(how)
        if len(body) <= frames.size:
            packed.append(Packed(_deflate(body, window, window_bits, effort.level), how, body))
    if not packed:  # the likely ones are all quotes, and longer than the frames of so small a unit
        return encode_unit(
            frames, before=before, history=history, window=window, window_bits=window_bits, channels=channels,
            effort=LONG,
        )  # fmt: skip
    packed.sort(key=lambda one: len(one.payload))
    if effort.searched:
        from .deflate import deflate  # its compiler is no use to those who only read

        for one in packed[: effort.searched]:
            blocks = deflate(one.arranged[:-1], window, window_bits, passes=effort.passes, depth=effort.depth)
            packed.append(Packed(blocks + LAST_BLOCK + one.arranged[-1:], one.how, one.arranged))
    return min(packed, key=lambda one: len(one.payload))


def _likely(
    frames: Frames,
    stand: Row,
    channels: int,
    arranged: Callable[[int], bytes],
    window: bytes,
    window_bits: int,
    sampled: bool,
) -> list[int]:
    """Arrangements, those first that come out smallest at a quick level; `sampled`: on a part of a long frame.

    arranged: the bytes of the whole unit by `how`.
    """
    changed = np.count_nonzero(frames[1:] != frames[:-1]) + np.count_nonzero(frames[0] != stand)
    share = changed / frames.size
    part: Any = slice(None)
    if sampled and frames.shape[1] > SAMPLED:
        part = np.flatnonzero(np.arange(frames.shape[1]) // SAMPLE_BLOCK % SAMPLE_OF == 0)
    sizes: dict[int, int] = {}

    def probe(kinds: Sequence[tuple[int, bool, bool]]) -> list[int]:
        for how in _hows(kinds, channels):
            whole = kind_of(how) == QUOTES or not sampled
            body = arranged(how) if whole else arrange(frames[:, part], how, stand[part])
            sizes[how] = len(_deflate(body, window, window_bits, PROBE_LEVEL))
        return sorted(sizes, key=lambda how: sizes[how])

    if sampled:
        quoted = probe(QUOTED)[:1] if share <= MOSTLY_CHANGED else []
        dense = [how for how in probe(DENSE[:1] if share < HARDLY_CHANGED else DENSE) if kind_of(how) != QUOTES]
        # A part says less of the whole than the whole does: in doubt both are packed.
        ratio = sizes[quoted[0]] * frames[:1, part].size / (sizes[dense[0]] * frames.shape[1]) if quoted else np.inf
        return quoted if ratio < CLEARLY else dense[:1] if ratio > 1 / CLEARLY else [*quoted, *dense]
    if share < HARDLY_CHANGED:
        best = probe((*QUOTED, *DENSE[:2]))
    else:
        best = probe((*QUOTED, *DENSE, *DENSE_SELDOM))
    return probe(QUOTED_BYTES) if kind_of(best[0]) == QUOTES else best


def _hows(kinds: Sequence[tuple[int, bool, bool]], channels: int) -> list[int]:
    return [how_of(kind, changes, channels if by_pixel else 1) for kind, changes, by_pixel in kinds]


def decode_unit(
    payload: bytes,
    how: int,
    frames: int,
    frame_bytes: int,
    *,
    before: Row | None = None,
    history: Frames = NO_HISTORY,
    window: bytes = b"",
    window_bits: int = MOST_WINDOW_BITS,
) -> tuple[Frames, bytes]:
    """The frames of a payload, uint8 (frames, frame_bytes), and the bytes it inflated to.

    Call it only with a payload whose checksum has passed. Raises `RollError` if it is not what ROLL.md allows. Takes
    at most frames x frame_bytes of memory a few times over, whatever the payload claims.
    """
    _check_size(frames, frame_bytes)
    size = frames * frame_bytes
    if payload[-5:-1] != LAST_BLOCK:
        raise RollError("the payload does not end in a block of one byte")
    inflater = zlib.decompressobj(-window_bits, zdict=window[-(1 << window_bits) :])
    try:
        arranged = inflater.decompress(payload[:-5], size + 1)
        if not inflater.unconsumed_tail:
            # Five bytes that only look like the block, inside another one, give a byte too early or none at the end.
            last = (inflater.decompress(payload[-5:-1]), inflater.decompress(payload[-1:]))
            if last != (b"", payload[-1:]) and not inflater.eof:
                raise RollError("the payload does not end in a block of one byte")
            arranged += last[1]
    except zlib.error:
        raise RollError("the payload is not deflate") from None
    if inflater.eof:
        raise RollError("the payload holds a final block")
    if len(arranged) > size or inflater.unconsumed_tail:
        raise RollError(f"the payload holds more than {frames} frames of {frame_bytes} bytes")
    stand = _stand(before, frame_bytes)
    if kind_of(how) == QUOTES:
        from . import quotes

        step, changes = (how & STEP) + 1, bool(how & CHANGES)
        try:
            return quotes.unquote(arranged, frames, frame_bytes, step, changes, history.ravel()), arranged
        except ValueError as error:
            raise RollError(str(error)) from None
    if len(arranged) != size:
        raise RollError(f"the payload does not hold {frames} frames of {frame_bytes} bytes")
    return undo(arranged, how, frames, stand), arranged


# ---- dense arrangements -----------------------------------------------------------------------------------------


def how_of(kind: int, changes: bool, step: int) -> int:
    """The number of an arrangement: kind, changes or values, and step 1-4."""
    return kind | (CHANGES if changes else 0) | (step - 1)


def kind_of(how: int) -> int:
    """COLUMNS, PAIRS, ROWS or QUOTES."""
    return how & ~(STEP | CHANGES)


def changes_of(frames: Frames, stand: Row) -> Frames:
    """Each byte less what stood before it, modulo 256."""
    changes = frames.copy()
    changes[1:] -= frames[:-1]
    changes[0] -= stand
    return changes


def keeps_frames(how: int) -> bool:
    """Whether such a unit lies in memory as its frames are sent, for the quotes of one that leans on it."""
    return kind_of(how) == QUOTES or how == ROWS


def arrange(frames: Frames, how: int, stand: Row) -> bytes:
    """The bytes of a unit in the order that a dense `how` names."""
    taken = changes_of(frames, stand) if how & CHANGES else frames
    out = []
    for first, step in _planes(how):
        plane = taken[:, first::step]
        wide, even = _tiles(how, plane.shape[1])
        out.append(plane[:, :even].reshape(len(plane), -1, wide).transpose(1, 0, 2).tobytes())
        out.append(plane[:, even:].tobytes())
    return b"".join(out)


def undo(arranged: bytes, how: int, frames: int, stand: Row) -> Frames:
    """The inverse of `arrange`: uint8 (frames, frame_bytes)."""
    out = np.empty((frames, len(stand)), np.uint8)
    flat = np.frombuffer(arranged, np.uint8)
    at = 0
    for first, step in _planes(how):
        plane = out[:, first::step]
        wide, even = _tiles(how, plane.shape[1])
        middle, end = at + frames * even, at + plane.size
        plane[:, :even] = flat[at:middle].reshape(-1, frames, wide).transpose(1, 0, 2).reshape(frames, even)
        plane[:, even:] = flat[middle:end].reshape(frames, -1)
        at = end
    if how & CHANGES:
        _add_up(out, stand)
    return out


def _planes(how: int) -> Iterator[tuple[int, int]]:
    """(first byte, step) of each plane."""
    step = (how & STEP) + 1
    yield from ((first, step) for first in range(step))


def _tiles(how: int, columns: int) -> tuple[int, int]:
    """How many columns of a plane lie together, and how many columns fill such tiles evenly."""
    wide = {COLUMNS: 1, PAIRS: 2, ROWS: max(1, columns)}[kind_of(how)]
    return wide, columns // wide * wide


def _add_up(changes: Frames, stand: Row) -> None:
    """Changes -> values, in place."""
    # Adding whole rows is five times quicker than a cumulative sum along the axis (measured, numpy 2).
    changes[0] += stand
    for frame in range(1, len(changes)):
        changes[frame] += changes[frame - 1]


# ---- checks, deflate --------------------------------------------------------------------------------------------


def check_frames(frames: Frames) -> None:
    """Raise `RollError` unless this is uint8 (frames, frame_bytes) within the limits."""
    if not isinstance(frames, np.ndarray) or frames.dtype != np.uint8 or frames.ndim != 2:
        raise RollError("frames must be a uint8 array of shape (frames, frame_bytes)")
    _check_size(*frames.shape)


def _check_size(frames: int, frame_bytes: int) -> None:
    if not 1 <= frames <= MOST_FRAMES:
        raise RollError(f"a unit has 1 to {MOST_FRAMES} frames, not {frames}")
    if not 1 <= frames * frame_bytes <= MOST_UNIT_BYTES:
        raise RollError(f"a unit has 1 to {MOST_UNIT_BYTES} bytes, not {frames * frame_bytes}")


def _stand(before: Row | None, frame_bytes: int) -> Row:
    """What stands before a unit's first frame: darkness unless it leans on another."""
    return np.zeros(frame_bytes, np.uint8) if before is None else before


def _deflate(body: bytes, window: bytes, window_bits: int, level: int) -> bytes:
    """zlib's, without a final block: the flush ends in an empty stored block, which is given the last byte to hold."""
    packer = zlib.compressobj(level, zlib.DEFLATED, -window_bits, zdict=window[-(1 << window_bits) :])
    return (packer.compress(body[:-1]) + packer.flush(zlib.Z_SYNC_FLUSH))[:-4] + LAST_BLOCK + body[-1:]
