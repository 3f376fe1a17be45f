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
    n = random.randrange(size)
    both("copy", some(size), random.randrange(size - n), some(size), random.randrange(size - n), n)
    both("fill", some(size), size - 1, random.getrandbits(8))
    for factor in (0, 1, 128, 254, 255, random.getrandbits(8)):
        both("scale", some(size), some(size), size - 1, factor)
    both("summed", some(60), random.randrange(9), random.randrange(12), random.randrange(3, 5), random.randrange(2))
    both("clocked", some(60), 4, some(60), random.randrange(9), random.randrange(12), 3, 255)
    # Quotes by lot, many of them broken, in pieces and with a pause here and there.
    total, old = size * frames, random.choice((0, size, 50))
    pairs = bytearray()
    for _ in range(random.randrange(1, 9)):
        cells, few = min(255, random.randrange(total // step + 2)), random.randrange(3)
        pairs += bytearray(random.choice(((cells, few), (few, cells), (0, 0)))) + some(random.randrange(4))
    how = 24 | random.randrange(8)
    here, there = some(total), some(60)
    st = array("i", [0, random.randrange(1, 9), 0, 0, 0, 0, total, old])
    while pairs:
        n = random.randrange(1, 9)
        piece, pairs = pairs[:n], pairs[n:]
        st[5] = 0
        answer = plain.GO_ON
        while answer == plain.GO_ON:
            stop = st[0] + random.randrange(1, 40)
            answer = both("quotes", here, st[0], stop, st, piece, len(piece), there, how)
            fast.quotes(here, st[0], stop, st, piece, len(piece), there, how)
            assert st[0] <= min(stop, total)
        answers.add(min(answer, 1))
        if answer < 0:
            break
assert answers == {1, plain.FULL, plain.BROKEN}, answers
for value in range(256):  # LINK.md, `bright`: multiplied by N, divided by 255, rounded down
    row = bytearray([value])
    for factor in range(256):
        fast.scale(row, bytearray([value]), 1, factor)
        assert row[0] == value * factor // 255, (value, factor)
print("same")
