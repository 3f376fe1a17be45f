"""Decodes rolls in MicroPython, for the tests. Usage: decode.py GLOW VERB FILE [more]; answers in lines on stdout.

rolls FILE       each roll of a file (4 bytes of length before each): `refused WHY`, or a hash a group, - if dark
one_roll FILE    the same of a roll by itself
walk FILE SEED   enter groups by lot, frames in rising, falling and any order: `same` if all is as when played through
alloc FILE       bytes of memory that a group takes: the most, and how many groups; then what the roll itself takes
turns FILE SEED  go on, back and on again, the unit that comes next never ready: `same`
times FILE       start, length and dues of each group
"""

import gc
import hashlib
import sys

sys.path.insert(0, sys.argv[1])
from glow.roll import Roll, RollError  # noqa: E402

STEPS = 100_000  # more than any roll of the tests needs to get a unit: a decoder that stalls is told of


def ready(roll):
    steps = 0
    while not roll.ready:
        roll.work()
        steps += 1
        assert steps < STEPS, "stalled"


def shown(roll, group, ahead=True):
    """A hash of the group's frames, or - where it is dark."""
    roll.enter(group)
    ready(roll)
    digest = hashlib.sha256()
    lit = roll.frame(0)
    for i in range(roll.frames):
        now = roll.frame(i)
        assert now == lit, "a group dark in part"
        digest.update(roll.row)
        if ahead:
            roll.work()
    steps = 0
    while ahead and roll.work():
        steps += 1
        assert steps < STEPS, "stalled"
    return digest.digest()[:8].hex() if lit else "-"


def rolls(path):
    with open(path, "rb") as file:
        while True:
            size = file.read(4)
            if not size:
                break
            with open(path + ".one", "wb") as one:
                one.write(file.read(int.from_bytes(size, "little")))
            one_roll(path + ".one")


def one_roll(path):
    try:
        roll = Roll(path)
    except RollError as error:
        print("refused", error)
        return
    print(" ".join(shown(roll, group) for group in range(roll.head.groups)))
    roll.close()


def walk(path, seed):
    roll = Roll(path)
    groups = roll.head.groups
    played = [shown(roll, group) for group in range(groups)]
    state = int(seed)
    for step in range(60):
        state = (state * 1103515245 + 12345) & 0x7FFFFFFF
        group = (state >> 8) % groups
        assert shown(roll, group, bool(step & 1)) == played[group], (step, group)
        frames = []
        for i in range(roll.frames):
            roll.frame(i)
            frames.append(bytes(roll.row))
        for i in reversed(range(roll.frames)):
            roll.frame(i)
            assert roll.row == frames[i], "falling"
        for _ in range(4):
            state = (state * 1103515245 + 12345) & 0x7FFFFFFF
            roll.frame((state >> 8) % roll.frames)
            assert roll.row == frames[(state >> 8) % roll.frames], "any order"
            if state & 64:
                roll.work()  # left in the midst of it by the next group
    print("same")


def turns(path, seed):
    """The next unit is under way when play turns back to one before it, and forth again."""
    roll = Roll(path)
    groups = roll.head.groups
    played = [shown(roll, group) for group in range(groups)]
    state = int(seed)
    for group in range(1, groups):
        for back in (1, 2, 0):
            if group - back >= 0:
                assert shown(roll, group - back, False) == played[group - back], group
                state = (state * 1103515245 + 12345) & 0x7FFFFFFF
                for _ in range((state >> 8) % 40):
                    roll.work()
    print("same")


def play(roll, groups):
    most = i = group = before = 0
    while group < groups:
        before = gc.mem_alloc()
        roll.enter(group % roll.head.groups)
        while not roll.ready:
            roll.work()
        i = 0
        while i < roll.frames:
            roll.frame(i)
            roll.work()
            i += 1
        while roll.work():
            pass
        before = gc.mem_alloc() - before
        if before > most:
            most = before
        group += 1
    return most


def alloc(path):
    gc.collect()
    before = gc.mem_alloc()
    roll = Roll(path)
    roll.enter(0)
    ready(roll)
    gc.collect()
    took = gc.mem_alloc() - before
    gc.disable()
    print(play(roll, 1000), 1000, took)


def times(path):
    roll = Roll(path)
    for group in range(roll.head.groups):
        roll.enter(group)
        print(roll.start_us(group), roll.length_us, *[roll.due_us(i) for i in range(roll.frames)])


globals()[sys.argv[2]](*sys.argv[3:])
