"""The player: roll.py reads rolls, player.py plays them, hw_*.py are the boards. See exporters/players/PLAYER.md."""

import gc
import sys

# What compiling the largest of a lot of modules takes at most: measured on a 64-bit interpreter, where objects are
# twice as large. The decoder's modules are small, so that it alone fits beside large units.
WIDE = 2 if sys.maxsize >> 40 else 1
PLENTY = 1 << 20  # so much memory has room enough wherever they land
DECODER, PLAYER = 20_480 * WIDE, 28_672 * WIDE


def import_low(compiling, *names):
    """Import modules while all memory but `compiling` bytes is held in one piece.

    Otherwise what they leave lies scattered, and no piece remains that is large enough for a unit of a roll.
    """
    for name in names:
        gc.collect()
        size = gc.mem_free() - compiling
        if size > PLENTY:
            size = 0
        held = None
        while held is None and size > 0:
            try:
                held = bytearray(size)
            except MemoryError:
                size -= size // 32 + 1
        try:
            __import__(name)
        except MemoryError:  # it takes more than was thought: then as it comes
            held = None
            sys.modules.pop(name, None)
            gc.collect()
            __import__(name)
        held = None
    gc.collect()


# Whoever imports the decoder alone wants the same.
import_low(DECODER, "glow.words", "glow.index", "glow.head", "glow.units", "glow.chain", "glow.roll")
