"""The bytes of a Standard MIDI File as ticks, and what could be saved of a damaged one.

After the Standard MIDI File specification 1.1 (MIDI Manufacturers Association, 1991). It is read leniently where
files in the wild break it and the meaning is plain: chunk lengths, track counts, a missing end of track, running
status across meta events, data bytes above 127, RIFF wrapping. Every such place is a warning that names the track
and the byte; a track that cannot be followed any further keeps what came before. What would put every later time
in doubt (the division, a tempo that cannot be read) is a fault.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction
from typing import NamedTuple

from ..faults import FaultList, Faults

MOST_WARNINGS = 20
_HEADER, _TRACK = b"MThd", b"MTrk"
_FRAME_RATES = {24: Fraction(24), 25: Fraction(25), 29: Fraction(30000, 1001), 30: Fraction(30)}
_MOST_DENOMINATOR = 6  # power of two: sixty-fourth notes
# Bytes after a status that has no place in a file but is plain on a wire: quarter frame, song position, song select.
_SYSTEM_BYTES = {0xF1: 1, 0xF2: 2, 0xF3: 1}


@dataclass
class Track:
    """What one track holds that matters here. Ticks count from the start; channels from 1."""

    number: int
    tempos: list[tuple[int, int]] = field(default_factory=list)  # tick, microseconds a quarter note
    metres: list[tuple[int, int, int]] = field(default_factory=list)  # tick, numerator, denominator
    markers: list[tuple[int, str]] = field(default_factory=list)  # tick, text
    notes: list[tuple[int, int, int, int]] = field(default_factory=list)  # tick, channel, note, velocity 1-127
    end: int = 0  # tick of the last event
    ended: bool = False  # whether an end-of-track event was met
    stop: int = 0  # the byte after the last event that was read


@dataclass(frozen=True)
class RawSong:
    """A file in ticks. Exactly one of `per_quarter` (ticks a quarter note) and `tick_us` is given."""

    per_quarter: int | None
    tick_us: Fraction | None
    tracks: tuple[Track, ...]
    warnings: tuple[str, ...]


class _Log:
    """Warnings and faults of one file, in the order met."""

    def __init__(self, name: str) -> None:
        self.faults = FaultList(name)
        self._warnings: dict[tuple[str, str], None] = {}

    def warn(self, where: str, what: str) -> None:
        self._warnings[where, what] = None

    def lines(self) -> tuple[str, ...]:
        lines = [f"{where}: {what}" if where else what for where, what in self._warnings]
        left = len(lines) - MOST_WARNINGS
        return (*lines[:MOST_WARNINGS], *([f"and {left} more warnings"] if left > 0 else []))

    def nothing_left(self, what: str) -> Faults:
        """The fault of a file that came to nothing, with every warning that says why."""
        self.faults.add("", what)
        for where, why in list(self._warnings)[:MOST_WARNINGS]:
            self.faults.add(where, why)
        return Faults(self.faults.faults)


class _Broken(Exception):
    """A track cannot be followed past this event."""


def parse(data: bytes, name: str) -> RawSong:
    """Read a whole file's bytes; `name` stands in faults. Raises `Faults`."""
    if not data:
        raise Faults.one(name, "", "the file is empty")
    log = _Log(name)
    at, end = _find_header(data, name, log)
    length = int.from_bytes(data[at + 4 : at + 8], "big")
    if length < 6 or at + 14 > end:
        raise Faults.one(name, f"header, byte {at + 4}", "the header is cut short")
    kind, counted, division = (int.from_bytes(data[i : i + 2], "big") for i in (at + 8, at + 10, at + 12))
    per_quarter, tick_us = _division(division, at + 12, name)
    tracks = _tracks(data, min(at + 8 + length, end), end, log)
    if not tracks:
        raise log.nothing_left("there is no track in this MIDI file")
    if len(tracks) != counted:
        log.warn("header", f"counts {counted} tracks, {len(tracks)} are there")
    if kind == 2:
        first = next((track for track in tracks if track.notes), tracks[0])
        log.warn("header", f"type 2, {len(tracks)} separate patterns: only track {first.number} is read")
        tracks = [first]
    elif kind > 2:
        log.warn("header", f"type {kind} is unknown, read as type 1")
    log.faults.raise_if_any()
    if not any(track.notes or track.tempos or track.metres or track.markers for track in tracks):
        raise log.nothing_left("there is no note, tempo, metre or marker in this MIDI file")
    return RawSong(per_quarter, tick_us, tuple(tracks), log.lines())


def _find_header(data: bytes, name: str, log: _Log) -> tuple[int, int]:
    """Where the file proper starts and ends: past a RIFF wrapper (its sizes are little-endian), past foreign bytes."""
    if data[:4] == b"RIFF" and data[8:12] == b"RMID":
        at = 12
        while at + 8 <= len(data):
            size = int.from_bytes(data[at + 4 : at + 8], "little")
            if data[at : at + 4] == b"data" and data[at + 8 : at + 12] == _HEADER:
                return at + 8, min(at + 8 + size, len(data))
            at += 8 + size + size % 2
    at = data.find(_HEADER)
    if at < 0:
        raise Faults.one(name, "", "this is not a MIDI file: it has no MThd header")
    if at > 0:
        log.warn("", f"the file proper starts only at byte {at}")
    return at, len(data)


def _division(division: int, at: int, name: str) -> tuple[int | None, Fraction | None]:
    """Bit 15 clear: ticks a quarter note. Set: high byte minus the frames a second, low byte ticks a frame."""
    where = f"header, byte {at}"
    if division & 0x8000:
        frames, ticks = 0x100 - (division >> 8), division & 0xFF
        if frames not in _FRAME_RATES or ticks == 0:
            raise Faults.one(name, where, f"time code of {frames} frames a second, {ticks} ticks a frame is unknown")
        return None, 1_000_000 / (_FRAME_RATES[frames] * ticks)
    if division == 0:
        raise Faults.one(name, where, "the division (ticks a quarter note) is 0: nothing can be timed")
    return division, None


# ---- chunks ------------------------------------------------------------------------------------------------------


def _tracks(data: bytes, at: int, end: int, log: _Log) -> list[Track]:
    tracks: list[Track] = []
    while at + 8 <= end:
        kind, length = data[at : at + 4], int.from_bytes(data[at + 4 : at + 8], "big")
        if kind == _TRACK:
            track = _track(data, at + 8, length, end, len(tracks) + 1, log)
            tracks.append(track)
            at = track.stop
        elif _is_chunk(data, at) and at + 8 + length <= end:
            at += 8 + length  # the specification: expect alien chunks, and treat them as if they weren't there
        else:
            following = data.find(_TRACK, at + 1, end)
            if following >= 0:
                log.warn(f"byte {at}", f"no chunk starts here; read on at the next track, byte {following}")
            at = following if following >= 0 else end
    return tracks


def _is_chunk(data: bytes, at: int) -> bool:
    return len(data) >= at + 8 and all(0x20 <= byte < 0x7F for byte in data[at : at + 4])


def _track(data: bytes, start: int, length: int, end: int, number: int, log: _Log) -> Track:
    """Read one track. Its length field is believed only as far as what stands at its end bears it out."""
    stop = min(start + length, end)
    track, trouble = _walk(data, start, stop, number)
    said = f"says it has {length} bytes"
    if start + length > end:
        log.warn(f"track {number}", f"{said}, only {end - start} are left in the file")
    following = data.find(_TRACK, start, end)
    if track.ended and track.stop < stop and track.stop == following:
        log.warn(f"track {number}", f"{said}, the next track starts after {following - start}")
        stop = following
    elif not track.ended:
        beyond = stop < end and not _is_chunk(data, stop)
        if 0 <= following < stop or beyond:
            stop = following if following >= 0 else end
            log.warn(f"track {number}", f"{said}, read as {stop - start}")
            track, trouble = _walk(data, start, stop, number)
    for faulty, tell in ((True, log.faults.add), (False, log.warn)):
        for byte, what in [(t.byte, t.what) for t in trouble if t.is_fault == faulty][:MOST_WARNINGS]:
            tell(f"track {number}, byte {byte}", what)
    if not track.ended:
        log.warn(f"track {number}", "has no end of track")
    track.stop = stop
    return track


# ---- events ------------------------------------------------------------------------------------------------------


class _Trouble(NamedTuple):
    byte: int  # of the event, from the start of the file
    what: str
    is_fault: bool = False


def _walk(data: bytes, start: int, stop: int, number: int) -> tuple[Track, list[_Trouble]]:
    """Follow the events of a track from byte `start` to its end of track, to `stop`, or as far as they make sense."""
    track = Track(number)
    trouble: list[_Trouble] = []
    body = data[start:stop]
    add_note = track.notes.append
    tick = at = event_at = running = 0
    clipped = False
    try:
        while at < len(body) and not track.ended:
            event_at = at
            delta = body[at]
            at += 1
            if delta > 0x7F:
                delta, at = _quantity(body, at - 1)
            status = body[at]
            if status > 0x7F:
                at += 1
            elif running:
                status = running
            else:
                raise _Broken("an event without a status (running status, but nothing runs)")
            if status < 0xF0:
                running = status
                first = body[at]
                at += 1
                second = 0
                if not 0xC0 <= status < 0xE0:
                    second = body[at]
                    at += 1
                if first > 0x7F or second > 0x7F:
                    first, second = min(first, 0x7F), min(second, 0x7F)
                    if not clipped:  # told once a track
                        trouble.append(_Trouble(start + event_at, "a data byte above 127, taken as 127"))
                    clipped = True
                tick += delta
                if status & 0xF0 == 0x90 and second:
                    add_note((tick, (status & 0x0F) + 1, first, second))
            elif status == 0xFF:
                kind = body[at]
                size, at = _quantity(body, at + 1)
                content = body[at : at + size]
                if len(content) < size:
                    raise IndexError
                at += size
                tick += delta
                _meta(track, tick, kind, content, start + event_at, trouble)
            elif status in (0xF0, 0xF7):
                size, at = _quantity(body, at)
                if at + size > len(body):
                    raise IndexError
                at += size
                tick += delta
            else:
                at += _SYSTEM_BYTES.get(status, 0)
                tick += delta
                trouble.append(_Trouble(start + event_at, f"status {status:02X} has no place in a file, left out"))
            track.end = tick
        event_at = at
    except IndexError:
        trouble.append(_Trouble(start + event_at, "the track breaks off inside an event"))
    except _Broken as broken:
        trouble.append(_Trouble(start + event_at, f"{broken}; the rest of the track is lost"))
    track.stop = start + event_at
    return track, trouble


def _quantity(body: bytes, at: int) -> tuple[int, int]:
    """A variable-length quantity, seven bits a byte, at most four bytes, and the place after it."""
    value = 0
    for i in range(at, at + 4):
        value = value << 7 | body[i] & 0x7F
        if body[i] < 0x80:
            return value, i + 1
    raise _Broken("a number of more than four bytes")


def _meta(track: Track, tick: int, kind: int, content: bytes, at: int, trouble: list[_Trouble]) -> None:
    if kind == 0x2F:
        track.ended = True
    elif kind == 0x51:
        tempo = int.from_bytes(content, "big")
        if len(content) != 3:
            what = f"a tempo of {len(content)} bytes, not 3: no later time would be right"
            trouble.append(_Trouble(at, what, is_fault=True))
        elif tempo == 0:
            trouble.append(_Trouble(at, "a tempo of 0 microseconds a quarter note, left out"))
        else:
            track.tempos.append((tick, tempo))
    elif kind == 0x58:
        if len(content) < 2 or content[0] == 0 or content[1] > _MOST_DENOMINATOR:
            trouble.append(_Trouble(at, f"a time signature that makes no sense ({content[:4].hex(' ')}), left out"))
        else:
            track.metres.append((tick, content[0], 1 << content[1]))
    elif kind in (0x06, 0x07):
        text = _text(content)
        if text:
            track.markers.append((tick, text))


def _text(content: bytes) -> str:
    """Text of a meta event on one line. The specification says ASCII; files hold UTF-8 or Latin-1."""
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = content.decode("latin-1")
    return " ".join("".join(char if char.isprintable() else " " for char in text).split())
