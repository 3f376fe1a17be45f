"""What the player takes of a board's memory. Usage: fits.py GLOW SETTINGS ROLL load|play

Memory is taken and the modules are loaded as main.py does it, the board's own among them; then the roll is played to
its end on a board without pins. Prints a line of JSON: gc.mem_alloc() and gc.mem_free() at each step, after a sweep.
"""

import gc
import json
import sys

sys.path.insert(0, sys.argv[1])
if "__file__" in globals():
    sys.path.insert(0, __file__.rsplit("/", 1)[0])
path, roll, how = sys.argv[2:]
told = {}


def tell(step):
    gc.collect()
    told[step] = (gc.mem_alloc(), gc.mem_free())


import hw_fake  # noqa: E402
import stubs  # noqa: E402
from rooms import rooms  # noqa: E402

stubs.install()
with open(path) as file:
    settings = json.load(file)
tell("begun")
taken = rooms(settings, roll.rsplit("/", 1)[0]) if how == "play" else []
told["taken"] = [len(room) for room in taken]
from glow.main_loop import load  # noqa: E402

load(settings, taken)
told["kept"] = len(taken)
tell("loaded")


def play():
    hw = hw_fake.Hw()
    hw.keep = hw.last
    player = sys.modules["glow.player"].Player(hw, settings, taken)
    tell("waiting")
    told["answer"] = player.cue(roll)
    tell("cued")
    if told["answer"] is None:
        told["late"] = player.start(0)
        while player.state == 2:
            player.step()
            hw.leds.clear()
        tell("played")
        told["late"], told["dark"] = player.show.late, player.show.dark_groups
    told["frames"] = hw.frames


def after():
    """In the port for the web memory is swept only once a script has ended."""
    tell("swept")
    print(json.dumps(told))


if how == "play":
    play()
    print(json.dumps(told))
