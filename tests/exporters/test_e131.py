"""ANSI E1.31-2018 packets, byte for byte.

The layout is table 4-1 of the standard (data packet, 638 bytes when full: root 38, framing 77, DMP 523), table 4-3 for
universe discovery, as field lists that quote the standard give them; octet numbers stand beside each check. Section
numbers are from memory.
"""

from __future__ import annotations

import socket
from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st

from exporters import e131

CID = bytes(range(16))


def test_a_full_data_packet_octet_by_octet() -> None:
    slots = bytes(i % 251 for i in range(512))
    packet = e131.data_packet(0x1234, slots, cid=CID, source="Quay", sequence=0x7E, priority=120)
    fields = [
        (0, "0010"),  # preamble size
        (2, "0000"),  # postamble size
        (4, "4153432d45312e3137000000"),  # "ASC-E1.17" and three zeros
        (16, "726e"),  # flags 7, root length: 638 - 16 = 0x26e
        (18, "00000004"),  # VECTOR_ROOT_E131_DATA
        (22, "000102030405060708090a0b0c0d0e0f"),  # CID
        (38, "7258"),  # flags 7, framing length: 638 - 38 = 0x258
        (40, "00000002"),  # VECTOR_E131_DATA_PACKET
        (44, "51756179" + "00" * 60),  # source name, UTF-8, ends with a zero
        (108, "78"),  # priority 120
        (109, "0000"),  # synchronization address: none
        (111, "7e"),  # sequence number
        (112, "00"),  # options
        (113, "1234"),  # universe
        (115, "720b"),  # flags 7, DMP length: 638 - 115 = 0x20b
        (117, "02"),  # VECTOR_DMP_SET_PROPERTY
        (118, "a1"),  # address and data type
        (119, "0000"),  # first property address
        (121, "0001"),  # address increment
        (123, "0201"),  # property value count: 513
        (125, "00"),  # START code
    ]
    for at, octets in fields:
        assert packet[at : at + len(octets) // 2].hex() == octets, at
    assert sum(len(octets) // 2 for _, octets in fields) == 126  # no octet is left out
    assert packet[126:] == slots
    assert len(packet) == 638


def test_a_short_universe_is_a_short_packet() -> None:
    packet = e131.data_packet(1, b"\x01\x02\x03", cid=CID, source="Quay", sequence=0)
    assert len(packet) == 129
    assert (packet[16:18].hex(), packet[38:40].hex(), packet[115:117].hex()) == ("7071", "705b", "700e")
    assert packet[123:125].hex() == "0004"


@given(st.text(max_size=80))
def test_a_source_name_ends_with_a_zero_and_cuts_no_letter(name: str) -> None:
    packet = e131.data_packet(1, b"\0", cid=CID, source=name, sequence=0)
    assert packet[107] == 0
    assert name.startswith(packet[44:108].rstrip(b"\0").decode()) or "\0" in name


def test_a_discovery_packet_octet_by_octet() -> None:
    (packet,) = e131.discovery_packets([7, 2, 300], cid=CID, source="Quay")
    fields = [
        (0, "00100000"),
        (4, "4153432d45312e3137000000"),
        (16, "706e"),  # 126 - 16
        (18, "00000008"),  # VECTOR_ROOT_E131_EXTENDED
        (22, "000102030405060708090a0b0c0d0e0f"),
        (38, "7058"),  # 126 - 38
        (40, "00000002"),  # VECTOR_E131_EXTENDED_DISCOVERY
        (44, "51756179" + "00" * 60),
        (108, "00000000"),  # reserved
        (112, "700e"),  # 126 - 112
        (114, "00000001"),  # VECTOR_UNIVERSE_DISCOVERY_UNIVERSE_LIST
        (118, "00"),  # page
        (119, "00"),  # last page
        (120, "00020007012c"),  # universes, in order
    ]
    for at, octets in fields:
        assert packet[at : at + len(octets) // 2].hex() == octets, at
    assert len(packet) == 126


def test_many_universes_are_listed_on_several_pages() -> None:
    pages = e131.discovery_packets(range(1, 1026), cid=CID, source="Quay")
    assert [page[118:120].hex() for page in pages] == ["0002", "0102", "0202"]
    assert [len(page) for page in pages] == [1144, 1144, 122]  # "between 120 and 1144" (the standard's text)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"universe": 0}, "universe is 1 to 63999, got 0"),
        ({"universe": 64_000}, "universe is 1 to 63999"),
        ({"slots": b""}, "1 to 512 slots, got 0"),
        ({"slots": bytes(513)}, "1 to 512 slots, got 513"),
        ({"priority": 201}, "priority is 0 to 200"),
        ({"cid": b"short"}, "a CID has 16 bytes"),
    ],
)
def test_values_out_of_range_are_refused(change: dict[str, object], message: str) -> None:
    given = {"universe": 1, "slots": b"\0", "cid": CID, "source": "", "sequence": 0, **change}
    with pytest.raises(ValueError, match=message):
        e131.data_packet(**given)  # type: ignore[arg-type]


def test_multicast_addresses() -> None:
    # Section 9.3.1: 239.255. and the universe's high and low octet; 64214 is 250 * 256 + 214.
    assert [e131.multicast(u) for u in (1, 256, 63_999, 64_214)] == [
        "239.255.0.1",
        "239.255.1.0",
        "239.255.249.255",
        "239.255.250.214",
    ]


# ---- strings on universes ----------------------------------------------------------------------------------------


def test_every_string_begins_a_universe_and_no_pixel_straddles_two() -> None:
    patches = e131.patch([("rail", 171, "grb"), ("mast", 129, "grbw"), ("hull", 1, "rgb")], 10)
    assert [(p.universe, p.string, p.first_pixel, p.pixels, p.slots) for p in patches] == [
        (10, "rail", 0, 170, 510),
        (11, "rail", 170, 1, 3),
        (12, "mast", 0, 128, 512),
        (13, "mast", 128, 1, 4),
        (14, "hull", 0, 1, 3),
    ]


def test_slots_come_as_red_green_blue_white() -> None:
    (one,) = e131.patch([("rail", 2, "grb")])
    assert bytes(b"GRBgrb"[i] for i in one.take) == b"RGBrgb"
    (two,) = e131.patch([("mast", 2, "wbgr")])
    assert bytes(b"WBGRwbgr"[i] for i in two.take) == b"RGBWrgbw"


def test_too_many_universes_are_refused() -> None:
    with pytest.raises(ValueError, match="string mast would need 64000"):
        e131.patch([("rail", 170, "rgb"), ("mast", 1, "rgb")], 63_999)


# ---- the sender --------------------------------------------------------------------------------------------------


@pytest.fixture
def receiver() -> Iterator[socket.socket]:
    made = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    made.bind(("127.0.0.1", 0))
    made.settimeout(2)
    yield made
    made.close()


def packets(receiver: socket.socket) -> list[bytes]:
    """What has arrived."""
    receiver.setblocking(False)
    out = []
    while True:
        try:
            out.append(receiver.recv(2048))
        except BlockingIOError:
            return out


def sender(receiver: socket.socket, now: list[float]) -> e131.Sender:
    patches = e131.patch([("rail", 2, "grb"), ("mast", 1, "rgb")])
    return e131.Sender(patches, "127.0.0.1", cid=CID, port=receiver.getsockname()[1], now=lambda: now[0])


def data(received: list[bytes]) -> list[bytes]:
    return [packet for packet in received if packet[21] == 4]


def test_each_universe_counts_its_own_packets(receiver: socket.socket) -> None:
    now = [0.0]
    out = sender(receiver, now)
    for value in (1, 2, 3):
        now[0] += 0.025
        out.send({"rail": bytes([value] * 6), "mast": b"RGB"})
    received = data(packets(receiver))
    rail = [p for p in received if p[114] == 1]
    assert [(p[111], p[126:].hex()) for p in rail] == [(0, "01" * 6), (1, "02" * 6), (2, "03" * 6)]
    assert [p[111] for p in received if p[114] == 2] == [0, 1, 2]
    assert out.lost == 0


def test_a_sequence_goes_round_after_255(receiver: socket.socket) -> None:
    now = [0.0]
    out = e131.Sender(e131.patch([("rail", 1, "rgb")]), "127.0.0.1", port=receiver.getsockname()[1], now=lambda: now[0])
    seen = []
    for i in range(258):
        now[0] += 0.025
        out.send({"rail": bytes([i % 256, i // 256, 1])})
        seen += [p[111] for p in data(packets(receiver))]
    assert seen == [*range(256), 0, 1]


def test_what_stands_is_repeated_three_times_and_then_kept_alive(receiver: socket.socket) -> None:
    now = [0.0]
    out = sender(receiver, now)
    times = []
    for _ in range(400):
        out.send({"mast": b"RGB"})
        times += [now[0]] * sum(p[114] == 2 for p in data(packets(receiver)))
        now[0] += 0.010
    gaps = [b - a for a, b in zip(times, times[1:], strict=False)]
    assert all(gap < 0.05 for gap in gaps[:3])
    assert all(0.8 <= gap <= 1.0 for gap in gaps[3:])
    assert len(gaps) >= 6


def test_no_universe_is_sent_faster_than_dmx_itself(receiver: socket.socket) -> None:
    now = [0.0]
    out = sender(receiver, now)
    for i in range(1000):
        out.send({"mast": bytes([i % 256, i % 7, 9])})
        now[0] += 0.001
    assert sum(p[114] == 2 for p in data(packets(receiver))) <= 45


def test_at_the_end_all_is_dark_and_the_stream_is_ended_three_times(receiver: socket.socket) -> None:
    now = [0.0]
    out = sender(receiver, now)
    out.send({"rail": b"\xff" * 6, "mast": b"RGB"})
    packets(receiver)
    out.close()
    ended = packets(receiver)
    assert [p[112] for p in ended] == [0, 0, *[0x40] * 6]
    assert {p[126:] for p in ended} == {bytes(6), bytes(3)}


def test_a_network_that_is_not_there_loses_packets_and_raises_nothing() -> None:
    out = e131.Sender(e131.patch([("rail", 1, "rgb")]), "203.0.113.1", port=0)
    out.send({"rail": b"RGB"})
    out.close()
    assert out.lost > 0


def test_a_receiver_that_nobody_knows_is_told_before_the_show() -> None:
    """The top level domain `invalid` never resolves: RFC 6761, section 6.4."""
    with pytest.raises(socket.gaierror):
        e131.Sender(e131.patch([("rail", 1, "rgb")]), "receiver.invalid")


def test_what_is_no_name_of_a_host_is_told_as_any_that_nobody_knows() -> None:
    with pytest.raises(OSError, match="this is no name of a host"):
        e131.Sender([], "rail..quay")
