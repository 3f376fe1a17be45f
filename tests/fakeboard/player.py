# The lines of LINK.md that loading speaks, for MicroPython on a board that is not there. STATE is put in by the test.
import json
import sys

with open("/settings.json") as file:
    controller = json.load(file)["controller"]
state = "STATE"
wiring = False
while True:
    line = sys.stdin.readline()
    if not line:
        break
    line = line.strip()
    if line == "hello":
        print("ok hello 1 pico 1024 180 " + controller)
    elif line == "state":
        print(
            "ok state "
            + ("wiring" if wiring else state)
            + " 1.000 0 0 0 "
            + ("-" if state == "idle" else "old song.roll")
        )
    elif line == "stop":
        state = "idle"
        print("ok stop")
    elif line.startswith("wiring "):
        wiring = line == "wiring 1"
        print("ok " + line)
    elif line:
        print("no verb")
