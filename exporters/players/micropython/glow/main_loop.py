"""Starts the player: settings, board, loop. Everything is compiled here, module by module, low in memory."""

import gc
import sys

from glow import PLAYER, import_low

MODULES = [
    "glow." + name
    for name in ("clock", "lines", "output", "pulse", "wiring", "show", "states", "verbs", "talk", "alone", "hw_common")
]


def main(settings, rooms):
    """Play until Ctrl-C. rooms: memory that was taken before, see rooms.py."""
    name = load(settings, rooms)
    board = sys.modules[name].Hw(settings)
    player = sys.modules["glow.player"].Player(board, settings, rooms)
    gc.collect()
    player.run()


def load(settings, rooms):
    """All modules, and the third of the rooms is let go. Gives the name of the board's."""
    name = "glow.hw_pico" if settings["board"].startswith("pico") else "glow.hw_esp32"
    try:
        import_low(PLAYER, *MODULES, name, "glow.player")
    except MemoryError:
        rooms.clear()  # then as it comes
        import_low(PLAYER, *MODULES, name, "glow.player")
    del rooms[2:]
    gc.collect()
    return name
