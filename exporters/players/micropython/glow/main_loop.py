"""Starts the player: settings, board, loop. Everything is compiled here, from the bottom of memory up."""

import gc
import sys

from glow import import_low


def main(settings):
    """Play until Ctrl-C."""
    import_low("glow.clock", "glow.lines", "glow.output", "glow.pulse", "glow.wiring", "glow.show", "glow.talk")
    name = "glow.hw_pico" if settings["board"].startswith("pico") else "glow.hw_esp32"
    import_low("glow.hw_common", name, "glow.player")
    board = sys.modules[name].Hw(settings)
    player = sys.modules["glow.player"].Player(board, settings)
    gc.collect()
    player.run()
