"""Writing whole files or none: the temporary name, JSON, CSV and PNG bytes."""

from __future__ import annotations

import csv
import errno
import io
import json
import math
import os
import secrets
import warnings
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

    Text is UTF-8 with the line endings as written. Raises OSError, which names `path`, where it can't be written.
    """
    path = Path(path)
    if path.is_dir():  # "." has no name to make a neighbour of
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(path))
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
    except OSError as error:
        raise named(error, path) from error
    finally:
        temporary.unlink(missing_ok=True)


@contextmanager
def any_letters() -> Iterator[None]:
    """While words are drawn: letters that the font lacks become boxes, and no warning of them reaches a terminal."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message=r"Glyph \d+ .*missing from", category=UserWarning)
        yield


def named(error: OSError, path: Path) -> OSError:
    """The error, told of the file that was wanted: nobody knows its temporary neighbour."""
    return type(error)(error.errno, error.strerror or str(error), str(path))


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
    """A picture (rows, columns, 3), uint8 RGB, as a PNG file without loss. Raises ValueError for any other array."""
    from PIL import Image

    if picture.dtype != np.uint8 or picture.ndim != 3 or picture.shape[2] != 3 or not picture.size:
        raise ValueError(f"a picture is uint8 (rows, columns, 3), not {picture.dtype} {picture.shape}")
    file = io.BytesIO()
    Image.fromarray(picture).save(file, "PNG", compress_level=6)
    return file.getvalue()
