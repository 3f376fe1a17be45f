"""What carries the lines: a serial port, or UDP packets. And who is there.

A wire never waits: `receive` gives what has arrived. Whatever the system says of a port that went away (unplugged, the
network down) is an `OSError`; a board catches it and counts as gone.
"""

from __future__ import annotations

import contextlib
import errno
import os
import random
import socket
import time
from collections.abc import Callable, Iterable
from typing import Any, Protocol

from .lines import MOST_SESSION, UDP_PORT, Hello, LinkError, answer_of, checked, hello_of

SERIAL_SPEED = 115_200  # what a serial converter runs at; USB itself does not care
LONGEST_SAID = 4096  # a stream without line feeds is thrown away beyond this
HELLO_S = 3.0  # how long a serial port is given to answer: some boards restart when it is opened
HELLO_AGAIN_S = 0.5
SHOUT_S = 0.3  # between the three shouts for boards on the network


class Wire(Protocol):
    """Lines to and from one board."""

    name: str
    ordered: bool
    """Answers come in order and carry no number (serial)."""
    starts: int
    """How often a `start` is said, since it may be lost."""

    def send(self, line: str) -> int:
        """Send a line; returns its number (0 where lines carry none). Raises OSError."""

    def receive(self) -> list[tuple[int, str]]:
        """Lines that have arrived, each with the number of the request it answers (0: unknown). Raises OSError."""

    def close(self) -> None:
        """Let go of the port."""


class SerialWire:
    """Lines over a serial port of the system, such as a board's USB."""

    ordered = True
    starts = 1

    def __init__(self, port: str) -> None:
        import serial

        # Both control lines stay as the system sets them, asserted: without DTR a Pico says nothing, and the circuit
        # that resets an ESP32 acts on one of them alone. Nobody else may open the port.
        try:
            self._serial: Any = serial.Serial(port, SERIAL_SPEED, timeout=0, write_timeout=0.25, exclusive=True)
        except OSError:
            raise
        except Exception as error:  # unplugged while it is opened: termios's error is no OSError
            if type(error).__module__ != "termios":
                raise
            raise OSError(*error.args) from None
        self.name = port
        self._rest = b""

    def send(self, line: str) -> int:
        """Send a line. A port that takes nothing for a quarter of a second counts as gone: OSError."""
        try:
            self._serial.write(checked(line))  # pyserial's exceptions are OSErrors
        except OSError:
            with contextlib.suppress(Exception):  # else closing the port may wait half a minute for it to go
                self._serial.reset_output_buffer()
            raise
        return 0

    def receive(self) -> list[tuple[int, str]]:
        """Whole lines that have arrived."""
        self._rest += self._serial.read(LONGEST_SAID)
        *whole, self._rest = self._rest.split(b"\n")
        if len(self._rest) > LONGEST_SAID:
            self._rest = b""
        return [(0, line.rstrip(b"\r").decode(errors="replace")) for line in whole]

    def close(self) -> None:
        """Let go of the port."""
        with contextlib.suppress(OSError):
            self._serial.close()


class UdpHub:
    """One socket for all boards on a network: numbers the packets, and sorts the answers by where they come from."""

    def __init__(self, session: int | None = None, bind: tuple[str, int] = ("", 0)) -> None:
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_BROADCAST, 1)
        self._socket.setblocking(False)
        self._socket.bind(bind)
        self.session = session or random.SystemRandom().randint(1, MOST_SESSION)
        self._seq = 0
        self._waiting: dict[tuple[str, int], list[tuple[int, str]]] = {}

    def send(self, line: str, address: tuple[str, int]) -> int:
        """Send a line to a board, or to all with a broadcast address; returns its number. Raises OSError."""
        self._seq += 1
        try:
            self._socket.sendto(f"{self.session} {self._seq} ".encode() + checked(line), address)
        except (BlockingIOError, ConnectionRefusedError):
            pass  # a packet that is lost, as any may be
        return self._seq

    def receive(self, address: tuple[str, int]) -> list[tuple[int, str]]:
        """Answers from one board. Raises OSError where the network itself fails."""
        self._collect()
        return self._waiting.pop(address, [])

    def heard(self) -> dict[tuple[str, int], list[tuple[int, str]]]:
        """All answers that have arrived, by who sent them."""
        self._collect()
        found, self._waiting = self._waiting, {}
        return found

    def _collect(self) -> None:
        for _ in range(1000):  # however fast somebody sends, the caller goes on
            try:
                data, address = self._socket.recvfrom(2048)
            except BlockingIOError:
                return
            except ConnectionError:  # a packet of ours came back: nobody listens there now
                continue
            words = data.decode(errors="replace").rstrip("\r\n").split(" ", 2)
            if len(words) == 3 and words[0] == str(self.session) and words[1].isdecimal():
                lines = self._waiting.setdefault((address[0], address[1]), [])
                if len(lines) < 1000:  # nobody may fill our memory
                    lines.append((int(words[1]), words[2]))

    def close(self) -> None:
        """Let go of the socket."""
        self._socket.close()


class UdpWire:
    """Lines to one board on the network."""

    ordered = False
    starts = 3

    def __init__(self, hub: UdpHub, address: tuple[str, int]) -> None:
        self.hub, self.address = hub, address
        self.name = f"{address[0]}:{address[1]}"

    def send(self, line: str) -> int:
        """Send a line; returns its number. A network that is away for a while loses it: that is silence, no error."""
        with contextlib.suppress(OSError):
            return self.hub.send(line, self.address)
        return -1  # nobody will answer that

    def receive(self) -> list[tuple[int, str]]:
        """Answers that have arrived."""
        return self.hub.receive(self.address)

    def close(self) -> None:
        """The hub closes the socket, when all its boards are done."""


def serial_ports() -> list[str]:
    """The ports that may be a board: those on USB."""
    from serial.tools import list_ports

    return sorted(port.device for port in list_ports.comports() if port.vid is not None)


def find_serial(
    ports: Iterable[str], *, patience_s: float = HELLO_S
) -> tuple[dict[str, tuple[Hello, SerialWire]], dict[str, str]]:
    """Say `hello` on each port, and wait at most `patience_s` for all of them together.

    Returns (port -> who answered and its open wire, port -> why not, in words). Ports that do not answer are closed.
    """
    wires: dict[str, SerialWire] = {}
    refused: dict[str, str] = {}
    for port in ports:
        try:
            wires[port] = SerialWire(port)
            wires[port].send("")  # ends whatever half line somebody left there
        except OSError as error:
            wires.pop(port, None)
            refused[port] = f"cannot be opened: {why_shut(error)}"
    found: dict[str, tuple[Hello, SerialWire]] = {}
    end_s, next_s = time.monotonic() + patience_s, time.monotonic()
    while len(found) < len(wires) and time.monotonic() < end_s:
        again = time.monotonic() >= next_s
        next_s += HELLO_AGAIN_S if again else 0.0
        for port, wire in wires.items():
            hello = None if port in found else _hello_on(wire, again)
            if hello is not None:
                found[port] = (hello, wire)
        time.sleep(0.005)
    for port, wire in wires.items():
        if port not in found:
            wire.close()
            refused[port] = "nobody there speaks our lines: is the player loaded and running?"
    return found, refused


def why_shut(error: Exception) -> str:
    """Why a port cannot be opened, in a maker's words."""
    number = getattr(error, "errno", None)
    if number == errno.EACCES:
        return "not allowed: another program has it, or (on Linux) your user is not in the group dialout"
    if number in (errno.EAGAIN, errno.EBUSY):
        return "another program has it open"
    if "configure port" in str(error):  # pyserial, of a file that takes no speed
        return "it is no serial port"
    return os.strerror(number) if number else " ".join(str(error).split())


def _hello_on(wire: Wire, ask: bool) -> Hello | None:
    try:
        if ask:
            wire.send("hello")
        for _, line in wire.receive():
            words = answer_of(line, "hello")
            hello = hello_of(words[1:]) if words else None
            if hello is not None:
                return hello
    except OSError:
        pass
    return None


def find_udp(
    hub: UdpHub,
    addresses: Iterable[tuple[str, int]] = (("255.255.255.255", UDP_PORT),),
    *,
    shouts: int = 3,
    pause: Callable[[float], None] = time.sleep,
) -> dict[tuple[str, int], Hello]:
    """Say `hello` on the network a few times, and collect who answers within a third of a second of the last.

    Returns address -> who is there. Raises `LinkError` where the network cannot be reached at all.
    """
    found: dict[tuple[str, int], Hello] = {}
    for _ in range(shouts):
        for address in addresses:
            try:
                hub.send("hello", address)
            except OSError as error:
                raise LinkError(f"{address[0]} ({error.strerror or error})", "silent", "hello") from None
        pause(SHOUT_S)
        for address, lines in hub.heard().items():
            for _, line in lines:
                words = answer_of(line, "hello")
                hello = hello_of(words[1:]) if words else None
                if hello is not None:
                    found[address] = hello
    return found
