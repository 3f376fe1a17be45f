"""The computer's side of the link to the boards, as `exporters/LINK.md` has it.

    lines     words, numbers and reasons of a line
    wires     what carries lines: a serial port, UDP; finding boards on them
    board     one board: led, kept in step, watched
    asking    questions to boards, waited for
    live      frames for a board's strings while composing

Conventions: times and positions are seconds as float here, and milliseconds in the lines. `now` is any clock that only
goes forward (`time.monotonic`); tests give one of their own. Nothing here waits but what says so.
"""

from __future__ import annotations

from .asking import ask, ask_all
from .board import Board, Health, Want
from .lines import UDP_PORT, Hello, LinkError
from .live import LiveFrames
from .wires import SerialWire, UdpHub, UdpWire, Wire, find_serial, find_udp, serial_ports

__all__ = [
    "UDP_PORT", "Board", "Health", "Hello", "LinkError", "LiveFrames", "SerialWire", "UdpHub", "UdpWire", "Want",
    "Wire", "ask", "ask_all", "find_serial", "find_udp", "serial_ports",
]  # fmt: skip
