"""The rig: what hangs where, on which pin, fed from which supply. Reads and checks `rig.toml`.

Conventions
-----------
Pixels have one number over the whole rig: controllers in the order of the file, within a controller its strings in
the order of the file, within a string from the data end. The bytes of a frame follow the same order, so that the
bytes of one controller, and of one string, are one contiguous slice. Places are in metres, x to the right, y up.
Electrical names end in their unit. Chip and board rows are data (`chips.toml`, `boards.toml`), a source a value.
"""

from __future__ import annotations

from ..places import Point, along
from .load import load_rig, rig_from
from .parts import Board, Chip, Controller, Feed, LedString, Reading, Rig, Supply, Wire, Zone, in_run
from .rows import awg_mm2, boards, chips

__all__ = [
    "Board", "Chip", "Controller", "Feed", "LedString", "Point", "Reading", "Rig", "Supply", "Wire", "Zone",
    "along", "awg_mm2", "boards", "chips", "in_run", "load_rig", "rig_from",
]  # fmt: skip
