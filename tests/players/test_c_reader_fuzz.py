"""The reader in Python under a short fuzz with fixed seeds, of damage under checksums that fit: no tool is needed."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from c_damage import damaged, small_roll

from exporters.rollfile import RollReader
from exporters.rollhead import checked_part
from exporters.spec import RollError


@pytest.mark.parametrize("part", range(4))
def test_the_reader_in_python_refuses_damage_or_shows_frames_and_never_fails_otherwise(
    tmp_path: Path, part: int
) -> None:
    """A unit that stands alone and was not touched shows what was written."""
    path = tmp_path / "a.roll"
    path.write_bytes(small_roll())
    with RollReader(path) as reader:
        sound, noise = reader.header, reader.group(3)
        records = [checked_part(unit) for unit in reader.units]
    opened = 0
    for seed in range(10_000 + 400 * part, 10_000 + 400 * (part + 1)):
        data = damaged(seed)
        path.write_bytes(data)
        try:
            with RollReader(path) as reader:
                opened += 1
                faults = reader.verify()
                third = reader.units[-1]
                whole = reader.header.strings == sound.strings and len(reader.units) == 3
                stored_alike = data[third.payload_at :][: third.payload_bytes] == small_roll()[-third.payload_bytes :]
                alike = whole and stored_alike and checked_part(third) == records[2]
                for number, group in enumerate(reader.groups):
                    broken = any(fault.startswith(f"group {number} is broken") for fault in faults)
                    frames = None if broken else reader.group(number)
                    assert frames is None or frames.shape == (group.frames, reader.header.frame_bytes)
                    assert not (alike and group.unit == 2 and group.first == 0 and group.frames == 6) or (
                        frames is not None and np.array_equal(frames, noise)
                    )
        except RollError:
            continue
    assert opened > 100
