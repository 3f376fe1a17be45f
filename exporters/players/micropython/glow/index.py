"""The tables of a roll's head that are long: its units and its index. exporters/ROLL.md sections 7, 8 and 13."""

from .words import TABLE, RollError, begin, crc_is, fast, span, u16, u24, u32

MOST_PRODUCT = 0x3FFFFFFF
MOST_UNIT_BYTES = 1 << 24


def _take(file, buf, n):
    if file.readinto(buf, n) != n:
        raise RollError("cut short")


def check_units(head, file, buf, feed):
    """The units' records, where the file stands now. Raises RollError, OSError."""
    depth, most_frames, most_payload = -1, 0, 0
    for number in range(head.units):
        if feed and not number & 63:
            feed()
        _take(file, buf, 14)
        at, n, frames = u32(buf, 0), u24(buf, 4), buf[7]
        if n < 6 or at < head.bytes_long or at + n > head.file_bytes:
            raise RollError(f"unit {number}: its payload lies outside the payloads")
        if buf[8] > 15 or buf[8] and buf[8] != depth + 1:
            raise RollError(f"unit {number}: its depth does not follow from the unit before")
        if buf[9] > 31 or not frames or frames * head.frame_bytes > MOST_UNIT_BYTES:
            raise RollError(f"unit {number}: a field is out of range")
        depth = buf[8]
        most_frames, most_payload = max(most_frames, frames), max(most_payload, n)
    if most_frames != head.most_frames or most_payload != head.most_payload_bytes:
        raise RollError("most_frames or most_payload_bytes is not that of the units")


def check_index(head, file, buf, feed):
    """Every page and entry of the index. Gives the end of the show. Raises RollError, OSError."""
    state = bytearray(4)
    end = None
    head.start_us = 0
    for page in range((head.groups + 15) // 16):
        if feed:
            feed()
        file.seek(head.index_at + 136 * page)
        count = min(16, head.groups - 16 * page)
        _take(file, buf, 8 * count + 8)
        begin(state)
        fast.crc(TABLE, state, buf, 8 * count + 4)
        if not crc_is(state, buf, 8 * count + 4):
            raise RollError(f"the checksum of page {page} of the index does not match")
        start = u32(buf, 0)
        if end is None:
            head.start_us = start
        elif end != start:
            raise RollError(f"page {page} of the index does not start where the page before ends")
        for i in range(count):
            _check_entry(head, file, buf, 16 * page + i, 8 * i)
        end = u32(buf, 8 * count)
    return end


def _check_entry(head, file, buf, group, at):
    length, frames = span(buf, at), buf[at + 7]
    if not 0 < frames <= length or frames * length > MOST_PRODUCT:
        raise RollError(f"group {group}: {frames} frames in {length} us")
    unit = u16(buf, at + 4)
    if unit >= head.units:
        raise RollError(f"group {group}: there is no unit {unit}")
    file.seek(head.units_at + 14 * unit + 7)
    if buf[at + 6] + frames > file.read(1)[0]:
        raise RollError(f"group {group}: unit {unit} does not hold its frames")
