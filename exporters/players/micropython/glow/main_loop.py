"""Starts the player: settings, board, loop. Everything is compiled here, module by module, low in memory."""

import gc
import sys

from glow import PLAYER, import_low

MODULES = ("clock", "lines", "output", "pulse", "wiring", "show", "states", "verbs", "talk", "alone", "hw_common")


def main(settings):
    """Play until Ctrl-C."""
    name = "glow.hw_pico" if settings["board"].startswith("pico") else "glow.hw_esp32"
    import_low(PLAYER, *["glow." + module for module in MODULES])
    import_low(PLAYER, name, "glow.player")
    board = sys.modules[name].Hw(settings)
    player = sys.modules["glow.player"].Player(board, settings)
    gc.collect()
    player.run()
