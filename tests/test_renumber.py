"""Moving a score's addresses when the bars change: the moments stay, to the letter everything else."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from pathlib import Path

import pytest
from shows import made_map

from composer.faults import FaultList, Faults, Table
from composer.pipeline import score_and_song
from composer.renumber import renumbered
from composer.score.times import stretch_of
from composer.songmap import Grid, SongMap, grid_id, remember, with_grid
from composer.songmap.grid import doubled
from composer.songmap.mapfile import GRIDS_KEPT

PATH = Path("score.toml")
SCORE = """\
# mine
format = 1
song = "tide.wav"
grid = "{grid}"   # bars of four

[[clip]]
zone = "rail"     # comment kept
effect = "hold"
bars = "3"        # two bars in

[[trigger]]
on = "kick"
bars = "1-2"
clip = {{zone = "rail", effect = "accent"}}

[[clip]]
zone = "rail"
effect = "hold"
at = '2.3+1/2 + 1 bar'
to = "end"

[[master]]
at = "3.1"
level = 0.5

[[phrase.wave]]
zone = "rail"
effect = "run"
bars = "1-2"

[order]
wave = [
    "2",          # "5" is no address here
    "4.1", "8s",
]
"""


@pytest.fixture
def song(tmp_path: Path) -> SongMap:
    """16 s at 120 beats a minute in bars of four."""
    (tmp_path / "tide.wav").write_bytes(b"only its hash counts")
    return made_map(tmp_path / "tide.wav", 16.0)


def on(song: SongMap, grid: Grid) -> SongMap:
    """The song on another numbering, the old one remembered."""
    return remember(with_grid(song, grid), song)


def test_addresses_move_from_bars_of_four_to_bars_of_three(song: SongMap) -> None:
    threes = on(song, Grid(song.beats, tuple(range(0, len(song.beats), 3)), 3))
    text, notes = renumbered(SCORE.format(grid=song.grid), PATH, threes)
    moved = tomllib.loads(text)
    # By hand: bar 3 of four starts on beat 8 (from 0), which is beat 3 of bar 3 of three; it ended on beat 12 = bar 5.
    assert (moved["clip"][0]["at"], moved["clip"][0]["to"]) == ("3.3", "5.1")
    # Bars 1-2 of four end on beat 8.
    assert (moved["trigger"][0]["at"], moved["trigger"][0]["to"]) == ("1.1", "3.3")
    # 2.3+1/2 of four is beat 6.5: beat 1.5 of bar 3. What is added stays as written.
    assert moved["clip"][1]["at"] == "3.1+1/2 + 1 bar"
    assert moved["clip"][1]["to"] == "end"
    assert moved["master"][0]["at"] == "3.3"
    # Bar 2 of four is beat 4, bar 4 is beat 12.
    assert moved["order"]["wave"] == ["2.2", "5.1", "8s"]
    assert moved["phrase"]["wave"][0]["bars"] == "1-2"
    assert moved["grid"] == threes.grid
    # What counts bars by their length, and not by their number, now means three beats.
    told = "a bar has 3 beats now, not 4: lengths in bars stay as written, look at clip[2].at, phrase.wave"
    assert notes == [told]
    plain = SCORE.replace("[[phrase.wave]]", "[[clip]]").partition("[order]")[0].replace(" + 1 bar", "")
    assert renumbered(plain.format(grid=song.grid), PATH, threes)[1] == []
    pulsed = plain.replace("accent", 'blend", every = "2 bars", for = "1 beat')
    assert renumbered(pulsed.format(grid=song.grid), PATH, threes)[1][0].endswith("look at trigger[1].clip.every")
    risen = plain.replace('bars = "3" ', 'bars = "3"\nopacity = [["1.1", 0.2], ["2.1", 1]]').format(grid=song.grid)
    assert renumbered(risen, PATH, threes)[1][0].endswith("look at clip[1].opacity")
    assert renumbered(risen.replace("2.1", "1.3"), PATH, threes)[1] == []


def test_lengths_in_bars_are_told_of_where_bars_are_uneven(song: SongMap) -> None:
    uneven = on(song, Grid(song.beats, (0, 4, 6, *range(10, len(song.beats), 4)), 4))  # bar 2 has two beats
    told = "bars are not all of one length: lengths in bars stay as written, look at clip[2].at, phrase.wave"
    assert renumbered(SCORE.format(grid=song.grid), PATH, uneven)[1] == [told]
    later = on(song, Grid(song.beats, tuple(range(1, len(song.beats), 4)), 4))
    assert renumbered(SCORE.format(grid=song.grid), PATH, later)[1] == []


def test_fractions_of_a_beat_move_with_the_beats_and_come_back(song: SongMap) -> None:
    """Twice as many beats: beat 9.5 of the old ones is beat 19 of the new ones. Lengths with a unit stay."""
    score = SCORE.replace("'2.3+1/2 + 1 bar'", "'3.2+1/2 + 1 bar'").replace('to = "end"', 'to = "3.4+3/4"')
    twice = on(song, doubled(Grid(song.beats, song.bars, song.beats_per_bar)))
    text, _ = renumbered(score.format(grid=song.grid), PATH, twice)
    clip = tomllib.loads(text)["clip"][1]
    # Beat 9.5 from 0 becomes 19, beat 4 of bar 5; beat 11.75 becomes 23.5, half a beat after beat 4 of bar 6.
    assert (clip["at"], clip["to"]) == ("5.4 + 1 bar", "6.4+1/2")
    back, _ = renumbered(text, PATH, on(twice, Grid(song.beats, song.bars, song.beats_per_bar)))
    clip = tomllib.loads(back)["clip"][1]
    assert (clip["at"], clip["to"]) == ("3.2+1/2 + 1 bar", "3.4+3/4")


@pytest.mark.parametrize("part", ["1/7", "5/16", "1/1000"])
def test_where_the_beats_stay_every_place_stays_exactly(song: SongMap, part: str) -> None:
    later = on(song, Grid(song.beats, tuple(range(1, len(song.beats), 4)), 4))
    score = f'grid = "{song.grid}"\n[[clip]]\nat = "3.2+{part}"\nfor = "1 beat"\n'
    moved = tomllib.loads(renumbered(score, PATH, later)[0])
    assert moved["clip"][0]["at"] == f"3.1+{part}"  # bar lines are a beat later


def test_all_that_is_no_address_stays_to_the_letter(song: SongMap) -> None:
    # A bar line two beats later: everything moves by half a bar, and nothing else changes.
    later = on(song, Grid(song.beats, tuple(range(4, len(song.beats), 4)), 4))
    before = SCORE.format(grid=song.grid)
    text, _ = renumbered(before, PATH, later)
    expected = (
        before.replace(f'grid = "{song.grid}"', f'grid = "{later.grid}"')
        .replace('bars = "3"        # two', 'bars = "2"        # two')
        .replace('bars = "1-2"\nclip', 'bars = "0-1"\nclip')
        .replace("at = '2.3+1/2 + 1 bar'", 'at = "1.3+1/2 + 1 bar"')
        .replace('at = "3.1"\nlevel', 'at = "2.1"\nlevel')
        .replace('    "2",          #', '    "1",          #')
        .replace('"4.1", "8s"', '"3.1", "8s"')
    )
    assert text == expected


@pytest.mark.parametrize(("written", "moved"), [("1-2", ("-2.1", "0.1")), ("1", "-2"), ("1-4", "-2-1")])
def test_bars_that_come_to_lie_before_the_first_are_written_so_that_they_can_be_read(
    song: SongMap, written: str, moved: tuple[str, str] | str
) -> None:
    """Bar 1 begins three bars later: what were bars 1 and 2 are bars -2 and -1."""
    later = on(song, Grid(song.beats, tuple(range(12, len(song.beats), 4)), 4))
    text, _ = renumbered(f'grid = "{song.grid}"\n[[clip]]\nbars = "{written}"\n', PATH, later)
    clip = tomllib.loads(text)["clip"][0]
    assert clip.get("bars", (clip.get("at"), clip.get("to"))) == moved
    faults = FaultList(PATH)
    stretch_of(Table(clip, "clip", faults), in_phrase=False, needed=True)
    assert not faults.faults


def test_what_is_added_to_a_bar_before_the_first_stays(song: SongMap) -> None:
    later = on(song, Grid(song.beats, tuple(range(4, len(song.beats), 4)), 4))
    text, _ = renumbered(f'grid = "{song.grid}"\n[[clip]]\nat = "-1.1 + 2 bars"\nto = "0.2+1/2 - 20 ms"\n', PATH, later)
    assert tomllib.loads(text)["clip"][0] == {"at": "-2.1 + 2 bars", "to": "-1.2+1/2 - 20 ms"}


@pytest.mark.parametrize("mark", ["", "\ufeff"])
def test_line_ends_and_the_mark_at_the_files_head_stay(song: SongMap, tmp_path: Path, mark: str) -> None:
    later = on(song, Grid(song.beats, tuple(range(4, len(song.beats), 4)), 4))
    before = mark + SCORE.format(grid=song.grid).replace("\n", "\r\n")
    (tmp_path / "score.toml").write_bytes(before.encode())
    path, text, _ = score_and_song(tmp_path)
    assert (path, text) == (tmp_path / "score.toml", before)
    moved, _ = renumbered(text, path, later)
    assert moved.count("\r\n") == moved.count("\n") == before.count("\n") and moved.startswith(mark + "# mine\r\n")


def test_there_and_back_is_the_same_moments(song: SongMap) -> None:
    threes = on(song, Grid(song.beats, tuple(range(0, len(song.beats), 3)), 3))
    there, _ = renumbered(SCORE.format(grid=song.grid), PATH, threes)
    back, _ = renumbered(there, PATH, remember(song, threes))
    moved = tomllib.loads(back)
    assert (moved["clip"][0]["at"], moved["clip"][0]["to"]) == ("3.1", "4.1")
    assert moved["order"]["wave"] == ["2.1", "4.1", "8s"]


def test_other_beats_are_told_of(song: SongMap) -> None:
    halves = tuple(b for beat in song.beats for b in (beat, beat + 0.25))
    double = on(song, Grid(halves, tuple(range(0, len(halves), 4)), 4))
    text, notes = renumbered(SCORE.format(grid=song.grid), PATH, double)
    assert tomllib.loads(text)["clip"][0]["bars"] == "5-6"
    assert "lengths" in notes[0]


def test_nothing_to_move(song: SongMap) -> None:
    text = SCORE.format(grid=song.grid)
    assert renumbered(text, PATH, song) == (text, [])


def test_a_score_without_a_numbering_is_left_alone(song: SongMap) -> None:
    with pytest.raises(Faults, match=r'score.toml: grid: is missing, .* if those of today, write grid = "'):
        renumbered('format = 1\nsong = "tide.wav"\n', PATH, song)


def test_a_forgotten_numbering_is_named_with_the_ways_out(song: SongMap) -> None:
    with pytest.raises(
        Faults, match='grid: the song map does not know the bars "0badc0de": take the correction'
    ) as caught:
        renumbered(SCORE.format(grid="0badc0de"), PATH, song)
    for way in ("listen --as-heard", "draft --force", f'grid = "{song.grid}"'):
        assert way in str(caught.value)


def test_what_a_score_is_written_against_is_never_forgotten(song: SongMap) -> None:
    now = song
    for size in range(2, 12):
        now = remember(with_grid(now, Grid(song.beats, tuple(range(0, len(song.beats), size)), size)), now, {song.grid})
    assert len(now.heard["grids"]) == GRIDS_KEPT + 1
    assert renumbered(SCORE.format(grid=song.grid), PATH, now)[0] != SCORE.format(grid=song.grid)


def test_a_layout_that_cannot_be_followed_changes_nothing(song: SongMap) -> None:
    threes = on(song, Grid(song.beats, tuple(range(0, len(song.beats), 3)), 3))
    inline = f'format = 1\nsong = "a"\ngrid = "{song.grid}"\nclip = [{{zone = "a", effect = "hold", bars = "3"}}]\n'
    with pytest.raises(Faults, match="cannot follow"):
        renumbered(inline, PATH, threes)


def test_the_id_is_that_of_the_bars(song: SongMap) -> None:
    assert song.grid == grid_id(song.bars, song.beats_per_bar)
    assert replace(song, beats=tuple(b + 0.01 for b in song.beats)).grid == song.grid
