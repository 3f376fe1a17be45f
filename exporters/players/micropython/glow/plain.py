"""The hot loops in plain MicroPython: the meaning of fast.py, byte for byte, for interpreters without native code.

Conventions: buffers are bytearrays and are never grown. `st` is an array("i") of 8 numbers that belong to a unit's
place in memory: [0] next mark, [1] next value, [2] cell, [3] frames done, [4:8] bytes of a frame in each plane.
`how`, cells, marks: exporters/ROLL.md section 9. No whole number here passes 2^30, so that none needs memory.
"""

MORE, FINE, BROKEN = 0, 1, 2  # answers of check_marks


def crc(table, state, buf, n):
    """CRC-32 of `buf[:n]` on top of `state` (4 bytes, little-endian, starts as FF FF FF FF; not inverted).

    table: array("H") of 32, low and high half of each of 16 words (ROLL.md, section 1: polynomial EDB88320).
    """
    low = state[0] | state[1] << 8
    high = state[2] | state[3] << 8
    for i in range(n):
        low ^= buf[i]
        at = (low & 15) << 1
        low = (low >> 4 | (high & 15) << 12) ^ table[at]
        high = (high >> 4) ^ table[at + 1]
        at = (low & 15) << 1
        low = (low >> 4 | (high & 15) << 12) ^ table[at]
        high = (high >> 4) ^ table[at + 1]
    state[0] = low & 255
    state[1] = low >> 8
    state[2] = high & 255
    state[3] = high >> 8


def copy(to, at, source, n):
    """to[at : at + n] = source[:n]"""
    for i in range(n):
        to[at + i] = source[i]


def fill(to, n, value):
    """to[:n] = n times value"""
    for i in range(n):
        to[i] = value


def dense(row, unit, st, size, frames, f, how):
    """Frame `f` of columns, pairs or rows into `row`, which holds the frame before it (needed where `how` adds)."""
    step = (how & 3) + 1
    add = how & 4
    kind = how & 24
    base = 0
    for k in range(step):
        count = st[4 + k]
        if kind == 16:
            p = base + f * count
            b = k
            while b < size:
                row[b] = row[b] + unit[p] & 255 if add else unit[p]
                p += 1
                b += step
        elif kind == 8:
            p = base + 2 * f
            b = k
            while b + step < size:
                row[b] = row[b] + unit[p] & 255 if add else unit[p]
                b += step
                row[b] = row[b] + unit[p + 1] & 255 if add else unit[p + 1]
                b += step
                p += 2 * frames
            if b < size:
                p -= f
                row[b] = row[b] + unit[p] & 255 if add else unit[p]
        else:
            p = base + f
            b = k
            while b < size:
                row[b] = row[b] + unit[p] & 255 if add else unit[p]
                p += frames
                b += step
        base += frames * count


def marks(row, unit, st, size, how):
    """The next frame of marks into `row`, which holds the frame before it. The marks have passed check_marks."""
    step = (how & 3) + 1
    add = how & 4
    mark = st[0]
    value = st[1]
    at = 0
    while True:
        skip = unit[mark]
        run = unit[mark + 1]
        mark += 2
        if skip + run == 0:
            break
        at += skip * step
        end = at + run * step
        if end > size:
            end = size
        while at < end:
            row[at] = row[at] + unit[value] & 255 if add else unit[value]
            value += 1
            at += 1
    st[0] = mark
    st[1] = value


def check_marks(unit, st, total, first_value, frames, size, step, cells, most):
    """Go on checking marks, at most `most` pairs of them: MORE, FINE or BROKEN. `total`: bytes of the unit.

    Starts from st[0] = 6, st[1] = first_value, st[2] = st[3] = 0; first_value is where the marks end.
    """
    mark = st[0]
    value = st[1]
    cell = st[2]
    done = st[3]
    while most > 0:
        most -= 1
        if mark >= first_value:
            return FINE if done == frames and cell == 0 and value == total else BROKEN
        skip = unit[mark]
        run = unit[mark + 1]
        mark += 2
        if done == frames:
            return BROKEN
        if skip + run == 0:
            done += 1
            cell = 0
        else:
            cell += skip + run
            if cell > cells:
                return BROKEN
            value += run * step
            if cell == cells and run:
                value -= cells * step - size
            if value > total:
                return BROKEN
    st[0] = mark
    st[1] = value
    st[2] = cell
    st[3] = done
    return MORE


def scale(to, source, n, factor):
    """to[:n] = each byte of source times factor / 255, rounded down; factor 0 to 255."""
    for i in range(n):
        to[i] = source[i] * factor // 255


def summed(row, at, pixels, channels, law):
    """Sum over `pixels` pixels from byte `at` on of their bytes (law 0), or of the largest byte of each (law 1)."""
    total = 0
    for _ in range(pixels):
        if law:
            most = 0
            for i in range(channels):
                if row[at + i] > most:
                    most = row[at + i]
            total += most
        else:
            for i in range(channels):
                total += row[at + i]
        at += channels
    return total


def clocked(to, at, row, first, pixels, channels, level):
    """Pixels of a clocked string: from to[at] on, for each pixel the byte `level` and then its channels."""
    for _ in range(pixels):
        to[at] = level
        at += 1
        for i in range(channels):
            to[at] = row[first + i]
            at += 1
        first += channels
