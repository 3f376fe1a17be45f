"""How long frames take here. Usage: pace.py GLOW ROLL; prints JSON: microseconds."""

import gc
import json
import sys
import time

sys.path.insert(0, sys.argv[1])
from glow.roll import Roll  # noqa: E402
from glow.words import fast  # noqa: E402

ticks, diff = time.ticks_us, time.ticks_diff
gc.collect()
before = gc.mem_alloc()
begun = ticks()
roll = Roll(sys.argv[2])
opened_us = diff(ticks(), begun)
out = bytearray(roll.head.frame_bytes)
frames = frame_us = most_us = steps = step_us = most_step_us = loaded = scale_us = sum_us = 0
for group in range(roll.head.groups):
    roll.enter(group)
    while not roll.ready:
        roll.work()
    for i in range(roll.frames):
        begun = ticks()
        roll.frame(i)
        took = diff(ticks(), begun)
        frames += 1
        frame_us += took
        most_us = max(most_us, took)
        begun = ticks()
        fast.scale(out, roll.row, len(out), 200)
        scale_us += diff(ticks(), begun)
        begun = ticks()
        fast.summed(roll.row, 0, len(out) // 3, 3, 0)
        sum_us += diff(ticks(), begun)
    more = True
    while more:
        begun = ticks()
        more = roll.work()
        took = diff(ticks(), begun)
        steps += 1
        step_us += took
        most_step_us = max(most_step_us, took)
print(
    json.dumps(
        {
            "frame_bytes": len(out),
            "frames": frames,
            "open": opened_us,
            "frame": frame_us / frames,
            "frame_most": most_us,
            "work": step_us / frames,
            "step_most": most_step_us,
            "scale": scale_us / frames,
            "sum": sum_us / frames,
            "memory": gc.mem_alloc() - before,
            "units": 2 * roll.head.most_unit_bytes,
        }
    )
)
