"""Compares the hot loops as native code with their plain twin, on buffers by lot. Usage: twins.py GLOW SEED ROUNDS"""

import random
import sys
from array import array

sys.path.insert(0, sys.argv[1])
from glow import fast, plain  # noqa: E402
from glow.head import TABLE  # noqa: E402

random.seed(int(sys.argv[2]))


def some(n):
    return bytearray(random.getrandbits(8) for _ in range(n))


def both(name, *words):
    """Call the two with copies of the same words: the same answer, and the same bytes left in every buffer."""
    left = [word[:] if isinstance(word, (bytearray, array)) else word for word in words]
    right = [word[:] if isinstance(word, (bytearray, array)) else word for word in words]
    one, two = getattr(fast, name)(*left), getattr(plain, name)(*right)
    assert one == two and left == right, (name, words)
    return one


def counts(size, step):
    return [len(range(k, size, step)) if k < step else 0 for k in range(4)]


answers = set()
for _ in range(int(sys.argv[3])):
    size = random.randrange(3, 60)
    frames = random.randrange(1, 9)
    how = random.randrange(24)
    step = (how & 3) + 1
    st = array("i", [0, 0, 0, 0] + counts(size, step))
    unit = some(size * frames)
    both("dense", some(size), unit, st, size, frames, random.randrange(frames), how)
    both("crc", TABLE, some(4), some(size), random.randrange(size))
    both("copy", some(size), 1, some(size), size - 1)
    both("fill", some(size), size - 1, random.getrandbits(8))
    for factor in (0, 1, 128, 254, 255, random.getrandbits(8)):
        both("scale", some(size), some(size), size - 1, factor)
    both("summed", some(60), random.randrange(9), random.randrange(12), random.randrange(3, 5), random.randrange(2))
    both("clocked", some(60), 4, some(60), random.randrange(9), random.randrange(12), 3, 255)
    # Marks by lot, most of them broken, and the answer decides whether they may be gone through.
    cells = (size + step - 1) // step
    pairs = random.randrange(1, 8)
    marks = bytearray(random.choice((0, 0, 1, 2, cells - 1)) for _ in range(2 * pairs))
    values = random.randrange(0, 12)
    unit = bytearray(6) + marks + bytearray([0, 0] * random.randrange(2)) + some(values)
    first_value = len(unit) - values
    count = random.randrange(1, 4)
    st = array("i", [6, first_value, 0, 0, 0, 0, 0, 0])
    answer = both("check_marks", unit, st, len(unit), first_value, count, size, step, cells, 50)
    answers.add(answer)
    if answer == plain.FINE:
        both("marks", some(size), unit, array("i", [6, first_value] + [0] * 6), size, how)
assert answers == {plain.FINE, plain.BROKEN}, answers
for value in range(256):  # LINK.md, `bright`: multiplied by N, divided by 255, rounded down
    row = bytearray([value])
    for factor in range(256):
        fast.scale(row, bytearray([value]), 1, factor)
        assert row[0] == value * factor // 255, (value, factor)
print("same")
