"""Frames for a board's strings while composing: `put` and `show` of `LINK.md`, section 8."""

from __future__ import annotations

import base64
import zlib

from .asking import ask, ask_ahead
from .board import Board
from .lines import LIVE_SILENCE_S, MOST_PIECE, LinkError
from .wires import SERIAL_SPEED

MOST_CONVERTER_ROOM = 512  # boards on USB say kilobytes
LINE_BYTES = 4 * ((MOST_PIECE + 2) // 3) + 24  # a full piece in base64 with the words before it


def least_ms(frame_bytes: int, serial_bytes_per_s: int) -> float:
    """How long a wholly changed frame takes on a link of so many bytes a second, at least, milliseconds."""
    pieces = -(-frame_bytes // MOST_PIECE)
    return 1000.0 * (pieces * LINE_BYTES + 16) / serial_bytes_per_s


def pace_of(room: int, serial_bytes_per_s: int) -> int:
    """Bytes a second to a board with so much room: one behind a serial converter is held to the converter's speed, ten
    bits a byte, whatever its row in the board table says of faster ones."""
    return serial_bytes_per_s if room > MOST_CONVERTER_ROOM else min(serial_bytes_per_s, SERIAL_SPEED // 10)


class LiveFrames:
    """Sends frames to one board, each time only the pieces that changed.

    It takes the board's link for itself: do not `step` the board meanwhile.
    """

    def __init__(self, board: Board) -> None:
        if board.hello is None:
            raise LinkError(board.name, "silent", "hello")
        self.board = board
        self.frame_bytes, self.room = board.hello.frame_bytes, board.hello.room
        self._there = bytes(self.frame_bytes)  # what the board holds: dark at first
        self._known = False  # a board that was live before may hold anything
        self._spoken_s = -1e9

    def send_frame(self, frame: bytes) -> int:
        """Light one frame: bytes of all the controller's strings in wire order. Waits until the board has shown it.

        Returns how many bytes went over the link. Raises ValueError for a frame of the wrong length, `LinkError` where
        the board refuses or falls silent; then the next frame is sent whole.
        """
        return self.put(frame) + self.show()

    def put(self, frame: bytes) -> int:
        """Bring a frame to the board without lighting it. Returns and raises as `send_frame`."""
        if len(frame) != self.frame_bytes:
            raise ValueError(f"a frame of {self.board.name} has {self.frame_bytes} bytes, this one {len(frame)}")
        if self.board.now() - self._spoken_s > 0.75 * LIVE_SILENCE_S:
            self._known = False  # it may have gone dark meanwhile, and forgotten
        pieces = []
        for first in range(0, self.frame_bytes, MOST_PIECE):
            piece = frame[first : first + MOST_PIECE]
            if not self._known or piece != self._there[first : first + MOST_PIECE]:
                pieces.append(f"put {first} {zlib.crc32(piece):08x} {base64.b64encode(piece).decode()}")
        self._known = False  # until all of it has arrived
        ask_ahead(self.board, pieces)
        self._there, self._known, self._spoken_s = bytes(frame), True, self.board.now()
        return sum(len(line) + 1 for line in pieces)

    def show(self) -> int:
        """Light what was put. Returns and raises as `send_frame`."""
        line = f"show {zlib.crc32(self._there):08x}"
        try:
            ask(self.board, line)
        except LinkError:
            self._known = False
            raise
        self._spoken_s = self.board.now()
        return len(line) + 1

    def stop(self) -> None:
        """Dark, at once."""
        self._known = False
        ask(self.board, "stop")
