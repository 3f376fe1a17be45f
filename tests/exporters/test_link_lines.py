"""Lines, wires and live frames: what goes over a real pty and a real socket, byte for byte as LINK.md has it."""

from __future__ import annotations

import base64
import os
import pty
import re
import select
import socket
import termios
import threading
import time
import tty
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import serial
from board_model import ModelBoard, ModelWire, Roll
from hypothesis import given
from hypothesis import strategies as st

from exporters.link import (
    Board,
    LinkError,
    LiveFrames,
    SerialWire,
    UdpHub,
    UdpWire,
    ask,
    ask_all,
    find_serial,
    find_udp,
)
from exporters.link import board as boards
from exporters.link import lines as rules

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "exporters" / "LINK.md").read_text(encoding="utf-8")


def quay(controller: str = "quay") -> ModelBoard:
    """A board with two rolls."""
    rolls = {"quay.roll": Roll("0badcafe", "ab" * 32, 60.0), "Ebbe und Flut.roll": Roll("00000001", "cd" * 32, 60.0)}
    return ModelBoard(time.monotonic, controller, rolls)


class OnPty:
    """A model board behind a real pseudo terminal."""

    def __init__(self, model: ModelBoard) -> None:
        self.model = model
        self.master, slave = pty.openpty()
        tty.setraw(slave)
        self.port = os.ttyname(slave)
        self._slave = slave
        self.heard = b""
        self.deaf_until_s = 0.0
        self._there = True
        self._serving = threading.Thread(target=self._serve, daemon=True)
        self._serving.start()

    def _serve(self) -> None:
        rest = b""
        while self._there:
            if not select.select([self.master], [], [], 0.02)[0]:
                continue
            data = os.read(self.master, 1024)
            if time.monotonic() < self.deaf_until_s:
                continue
            self.heard += data
            *whole, rest = (rest + data).split(b"\n")
            for line in filter(None, whole):
                os.write(self.master, self.model.hear(line.decode()).encode() + b"\r\n")

    def unplug(self) -> None:
        """Pull it out."""
        self._there = False
        self._serving.join()  # before its descriptors are anybody else's
        os.close(self._slave)
        os.close(self.master)


class OnUdp:
    """A model board behind a real socket on this computer."""

    def __init__(self, model: ModelBoard) -> None:
        self.model = model
        self.socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self.socket.bind(("127.0.0.1", 0))
        self.address = self.socket.getsockname()
        self.packets: list[bytes] = []
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        while True:
            try:
                data, sender = self.socket.recvfrom(2048)
            except OSError:
                return
            self.packets.append(data)
            session, seq, line = data.decode().rstrip("\n").split(" ", 2)
            self.socket.sendto(f"{session} {seq} {self.model.hear(line, session)}".encode(), sender)


@pytest.fixture
def hub() -> Iterator[UdpHub]:
    made = UdpHub(4711, ("127.0.0.1", 0))
    yield made
    made.close()


# ---- the page and the code ---------------------------------------------------------------------------------------


def test_the_pages_limits_are_the_codes() -> None:
    rows = dict(re.findall(r"^\| ([A-Z_]+) \| ([\d.]+) \|", PAGE, re.MULTILINE))
    assert int(rows["MOST_LINE"]) == rules.MOST_LINE
    assert int(rows["MOST_PIECE"]) == rules.MOST_PIECE
    assert int(rows["UDP_PORT"]) == rules.UDP_PORT
    assert float(rows["SILENCE_S"]) == rules.SILENCE_S
    assert float(rows["LIVE_SILENCE_S"]) == rules.LIVE_SILENCE_S


def test_every_reason_of_the_page_has_a_sentence() -> None:
    section = PAGE.split("Reasons after `no VERB`")[1].split("Lines that nobody")[0]
    reasons = set(re.findall(r"^\| `(\w+)` \|", section, re.MULTILINE))
    assert len(reasons) == 11
    assert reasons <= set(rules.REASONS)


def test_the_pages_states_are_the_codes() -> None:
    states = re.findall(r"^\| (\w+) \| (?:dark|lit) \|", PAGE, re.MULTILINE)
    assert tuple(states) == rules.STATES


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(0, "0.000"), (83.25, "83.250"), (-1.5, "-1.500"), (1e9, "4294.967"), (12.34567, "12.346")],
)
def test_positions_are_said_to_the_millisecond(seconds: float, text: str) -> None:
    assert rules.seconds(seconds) == text


def test_a_line_keeps_its_length_and_holds_no_control_characters() -> None:
    assert len(rules.checked("x" * 239)) == 240
    with pytest.raises(ValueError, match="at most 240 bytes, this one has 241"):
        rules.checked("x" * 240)
    with pytest.raises(ValueError, match="no control characters"):
        rules.checked("cue a\nstop")


@given(st.text(max_size=300))
def test_no_answer_whatever_it_holds_breaks_the_reading(line: str) -> None:
    words = rules.answer_of(line, "hello")
    assert words is None or words[0] in ("ok", "no")
    assert rules.hello_of(line.split(" ")) is None or line.count(" ") >= 4
    assert rules.number_of(line) is None or abs(float(line)) < 1e9


def test_a_full_piece_fits_a_line() -> None:
    line = f"put 1048575 ffffffff {base64.b64encode(bytes(rules.MOST_PIECE)).decode()}"
    assert len(rules.checked(line)) <= rules.MOST_LINE


# ---- wires -------------------------------------------------------------------------------------------------------


def test_a_board_on_a_serial_port_is_found_and_asked() -> None:
    there = OnPty(quay())
    found, refused = find_serial([there.port])
    assert refused == {}
    hello, wire = found[there.port]
    assert (hello.controller, hello.board, hello.frame_bytes) == ("quay", "pico", 300)
    board = Board(wire, hello)
    assert ask(board, "hash quay.roll") == ["ab" * 32, "1000", "quay.roll"]
    assert ask(board, "list 0") == ["0", "2", "1000", "Ebbe", "und", "Flut.roll"]
    assert there.heard.startswith(b"\nhello\nhash quay.roll\n")
    wire.close()


def test_a_port_with_nobody_behind_is_told_and_let_go() -> None:
    master, slave = pty.openpty()
    port = os.ttyname(slave)
    found, refused = find_serial([port, "/dev/no-such-port"], patience_s=0.1)
    assert found == {}
    assert "nobody there speaks our lines" in refused[port]
    assert "cannot be opened" in refused["/dev/no-such-port"]
    assert find_serial(["/dev/null"])[1] == {"/dev/null": "cannot be opened: it is no serial port"}
    SerialWire(port).close()  # it is free again
    os.close(master)
    os.close(slave)


def test_a_port_that_goes_away_while_it_is_opened_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    there = OnPty(quay())

    def gone(handle: int, queue: int) -> None:
        raise termios.error(5, "Input/output error")

    monkeypatch.setattr(termios, "tcflush", gone)
    assert find_serial([there.port], patience_s=0.1) == ({}, {there.port: "cannot be opened: Input/output error"})


def test_a_board_that_restarts_when_its_port_is_opened_is_found() -> None:
    there = OnPty(quay())
    there.deaf_until_s = time.monotonic() + 0.7
    found, _ = find_serial([there.port])
    assert found[there.port][0].controller == "quay"
    found[there.port][1].close()


def test_a_port_that_is_open_is_nobody_elses() -> None:
    there = OnPty(quay())
    wire = SerialWire(there.port)
    _, refused = find_serial([there.port], patience_s=0.1)
    assert refused[there.port] == "cannot be opened: another program has it open"
    wire.close()


def test_a_board_that_is_unplugged_is_gone() -> None:
    there = OnPty(quay())
    board = Board(SerialWire(there.port))
    there.unplug()
    end_s = time.monotonic() + 2
    while not board.health.gone and time.monotonic() < end_s:
        board.step()
    assert board.health.gone
    with pytest.raises(LinkError, match="is unplugged"):
        ask(board, "state")


def test_what_a_hung_board_does_not_take_is_dropped(monkeypatch: pytest.MonkeyPatch) -> None:
    """Linux waits up to 30 s for it when the port is closed (tty_port_close_start, closing_wait)."""
    dropped: list[int] = []
    monkeypatch.setattr(serial.Serial, "reset_output_buffer", lambda self: dropped.append(self.fd))
    master, slave = pty.openpty()
    wire = SerialWire(os.ttyname(slave))
    with pytest.raises(OSError, match="imeout"):
        for _ in range(1000):  # nobody reads
            wire.send("x" * 200)
    assert len(dropped) == 1
    wire.close()
    os.close(master)
    os.close(slave)


def test_boards_on_the_network_are_found_and_packets_are_numbered(hub: UdpHub) -> None:
    one, two = OnUdp(quay()), OnUdp(quay("shed"))
    found = find_udp(hub, [one.address, two.address], shouts=2, pause=lambda s: time.sleep(0.15))
    assert {address: hello.controller for address, hello in found.items()} == {
        one.address: "quay",
        two.address: "shed",
    }
    assert [packet.rstrip(b"\n") for packet in one.packets] == [b"4711 1 hello", b"4711 3 hello"]


def test_answers_go_to_the_board_that_gave_them(hub: UdpHub) -> None:
    one, two = OnUdp(quay()), OnUdp(quay("shed"))
    pair = [Board(UdpWire(hub, place.address)) for place in (one, two)]
    answers = ask_all(pair, lambda board: "hello")
    assert [answers[board][-1] for board in pair] == ["quay", "shed"]  # type: ignore[index]


def test_a_strangers_packets_are_not_answers(hub: UdpHub) -> None:
    there = OnUdp(quay())
    wire = UdpWire(hub, there.address)
    here = hub._socket.getsockname()
    for packet in (b"999 1 ok state idle", b"4711 x ok", b"\xff\xfe", b"", b"4711"):
        there.socket.sendto(packet, here)
    there.socket.sendto(b"4711 7 ok state idle 0 0 0 0 -", here)
    end_s = time.monotonic() + 2
    while not (heard := wire.receive()) and time.monotonic() < end_s:
        time.sleep(0.005)
    assert heard == [(7, "ok state idle 0 0 0 0 -")]


def test_silence_is_told_after_some_tries(hub: UdpHub) -> None:
    nobody = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    nobody.bind(("127.0.0.1", 0))
    board = Board(UdpWire(hub, nobody.getsockname()))
    with pytest.raises(LinkError, match="does not answer"):
        ask(board, "state", answer_s=0.02, tries=3)
    nobody.setblocking(False)
    assert [nobody.recv(100).split(b" ", 2)[2] for _ in range(3)] == [b"state\n"] * 3


def test_a_network_that_is_away_is_silence_and_no_error(hub: UdpHub, monkeypatch: pytest.MonkeyPatch) -> None:
    there = OnUdp(quay())
    board = Board(UdpWire(hub, there.address))

    def away(line: str, address: tuple[str, int]) -> int:
        raise OSError(101, "Network is unreachable")

    with monkeypatch.context() as patch:
        patch.setattr(hub, "send", away)
        board.step()
        assert not board.health.gone
        with pytest.raises(LinkError, match="does not answer"):
            ask(board, "state", answer_s=0.02, tries=2)
    assert ask(board, "hello")[-1] == "quay"


def test_an_address_that_is_none_is_named(hub: UdpHub) -> None:
    with pytest.raises(LinkError, match=r"no\.such\.host\.invalid \(.*\) does not answer"):  # RFC 2606: never a host
        find_udp(hub, [("no.such.host.invalid", 5005)], shouts=1)


def test_a_no_is_an_error_that_names_the_board() -> None:
    there = OnPty(quay())
    found, _ = find_serial([there.port])
    hello, wire = found[there.port]
    with pytest.raises(LinkError, match="quay has no such file") as caught:
        ask(Board(wire, hello), "cue other.roll")
    assert caught.value.reason == "file"
    wire.close()


# ---- live frames -------------------------------------------------------------------------------------------------


class Direct(ModelWire):
    """A wire without any delay, that counts what is on its way."""

    most_ahead = 0

    def send(self, line: str) -> int:
        number = super().send(line)
        self.most_ahead = max(self.most_ahead, sum(len(item[2]) + 1 for item in self._there))
        return number

    def receive(self) -> list[tuple[int, str]]:
        for _, number, line in self._there[:1]:
            self._back.append((0.0, number, self.board.hear(line)))
        del self._there[:1]
        return super().receive()


def live(frame_bytes: int = 300) -> tuple[ModelBoard, Direct, LiveFrames]:
    model = quay()
    model.frame_bytes = frame_bytes
    model.__post_init__()
    wire = Direct(model, delay_s=(0.0, 0.0))
    board = Board(wire)
    board.step()
    board.step()
    return model, wire, LiveFrames(board)


def test_a_live_frame_arrives_whole_and_then_only_what_changed() -> None:
    model, wire, lamps = live()
    first = bytes(range(100)) * 3
    whole = lamps.send_frame(first)
    changed = bytearray(first)
    changed[299] = 7
    part = lamps.send_frame(bytes(changed))
    assert model.frames_shown == [first, bytes(changed)]
    assert [line.split(" ")[1] for line in model.heard if line.startswith("put")] == ["0", "144", "288", "288"]
    assert part < whole / 5
    assert wire.most_ahead <= 256


def test_a_piece_has_its_place_its_checksum_and_base64() -> None:
    model, _, lamps = live(3)
    lamps.send_frame(b"\xff\x6a\x00")
    # CRC-32 by zlib, base64 by RFC 4648: FF 6A 00 -> 111111 110110 101000 000000 -> / 2 o A
    crc = f"{zlib.crc32(bytes([0xFF, 0x6A, 0x00])):08x}"
    assert model.heard[-2:] == [f"put 0 {crc} /2oA", f"show {crc}"]


def test_a_frame_of_the_wrong_length_is_refused() -> None:
    _, _, lamps = live()
    with pytest.raises(ValueError, match="a frame of quay has 300 bytes, this one 299"):
        lamps.send_frame(bytes(299))


def test_after_a_refusal_the_next_frame_is_sent_whole() -> None:
    model, _, lamps = live()
    lamps.send_frame(bytes(300))
    model._frame[5] = 9  # the board's memory is not what we think
    with pytest.raises(LinkError, match="damaged frame"):
        lamps.send_frame(bytes(300))
    lamps.send_frame(bytes(300))
    assert model.frames_shown == [bytes(300)] * 2


def test_a_boards_last_words_are_kept() -> None:
    there = OnPty(quay())
    board = Board(SerialWire(there.port))
    os.write(there.master, b"MemoryError: memory allocation failed\r\n")
    _until(lambda: board.health.said != "", board.step)
    assert board.health.said == "MemoryError: memory allocation failed"
    board.wire.close()


def _until(done: Callable[[], bool], work: Callable[[], None]) -> None:
    end_s = time.monotonic() + 2
    while not done():
        assert time.monotonic() < end_s
        work()


def test_a_late_answer_on_a_serial_line_is_not_the_next_ones() -> None:
    now = [100.0]
    model = ModelBoard(lambda: now[0], files={"quay.roll": Roll("0badcafe", "", 60.0)})
    wire = ModelWire(model, delay_s=(0.6, 0.6))
    board = Board(wire, now=lambda: now[0])
    for _ in range(4000):
        now[0] += 0.001
        wire.turn()
        board.step()
    trips = list(board._round_trips_s)
    assert all(trip > boards.DRAIN_S for trip in trips)


def test_the_page_is_linked_from_nowhere_missing() -> None:
    for path in re.findall(r"`((?:tests|exporters)/[\w/.]+)`", PAGE):
        assert Path(ROOT / path).exists()
