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
from exporters.rollfile import RollHeader, RollReader, RollWriter, StringSpec
from exporters.spec import ENTRY, HEADER, INDEX_END, STRING, RollBroken, RollError, width

STRINGS = (
    StringSpec("rail", 16, None, 2, 3, "grb", "ws2812b"),
    StringSpec("lamp", 2, None, 1, 4, "grbw", "sk6812-rgbw"),
)
SHOW = RollHeader("Tide", "quay", 1_000_000, "5a" * 32, STRINGS, (("shed", 1500),))
INDEX_AT = width(HEADER) + 2 * width(STRING) + 4 + len("Tidequayrailws2812blampsk6812-rgbwshed") + 7
HEAD_BYTES = INDEX_AT + 4 * width(ENTRY) + width(INDEX_END)


def frames_of(group: int) -> np.ndarray:
    """Groups 0 and 2 are the same; 3 is of the same shape as 1."""
    seed = {0: 1, 1: 2, 2: 1, 3: 4}[group]
    return np.random.default_rng(seed).integers(0, 256, (6, SHOW.frame_bytes), np.uint8)


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """A small roll of four groups, 250 ms each."""
    path = tmp_path_factory.mktemp("roll") / "a.roll"
    with RollWriter(path, SHOW, groups=4) as writer:
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
    """The roll with the checksum of its changed head put right."""
    body = data[: HEAD_BYTES - 4]
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
        users = {
            at: [
                number for number, group in enumerate(reader.groups) if 0 <= at - group.payload_at < group.payload_bytes
            ]
            for at in range(HEAD_BYTES, len(sound))
        }
    assert sorted({tuple(groups) for groups in users.values()}) == [(0, 2), (1,), (3,)]
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


ENTRY_1 = INDEX_AT + 16
NAMES_AT = width(HEADER) + 2 * width(STRING) + 4


@pytest.mark.parametrize(
    ("at", "value", "message"),
    [
        (4, b"\x01", "a roll of version 1; this reader knows version 0"),
        (5, b"\x0f", "window_bits is 15, it must be 12 to 12"),
        (6, b"\x00", "strings is 0, it must be 1 to 32"),
        (6, b"\x21", "strings is 33, it must be 1 to 32"),
        (7, b"\x21", "supplies is 33, it must be 0 to 32"),
        (12, u32(2), "frame_bytes is 2, it must be 3 to 1048576"),
        (12, u32(2**20 + 1), "frame_bytes is 1048577, it must be"),
        (12, u32(11), "frame_bytes is 11, the strings have 10"),
        (16, u32(0), "groups is 0, it must be 1 to 65535"),
        (16, u32(65_535), f"header and index need {INDEX_AT + 16 * 65_535 + 8} bytes, the file has"),
        (16, u32(65_536), "groups is 65536, it must be 1 to 65535"),
        (20, u32(5), "most_payload_bytes is 5, it must be 6 to"),
        (20, u32(500), "most_payload_bytes is 500, the index has"),
        (24, b"\x00", "most_frames is 0, it must be 1 to 255"),
        (24, b"\x07", "most_frames is 7, the index has 6"),
        (25, b"\x01", "reserved is 1, it must be 0 to 0"),
        (26, b"\xff\xff", "header and index need 65.*, the file has"),
        (64, b"\xff", "pin is 255, it must be 0 to 254"),
        (64, b"\x02", "two lines on one pin"),
        (66, b"\0\0", "pixels is 0, it must be 1 to 65535"),
        (66, b"\x03\0", "frame_bytes is 10, the strings have 13"),
        (68, b"grbw", "frame_bytes is 10, the strings have 12"),
        (68, b"g\0rb", "must hold r, g, b"),
        (68, b"\xff\xffrb", "must hold r, g, b"),
        (68, b"GRB\0", "must hold r, g, b"),
        (NAMES_AT, b"\x05", "the names run over their end"),
        (INDEX_AT - 5, b"\x03", "bytes are left after the names"),
        (INDEX_AT - 5, b"\x05", "the names run over their end"),
        (NAMES_AT + 1, b"\xff", "a name is not UTF-8"),
        (NAMES_AT + 1, b"\x1b", "control character"),
        (NAMES_AT + 5, b"\x00\x08quayrail", "a name has 1 to 255 bytes of UTF-8, not 0"),
        (ENTRY_1, u32(0), "group 0: from 0 to 0 us is not"),
        (ENTRY_1, u32(500_000), "group 1: from 500000 to 500000 us is not"),
        (ENTRY_1, u32(5), "group 0: 6 frames in 5 us"),
        (ENTRY_1 + 4, u32(HEAD_BYTES - 1), "group 1: its payload lies outside"),
        (ENTRY_1 + 4, u32(2**32 - 1), "group 1: its payload lies outside"),
        (ENTRY_1 + 8, b"\xff\xff\xff", "group 1: its payload lies outside"),
        (ENTRY_1 + 8, b"\x05\0\0", "payload_bytes is 5, it must be 6 to"),
        (ENTRY_1 + 11, b"\x00", "frames is 0, it must be 1 to 255"),
        (ENTRY_1 + 11, b"\x08", "most_frames is 6, the index has 8"),
        (HEAD_BYTES - 8, u32(750_000), "group 3: from 750000 to 750000 us is not"),
        (HEAD_BYTES - 8, u32(0), "end_us is 0, it must be 1 to"),
        (HEAD_BYTES - 8, u32(2**32 - 1), r"group 3: 6 frames in .* below 2\^30"),
    ],
)
def test_a_head_that_lies_under_a_sound_checksum_is_refused(
    sound: bytes, put: Callable[[bytes], Path], at: int, value: bytes, message: str
) -> None:
    with pytest.raises(RollError, match=message):
        RollReader(put(lie(sound, at, value)))


def test_too_large_a_group_is_refused_at_the_door(sound: bytes, put: Callable[[bytes], Path]) -> None:
    data = lie(lie(sound, 12, u32(2**20)), 24, b"\x11")
    with pytest.raises(RollError, match="a group has at most 16777216 bytes"):
        RollReader(put(data))


@pytest.mark.parametrize(
    ("at", "value", "broken"),
    [
        (INDEX_AT + 4, None, [0]),  # the pointer of group 0 to the payload of group 3, sound and of the same shape
        (ENTRY_1, u32(250_001), [0, 1]),  # a start is the end of the group before
        (ENTRY_1 + 11, b"\x05", [1]),
        (ENTRY_1 + 12, u32(0), [1]),
        (HEAD_BYTES - 8, u32(1_000_001), [3]),
    ],
)
def test_an_entry_that_strays_under_a_sound_head_breaks_its_group(
    sound: bytes, put: Callable[[bytes], Path], at: int, value: bytes | None, broken: list[int]
) -> None:
    with RollReader(put(sound)) as reader:
        third = reader.groups[3]
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
    monkeypatch.setattr(codec, "encode_group", lambda *_, **__: bomb)
    with RollWriter(tmp_path / "bomb.roll", SHOW, groups=1) as writer:
        writer.add(0, 1_000, np.zeros((3, 10), np.uint8))
    tracemalloc.start()
    too_long = "group 0 is broken: the payload does not hold 3 frames of 10 bytes"
    with RollReader(tmp_path / "bomb.roll") as reader, pytest.raises(RollBroken, match=too_long):
        reader.group(0)
    top = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert top < 400_000


# ---- verify -----------------------------------------------------------------------------------------------------


def test_verify_names_every_broken_group(sound: bytes, put: Callable[[bytes], Path]) -> None:
    with RollReader(put(sound)) as reader:
        places = [reader.groups[number].payload_at for number in (0, 3)]
    damaged = bytearray(sound)
    for place in places:
        damaged[place + 3] ^= 0x10
    with RollReader(put(bytes(damaged))) as reader:
        assert reader.verify() == [f"group {number} is broken: its checksum does not match" for number in (0, 2, 3)]


def test_verify_names_a_sound_payload_that_does_not_decode(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(codec, "encode_group", lambda *_, **__: b"\xff\xff\x01\x00\xfe\xff\x00")
    with RollWriter(tmp_path / "a.roll", SHOW, groups=1) as writer:
        writer.add(0, 1_000, np.zeros((3, 10), np.uint8))
    with RollReader(tmp_path / "a.roll") as reader:
        assert reader.verify() == ["group 0 is broken: the payload is not deflate"]


def test_verify_names_bytes_that_belong_to_no_group(sound: bytes, put: Callable[[bytes], Path]) -> None:
    with RollReader(put(lie(sound + b"stowaway", 8, u32(len(sound) + 8)))) as reader:
        assert reader.verify() == [f"bytes after {len(sound)} belong to no group"]
        assert np.array_equal(reader.group(3), frames_of(3))
