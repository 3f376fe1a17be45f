"""Song maps as MIDI files: literal bytes, other readers, and the way back."""

from __future__ import annotations

from pathlib import Path

import mido
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from interchange_kit import END, smf, song_of, truth

from composer import songmap
from composer.faults import Faults
from composer.interchange import parse_midi, read_midi, to_fixes, write_midi

PICKUP = (1_200_000, 1_700_000, 2_200_000, 2_700_000, 3_200_000, 3_700_000)


def test_a_small_song_is_written_as_worked_by_hand(tmp_path: Path) -> None:
    write_midi(tmp_path / "quay.mid", song_of(PICKUP, [2], sections=[(2.2, 4.2, "A")]))
    assert (tmp_path / "quay.mid").read_bytes() == truth("midi_written.hex")
    assert [path.name for path in tmp_path.iterdir()] == ["quay.mid"]


def metres(path: Path) -> list[tuple[float, str]]:
    """Time signatures as mido reads them: quarter notes from the start, and the metre."""
    file = mido.MidiFile(path)
    now, found = 0.0, []
    for message in file.tracks[0]:
        now += message.time / file.ticks_per_beat
        if message.type == "time_signature":
            found.append((now, f"{message.numerator}/{message.denominator}"))
    return found


@pytest.mark.parametrize(
    ("beats_us", "bars", "expected"),
    [
        ([0, 500_000, 1_000_000, 1_500_000], [0], [(0, "4/4")]),
        # 0.9 s of lead-in: two beats, a short bar, so that bar 1 falls on a bar line.
        ([900_000, 1_400_000, 1_900_000], [0], [(0, "2/4"), (2, "4/4")]),
        # Five beats before bar 1, two of them heard: one bar of one beat, one of four.
        ([1_500_000 + i * 500_000 for i in range(8)], [2], [(0, "1/4"), (1, "4/4")]),
        # No room for a beat: 0.1 s is three sixty-fourths of 0.5 s beats; 0.125 s a sixteenth.
        ([100_000, 600_000, 1_100_000], [0], [(0, "3/64"), (0.1875, "4/4")]),
        ([125_000, 625_000, 1_125_000], [1], [(0, "1/16"), (0.25, "1/4"), (1.25, "4/4")]),
        # Bars of three, four, four and two beats.
        ([i * 400_000 for i in range(14)], [0, 3, 7, 11], [(0, "3/4"), (3, "4/4")]),
        ([i * 400_000 for i in range(14)], [0, 2, 6, 8], [(0, "2/4"), (2, "4/4"), (6, "2/4"), (8, "4/4")]),
    ],
)
def test_bar_lines_stand_where_the_songs_do(
    beats_us: list[int], bars: list[int], expected: list[tuple[float, str]], tmp_path: Path
) -> None:
    write_midi(tmp_path / "quay.mid", song_of(beats_us, bars))
    assert metres(tmp_path / "quay.mid") == expected


def test_every_beat_lies_where_mido_finds_it_after_three_hours(tmp_path: Path) -> None:
    # 127.3 a minute, rounded to microseconds as a song map is; no rounding adds up.
    beats_us = [round(431_234 + i * 60e6 / 127.3) for i in range(22_914)]
    write_midi(tmp_path / "quay.mid", song_of(beats_us, range(0, 22_914, 4)))
    file = mido.MidiFile(tmp_path / "quay.mid")
    assert (file.type, len(file.tracks), file.ticks_per_beat) == (1, 1, 960)
    # The sums of mido's own clock, in whole numbers: microseconds x 960 at every tempo event, and at the end.
    tick = now = tempo = 0
    at: dict[int, int] = {}
    for message in file.tracks[0]:
        now += message.time * tempo
        tick += message.time
        at[tick] = now
        tempo = message.tempo if message.type == "set_tempo" else tempo
    assert tick == 960 + 22_913 * 960
    assert [now / 960 for tick, now in at.items() if tick >= 960] == [
        beats_us[tick // 960 - 1] for tick in at if tick >= 960
    ]
    assert len(at) > 10_000


@st.composite
def songs(draw: st.DrawFn) -> songmap.SongMap:
    size = draw(st.integers(1, 9))
    sizes = draw(st.lists(st.integers(1, 9), max_size=6))
    pickup = draw(st.integers(0, 12))
    bars = [pickup]
    for beats in sizes:
        bars.append(bars[-1] + beats)
    count = bars[-1] + draw(st.integers(1, size))
    start = draw(st.sampled_from([0, 1, 999, 60_000]) | st.integers(0, 20_000_000))
    longest = draw(st.sampled_from([2, 700_000, 16_777_215]))
    steps = draw(st.lists(st.integers(1, longest), min_size=count - 1, max_size=count - 1))
    beats_us = [start]
    for step in steps:
        beats_us.append(beats_us[-1] + step)
    names = draw(st.lists(st.sampled_from(["A", "B", "chorus", "läuft"]), max_size=len(bars)))
    starts = [beats_us[bar] / 1e6 for bar in bars]
    ends = [*starts[1:], beats_us[-1] / 1e6 + 1]
    sections = [(a, b, name) for a, b, name in zip(starts, ends, names, strict=False)]
    return song_of(beats_us, bars, size, beats_us[-1] / 1e6 + 1, sections)


@settings(deadline=None)
@given(songs())
def test_what_is_written_reads_back_to_the_microsecond(
    tmp_path_factory: pytest.TempPathFactory, song: songmap.SongMap
) -> None:
    path = tmp_path_factory.getbasetemp() / "quay.mid"
    write_midi(path, song)
    midi = read_midi(path)
    assert midi.beats == song.beats
    assert midi.bars == song.bars
    assert midi.warnings == ()
    changes = to_fixes(midi, sections=True)
    wanted = [(round(section.start * 1e6), section.name) for section in song.sections]
    assert [(round(float(s["at"][:-1]) * 1e6), s["name"]) for s in changes.get("section", [])] == wanted


def test_a_section_off_the_beat_lies_on_the_nearest_tick(tmp_path: Path) -> None:
    # In the lead-in (0.6 s beats) half a second is tick 800; 0.1 s into a 0.5 s beat is 192 ticks; and past the end.
    sections = [(0.5, 1.8, "in"), (1.8, 5.0, "off"), (5.0, 6.0, "out")]
    write_midi(tmp_path / "quay.mid", song_of(PICKUP, [2], seconds=6.0, sections=sections))
    now, found = 0, {}
    for message in mido.MidiFile(tmp_path / "quay.mid").tracks[0]:
        now += message.time
        found |= {message.text: now} if message.type == "marker" else {}
    assert found == {"in": 800, "first beat": 1920, "off": 3072, "bar 1": 3840, "out": 9216}


def test_a_song_without_beats_gets_the_even_clock_of_its_show(tmp_path: Path) -> None:
    write_midi(tmp_path / "quay.mid", song_of([], [], seconds=2.2))
    midi = read_midi(tmp_path / "quay.mid")
    assert midi.beats == (0.0, 0.5, 1.0, 1.5, 2.0)
    assert midi.metres == ((0.0, 4, 4),)


def test_what_midi_cannot_say_is_a_fault(tmp_path: Path) -> None:
    with pytest.raises(Faults, match=r"quay.mid: the beat at 1.000 s is longer than MIDI can say, 16.8 s"):
        write_midi(tmp_path / "quay.mid", song_of([1_000_000, 17_777_216], [0]))
    with pytest.raises(Faults, match="quay.mid: a bar has 256 beats, more than MIDI can say, 255"):
        write_midi(tmp_path / "quay.mid", song_of(range(0, 300_000_000, 1_000_000), [0, 256]))
    with pytest.raises(Faults, match="cannot be written: No such file or directory"):
        write_midi(tmp_path / "none" / "quay.mid", song_of(PICKUP, [0]))
    assert list(tmp_path.iterdir()) == []


# ---- into fixes --------------------------------------------------------------------------------------------------


def test_a_midi_file_becomes_a_songs_grid_and_labels(tmp_path: Path) -> None:
    # 100 a minute, 3/4, kick on beats 1 and 4, a marker on beat 4; the song is longer than the file.
    tempo, metre = "00 FF 51 03 09 27 C0", "00 FF 58 04 03 02 18 08"
    data = smf(f"{tempo} {metre} 8B 20 FF 06 04 64 6F 6F 72 {END}", f"00 99 24 21 8B 20 99 24 22 {END}")
    song = song_of([250_000 * i for i in range(40)], range(0, 40, 4), seconds=5.0)
    path = tmp_path / "quay.fix.toml"
    songmap.write_fixes(path, to_fixes(parse_midi(data, "stage/quay.mid"), song.song.seconds))
    assert 'source = "quay.mid"' in path.read_text(encoding="utf-8")
    fixed = songmap.apply_fixes(song, songmap.load_fixes(path))
    assert fixed.beats == (0.0, 0.6, 1.2, 1.8, 2.4, 3.0, 3.6, 4.2, 4.8)
    assert fixed.bars == (0, 3, 6)
    assert (fixed.beats_per_bar, fixed.tempo) == (3, 100.0)
    assert fixed.labels == {"midi 10/36": (0.0, 1.8), "bass drum 1": (0.0, 1.8), "door": (1.8,)}


def test_what_lies_beyond_the_song_is_left_out(tmp_path: Path) -> None:
    data = smf(f"00 FF 51 03 07 A1 20 00 99 24 21 8F 00 99 26 22 00 FF 06 01 41 {END}")
    changes = to_fixes(parse_midi(data), seconds=1.2, sections=True)
    assert changes["grid"]["beats"] == [0.0, 0.5, 1.0]
    assert "section" not in changes
    songmap.write_fixes(tmp_path / "quay.fix.toml", changes)
    fixed = songmap.apply_fixes(song_of([], [], seconds=1.2), songmap.load_fixes(tmp_path / "quay.fix.toml"))
    assert fixed.labels == {"midi 10/36": (0.0,), "bass drum 1": (0.0,)}


def test_beats_that_fall_together_are_a_fault_of_the_grid(tmp_path: Path) -> None:
    # 7/8 at a microsecond a quarter note: the beats are half a microsecond long.
    midi = parse_midi(smf(f"00 FF 51 03 00 00 01 00 FF 58 04 07 03 18 08 00 90 24 40 87 40 80 24 00 8F 00 {END}"))
    with pytest.raises(Faults, match=r"grid\.beats: times must ascend"):
        songmap.write_fixes(tmp_path / "quay.fix.toml", to_fixes(midi, seconds=10.0))


def test_a_file_without_beats_gives_labels_only() -> None:
    changes = to_fixes(parse_midi(smf(f"83 60 99 24 21 {END}", division=0xE728)))
    assert changes == {"labels": {"midi 10/36": [0.48], "bass drum 1": [0.48]}}


def test_a_map_that_went_to_midi_and_back_keeps_its_bar_numbering(tmp_path: Path) -> None:
    song = song_of([1_430_000 + 500_000 * i for i in range(27)], range(2, 27, 4))
    write_midi(tmp_path / "quay.mid", song)
    songmap.write_fixes(tmp_path / "quay.fix.toml", to_fixes(read_midi(tmp_path / "quay.mid")))
    again = songmap.apply_fixes(song, songmap.load_fixes(tmp_path / "quay.fix.toml"))
    assert (again.grid, again.beats, again.bars) == (song.grid, song.beats, song.bars)
