# ruff: noqa: F821  (ptr8 and ptr32 are words of viper)
"""The hot loops as native code: plain.py line for line, which says what each of them does. A test compares the two."""

import micropython

MORE, FINE, BROKEN = 0, 1, 2


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
def copy(to: ptr8, at: int, source: ptr8, n: int):
    i = 0
    while i < n:
        to[at + i] = source[i]
        i += 1


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
def marks(row: ptr8, unit: ptr8, st: ptr32, size: int, how: int):
    step = (how & 3) + 1
    add = how & 4
    mark = int(st[0])
    value = int(st[1])
    at = 0
    while True:
        skip = int(unit[mark])
        run = int(unit[mark + 1])
        mark += 2
        if skip + run == 0:
            break
        at += skip * step
        end = at + run * step
        if end > size:
            end = size
        if add:
            while at < end:
                row[at] += unit[value]
                value += 1
                at += 1
        else:
            while at < end:
                row[at] = unit[value]
                value += 1
                at += 1
    st[0] = mark
    st[1] = value


@micropython.viper
def check_marks(
    unit: ptr8, st: ptr32, total: int, first_value: int, frames: int, size: int, step: int, cells: int, most: int
) -> int:
    mark = int(st[0])
    value = int(st[1])
    cell = int(st[2])
    done = int(st[3])
    while most > 0:
        most -= 1
        if mark >= first_value:
            if done == frames:
                if cell == 0:
                    if value == total:
                        return 1
            return 2
        skip = int(unit[mark])
        run = int(unit[mark + 1])
        mark += 2
        if done == frames:
            return 2
        if skip + run == 0:
            done += 1
            cell = 0
        else:
            cell += skip + run
            if cell > cells:
                return 2
            value += run * step
            if cell == cells:
                if run > 0:
                    value -= cells * step - size
            if value > total:
                return 2
    st[0] = mark
    st[1] = value
    st[2] = cell
    st[3] = done
    return 0


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
