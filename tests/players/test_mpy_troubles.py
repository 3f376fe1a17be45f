"""What an evening throws at the player: odd lines, a button at the wrong moment, broken songs, two boards on a wire.

In a real MicroPython, on boards without pins whose time the test turns. What is right is what exporters/LINK.md and
exporters/players/PLAYER.md say.
"""

from __future__ import annotations

import json
import socket
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from mpy_kit_runner import HandUnit, hand_roll, unix_port
from test_mpy_player import CUED, IDLE, LOST, PLAYING, RAIL, board_of, folder, roll_of, scene, show

__all__ = ["folder"]
pytestmark = pytest.mark.skipif(unix_port() is None, reason="MicroPython's unix port is not installed")
WIRING = 6
SONGS = ["a.roll", "broken.roll", "b.roll"]
LEAD = {"pulse_out_pin": 3, "button_pin": 5, "start": "button"}


@pytest.fixture
def evening(folder: Path) -> Path:
    """The rolls of `folder`, and one of 40 s."""
    units = [HandUnit(16, 10, show()[number].tobytes()) for number in range(4)]
    groups = [(number % 4, 0, 10) for number in range(40)]
    (folder / "long.roll").write_bytes(hand_roll(15, units, groups, strings=RAIL, group_us=1_000_000))
    return folder


def acts(folder: Path, settings: dict[str, Any], *steps: str, listener: dict[str, Any] | None = None) -> Any:
    other = "" if listener is None else json.dumps({"pulse_in_pin": 4, **listener})
    return scene("acts", folder, json.dumps(settings), other, *steps)


def told(got: Any, board: int = 0) -> list[str]:
    """What a board said that nobody asked for, after its boot."""
    return [line for _, line in got["said"][board] if line.startswith("*")]


# ---- lines ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("session", [999_999_999, 1_000_000_000, 1_073_741_823])
def test_any_session_and_any_number_is_answered(evening: Path, session: int) -> None:
    """LINK.md section 6: a session is up to 1073741823, and senders draw theirs at random."""
    got = acts(evening, {}, "cue long.roll", "start 0", f"packet {session} {session} hello")
    assert got["answers"] == [f"{session} {session} ok hello 1 pico 4096 15 quay"]
    assert got["steps"][-1][0][0] == PLAYING and told(got) == []


@pytest.mark.parametrize("line", [b"hash \xff\xfe", b"cue \xc3", b"at \xff", b"\xff" * 40, b"put 0 00000000 \xff"])
def test_noise_on_the_line_is_answered_and_the_show_goes_on(evening: Path, line: bytes) -> None:
    got = acts(evening, {}, "cue long.roll", "start 0", f"raw {line.hex()}", "+ 200")
    assert got["said"][0][-1][1].startswith("no ")
    assert told(got) == []
    idle = acts(evening, {}, f"raw {line.hex()}", "hello")
    assert idle["said"][0][-1][1].startswith("ok hello")


@pytest.mark.parametrize("line", ["bright 255", "dark 0"])
def test_brightness_before_the_song_does_not_cost_its_first_frame(folder: Path, line: str) -> None:
    first = show()[0][0].tolist()
    for steps in (
        ["start -0.5"],
        [line, "start -0.5"],
        ["start -0.5", line],
        ["start -0.5", "pause", line, "start -0.4"],
    ):
        assert acts(folder, {}, "cue a.roll", *steps, "+ 700")["first"] == first, steps


def test_whoever_says_at_to_a_board_that_nobody_leads_keeps_it_lit(evening: Path) -> None:
    """Started by its button, long after boot; then a computer tells where the sound is, once a second."""
    settings = {"button_pin": 5, "start": "button", "songs": ["long.roll"]}
    seconds = [step for second in range(3) for step in (f"at {second + 1}", "+ 1000")]
    got = acts(evening, settings, "+ 12000", "press 300", "+ 900", *seconds, "+ 9500")
    lit = [step[0] for step in got["steps"][3:-1]]
    assert [state for state, *_ in lit] == [PLAYING] * 6 and all(lit for _, _, lit, _ in lit)
    assert got["steps"][-1][0][0] == LOST  # and it is missed once it is silent


def test_the_wiring_test_can_be_darkened(folder: Path) -> None:
    got = acts(folder, {}, "wiring 1", "+ 100", "dark 1", "+ 1500", "dark 0")
    assert [step[0][::2] for step in got["steps"]][1:] == [[WIRING, True], *[[WIRING, False]] * 2, [WIRING, True]]


def test_a_jump_forward_is_at_once_however_far(evening: Path) -> None:
    """The numbers of the clock are kept small: differences beyond 400 s are as good as that."""
    got = acts(evening, {}, "cue long.roll", "start 0", "at 3.5", "at 39")
    assert [step[0][3] for step in got["steps"]][2:] == [pytest.approx(3_510, abs=15), pytest.approx(39_010, abs=15)]
    units = [HandUnit(16, 10, show()[0].tobytes())]
    (evening / "hour.roll").write_bytes(hand_roll(15, units, [(0, 0, 10)] * 3600, strings=RAIL, group_us=1_000_000))
    got = acts(evening, {}, "cue hour.roll", "start 0", "at 3000", "+ 100")
    assert got["steps"][-1][0] == [PLAYING, "hour.roll", True, pytest.approx(3_000_110, abs=15)]


def test_a_jump_to_before_the_song_is_dark(folder: Path) -> None:
    """LINK.md section 4: sixteen lines that are far behind; and before position 0 all is dark."""
    got = acts(folder, {}, "cue a.roll", "start 0.5", *["at -3"] * 17, "+ 100")
    assert [got["steps"][number][0][::2] for number in (1, -1)] == [[PLAYING, True], [PLAYING, False]]


@pytest.mark.parametrize("times", [1, 2, 3])
def test_ctrl_c_pressed_twice_is_as_dark_as_once(evening: Path, times: int) -> None:
    got = acts(evening, {}, "cue long.roll", "start 0", "+ 300", f"ctrl-c {times}")
    assert [step[0][2] for step in got["steps"]][-2:] == [True, False]
    assert got["watching"] is None and not got["reset"]
    stubborn = acts(evening, {}, "cue long.roll", "start 0", "stubborn", f"ctrl-c {times}")
    assert stubborn["reset"] and not stubborn["steps"][-1][0][2]


@pytest.mark.parametrize(
    ("steps", "blinks"),
    [
        (["cue a.roll", "start 0", "+ 2100"], 1),
        (["cue long.roll", "start 0", "stop"], 1),
        (["cue long.roll", "start 0", "at 0.1", "+ 10200"], 2),
        (["press 100"], 3),
        (["cue long.roll", "start 0", "break", "+ 2000"], 5),
    ],
)
def test_the_boards_own_led_blinks_the_reason(evening: Path, steps: list[str], blinks: int) -> None:
    """PLAYER.md, "Why it stopped": so many short blinks, then two seconds of pause."""
    got = acts(evening, {"button_pin": 5, "start": "button", "songs": ["broken.roll"]}, *steps, "+ 12000")
    gaps = [later - at for at, later in pairwise(got["blinks"])]
    pauses = [number for number, gap in enumerate(gaps) if gap > 2_000][-3:]
    assert [later - at for at, later in pairwise(pauses)] == [blinks, blinks]
    assert gaps[pauses[0]] == pytest.approx(2_400, abs=20)


def test_a_network_that_cannot_be_used_does_not_keep_the_player_from_starting(evening: Path) -> None:
    """The port is taken, as it may be after a soft reset."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as taken:
        taken.bind(("0.0.0.0", 0))
        wifi = {"wifi": {"ssid": "quay", "key": "low tide"}, "udp_port": taken.getsockname()[1]}
        with board_of(evening, board="pico-w", **wifi) as board:
            assert board.stdin is not None and board.stdout is not None
            said = [board.stdout.readline() for _ in range(2)]
            board.stdin.write("hello\n")
            said.append(board.stdout.readline())
    assert said[0].startswith("wifi: ") and said[1] == "* boot quay\n" and said[2].startswith("ok hello 1 pico-w ")


# ---- songs without a computer -----------------------------------------------------------------------------------


def test_a_list_that_ends_with_a_broken_song_ends_there(folder: Path) -> None:
    got = acts(folder, {"songs": ["a.roll", "broken.roll"], "start": "boot"}, "+ 12000")
    assert told(got) == ["* end a.roll", "* stop roll broken.roll"]
    looped = acts(folder, {"songs": ["a.roll", "broken.roll"], "start": "boot", "loop": True}, "+ 10000")
    assert told(looped)[:3] == ["* end a.roll", "* stop roll broken.roll", "* end a.roll"]


def test_a_song_begun_by_the_button_in_a_pause_is_not_cut_short_by_the_list(evening: Path) -> None:
    settings = {"songs": ["a.roll", "long.roll", "b.roll"], "start": "boot", "pause_s": 5, "button_pin": 5}
    got = acts(evening, settings, "+ 8000", "press 200", "+ 12000")
    assert told(got) == ["* end a.roll"]
    assert got["steps"][-1][0][:2] == [PLAYING, "long.roll"]


@pytest.mark.parametrize(("before", "line"), [("+ 2000", "cue long.roll"), ("+ 7500", "cue long.roll")])
def test_a_computer_that_cues_ends_the_list(evening: Path, before: str, line: str) -> None:
    """Before its first song, and in the pause after it."""
    settings = {"songs": ["a.roll", "b.roll"], "start": "boot", "pause_s": 4}
    got = acts(evening, settings, before, line, "start 0", "+ 15000")
    assert got["steps"][-1][0][:2] == [PLAYING, "long.roll"] and got["steps"][-1][0][3] > 15_000


def test_a_computer_that_starts_again_what_the_list_has_cued_ends_the_list(folder: Path) -> None:
    settings = {"songs": ["a.roll", "b.roll"], "start": "boot", "pause_s": 4}
    got = acts(folder, settings, "+ 7500", "start 0", "+ 9000")
    assert told(got) == ["* end a.roll"] * 2 and got["steps"][-1][0][0] == CUED


def test_an_error_in_a_song_goes_on_with_the_next_and_stays_dark_if_it_was_darkened(evening: Path) -> None:
    settings = {"songs": ["long.roll", "long.roll"], "start": "boot"}
    got = acts(evening, settings, "+ 6000", "dark 1", "break", "+ 4000", "dark 0", "+ 100")
    assert told(got) == ["* stop error [Errno 5] EIO"]
    assert [step[0][::2] for step in got["steps"]][-3:] == [[PLAYING, False], [PLAYING, True], [PLAYING, True]]


def test_a_quiet_look_that_breaks_does_not_keep_the_next_song_from_coming(evening: Path) -> None:
    settings = {"songs": ["a.roll", "long.roll"], "start": "boot", "pause_s": 4, "quiet_look": "b.roll"}
    got = acts(evening, settings, "+ 6800", "break", "+ 6000")
    assert told(got) == ["* end a.roll", "* stop error [Errno 5] EIO"]
    assert got["steps"][-1][0][:2] == [PLAYING, "long.roll"]


# ---- two boards on a wire ---------------------------------------------------------------------------------------


def test_a_song_that_only_the_lead_lacks_is_left_out_by_both(evening: Path) -> None:
    """The wrong song's light is worse than none (LINK.md section 7)."""
    (evening / "there.roll").write_bytes(roll_of(show(4)))
    lead = {**LEAD, "songs": ["a.roll", "broken.roll", "long.roll"]}
    other = {"songs": ["a.roll", "there.roll", "long.roll"]}
    got = acts(evening, lead, "+ 5000", "press 300", "+ 4500", listener=other)
    (state, file, _, ms), (other_state, other_file, lit, other_ms) = got["steps"][-1]
    assert [state, file] == [other_state, other_file] == [PLAYING, "long.roll"] and lit
    assert abs(ms - other_ms) <= 10
    assert "* end there.roll" not in told(got, 1)


def test_a_song_that_only_the_listener_lacks_is_dark_there_and_the_next_is_right(evening: Path) -> None:
    lead = {**LEAD, "songs": ["a.roll", "c.roll", "long.roll"]}
    other = {"songs": ["a.roll", "broken.roll", "long.roll"]}
    got = acts(evening, lead, "+ 5000", "press 300", "+ 2800", "+ 2500", listener=other)
    second, third = got["steps"][-2:]
    assert second[0][1] == "c.roll" and second[1][:3] == [IDLE, None, False]
    assert third[0][:2] == third[1][:2] == [PLAYING, "long.roll"]


@pytest.mark.parametrize("line", ["stop", "pause", "cue a.roll", "start 20", "wiring 1"])
def test_a_lead_that_leaves_its_song_darkens_the_others(evening: Path, line: str) -> None:
    songs = {"songs": ["long.roll", "a.roll"]}
    got = acts(evening, LEAD | songs, "+ 5000", "press 300", "+ 2000", line, "+ 800", listener=songs)
    assert got["steps"][2][1][:3] == [PLAYING, "long.roll", True]
    assert got["steps"][-1][1][:3] == [IDLE, None, False]


def test_boards_without_a_link_follow_one_that_a_computer_leads(evening: Path) -> None:
    """Song after song, and the second before the first."""
    songs = {"songs": ["a.roll", "long.roll", "b.roll"]}
    steps = ["+ 4000", "cue long.roll", "start -2", "+ 4000", "stop", "+ 600", "cue a.roll", "start -2", "+ 2500"]
    got = acts(evening, LEAD | songs, *steps, "+ 2500", "cue b.roll", "start -2", "+ 2500", listener=songs)
    for number, file in ((3, "long.roll"), (8, "a.roll"), (12, "b.roll")):
        lead, other = got["steps"][number]
        assert lead[:3] == other[:3] == [PLAYING, file, True]
        assert abs(lead[3] - other[3]) <= 10


def test_a_listener_that_missed_a_start_plays_no_wrong_song_and_is_back_with_the_next_round(evening: Path) -> None:
    """LINK.md section 7: the wrong song's light is worse than none; each round of an endless list has its `stop`."""
    songs = {"songs": ["long.roll", "a.roll", "b.roll"], "loop": True, "pause_s": 1}
    missed = ["+ 5000", "cut", "press 300", "+ 2000", "mend", "+ 10000"]
    got = acts(evening, LEAD | songs, *missed, *["+ 1000"] * 34, "+ 4000", listener=songs)
    files = [(lead[1], other[1]) for lead, other in got["steps"]]
    assert ("a.roll", None) in files and ("b.roll", None) in files
    assert {other for lead, other in files if lead != "long.roll"} == {None}
    lead, other = got["steps"][-1]
    assert lead[:3] == other[:3] == [PLAYING, "long.roll", True]
    assert abs(lead[3] - other[3]) < 20


def test_a_listener_that_a_computer_leads_obeys_the_computer_and_the_wire_when_that_is_silent(evening: Path) -> None:
    songs = {"songs": ["a.roll", "long.roll", "b.roll"]}
    both = ["cue a.roll", "other cue long.roll", "start -2", "other start -2", "+ 2500"]
    got = acts(evening, LEAD | songs, "+ 4000", *both, "pause", "+ 600", listener=songs)
    for lead, other in (got["steps"][5], got["steps"][-1]):
        assert lead[1] == "a.roll" and other[:3] == [PLAYING, "long.roll", True]
    silent = ["stop", "+ 12000", "cue b.roll", "start -2", "+ 2500"]
    got = acts(evening, LEAD | songs, "+ 4000", *both, *silent, listener=songs)
    lead, other = got["steps"][-1]
    assert lead[:3] == other[:3] == [PLAYING, "b.roll", True] and abs(lead[3] - other[3]) <= 10


def test_a_repeat_of_start_leaves_the_others_as_they_are(evening: Path) -> None:
    """A computer over UDP says it three times, 30 ms apart."""
    songs = {"songs": ["long.roll", "a.roll"]}
    starts = ["start -0.300", "start -0.279", "start -0.258", "start -0.237"]
    got = acts(evening, LEAD | songs, "+ 4000", "cue long.roll", *starts, "+ 1500", listener=songs)
    lead, other = got["steps"][-1]
    assert lead[:3] == other[:3] == [PLAYING, "long.roll", True] and abs(lead[3] - other[3]) <= 10


def test_the_button_pressed_twice_starts_the_others_again(evening: Path) -> None:
    """The second start waits until the stop on the wire is over."""
    songs = {"songs": ["long.roll", "a.roll"]}
    presses = ["press 200", "+ 2000", "press 100", "+ 60", "press 100", "+ 2500"]
    got = acts(evening, LEAD | songs, "+ 5000", *presses, listener=songs)
    lead, other = got["steps"][-1]
    assert lead[0] == other[0] == PLAYING and lead[1] == other[1]
    assert abs(lead[3] - other[3]) <= 10


def test_a_lead_that_is_started_at_once_says_stop_before_the_song(folder: Path) -> None:
    """Listeners with several songs begin none before their first stop, and may have kept their place from before."""
    songs = {"songs": ["a.roll", "b.roll", "c.roll"], "pause_s": 1}
    got = acts(folder, LEAD | songs, "+ 1000", "press 300", "+ 1500", "+ 4000", listener=songs)
    lead, other = got["steps"][-2]
    assert lead[:3] == other[:3] == [PLAYING, "a.roll", True] and abs(lead[3] - other[3]) <= 10
    lead, other = got["steps"][-1]
    assert lead[:3] == other[:3] == [PLAYING, "b.roll", True] and abs(lead[3] - other[3]) <= 10
