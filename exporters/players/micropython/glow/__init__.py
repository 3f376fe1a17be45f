"""The player: roll.py reads rolls, player.py plays them, hw_*.py are the boards. See exporters/players/PLAYER.md."""

import gc
import sys

# What compiling one of these modules takes at most, with what they leave: measured on a 64-bit interpreter, where
# objects are twice as large.
COMPILING = 50 << 10 if sys.maxsize >> 40 else 28 << 10


def import_low(*names):
    """Import modules while all memory but what compiling takes is held in one piece.

    Otherwise what they leave lies scattered, and no piece remains that is large enough for a unit of a roll.
    """
    gc.collect()
    size = gc.mem_free() - COMPILING
    held = None
    while held is None and size > 0:
        try:
            held = bytearray(size)
        except MemoryError:
            size -= 2_048
    for name in names:
        gc.collect()
        try:
            __import__(name)
        except MemoryError:  # it takes more than was thought: then as it comes
            held = None
            sys.modules.pop(name, None)
            gc.collect()
            __import__(name)
    del held
    gc.collect()


# Whoever imports the decoder alone wants the same.
import_low("glow.words", "glow.index", "glow.head", "glow.units", "glow.chain", "glow.roll")
