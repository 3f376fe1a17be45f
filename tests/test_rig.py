"""The rig: chips and boards as data, wire time, feeds, places, zones, and every fault of a rig file."""

from __future__ import annotations

import dataclasses
import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rooms_kit import SMALL_RIG, rig_of

from composer.faults import Faults
from composer.rig import Board, Chip, Rig, along, awg_mm2, boards, chips, load_rig

CHIP_NAMES = ("ws2812b", "ws2812b-v5", "ws2813", "ws2815", "sk6812", "sk6812-rgbw", "ws2811-12v", "apa102")
BOARD_NAMES = ("pico", "pico-w", "pico-2", "esp32", "esp32-s3")

HEAD = """
[supply.shed]
volts = 5.0
amps = 10.0
[supply.boat]
volts = 12.0
amps = 5.0
[controller.quay]
board = "pico"
"""
FEED = """
[[string.rail.feed]]
supply = "shed"
"""


def rail(keys: str = "", feed: str = FEED, after: str = "", pixels: int = 20, head: str = HEAD) -> str:
    """A rig of one string, `rail`, with more keys in its table and more text behind it."""
    return f'{head}[string.rail]\ncontroller = "quay"\npin = 16\npixels = {pixels}\n{keys}\n{feed}\n{after}'


def strings(board: str, sizes: list[int], chip: str = "ws2812b", volts: float = 5.0) -> Rig:
    """A rig of one board with strings of so many pixels."""
    pins = sorted(boards()[board].pins)
    text = f'[supply.shed]\nvolts = {volts}\namps = 100.0\n[controller.quay]\nboard = "{board}"\n'
    for i, pixels in enumerate(sizes):
        text += f'[string.s{i}]\ncontroller = "quay"\npin = {pins[2 * i]}\npixels = {pixels}\nchip = "{chip}"\n'
        text += f"clock_pin = {pins[2 * i + 1]}\n" if chips()[chip].clocked else ""
        text += f'[[string.s{i}.feed]]\nsupply = "shed"\n'
    return rig_of(text)


# ---- the tables of chips and boards ----


def test_the_tables_hold_the_chips_and_boards_that_are_promised() -> None:
    assert tuple(chips()) == CHIP_NAMES
    assert tuple(boards()) == BOARD_NAMES


@pytest.mark.parametrize("row", [*chips().values(), *boards().values()], ids=lambda row: row.name)
def test_every_value_of_every_row_says_where_it_was_read(row: Chip | Board) -> None:
    defaults = {f.name for f in dataclasses.fields(row) if f.default is not dataclasses.MISSING}
    wanted = {f.name for f in dataclasses.fields(row)} - {"name", "source"}
    assert wanted - defaults <= set(row.source) <= wanted
    assert all(len(source) > 3 for source in row.source.values())


@pytest.mark.parametrize("chip", chips().values(), ids=lambda chip: chip.name)
def test_every_chip_row_is_in_order(chip: Chip) -> None:
    assert sorted(chip.order) in (sorted("rgb"), sorted("rgbw"))
    assert chip.bits >= 8 * chip.channels
    assert chip.min_v < chip.volts <= chip.max_v
    assert 0 < chip.idle_ma[0] <= chip.idle_ma[1] < chip.channel_ma[0] <= chip.channel_ma[1]
    assert chip.law in ("sum", "max")
    assert chip.lens >= 1


# Datasheets, read in copies: see the sources in chips.toml. (order, bits a pixel, bit time us, shortest reset us)
#   WS2812B V1.0 (2016): G R B, 24 bit, TH+TL = 1.25 us, reset above 50 us; later silicon above 280 us
#   WS2813 manual p.5-6: TH+TL = 1.25 us, reset >= 300 us
#   SK6812 (as ESP-IDF's led_strip quotes it): 0.3 + 0.9 us and 0.6 + 0.6 us, G R B, reset 80 us; RGBW Rev 01: 32 bit
#   APA102: LED frame 111 + 5 bits, then B, G, R; clock 0.8-1.2 MHz; no reset
@pytest.mark.parametrize(
    ("name", "order", "bits", "bit_us", "reset_us"),
    [
        ("ws2812b", "grb", 24, 1.25, 50),
        ("ws2812b-v5", "grb", 24, 1.25, 280),
        ("ws2813", "grb", 24, 1.25, 300),
        ("sk6812", "grb", 24, 1.2, 80),
        ("sk6812-rgbw", "grbw", 32, 1.2, 80),
        ("apa102", "bgr", 32, 1 / 1.2, 0),
    ],
)
def test_chips_agree_with_their_datasheets(name: str, order: str, bits: int, bit_us: float, reset_us: float) -> None:
    chip = chips()[name]
    assert (chip.order, chip.bits) == (order, bits)
    assert bit_us <= chip.bit_us <= bit_us * 1.25
    assert chip.reset_us >= reset_us


# T0H, T1H in microseconds and how far each may be off, from the same datasheets; high speed WS2811 halves slow times.
@pytest.mark.parametrize(
    ("name", "low", "high"),
    [
        ("ws2812b", (0.25, 0.65), (0.55, 0.95)),  # 0.4 and 0.8 us, +-150 ns
        ("ws2813", (0.3, 0.75), (0.45, 1.0)),
        ("sk6812", (0.15, 0.45), (0.45, 0.75)),  # 0.3 and 0.6 us, +-150 ns
        ("sk6812-rgbw", (0.15, 0.45), (0.45, 0.75)),
        ("ws2811-12v", (0.175, 0.525), (0.325, 0.675)),  # halves of 0.5 and 1.2 us, +-150 ns
    ],
)
def test_bits_are_as_long_as_their_datasheets_say(
    name: str, low: tuple[float, float], high: tuple[float, float]
) -> None:
    chip = chips()[name]
    assert low[0] <= chip.high_us[0] <= high[0]
    assert low[1] <= chip.high_us[1] <= high[1]
    assert chip.high_us[0] < chip.high_us[1] < chip.bit_us


def test_a_clocked_chip_has_no_bit_shape() -> None:
    assert chips()["apa102"].high_us == (0.0, 0.0)
    assert chips()["apa102"].bit_ns == (0, 0, 0, 0)


def test_the_four_times_of_a_bit_are_those_of_the_datasheet() -> None:
    # Worldsemi WS2812B datasheet, data transfer time: T0H 0.40, T0L 0.85, T1H 0.80, T1L 0.45 us.
    assert chips()["ws2812b"].bit_ns == (400, 850, 800, 450)


# ---- a board's own pins ----

BOARD_KEYS = 'start = "button"\nbutton_pin = 14\npulse_out_pin = 15\nled_pin = 25\n'


def test_a_board_knows_its_button_pulse_and_light() -> None:
    board = rig_of(SMALL_RIG.replace("[controller.quay]\n", "[controller.quay]\n" + BOARD_KEYS)).controllers["quay"]
    assert (board.start, board.button_pin, board.pulse_out_pin, board.led_pin) == ("button", 14, 15, 25)
    assert board.pulse_in_pin is None


@pytest.mark.parametrize(
    ("lines", "told"),
    [
        ('start = "buton"', "button"),
        ('start = "button"', '"button" needs a button_pin'),
        ("button_pin = 23", "pico has no pin 23 to use"),
        ("button_pin = 14\npulse_in_pin = 14", "pin 14 is already its button_pin"),
    ],
)
def test_faults_of_a_boards_own_pins(lines: str, told: str) -> None:
    with pytest.raises(Faults, match=told):
        rig_of(SMALL_RIG.replace("[controller.quay]\n", f"[controller.quay]\n{lines}\n"))


def test_a_string_cannot_take_the_buttons_pin() -> None:
    pin = next(iter(rig_of(SMALL_RIG).strings.values())).pin
    with pytest.raises(Faults, match=rf'pin {pin} of "quay" already drives "quay.button_pin"'):
        rig_of(SMALL_RIG.replace("[controller.quay]\n", f"[controller.quay]\nbutton_pin = {pin}\n"))


@pytest.mark.parametrize(("text", "minutes"), [("22:00-07:00", (1320, 420)), ("0:30 - 5:05", (30, 305))])
def test_quiet_hours_are_minutes_after_midnight(text: str, minutes: tuple[int, int]) -> None:
    assert rig_of(f'[quiet]\nhours = "{text}"\n' + SMALL_RIG.replace("format = 1\n", "", 1)).quiet_hours == minutes


@pytest.mark.parametrize("text", ["22-7", "24:00-07:00", "22:00", "07:00-07:00"])
def test_hours_that_are_none_are_a_fault(text: str) -> None:
    with pytest.raises(Faults, match="quiet.hours"):
        rig_of(f'[quiet]\nhours = "{text}"\n' + SMALL_RIG.replace("format = 1\n", "", 1))


def test_hours_without_quotes_are_one_fault() -> None:
    with pytest.raises(Faults) as found:
        rig_of("[quiet]\nhours = 22\n" + SMALL_RIG.replace("format = 1\n", "", 1))
    assert [fault.what for fault in found.value.faults] == ["needs text in quotes, got the number 22"]


def test_a_misspelt_chip_is_one_fault() -> None:
    with pytest.raises(Faults) as found:
        rig_of(
            SMALL_RIG.replace("pin = ", 'clock_pin = 9\nchip = "apa103"\npin = ', 1).replace(
                'chip = "ws2812b"\n', "", 1
            )
        )
    assert len(found.value.faults) == 1


# ---- wire time ----


@pytest.mark.parametrize("board", BOARD_NAMES)
@pytest.mark.parametrize("chip", CHIP_NAMES)
def test_wire_time_of_every_chip_on_every_board_is_bits_by_bit_time_and_one_reset(board: str, chip: str) -> None:
    row = chips()[chip]
    rig = strings(board, [90], chip, row.volts)
    overhead = 32 + 45 if chip == "apa102" else 0  # start frame; half a clock a pixel behind the frames
    assert rig.wire_us("quay") == pytest.approx((90 * row.bits + overhead) * row.bit_us + row.reset_us)


# bits x bit time + reset, for 24 bits of 1.25 us: 100 pixels 3.300 ms with a reset of 300 us, and so on.
@pytest.mark.parametrize(("pixels", "ms"), [(100, 3.300), (300, 9.300), (600, 18.300), (1000, 30.300), (1024, 31.020)])
def test_wire_time_of_rgb_strings(pixels: int, ms: float) -> None:
    assert strings("pico", [pixels]).wire_us("quay") == pytest.approx(1000 * ms)


@pytest.mark.parametrize(("pixels", "ms"), [(100, 4.300), (300, 12.300), (600, 24.300)])
def test_wire_time_of_rgbw_strings_is_a_third_longer(pixels: int, ms: float) -> None:
    assert strings("pico", [pixels], "sk6812-rgbw").wire_us("quay") == pytest.approx(1000 * ms)


def test_1024_pixels_keep_30_frames_a_second_as_the_datasheet_says() -> None:
    # WS2812B datasheet: "when the refresh rate is 30 fps, cascade number not less than 1024 points".
    assert strings("pico", [1024]).wire_us("quay") <= 1e6 / 30
    assert strings("pico", [1024]).wire_us("quay") >= 0.9 * 1e6 / 30  # and the line is not far from the limit


@pytest.mark.parametrize(
    ("board", "at_once"), [("pico", 8), ("pico-w", 7), ("pico-2", 12), ("esp32", 1), ("esp32-s3", 1)]
)
def test_strings_wait_for_their_batch_which_lasts_as_long_as_its_slowest(board: str, at_once: int) -> None:
    # RP2040 datasheet: 2 PIO blocks of 4 state machines; RP2350: 3 of 4. MicroPython's bitstream sends one pin.
    sizes = [100] * (at_once - 1) + [150] + [40]
    one_batch, two_batches = strings(board, sizes[:-1]), strings(board, sizes)
    assert one_batch.wire_us("quay") == pytest.approx(150 * 30 + 300)
    assert two_batches.wire_us("quay") == pytest.approx((150 + 40) * 30 + 300)


def test_mixed_chips_go_out_together_and_rest_for_the_longest_reset() -> None:
    text = rail(after='[string.mast]\ncontroller = "quay"\npin = 17\nclock_pin = 18\npixels = 10\nchip = "apa102"\n')
    rig = rig_of(text + '[[string.mast.feed]]\nsupply = "shed"\n')
    assert rig.wire_us("quay") == pytest.approx(max(20 * 30, 10 * 32 + 32 + 5) + 300)


def test_a_boards_share_for_decoding_counts_by_the_byte() -> None:
    rig = strings("pico", [100, 50])
    assert rig.frame_us("quay") == pytest.approx(100 * 30 + 300 + 450 * boards()["pico"].decode_us_per_byte)
    assert rig.shortest_frame_us == math.ceil(rig.frame_us("quay"))


def test_the_slowest_controller_sets_the_pace() -> None:
    text = (
        rail(pixels=10)
        + """
    [controller.boat]
    board = "esp32"
    [string.mast]
    controller = "boat"
    pin = 4
    pixels = 300
    [[string.mast.feed]]
    supply = "shed"
    """
    )
    rig = rig_of(text)
    assert rig.shortest_frame_us == math.ceil(rig.frame_us("boat")) > rig.frame_us("quay")


# ---- slices ----


def test_bytes_and_pixels_lie_controller_by_controller_in_the_order_of_the_file() -> None:
    rig = rig_of("""
    [supply.shed]
    volts = 5.0
    amps = 10.0
    [controller.boat]
    board = "pico"
    [controller.quay]
    board = "pico"
    [string.rail]
    controller = "quay"
    pin = 1
    pixels = 5
    [[string.rail.feed]]
    supply = "shed"
    [string.mast]
    controller = "boat"
    pin = 1
    pixels = 3
    chip = "sk6812-rgbw"
    [[string.mast.feed]]
    supply = "shed"
    [string.hull]
    controller = "quay"
    pin = 2
    pixels = 2
    [[string.hull.feed]]
    supply = "shed"
    """)
    assert list(rig.strings) == ["mast", "rail", "hull"]
    assert rig.pixel_slices == {"mast": slice(0, 3), "rail": slice(3, 8), "hull": slice(8, 10)}
    assert rig.byte_slices == {"mast": slice(0, 12), "rail": slice(12, 27), "hull": slice(27, 33)}
    assert rig.controller_slices == {"boat": slice(0, 12), "quay": slice(12, 33)}
    assert (rig.pixels, rig.frame_bytes) == (10, 33)
    assert rig.zones["rail"].pixels == (3, 4, 5, 6, 7)


# ---- copper ----


# Cross-sections by ASTM B258 as wire tables print them (Cirris; NEC Chapter 9 Table 8: 18 AWG 0.823 mm2, 12 AWG 3.31).
@pytest.mark.parametrize(
    ("awg", "mm2"),
    [(12, 3.31), (14, 2.08), (16, 1.31), (18, 0.823), (20, 0.518), (22, 0.326), (24, 0.205), (26, 0.129)],
)
def test_awg_to_mm2(awg: int, mm2: float) -> None:
    assert awg_mm2(awg) == pytest.approx(mm2, rel=4e-3)


def test_a_wire_is_given_by_awg_or_by_cross_section() -> None:
    feeds = """
    [[string.rail.feed]]
    supply = "shed"
    wire = {awg = 16, metres = 2.5}
    fuse = 5
    [[string.rail.feed]]
    at = "end"
    supply = "shed"
    wire = {mm2 = 1.5, metres = 9}
    """
    start, end = rig_of(rail(feed=feeds)).strings["rail"].feeds
    assert start.wire is not None and end.wire is not None
    assert (start.wire.awg, start.wire.mm2, start.wire.metres, start.fuse_a) == (16, awg_mm2(16), 2.5, 5.0)
    assert (end.wire.awg, end.wire.mm2, end.wire.metres, end.fuse_a) == (None, 1.5, 9.0, None)


def test_feeds_are_named_by_their_place_and_sorted_along_the_string() -> None:
    places = "".join(f'[[string.rail.feed]]\nat = {at}\nsupply = "shed"\n' for at in ('"end"', "7", '"start"'))
    rig = rig_of(rail(feed=places))
    assert list(rig.feeds) == ["rail@start", "rail@7", "rail@end"]
    assert [feed.at for feed in rig.feeds.values()] == [0, 7, 20]


def test_the_budget_is_the_usable_share_of_a_supply() -> None:
    rig = rig_of(rail())
    assert rig.supplies["shed"].budget_a == pytest.approx(8.0)  # 80 % unless said (practice)


def test_runs_between_cuts_have_a_supply_each() -> None:
    feeds = '[[string.rail.feed]]\nsupply = "shed"\n[[string.rail.feed]]\nat = 12\nsupply = "porch"\n'
    text = rail("cut = [12]", feeds, head=HEAD + "[supply.porch]\nvolts = 5.0\namps = 4.0\n")
    assert rig_of(text).strings["rail"].segments == ((0, 12, "shed"), (12, 20, "porch"))


# ---- places ----


def test_pixels_hang_evenly_along_a_path_from_its_first_point_to_its_last() -> None:
    # 4 m along, then 2 m up: 7 pixels, one a metre.
    rig = rig_of(rail("path = [[0, 0], [4, 0], [4, 2]]", pixels=7))
    expected = [(0, 0), (1, 0), (2, 0), (3, 0), (4, 0), (4, 1), (4, 2)]
    assert [pytest.approx(place) for place in expected] == list(rig.places)


def test_without_a_path_pixels_hang_in_a_row_at_30_a_metre() -> None:
    places = rig_of(rail(pixels=4)).places
    assert [pytest.approx((i / 30, 0.0)) for i in range(4)] == list(places)


def test_one_pixel_hangs_at_the_start_of_its_path() -> None:
    assert rig_of(rail("path = [[3, 1], [4, 1]]", pixels=1)).places == ((3.0, 1.0),)


_points = st.lists(st.tuples(st.floats(-9, 9), st.floats(-9, 9)), min_size=2, max_size=6)


@given(_points, st.integers(2, 60))
def test_places_along_a_line_start_and_end_with_it_and_never_jump(points: list[tuple[float, float]], n: int) -> None:
    places = along(points, n)
    total = sum(math.dist(a, b) for a, b in zip(points, points[1:], strict=False))
    assert len(places) == n
    assert places[0] == pytest.approx(points[0], abs=1e-6) and places[-1] == pytest.approx(points[-1], abs=1e-6)
    assert all(math.dist(a, b) <= total / (n - 1) + 1e-6 for a, b in zip(places, places[1:], strict=False))


def test_places_from_a_file(tmp_path: Path) -> None:
    (tmp_path / "rail.csv").write_text("x,y\n0,1.5\n\n0.25, 1.5\n1e-1,2,note\n", encoding="utf-8")
    rig = rig_of(rail('csv = "rail.csv"', pixels=3), tmp_path / "rig.toml")
    assert rig.places == ((0.0, 1.5), (0.25, 1.5), (0.1, 2.0))


@pytest.mark.parametrize(
    ("content", "line"),
    [
        (b"0,1\n", r'"rail\.csv" holds 1 places, the string has 3 pixels'),
        (b"0,1\n1,x\n2,0\n3,0\n", r'"rail\.csv" line 2: needs x,y in metres'),
        (b"0,1\n1\n2,0\n3,0\n", r'"rail\.csv" line 2: needs x,y in metres'),
        (b"0,1\n1,nan\n2,0\n", r'"rail\.csv" line 2: needs x,y in metres'),
        (b"0,1\n1,-1e308\n2,0\n", r'"rail\.csv" line 2: needs x,y in metres, at most 100000$'),
        (b"\xff\xfe0,1\n", r'"rail\.csv" cannot be read: not a text file'),
    ],
)
def test_a_file_of_places_that_does_not_fit_is_a_fault(tmp_path: Path, content: bytes, line: str) -> None:
    (tmp_path / "rail.csv").write_bytes(content)
    with pytest.raises(Faults, match=rf"string\.rail\.csv: {line}"):
        rig_of(rail('csv = "rail.csv"', pixels=3), tmp_path / "rig.toml")


def test_a_file_of_places_that_is_not_there_is_a_fault(tmp_path: Path) -> None:
    with pytest.raises(Faults, match=r'string\.rail\.csv: "rail\.csv" cannot be read: No such file or directory'):
        rig_of(rail('csv = "rail.csv"'), tmp_path / "rig.toml")


# ---- zones ----


def zones(text: str, keys: str = "") -> dict[str, tuple[int, ...]]:
    rig = rig_of(rail(keys, pixels=10, after=f"{MAST}[zone]\n{text}"))
    return {name: zone.pixels for name, zone in rig.zones.items()}


MAST = '[string.mast]\ncontroller = "quay"\npin = 17\npixels = 4\n[[string.mast.feed]]\nsupply = "shed"\n'


@pytest.mark.parametrize(
    ("parts", "pixels"),
    [
        ('["rail[0:3]"]', (0, 1, 2)),
        ('"rail[0:3]"', (0, 1, 2)),
        ('["rail[9]"]', (9,)),
        ('["rail[0:10:3]"]', (0, 3, 6, 9)),
        ('["rail[2:5] reversed"]', (4, 3, 2)),
        ('["mast reversed", "rail[0:2]"]', (13, 12, 11, 10, 0, 1)),
        ('[" rail [ 0 : 2 ] "]', (0, 1)),
        ('["inner[1:3]", "mast"]', (2, 4, 10, 11, 12, 13)),
        ('["inner reversed"]', (6, 4, 2, 0)),
    ],
)
def test_zones_are_made_of_parts_in_their_order(parts: str, pixels: tuple[int, ...]) -> None:
    assert zones(f'tried = {parts}\ninner = ["rail[0:7:2]"]')["tried"] == pixels


def test_every_string_is_a_zone_and_zones_nest_in_any_order_of_the_file() -> None:
    found = zones('outer = ["middle", "mast"]\nmiddle = ["inner reversed"]\ninner = ["rail[0:2]"]')
    assert list(found)[:2] == ["rail", "mast"]
    assert found["outer"] == (1, 0, 10, 11, 12, 13)


def test_skipped_pixels_are_left_out_of_zones_but_counted_in_slices() -> None:
    found = zones('left = ["rail[0:5]"]\ninner = ["left[2:5]"]', 'skip = [1, "3-4", "8,9"]')
    assert found["rail"] == (0, 2, 5, 6, 7)
    assert found["left"] == (0, 2)
    assert found["inner"] == (2,)


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ('z = ["rail[5:11]"]', r'zone\.z\[1\]: "rail\[5:11\]" reaches outside rail, which has pixels 0-9'),
        ('z = ["mast", "rail[10]"]', r'zone\.z\[2\]: "rail\[10\]" reaches outside rail'),
        ('z = ["rail[5:5]"]', r'zone\.z\[1\]: "rail\[5:5\]" is empty: it ends before pixel 5$'),
        ('z = ["rail[7:5]"]', r'"rail\[7:5\]" is empty: .* \(did you mean "rail\[5:7\] reversed"\?\)'),
        ('z = ["rail[0:4:0]"]', r'zone\.z\[1\]: "rail\[0:4:0\]": a step is at least 1'),
        ('z = ["rial"]', r'zone\.z\[1\]: there is no string or zone "rial" \(did you mean "rail"\?\)'),
        ('z = ["rail[-1]"]', r'zone\.z\[1\]: "rail\[-1\]" is not a part: write NAME, NAME\[FIRST:END\]'),
        ('z = ["rail backwards"]', r"is not a part"),
        (f'z = ["rail[{"9" * 5000}]"]', r"is not a part"),
        ('z = ["rail", "rail[0:2]"]', r"zone\.z: holds 2 pixels twice: its parts overlap"),
        ('z = ["rail[3]", "rail[0:4]"]', r"zone\.z: holds 1 pixel twice"),
        ('a = ["b"]\nb = ["c"]\nc = ["a"]', r"zone\.a: zones go round in a circle: a -> b -> c -> a"),
        ('a = ["a[0:2]"]', r"zone\.a: zones go round in a circle: a -> a"),
        ("z = []", r"zone\.z: has no pixels"),
        ("z = 5", r'zone\.z: needs a list of parts like \["rail\[0:100\]", "mast reversed"\], got the number 5'),
        ("z = [5]", r"zone\.z: needs a list of parts"),
        ('rail = ["mast"]', r"zone\.rail: a string of this name is already a zone"),
        ('"2nd" = ["mast"]', r"zone\.2nd: a name is a letter, then letters, digits, _ or -, at most 31 in all"),
    ],
)
def test_faults_of_zones_are_one_line_each(text: str, line: str) -> None:
    with pytest.raises(Faults, match=line) as raised:
        zones(text)
    assert len(raised.value.faults) == 1


def test_a_zone_of_skipped_pixels_alone_is_a_fault() -> None:
    with pytest.raises(Faults, match=r"zone\.z: has no pixels but skipped ones"):
        zones('z = ["rail[1:3]"]', 'skip = ["1-2"]')


def test_zones_nested_absurdly_deep_are_a_fault_and_no_crash() -> None:
    chain = "".join(f'z{i} = ["z{i - 1}"]\n' for i in range(1500, 0, -1)) + 'z0 = ["rail"]'
    with pytest.raises(Faults, match=r"zone\.z\d+: zones are nested more than 100 deep: write the inner ones first"):
        zones(chain)


# ---- faults of the rest ----


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("", r"rig\.toml: controller: a rig needs at least one \[controller\.NAME\]"),
        ("", r"rig\.toml: string: a rig needs at least one \[string\.NAME\]"),
        ("format = 2", r"format: this version reads format = 1"),
        (rail("colour = 1"), r"string\.rail\.colour: unknown key"),
        (rail("brightnes = 0.5"), r'string\.rail\.brightnes: unknown key \(did you mean "brightness"\?\)'),
        (rail('chip = "ws2812"'), r'string\.rail\.chip: "ws2812" is not one of .* \(did you mean "ws2812b"\?\)'),
        (rail('order = "rgg"'), r'string\.rail\.order: "rgg" must hold each of b, g, r once \(did you mean "grb"\?\)'),
        (rail('order = "grbw"'), r"string\.rail\.order"),
        (rail(pixels=0), r"string\.rail\.pixels: 0 is out of range, 1 to 200000"),
        (rail("brightness = 1.5"), r"string\.rail\.brightness: 1\.5 is out of range, 0 to 1"),
        (rail("clock_pin = 3"), r"string\.rail\.clock_pin: ws2812b has no clock line"),
        (rail('chip = "apa102"'), r"string\.rail\.clock_pin: apa102 is clocked: it needs a clock_pin besides its pin"),
        (rail('chip = "apa102"\nclock_pin = 16'), r'clock_pin: pin 16 of "quay" already drives "rail"'),
        (rail('chip = "apa102"\nclock_pin = 24'), r"string\.rail\.clock_pin: pico cannot drive a string from pin 24"),
        (rail().replace("pin = 16", "pin = 23"), r"string\.rail\.pin: pico cannot drive a string from pin 23"),
        (rail().replace("pin = 16", "pin = 23"), r"from pin 23: take one of 0-22, 26-28$"),
        (rail().replace("pin = 16", 'pin = "GP16"'), r'pin: needs a whole number, .* "GP16" \(did you mean 16\?\)$'),
        (
            rail().replace('"pico"', '"pico"\nbutton_pin = 24'),
            r"button_pin: pico has no pin 24 to use: it has 0-22, 26-28",
        ),
        (rail().replace('"pico"', '"pico"\nbutton_pin = "GP14"'), r'button_pin: .* "GP14" \(did you mean 14\?\)$'),
        (rail('chip = "ws2811"'), r'string\.rail\.chip: "ws2811" is not one of .* \(did you mean "ws2811-12v"\?\)'),
        (rail().replace('controller = "quay"', 'controller = "key"'), r'there is no controller "key"'),
        (rail("skip = [20]"), r"string\.rail\.skip: 20 is outside the string's pixels 0-19"),
        (rail('skip = ["500,3"]'), r"string\.rail\.skip: 500,3 is outside the string's pixels 0-19"),
        (rail('skip = ["5-3"]'), r'string\.rail\.skip: "5-3" is not a pixel number or a range like "100-104"'),
        (rail("skip = [1.5]"), r"string\.rail\.skip\[1\]: needs pixel numbers or ranges"),
        (rail("cut = [20]"), r"string\.rail\.cut\[1\]: needs pixel numbers inside the string, got the number 20"),
        (rail("path = [[0, 0]]"), r"string\.rail\.path: needs at least two points"),
        (rail("path = [[0, 0], [0, 0]]"), r"string\.rail\.path: has no length"),
        (rail("path = [[0, 0], [1, 2, 3]]"), r"string\.rail\.path\[2\]: needs points \[x, y\] in metres, got a list"),
        (rail('path = [[0, 0], [1, 0]]\ncsv = "a.csv"'), r"hangs along one of path, svg, csv, grid: drop path or csv"),
        (rail("rail_ohm_per_m = 0"), r"string\.rail\.rail_ohm_per_m: 0 is out of range"),
        (rail(feed=""), r"string\.rail\.feed: nothing feeds it: add a \[\[string\.rail\.feed\]\]"),
        (rail("cut = [12]"), r"string\.rail\.feed: nothing feeds it, pixels 12-19: add"),
        (rail(feed='[[string.rail.feed]]\nsupply = "shde"'), r'there is no supply "shde" \(did you mean "shed"\?\)'),
        (rail(feed='[[string.rail.feed]]\nsupply = "boat"'), r"supply: boat gives 12 V, ws2812b \(the chip where none"),
        (rail(feed=FEED + FEED), r"string\.rail\.feed: two feeds at the same place, rail@start"),
        (rail(feed=FEED.replace("supply", "at = 21\nsupply")), r'feed\[1\]\.at: needs "start", "end" or a pixel'),
        (rail(feed=FEED.replace("supply", "at = true\nsupply")), r'feed\[1\]\.at: needs "start".* got true'),
        (rail(feed=FEED.replace("supply", 'at = "middle"\nsupply')), r'at: needs "start".* got the text "middle"'),
        (rail(feed=FEED + "fuse = 0"), r"string\.rail\.feed\[1\]\.fuse: 0 is out of range, 0\.05 to 500"),
        (rail(feed=FEED + "wire = {metres = 2}"), r"string\.rail\.feed\[1\]\.wire: needs either awg or mm2"),
        (rail(feed=FEED + "wire = {awg = 16, mm2 = 1.5, metres = 2}"), r"wire: has awg and mm2: keep one of them"),
        (rail(feed=FEED + "wire = {awg = 16}"), r"string\.rail\.feed\[1\]\.wire\.metres: is missing"),
        (rail(feed=FEED + "wire = {awg = 2, metres = 1}"), r"wire\.awg: 2 is out of range, 4 to 30"),
        (rail(after='[controller.boat]\nboard = "pico"'), r"controller\.boat: has no string"),
        (rail(after='[controller.boat]\nboard = "pica"'), r'controller\.boat\.board: "pica" is not one of .*"pico"'),
        (rail(after="[controller.boat]"), r"controller\.boat\.board: is missing"),
        (rail(after="[controller.boat]\nboard = 5"), r'controller\.boat\.board: needs one of "pico", "pico-w",'),
        (rail().replace('board = "pico"', 'board = "pico"\nsupply = "x"'), r"controller\.quay\.supply: there is no"),
        (rail(after="[supply.x]\nvolts = 5\namps = 0"), r"supply\.x\.amps: 0 is out of range, 0\.1 to 1000"),
        (rail(after="[supply.x]\nvolts = 5\namps = 1\nusable = 1.1"), r"supply\.x\.usable: 1\.1 is out of range"),
        (rail(after='[supply."a b"]\nvolts = 5\namps = 1'), r"supply\.a b: a name is a letter, then letters, digits"),
        (rail(after="[lamp]"), r"rig\.toml: lamp: unknown key"),
    ],
)
def test_every_fault_says_what_and_where(text: str, line: str) -> None:
    with pytest.raises(Faults, match=line):
        rig_of(text)


def test_two_supplies_on_one_rail_are_a_fault_which_says_how_to_part_them() -> None:
    feeds = FEED + '[[string.rail.feed]]\nat = "end"\nsupply = "porch"\n'
    with pytest.raises(Faults, match=r"fed by porch and shed on one V\+ rail: cut V\+ between them .* cut = \[PIXEL\]"):
        rig_of(rail(feed=feeds, head=HEAD + "[supply.porch]\nvolts = 5.0\namps = 4.0\n"))


def test_two_strings_on_one_pin_are_a_fault_but_not_on_two_boards() -> None:
    with pytest.raises(Faults, match=r'string\.mast\.pin: pin 16 of "quay" already drives "rail": strings overlap'):
        rig_of(rail(after=MAST.replace("17", "16")))
    on_its_own = MAST.replace("17", "16").replace('"quay"', '"boat"') + '[controller.boat]\nboard = "pico"\n'
    assert set(rig_of(rail(after=on_its_own)).strings) == {"rail", "mast"}


def test_more_pixels_than_anyone_hangs_are_a_fault() -> None:
    big = MAST.replace("pixels = 4", "pixels = 199_999")
    with pytest.raises(Faults, match=r"string: more than 200000 pixels in one rig"):
        rig_of(rail(after=big))


def test_all_faults_of_a_file_come_at_once() -> None:
    text = rail('chip = "ws2821"\nskip = [99]\ncolour = 1', FEED.replace("shed", "shd"), "[zone]\nz = ['rial']")
    with pytest.raises(Faults, match=r"string\.rail\.chip: .*") as raised:
        rig_of(text)
    assert {fault.where for fault in raised.value.faults} == {
        "string.rail.chip", "string.rail.skip", "string.rail.colour", "string.rail.feed[1].supply", "zone.z[1]",
    }  # fmt: skip


def test_a_fault_brings_no_further_ones_with_it() -> None:
    # The string hangs on no controller that exists; zones made of it, and of zones made of it, add nothing to that.
    zones_text = '[zone]\nz = ["rail[0:5]"]\nouter = ["z", "rail"]'
    with pytest.raises(Faults, match=r"\Arig\.toml: string\.rail\.controller: there is no controller \"key\"\Z"):
        rig_of(rail(after=MAST + zones_text).replace('controller = "quay"', 'controller = "key"', 1))


def test_a_rig_is_read_from_a_file(tmp_path: Path) -> None:
    file = tmp_path / "rig.toml"
    file.write_text(SMALL_RIG, encoding="utf-8")
    rig = load_rig(file)
    assert rig.path == file and rig.pixels == 18
    file.write_text(SMALL_RIG.replace("volts", "volt"), encoding="utf-8")
    with pytest.raises(Faults, match=r'rig\.toml: supply\.shed\.volt: unknown key \(did you mean "volts"\?\)'):
        load_rig(file)
