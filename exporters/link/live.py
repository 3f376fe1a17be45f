"""Frames for a board's strings while composing: `put` and `show` of `LINK.md`, section 8."""

from __future__ import annotations

import base64
import zlib

from .asking import ask, ask_ahead
from .board import Board
from .lines import MOST_PIECE, LinkError

LINE_BYTES = 4 * ((MOST_PIECE + 2) // 3) + 24  # a full piece in base64 with the words before it


def least_ms(frame_bytes: int, serial_bytes_per_s: int) -> float:
    """How long a wholly changed frame takes on a link of so many bytes a second, at least, milliseconds."""
    pieces = -(-frame_bytes // MOST_PIECE)
    return 1000.0 * (pieces * LINE_BYTES + 16) / serial_bytes_per_s


class LiveFrames:
    """Sends frames to one board, each time only the pieces that changed.

    It takes the board's link for itself: do not `step` the board meanwhile.
    """

    def __init__(self, board: Board) -> None:
        if board.hello is None:
            raise LinkError(board.name, "silent", "hello")
        self.board = board
        self.frame_bytes = board.hello.frame_bytes
        self._there = bytes(self.frame_bytes)  # what the board holds: dark at first
        self._known = False  # a board that was live before may hold anything

    def send_frame(self, frame: bytes) -> int:
        """Light one frame: bytes of all the controller's strings in wire order. Waits until the board has shown it.

        Returns how many bytes went over the link. Raises ValueError for a frame of the wrong length, `LinkError` where
        the board refuses or falls silent; then the next frame is sent whole.
        """
        if len(frame) != self.frame_bytes:
            raise ValueError(f"a frame of {self.board.name} has {self.frame_bytes} bytes, this one {len(frame)}")
        pieces = []
        for first in range(0, self.frame_bytes, MOST_PIECE):
            piece = frame[first : first + MOST_PIECE]
            if not self._known or piece != self._there[first : first + MOST_PIECE]:
                pieces.append(f"put {first} {zlib.crc32(piece):08x} {base64.b64encode(piece).decode()}")
        show = f"show {zlib.crc32(frame):08x}"
        try:
            ask_ahead(self.board, pieces)
            ask(self.board, show)
        except (LinkError, OSError):
            self._known = False
            raise
        self._there, self._known = bytes(frame), True
        return sum(len(line) + 1 for line in (*pieces, show))

    def stop(self) -> None:
        """Dark, at once."""
        self._known = False
        ask(self.board, "stop")
