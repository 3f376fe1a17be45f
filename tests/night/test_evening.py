"""evening.toml: what it may say, every fault at once, and what the clock makes of it."""

from __future__ import annotations

import random
from datetime import datetime, timedelta
from itertools import islice
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from composer.faults import Faults
from composer.night.evening import (
    Evening,
    alone,
    brightness_at,
    evening_file,
    find_evening,
    load_evening,
    order,
    plain,
    window,
    within,
)

WHOLE = """\
format = 1
shows = ["quay", "ebb"]
shuffle = true
rounds = "until end"
pause = "20 s"
look = "embers"

[times]
start = "17:30"
end = "0:30"
cut = true

[quiet]
hours = "22:30-07:00"

[brightness]
"17:30" = 0.8
"21:00" = 0.4

[sound]
device = "Harbour USB"
offset_ms = 35

[boards]
network = ["broadcast", "192.168.4.21:5006"]
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name in ("quay", "ebb", "embers"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "score.toml").write_text("format = 1\n", encoding="utf-8")
    return tmp_path


def read(folder: Path, text: str) -> Evening:
    path = folder / "evening.toml"
    path.write_text(text, encoding="utf-8")
    return load_evening(path)


def at(clock: str, day: int = 24) -> datetime:
    hour, minute = map(int, clock.split(":"))
    return datetime(2026, 12, day, hour, minute)


def test_everything_that_an_evening_may_say(folder: Path) -> None:
    assert read(folder, WHOLE) == Evening(
        shows=(folder / "quay", folder / "ebb"),
        shuffle=True,
        rounds=None,
        pause_s=20.0,
        look=folder / "embers",
        start=17 * 60 + 30,
        end=30,
        cut=True,
        quiet_hours=(22 * 60 + 30, 7 * 60),
        brightness=((17 * 60 + 30, 0.8), (21 * 60, 0.4)),
        device="Harbour USB",
        offset_ms=35.0,
        network=("broadcast", "192.168.4.21:5006"),
    )


def test_the_least_that_an_evening_must_say(folder: Path) -> None:
    assert read(folder, 'format = 1\nshows = ["quay"]') == plain([folder / "quay"])


def test_every_fault_at_once_each_with_its_place(folder: Path) -> None:
    text = (
        WHOLE.replace('"ebb"', '"ebbe"')
        .replace('"20 s"', '"2 beats"')
        .replace('"0:30"', '"24:30"')
        .replace('"22:30-07:00"', '"22:30"')
        .replace('"21:00" = 0.4', '"21:00" = 4')
        .replace("device", "devise")
        .replace("offset_ms = 35", "offset_ms = 9999")
        .replace("shuffle = true", 'shuffle = "yes"')
    )
    with pytest.raises(Faults) as caught:
        read(folder, text)
    told = str(caught.value).replace(f"{folder / 'evening.toml'}: ", "").splitlines()
    assert sorted(told) == sorted(
        [
            'shows[2]: "ebbe" is no show: there is no ebbe/score.toml (did you mean "ebb"?)',
            'pause: "2 beats" needs seconds, such as "20 s": between songs there are no beats',
            'times.end: "24:30" is no clock time, such as "21:30"',
            'rounds: is "until end", and [times] has no end',
            'quiet.hours: "22:30" needs two clock times, such as "22:00-07:00"',
            "brightness.21:00: 4 is out of range, 0 to 1",
            'sound.devise: unknown key (did you mean "device"?)',
            "sound.offset_ms: 9999 is out of range, -2000 to 2000",
            'shuffle: needs true or false, got the text "yes"',
        ]
    )


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("format = 1", "shows: is missing"),
        ("format = 1\nshows = []", "needs at least one show"),
        ('format = 2\nshows = ["quay"]', "format: this program reads format 1"),
        ('format = 1\nshows = ["quay"]\nrounds = "forever"', 'rounds: needs a whole number, or "until end"'),
        ('format = 1\nshows = ["quay"]\nrounds = 0', "rounds: 0 is out of range"),
        ('format = 1\nshows = ["quay"]\n[times]\nstart = "9:00"\nend = "9:00"', "times.end: is the same time"),
        ('format = 1\nshows = ["quay"]\n[quiet]\nhours = "9:00-9:00"', "quiet.hours: start and end at the same"),
        ('format = 1\nshows = ["quay"]\n[brightness]\nlate = 1', "brightness.late: is no clock time"),
        ('format = 1\nshows = ["quay"]\n[brightness]\n"21:00" = "half"', "brightness.21:00: needs a number"),
        (
            'format = 1\nshows = "quay"\npause = "a while"',
            'pause: "a while" is not a time in seconds, such as "20 s"',
        ),
        ('format = 1\nshows = ["quay"]\npause = 20', 'pause: needs quotes and a unit: pause = "20 s"'),
        (
            'format = 1\nshows = ["quay"]\n[times]\nend = "22.30"',
            'times.end: "22.30" is no clock time, such as "21:30" (did you mean "22:30"?)',
        ),
        ('format = 1\nshows = ["quay"]\nlook = 5', "look: needs text in quotes"),
        ('format = 1\nshows = ["quay"]\n[quiet]\nhours = 22', "quiet.hours: needs text in quotes, got the number 22"),
        (
            'format = 1\nshows = ["quay"]\n[times]\nstart = 17:30:00',
            'times.start: needs a clock time in quotes, such as "21:30", got a time',
        ),
    ],
)
def test_single_faults(folder: Path, text: str, message: str) -> None:
    with pytest.raises(Faults) as caught:
        read(folder, text)
    assert message in str(caught.value)
    assert len(caught.value.faults) == 1


def test_the_command_line_names_shows_or_one_evening(folder: Path) -> None:
    path = folder / "evening.toml"
    path.write_text('format = 1\nshows = ["ebb"]', encoding="utf-8")
    assert find_evening([path]).shows == (folder / "ebb",)
    shows = [folder / "quay", folder / "ebb" / "score.toml"]
    assert find_evening(shows).shows == tuple(shows)
    with pytest.raises(Faults, match="an evening stands alone"):
        find_evening([folder / "quay", path])
    (folder / "rig.toml").write_text("[string.rail]\npixels = 5\n", encoding="utf-8")
    with pytest.raises(Faults, match=r"rig\.toml: is a rig: name the folder of a show, or an evening\.toml\Z"):
        find_evening([folder / "rig.toml"])


def test_another_toml_than_an_evening_is_told_in_one_line(folder: Path) -> None:
    def told(name: str, text: str, *others: Path) -> str:
        (folder / name).write_text(text, encoding="utf-8")
        with pytest.raises(Faults) as caught:
            find_evening([folder / name, *others])
        return str(caught.value).removeprefix(str(folder))

    quay = folder / "quay"
    rig = f'/quay/rig.toml: is a rig: name the folder of a show ("{quay}"), or an evening.toml'
    assert told("quay/rig.toml", "[supply.shed]\nvolts = 5\n") == rig
    assert told("quay/rig.toml", "[supply.shed]\nvolts = 5\n", folder / "ebb") == rig
    other = 'is no evening, which has format = 1 and shows = ["FOLDER", ...]: name one, or the folder of a show'
    assert told("tool.toml", "[project]\nname = 1\n") == f"/tool.toml: {other}"
    assert told("quay/tool.toml", "[tool]\n") == f'/quay/tool.toml: {other} ("{quay}")'
    assert told("evening.toml", "pause = 5\n").count("\n") == 2  # an evening with faults: each is told
    assert told("empty.toml", "").count("\n") == 1


def test_a_score_of_any_name_is_a_show_as_for_the_other_verbs(folder: Path) -> None:
    score = folder / "quay" / "second.toml"
    score.write_text('format = 1\nsong = "tide.wav"\n', encoding="utf-8")
    assert evening_file([score]) is None
    assert find_evening([score, folder / "ebb"]) == plain([score, folder / "ebb"])


# ---- by the clock ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("now", "start", "end"),
    [
        ("16:00", at("17:30"), at("0:30", 25)),  # before it
        ("17:30", at("17:30"), at("0:30", 25)),
        ("23:00", at("23:00"), at("0:30", 25)),  # in the middle: at once
        ("0:10", at("0:10"), at("0:30")),  # after midnight, still in the middle
        ("0:30", at("17:30"), at("0:30", 25)),  # it is over: the next one
        ("9:00", at("17:30"), at("0:30", 25)),
    ],
)
def test_when_an_evening_over_midnight_starts_and_ends(now: str, start: datetime, end: datetime) -> None:
    evening = Evening((), start=17 * 60 + 30, end=30)
    assert window(evening, at(now)) == (start, end)


def test_an_evening_without_a_start_starts_now_and_without_an_end_has_none() -> None:
    now = at("20:15")
    assert window(Evening(()), now) == (now, None)
    assert window(Evening((), end=19 * 60), now) == (now, at("19:00", 25))
    assert window(Evening((), start=18 * 60), now) == (at("18:00", 25), None)


@given(st.integers(0, 1439), st.integers(0, 1439), st.integers(0, 1439))
def test_a_span_of_clock_time_and_its_complement_are_the_day(minute: int, start: int, end: int) -> None:
    inside, outside = within(minute, (start, end)), within(minute, (end, start))
    assert (inside != outside) if start != end else (inside and outside)


def test_quiet_hours_run_over_midnight() -> None:
    hours = (22 * 60 + 30, 7 * 60)
    told = [within(60 * h + m, hours) for h, m in ((22, 29), (22, 30), (0, 0), (6, 59), (7, 0))]
    assert told == [False, True, True, True, False]
    assert not within(0, None)


@given(st.integers(0, 1439), st.sampled_from([None, 1080]), st.sampled_from([None, 30, 1380]))
def test_an_evening_ends_after_it_starts_and_starts_not_in_the_past(
    minute: int, start: int | None, end: int | None
) -> None:
    now = datetime(2026, 12, 24) + timedelta(minutes=minute)
    begins, ends = window(Evening((), start=start, end=end), now)
    assert now <= begins < now + timedelta(days=1)
    assert ends is None or begins < ends <= begins + timedelta(days=1, minutes=1)


@pytest.mark.parametrize(
    ("now", "share"), [("17:00", 0.4), ("17:30", 0.8), ("20:59", 0.8), ("21:00", 0.4), ("3:00", 0.4)]
)
def test_brightness_by_the_hour_holds_over_midnight(now: str, share: float) -> None:
    evening = Evening((), brightness=((17 * 60 + 30, 0.8), (21 * 60, 0.4)))
    assert brightness_at(evening, at(now)) == share


def test_without_entries_the_clock_dims_nothing() -> None:
    assert brightness_at(Evening(()), at("3:00")) == 1.0


# ---- the order ---------------------------------------------------------------------------------------------------


def numbered(count: int, **more: object) -> Evening:
    return Evening(tuple(Path(str(i)) for i in range(count)), **more)  # type: ignore[arg-type]


def test_as_written_round_by_round() -> None:
    assert list(order(numbered(3, rounds=2), random.Random(1))) == [0, 1, 2, 0, 1, 2]


@given(st.integers(2, 6), st.integers())
def test_shuffled_every_show_comes_once_a_round_and_never_twice_in_a_row(count: int, seed: int) -> None:
    got = list(islice(order(numbered(count, shuffle=True, rounds=None), random.Random(seed)), 8 * count))
    rounds = [got[i : i + count] for i in range(0, len(got), count)]
    assert all(sorted(one) == list(range(count)) for one in rounds)
    assert all(a != b for a, b in zip(got, got[1:], strict=False))


def test_what_boards_keep_of_an_evening(folder: Path) -> None:
    evening = read(folder, WHOLE)
    assert alone(evening, ["quay.roll", "ebb.roll"], "embers.roll") == {
        "songs": ["quay.roll", "ebb.roll"],
        "loop": True,
        "pause_s": 20,
        "quiet_look": "embers.roll",
    }
