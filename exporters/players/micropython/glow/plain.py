"""The hot loops in plain MicroPython: the meaning of fast.py, byte for byte, for interpreters without native code.

Conventions: buffers are bytearrays and are never grown. `st` is an array("i") of 8 numbers that belong to a unit's
place in memory. Of columns, pairs and rows: [4:8] bytes of a frame in each plane. Of quotes, while they are made: [0]
bytes made, [1] distance, [2] bytes still to quote and [3] to spell out of this pair, [4] what comes next (0 a copy,
1 + copy its run, 257 the low half of a distance, 258 + that its high half), [5] the next byte of the piece, [6] bytes
to make, [7] bytes that lie before them. `how`, cells, quotes: exporters/ROLL.md section 9. No whole number here passes
2^30, so that none needs memory.
"""

GO_ON, FULL, BROKEN = 0, -1, -2  # answers of quotes


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


def copy(to, at, source, first, n):
    """to[at : at + n] = source[first : first + n], of two buffers; both begin where a word of 32 bits may."""
    for i in range(n):
        to[at + i] = source[first + i]


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


def quotes(here, at, end, st, piece, n, there, how):
    """Go on making quotes: here[at:end], or as much of it as piece[st[5]:n] tells of.

    there: its first st[7] bytes lie just before here[0]. The answer: so many bytes are still to come, at the least;
    GO_ON: `end` is reached; FULL: all is made, and the piece used up; BROKEN.
    """
    far = st[1]
    copy = st[2]
    run = st[3]
    wait = st[4]
    i = st[5]
    total = st[6]
    old = st[7]
    step = (how & 3) + 1
    stop = end
    answer = GO_ON
    while True:
        quoted = copy
        if copy:
            end = min(at + copy, stop)
            copy -= end - at
        else:
            end = min(at + run, stop, at + n - i)
            run -= end - at
        while at < end:
            byte = 0
            if not quoted:
                byte = piece[i]
                i += 1
            if quoted or how & 4:
                back = at - far
                if back >= 0:
                    byte += here[back]
                elif back + old >= 0:
                    byte += there[back + old]
            here[at] = byte & 255
            at += 1
        if copy or run and at == stop:
            break
        if at == total:
            answer = FULL if i == n else BROKEN
            break
        if i == n:
            left = total - at - run
            answer = run
            least = 2
            if wait:
                answer = 2 if wait == 257 else 1
                if wait < 257:
                    left -= (wait - 1) * step
                    least = 1
            if left > 0:
                left = left >> 7 + step << 1  # a pair makes 255 cells at the most
                answer += left if left > least else least
            break
        if run:
            continue  # what was quoted is made, and now what follows it
        byte = piece[i]
        i += 1
        if wait > 257:
            far = (wait - 258 | byte << 8) * step
            wait = 0
            if far == 0:
                answer = BROKEN
                break
        elif wait == 257:
            wait = 258 + byte
        elif wait:
            copy = (wait - 1) * step
            run = byte * step
            wait = 257 if copy + run == 0 else 0
            left = total - at
            if copy + run >= left + step:
                answer = BROKEN
                break
            if copy > left:
                copy = left
            if copy + run > left:
                run = left - copy
        else:
            wait = 1 + byte
    st[0] = at
    st[1] = far
    st[2] = copy
    st[3] = run
    st[4] = wait
    st[5] = i
    return answer


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
