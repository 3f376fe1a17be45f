"""Whole numbers and checksums as a roll has them: exporters/ROLL.md section 1."""

try:
    from . import fast  # noqa: F401
except SyntaxError:  # an interpreter without native code
    from . import plain as fast  # noqa: F401

from array import array


class RollError(ValueError):
    """A roll that must not be played: what is wrong, in one line."""


# Words for nibbles 0 to 15 of CRC-32: four steps of the polynomial EDB88320 each.
TABLE = array("H", bytes(64))


def _table():
    for at in range(16):
        low, high = at, 0
        for _ in range(4):
            odd = low & 1
            low = low >> 1 | (high & 1) << 15
            high >>= 1
            if odd:
                low ^= 0x8320
                high ^= 0xEDB8
        TABLE[2 * at] = low
        TABLE[2 * at + 1] = high


_table()


def u16(data, at):
    """Two bytes, least significant first."""
    return data[at] | data[at + 1] << 8


def u24(data, at):
    """Three bytes."""
    return data[at] | data[at + 1] << 8 | data[at + 2] << 16


def u32(data, at):
    """Four bytes: beyond 2^30 it takes memory."""
    return u16(data, at) | u16(data, at + 2) << 16


def span(data, at):
    """u32(data, at + 8) - u32(data, at), without memory where it is small: how long entry `at` of a page lasts."""
    return (u16(data, at + 10) - u16(data, at + 2) << 16) + u16(data, at + 8) - u16(data, at)


def crc_is(state, data, at):
    """Whether a finished CRC `state` is the number at data[at]."""
    for i in range(4):
        if state[i] ^ 255 != data[at + i]:
            return False
    return True


def begin(state):
    """Begin a CRC."""
    state[0] = state[1] = state[2] = state[3] = 255
