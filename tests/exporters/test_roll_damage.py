"""Damaged and hostile rolls: every flipped bit, every truncation, heads that lie under a checksum that fits.

Whatever is done to a roll, it is refused or the group is held broken; no byte that was not written comes out.
"""

from __future__ import annotations

import os
import tracemalloc
import zlib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from exporters import codec
from exporters.codec import Packed
from exporters.rollfile import Draw, RollHeader, RollReader, RollWriter, StringSpec
from exporters.spec import (
    DRAW,
    ENTRY,
    HEAD_CRC,
    HEADER,
    LAST_BLOCK,
    PAGE_END,
    QUOTES,
    ROWS,
    STRING,
    SUPPLY,
    UNIT,
    UNIT_CHECKED,
    RollBroken,
    RollError,
    width,
)

STRINGS = (
    StringSpec("rail", 16, None, 2, 3, "grb", "ws2812b"),
    StringSpec("lamp", 2, None, 1, 4, "grbw", "sk6812-rgbw"),
)
SHOW = RollHeader(
    "Tide", "quay", 1_000_000, "5a" * 32, STRINGS, (("shed", 1500),), (Draw("lamp", "shed", 0, 1, 1_000, 18_000),)
)
DRAW_AT = width(HEADER) + 2 * width(STRING) + width(SUPPLY)
NAMES_AT = DRAW_AT + width(DRAW)
UNITS_AT = NAMES_AT + len("Tidequayrailws2812blampsk6812-rgbwshed") + 7
INDEX_AT = UNITS_AT + 3 * width(UNIT)
HEAD_BYTES = INDEX_AT + 4 * width(ENTRY) + width(PAGE_END) + width(HEAD_CRC)


def frames_of(group: int) -> np.ndarray:
    """Groups 0 and 2 are the same; 3 is of the same shape as 1."""
    seed = {0: 1, 1: 2, 2: 1, 3: 4}[group]
    return np.random.default_rng(seed).integers(0, 256, (6, SHOW.frame_bytes), np.uint8)


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """A small roll of four groups, 250 ms each, in three units: the second leans on the first."""
    path = tmp_path_factory.mktemp("roll") / "a.roll"
    with RollWriter(path, SHOW, groups=4, unit_bytes=1) as writer:
        for group in range(4):
            writer.add(group * 250_000, (group + 1) * 250_000, frames_of(group))
    return path.read_bytes()


@pytest.fixture
def put(tmp_path: Path) -> Iterator[Callable[[bytes], Path]]:
    """Writes bytes as a roll."""

    def write(data: bytes) -> Path:
        path = tmp_path / "damaged.roll"
        path.write_bytes(data)
        return path

    yield write


def play(path: Path) -> tuple[int, list[int]]:
    """Read everything as a player would: (sound groups, broken groups). What comes out is what was written."""
    good, broken = 0, []
    with RollReader(path) as reader:
        assert reader.header == SHOW
        for number in range(4):
            try:
                got = reader.group(number)
            except RollBroken as error:
                assert error.group == number
                broken.append(number)
            else:
                assert np.array_equal(got, frames_of(number))
                assert reader.groups[number].start_us == number * 250_000
                good += 1
        assert len(reader.verify()) == len(broken)
    return good, broken


def with_head_crc(data: bytes) -> bytes:
    """The roll with the checksums of its page and of its changed head put right."""
    page_crc = zlib.crc32(data[INDEX_AT : HEAD_BYTES - 8])
    body = data[: HEAD_BYTES - 8] + page_crc.to_bytes(4, "little")
    return body + zlib.crc32(body).to_bytes(4, "little") + data[HEAD_BYTES:]


@contextmanager
def flipped(path: Path, sound: bytes, bit: int) -> Iterator[None]:
    """The file at `path`, which holds `sound`, with one bit flipped, and whole again afterwards."""
    with path.open("r+b", buffering=0) as file:
        file.seek(bit // 8)
        file.write(bytes([sound[bit // 8] ^ 1 << bit % 8]))
        try:
            yield
        finally:
            file.seek(bit // 8)
            file.write(sound[bit // 8 : bit // 8 + 1])


def test_the_roll_these_tests_start_from_is_sound(sound: bytes, put: Callable[[bytes], Path]) -> None:
    assert play(put(sound)) == (4, [])
    assert with_head_crc(sound) == sound


# ---- every bit, every length ------------------------------------------------------------------------------------


def test_every_flipped_bit_of_the_head_is_refused(sound: bytes, put: Callable[[bytes], Path]) -> None:
    path = put(sound)
    for bit in range(8 * HEAD_BYTES):
        with flipped(path, sound, bit), pytest.raises(RollError, match="roll|must be|cut short|need|checksum|at most"):
            RollReader(path)


def test_every_flipped_bit_of_a_payload_breaks_the_groups_that_use_it_and_no_other(
    sound: bytes, put: Callable[[bytes], Path]
) -> None:
    path = put(sound)
    with RollReader(path) as reader:
        assert [unit.depth for unit in reader.units] == [0, 1, 0]
        needed = {
            group.unit: range(group.unit - reader.units[group.unit].depth, group.unit + 1) for group in reader.groups
        }
        users = {
            at: [
                number
                for number, group in enumerate(reader.groups)
                if any(0 <= at - reader.units[u].payload_at < reader.units[u].payload_bytes for u in needed[group.unit])
            ]
            for at in range(HEAD_BYTES, len(sound))
        }
    assert sorted({tuple(groups) for groups in users.values()}) == [(0, 1, 2), (1,), (3,)]
    for bit in range(8 * HEAD_BYTES, 8 * len(sound)):
        broken = users[bit // 8]
        with flipped(path, sound, bit):
            assert play(path) == (4 - len(broken), broken)


def test_every_truncation_is_refused(sound: bytes, put: Callable[[bytes], Path]) -> None:
    path = put(sound)
    for length in reversed(range(len(sound))):
        os.truncate(path, length)
        with pytest.raises(RollError, match="not a roll|cut short"):
            RollReader(path)


@pytest.mark.parametrize("tail", [b"\0", b"ROLL", bytes(1000)])
def test_a_roll_that_has_grown_is_refused(sound: bytes, put: Callable[[bytes], Path], tail: bytes) -> None:
    with pytest.raises(RollError, match="cut short or grown"):
        RollReader(put(sound + tail))


@pytest.mark.parametrize("fill", [0x00, 0xFF])
def test_blocks_of_flash_that_lost_their_content_are_noticed(
    sound: bytes, put: Callable[[bytes], Path], fill: int
) -> None:
    for at in range(HEAD_BYTES, len(sound) - 16):
        _, broken = play(put(sound[:at] + bytes([fill]) * 16 + sound[at + 16 :]))
        assert broken != []


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_rolls_with_any_bytes_overwritten_never_show_a_wrong_byte(
    data: st.DataObject, sound: bytes, tmp_path_factory: pytest.TempPathFactory
) -> None:
    damaged = bytearray(sound)
    for at, value in data.draw(st.lists(st.tuples(st.integers(0, len(sound) - 1), st.integers(0, 255)), max_size=4)):
        damaged[at] = value
    path = tmp_path_factory.getbasetemp() / "overwritten.roll"
    path.write_bytes(with_head_crc(bytes(damaged)) if data.draw(st.booleans()) else damaged)
    try:
        reader = RollReader(path)
    except RollError:
        return
    with reader:
        groups = [frames_of(number).tobytes() for number in range(4)]
        for number in range(len(reader)):
            try:
                got = reader.group(number)
            except RollBroken:
                continue
            assert got.tobytes() in groups


@pytest.mark.parametrize("data", [b"", b"R", b"ROL", b"ROLX" + bytes(200), b"RIFF" + bytes(200), bytes(300)])
def test_what_is_not_a_roll_is_called_that(put: Callable[[bytes], Path], data: bytes) -> None:
    with pytest.raises(RollError, match="not a roll: it does not begin with ROLL"):
        RollReader(put(data))


def test_a_missing_file_is_the_systems_error(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError, match="nothing"):
        RollReader(tmp_path / "nothing.roll")


# ---- heads that lie ---------------------------------------------------------------------------------------------


def lie(sound: bytes, at: int, value: bytes) -> bytes:
    """The roll with bytes of its head replaced and the checksum put right."""
    return with_head_crc(sound[:at] + value + sound[at + len(value) :])


def u32(value: int) -> bytes:
    return value.to_bytes(4, "little")


ENTRY_1 = INDEX_AT + width(ENTRY)
UNIT_1 = UNITS_AT + width(UNIT)
END_US = HEAD_BYTES - 12


@pytest.mark.parametrize(
    ("at", "value", "message"),
    [
        (4, b"\x01", "a roll of version 1; this reader knows version 2"),
        (4, b"\x03", "a roll of version 3; this reader knows version 2"),
        (5, b"\x0b", "window_bits is 11, it must be 12 to 13"),
        (5, b"\x0e", "window_bits is 14, it must be 12 to 13"),
        (6, b"\x00", "strings is 0, it must be 1 to 32"),
        (6, b"\x21", "strings is 33, it must be 1 to 32"),
        (7, b"\x21", "supplies is 33, it must be 0 to 32"),
        (8, b"\x41", "draws is 65, it must be 0 to 64"),
        (9, b"\x00", "most_frames is 0, it must be 1 to 255"),
        (9, b"\x07", "most_frames is 7, the units have 6"),
        (10, b"\xff\xff", "the head needs 65.*, the file has"),
        (16, u32(2), "frame_bytes is 2, it must be 3 to 1048576"),
        (16, u32(2**20 + 1), "frame_bytes is 1048577, it must be"),
        (16, u32(11), "frame_bytes is 11, the strings have 10"),
        (20, b"\0\0", "groups is 0, it must be 1 to 65535"),
        (20, b"\xff\xff", "the head needs .* bytes, the file has"),
        (22, b"\0\0", "units is 0, it must be 1 to 65535"),
        (22, b"\xff\xff", "the head needs .* bytes, the file has"),
        (24, u32(0), "most_unit_bytes is 0, it must be 1 to"),
        (24, u32(59), "most_unit_bytes is 59, the units have 60"),
        (24, u32(61), "most_unit_bytes is 61, the units have 60"),
        (24, u32(2**24 + 1), "most_unit_bytes is 16777217, it must be"),
        (28, u32(5), "most_payload_bytes is 5, it must be 6 to"),
        (28, u32(500), "most_payload_bytes is 500, the units have"),
        (68, b"\xff", "pin is 255, it must be 0 to 254"),
        (68, b"\x02", "two lines on one pin"),
        (70, b"\0\0", "pixels is 0, it must be 1 to 65535"),
        (70, b"\x03\0", "frame_bytes is 10, the strings have 13"),
        (72, b"grbw", "frame_bytes is 10, the strings have 12"),
        (72, b"g\0rb", "must hold r, g, b"),
        (72, b"\xff\xffrb", "must hold r, g, b"),
        (72, b"GRB\0", "must hold r, g, b"),
        (DRAW_AT, b"\x20", "string is 32, it must be 0 to 31"),
        (DRAW_AT, b"\x02", "a draw names a string or a supply that is not there"),
        (DRAW_AT + 1, b"\x01", "a draw names a string or a supply that is not there"),
        (DRAW_AT + 2, b"\x02", "law is 2, it must be 0 to 1"),
        (DRAW_AT + 3, b"\x01", "string lamp: draw from shed: first_pixel must be 0 to 0, not 1"),
        (DRAW_AT + 5, b"\x00", "pixels is 0, it must be 1 to"),
        (DRAW_AT + 5, b"\x02", "string lamp: draw from shed: pixels must be 1 to 1, not 2"),
        (NAMES_AT, b"\x05", "the names run over their end"),
        (UNITS_AT - 5, b"\x03", "bytes are left after the names"),
        (UNITS_AT - 5, b"\x05", "the names run over their end"),
        (NAMES_AT + 1, b"\xff", "a name is not UTF-8"),
        (NAMES_AT + 1, b"\x1b", "control character"),
        (NAMES_AT + 5, b"\x00\x08quayrail", "a name has 1 to 255 bytes of UTF-8, not 0"),
        (UNIT_1, u32(HEAD_BYTES - 1), "unit 1: its payload lies outside"),
        (UNIT_1, u32(2**32 - 1), "unit 1: its payload lies outside"),
        (UNIT_1 + 4, b"\xff\xff\xff", "unit 1: its payload lies outside"),
        (UNIT_1 + 4, b"\x05\0\0", "payload_bytes is 5, it must be 6 to"),
        (UNIT_1 + 7, b"\x00", "frames is 0, it must be 1 to 255"),
        (UNIT_1 + 7, b"\x07", "most_unit_bytes is 60, the units have 70"),
        (UNIT_1 + 8, b"\x02", "unit 1: its depth is 2"),
        (UNIT_1 + 8, b"\x10", "depth is 16, it must be 0 to 15"),
        (UNITS_AT + 8, b"\x01", "unit 0: its depth is 1"),
        (UNIT_1 + 9, b"\x20", "how is 32, it must be 0 to 31"),
        (ENTRY_1, u32(0), "group 0: from 0 to 0 us is not"),
        (ENTRY_1, u32(500_000), "group 1: from 500000 to 500000 us is not"),
        (ENTRY_1, u32(5), "group 0: 6 frames in 5 us"),
        (ENTRY_1 + 4, b"\x03\0", "group 1: unit 3 does not hold its frames"),
        (ENTRY_1 + 4, b"\xff\xff", "unit is 65535, it must be 0 to 65534"),
        (ENTRY_1 + 6, b"\x01", "group 1: unit 1 does not hold its frames"),
        (ENTRY_1 + 7, b"\x00", "frames is 0, it must be 1 to 255"),
        (ENTRY_1 + 7, b"\x07", "group 1: unit 1 does not hold its frames"),
        (END_US, u32(750_000), "group 3: from 750000 to 750000 us is not"),
        (END_US, u32(0), "end_us is 0, it must be 1 to"),
        (END_US, u32(2**32 - 1), r"group 3: 6 frames in .* below 2\^30"),
    ],
)
def test_a_head_that_lies_under_a_sound_checksum_is_refused(
    sound: bytes, put: Callable[[bytes], Path], at: int, value: bytes, message: str
) -> None:
    with pytest.raises(RollError, match=message):
        RollReader(put(lie(sound, at, value)))


def test_too_large_a_unit_is_refused_at_the_door(sound: bytes, put: Callable[[bytes], Path]) -> None:
    # One string of 65,535 pixels and units of 255 frames: 50 MB each.
    data = lie(sound, 70, b"\xff\xff")
    data = lie(data, 16, u32(65_535 * 3 + 4))
    for unit in range(3):
        data = lie(data, UNITS_AT + 14 * unit + 7, b"\xff")
    with pytest.raises(RollError, match="unit 0: a unit has at most 16777216 bytes"):
        RollReader(put(lie(data, 9, b"\xff")))


def test_a_page_that_does_not_match_its_checksum_is_refused(sound: bytes, put: Callable[[bytes], Path]) -> None:
    body = sound[: HEAD_BYTES - 8] + u32(1)
    with pytest.raises(RollError, match="the checksum of page 0 of the index does not match"):
        RollReader(put(body + u32(zlib.crc32(body)) + sound[HEAD_BYTES:]))


def test_pages_that_do_not_meet_are_refused(tmp_path: Path, put: Callable[[bytes], Path]) -> None:
    with RollWriter(tmp_path / "a.roll", SHOW, groups=18) as writer:
        for group in range(18):
            writer.add(group * 1_000, (group + 1) * 1_000, frames_of(0))
    data = (tmp_path / "a.roll").read_bytes()
    page = UNITS_AT + width(UNIT)
    assert data[page + 128 : page + 132] == u32(16_000)
    changed = data[: page + 128] + u32(16_001)
    changed += u32(zlib.crc32(changed[page:]))
    changed += data[len(changed) : page + 160]
    with pytest.raises(RollError, match="group 16 starts at 16000 us, its page before ends elsewhere"):
        RollReader(put(changed + u32(zlib.crc32(changed)) + data[len(changed) + 4 :]))


@pytest.mark.parametrize(
    ("at", "value", "broken"),
    [
        (UNITS_AT, None, [0, 1, 2]),  # the pointer of unit 0 to the payload of unit 2, sound and of the same shape
        (UNIT_1 + 8, b"\x00", [1]),
        (UNIT_1 + 9, b"\x01", [1]),
        (UNIT_1 + 10, u32(0), [1]),
    ],
)
def test_a_unit_that_strays_under_a_sound_head_breaks_its_groups(
    sound: bytes, put: Callable[[bytes], Path], at: int, value: bytes | None, broken: list[int]
) -> None:
    with RollReader(put(sound)) as reader:
        third = reader.units[2]
    pointer = u32(third.payload_at) + third.payload_bytes.to_bytes(3, "little")
    path = put(lie(sound, at, pointer if value is None else value))
    got = []
    with RollReader(path) as reader:
        for number in range(4):
            try:
                reader.group(number)
            except RollBroken as error:
                got.append(error.group)
    assert got == broken


def test_huge_claims_take_no_memory(
    put: Callable[[bytes], Path], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Sixteen megabytes of zeros behind a payload of some kilobytes, in a group that claims thirty bytes.
    packer = zlib.compressobj(9, zlib.DEFLATED, -12)
    bomb = packer.compress(bytes(2**24)) + packer.flush(zlib.Z_SYNC_FLUSH)[:-4] + b"\x01\x00\xfe\xff\x00"
    assert len(bomb) < 40_000
    monkeypatch.setattr(codec, "encode_unit", lambda *_, **__: Packed(bomb, ROWS, bytes(30)))
    with RollWriter(tmp_path / "bomb.roll", SHOW, groups=1) as writer:
        writer.add(0, 1_000, np.zeros((3, 10), np.uint8))
    tracemalloc.start()
    too_long = "group 0 is broken: the payload holds more than 3 frames of 10 bytes"
    with RollReader(tmp_path / "bomb.roll") as reader, pytest.raises(RollBroken, match=too_long):
        reader.group(0)
    top = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert top < 400_000


@pytest.mark.parametrize("more", [1, 2, 40])
def test_quotes_that_are_longer_than_their_frames_are_broken(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, more: int
) -> None:
    # The distance is set to what it is a hundred times and more; then come 40 frames of darkness, 400 bytes.
    arranged = bytes([0, 0, 10, 0]) * (99 + more) + bytes([255, 0, 145, 0])
    packer = zlib.compressobj(9, zlib.DEFLATED, -13)
    blocks = packer.compress(arranged[:-1]) + packer.flush(zlib.Z_SYNC_FLUSH)
    payload = blocks[:-4] + LAST_BLOCK + arranged[-1:]
    monkeypatch.setattr(codec, "encode_unit", lambda *_, **__: Packed(payload, QUOTES, arranged))
    with RollWriter(tmp_path / "a.roll", SHOW, groups=1) as writer:
        writer.add(0, 1_000, np.zeros((40, 10), np.uint8))
    with RollReader(tmp_path / "a.roll") as reader:
        assert reader.verify() == ["group 0 is broken: the payload holds more than 40 frames of 10 bytes"]


# ---- verify -----------------------------------------------------------------------------------------------------


def test_verify_names_every_broken_group(sound: bytes, put: Callable[[bytes], Path]) -> None:
    with RollReader(put(sound)) as reader:
        places = [reader.units[number].payload_at for number in (0, 2)]
    damaged = bytearray(sound)
    for place in places:
        damaged[place + 3] ^= 0x10
    with RollReader(put(bytes(damaged))) as reader:
        assert reader.verify() == [
            f"group {number} is broken: the checksum of unit {unit} does not match"
            for number, unit in ((0, 0), (1, 0), (2, 0), (3, 2))
        ]


def test_verify_names_a_sound_payload_that_does_not_decode(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    bad = Packed(b"\xff\xff\x01\x00\xfe\xff\x00", ROWS, bytes(30))
    monkeypatch.setattr(codec, "encode_unit", lambda *_, **__: bad)
    with RollWriter(tmp_path / "a.roll", SHOW, groups=1) as writer:
        writer.add(0, 1_000, np.zeros((3, 10), np.uint8))
    with RollReader(tmp_path / "a.roll") as reader:
        assert reader.verify() == ["group 0 is broken: the payload is not deflate"]


def test_verify_names_bytes_that_belong_to_no_unit(sound: bytes, put: Callable[[bytes], Path]) -> None:
    with RollReader(put(lie(sound + b"stowaway", 12, u32(len(sound) + 8)))) as reader:
        assert reader.verify() == [f"bytes after {len(sound)} belong to no unit"]
        assert np.array_equal(reader.group(3), frames_of(3))


def test_verify_names_a_unit_that_belongs_to_no_group(sound: bytes, put: Callable[[bytes], Path]) -> None:
    with RollReader(put(lie(sound, ENTRY_1 + 4, b"\0\0"))) as reader:
        assert reader.verify() == ["unit 1 belongs to no group"]


def test_verify_names_payloads_that_overlap(sound: bytes, put: Callable[[bytes], Path]) -> None:
    with RollReader(put(sound)) as reader:
        first, second = reader.units[:2]
    record = u32(second.payload_at - 1) + sound[UNIT_1 + 4 : UNIT_1 + UNIT_CHECKED]
    payload = sound[second.payload_at - 1 :][: second.payload_bytes]
    data = lie(sound, UNIT_1, record + u32(zlib.crc32(payload + record)))
    with RollReader(put(data)) as reader:
        faults = reader.verify()
    end = first.payload_at + first.payload_bytes
    assert f"payloads overlap or leave a gap at byte {end - 1}" in faults
