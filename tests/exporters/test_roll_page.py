"""ROLL.md stands alone: its tables are the constants, its example is a roll, a decoder can be written from it.

The outside truth: RFC 1951 (deflate), RFC 1952 section 8 (CRC-32), FIPS 180-4 (SHA-256 of "abc"), and
truth/roll_tide.hex, put together by hand from the page.
"""

from __future__ import annotations

import hashlib
import re
import struct
import zlib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from exporters import codec, spec
from exporters.rollfile import RollHeader, RollReader, RollWriter, StringSpec

HERE = Path(__file__).parent
PAGE = Path(spec.__file__).with_name("ROLL.md").read_text(encoding="utf-8")
TIDE = bytes.fromhex(
    "".join(line for line in (HERE / "truth" / "roll_tide.hex").read_text().splitlines() if not line.startswith("#"))
)
TIDE_HEADER = RollHeader(
    title="Tide",
    controller="quay",
    song_us=1_250_000,
    song_sha256=hashlib.sha256(b"abc").hexdigest(),
    strings=(StringSpec("rail", 16, None, 2, 3, "grb", "ws2812b"),),
    allotments=(("shed", 1500),),
)

# Section 13's two payloads, from its table of bits and its list of frames.
BITS = """0 10 00111010 0000101 00000 00110000 0000001 00000 111001000 0000001 00011 00110101 0000001 00011 0000010
00011 0000000 0 00"""
PLAIN = bytes([40, 200, 5, 40, 200, 5, 0, 0, 0, 255, 255, 255])


def bits_to_bytes(bits: str) -> bytes:
    """RFC 1951, 3.1.1: bits fill a byte from its least significant one; the last byte ends in zeros."""
    bits = "".join(bits.split())
    return bytes(int(bits[at : at + 8][::-1], 2) for at in range(0, len(bits), 8))


def section(number: int) -> str:
    """The text of one section of the page."""
    return re.split(r"^## ", PAGE, flags=re.MULTILINE)[number].partition("\n")[2]


def rows(text: str) -> list[list[str]]:
    """The rows of the tables in a text, headings, rules and drawings left out."""
    text = re.sub(r"^```.*?^```", "", text, flags=re.MULTILINE | re.DOTALL)
    cells = [[cell.strip() for cell in line.strip("|").split("|")] for line in text.splitlines() if line[:1] == "|"]
    return [row for row in cells if not row[0].startswith("-") and row[0] not in ("offset", "name", "group", "bits")]


def page_frames() -> list[tuple[int, int, list[int]]]:
    """Section 13's list: group, time, bytes."""
    return [
        (int(group), int(due), [int(value) for value in re.findall(r"\d+", frame)])
        for group, due, frame in (row for row in rows(section(13)) if len(row) == 3)
    ]


# ---- the page's tables are the constants ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("number", "records"),
    [(3, [spec.HEADER]), (4, [spec.STRING]), (5, [spec.SUPPLY]), (7, [spec.ENTRY, spec.INDEX_END])],
)
def test_each_record_of_the_page_is_the_record_of_the_code(number: int, records: list[spec.Record]) -> None:
    expected = []
    for record in records:
        for at, field in enumerate(record):
            allowed = "bytes" if field.low is None else f"{field.low} to {field.high}"
            expected.append([str(spec.width(record[:at])), str(field.width), field.name, allowed])
    assert rows(section(number)) == expected


def test_every_limit_of_the_page_is_the_limit_of_the_code() -> None:
    limits = {name: int(value) for name, value, _ in rows(section(10))}
    assert len(limits) == 11
    assert limits == {name: getattr(spec, name) for name in limits}


def test_every_integer_constant_of_the_code_stands_on_the_page() -> None:
    shown = {name for name, _, _ in rows(section(10))}
    elsewhere = {"VERSION", "WINDOW_BITS", "ENTRY_CHECKED", "U16", "U32"}
    constants = {name for name, value in vars(spec).items() if name.isupper() and isinstance(value, int)}
    assert constants == shown | elsewhere


def test_the_widths_in_the_drawing_of_the_file_are_the_widths_of_the_records() -> None:
    drawn = [re.sub(r"\D", "", cell) for cell in section(2).splitlines()[4].strip("|").split("|")]
    widths = [spec.width(record) for record in (spec.HEADER, spec.STRING, spec.SUPPLY, spec.ENTRY)]
    assert [int(cell) for cell in drawn[:5] if cell] == widths
    assert [int(cell) for cell in drawn[5:9] if cell] == [16, 4, 4]
    assert spec.width(spec.INDEX_END) == 8


# ---- the worked example -----------------------------------------------------------------------------------------


def test_the_bytes_on_the_page_are_the_golden_bytes_at_the_offsets_shown() -> None:
    listing = re.search(r"```hex\n(.*?)```", PAGE, re.DOTALL)
    assert listing is not None
    data = b""
    for line in listing.group(1).splitlines():
        assert int(line[:4], 16) == len(data)
        data += bytes.fromhex(line[6:53])
    assert data == TIDE


def test_the_bits_on_the_page_are_the_bits_worked_here() -> None:
    shown = [row[0] for row in rows(section(13)) if len(row) == 2]
    assert "".join("".join(shown).split()) == "".join(BITS.split())
    assert bits_to_bytes(BITS).hex(" ") in section(13)


def test_the_golden_payloads_are_the_hand_worked_blocks() -> None:
    first = bits_to_bytes(BITS) + bytes.fromhex("0100feff 03")
    second = bytes.fromhex("00 0c00 f3ff") + PLAIN + bytes.fromhex("00 0100 feff 00")
    assert TIDE[0xA0:] == first + second
    # The third reader of these bits is zlib's inflate, which knows nothing of this page.
    changes = bytes([10] * 8 + [0] * 4 + [200, 0, 0, 0] + [5, 0, 0, 0] * 2)
    assert zlib.decompressobj(-12).decompress(first) == changes + b"\x03"


def test_the_reader_gives_the_frames_of_the_page_when_they_are_due(tmp_path: Path) -> None:
    path = tmp_path / "tide.roll"
    path.write_bytes(TIDE)
    with RollReader(path) as reader:
        assert reader.header == TIDE_HEADER
        assert reader.verify() == []
        got = [
            (number, int(due), frame.tolist())
            for number in range(len(reader))
            for due, frame in zip(reader.frame_times_us(number), reader.group(number), strict=True)
        ]
    assert got == page_frames()


def test_the_writer_puts_the_same_head_around_the_same_payloads(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    payloads = {4: TIDE[0xA0:0xB3], 2: TIDE[0xB3:]}
    monkeypatch.setattr(codec, "encode_group", lambda frames, **_: payloads[len(frames)])
    spans = [(0, 500_000), (500_000, 833_333), (833_333, 1_250_000)]
    with RollWriter(tmp_path / "tide.roll", TIDE_HEADER, groups=3) as writer:
        for number, (start, end) in enumerate(spans):
            writer.add(start, end, np.array([f for g, _, f in page_frames() if g == number], np.uint8))
    assert (tmp_path / "tide.roll").read_bytes() == TIDE


# ---- the checksum -----------------------------------------------------------------------------------------------


def crc_by_the_page(data: bytes) -> int:
    """Section 1's CRC, bit by bit."""
    register = 0xFFFFFFFF
    for byte in data:
        register ^= byte
        for _ in range(8):
            register = register >> 1 ^ (0xEDB88320 if register & 1 else 0)
    return register ^ 0xFFFFFFFF


def test_the_crc_has_the_published_check_value() -> None:
    # CRC-32 of "123456789": the check value by which tables of CRCs name this one (common practice, from memory).
    assert crc_by_the_page(b"123456789") == 0xCBF43926
    assert zlib.crc32(b"123456789") == 0xCBF43926
    assert "CBF43926" in section(1)


def test_the_golden_checksums_follow_from_the_page() -> None:
    head_crc = int.from_bytes(TIDE[0x9C:0xA0], "little")
    assert crc_by_the_page(TIDE[:0x9C]) == head_crc
    for entry, payload in ((0x68, TIDE[0xA0:0xB3]), (0x78, TIDE[0xB3:]), (0x88, TIDE[0xA0:0xB3])):
        covered = payload + TIDE[entry : entry + 12] + TIDE[entry + 16 : entry + 20]
        assert crc_by_the_page(covered) == int.from_bytes(TIDE[entry + 12 : entry + 16], "little")


# ---- a second decoder, from the page alone ----------------------------------------------------------------------


def decode_by_the_page(data: bytes) -> list[tuple[int, list[int]]]:
    """(due, bytes) of every frame, as sections 3 to 9 say, with struct and one zlib inflater for the whole roll."""
    magic, version, window, strings, supplies = struct.unpack_from("<4sBBBB", data)
    assert (magic, version, window) == (b"ROLL", 0, 12)
    file_bytes, frame_bytes, groups, most_payload = struct.unpack_from("<IIII", data, 8)
    most_frames, reserved, names_bytes = struct.unpack_from("<BBH", data, 24)
    assert (file_bytes, reserved) == (len(data), 0)
    index_at = 64 + 8 * strings + 4 * supplies + names_bytes
    head_crc_at = index_at + 16 * groups + 4
    assert zlib.crc32(data[:head_crc_at]) == struct.unpack_from("<I", data, head_crc_at)[0]
    inflater = zlib.decompressobj(-window)
    frames_out, sizes = [], []
    for entry in range(index_at, index_at + 16 * groups, 16):
        start, at, size_and_n, crc, end = struct.unpack_from("<IIIII", data, entry)
        size, n = size_and_n & 0xFFFFFF, size_and_n >> 24
        sizes.append((size, n))
        payload = data[at : at + size]
        assert zlib.crc32(payload + data[entry : entry + 12] + data[entry + 16 : entry + 20]) == crc
        *arranged, how = inflater.decompress(payload)
        assert len(arranged) == n * frame_bytes
        frames = [arranged[f * frame_bytes : (f + 1) * frame_bytes] for f in range(n)]
        changes = iter(arranged)
        for first in range(how):
            for b in range(first, frame_bytes, how):
                value = 0
                for f in range(n):
                    value = (value + next(changes)) % 256
                    frames[f][b] = value
        frames_out += [(start + i * (end - start) // n, frame) for i, frame in enumerate(frames)]
    assert (most_payload, most_frames) == (max(size for size, _ in sizes), max(n for _, n in sizes))
    return frames_out


def test_a_decoder_written_from_the_page_reads_the_worked_example() -> None:
    assert decode_by_the_page(TIDE) == [(due, frame) for _, due, frame in page_frames()]


@settings(max_examples=25, deadline=None)
@given(data=st.data(), small=st.booleans())
def test_a_decoder_written_from_the_page_reads_what_the_writer_writes(
    data: st.DataObject, small: bool, tmp_path_factory: pytest.TempPathFactory
) -> None:
    strings = tuple(
        StringSpec(f"s{pin}", pin, None, data.draw(st.integers(1, 9)), len(order), order, "ws2812b")
        for pin, order in enumerate(
            data.draw(st.lists(st.sampled_from(["grb", "rgb", "grbw"]), min_size=1, max_size=3))
        )
    )
    header = RollHeader("", "quay", 0, "0" * 64, strings)
    kinds = st.tuples(st.integers(1, 30), st.integers(0, 3), st.integers(30, 900_000))
    due, expected = 0, []
    path = tmp_path_factory.mktemp("roll") / "a.roll"
    groups = data.draw(st.lists(kinds, min_size=1, max_size=6))
    with RollWriter(path, header, groups=len(groups), small=small) as writer:
        for n, seed, length in groups:
            noise = np.random.default_rng(seed).integers(0, 256, (n, header.frame_bytes), np.uint8)
            frames = noise * np.uint8(seed > 1) + np.arange(n, dtype=np.uint8)[:, None]
            writer.add(due, due + length, frames)
            expected += [(due + i * length // n, frame.tolist()) for i, frame in enumerate(frames)]
            due += length
    assert decode_by_the_page(path.read_bytes()) == expected
