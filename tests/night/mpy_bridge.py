"""Runs in MicroPython: the real player on a board without pins, turned from outside line by line.

Usage: mpy_bridge.py PLAYER KIT FOLDER PPM LOOK_US. FOLDER has settings.json and the rolls. Reads from stdin:

    T US     run until the world's time is US microseconds; then tell
    L LINE   a line comes over serial
    P LINE   a packet comes
    R        the power goes and comes

After each T: `S ...` a line said over serial, `A ...` a packet sent, then `= STATE MS LIT LATE`.
"""

import json
import os
import sys

sys.path.insert(0, sys.argv[1])
sys.path.insert(0, sys.argv[2])
from glow.player import Player  # noqa: E402
from hw_fake import Hw  # noqa: E402

os.chdir(sys.argv[3])
with open("settings.json") as file:
    SETTINGS = json.load(file)
hw = Hw(int(sys.argv[4]), look_us=int(sys.argv[5]))
hw.keep = hw.last
player = Player(hw, SETTINGS)

while True:
    line = sys.stdin.readline()
    if not line:
        break
    word, rest = line[0], line[2:-1]
    if word == "L":
        hw.type(rest)
    elif word == "P":
        hw.packets.append(rest.encode())
    elif word == "R":
        player = Player(hw, SETTINGS)
    elif word == "T":
        until = int(rest)
        while hw.true_us < until:
            player.step()
        out = ["S " + said for said in hw.said] + ["A " + str(answer, "utf-8") for answer in hw.answers]
        hw.said.clear()
        hw.answers.clear()
        player.clock.tick()
        ms = player.clock.ms + player.clock.us / 1000
        late = player.show.late if player.show else 0
        out.append(f"= {player.state} {ms:.3f} {int(hw.lit)} {late}\n")
        sys.stdout.write("\n".join(out))
