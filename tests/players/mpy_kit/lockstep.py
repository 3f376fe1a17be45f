"""The real player as a board that another test leads, line by line. Usage: lockstep.py GLOW FOLDER PPM LOOK_US

FOLDER holds settings.json and the rolls, as `bake` writes them. Each line on stdin is answered by one line of JSON.

go US          let so many microseconds of the world's time pass
type LINE      a line comes over serial (read when the player next looks)
packet LINE    a packet comes
press N        the button is pressed (1) or let go (0)
off            power goes and comes: a new player on the same files

The answer: us, the world's time; said, serial lines since the last answer; packets, answers to packets since; state;
position_us; lit; late; file.
"""

import json
import os
import sys

sys.path.insert(0, sys.argv[1])
sys.path.insert(0, __file__.rsplit("/", 1)[0])
from glow.player import Player  # noqa: E402
from hw_fake import Hw  # noqa: E402

os.chdir(sys.argv[2])
with open("settings.json") as file:
    settings = json.load(file)


def board():
    hw = Hw(int(sys.argv[3]), look_us=int(sys.argv[4]))
    hw.keep = hw.last
    return Player(hw, settings)


player = board()
while True:
    line = sys.stdin.readline()
    if not line:
        break
    verb, _, rest = line[:-1].partition(" ")
    hw = player.hw
    if verb == "go":
        until = hw.true_us + int(rest)
        while hw.true_us < until:
            player.step()
    elif verb == "type":
        hw.type(rest)
    elif verb == "packet":
        hw.packets.append(rest.encode())
    elif verb == "press":
        hw.pressed = rest == "1"
    elif verb == "off":
        passed = hw.true_us
        player = board()
        hw = player.hw
        hw.true_us = passed
        player.clock._last = player._last = hw.ticks()
    answer = {
        "us": hw.true_us,
        "said": hw.said,
        "packets": [str(packet, "utf-8") for packet in hw.answers],
        "state": ("idle", "cued", "playing", "paused", "lost", "live", "wiring")[player.state],
        "position_us": player.clock.ms * 1000 + player.clock.us,
        "lit": hw.lit,
        "late": player.show.late if player.show else 0,
        "file": player.file,
    }
    hw.said, hw.answers = [], []
    print(json.dumps(answer))
