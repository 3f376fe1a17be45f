"""The player: roll.py reads rolls, player.py plays them, hw_*.py are the boards. See exporters/players/PLAYER.md."""

import gc
import sys

# What compiling these modules one after another takes at most, with what they leave. Measured on a 64-bit interpreter,
# where objects are twice as large.
COMPILING = 60 << 10 if sys.maxsize >> 40 else 36 << 10


def import_low(*names):
    """Import modules while all memory but what compiling takes is held in one piece.

    Otherwise what they leave lies scattered, and no piece remains that is large enough for a unit of a roll.
    """
    gc.collect()
    try:
        held = bytearray(max(0, gc.mem_free() - COMPILING))
    except MemoryError:
        held = None
    for name in names:
        gc.collect()
        try:
            __import__(name)
        except MemoryError:  # it takes more than was thought: then as it comes
            held = None  # noqa: F841
            sys.modules.pop(name, None)
            gc.collect()
            __import__(name)
    del held
    gc.collect()


import_low("glow.head", "glow.units", "glow.roll")
