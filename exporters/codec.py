"""One group of frames <-> its payload, as ROLL.md "Payload" says.

Conventions: frames are uint8, shape (frames, frame_bytes), in wire order. A payload is a piece of raw deflate
(RFC 1951) that inflates to the group's arranged bytes and one byte more, `how` they are arranged. Each payload stands
on its own; its last block is not final and ends on a byte, so that one inflater can read all payloads in any order.
"""

from __future__ import annotations

import zlib

import numpy as np
from numpy.typing import NDArray

from .spec import HOW_PLAIN, LAST_BLOCK, MOST_FRAMES, MOST_GROUP_BYTES, MOST_STEP, WINDOW_BITS, RollError

Frames = NDArray[np.uint8]

LEVEL = 6
PROBE_LEVEL = 1

# Under `small`. The longest search does not always win: it can lead to a worse cut into blocks.
SMALL_LEVELS = (6, 9)


def encode_group(frames: Frames, *, channels: int = 3, level: int = LEVEL, small: bool = False) -> bytes:
    """The payload of one group.

    frames: uint8 (frames, frame_bytes). channels: bytes a pixel of most of them, 3 or 4: a hint for the search.
    level: zlib's effort, 0-9. small: try every arrangement at two efforts instead; some 3 to 11 times slower.
    Raises `RollError` for an array of another kind or beyond the limits.
    """
    check_frames(frames)
    bodies = [(how, arrange(frames, how)) for how in (HOW_PLAIN, 1, channels)]
    if small:
        return min((_deflate(body, how, effort) for how, body in bodies for effort in SMALL_LEVELS), key=len)
    # The arrangement that is smallest at the quickest level is almost always the smallest at the wanted one.
    how, body = min(bodies, key=lambda pair: len(_deflate(pair[1], pair[0], PROBE_LEVEL)))
    return _deflate(body, how, level)


def decode_group(payload: bytes, frames: int, frame_bytes: int) -> Frames:
    """The frames of a payload, uint8 (frames, frame_bytes). Call it only with a payload whose checksum has passed.

    Raises `RollError` if the payload is not what ROLL.md allows. Takes at most frames x frame_bytes of memory a few
    times over, whatever the payload claims.
    """
    _check_size(frames, frame_bytes)
    size = frames * frame_bytes
    if payload[-5:-1] != LAST_BLOCK:
        raise RollError("the payload does not end in a block of one byte")
    inflater = zlib.decompressobj(-WINDOW_BITS)
    try:
        arranged = inflater.decompress(payload, size + 2)
    except zlib.error:
        raise RollError("the payload is not deflate") from None
    if len(arranged) != size + 1 or inflater.unconsumed_tail:
        raise RollError(f"the payload does not hold {frames} frames of {frame_bytes} bytes")
    if inflater.eof:
        raise RollError("the payload holds a final block")
    return undo(arranged[:size], arranged[size], frames, frame_bytes)


def arrange(frames: Frames, how: int) -> bytes:
    """The bytes of a group in the order that `how` names. frames: uint8 (frames, frame_bytes)."""
    if how == HOW_PLAIN:
        return frames.tobytes()
    changes = frames.copy()
    changes[1:] -= frames[:-1]
    return b"".join(changes[:, first::how].T.tobytes() for first in range(how))


def undo(arranged: bytes, how: int, frames: int, frame_bytes: int) -> Frames:
    """The inverse of `arrange`: uint8 (frames, frame_bytes). Raises `RollError` for an unknown `how`."""
    if how > MOST_STEP:
        raise RollError(f"how is {how}, it must be 0 to {MOST_STEP}")
    flat = np.frombuffer(arranged, np.uint8)
    if how == HOW_PLAIN:
        return flat.reshape(frames, frame_bytes).copy()
    columns = flat.reshape(frame_bytes, frames)
    out = np.empty((frames, frame_bytes), np.uint8)
    taken = 0
    for first in range(how):
        count = len(range(first, frame_bytes, how))
        out[:, first::how] = columns[taken : taken + count].T
        taken += count
    # Adding whole rows is five times quicker than a cumulative sum along the axis (measured, numpy 2).
    for frame in range(1, frames):
        out[frame] += out[frame - 1]
    return out


def check_frames(frames: Frames) -> None:
    """Raise `RollError` unless this is uint8 (frames, frame_bytes) within the limits."""
    if not isinstance(frames, np.ndarray) or frames.dtype != np.uint8 or frames.ndim != 2:
        raise RollError("frames must be a uint8 array of shape (frames, frame_bytes)")
    _check_size(*frames.shape)


def _check_size(frames: int, frame_bytes: int) -> None:
    if not 1 <= frames <= MOST_FRAMES:
        raise RollError(f"a group has 1 to {MOST_FRAMES} frames, not {frames}")
    if not 1 <= frames * frame_bytes <= MOST_GROUP_BYTES:
        raise RollError(f"a group has 1 to {MOST_GROUP_BYTES} bytes, not {frames * frame_bytes}")


def _deflate(body: bytes, how: int, level: int) -> bytes:
    """Deflate without a final block. The flush ends in an empty stored block, whose length is made one: `how`."""
    packer = zlib.compressobj(level, zlib.DEFLATED, -WINDOW_BITS)
    return (packer.compress(body) + packer.flush(zlib.Z_SYNC_FLUSH))[:-4] + LAST_BLOCK + bytes([how])
