"""The C decoder shows what the reader in Python shows, and what was worked by hand, however small its slices of work.

The outside truth: section 15 of ROLL.md and truth/roll_units.json, worked by hand from the page, and RFC 1951 as zlib
writes it. Compiled by gcc as C99 with all warnings and run under its address and undefined behaviour sanitizers.
"""

from __future__ import annotations

import json
import re
import subprocess
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from c_kit import (
    GCC,
    HOSTS,
    PLAYER,
    TRUTH,
    WARNINGS,
    Chain,
    Made,
    chained_roll,
    compiled,
    every_arrangement,
    jumping_roll,
    made_roll,
    play,
    quoting_roll,
    read,
    same,
    stored,
    strings_of,
    tide,
)

from exporters import spec
from exporters.rollfile import Draw, RollHeader, RollReader, RollWriter, StringSpec

pytestmark = pytest.mark.skipif(GCC is None, reason="gcc is not installed: the C decoder is not compiled")

SLICES = (0, 1, 7, 500, "share")
UNITS = json.loads((TRUTH / "roll_units.json").read_text(encoding="utf-8"))["units"]


def header_of(frame_bytes: int) -> RollHeader:
    return RollHeader("Tide", "quay", 1_000_000, "5a" * 32, strings_of(frame_bytes))


@pytest.fixture(scope="module")
def player(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The program `play`, which shows a roll on its standard output."""
    return compiled(tmp_path_factory.mktemp("c"), "play")


# ---- worked by hand ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("work", SLICES)
def test_the_roll_of_the_page_shows_the_frames_of_the_page_when_they_are_due(
    player: Path, tmp_path: Path, work: int | str
) -> None:
    (tmp_path / "tide.roll").write_bytes(tide())
    page = (PLAYER.parent.parent / "ROLL.md").read_text(encoding="utf-8").partition("## 15")[2]
    rows = re.findall(r"^\| (\d) \| (\d+) \| ([\d ,]+) \|$", page, re.MULTILINE)
    assert len(rows) == 14
    got = play(player, tmp_path / "tide.roll", work, 6)
    assert got.status == 0
    shown = []
    for number, (start, end, frames) in got.shown.items():
        assert frames is not None
        for i, frame in enumerate(frames):
            shown.append((number, start + i * (end - start) // len(frames), frame.tolist()))
    assert shown == [(int(group), int(due), [int(v) for v in re.findall(r"\d+", frame)]) for group, due, frame in rows]


NO_STRINGS_FOR = {5}  # no pixels of three and four letters make a frame of five bytes


def test_all_units_worked_by_hand_but_one_are_of_frames_that_strings_can_have() -> None:
    assert [u["name"] for u in UNITS if u["frame_bytes"] in NO_STRINGS_FOR] == [
        "pairs of values, step 1: the last tile is one byte wide"
    ]
    assert sum(u["shown"] == "broken" for u in UNITS) == 22


@pytest.mark.parametrize(
    "unit", [pytest.param(u, id=u["name"]) for u in UNITS if u["frame_bytes"] not in NO_STRINGS_FOR]
)
def test_units_worked_by_hand_show_what_they_should(player: Path, tmp_path: Path, unit: dict[str, Any]) -> None:
    frame_bytes, before = unit["frame_bytes"], unit["before"]
    alone = [] if before is None else [{"how": spec.ROWS, "frames": 1, "arranged": before, "shown": [before]}]
    chain = [*unit.get("leans_on", alone), unit]
    units = [Made(u["frames"], depth, u["how"], stored(bytes(u["arranged"]))) for depth, u in enumerate(chain)]
    units.append(Made(1, 0, spec.ROWS, stored(bytes(range(1, frame_bytes + 1)))))
    path = tmp_path / "a.roll"
    path.write_bytes(made_roll(header_of(frame_bytes), units, [(n, 0, made.frames) for n, made in enumerate(units)]))
    for order in ((), (len(chain) - 1, len(chain))):  # through its chain, and at once
        got = play(player, path, 3, frame_bytes, order)
        assert got.status == 0
        shown = {n: "broken" if frames is None else frames.tolist() for n, (_, _, frames) in got.shown.items()}
        expected = {n: u["shown"] for n, u in enumerate(chain)} | {len(chain): [list(range(1, frame_bytes + 1))]}
        assert shown == {n: expected[n] for n in shown} and {len(chain) - 1, len(chain)} <= set(shown)
        assert got.shown[len(chain)][0] == sum(made.frames for made in units[:-1]) * 1_000


# ---- against the reader in Python -------------------------------------------------------------------------------


@pytest.mark.parametrize("work", SLICES)
@pytest.mark.parametrize("frame_bytes", [3, 7, 64, 601])
def test_every_arrangement_and_kind_of_block_shows_what_was_arranged(
    player: Path, tmp_path: Path, frame_bytes: int, work: int | str
) -> None:
    data, frames = every_arrangement(header_of(frame_bytes))
    path = tmp_path / "a.roll"
    path.write_bytes(data)
    with RollReader(path) as reader:
        assert sorted(unit.how for unit in reader.units) == list(range(32))
        assert {unit.depth for unit in reader.units} == {0, 1, 2, 3}
    got = play(player, path, work, frame_bytes)
    assert np.array_equal(np.concatenate([shown for _, _, shown in got.shown.values() if shown is not None]), frames)
    assert same(got.shown, read(path))


@pytest.mark.parametrize("work", [0, 5, "share"])
def test_groups_entered_in_any_order_show_the_same(player: Path, tmp_path: Path, work: int | str) -> None:
    data, _ = every_arrangement(header_of(64))
    path = tmp_path / "a.roll"
    path.write_bytes(data)
    whole = read(path)
    order = np.random.default_rng(3).permutation(len(whole)).tolist()
    got = play(player, path, work, 64, order)
    assert list(got.shown) == order
    assert same(got.shown, whole)


def test_a_group_cued_while_another_is_being_made_ready_shows_the_same(player: Path, tmp_path: Path) -> None:
    """Given up at every step of its way: also between the units of a chain."""
    path = tmp_path / "a.roll"
    path.write_bytes(jumping_roll())
    whole = read(path)
    with RollReader(path) as reader:
        leaning = [n for n, group in enumerate(reader.groups) if group.unit % 3 == 2]
    for steps in range(1, 60):
        got = play(player, path, 0, 7, [f"{leaning[0]},{steps},{n}" for n in range(len(whole))])
        assert same(got.shown, whole)


@pytest.mark.parametrize("roll", ["every arrangement", "jumps", "chains"])
def test_frames_that_are_left_out_are_counted_over(player: Path, tmp_path: Path, roll: str) -> None:
    """Within a group, at its end, and at the end of a unit that the next one counts on from."""
    path = tmp_path / "a.roll"
    rolls = {"every arrangement": every_arrangement(header_of(7))[0], "jumps": jumping_roll(), "chains": chained_roll()}
    path.write_bytes(rolls[roll])
    thirds = {n: (start, end, f if f is None else f[::3]) for n, (start, end, f) in read(path).items()}
    assert same(play(player, path, "skip", 7).shown, thirds)


@pytest.mark.parametrize("work", [0, 5, "share"])
@pytest.mark.parametrize("seed", range(6))
def test_rolls_whose_play_jumps_as_it_likes_show_the_same(
    player: Path, tmp_path: Path, seed: int, work: int | str
) -> None:
    """Also into units that lean, at any frame, which section 13 makes decoders accept."""
    rng = np.random.default_rng(seed)
    header, units, groups = header_of(40), [], []
    for number in range(7):
        if number % (4 if seed % 2 else 3) == 0:
            chain = Chain(40, 13)
        frames = rng.integers(0, 256, (int(rng.integers(1, 9)), 40), np.uint8)
        frames[:, 5:] = 3
        units.append(chain.add(frames, int(rng.integers(32))))
    for _ in range(60):
        unit = int(rng.integers(7))
        first = int(rng.integers(units[unit].frames))
        groups.append((unit, first, int(rng.integers(1, units[unit].frames - first + 1))))
    path = tmp_path / "a.roll"
    path.write_bytes(made_roll(header, units, groups, 13))
    whole = read(path)
    assert all(frames is not None for _, _, frames in whole.values())
    assert same(play(player, path, work, 40).shown, whole)


@pytest.mark.parametrize("frame_bytes", [6, 7, 10, 64, 301])
@pytest.mark.parametrize("seed", range(4))
def test_quotes_of_any_step_and_distance_show_the_same_wherever_a_chain_is_entered(
    player: Path, tmp_path: Path, seed: int, frame_bytes: int
) -> None:
    """From the first group to the last, cued in any order, and where play itself jumps into the middle of chains."""
    path = tmp_path / "a.roll"
    path.write_bytes(quoting_roll(seed, frame_bytes))
    whole = read(path)
    assert all(frames is not None for _, _, frames in whole.values())
    with RollReader(path) as reader:
        leaning = [(one.how, two.how) for one, two in pairwise(reader.units) if two.depth and two.how >= spec.QUOTES]
    assert {True, False} == {before >= spec.QUOTES or before == spec.ROWS for before, _ in leaning}
    for work in (0, 1, 40, "share"):
        assert same(play(player, path, work, frame_bytes).shown, whole)
        order = np.random.default_rng(seed).permutation(len(whole)).tolist()
        assert same(play(player, path, work, frame_bytes, order).shown, whole)
    path.write_bytes(quoting_roll(seed, frame_bytes, jumps=60))
    whole = read(path)
    for work in (0, 1, 40, "share"):
        assert same(play(player, path, work, frame_bytes).shown, whole)


@pytest.mark.parametrize(("pixels", "unit_bytes"), [(200, 34 << 10), (200, 1), (700, 34 << 10), (5, 34 << 10)])
def test_rolls_of_this_projects_writer_show_the_same(
    player: Path, tmp_path: Path, pixels: int, unit_bytes: int
) -> None:
    """Repeated bars, a pulse that goes round, noise; windows of both sizes, units of one group and of many."""
    header = RollHeader("Tide", "quay", 0, "00" * 32, (StringSpec("rail", 1, None, pixels, 3, "grb", "ws2812b"),))
    rng = np.random.default_rng(5)
    path = tmp_path / "a.roll"
    with RollWriter(path, header, groups=40, unit_bytes=unit_bytes) as writer:
        for group in range(40):
            frames = np.zeros((12, pixels * 3), np.uint8)
            bar = group % 8 if group < 24 else group
            for frame in range(12):
                at = (bar * 12 + frame) * 3 % (pixels * 3 - 3)
                frames[frame, at : at + 30] = np.arange(30)[: pixels * 3 - at] * 8
                if bar >= 30:
                    frames[frame] |= rng.integers(0, 256, pixels * 3, np.uint8)
            writer.add(group * 500_000, (group + 1) * 500_000, frames)
    whole = read(path)
    for work in ("share", 0, 50):
        assert same(play(player, path, work, pixels * 3).shown, whole)


@pytest.mark.parametrize("board", ["quay", "deck"])
def test_a_baked_show_shows_the_same(player: Path, baked: Path, board: str) -> None:
    (path,) = (baked / "out" / board).glob("*.roll")
    with RollReader(path) as reader:
        frame_bytes, most, tables = reader.header.frame_bytes, reader.stats.most_unit_bytes, len(reader.header.draws)
        window = 1 << reader._head.window_bits
        strings, supplies = len(reader.header.strings), len(reader.header.allotments)
    got = play(player, path, "share", frame_bytes)
    assert same(got.shown, read(path))
    # Two units, two frames, the window; 28 bytes a string and a draw, 4 a supply.
    assert got.needs == 2 * (most + frame_bytes) + window + 28 * (strings + tables) + 4 * supplies


DEMO = sorted((PLAYER.parents[2] / "demo_show" / "out").glob("*/*.roll"))


@pytest.mark.skipif(not DEMO, reason="the demo is not baked: glowscore bake demo_show")
@pytest.mark.parametrize("work", ["share", 100])
def test_the_rolls_of_the_demo_show_the_same(player: Path, work: int | str) -> None:
    for path in DEMO:
        with RollReader(path) as reader:
            frame_bytes = reader.header.frame_bytes
        assert same(play(player, path, work, frame_bytes).shown, read(path))


# ---- the library ------------------------------------------------------------------------------------------------


def test_roll_c_takes_nothing_of_a_library_but_three_functions(tmp_path: Path) -> None:
    subprocess.run(["gcc", "-std=c99", "-Os", "-c", f"{PLAYER}/roll.c", "-o", f"{tmp_path}/roll.o"], check=True)
    listed = subprocess.run(["nm", "-u", f"{tmp_path}/roll.o"], check=True, capture_output=True, text=True).stdout
    wanted = {line.split()[-1] for line in listed.splitlines()}
    assert "memcmp" in wanted
    assert wanted <= {"memcmp", "memcpy", "memset", "_GLOBAL_OFFSET_TABLE_", "__stack_chk_fail"}


def test_the_header_stands_alone_and_can_be_read_by_cpp(tmp_path: Path) -> None:
    (tmp_path / "alone.c").write_text('#include "roll.h"\n', encoding="utf-8")
    command = ["gcc", *WARNINGS, f"-I{PLAYER}", "-fsyntax-only", str(tmp_path / "alone.c")]
    assert subprocess.run(command, capture_output=True).returncode == 0


def test_the_example_in_the_header_can_be_compiled_as_it_stands(tmp_path: Path) -> None:
    comment = (PLAYER / "roll.h").read_text(encoding="utf-8").partition("What it promises")[0]
    lines = re.findall(r"^ \*     (.*)$", comment, re.MULTILINE)
    declared: list[str] = []
    code: list[str] = []
    for line in lines:
        (declared if line.startswith("static") else code).append(line)
    around = ["#include <stddef.h>", '#include "roll.h"', "static void *ctx; static uint32_t file_bytes;"]
    around += [
        "void stay_dark(void); void go_dark(void); void wait_until(uint32_t us); void send(const uint8_t *frame);"
    ]
    source = "\n".join([*around, *declared, "int main(void) {", *code, "return 0; }"])
    source = source.replace("uint32_t n);", "uint32_t n) { (void)ctx; (void)at; (void)to; return n != 0; }", 1)
    (tmp_path / "example.c").write_text(source + "\n", encoding="utf-8")
    flags = [flag for flag in WARNINGS if flag != "-Wpedantic"]
    command = ["gcc", *flags, f"-I{PLAYER}", "-fsyntax-only", str(tmp_path / "example.c")]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr + source
    assert "roll_share" in source


@pytest.mark.parametrize("piece", [1, 2, 5, 4096])
def test_pieces_of_any_size_show_the_same(tmp_path: Path, piece: int) -> None:
    program = compiled(tmp_path, "play", f"-DROLL_PIECE={piece}")
    data, _ = every_arrangement(header_of(64))
    (tmp_path / "a.roll").write_bytes(data)
    assert same(play(program, tmp_path / "a.roll", 9, 64).shown, read(tmp_path / "a.roll"))


# ---- time, names, the second net --------------------------------------------------------------------------------

ASKED = RollHeader(
    "Ebbe über Nacht",
    "quay",
    2_000_000,
    "5a" * 32,
    (
        StringSpec("rail", 16, None, 2, 3, "grb", "ws2812b"),
        StringSpec("lämp", 2, 3, 2, 4, "grbw", "sk6812-rgbw"),
        StringSpec("mast", 4, None, 1, 3, "rgb", "gs8208"),
    ),
    (("shed", 100), ("boat", 4_000_000)),
    (
        Draw("rail", "shed", 0, 2, 1_000, 20_000),
        Draw("lämp", "shed", 1, 1, 500, 16_000, "max"),
        Draw("mast", "boat", 0, 1, 0, 12_000),
    ),
)


@pytest.fixture(scope="module")
def asked(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """The program `ask`, and a roll of 40 groups from 1 s on, of 3 to 42 frames in a time that they do not divide."""
    folder = tmp_path_factory.mktemp("ask")
    path = folder / "ask.roll"
    with RollWriter(path, ASKED, groups=40) as writer:
        us = 1_000_000
        for group in range(40):
            frames = np.zeros((3 + group, ASKED.frame_bytes), np.uint8)
            writer.add(us, us + 100_003 + group, frames)
            us += 100_003 + group
    return compiled(folder, "ask"), path


def ask(asked: tuple[Path, Path], verb: str, *words: object) -> list[str]:
    command = [str(asked[0]), str(asked[1]), verb, *map(str, words)]
    return subprocess.run(command, check=True, capture_output=True, timeout=60).stdout.decode().splitlines()


def test_the_group_and_frame_at_any_time_are_those_of_the_reader(asked: tuple[Path, Path]) -> None:
    with RollReader(asked[1]) as reader:
        edges = [us for number in range(len(reader)) for us in reader.frame_times_us(number).tolist()]
        edges.append(reader.groups[-1].end_us)
        times = [us + off for us in edges for off in (-1, 0, 1)] + [0, 2**32 - 1]
        expected = [reader.seek(us) for us in times]
    got = ask(asked, "find", *times)
    first = min(edges)
    for us, line, place in zip(times, got, expected, strict=True):
        if us < first:
            assert line == "before 0"
        else:
            assert line == ("end" if place is None else f"{place[0]} {place[1]}")


def test_every_frame_is_due_when_the_reader_says(asked: tuple[Path, Path]) -> None:
    with RollReader(asked[1]) as reader:
        expected = [" ".join(map(str, reader.frame_times_us(number))) for number in range(len(reader))]
    assert ask(asked, "due") == expected


def test_names_come_as_they_stand_and_are_cut_to_the_room_there_is(asked: tuple[Path, Path]) -> None:
    names = ["Ebbe über Nacht", "quay", "rail", "ws2812b", "lämp", "sk6812-rgbw", "mast", "gs8208", "shed", "boat"]
    assert ask(asked, "names", 64) == names
    assert ask(asked, "names", 4) == [name.encode()[:3].decode() for name in names]


def frame_of(rail: list[int], lamp: list[int], mast: list[int]) -> list[int]:
    return [*rail, *lamp, *mast]


@pytest.mark.parametrize(
    ("frame", "level"),
    [
        # Section 5: the rail 2 x 1,000 uA and 20,000 x S / 255, the lamp's second pixel 500 and 16,000 x largest / 255.
        (frame_of([0] * 6, [0] * 8, [0] * 3), 256),
        (frame_of([255, 255, 255, 255, 0, 0], [255] * 4 + [0] * 4, [255] * 3), 256),  # 82,500 of 100,000 uA
        # 2,000 + 80,000 + 500 + floor(16,000 x 255 / 255) = 98,500; one byte more of 19 adds 1,490: 99,990
        (frame_of([255, 255, 255, 255, 19, 0], [0] * 4 + [255, 255, 0, 0], [0] * 3), 256),
        # 20 adds 1,568: 100,068, too much. (100,000 - 2,500) x 256 / (97,568 + 2) = 255.8
        (frame_of([255, 255, 255, 255, 20, 0], [0] * 4 + [255, 255, 0, 0], [0] * 3), 255),
        # Everything: 2,500 idle, 120,000 + 16,000 of light. 97,500 x 256 / 136,002 = 183.5
        (frame_of([255] * 6, [255] * 8, [255] * 3), 183),
    ],
)
def test_the_second_net_dims_a_frame_that_draws_more_than_a_supply_may_give(
    asked: tuple[Path, Path], frame: list[int], level: int
) -> None:
    assert ask(asked, "level", *frame) == [str(level), " ".join(str(byte * level // 256) for byte in frame)]


def test_a_supply_that_the_dark_pixels_alone_exceed_leaves_no_light(tmp_path: Path, asked: tuple[Path, Path]) -> None:
    header = RollHeader(
        "",
        "quay",
        0,
        "00" * 32,
        ASKED.strings,
        (("shed", 1), ("boat", 0)),
        (Draw("rail", "shed", 0, 2, 1_000, 20_000),),
    )
    with RollWriter(tmp_path / "a.roll", header, groups=1) as writer:
        writer.add(0, 1_000, np.zeros((1, header.frame_bytes), np.uint8))
    got = ask((asked[0], tmp_path / "a.roll"), "level", *[9] * header.frame_bytes)
    assert got == ["0", " ".join(["0"] * header.frame_bytes)]


@pytest.mark.parametrize("seed", range(5))
def test_what_is_left_after_dimming_stays_within_every_supply(
    tmp_path: Path, asked: tuple[Path, Path], seed: int
) -> None:
    """Section 5.4 worked in Python's unbounded integers. Up to 60 A on boards that may draw a random share of it."""
    rng = np.random.default_rng(seed)
    strings = (
        StringSpec("rail", 1, None, 600, 3, "grb", "ws2812b"),
        StringSpec("mast", 2, None, 300, 4, "grbw", "sk6812-rgbw"),
    )
    draws = (
        Draw("rail", "shed", 0, 300, 1_000, int(rng.integers(1, 20_000))),
        Draw("rail", "boat", 300, 300, 900, int(rng.integers(1, 20_000)), "max"),
        Draw("mast", "shed", 0, 300, 700, int(rng.integers(1, 20_000))),
    )
    allotted = (("shed", int(rng.integers(600, 20_000))), ("boat", int(rng.integers(300, 6_000))))
    header = RollHeader("", "quay", 0, "00" * 32, strings, allotted, draws)
    with RollWriter(tmp_path / "a.roll", header, groups=1) as writer:
        writer.add(0, 1_000, np.zeros((1, header.frame_bytes), np.uint8))
    frame = rng.integers(0, 256, header.frame_bytes, np.uint8)
    line, dimmed = ask((asked[0], tmp_path / "a.roll"), "level", *frame.tolist())
    after = np.array(dimmed.split(), np.int64)

    def draw_ua(frame: np.ndarray, supply: str) -> int:
        total = 0
        for draw in draws:
            if draw.supply == supply:
                at = header.byte_slices[draw.string]
                channels = 3 if draw.string == "rail" else 4
                run = frame[at].reshape(-1, channels)[draw.first_pixel : draw.first_pixel + draw.pixels]
                light = int(run.sum() if draw.law == "sum" else run.max(axis=1).sum())
                total += draw.pixels * draw.idle_ua + light * draw.channel_ua // 255
        return total

    over = [draw_ua(frame.astype(np.int64), supply) > 1_000 * most for supply, most in allotted]
    assert (int(line) < 256) == any(over)
    for supply, most in allotted:
        assert draw_ua(after, supply) <= 1_000 * most
    assert int(line) == 256 or int(line) > 0


def test_the_programs_of_these_tests_are_compiled_with_all_warnings_too() -> None:
    assert sorted(path.name for path in HOSTS.glob("*.c")) == ["ask.c", "fuzz.c", "harm.c", "play.c"]
