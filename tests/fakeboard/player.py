# The lines of LINK.md that loading speaks, for MicroPython on a board that is not there. STATE and RESETS are put in by
# the test.
import json
import sys

with open("/settings.json") as file:
    controller = json.load(file)["controller"]
state = "STATE"
wiring = False


def answer(line):
    global state, wiring
    if line == "hello":
        print("ok hello 1 pico 1024 180 " + controller)
    elif line == "state":
        shown = "wiring" if wiring else state
        print("ok state " + shown + " 1.000 0 0 0 " + ("-" if state == "idle" else "old song.roll"))
    elif line == "stop":
        state = "idle"
        print("ok stop")
    elif line.startswith("wiring "):
        wiring = line == "wiring 1"
        print("ok " + line)
    elif line:
        print("no verb")


print("* boot " + controller)
try:
    while True:
        line = sys.stdin.readline()
        if not line:
            break
        answer(line.strip())
except KeyboardInterrupt:
    # A board whose watchdog cannot be stopped restarts, and then waits: Ctrl-C again gives the prompt.
    if "RESETS" == "True" and sys.argv[3] == "main":
        import machine

        machine.reset()
    raise
