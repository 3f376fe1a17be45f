"""main.py as on a Pico, with real serial lines and a real file system. Usage: run_main.py PLAYER_FOLDER BOARD_FOLDER

Lines come on stdin and go to stdout, as over USB. At the end (Ctrl-C) a last line of JSON says what the pins got.
"""

import json
import os
import sys

sys.path.insert(0, sys.argv[1])
sys.path.insert(0, __file__.rsplit("/", 1)[0])
import stubs  # noqa: E402

stubs.install()
os.chdir(sys.argv[2])
try:
    __import__("main")
except KeyboardInterrupt:
    pass
notes = stubs.notes
print(
    json.dumps(
        {
            "first": notes["bitstream"],
            "frames": len(notes["transfers"]),
            "last": notes["transfers"][-1][3],
            "lit": sum(any(transfer[3]) for transfer in notes["transfers"]),
            "fed": notes["fed"],
            "stopped": notes["mem"],
        }
    )
)
