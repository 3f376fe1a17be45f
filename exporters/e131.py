"""Frames as ANSI E1.31-2018 packets (streaming ACN), for receivers that speak that open standard.

Conventions: a universe has up to 512 slots, each a byte; pixels never straddle two universes, so 170 of three bytes or
128 of four. Every string begins a universe of its own, in the rig's order, and its pixels come in the order of the
wire, each as R, G, B and perhaps W whatever the chip's own order: receivers have a setting for that order. The bytes
are those of the roll, after lightness curve, brightness and limiter: receivers must not correct them again.

What is not here: synchronization packets (section 6.3), so universes of one frame may latch some milliseconds apart.
"""

from __future__ import annotations

import operator
import socket
import struct
import time
import uuid
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

PORT = 5568
SLOTS = 512
MOST_UNIVERSE = 63_999
DISCOVERY_UNIVERSE = 64_214
MOST_PRIORITY = 200
PACKET_ID = b"ASC-E1.17\0\0\0"

TERMINATED = 0x40  # option bit 6: the source ends this universe
LEAST_GAP_S = 1 / 44  # no faster than DMX512-A itself can refresh 512 slots (E1.31 section 6.6.1)
REPEATS = 3  # how often unchanged data is sent before it becomes a keep-alive (section 6.6.2)
KEEP_ALIVE_S = 0.9  # between 800 and 1000 ms (section 6.6.2)
DISCOVERY_S = 10.0  # section 4.3


@dataclass(frozen=True)
class Patch:
    """Which pixels of a string a universe carries. `take`: for each slot its byte in the string's wire bytes."""

    universe: int
    string: str
    first_pixel: int
    pixels: int
    take: tuple[int, ...]

    @property
    def slots(self) -> int:
        """Slots that the universe has."""
        return len(self.take)


def patch(strings: Iterable[tuple[str, int, str]], first_universe: int = 1) -> list[Patch]:
    """Lay strings, (name, pixels, order such as "grb"), onto universes, one after another.

    Raises ValueError when they run beyond universe 63999.
    """
    out: list[Patch] = []
    universe = first_universe
    for name, pixels, order in strings:
        places = [order.index(letter) for letter in "rgbw" if letter in order]
        most = SLOTS // len(order)
        for first in range(0, pixels, most):
            count = min(most, pixels - first)
            take = tuple(len(order) * pixel + place for pixel in range(first, first + count) for place in places)
            if not 1 <= universe <= MOST_UNIVERSE:
                raise ValueError(f"universes go from 1 to {MOST_UNIVERSE}; string {name} would need {universe}")
            out.append(Patch(universe, name, first, count, take))
            universe += 1
    return out


def data_packet(
    universe: int,
    slots: bytes,
    *,
    cid: bytes,
    source: str,
    sequence: int,
    priority: int = 100,
    options: int = 0,
) -> bytes:
    """One E1.31 Data Packet (table 4-1), 126 bytes and the slots; START code 0.

    `cid`: 16 bytes that name the sender; `source`: its name, cut to 63 bytes of UTF-8. Raises ValueError for a value
    out of its range.
    """
    if not 1 <= universe <= MOST_UNIVERSE:
        raise ValueError(f"a universe is 1 to {MOST_UNIVERSE}, got {universe}")
    if not 1 <= len(slots) <= SLOTS:
        raise ValueError(f"a universe has 1 to {SLOTS} slots, got {len(slots)}")
    if not 0 <= priority <= MOST_PRIORITY:
        raise ValueError(f"a priority is 0 to {MOST_PRIORITY}, got {priority}")
    values = b"\0" + slots
    dmp = _pdu(struct.pack(">BBHHH", 0x02, 0xA1, 0x0000, 0x0001, len(values)) + values)
    framing = _pdu(
        struct.pack(">I64sBHBBH", 0x00000002, _name(source), priority, 0, sequence & 0xFF, options, universe) + dmp
    )
    return _root(0x00000004, cid, framing)


def discovery_packets(universes: Sequence[int], *, cid: bytes, source: str) -> list[bytes]:
    """Universe Discovery Packets (table 4-3): which universes this source sends, at most 512 to a packet."""
    pages = [sorted(universes)[at : at + 512] for at in range(0, len(universes), 512)]
    out = []
    for page, listed in enumerate(pages):
        numbers = struct.pack(f">{len(listed)}H", *listed)
        layer = _pdu(struct.pack(">IBB", 0x00000001, page, len(pages) - 1) + numbers)
        framing = _pdu(struct.pack(">I64sI", 0x00000002, _name(source), 0) + layer)
        out.append(_root(0x00000008, cid, framing))
    return out


def _pdu(body: bytes) -> bytes:
    """Flags 7 and a length of 12 bits that counts itself, then the body."""
    return struct.pack(">H", 0x7000 | (len(body) + 2)) + body


def _root(vector: int, cid: bytes, framing: bytes) -> bytes:
    if len(cid) != 16:
        raise ValueError(f"a CID has 16 bytes, got {len(cid)}")
    return struct.pack(">HH", 0x0010, 0x0000) + PACKET_ID + _pdu(struct.pack(">I", vector) + cid + framing)


def _name(source: str) -> bytes:
    """At most 63 bytes, no letter cut in two: the 64th is a zero."""
    return source.encode()[:63].decode(errors="ignore").encode()


def multicast(universe: int) -> str:
    """The address of a universe, 239.255.high.low (section 9.3.1)."""
    return f"239.255.{universe >> 8}.{universe & 0xFF}"


class Sender:
    """Sends frames to universes: what changed at once, what stands as keep-alive; ends its streams when closed.

    `host`: where all universes go, or None for each universe's multicast address; its name is looked up once, and
    `OSError` raised where nobody knows it. From then on nothing waits or raises for the network: packets that cannot be
    sent are counted in `lost`.
    """

    def __init__(
        self,
        patches: Sequence[Patch],
        host: str | None,
        *,
        source: str = "Glowscore",
        priority: int = 100,
        cid: bytes | None = None,
        port: int = PORT,
        now: Callable[[], float] = time.monotonic,
    ) -> None:
        self.patches, self.port = list(patches), port
        try:
            self.host = None if host is None else socket.gethostbyname(host)
        except UnicodeError:  # no name at all, such as "a..b"
            raise OSError("this is no name of a host") from None
        self.source, self.priority, self.cid = source, priority, cid or uuid.uuid4().bytes
        self.lost = 0
        self._now = now
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.setblocking(False)
        self._socket.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_TTL, 8)
        self._sequence = {p.universe: 0 for p in self.patches}
        self._last = {p.universe: bytes(p.slots) for p in self.patches}  # dark at first
        self._take = {p.universe: operator.itemgetter(*p.take) for p in self.patches}  # a pixel has three at least
        self._sent_s = {p.universe: -1e9 for p in self.patches}
        self._repeats = {p.universe: 0 for p in self.patches}
        self._discovered_s = -1e9

    @property
    def due(self) -> bool:
        """Whether any universe may be sent again: before that `send` does nothing."""
        return self._now() - min(self._sent_s.values(), default=0.0) >= LEAST_GAP_S

    def send(self, frames: Mapping[str, bytes]) -> None:
        """Bring the receivers up to a frame: string -> its bytes in wire order. A missing string keeps what it has."""
        now_s = self._now()
        for p in self.patches:
            since_s = now_s - self._sent_s[p.universe]
            if since_s < LEAST_GAP_S:
                continue
            wire = frames.get(p.string)
            slots = self._last[p.universe] if wire is None else bytes(self._take[p.universe](wire))
            changed = slots != self._last[p.universe]
            if not changed and self._repeats[p.universe] >= REPEATS and since_s < KEEP_ALIVE_S:
                continue
            self._repeats[p.universe] = 0 if changed else self._repeats[p.universe] + 1
            self._last[p.universe], self._sent_s[p.universe] = slots, now_s
            self._packet(p.universe, slots)
        if self.patches and now_s - self._discovered_s >= DISCOVERY_S:
            self._discovered_s = now_s
            for packet in discovery_packets(list(self._sequence), cid=self.cid, source=self.source):
                self._put(packet, self.host or multicast(DISCOVERY_UNIVERSE))

    def dark(self) -> None:
        """Bring the receivers to darkness; call it often, as `send`."""
        longest: dict[str, int] = {}
        for p in self.patches:
            longest[p.string] = max(longest.get(p.string, 0), max(p.take) + 1)
        self.send({string: bytes(count) for string, count in longest.items()})

    def close(self) -> None:
        """Dark, then three packets that end each universe (section 6.2.6): a receiver may hold what stood last."""
        for options in (0, TERMINATED, TERMINATED, TERMINATED):
            for p in self.patches:
                self._packet(p.universe, bytes(p.slots), options)
        self._socket.close()

    def _packet(self, universe: int, slots: bytes, options: int = 0) -> None:
        sequence = self._sequence[universe]
        self._sequence[universe] = (sequence + 1) & 0xFF
        packet = data_packet(
            universe,
            slots,
            cid=self.cid,
            source=self.source,
            sequence=sequence,
            priority=self.priority,
            options=options,
        )
        self._put(packet, self.host or multicast(universe))

    def _put(self, packet: bytes, host: str) -> None:
        try:
            self._socket.sendto(packet, (host, self.port))
        except OSError:
            self.lost += 1
