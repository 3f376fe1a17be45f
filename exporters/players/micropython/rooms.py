"""Memory for rolls, taken before the player is compiled: what that leaves lies scattered.

exporters/ROLL.md, section 3: how much a unit takes stands in the header, so that a board can take it before it starts.
"""

import gc
import os
import sys

# What the modules take, and the largest of them while it is compiled; the player's own lists and lines.
# 32 and 64 bits: see exporters/players/PLAYER.md.
CODE, LISTS = (135_168, 14_336) if sys.maxsize >> 40 else (101_376, 7_168)


def rooms(settings, folder="."):
    """[two pieces for the largest units of the rolls here, a third to be let go for all that comes after the modules].

    Empty without rolls. One that asks for more than there is is left out. They are not checked here: `cue` does that.
    """
    gc.collect()
    rest = LISTS
    for string in settings["strings"]:
        pixels, channels = string["pixels"], string["channels"]
        rest += 4 * pixels * channels
        if string["clocked"]:
            rest += string["start_bytes"] + pixels * (1 + channels) + string["end_bytes"]
    most = window = 0
    try:
        for name in os.listdir(folder):
            if name.endswith(".roll"):
                with open(folder + "/" + name, "rb") as file:
                    head = file.read(28)
                if len(head) < 28 or head[:4] != b"ROLL" or not 12 <= head[5] <= 13:
                    continue
                size, own = int.from_bytes(head[24:28], "little"), (1 << head[5]) + 2560
                if 2 * size + own + rest + CODE <= gc.mem_free():
                    most, window = max(most, size), max(window, own)
        return [bytearray(most), bytearray(most), bytearray(window + rest)] if most else []
    except (OSError, MemoryError):
        return []
