# ruff: noqa: F821  (ptr8 and ptr32 are words of viper)
"""The hot loops as native code: plain.py line for line, which says what each of them does. A test compares the two."""

import micropython

GO_ON, FULL, BROKEN = 0, -1, -2


@micropython.viper
def crc(table: ptr32, state: ptr32, buf: ptr8, n: int):
    c = int(state[0])
    i = 0
    while i < n:
        c ^= int(buf[i])
        c = (c >> 4 & 0xFFFFFFF) ^ int(table[c & 15])
        c = (c >> 4 & 0xFFFFFFF) ^ int(table[c & 15])
        i += 1
    state[0] = c


@micropython.viper
def copy(to: ptr8, at: int, source: ptr8, first: int, n: int):
    end = at + n
    by = first - at
    if ((at | first) & 3) == 0:
        wide = ptr32(to)
        words = ptr32(source)
        i = at >> 2
        n = end >> 2
        first = by >> 2
        while i < n:
            wide[i] = words[i + first]
            i += 1
        at = i << 2
    while at < end:
        to[at] = source[at + by]
        at += 1


@micropython.viper
def fill(to: ptr8, n: int, value: int):
    i = 0
    while i < n:
        to[i] = value
        i += 1


@micropython.viper
def dense(row: ptr8, unit: ptr8, st: ptr32, size: int, frames: int, f: int, how: int):
    step = (how & 3) + 1
    add = how & 4
    kind = how & 24
    base = 0
    k = 0
    while k < step:
        count = int(st[4 + k])
        b = k
        if kind == 8:
            p = base + 2 * f
            jump = 2 * frames
            if add:
                while b + step < size:
                    row[b] += unit[p]
                    b += step
                    row[b] += unit[p + 1]
                    b += step
                    p += jump
                if b < size:
                    row[b] += unit[p - f]
            else:
                while b + step < size:
                    row[b] = unit[p]
                    b += step
                    row[b] = unit[p + 1]
                    b += step
                    p += jump
                if b < size:
                    row[b] = unit[p - f]
        else:
            if kind == 16:
                p = base + f * count
                jump = 1
            else:
                p = base + f
                jump = frames
            if add:
                while b < size:
                    row[b] += unit[p]
                    p += jump
                    b += step
            else:
                while b < size:
                    row[b] = unit[p]
                    p += jump
                    b += step
        base += frames * count
        k += 1


@micropython.viper
def quotes(here: ptr8, at: int, end: int, st: ptr32, piece: ptr8, n: int, there: ptr8, how: int) -> int:
    # What is used most comes first: a board has registers for three.
    far = int(st[1])
    copy = int(st[2])
    run = int(st[3])
    wait = int(st[4])
    i = int(st[5])
    total = int(st[6])
    old = int(st[7])
    step = (how & 3) + 1
    stop = end
    answer = 0
    while True:
        quoted = copy
        end = at + copy
        if copy == 0:
            end = at + run
            if end - at > n - i:
                end = at + n - i
        if end > stop:
            end = stop
        if quoted:
            copy -= end - at
        else:
            run -= end - at
        while at < end:
            back = at - far
            byte = 0
            if quoted:
                if back >= 0:
                    while at < end:
                        here[at] = here[at - far]
                        at += 1
                    break
            else:
                byte = int(piece[i])
                i += 1
            if quoted | how & 4:
                if back >= 0:
                    byte += int(here[back])
                elif back + old >= 0:
                    byte += int(there[back + old])
            here[at] = byte
            at += 1
        if copy:
            break
        if at == stop:
            if run:
                break
        if at == total:
            answer = -1 if i == n else -2
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
                left = left >> 7 + step << 1
                answer += left if left > least else least
            break
        if run:
            continue
        byte = int(piece[i])
        i += 1
        if wait > 257:
            far = (wait - 258 | byte << 8) * step
            wait = 0
            if far == 0:
                answer = -2
                break
        elif wait == 257:
            wait = 258 + byte
        elif wait:
            copy = (wait - 1) * step
            run = byte * step
            wait = 257 if copy + run == 0 else 0
            left = total - at
            if copy + run >= left + step:
                answer = -2
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


@micropython.viper
def scale(to: ptr8, source: ptr8, n: int, factor: int):
    i = 0
    while i < n:
        x = int(source[i]) * factor
        to[i] = x + 1 + (x >> 8) >> 8  # x // 255 for every x below 65536
        i += 1


@micropython.viper
def summed(row: ptr8, at: int, pixels: int, channels: int, law: int) -> int:
    total = 0
    if law:
        while pixels > 0:
            most = 0
            end = at + channels
            while at < end:
                if int(row[at]) > most:
                    most = int(row[at])
                at += 1
            total += most
            pixels -= 1
    else:
        end = at + pixels * channels
        while at < end:
            total += int(row[at])
            at += 1
    return total


@micropython.viper
def clocked(to: ptr8, at: int, row: ptr8, first: int, pixels: int, channels: int, level: int):
    while pixels > 0:
        to[at] = level
        at += 1
        end = first + channels
        while first < end:
            to[at] = row[first]
            at += 1
            first += 1
        pixels -= 1
