"""hw_pico.py or hw_esp32.py with a machine that takes notes. Usage: pico.py GLOW SETTINGS_FILE [old]; prints JSON."""

import json
import sys

sys.path.insert(0, sys.argv[1])
sys.path.insert(0, __file__.rsplit("/", 1)[0])
from stubs import Machine, Rp2, install, notes  # noqa: E402

if len(sys.argv) > 3 and sys.argv[3] == "old":
    del Rp2.DMA
install()
from glow.output import Output  # noqa: E402

with open(sys.argv[2]) as file:
    settings = json.load(file)
board = "hw_pico" if settings["board"].startswith("pico") else "hw_esp32"
Hw = __import__(f"glow.{board}", None, None, ["Hw"]).Hw
hw = Hw(settings)
output = Output(hw, settings)
row = bytearray([(i + 1) & 255 for i in range(output.frame_bytes)])
output.prepare(row)
began = hw.ticks()
output.send()
while hw.busy():
    pass
notes["busy_us"] = hw.ticks_diff(hw.ticks(), began)
notes["lead_us"] = output.lead_us
hw.ticks = lambda: 600_000_000
hw.ticks_diff = lambda a, b: (a - b + (1 << 29)) % (1 << 30) - (1 << 29)  # as on a board
hw._since = 0
notes["busy_after_ten_minutes"] = hw.busy()
hw.watchdog_on(2000)
hw.feed()
notes["off"] = hw.watchdog_off()
notes["power_on"] = hw.power_on()
hw._heard(Machine.Pin(1, value=1))
notes["edge"] = [hw.edge(), hw.edge_high, hw.edge()]
print(json.dumps(notes))
