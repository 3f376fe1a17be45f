"""Fear: a correction moves what it should not, is lost, or cannot be taken back.

The map is the hand-made one of `made_map`: beats at 0.5, 1.0 ... 16.5 s, bar lines at 1.0, 3.0 ... 15.0 s. Expected
times are worked by hand from that.
"""

from __future__ import annotations

import tempfile
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest
import tomlkit
from hypothesis import given, settings
from hypothesis import strategies as st
from made_map import BARS, BEATS, a_map

from composer import songmap
from composer.clock import Span
from composer.faults import Faults
from composer.songmap import Anchor, Fixes, apply_fixes, fixes


def fixed(**what: object) -> songmap.SongMap:
    return apply_fixes(a_map(), Fixes(**what))  # type: ignore[arg-type]


def from_text(tmp_path: Path, text: str) -> Fixes:
    path = tmp_path / "quay.fix.toml"
    path.write_text(text)
    return songmap.load_fixes(path)


def test_no_fixes_change_nothing() -> None:
    before = a_map()
    after = apply_fixes(before, Fixes())
    assert (after.beats, after.bars, after.grid, after.sections) == (
        before.beats, before.bars, before.grid, before.sections
    )  # fmt: skip
    assert after.confidence == 0.75


def test_double_puts_a_beat_between_every_two() -> None:
    song_map = fixed(level="double")
    assert song_map.beats[:4] == (0.5, 0.75, 1.0, 1.25)
    assert song_map.tempo == pytest.approx(240.0)
    assert song_map.bar_times[:3] == (1.0, 2.0, 3.0)
    assert song_map.beats_per_bar == 4
    # The last line heard is at 15 s: of the bar from there to the last beat, 16.5 s, a second bar is now heard.
    assert song_map.bar_times[-3:] == (14.0, 15.0, 16.0)


def test_half_takes_the_beats_that_were_heard_so() -> None:
    song_map = fixed(level="half")  # of two halves of the beats, the one that the reading called half has
    assert song_map.beats[:3] == (0.5, 1.5, 2.5)
    assert song_map.bars == (0, 4, 8, 12, 16)


def with_reading(name: str, beats: list[float], bars: list[int]) -> songmap.SongMap:
    """The map with another reading of the beat beside it."""
    made = a_map()
    other = {"name": name, "beats": beats, "bars": bars, "beats_per_bar": 4, "phases": {"3": 1}}
    return replace(made, heard={**made.heard, "alternatives": [other]})


def test_double_keeps_the_beats_that_are_there_where_another_reading_counts_otherwise() -> None:
    # Seven beats where eight belong in a quiet intro, then two to a beat: 6 s of the 16.5 s at 7/8 of the pace.
    intro = [0.5 + i * 2 / 7 for i in range(21)]
    rest = [6.5 + 0.25 * i for i in range(41)]
    made = apply_fixes(with_reading("double", intro + rest, list(range(0, 62, 4))), Fixes(level="double"))
    assert made.beats == tuple(0.5 + 0.25 * i for i in range(65))
    assert made.bar_times[:2] == (1.0, 2.0)


def test_half_keeps_every_other_beat_where_another_reading_counts_otherwise() -> None:
    intro = [0.5 + i * 8 / 7 for i in range(7)]
    rest = [8.5 + i for i in range(9)]
    made = apply_fixes(with_reading("half", intro + rest, [0, 4, 8, 12]), Fixes(level="half"))
    assert made.beats == BEATS[1::2]  # from the first bar line


def test_half_takes_bars_from_a_reading_of_the_same_beats() -> None:
    # 4 ms off throughout, and it begins two beats later: the beats stay where they are, the bars are the reading's.
    beats = [1.504 + i for i in range(15)]
    made = with_reading("half", beats, [1, 5, 9, 13])
    assert apply_fixes(made, Fixes(level="half")).beats == BEATS[::2]
    assert apply_fixes(made, Fixes(level="half")).bar_times[:2] == (2.5, 6.5)
    threes = apply_fixes(made, Fixes(level="half", beats_per_bar=3))
    assert threes.bar_times[:2] == (2.5, 5.5)  # the phase that was heard for three, one beat further on


def test_double_keeps_the_bar_lines_that_are_there() -> None:
    beats = [0.5 + 0.25 * i for i in range(65)]
    made = apply_fixes(with_reading("double", beats, list(range(0, 65, 4))), Fixes(level="double"))
    assert made.bar_times[:3] == (1.0, 2.0, 3.0)


def test_a_quarter_halves_twice_and_keeps_the_first_bar_line() -> None:
    song_map = fixed(level="quarter")
    assert song_map.beats[:3] == (1.0, 3.0, 5.0)
    assert song_map.bar_times[0] == 1.0


def test_three_for_two() -> None:
    song_map = fixed(level="3:2")  # three beats where two were heard, from the first bar line
    assert song_map.tempo == pytest.approx(180.0, abs=0.01)
    assert song_map.bar_times[0] == pytest.approx(1.0)
    assert song_map.beats[2] - song_map.beats[1] == pytest.approx(1 / 3, abs=1e-5)


def test_half_a_beat_later_moves_beats_and_a_whole_beat_moves_bar_lines() -> None:
    half = fixed(shift=Span(beats=Fraction(1, 2)))
    assert half.beats[:2] == (0.75, 1.25)
    assert half.bars == BARS
    whole = fixed(shift=Span(beats=Fraction(1)))
    assert whole.beats == BEATS
    assert whole.bar_times[:2] == (1.5, 3.5)
    assert fixed(shift=Span(beats=Fraction(-1))).bar_times[:2] == (0.5, 2.5)


def test_a_shift_in_seconds_moves_everything_and_drops_what_leaves_the_song() -> None:
    song_map = fixed(shift=Span(seconds=Fraction(-3, 5)))
    assert song_map.beats[0] == pytest.approx(0.4)
    assert song_map.bar_times[0] == pytest.approx(0.4)


def test_a_shift_that_leaves_no_beat_in_the_song_is_refused() -> None:
    with pytest.raises(Faults, match=r"shift: 40 s moves every beat out of the song, 17\.0 s long"):
        fixed(shift=Span(seconds=Fraction(40)))
    assert fixed(shift=Span(seconds=Fraction(16))).beats == (16.5, 17.0)


def test_a_bar_length_takes_the_phase_that_was_heard_for_it() -> None:
    song_map = fixed(beats_per_bar=3)
    assert song_map.bars[:3] == (2, 5, 8)
    assert song_map.beats_per_bar == 3


def test_bar_one_starts_where_a_person_says() -> None:
    song_map = fixed(first_bar=4.6)  # nearest beat: 4.5 s, index 8
    assert song_map.bars[:2] == (8, 12)


def test_one_anchor_shifts_and_two_stretch() -> None:
    one = fixed(anchors=(Anchor(3, 5.1),))  # bar 3 was heard at 5.0 s
    assert one.bar_times[:3] == pytest.approx((1.1, 3.1, 5.1))
    two = fixed(anchors=(Anchor(1, 1.0), Anchor(5, 11.0)))  # 16 beats in 10 s: 96 a minute
    assert two.bar_times[:5] == pytest.approx((1.0, 3.5, 6.0, 8.5, 11.0))
    assert two.beats[2] - two.beats[1] == pytest.approx(0.625)


def test_an_anchor_that_leaves_no_room_is_a_fault() -> None:
    with pytest.raises(Faults, match="bar 8 cannot start at 2 s: bar 1 would lie before the song"):
        fixed(anchors=(Anchor(8, 2.0),))


def test_a_tempo_picks_the_nearest_reading_or_lays_an_even_beat() -> None:
    assert fixed(tempo=61.0).beats[:2] == (0.5, 1.5)
    even = fixed(tempo=100.0)
    assert even.tempo == pytest.approx(100.0, abs=0.01)
    assert even.beats[1] - even.beats[0] == pytest.approx(0.6)
    assert even.confidence == 1.0


@pytest.mark.parametrize("sound", [(0.0, 0.0), (4.0, 4.2)])
def test_a_tempo_lays_an_even_beat_through_a_song_without_one(sound: tuple[float, float]) -> None:
    heard = {**a_map().heard, "beats": [], "bars": [], "alternatives": [], "phases": {}}
    heard |= {"first_sound": sound[0], "last_sound": sound[1]}
    silent = replace(a_map(), onsets={"low": (), "mid": (), "high": ()}, beats=(), bars=(), heard=heard)
    beats = apply_fixes(silent, Fixes(tempo=100.0)).beats  # 0.6 s each, 17 s
    assert beats == pytest.approx([sound[0] + 0.6 * i for i in range(int((17.0 - sound[0]) / 0.6) + 1)])


def test_of_readings_of_one_tempo_the_first_is_taken() -> None:
    """A reading of 120.3 beats a minute on the half beats is no nearer to 121 than what was believed most, at 120."""
    others = with_reading("off-beat", [round(0.75 + 60 / 120.3 * i, 6) for i in range(32)], list(range(0, 32, 4)))
    assert apply_fixes(others, Fixes(tempo=121.0)).beats == BEATS


def test_sections_follow_the_bar_lines_and_take_their_names() -> None:
    song_map = fixed(section_names={"A": "verse"})
    assert [(s.start, s.end, s.name) for s in song_map.sections] == [
        (1.0, 9.0, "verse"), (9.0, 13.0, "B"), (13.0, 16.9, "verse"),
    ]  # fmt: skip
    own = fixed(sections=(("1", "intro"), ("3", "song")))
    assert [(s.start, s.end, s.name) for s in own.sections] == [(1.0, 5.0, "intro"), (5.0, 16.9, "song")]


def test_labels_are_seconds_or_places_in_bars() -> None:
    assert fixed(labels={"door": (4.25, "2.3")}).labels == {"door": (4.0, 4.25)}
    with pytest.raises(Faults, match='labels.door: "40.1" lies outside the song'):
        fixed(labels={"door": ("40.1",)})


@pytest.mark.parametrize(
    ("written", "second"),
    [("2.3 + 20 ms", 4.02), ("2.3 - 1 bar", 2.0), ("2.3 + 1/2 bar", 5.0), ("4s + 1 beat", 4.5), ("4.25s - 1 s", 3.25)],
)
def test_what_is_added_to_the_place_of_a_label_counts_whatever_its_unit(written: str, second: float) -> None:
    """A beat lasts half a second, a bar two."""
    assert fixed(labels={"door": (written,)}).labels == {"door": (second,)}


def test_what_lies_after_the_song_is_a_fault_in_seconds_too() -> None:
    """The song is 17 s long."""
    after = "lies outside the song, 17.0 s long"
    with pytest.raises(Faults, match=f"labels.door: 40 s {after}"):
        fixed(labels={"door": (2.0, 40.0)})
    with pytest.raises(Faults, match=rf'section\[2\].at: "40s" {after}'):
        fixed(sections=(("1", "intro"), ("40s", "coda")))
    with pytest.raises(Faults, match=f"first_bar: 40 s {after}"):
        fixed(first_bar=40.0)
    with pytest.raises(Faults, match=f"anchor: bar 3 at 40 s {after}"):
        fixed(anchors=(Anchor(3, 40.0),))
    assert fixed(labels={"end": (17.0,)}).labels == {"end": (17.0,)}


def test_two_sections_of_one_start_are_a_fault() -> None:
    with pytest.raises(Faults, match='section: "song" and "verse" both start at 5 s: one would have no length'):
        fixed(sections=(("1", "intro"), ("3", "verse"), ("5s", "song")))


def test_a_name_for_a_section_that_was_not_heard_is_a_fault() -> None:
    with pytest.raises(Faults, match="no section of this name was heard; there are A, B"):
        fixed(section_names={"C": "coda"})


def test_all_faults_of_a_file_come_at_once(tmp_path: Path) -> None:
    text = 'format = 1\ntempo = 9000\nlevel = "duble"\nshift = "soon"\nbeats_per_bar = 3.5\nbeatz = 2\n'
    text += '[[anchor]]\nbar = 2\nat = 5.0\n[[anchor]]\nbar = 3\nat = 4.0\n[labels]\nx = "noon"\n'
    text += '[sections]\nA = ["verse"]\n'
    with pytest.raises(Faults) as caught:
        from_text(tmp_path, text)
    lines = [str(fault).split("quay.fix.toml: ")[1] for fault in caught.value.faults]
    starts = "tempo: ", "level: ", "shift: ", "beats_per_bar: ", "beatz: unknown key", "anchor: bar 3", "labels."
    for start in (*starts, "sections.A: needs text in quotes"):
        assert any(line.startswith(start) for line in lines), start
    assert any('did you mean "double"' in line for line in lines)


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("shift = 20", 'shift: needs a length in quotes, "20 ms" or "1 beat", got the number 20'),
        ('[labels]\nx = "noon"', 'labels.x: "noon" is no place: write a bar like "17.1", or seconds like "31.4s"'),
        ('[labels]\nx = "end"', 'labels.x: "end" is no place: write a bar like "17.1", or seconds like "31.4s"'),
    ],
)
def test_a_fault_says_what_may_stand_there_and_nothing_else(tmp_path: Path, text: str, fault: str) -> None:
    with pytest.raises(Faults) as caught:
        from_text(tmp_path, f"format = 1\n{text}\n")
    assert [str(one).split("quay.fix.toml: ")[1] for one in caught.value.faults] == [fault]


def test_fixes_are_written_with_comments_kept_and_taken_back(tmp_path: Path) -> None:
    path = tmp_path / "quay.fix.toml"
    songmap.write_fixes(path, {"tempo": 92.5, "labels": {"door": [1.5]}}, "quay.wav")
    text = path.read_text()
    assert text.startswith("# Corrections to what was heard in quay.wav.")
    path.write_text(text + "# my own note\n")
    songmap.write_fixes(path, {"tempo": None, "level": "half", "labels": {"gate": ["2.1"]}})
    fixes = songmap.load_fixes(path)
    assert (fixes.tempo, fixes.level) == (None, "half")
    assert fixes.labels == {"door": (1.5,), "gate": ("2.1",)}
    assert "# my own note" in path.read_text()
    with pytest.raises(Faults, match="tempo: 5 is out of range"):
        songmap.write_fixes(path, {"tempo": 5})
    assert songmap.load_fixes(path) == fixes


@pytest.mark.parametrize("mark", ["", "\ufeff"])
def test_a_file_keeps_its_line_ends_and_the_mark_at_its_head(tmp_path: Path, mark: str) -> None:
    path = tmp_path / "quay.fix.toml"
    path.write_bytes(f"{mark}# mine\r\nformat = 1\r\n".encode())
    songmap.write_fixes(path, {"tempo": 92.5})
    assert path.read_bytes().decode() == f"{mark}# mine\r\nformat = 1\r\ntempo = 92.5\r\n"


def test_a_song_s_name_may_hold_what_a_comment_may_not(tmp_path: Path) -> None:
    path = tmp_path / "quay.fix.toml"
    songmap.write_fixes(path, {"tempo": 92.5}, "quay\n\x07.wav")
    assert path.read_text().startswith("# Corrections to what was heard in quay??.wav.")
    assert songmap.load_fixes(path).tempo == 92.5


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("[grid]\nbeats = [0.5, 0.5000001]\nbars = [0]\n", "grid.beats: times must ascend"),
        ("[[anchor]]\nbar = 1\nat = 5\n[[anchor]]\nbar = 2\nat = 5.000001\n", "anchor: bars lie so near"),
        ("[[anchor]]\nbar = 1\nat = 2\n[[anchor]]\nbar = 50000\nat = 3\n", "anchor: bars lie so near"),
    ],
)
def test_beats_that_a_microsecond_does_not_tell_apart_are_refused(tmp_path: Path, text: str, fault: str) -> None:
    with pytest.raises(Faults, match=fault):
        apply_fixes(a_map(), from_text(tmp_path, text))


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[grid]\nbeats = ['x']\nbars = [0]\n", "grid.beats: needs a list of times in seconds"),
        ('shift = "--20 ms"\n', 'shift: "-20 ms" is not a length: write "2 bars", "1/2 beat" or "0.5 s"'),
    ],
)
def test_one_slip_is_one_fault(tmp_path: Path, text: str, says: str) -> None:
    with pytest.raises(Faults) as raised:
        from_text(tmp_path, text)
    assert [f"{fault.where}: {fault.what}" for fault in raised.value.faults] == [says]


def test_an_edit_that_would_lose_a_block_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "song.fix.toml"
    text = "format = 1\n\n[[anchor]]\nbar = 1\nat = 1.0\n\n[[anchor]]\nbar = 5\nat = 9.0\n"
    path.write_text(text)
    whole = tomlkit.dumps
    monkeypatch.setattr(
        tomlkit, "dumps", lambda document: whole(document).replace("[[anchor]]\nbar = 5\nat = 9.0\n", "")
    )
    with pytest.raises(Faults, match="cannot be edited"):
        songmap.write_fixes(path, {"shift": "20 ms"})
    assert path.read_text() == text


def test_a_missing_file_is_no_fixes(tmp_path: Path) -> None:
    fixes = songmap.load_fixes(tmp_path / "none.fix.toml")
    assert fixes.id == Fixes().id
    assert not fixes.tell_the_beat


_fixes = st.builds(
    Fixes,
    level=st.sampled_from(["", *songmap.LEVELS]),
    tempo=st.sampled_from([None, 60.0, 97.0, 240.0]),
    shift=st.builds(
        Span, beats=st.fractions(-3, 3, max_denominator=4), seconds=st.fractions(-1, 1, max_denominator=10)
    ),
    beats_per_bar=st.sampled_from([None, 2, 3, 4, 7]),
    first_bar=st.sampled_from([None, 0.0, 4.6, 16.0]),
)


@settings(max_examples=80, deadline=None)
@given(fixes=_fixes)
def test_any_fixes_leave_a_good_map_and_can_be_applied_again(fixes: Fixes) -> None:
    once = apply_fixes(a_map(), fixes)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "quay.map.json"
        songmap.save_map(once, path)
        assert songmap.load_map(path) == once
    twice = apply_fixes(once, fixes)
    assert (twice.beats, twice.bars, twice.grid) == (once.beats, once.bars, once.grid)
    back = apply_fixes(twice, Fixes())
    assert (back.beats, back.bars, back.confidence) == (BEATS, BARS, 0.75)


def test_half_the_beats_keep_the_number_of_beats_in_a_bar() -> None:
    """A reading of half the tempo that would rather count six keeps to four, if it knows where bars of four begin."""
    heard = songmap.Grid(tuple(0.5 * i for i in range(48)), tuple(range(0, 48, 4)), 4)
    reading = songmap.Grid(heard.beats[0::2], tuple(range(2, 24, 6)), 6)
    kept = fixes._half_of(heard, reading, {"4": 2, "6": 2})
    assert kept is not None
    assert (kept[0].beats, kept[0].beats_per_bar, kept[0].bars) == (heard.beats[0::2], 4, (2, 6, 10, 14, 18, 22))
    unknown = fixes._half_of(heard, reading, {"6": 2})
    assert unknown is not None and unknown[0].beats_per_bar == 6


def with_notes(**what: object) -> songmap.SongMap:
    """Beats of 0.5 s from 0.5 s and bars of four given whole, with three notes: on beat 1, beat 2 and near the end."""
    grid = songmap.Grid(tuple(0.5 + 0.5 * i for i in range(32)), tuple(range(0, 32, 4)), 4)
    notes = {"midi 10/36": (0.5, 1.0, 16.9)}
    return fixed(grid=grid, notes=notes, labels={"door": (2.0,), "bell": ("2.1",)}, **what)


@pytest.mark.parametrize(
    ("what", "notes"),
    [
        ({}, (0.5, 1.0, 16.9)),
        ({"shift": Span(seconds=Fraction(1, 2))}, (1.0, 1.5)),  # 17.4 s lies past the end, at 17 s
        ({"shift": Span(seconds=Fraction(-3, 5))}, (0.4, 16.3)),  # and -0.1 s before the start
        ({"shift": Span(beats=Fraction(1, 2))}, (0.75, 1.25)),
        ({"shift": Span(beats=Fraction(2))}, (0.5, 1.0, 16.9)),  # whole beats move bar lines alone
        ({"anchors": (Anchor(1, 0.6),)}, (0.6, 1.1, 17.0)),
        (
            {"anchors": (Anchor(1, 0.5), Anchor(3, 2.5))},
            (0.5, 0.75, 14.9),
        ),  # 8 beats in 2 s: 0.25 s each, then 2 s less
    ],
)
def test_notes_go_where_the_beats_go_that_they_came_with(what: dict[str, object], notes: tuple[float, ...]) -> None:
    song_map = with_notes(**what)
    assert song_map.labels["midi 10/36"] == pytest.approx(notes)
    assert song_map.labels["door"] == (2.0,)  # a person's own, in seconds of the recording


def test_notes_and_a_persons_labels_of_one_name_are_one_label() -> None:
    grid = songmap.Grid((1.0, 1.5, 2.0), (0,), 4)
    both = fixed(grid=grid, notes={"kick": (1.0,)}, labels={"kick": (3.0,)}, shift=Span(seconds=Fraction(1, 2)))
    assert both.labels["kick"] == (1.5, 3.0)


def test_notes_stay_where_they_are_once_their_beats_are_taken_back() -> None:
    alone = fixed(notes={"kick": (1.0,)}, shift=Span(seconds=Fraction(1, 2)))
    assert alone.labels["kick"] == (1.0,)
