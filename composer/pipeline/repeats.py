"""Frames of groups that look alike: kept from the first time they come to the last, so that each is rendered once."""

from __future__ import annotations

import os
import tempfile
from collections import Counter
from collections.abc import Hashable, Iterable
from pathlib import Path

import numpy as np

from .rolls import Frames

MEMORY_BYTES = 64 << 20  # what is more goes into a nameless file


class Repeats:
    """Frames by what they depend on. `keys` are those of all groups of the show, in any order; `folder` is where the
    file lies, None where temporary files go."""

    def __init__(self, keys: Iterable[Hashable], folder: Path | None = None) -> None:
        self._left = Counter(keys)
        self._memory: dict[Hashable, Frames] = {}
        self._memory_bytes = 0
        self._file = tempfile.TemporaryFile(dir=folder)
        self._place: dict[Hashable, tuple[int, tuple[int, ...]]] = {}  # where in the file, and the shape

    def keep(self, key: Hashable, frames: Frames) -> None:
        """Keep the frames of a key that comes for the first time, where it comes again."""
        self._left[key] -= 1
        if not self._left[key]:
            return
        if self._memory_bytes + frames.nbytes <= MEMORY_BYTES:
            self._memory[key] = frames
            self._memory_bytes += frames.nbytes
        else:
            self._place[key] = self._file.seek(0, os.SEEK_END), frames.shape
            self._file.write(frames.data)

    def again(self, key: Hashable) -> Frames:
        """The frames of a key that was kept; the very same array unless it had to go into the file."""
        self._left[key] -= 1
        frames = self._memory.get(key)
        if frames is None:
            at, shape = self._place[key]
            self._file.seek(at)
            return np.frombuffer(self._file.read(shape[0] * shape[1]), np.uint8).reshape(shape)
        if not self._left[key]:
            self._memory_bytes -= self._memory.pop(key).nbytes
        return frames

    def close(self) -> None:
        """Forget everything."""
        self._memory.clear()
        self._file.close()
