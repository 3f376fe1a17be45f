"""Damaged and hostile rolls in C: refused, or the groups that need what is broken are dark and all others in time.

The program `harm` tries every case of a kind in one process, and stops at the first lit byte or time that is not that
of the whole roll. What is refused is section 13 of ROLL.md; which groups must be dark is worked out from the units'
places, and the reader in Python is asked where damage lies under checksums that fit.
"""

from __future__ import annotations

import subprocess
import zlib
from pathlib import Path

import numpy as np
import pytest
from c_damage import (
    DRAW_AT,
    HEAD_BYTES,
    INDEX_AT,
    NAMES_AT,
    SHOW,
    UNITS_AT,
    US,
    damaged,
    small_roll,
    u32,
    with_head_crc,
)
from c_kit import GCC, Made, compiled, jumping_roll, made_roll, play, quoting_roll, read, stored, strings_of, tide

from exporters import spec
from exporters.rollfile import RollHeader, RollReader
from exporters.spec import RollError, width

pytestmark = pytest.mark.skipif(GCC is None, reason="gcc is not installed: the C decoder is not compiled")

(OK, BUSY, END, FAILED_READ, NOT_A_ROLL, NO_VERSION, CUT_SHORT) = range(7)
(BAD_FIELD, BAD_STRING, BAD_DRAW, BAD_NAME, BAD_UNIT, BAD_GROUP, BAD_CRC, NO_MEMORY) = range(7, 15)


@pytest.fixture(scope="module")
def programs(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("c")
    return {name: compiled(folder, name) for name in ("harm", "play")}


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("roll") / "small.roll"
    path.write_bytes(small_roll())
    assert all(frames is not None for _, _, frames in read(path).values())
    return path


def harm(programs: dict[str, Path], kind: str, roll: Path, work: int) -> list[str]:
    """A line for each case; see the program."""
    words = [str(programs["harm"]), kind, str(roll), str(work)]
    done = subprocess.run(words, capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stderr
    return done.stdout.splitlines()


# ---- every bit, every length, every read ------------------------------------------------------------------------


@pytest.mark.parametrize("work", [0, 1, 40])
def test_every_flipped_bit_is_refused_or_darkens_the_groups_that_need_it_and_no_other(
    programs: dict[str, Path], small: Path, work: int
) -> None:
    with RollReader(small) as reader:
        payloads = [range(u.payload_at, u.payload_at + u.payload_bytes) for u in reader.units]
    needs = [(0,), (0, 1), (0,), (2,)]  # the units of each group
    lines = harm(programs, "flips", small, work)
    assert len(lines) == 8 * small.stat().st_size
    for bit, line in enumerate(lines):
        if bit < 8 * HEAD_BYTES:
            assert line.startswith("refused ")
        else:
            broken = [any(bit // 8 in payloads[unit] for unit in units) for units in needs]
            assert line == "played" + "".join(f" {n}{'d' if dark else 's'}" for n, dark in enumerate(broken))


@pytest.mark.parametrize("roll", ["small", "tide"])
def test_every_truncation_is_refused(programs: dict[str, Path], small: Path, tmp_path: Path, roll: str) -> None:
    path = small
    if roll == "tide":
        (path := tmp_path / "tide.roll").write_bytes(tide())
    lines = harm(programs, "cuts", path, 1)
    assert lines[:4] == [f"refused {NOT_A_ROLL}"] * 4
    assert set(lines[4:]) == {f"refused {CUT_SHORT}"}
    assert len(lines) == path.stat().st_size


def test_a_roll_that_has_grown_is_refused(programs: dict[str, Path], small: Path, tmp_path: Path) -> None:
    (tmp_path / "grown.roll").write_bytes(small.read_bytes() + b"\0")
    assert play(programs["play"], tmp_path / "grown.roll", 0, SHOW.frame_bytes).status == CUT_SHORT


@pytest.mark.parametrize("work", [0, 1, 40])
def test_reads_that_fail_leave_groups_dark_and_what_comes_later_whole(
    programs: dict[str, Path], small: Path, work: int
) -> None:
    """From the n-th read on, or the n-th alone. The program holds that nothing that is lit is wrong or late."""
    lines = harm(programs, "fails", small, work)
    whole, rest = lines[0], lines[1:]
    assert whole == "played 0s 1s 2s 3s"
    for_good, once = rest[: len(rest) // 2], rest[len(rest) // 2 :]
    assert for_good[0] == f"refused {FAILED_READ}"
    opening = for_good.index("played 0d 1d 2d 3d")
    assert set(for_good[:opening]) == {f"refused {FAILED_READ}"}
    assert all(line.startswith("played") and "d" in line[6:] for line in for_good[opening:])
    assert set(once[:opening]) == {f"refused {FAILED_READ}"}
    assert "played 0d 1s 2s 3s" in once  # group 1 needs unit 0, which is then read again
    # A read ahead that fails once is tried again when it is needed, so nothing may be dark; but never all.
    assert all(line.startswith("played") and "s" in line for line in once[opening:])


@pytest.mark.parametrize("work", [0, 1, 40])
def test_storage_that_reads_differently_the_second_time_lights_nothing_wrong(
    programs: dict[str, Path], small: Path, work: int
) -> None:
    lines = harm(programs, "twice", small, work)
    with RollReader(small) as reader:
        ends = [unit.payload_at + unit.payload_bytes for unit in reader.units]
    assert set(lines[HEAD_BYTES : ends[0]]) == {"played 0d 1d 2d 3s"}
    assert set(lines[ends[0] : ends[1]]) == {"played 0s 1d 2s 3s"}
    assert set(lines[ends[1] :]) == {"played 0s 1s 2s 3d"}


@pytest.mark.parametrize("work", [0, 3, 100])
@pytest.mark.parametrize("kind", ["flips", "fails", "twice"])
@pytest.mark.parametrize("roll", ["tide", "jumps", "quotes"])
def test_no_kind_of_harm_lights_a_wrong_byte_in_other_rolls(
    programs: dict[str, Path], tmp_path: Path, roll: str, kind: str, work: int
) -> None:
    """The roll of the page; and two whose play jumps into units that lean, from everywhere, one of them with quotes."""
    path = tmp_path / "a.roll"
    path.write_bytes({"tide": tide, "jumps": jumping_roll, "quotes": lambda: quoting_roll(2, 6, 12)}[roll]())
    lines = harm(programs, kind, path, work)
    told = {line.split()[0] for line in lines}
    assert told <= {"played", "refused"} and "played" in told and len(lines) > 50


# ---- heads that lie ---------------------------------------------------------------------------------------------


ENTRY_1 = INDEX_AT + width(spec.ENTRY)
UNIT_1 = UNITS_AT + width(spec.UNIT)
END_US = HEAD_BYTES - 12


@pytest.mark.parametrize(
    ("at", "value", "status"),
    [
        (0, b"r", NOT_A_ROLL),
        (4, b"\x01", NO_VERSION),
        (4, b"\x03", NO_VERSION),
        (5, b"\x0b", BAD_FIELD),
        (5, b"\x0e", BAD_FIELD),
        (6, b"\x00", BAD_FIELD),
        (6, b"\x21", BAD_FIELD),
        (7, b"\x21", BAD_FIELD),
        (8, b"\x41", BAD_FIELD),
        (9, b"\x00", BAD_FIELD),
        (9, b"\x07", BAD_FIELD),
        (10, b"\x05\0", BAD_FIELD),
        (10, b"\xff\xff", CUT_SHORT),
        (12, u32(5), CUT_SHORT),
        (16, u32(2), BAD_FIELD),
        (16, u32(2**20 + 1), BAD_FIELD),
        (16, u32(11), BAD_FIELD),
        (20, b"\0\0", BAD_FIELD),
        (20, b"\xff\xff", CUT_SHORT),
        (22, b"\0\0", BAD_FIELD),
        (22, b"\xff\xff", CUT_SHORT),
        (24, u32(0), BAD_FIELD),
        (24, u32(59), BAD_FIELD),
        (24, u32(61), BAD_FIELD),
        (24, u32(2**24 + 1), BAD_FIELD),
        (28, u32(5), BAD_FIELD),
        (28, u32(500), BAD_FIELD),
        (28, u32(2**24), BAD_FIELD),
        (68, b"\xff", BAD_STRING),
        (68, b"\x02", BAD_STRING),
        (69, b"\x10", BAD_STRING),
        (70, b"\0\0", BAD_STRING),
        (70, b"\x03\0", BAD_FIELD),
        (72, b"grbw", BAD_FIELD),
        (72, b"g\0rb", BAD_STRING),
        (72, b"grg\0", BAD_STRING),
        (72, b"grw\0", BAD_STRING),
        (72, b"\xff\xffrb", BAD_STRING),
        (72, b"GRB\0", BAD_STRING),
        (80, b"grbx", BAD_STRING),
        (DRAW_AT, b"\x20", BAD_DRAW),
        (DRAW_AT, b"\x02", BAD_DRAW),
        (DRAW_AT + 1, b"\x01", BAD_DRAW),
        (DRAW_AT + 2, b"\x02", BAD_DRAW),
        (DRAW_AT + 3, b"\x01", BAD_DRAW),
        (DRAW_AT + 3, b"\xff\xff", BAD_DRAW),
        (DRAW_AT + 5, b"\x00", BAD_DRAW),
        (DRAW_AT + 5, b"\x02", BAD_DRAW),
        (NAMES_AT, b"\x05", BAD_NAME),
        (NAMES_AT, b"\x03", BAD_NAME),
        (UNITS_AT - 5, b"\x03", BAD_NAME),
        (UNITS_AT - 5, b"\x05", BAD_NAME),
        (NAMES_AT + 1, b"\xff", BAD_NAME),
        (NAMES_AT + 1, b"\x1b", BAD_NAME),
        (NAMES_AT + 1, b"\x7f", BAD_NAME),
        (NAMES_AT + 1, b"\xc0\x80", BAD_NAME),  # RFC 3629: longer than it need be
        (NAMES_AT + 1, b"\xe0\x9f\xbf", BAD_NAME),
        (NAMES_AT + 1, b"\xed\xa0\x80", BAD_NAME),  # half of a pair
        (NAMES_AT + 1, b"\xf4\x90\x80\x80", BAD_NAME),  # beyond 10FFFF
        (NAMES_AT + 1, b"\xf0\x8f\xbf\xbf", BAD_NAME),
        (NAMES_AT + 1, b"aaa\xc3", BAD_NAME),  # cut off
        (NAMES_AT + 1, b"\x80", BAD_NAME),
        (NAMES_AT + 5, b"\x00\x08quayrail", BAD_NAME),
        (NAMES_AT + 23, b"rail", BAD_NAME),  # both strings have it
        (UNIT_1, u32(HEAD_BYTES - 1), BAD_UNIT),
        (UNIT_1, u32(2**32 - 1), BAD_UNIT),
        (UNIT_1 + 4, b"\xff\xff\xff", BAD_UNIT),
        (UNIT_1 + 4, b"\x05\0\0", BAD_FIELD),
        (UNIT_1 + 7, b"\x00", BAD_FIELD),
        (UNIT_1 + 8, b"\x02", BAD_UNIT),
        (UNIT_1 + 8, b"\x10", BAD_FIELD),
        (UNITS_AT + 8, b"\x01", BAD_UNIT),
        (UNIT_1 + 9, b"\x20", BAD_FIELD),
        (ENTRY_1, u32(0), BAD_GROUP),
        (ENTRY_1, u32(2 * US), BAD_GROUP),
        (ENTRY_1, u32(5), BAD_GROUP),
        (ENTRY_1 + 4, b"\x03\0", BAD_GROUP),
        (ENTRY_1 + 4, b"\xff\xff", BAD_GROUP),
        (ENTRY_1 + 6, b"\x01", BAD_GROUP),
        (ENTRY_1 + 6, b"\xff", BAD_GROUP),
        (ENTRY_1 + 7, b"\x00", BAD_GROUP),
        (ENTRY_1 + 7, b"\x07", BAD_GROUP),
        (END_US, u32(3 * US), BAD_GROUP),
        (END_US, u32(0), BAD_GROUP),
        (END_US, u32(2**32 - 1), BAD_GROUP),
    ],
)
def test_a_head_that_lies_under_a_sound_checksum_is_refused(
    programs: dict[str, Path], small: Path, tmp_path: Path, at: int, value: bytes, status: int
) -> None:
    sound = small.read_bytes()
    path = tmp_path / "lies.roll"
    path.write_bytes(with_head_crc(sound[:at] + value + sound[at + len(value) :]))
    assert play(programs["play"], path, 0, SHOW.frame_bytes).status == status
    with pytest.raises(RollError, match="."):
        RollReader(path)


@pytest.mark.parametrize("title", ["", "Tide", "é", "\u0800", "\ud7ff", "\ue000", "\uffff", "\U00010000", "\U0010ffff"])
def test_any_text_is_accepted_as_a_title(programs: dict[str, Path], tmp_path: Path, title: str) -> None:
    """The least and the greatest of each length in UTF-8, RFC 3629."""
    header = RollHeader(title, "quay", 0, "00" * 32, strings_of(7))
    path = tmp_path / "a.roll"
    path.write_bytes(made_roll(header, [Made(1, 0, spec.ROWS, stored(bytes(7)))], [(0, 0, 1)]))
    assert play(programs["play"], path, 0, 7).status == OK


def test_pages_that_do_not_meet_are_refused(programs: dict[str, Path], tmp_path: Path) -> None:
    path = tmp_path / "a.roll"
    data = made_roll(SHOW, [Made(1, 0, spec.ROWS, stored(bytes(10)))], [(0, 0, 1)] * 18)
    page = UNITS_AT + width(spec.UNIT)
    assert data[page + 128 : page + 132] == u32(16_000)
    path.write_bytes(data)
    assert play(programs["play"], path, 0, 10).status == OK
    changed = data[: page + 128] + u32(16_001)
    changed += u32(zlib.crc32(changed[page:]))
    changed += data[len(changed) : page + 160]
    path.write_bytes(changed + u32(zlib.crc32(changed)) + data[len(changed) + 4 :])
    assert play(programs["play"], path, 0, 10).status == BAD_GROUP


def test_a_page_that_does_not_match_its_checksum_is_refused(
    programs: dict[str, Path], small: Path, tmp_path: Path
) -> None:
    sound = small.read_bytes()
    body = sound[: HEAD_BYTES - 8] + u32(1)
    (tmp_path / "a.roll").write_bytes(body + u32(zlib.crc32(body)) + sound[HEAD_BYTES:])
    assert play(programs["play"], tmp_path / "a.roll", 0, 10).status == BAD_CRC


# ---- payloads that lie ------------------------------------------------------------------------------------------

ZEROS = bytes(59)
ENDING = b"\x00\x01\x00\xfe\xff\x00"


def bits(text: str) -> bytes:
    """RFC 1951, 3.1.1: bits fill a byte from its least significant one."""
    text = "".join(text.split())
    return bytes(int(text[at : at + 8][::-1], 2) for at in range(0, len(text), 8))


@pytest.mark.parametrize(
    ("payload", "sound"),
    [
        (stored(bytes(60)), True),
        (b"\x00\x00\x00\xff\xff" * 3 + stored(bytes(60)), True),  # empty blocks
        (b"\x01\x3b\x00\xc4\xff" + ZEROS + ENDING, False),  # a final block
        (b"\x00\x3b\x00\xc5\xff" + ZEROS + ENDING, False),  # a length whose complement is another
        (b"\x06" + ENDING, False),  # a block of no kind
        (b"\x00\x3c\x00\xc3\xff" + bytes(60), False),  # whole, but without the last block
        (b"\x00\x3b\x00\xc4\xff" + ZEROS + b"\x00\x01\x00\xfe\xff", False),  # cut short
        (b"\x00\x3b\x00\xc4\xff" + ZEROS + b"\x01\x01\x00\xfe\xff\x00", False),  # the last block is final
        (b"\x00\x3b\x00\xc4\xff" + ZEROS + ENDING + b"\x00", False),  # a byte after it
        (b"\x00\x3c\x00\xc3\xff" + bytes(60) + ENDING, False),  # one too many
        (b"\x00\x3a\x00\xc5\xff" + bytes(58) + ENDING, False),  # one too few
        # Fixed codes: literal 0, then 258 bytes from distance 1, which is more than there is room for.
        (bits("0 10 00110000 11000101 00000 0000000 0 00" + "0" * 7) + ENDING[1:], False),
        # Literal 0, 3 bytes from distance 1, and zeros; from distance 2, which is before the unit's first byte.
        (bits("0 10 00110000 0000001 00000 0000000 0 00") + b"\x37\0\xc8\xff" + bytes(55) + ENDING, True),
        (bits("0 10 00110000 0000001 00001 0000000 0 00") + b"\x37\0\xc8\xff" + bytes(55) + ENDING, False),
        # Symbols 286 of the lengths and 30 of the distances, which have no meaning.
        (bits("0 10 11000110 00000 0000000 0 00" + "0" * 6) + ENDING[1:], False),
        (bits("0 10 00110000 0000001 11110 0000000 0 00") + ENDING[1:], False),
        # Own codes: 287 lengths; 31 distances; a repeat before any length; codes that are too many.
        (bits("0 01 01111 00000 0000" + "0" * 40) + ENDING[1:], False),
        (bits("0 01 00000 01111 0000" + "0" * 40) + ENDING[1:], False),
        (bits("0 01 00000 00000 0000 100 000 000 100 1" + "0" * 40) + ENDING[1:], False),
        (bits("0 01 00000 00000 0000 100 100 100 100" + "0" * 40) + ENDING[1:], False),
        # Own codes: 138 lengths of none, sixty times, where 258 are to be told.
        (bits("0 01 00000 00000 0000 000 100 100 000" + "1 1111111" * 60) + ENDING, False),
    ],
)
def test_a_payload_under_a_sound_checksum_is_shown_only_if_it_is_as_section_9_says(
    programs: dict[str, Path], tmp_path: Path, payload: bytes, sound: bool
) -> None:
    after = stored(bytes(range(1, 11)))
    data = made_roll(SHOW, [Made(6, 0, spec.ROWS, payload), Made(1, 0, spec.ROWS, after)], [(0, 0, 6), (1, 0, 1)])
    path = tmp_path / "a.roll"
    path.write_bytes(data)
    for work in (0, 1, 100):
        got = play(programs["play"], path, work, 10).shown
        assert (got[0][2] is not None) == sound
        assert got[1][2] is not None and got[1][:2] == (6_000, 7_000)


@pytest.mark.parametrize("window_bits", [12, 13])
def test_a_distance_may_be_as_long_as_the_window_and_no_longer(
    programs: dict[str, Path], tmp_path: Path, window_bits: int
) -> None:
    """Noise of one window, stored, then 3 bytes from as far back as it goes, or from one further, then zeros."""
    header = RollHeader("", "quay", 0, "00" * 32, strings_of(100))
    noise = np.random.default_rng(2).integers(1, 256, 1 << window_bits, np.uint8).tobytes()
    # RFC 1951, 3.2.5: 4,096 and 8,192 end the distances of symbols 23 and 25, one further begins those of 24 and 26.
    whole = f"{2 * window_bits - 1:05b}" + "1" * (window_bits - 2)
    further = f"{2 * window_bits:05b}" + "0" * (window_bits - 1)
    for distance, lead, sound in ((whole, b"", True), (further, b"\x07", False)):
        match = "0 10 0000001" + distance + "0000000 0 00"
        frames = -(-(len(lead + noise) + 3 + 1) // 100)
        fill = bytes(frames * 100 - len(lead + noise) - 3 - 1)
        payload = b"\0" + sized(lead + noise) + bits(match) + sized(fill) + ENDING
        made = Made(frames, 0, spec.ROWS, payload)
        path = tmp_path / "a.roll"
        path.write_bytes(made_roll(header, [made], [(0, 0, frames)], window_bits))
        shown = play(programs["play"], path, 64, 100).shown[0][2]
        assert (None if shown is None else shown.tobytes()) == (noise + noise[:3] + fill + b"\0" if sound else None)


def test_a_unit_that_stands_alone_may_not_point_back_into_the_one_before(
    programs: dict[str, Path], tmp_path: Path
) -> None:
    """The same payload is sound where it leans: literal 0, 3 bytes from distance 5, then zeros."""
    before = Made(6, 0, spec.ROWS, stored(bytes(range(1, 61))))
    payload = bits("0 10 00110000 0000001 00100 0 0000000 0 00") + sized(bytes(55)) + ENDING
    for depth, shown in ((1, bytes([0, 57, 58, 59] + [0] * 56)), (0, None)):
        path = tmp_path / "a.roll"
        path.write_bytes(made_roll(SHOW, [before, Made(6, depth, spec.ROWS, payload)], [(0, 0, 6), (1, 0, 6)]))
        for work in (0, 50):
            frames = play(programs["play"], path, work, 10).shown[1][2]
            assert (None if frames is None else frames.tobytes()) == shown


def test_a_unit_that_leans_may_point_to_the_first_byte_of_its_chain_and_not_before(
    programs: dict[str, Path], tmp_path: Path
) -> None:
    """Literal 0, 3 bytes from distance 61, the first one there is, or 62, then zeros."""
    before = Made(6, 0, spec.ROWS, stored(bytes(range(1, 61))))
    for extra, shown in (("0011", bytes([0, 1, 2, 3] + [0] * 56)), ("1011", None)):
        payload = bits(f"0 10 00110000 0000001 01011 {extra} 0000000 0 00") + sized(bytes(55)) + ENDING
        path = tmp_path / "a.roll"
        path.write_bytes(made_roll(SHOW, [before, Made(6, 1, spec.ROWS, payload)], [(0, 0, 6), (1, 0, 6)]))
        frames = play(programs["play"], path, 50, 10).shown[1][2]
        assert (None if frames is None else frames.tobytes()) == shown


def sized(body: bytes) -> bytes:
    """What follows the header of a stored block (RFC 1951, 3.2.4)."""
    return len(body).to_bytes(2, "little") + (len(body) ^ 0xFFFF).to_bytes(2, "little") + body


# ---- damage under checksums that fit ----------------------------------------------------------------------------


SEEDS = 240


def test_damage_under_sound_checksums_is_refused_by_both_readers_or_shown_alike(
    programs: dict[str, Path], tmp_path: Path
) -> None:
    path = tmp_path / "a.roll"
    refused = dark = shown = 0
    for seed in range(SEEDS):
        path.write_bytes(damaged(seed))
        try:
            whole = read(path)
        except RollError:
            assert play(programs["play"], path, 5, SHOW.frame_bytes).status != OK
            refused += 1
            continue
        with RollReader(path) as reader:
            frame_bytes = reader.header.frame_bytes
        got = play(programs["play"], path, 5, frame_bytes)
        assert got.status == OK
        for number, (start, end, frames) in got.shown.items():
            assert (start, end) == whole[number][:2]
            dark += frames is None
            if frames is not None:
                expected = whole[number][2]
                assert expected is not None and np.array_equal(frames, expected)
                shown += 1
    assert min(refused, dark, shown) > 30  # none of the three is a rumour
