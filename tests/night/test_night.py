"""An evening in made-up time: songs, pauses, the clock, keys, a sound card that goes away. Boards are models."""

from __future__ import annotations

import random
import shutil
import socket
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from types import SimpleNamespace

import pytest
from board_model import ModelBoard, ModelWire, Turned
from night_kit import model_of
from shows import made_map

from composer.faults import Faults, ShowFails
from composer.night.company import address_of, check_company, fits_names
from composer.night.evening import Evening
from composer.night.keys import KEYS, parse
from composer.night.lock import only_one
from composer.night.programme import Night
from composer.night.sound import Silent
from composer.night.stage import Controls, Stage
from composer.night.status import board_text, fitted, status_line, time_text
from composer.pipeline.playing import Baked, FramesByTime, e131, link, load_baked, patch_of


class Hall:
    """Two boards, a computer, a wall clock; everything on one time that is turned by waiting."""

    def __init__(self, baked: Baked, begins: str = "20:00", **evening: object) -> None:
        self.now = Turned()
        self.zero_s = self.now.s
        hour, minute = map(int, begins.split(":"))
        self.begins = datetime(2026, 12, 24, hour, minute)
        self.baked = baked
        self.models = {name: self._model(name) for name in baked.rolls}
        self.wires = {name: ModelWire(model) for name, model in self.models.items()}
        boards = [
            link.Board(wire, link.Hello(1, "pico", 256, 300, name), now=self.now) for name, wire in self.wires.items()
        ]
        self.said: list[str] = []
        self.lines: list[str] = []
        self.plan: list[tuple[float, Callable[[], None]]] = []
        self.pressed: list[str] = []
        self.seen: list[tuple[float, str, float, int]] = []  # seconds, state, position, brightness of the first board
        self.sounds: list[Silent] = []
        controls = Controls()
        self.stage = Stage(
            boards, controls, self._keys, self.said.append, self.lines.append, now=self.now, wait=self._wait
        )
        self.evening = Evening((Path("tide"),), silent=True, **evening)  # type: ignore[arg-type]
        self.shows = {Path("tide"): baked, Path("look"): replace(baked, title="look")}

    def _model(self, name: str) -> ModelBoard:
        model = model_of(self.baked, name)
        return replace(model, now=self.now)

    def _keys(self) -> list[str]:
        out, self.pressed = self.pressed, []
        return out

    def _wait(self, seconds: float) -> None:
        self.now.s += max(seconds, 0.005)
        for wire in self.wires.values():
            wire.turn()
        while self.plan and self.at() >= self.plan[0][0]:
            self.plan.pop(0)[1]()
        model = next(iter(self.models.values()))
        self.seen.append((self.at(), model.state, model.position_s(), model.bright))

    def at(self) -> float:
        """Seconds since the doors opened."""
        return self.now.s - self.zero_s

    def press(self, seconds: float, key: str) -> None:
        """A key at a time of the evening."""
        self.plan.append((seconds, lambda: self.pressed.append(key)))

    def clock(self) -> datetime:
        """The clock on the wall."""
        return self.begins + timedelta(seconds=self.at())

    def _sound(self, baked: Baked, evening: Evening) -> Silent:
        self.sounds.append(Silent(self.now))
        return self.sounds[-1]

    def run(self) -> bool:
        """The whole evening, and its dark end."""
        night = Night(self.evening, self.shows, self.stage, self.clock, random.Random(1), self._sound)
        well = night.run()
        self.stage.darken()
        assert [model.state for model in self.models.values()] == ["idle"] * len(self.models)
        return well

    def states(self, first: float, last: float) -> set[str]:
        """What the first board did between two times."""
        return {state for seconds, state, _, _ in self.seen if first <= seconds < last}


@pytest.fixture(scope="module")
def tide(baked: Path) -> Baked:
    return load_baked(baked)


def test_one_song_once_and_then_dark(tide: Baked) -> None:
    hall = Hall(tide)
    assert hall.run()
    assert 17 < hall.at() < 20
    assert all(model.jumps_ms == [] for model in hall.models.values())


def test_rounds_with_pauses_of_darkness(tide: Baked) -> None:
    hall = Hall(tide, rounds=2, pause_s=30.0)
    assert hall.run()
    assert 63 < hall.at() < 70
    assert hall.states(20, 45) == {"idle"}
    assert len(hall.sounds) == 2


def test_a_quiet_look_loops_in_the_pauses(tide: Baked) -> None:
    hall = Hall(tide, rounds=2, pause_s=40.0, look=Path("look"))
    assert hall.run()
    positions = [position for seconds, state, position, _ in hall.seen if 22 < seconds < 56 and state == "playing"]
    assert max(positions) > 15
    assert sum(b < a - 10 for a, b in zip(positions, positions[1:], strict=False)) >= 1  # it began anew
    assert len(hall.sounds) == 2  # and made no sound


def test_it_waits_for_its_start_and_plays_no_new_song_after_its_end(tide: Baked) -> None:
    hall = Hall(tide, "17:28", start=17 * 60 + 30, end=17 * 60 + 31, rounds=None)
    assert hall.run()
    assert hall.states(0, 119) == {"idle"}
    assert len(hall.sounds) == 4  # a song of 16 s and its run-up, in a minute; the last one ends after it
    assert 180 < hall.at() < 200
    assert "the evening's end" in hall.said
    assert "waiting until 17:30" in hall.said


def test_an_end_that_may_cut_ends_in_mid_song(tide: Baked) -> None:
    hall = Hall(tide, "17:30", end=17 * 60 + 31, rounds=None, cut=True)
    assert hall.run()
    assert 60 <= hall.at() < 64


@pytest.mark.parametrize("whose", ["the evening's", "the rig's"])
def test_quiet_hours_end_a_song_at_once(tide: Baked, whose: str) -> None:
    hours = (22 * 60, 7 * 60)
    quiet_rig = replace(tide, rig=replace(tide.rig, quiet_hours=hours))
    hall = Hall(tide, "21:59") if whose == "the rig's" else Hall(tide, "21:59", quiet_hours=hours)
    hall.evening = replace(hall.evening, rounds=100)
    hall.shows[Path("tide")] = quiet_rig if whose == "the rig's" else tide
    assert hall.run()
    assert 60 <= hall.at() < 64
    assert f"quiet hours, 22:00 to 7:00: dark ({whose} own); the evening ends here" in hall.said


def test_nothing_begins_in_quiet_hours(tide: Baked) -> None:
    hall = Hall(tide, "23:00", quiet_hours=(22 * 60, 7 * 60))
    assert hall.run()
    assert hall.states(0, 99) <= {"idle"}
    assert hall.said == ["quiet hours, 22:00 to 7:00: dark (the evening's own); the evening ends here"]  # and no keys


def test_quiet_hours_before_its_start_do_not_end_an_evening(tide: Baked) -> None:
    hall = Hall(tide, "06:58", start=7 * 60 + 1, quiet_hours=(22 * 60, 7 * 60), look=Path("look"))
    assert hall.run()
    assert hall.states(0, 179) == {"idle"}
    assert len(hall.sounds) == 1
    assert not any("quiet" in line for line in hall.said)


def test_brightness_follows_the_clock_and_the_keys(tide: Baked) -> None:
    hall = Hall(tide, "20:59", brightness=((0, 1.0), (21 * 60, 0.4)), rounds=5)
    hall.press(80, "dimmer")
    hall.press(90, "quit")
    assert hall.run()
    bright = {round(seconds): level for seconds, state, _, level in hall.seen if state == "playing"}
    assert bright[50] == 255
    assert bright[70] == 102
    assert bright[88] == round(0.4 * 242)


def test_next_goes_on_to_the_next_song_and_quit_to_the_end(tide: Baked) -> None:
    hall = Hall(tide, rounds=3)
    hall.press(6, "next")
    hall.press(12, "quit")
    assert hall.run()
    assert len(hall.sounds) == 2
    assert hall.at() < 14


def test_a_signal_is_a_polite_quit(tide: Baked) -> None:
    hall = Hall(tide, rounds=3)
    hall.plan.append((6, lambda: setattr(hall.stage.controls, "asked", "quit")))
    assert hall.run()
    assert hall.at() < 8


def test_a_sound_device_that_goes_away_leaves_darkness(tide: Baked) -> None:
    hall = Hall(tide, rounds=3)
    hall.plan.append((8, lambda: setattr(hall.sounds[0], "fault", "the sound device went away")))
    assert not hall.run()
    assert hall.at() < 10
    assert "the sound device went away: dark" in hall.said


def test_a_sound_that_is_gone_between_two_songs_is_dark_and_the_end(tide: Baked) -> None:
    hall = Hall(tide, rounds=2)
    first = hall._sound

    def second_is_gone(baked: Baked, evening: Evening) -> Silent:
        if hall.sounds:
            raise Faults.one("sound", "", "cannot be played")
        return first(baked, evening)

    hall._sound = second_is_gone  # type: ignore[method-assign]
    assert not hall.run()
    assert hall.said[-1] == "sound: cannot be played: dark"


@pytest.mark.parametrize(("folder", "why"), [("cut", "cut short"), ("gone", "no such file")])
def test_a_roll_that_cannot_be_read_any_more_stops_no_song(tide: Baked, tmp_path: Path, folder: str, why: str) -> None:
    """Boards have rolls of their own: only what the supplies carry is not known."""
    (tmp_path / "cut").mkdir()
    (tmp_path / "cut" / "tide.roll").write_bytes(tide.rolls["deck"].path.read_bytes()[:50])
    path = tmp_path / folder / "tide.roll"
    hall = Hall(replace(tide, rolls=tide.rolls | {"deck": replace(tide.rolls["deck"], path=path)}))
    assert hall.run()
    assert hall.states(5, 10) == {"playing"}
    (said,) = [line for line in hall.said if "tide.roll" in line]
    assert why in said and said.endswith("what the supplies carry is not known")
    assert "2 boards ok" in hall.lines[-1] and " A" not in hall.lines[-1]


def test_a_clock_that_is_set_to_another_day_while_the_evening_waits(tide: Baked) -> None:
    hall = Hall(tide, "10:00", start=20 * 60 + 30, end=22 * 60)

    def set_anew() -> None:
        hall.begins = datetime(2027, 1, 5, 20, 29, 30)

    hall.plan.append((5, set_anew))
    assert hall.run()
    assert hall.states(0, 29) == {"idle"} and hall.states(33, 45) == {"playing"}
    assert "the clock was set anew: waiting until 20:30" in hall.said


def test_a_board_that_gives_no_answer_is_named(tide: Baked) -> None:
    hall = Hall(tide, rounds=2)
    wire = hall.wires["deck"]
    hall.plan += [(5, lambda: setattr(wire, "loss", 1.0)), (20, lambda: setattr(wire, "loss", 0.0))]
    assert hall.run()
    assert [line for line in hall.said if "deck" in line] == ["deck: does not answer", "deck: is back"]


def test_seeking_by_bars_moves_sound_and_light(tide: Baked) -> None:
    hall = Hall(tide)
    hall.press(6, "forward")
    hall.press(7, "forward")
    hall.press(8, "back")
    hall.press(9, "quit")
    assert hall.run()
    played = [(seconds, position) for seconds, state, position, _ in hall.seen if state == "playing"]
    steps = [b - a for (_, a), (_, b) in zip(played, played[1:], strict=False)]
    assert [round(step, 0) != 0 for step in steps].count(True) == 3
    sound = hall.sounds[0].position()
    assert sound == pytest.approx(played[-1][1], abs=0.1)


def test_a_sound_that_jumps_by_itself_takes_the_boards_along(tide: Baked) -> None:
    hall = Hall(tide)

    def stumble() -> None:
        hall.sounds[0]._from_s -= 0.09

    gaps: list[float] = []
    hall.plan.append((6.0, stumble))
    hall.plan.append((7.5, lambda: gaps.append(hall.models["quay"].position_s() - hall.sounds[0].position())))
    hall.press(9, "quit")
    assert hall.run()
    assert "the sound jumped by -90 ms" in hall.said
    assert abs(gaps[0]) < 0.030
    assert len([line for line in hall.said if "jumped" in line]) == 1


def test_an_offset_puts_the_light_later(tide: Baked) -> None:
    hall = Hall(tide)
    for i in range(4):
        hall.press(4 + i / 10, "later")
    gaps = []
    hall.plan.append((12, lambda: gaps.append(hall.sounds[0].position() - hall.models["quay"].position_s())))
    hall.press(13, "quit")
    assert hall.run()
    assert gaps[0] == pytest.approx(0.020, abs=0.010)
    assert hall.stage.controls.offset_ms == 20


def test_a_board_that_returns_on_another_port_goes_on_in_place(tide: Baked) -> None:
    hall = Hall(tide)
    back: dict[str, link.Wire] = {}
    hall.stage.returned = lambda gone: {name: back.pop(name) for name in gone if name in back}

    def unplug() -> None:
        hall.wires["deck"].plugged = False
        hall.models["deck"].restart()

    def plug() -> None:
        hall.wires["deck"] = ModelWire(hall.models["deck"])
        back["deck"] = hall.wires["deck"]

    errors: list[float] = []
    hall.plan += [(5, unplug), (7, plug)]
    hall.plan.append((12, lambda: errors.append(hall.models["deck"].position_s() - hall.sounds[0].position())))
    assert hall.run()
    assert abs(errors[0]) < 0.010
    assert [line for line in hall.said if line.startswith("deck")] == [
        "deck: unplugged (its last words: No such device)",
        "deck: is back",
    ]


def test_a_board_that_never_answers_does_not_hold_up_the_show(tide: Baked) -> None:
    hall = Hall(tide)
    hall.wires["deck"].loss = 1.0
    hall.press(15, "quit")
    night = Night(hall.evening, hall.shows, hall.stage, hall.clock, random.Random(1), hall._sound)
    assert night.run()
    assert hall.models["quay"].position_s() > 5
    assert hall.stage.darken() == ["deck"]


# ---- before it begins --------------------------------------------------------------------------------------------


def test_all_that_is_wrong_with_the_boards_is_told_at_once(tide: Baked) -> None:
    hall = Hall(tide)
    hall.models["quay"].files["tide.roll"].sha256 = "00" * 32
    hall.models["deck"].files.clear()

    def answers(board: link.Board) -> link.Board:
        board.wait = hall._wait
        return board

    boards = [answers(board) for board in hall.stage.boards]
    with pytest.raises(ShowFails) as caught:
        check_company(boards, [tide], False, {})
    told = str(caught.value).splitlines()
    assert [line.split(" (")[0] for line in told] == [
        'quay: its "tide.roll" is another than was baked: load it again',
        'deck: has no "tide.roll": load it first',
    ]
    with pytest.raises(Faults, match="deck: does not answer"):
        check_company(boards[:1], [tide], False, {"/dev/tty9": "cannot be opened: Permission denied"})


def test_two_songs_of_one_name_cannot_share_a_board(tide: Baked) -> None:
    fits_names([tide, tide])
    roll = replace(tide.rolls["quay"], sha256="00" * 32)
    with pytest.raises(Faults, match="has the name of .*rename a song"):
        fits_names([tide, replace(tide, rolls={**tide.rolls, "quay": roll})])


def test_a_name_that_fits_no_line_is_told_before(tide: Baked) -> None:
    roll = replace(tide.rolls["quay"], path=Path("x" * 150 + ".roll"))
    with pytest.raises(Faults, match="a board's file name is at most 150 bytes"):
        fits_names([replace(tide, rolls={"quay": roll})])


@pytest.mark.parametrize(
    ("text", "address"),
    [
        ("broadcast", ("255.255.255.255", 5005)),
        ("192.168.4.21", ("192.168.4.21", 5005)),
        ("192.168.4.21:5006", ("192.168.4.21", 5006)),
    ],
)
def test_addresses(text: str, address: tuple[str, int]) -> None:
    assert address_of(text) == address


def test_a_bad_address_is_told() -> None:
    with pytest.raises(Faults, match="network: quay:door: needs an address"):
        address_of("quay:door")


def test_the_lock_is_held_once_and_let_go(tmp_path: Path) -> None:
    path = tmp_path / "lock"
    with only_one(path), pytest.raises(ShowFails, match="another glowscore play is running"), only_one(path):
        pass
    with only_one(path):
        pass


# ---- what is baked -----------------------------------------------------------------------------------------------


def test_amperes_by_time_are_the_audits(baked: Path, tide: Baked) -> None:
    import json

    audit = json.loads((baked / "out" / "audit.json").read_text(encoding="utf-8"))
    with FramesByTime(tide) as frames:
        for name, row in audit["supplies"].items():
            at_s = row["peak_s"] + 1e-6
            assert frames.amps_at(at_s)[name] == pytest.approx(row["peak_a"])
            dark = frames.amps_at(at_s, 0.0)[name]
            assert dark == frames.amps_at(-1.0)[name] == frames.amps_at(tide.end_s + 1)[name] < row["peak_a"]
            assert frames.amps_at(at_s, 0.5)[name] == pytest.approx((dark + row["peak_a"]) / 2)


def test_frames_by_time_are_the_rolls(tide: Baked) -> None:
    from exporters.rollfile import RollReader

    with FramesByTime(tide) as frames, RollReader(tide.rolls["quay"].path) as reader:
        for number in (0, 7, 20):
            group, rows = reader.groups[number], reader.group(number)
            for i in (0, group.frames - 1):
                at = frames.at((group.frame_us(i) + 1) / 1e6)
                assert at["rail"] + at["mast"] == rows[i].tobytes()
        outside = frames.at(tide.end_s + 1)
        assert set(outside) == {"rail", "mast", "boom"}
        assert not any(any(data) for data in outside.values())


def test_the_mark_of_a_roll_is_the_checksum_of_its_head(tide: Baked) -> None:
    import zlib

    for roll in tide.rolls.values():
        data = roll.path.read_bytes()
        end = data.index(roll.head_crc.to_bytes(4, "little"))
        assert zlib.crc32(data[:end]) == roll.head_crc  # ROLL.md, section 8.4: CRC of every byte before it


@pytest.mark.parametrize(
    ("where", "message"),
    [("tide.wav", "another recording"), ("rig.toml", "another rig"), ("out/quay/tide.roll", "checksum of unit")],
)
def test_rolls_that_are_not_this_shows_are_refused(baked: Path, tmp_path: Path, where: str, message: str) -> None:
    folder = tmp_path / "tide"
    shutil.copytree(baked, folder)
    path = folder / where
    data = bytearray(path.read_bytes())
    if where == "rig.toml":
        data = bytearray(data.replace(b"pin = 16", b"pin = 18"))
    else:
        data[-3] ^= 1
    path.write_bytes(data)
    if where == "tide.wav":
        made_map(path, 16.0)  # heard again
    with pytest.raises(ShowFails, match=message):
        load_baked(folder)


def test_bars_before_and_after(tide: Baked) -> None:
    # Bars of 2 s: just after a bar line a step back goes to the bar before, later to the line itself.
    assert [tide.bar_before(s) for s in (0.1, 4.2, 5.0, 15.0)] == [0.0, 2.0, 4.0, 14.0]
    assert [tide.bar_after(s) for s in (0.0, 3.99, 4.2, 15.0)] == [2.0, 6.0, 6.0, 16.0]


def test_e131_is_dark_until_the_song_begins(tide: Baked) -> None:
    """The mast is lit from the first frame on; while boards get ready and in the run-up nothing is."""
    hall = Hall(tide)
    lit: list[tuple[float, bool]] = []

    def send(frames: dict[str, bytes]) -> None:
        lit.append((hall.sounds[0].position(), any(map(any, frames.values()))))

    hall.stage.sender = SimpleNamespace(due=True, send=send, dark=lambda: None, close=lambda: None)
    hall.press(3, "quit")
    assert hall.run()
    began = next(i for i, (position, _) in enumerate(lit) if position < 0)
    begins = next(i for i, (position, _) in enumerate(lit) if i > began and position > -1e-6)
    assert began > 0 and not any(on for _, on in lit[:begins])
    assert lit[begins + 1][1]


def test_e131_follows_the_show_dimmed_as_the_boards_are(tide: Baked) -> None:
    hall = Hall(tide)
    receiver = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
    receiver.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4 << 20)
    receiver.bind(("127.0.0.1", 0))
    receiver.setblocking(False)
    port = receiver.getsockname()[1]
    hall.stage.sender = e131.Sender(patch_of(tide.rig), "127.0.0.1", port=port, now=hall.now)
    hall.stage.controls.bright = 128
    last = b""

    def drain() -> bytes:
        nonlocal last
        while True:
            try:
                packet = receiver.recv(2048)
            except BlockingIOError:
                return last
            if packet[21] == 4 and packet[114] == 1:
                last = packet[126:] if packet[112] == 0 else last

    compared = []

    def compare() -> None:
        drain()
        with FramesByTime(tide) as frames:
            near = [frames.at(hall.sounds[0].position() + shift / 1000)["rail"] for shift in range(-45, 6, 5)]
        order = [1, 0, 2]  # grb on the wire, red green blue in the slots
        wanted = {bytes(f[3 * p + c] * 128 // 255 for p in range(60) for c in order) for f in near}
        compared.append(last in wanted and any(last))

    hall.plan += [(s, compare) for s in (3.5, 4.5, 11.0)]
    hall.press(12, "quit")
    assert hall.run()
    assert compared == [True] * 3
    assert not any(drain())  # dark before the stream ends


# ---- small things ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("seconds", "text"), [(0, "0:00.0"), (83.44, "1:23.4"), (-1.5, "-0:01.5"), (-0.01, "0:00.0"), (59.96, "1:00.0")]
)
def test_times_for_people(seconds: float, text: str) -> None:
    assert time_text(seconds) == text


@pytest.mark.parametrize(
    ("health", "text"),
    [
        (link.Health("playing", 2.4, 3.0), "quay ok +2 ms"),
        (link.Health("playing", -3.6, 3.0, late=4, dimmed=2), "quay ok -4 ms 4 late 2 dimmed"),
        (link.Health("lost"), "quay LOST"),
        (link.Health(gone=True), "quay UNPLUGGED"),
        (link.Health("playing", silent_s=4.2), "quay silent 4 s"),
        (link.Health(trouble="has no such file"), "quay HAS NO SUCH FILE"),
        (link.Health("playing", 0.0, broken=1), "quay ok +0 ms 1 BROKEN"),
    ],
)
def test_a_board_in_a_few_words(health: link.Health, text: str) -> None:
    assert board_text("quay", health) == text


def test_the_line_says_where_how_and_how_much(tide: Baked) -> None:
    line = status_line(tide, 5.0, [], {"shed": 3.14, "boat": 0.4}, bright=128, offset_ms=15, marks=["paused"])
    assert line.startswith("Ebb & tide  0:05.0  bar 3.3, A | PAUSED | shed 3.1/8.0 A  boat 0.4/0.5 A | ")
    assert line.endswith("| light 50% | offset +15 ms")


def test_missing_boards_are_counted_along(tide: Baked) -> None:
    assert "| 0 of 2 boards |" in status_line(tide, 5.0, [], {"shed": 3.14, "boat": 0.4}, missing=2)
    hall = Hall(tide)
    gone = hall.stage.boards.pop()
    hall.models.pop(gone.name), hall.wires.pop(gone.name)
    hall.stage.missing = (gone.name, "of another show")
    assert hall.run()
    assert any("1 of 2 boards ok" in line for line in hall.lines)
    assert not any("of 3" in line for line in hall.lines)


@pytest.mark.parametrize(
    ("columns", "text"),
    [
        (80, "tide  0:05.0  bar 3.3 | 2 boards ok | shed 3.1/8.0 A  boat 0.4/0.5 A"),
        (66, "tide  0:05.0  bar 3.3 | 2 boards ok | shed 3.1/8.0 A …"),
        (55, "tide  0:05.0  bar 3.3 | 2 boards ok | shed 3.1/8.0 A …"),
        (54, "tide  0:05.0  bar 3.3 | 2 boards ok | shed 3.1/8.0 A …"),
        (53, "tide  0:05.0  bar 3.3 | 2 boards ok …"),
        (20, "tide  0:05.0 …"),
        (3, "tid"),
    ],
)
def test_a_narrow_terminal_leaves_whole_parts_out(columns: int, text: str) -> None:
    assert fitted("tide  0:05.0  bar 3.3 | 2 boards ok | shed 3.1/8.0 A  boat 0.4/0.5 A", columns) == text
    assert len(text) <= columns


@pytest.mark.parametrize(
    ("text", "pressed", "rest"),
    [
        (" nq", ["pause", "next", "quit"], ""),
        ("\x1b[C\x1bOD", ["forward", "back"], ""),
        ("b\x1b[", ["blackout"], "\x1b["),
        ("\x1b[A+", ["brighter"], ""),
        ("\x1b[15~-", ["dimmer"], ""),
        ("xyz", [], ""),
    ],
)
def test_keys_are_read_whole(text: str, pressed: list[str], rest: str) -> None:
    assert parse(text) == (pressed, rest)


def test_every_key_is_in_the_help() -> None:
    from composer.night.keys import HELP

    assert {"pause", "next", "blackout", "quit"} <= set(HELP.replace(",", "").split())
    assert len(set(KEYS.values())) == 10
