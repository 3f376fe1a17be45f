"""ROLL.md stands alone: its tables are the constants, its example is a roll, a decoder can be written from it.

The outside truth: RFC 1951 (deflate), RFC 1952 section 8 (CRC-32), FIPS 180-4 (SHA-256 of "abc"), and
truth/roll_tide.hex, put together by hand from the page.
"""

from __future__ import annotations

import hashlib
import re
import struct
import zlib
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from exporters import codec, rollfile, spec
from exporters.codec import LONG, Packed
from exporters.rollfile import Draw, RollHeader, RollReader, RollWriter, StringSpec

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
    draws=(Draw("rail", "shed", 0, 2, 1_000, 20_000),),
)
PAYLOADS_AT = 0xC1

# Section 15's two payloads, from its tables of bits, and what they inflate to.
BITS = (
    """0 10 00111010 0000101 00000 00110000 0000001 00000 111001000 0000001 00011 00110101 0000001 00011 0000001 00011
    0000000 0 00""",
    """0 10 00110000 00110001 01011000 111001000 0000001 00101 1 00110001 00110000 00111001 00110010 0000001 00111
    10 111111111 111111111 0000000 0 00""",
)
ARRANGED = (
    bytes([10] * 8 + [0] * 4 + [200, 0, 0, 0] + [5, 0, 0, 0] * 2),
    bytes([0, 1, 40, 200, 5] + [0, 0, 1, 0] + [9, 2, 0, 0, 0, 255, 255, 255]),
)


KINDS = ("columns", "pairs", "rows", "quotes")


def stored(body: bytes) -> bytes:
    """A payload of stored blocks alone (RFC 1951, 3.2.4)."""
    first = len(body) - 1
    lengths = first.to_bytes(2, "little") + (first ^ 0xFFFF).to_bytes(2, "little")
    return b"\0" + lengths + body[:-1] + bytes.fromhex("00 0100 feff") + body[-1:]


def bits_to_bytes(bits: str) -> bytes:
    """RFC 1951, 3.1.1: bits fill a byte from its least significant one; the last byte ends in zeros."""
    bits = "".join(bits.split())
    return bytes(int(bits[at : at + 8][::-1], 2) for at in range(0, len(bits), 8))


def section(number: int) -> str:
    """The text of one section of the page."""
    return re.split(r"^## ", PAGE, flags=re.MULTILINE)[number].partition("\n")[2]


HEADINGS = ("offset", "name", "group", "bits", "how", "kind", "tried")


def rows(text: str) -> list[list[str]]:
    """The rows of the tables in a text, headings, rules and drawings left out."""
    text = re.sub(r"^```.*?^```", "", text, flags=re.MULTILINE | re.DOTALL)
    cells = [[cell.strip() for cell in line.strip("|").split("|")] for line in text.splitlines() if line[:1] == "|"]
    return [row for row in cells if not row[0].startswith("-") and row[0] not in HEADINGS]


def page_frames() -> list[tuple[int, int, list[int]]]:
    """Section 15's list: group, time, bytes."""
    return [
        (int(group), int(due), [int(value) for value in re.findall(r"\d+", frame)])
        for group, due, frame in (row for row in rows(section(15)) if len(row) == 3)
    ]


# ---- the page's tables are the constants ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("number", "records"),
    [
        (3, [spec.HEADER]),
        (4, [spec.STRING]),
        (5, [spec.SUPPLY, spec.DRAW]),
        (7, [spec.UNIT]),
        (8, [spec.ENTRY, spec.PAGE_END, spec.HEAD_CRC]),
    ],
)
def test_each_record_of_the_page_is_the_record_of_the_code(number: int, records: list[spec.Record]) -> None:
    expected = []
    for record in records:
        for at, field in enumerate(record):
            allowed = "bytes" if field.low is None else f"{field.low} to {field.high}"
            expected.append([str(spec.width(record[:at])), str(field.width), field.name, allowed])
    assert rows(section(number)) == expected


def test_every_limit_of_the_page_is_the_limit_of_the_code() -> None:
    limits = {name: int(value) for name, value, _ in rows(section(11))}
    assert len(limits) == 24
    assert limits == {name: getattr(spec, name) for name in limits}


def test_every_integer_constant_of_the_code_stands_on_the_page() -> None:
    shown = {name for name, _, _ in rows(section(11))}
    elsewhere = {"VERSION", "UNIT_CHECKED", "U16", "U24", "U32"}
    constants = {name for name, value in vars(spec).items() if name.isupper() and isinstance(value, int)}
    assert constants == shown | elsewhere


def test_the_kinds_of_the_page_are_the_constants() -> None:
    kinds = {row[1].upper(): int(row[0]) for row in rows(section(9)) if row[1:2] and row[1] in KINDS}
    assert kinds == {name.upper(): getattr(spec, name.upper()) for name in KINDS}


def test_the_arrangements_worked_through_on_the_page_are_right() -> None:
    worked = [row for row in rows(section(9)) if len(row) == 3 and " of " in row[1]]
    assert len(worked) == 6
    for how, _, values in worked:
        frames, _ = codec.decode_unit(stored(bytes(map(int, values.split()))), int(how), 2, 4)
        assert frames.tolist() == [[1, 250, 3, 4], [2, 4, 3, 3]]


def test_the_quotes_worked_through_on_the_page_are_right() -> None:
    worked = [row for row in rows(section(9)) if len(row) == 3 and ";" in row[2]]
    assert len(worked) == 4
    for how, _, values in worked:
        frames, _ = codec.decode_unit(stored(bytes(map(int, re.findall(r"\d+", values)))), int(how), 4, 7)
        assert frames.tolist() == [[9, 9, 9, 6, 6, 6, 8]] + [[9, 9, 9, 1, 2, 3, 8]] * 3


def test_the_widths_in_the_drawing_of_the_file_are_the_widths_of_the_records() -> None:
    drawn = [re.sub(r"\D", "", cell) for cell in section(2).splitlines()[4].strip("|").split("|")]
    records = (spec.HEADER, spec.STRING, spec.SUPPLY, spec.DRAW, spec.UNIT)
    page = spec.PAGE_ENTRIES * spec.width(spec.ENTRY) + spec.width(spec.PAGE_END)
    assert [int(cell) for cell in drawn if cell] == [*map(spec.width, records), page, 88, 4]
    assert (spec.width(spec.ENTRY), spec.width(spec.PAGE_END), spec.width(spec.HEAD_CRC)) == (8, 8, 4)


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
    shown = [row[0] for row in rows(section(15)) if len(row) == 2]
    assert "".join("".join(shown).split()) == "".join("".join(BITS).split())
    for bits in BITS:
        assert bits_to_bytes(bits).hex(" ") in " ".join(section(15).split())


def test_the_golden_payloads_are_the_hand_worked_blocks() -> None:
    last = bytes.fromhex("0100feff")
    payloads = [bits_to_bytes(bits) + last + body[-1:] for bits, body in zip(BITS, ARRANGED, strict=True)]
    assert TIDE[PAYLOADS_AT:] == b"".join(payloads)
    # The third reader of these bits is zlib's inflate, which knows nothing of this page. One inflater, in order.
    inflater = zlib.decompressobj(-12)
    assert [inflater.decompress(payload) for payload in payloads] == list(ARRANGED)


def test_the_second_golden_payload_leans_on_the_first() -> None:
    with pytest.raises(zlib.error, match="distance too far back"):
        zlib.decompressobj(-12).decompress(TIDE[PAYLOADS_AT + 19 :])


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
    at = PAYLOADS_AT + 19
    packed = {4: Packed(TIDE[PAYLOADS_AT:at], 6, ARRANGED[0]), 6: Packed(TIDE[at:], 26, ARRANGED[1])}
    monkeypatch.setattr(codec, "encode_unit", lambda frames, **_: packed[len(frames)])
    monkeypatch.setattr(rollfile, "WIDE_WINDOW_FRAME_BYTES", 5)
    starts = [0, 500_000, 700_000, 833_333, 1_250_000]
    # Room for six frames in a unit.
    with RollWriter(tmp_path / "tide.roll", TIDE_HEADER, groups=4, unit_bytes=36) as writer:
        for number, (start, end) in enumerate(pairwise(starts)):
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
    def stands_at(at: int) -> int:
        return int.from_bytes(TIDE[at : at + 4], "little")

    units_at, index_at = 0x79, 0x95
    second = PAYLOADS_AT + 19
    for unit, payload in ((units_at, TIDE[PAYLOADS_AT:second]), (units_at + 14, TIDE[second:])):
        assert crc_by_the_page(payload + TIDE[unit : unit + 10]) == stands_at(unit + 10)
    assert crc_by_the_page(TIDE[index_at : index_at + 36]) == stands_at(index_at + 36)
    assert crc_by_the_page(TIDE[: PAYLOADS_AT - 4]) == stands_at(PAYLOADS_AT - 4)


# ---- a second decoder, from the page alone ----------------------------------------------------------------------


def decode_by_the_page(data: bytes) -> list[tuple[int, list[int]]]:
    """(due, bytes) of every frame, as sections 3 to 10 say, with struct and one zlib inflater for the whole roll."""
    magic, version, window, strings, supplies, draws, most_frames = struct.unpack_from("<4s6B", data)
    assert (magic, version) == (b"ROLL", 2)
    names_bytes, file_bytes, frame_bytes, groups, units = struct.unpack_from("<HIIHH", data, 10)
    most_unit, most_payload = struct.unpack_from("<II", data, 24)
    units_at = 68 + 8 * strings + 4 * supplies + 13 * draws + names_bytes
    index_at = units_at + 14 * units
    payloads_at = index_at + 8 * groups + 8 * -(-groups // 16) + 4
    assert file_bytes == len(data)
    assert zlib.crc32(data[: payloads_at - 4]) == struct.unpack_from("<I", data, payloads_at - 4)[0]
    records = [struct.unpack_from("<IIBBI", data, units_at + 14 * u) for u in range(units)]
    assert most_payload == max(record[1] & 0xFFFFFF for record in records)
    assert most_unit == frame_bytes * max(record[1] >> 24 for record in records)
    assert most_frames == max(record[1] >> 24 for record in records)
    inflater, loaded = zlib.decompressobj(-window), -1
    frames: list[list[int]] = []
    out = []
    for i in range(groups):
        entry = index_at + 8 * i + 8 * (i // 16)
        start, unit, first, n = struct.unpack_from("<IHBB", data, entry)
        end = struct.unpack_from("<I", data, entry + 8)[0]
        if i % 16 == 15 or i == groups - 1:
            page = index_at + 136 * (i // 16)
            assert zlib.crc32(data[page : entry + 12]) == struct.unpack_from("<I", data, entry + 12)[0]
        if loaded != unit:
            at, size_and_frames, depth, how, crc = records[unit]
            chain = [unit] if depth and loaded == unit - 1 else range(unit - depth, unit + 1)
            for loaded in chain:
                at, size_and_frames, depth, how, crc = records[loaded]
                payload = data[at : at + (size_and_frames & 0xFFFFFF)]
                assert zlib.crc32(payload + data[units_at + 14 * loaded :][:10]) == crc
                stand = frames[-1] if depth else [0] * frame_bytes
                as_sent = depth and (records[loaded - 1][3] >= 24 or records[loaded - 1][3] == 16)
                history = [byte for frame in frames for byte in frame] if as_sent else []
                arranged = inflater.decompress(payload)
                frames = shown(arranged, how, size_and_frames >> 24, stand, history)
        out += [(start + j * (end - start) // n, frames[first + j]) for j in range(n)]
    return out


def shown(arranged: bytes, how: int, n: int, stand: list[int], history: list[int]) -> list[list[int]]:
    """Section 9, undone."""
    step, changes, kind = how % 4 + 1, how // 4 % 2, how // 8
    frames: list[list[int]] = []
    if kind < 3:
        values = iter(arranged)
        frames = [[0] * len(stand) for _ in range(n)]
        for k in range(step):
            plane = list(range(k, len(stand), step))
            width = (1, 2, len(plane))[kind]
            for tile in range(0, len(plane), max(width, 1)):
                for f in range(n):
                    for b in plane[tile : tile + width]:
                        frames[f][b] = next(values)
                        if changes:
                            frames[f][b] = (frames[f][b] + (frames[f - 1] if f else stand)[b]) % 256
        assert next(values, None) is None
        return frames
    stretch, end, distance = list(history), len(history) + n * len(stand), len(stand)
    assert len(arranged) <= n * len(stand)
    left = list(arranged)
    while len(stretch) < end:
        copy, run = left.pop(0), left.pop(0)
        if (copy, run) == (0, 0):
            distance = (left.pop(0) + 256 * left.pop(0)) * step
            assert distance > 0
        assert len(stretch) + (copy + run) * step < end + step
        for spelled, count in ((False, copy * step), (True, run * step)):
            for _ in range(min(count, end - len(stretch))):
                quoted = stretch[-distance] if distance <= len(stretch) else 0
                stretch.append((left.pop(0) + quoted * changes) % 256 if spelled else quoted)
    assert not left
    made = stretch[len(history) :]
    return [made[at : at + len(stand)] for at in range(0, len(made), len(stand))]


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
    groups = data.draw(st.lists(kinds, min_size=1, max_size=6)) * data.draw(st.sampled_from([1, 4]))
    unit_bytes = data.draw(st.sampled_from([1, 2_000, 30_000]))
    with RollWriter(path, header, groups=len(groups), effort=LONG if small else None, unit_bytes=unit_bytes) as writer:
        for n, seed, length in groups:
            noise = np.random.default_rng(seed).integers(0, 256, (n, header.frame_bytes), np.uint8)
            frames = noise * np.uint8(seed > 1) + np.arange(n, dtype=np.uint8)[:, None]
            writer.add(due, due + length, frames)
            expected += [(due + i * length // n, frame.tolist()) for i, frame in enumerate(frames)]
            due += length
    assert decode_by_the_page(path.read_bytes()) == expected
