"""Writing whole files or none: the temporary name, JSON, CSV and PNG bytes."""

from __future__ import annotations

import csv
import json
import math
import os
import secrets
import struct
import zlib
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import IO, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

CSV_ROWS_AT_ONCE = 4096


@contextmanager
def whole_file(path: str | Path, text: bool = True) -> Iterator[IO[Any]]:
    """Open a temporary neighbour of `path`; renamed to it at the end, removed when anything goes wrong.

    Text is UTF-8 with the line endings as written. Raises OSError where the folder can't be written.
    """
    path = Path(path)
    # Not tempfile: its files are readable by their owner alone, and the rename would keep that.
    temporary = path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")
    try:
        if text:
            with open(temporary, "x", encoding="utf-8", newline="") as file:
                yield file
        else:
            with open(temporary, "xb") as file:
                yield file
        os.replace(temporary, path)
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise


def write_json(path: str | Path, audit: Mapping[str, Any]) -> None:
    """Write a mapping as JSON: keys sorted, NaN and infinities as null, numpy values as plain numbers and lists.

    Raises TypeError for a value that JSON has no form for; the file is then left as it was.
    """
    text = json.dumps(plain(audit), sort_keys=True, indent=2, ensure_ascii=False, allow_nan=False)
    with whole_file(path) as file:
        file.write(text + "\n")


def plain(value: Any) -> Any:
    """The same data in JSON's own kinds: numpy values as numbers and lists, NaN and infinities as None."""
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, np.ndarray | np.generic):
        return plain(value.tolist())
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def write_csv(path: str | Path, times_s: ArrayLike, places: Sequence[str], amps: Mapping[str, ArrayLike]) -> None:
    """Write one row a frame: time (s), musical address, amperes of each supply.

    Args:
        path: the file to write.
        times_s: (F,) when each frame latches.
        places: F musical addresses.
        amps: supply name -> (F,) amperes; the names become the columns after `time_s` and `place`.

    Raises ValueError when the lengths differ.
    """
    times = np.asarray(times_s, dtype=np.float64)
    columns = [np.asarray(values, dtype=np.float64) for values in amps.values()]
    for name, column in [("places", places), *zip(amps, columns, strict=True)]:
        if len(column) != len(times):
            raise ValueError(f"{name}: {len(column)} values for {len(times)} frames")
    with whole_file(path) as file:
        rows = csv.writer(file, lineterminator="\n")
        rows.writerow(["time_s", "place", *amps])
        for first in range(0, len(times), CSV_ROWS_AT_ONCE):
            part = slice(first, first + CSV_ROWS_AT_ONCE)
            numbers = [[f"{value:.4f}" for value in column[part]] for column in columns]
            rows.writerows(zip((f"{t:.6f}" for t in times[part]), places[part], *numbers, strict=True))


def png_bytes(picture: NDArray[np.uint8]) -> bytes:
    """A picture (rows, columns, 3), uint8 RGB, as a PNG file without loss.

    With 256 colours or fewer it is stored with a palette, else as 24-bit colour. PNG: ISO/IEC 15948, clauses 5 and 11;
    filters 0 (none) and 2 (up) are tried and the smaller kept: rows that repeat cost next to nothing.
    Raises ValueError for another shape or type.
    """
    if picture.dtype != np.uint8 or picture.ndim != 3 or picture.shape[2] != 3 or not picture.size:
        raise ValueError(f"a picture is uint8 (rows, columns, 3), not {picture.dtype} {picture.shape}")
    rows, columns, _ = picture.shape
    keys = picture.astype(np.uint32) @ np.array([65536, 256, 1], dtype=np.uint32)
    colours, numbers = np.unique(keys, return_inverse=True)
    palette = b""
    flat = picture.reshape(rows, columns * 3)
    if len(colours) <= 256:
        palette = _chunk(b"PLTE", colours.astype(">u4").view(np.uint8).reshape(-1, 4)[:, 1:].tobytes())
        flat = numbers.reshape(rows, columns).astype(np.uint8)
    above = np.zeros_like(flat)
    above[1:] = flat[:-1]
    packed = min((_filtered(flat, 0), _filtered(flat - above, 2)), key=len)
    head = struct.pack(">IIBBBBB", columns, rows, 8, 3 if palette else 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + _chunk(b"IHDR", head) + palette + _chunk(b"IDAT", packed) + _chunk(b"IEND", b"")


def _filtered(rows: NDArray[np.uint8], kind: int) -> bytes:
    return zlib.compress(np.pad(rows, ((0, 0), (1, 0)), constant_values=kind).tobytes(), 9)


def _chunk(name: bytes, body: bytes) -> bytes:
    return struct.pack(">I", len(body)) + name + body + struct.pack(">I", zlib.crc32(name + body))
