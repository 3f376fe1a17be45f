"""Numbers for the page in one answer: a header as JSON, then the arrays as bytes.

Little endian: u32 length of the header; the header, filled up with spaces so that what follows starts at a multiple of
8 bytes; the parts, each at a multiple of 8 from there. The header's `parts` say name, dtype, shape, `at` and `bytes`.
And a picture as PNG, of which the few lines here are all that is needed (PNG specification, third edition).
"""

from __future__ import annotations

import json
import struct
import zlib
from collections.abc import Mapping
from typing import Any

ALIGN = 8
PNG_SIGN = b"\x89PNG\r\n\x1a\n"
RGB, NO_FILTER = 2, b"\x00"


def packet(header: Mapping[str, Any], parts: Mapping[str, Any]) -> bytes:
    """A header and its parts: arrays (anything with `dtype`, `shape`, `tobytes`) or bytes."""
    rows, body = [], bytearray()
    for name, part in parts.items():
        data = (
            bytes(part) if isinstance(part, (bytes, bytearray)) else part.astype(part.dtype.newbyteorder("<")).tobytes()
        )
        kind = "bytes" if isinstance(part, (bytes, bytearray)) else part.dtype.name
        shape = [len(data)] if kind == "bytes" else list(part.shape)
        rows.append({"name": name, "dtype": kind, "shape": shape, "at": len(body), "bytes": len(data)})
        body += data + bytes(-len(data) % ALIGN)
    head = json.dumps({**header, "parts": rows}, ensure_ascii=False, allow_nan=False).encode()
    head += b" " * (-(len(head) + 4) % ALIGN)
    return struct.pack("<I", len(head)) + head + bytes(body)


def png(pixels: Any) -> bytes:
    """A picture uint8 (rows, columns, 3) as PNG."""
    rows, columns, _ = pixels.shape
    lines = b"".join(NO_FILTER + line.tobytes() for line in pixels)
    header = struct.pack(">IIBBBBB", columns, rows, 8, RGB, 0, 0, 0)
    return PNG_SIGN + _chunk(b"IHDR", header) + _chunk(b"IDAT", zlib.compress(lines, 1)) + _chunk(b"IEND", b"")


def _chunk(name: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))
