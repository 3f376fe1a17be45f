"""MIDI files as they are found: broken ones salvaged, with the place named; real ones beside another reader."""

from __future__ import annotations

import io
import time
from pathlib import Path

import mido
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from interchange_kit import END, chunk, raw, smf, truth

from composer.faults import Faults
from composer.interchange import MidiSong, parse_midi, read_midi, to_fixes

TEMPO = "00 FF 51 03 07 A1 20"
HIT = "00 99 24 21"
GOOD = f"{TEMPO} {HIT} {END}"
KICK = {(10, 36): ((0.0, 33),)}
SONGS = Path("/usr/share/games/openttd/baseset/openmsx")  # Debian's openttd-openmsx, 31 songs


# ---- salvaged, with a word about it ------------------------------------------------------------------------------


def test_running_status_goes_on_across_meta_and_exclusive_events() -> None:
    # SMF: they cancel it. Files in the wild rely on it all the same.
    midi = parse_midi(smf(f"{TEMPO} {HIT} 00 FF 01 01 41 83 60 24 22 00 F0 01 F7 83 60 24 23 {END}"))
    assert midi.notes == {(10, 36): ((0.0, 33), (0.5, 34), (1.0, 35))}
    assert midi.warnings == ()


def test_running_status_with_nothing_running_loses_that_track_alone() -> None:
    midi = parse_midi(smf(GOOD, f"00 FF 06 01 41 00 24 21 {END}", f"00 91 3C 22 {END}"))
    assert midi.notes == KICK | {(2, 60): ((0.0, 34),)}
    assert midi.markers == ((0.0, "A"),)
    # 14 of header, 8 + 15 of track 1, 8 of the second chunk's head, 5 of its first event.
    assert midi.warnings == (
        "track 2, byte 50: an event without a status (running status, but nothing runs); the rest of the track is lost",
        "track 2: has no end of track",
    )


def test_data_bytes_above_127_are_taken_as_127() -> None:
    midi = parse_midi(smf(f"{TEMPO} 00 99 24 90 83 60 99 24 22 {END}"))
    assert midi.notes == {(10, 36): ((0.0, 127), (0.5, 34))}
    assert midi.warnings == ("track 1, byte 29: a data byte above 127, taken as 127",)


def test_a_missing_end_of_track_is_only_remarked() -> None:
    midi = parse_midi(smf(f"{TEMPO} {HIT}"))
    assert midi.notes == KICK
    assert midi.warnings == ("track 1: has no end of track",)


def test_a_track_cut_inside_an_event_keeps_what_came_before() -> None:
    midi = parse_midi(smf(GOOD, f"00 91 3C 22 00 91 3D {END}")[:-5])
    assert midi.notes == KICK | {(2, 60): ((0.0, 34),)}
    assert midi.warnings == (
        "track 2: says it has 11 bytes, only 6 are left in the file",
        "track 2, byte 49: the track breaks off inside an event",
        "track 2: has no end of track",
    )


def test_missing_tracks_are_counted() -> None:
    midi = parse_midi(smf(GOOD, count=3))
    assert midi.notes == KICK
    assert midi.warnings == ("header: counts 3 tracks, 1 are there",)


@pytest.mark.parametrize("length", [0, 3, 12, 40, 60, 0x7FFFFFFF])
@pytest.mark.parametrize("end", [END, ""], ids=["with end", "without end"])
def test_a_wrong_track_length_is_put_right_by_what_stands_there(length: int, end: str) -> None:
    first = chunk(f"{TEMPO} {HIT} 83 60 99 24 22 {end}", length=length)
    midi = parse_midi(smf(first, f"00 91 3C 23 {END}"))
    assert midi.notes == {(2, 60): ((0.0, 35),), (10, 36): ((0.0, 33), (0.5, 34))}
    assert f"track 1: says it has {length} bytes" in midi.warnings[0]


def test_alien_chunks_are_treated_as_if_they_were_not_there() -> None:
    # SMF: "your programs should expect alien chunks and treat them as if they weren't there".
    alien = chunk(b"MTrk inside a chunk that is none", b"XFIH")
    assert parse_midi(smf(alien, GOOD, alien, count=1)) == parse_midi(smf(GOOD))


def test_a_longer_header_is_read_by_its_length() -> None:
    data = smf(GOOD)
    longer = data[:4] + (8).to_bytes(4, "big") + data[8:14] + b"\x12\x34" + data[14:]
    assert parse_midi(longer) == parse_midi(data)


def test_a_riff_wrapper_is_opened() -> None:
    # RIFF (Microsoft and IBM, 1991; from memory): little-endian sizes, chunks padded to even length. Form RMID holds
    # a whole file in its "data" chunk.
    inner = smf(GOOD)
    info = b"LIST" + (5).to_bytes(4, "little") + b"INFOx" + b"\0"
    body = b"RMID" + info + b"data" + len(inner).to_bytes(4, "little") + inner + b"\0" * (len(inner) % 2) + info
    assert parse_midi(b"RIFF" + len(body).to_bytes(4, "little") + body) == parse_midi(inner)


def test_bytes_before_the_header_are_passed_over() -> None:
    midi = parse_midi(b"\0" * 128 + smf(GOOD))
    assert midi.notes == KICK
    assert midi.warnings == ("the file proper starts only at byte 128",)


def test_of_separate_patterns_the_first_with_notes_is_read() -> None:
    midi = parse_midi(smf(f"{TEMPO} {END}", f"00 99 26 22 {END}", f"00 99 28 23 {END}", kind=2))
    assert list(midi.notes) == [(10, 38)]
    assert midi.warnings[0] == "header: type 2, 3 separate patterns: only track 2 is read"


@pytest.mark.parametrize(
    ("event", "remark"),
    [
        ("00 FF 51 03 00 00 00", "a tempo of 0 microseconds a quarter note, left out"),
        ("00 FF 58 04 00 02 18 08", r"a time signature that makes no sense \(00 02 18 08\), left out"),
        ("00 FF 58 04 04 09 18 08", r"a time signature that makes no sense \(04 09 18 08\), left out"),
        ("00 FF 58 01 04", r"a time signature that makes no sense \(04\), left out"),
        ("00 F8", "status F8 has no place in a file, left out"),
        ("00 F2 01 02", "status F2 has no place in a file, left out"),
    ],
)
def test_an_event_that_makes_no_sense_is_left_out_and_named(event: str, remark: str) -> None:
    midi = parse_midi(smf(f"{TEMPO} {event} {HIT} {END}"))
    assert midi.notes == KICK
    assert midi.metres == ()
    assert midi.warnings == (f"track 1, byte 29: {remark}".replace("\\", ""),)


def test_a_time_beyond_four_bytes_ends_the_track_there() -> None:
    midi = parse_midi(smf(f"{TEMPO} {HIT} 81 81 81 81 01 99 24 22 {END}"))
    assert midi.notes == KICK
    assert "track 1, byte 33: a number of more than four bytes" in midi.warnings[0]


def test_many_troubles_are_told_shortly() -> None:
    midi = parse_midi(smf(GOOD, *["00 FF 06 01 41"] * 300, count=1))
    assert len(midi.warnings) == 21
    assert midi.warnings[-1] == "and 281 more warnings"


def test_an_end_of_track_at_the_end_of_time_leaves_a_song_of_bounded_length() -> None:
    midi = parse_midi(smf(f"{TEMPO} {HIT} FF FF FF 7F FF 2F 00", division=1))
    assert len(midi.beats) == 50_000
    assert midi.warnings == ("more than 50000 beats: those after 25000 s are left out",)


# ---- faults ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("data", "match"),
    [
        (b"", "^quay.mid: the file is empty$"),
        (b"ID3\x04 a song", "^quay.mid: this is not a MIDI file: it has no MThd header$"),
        (b"MThd\0\0\0\6\0\1", "^quay.mid: header, byte 4: the header is cut short$"),
        (smf(GOOD, division=0), r"header, byte 12: the division \(ticks a quarter note\) is 0"),
        (smf(GOOD, division=0xEC28), "header, byte 12: time code of 20 frames a second, 40 ticks a frame is unknown"),
        (smf(GOOD, division=0xE700), "time code of 25 frames a second, 0 ticks a frame"),
        (smf(), "there is no track in this MIDI file"),
        (smf(f"00 C0 05 {END}"), "there is no note, tempo, metre or marker"),
        (smf(f"00 3C 21 {END}"), "there is no note.*\n.*track 1, byte 22: an event without a status"),
        (smf(f"{HIT} 00 FF 51 02 07 A1 {END}"), "^quay.mid: track 1, byte 26: a tempo of 2 bytes, not 3"),
        (
            smf(f"{HIT} 00 FF 51 04 07 A1 20 00 00 FF 51 01 07 {END}"),
            "byte 26: a tempo of 4.*\n.*byte 34: a tempo of 1",
        ),
    ],
)
def test_what_cannot_be_read_is_a_fault_with_its_place(data: bytes, match: str) -> None:
    with pytest.raises(Faults, match=match):
        parse_midi(data, "quay.mid")


def test_missing_files_and_folders_are_faults(tmp_path: Path) -> None:
    with pytest.raises(Faults, match="no such file"):
        read_midi(tmp_path / "none.mid")
    with pytest.raises(Faults, match="this is a folder, not a file"):
        read_midi(tmp_path)


PIECES = st.sampled_from([raw(text) for text in (GOOD, HIT, TEMPO, END, "00 FF 58 04 07 03 18 08", "83 60", "F0 03")])
JUNK = st.lists(PIECES | st.binary(max_size=12), max_size=12).map(b"".join)


@settings(deadline=None)
@given(st.binary(max_size=200) | st.binary(max_size=200).map(b"MThd".__add__) | JUNK.map(lambda junk: smf(chunk(junk))))
def test_any_bytes_are_read_or_are_faults(data: bytes) -> None:
    in_order(data)


@settings(deadline=None)
@given(st.sampled_from(["midi_spec_type0.hex", "midi_spec_type1.hex"]), st.data())
def test_a_file_with_a_wrong_byte_or_a_missing_end_is_read_or_is_a_fault(name: str, data: st.DataObject) -> None:
    whole = bytearray(truth(name))
    for _ in range(data.draw(st.integers(1, 4))):
        whole[data.draw(st.integers(0, len(whole) - 1))] = data.draw(st.integers(0, 255))
    in_order(bytes(whole[: data.draw(st.integers(0, len(whole)))]))


def in_order(data: bytes) -> None:
    """Nothing but `Faults` comes out, and what is read is in order, its fixes too."""
    try:
        midi = parse_midi(data)
    except Faults as faults:
        assert str(faults)
        return
    changes = to_fixes(midi, seconds=60.0)
    for times in (midi.beats, *changes.get("labels", {}).values(), *changes.get("notes", {}).values()):
        assert all(a < b for a, b in zip(times, times[1:], strict=False))
    assert all(0 <= bar < len(midi.beats) for bar in midi.bars)
    assert all(1 <= velocity <= 127 for hits in midi.notes.values() for _, velocity in hits)


# ---- beside another reader ---------------------------------------------------------------------------------------


def by_mido(file: mido.MidiFile) -> dict[tuple[int, int], list[tuple[float, int]]]:
    """Note-ons by (channel from 1, note) as mido times them."""
    notes: dict[tuple[int, int], list[tuple[float, int]]] = {}
    now = 0.0
    for message in file:
        now += message.time
        if message.type == "note_on" and message.velocity:
            notes.setdefault((message.channel + 1, message.note), []).append((now, message.velocity))
    return notes


def assert_same(midi: MidiSong, file: mido.MidiFile) -> None:
    theirs = by_mido(file)
    assert set(midi.notes) == set(theirs)
    for key, hits in midi.notes.items():
        assert sorted(velocity for _, velocity in hits) == sorted(velocity for _, velocity in theirs[key])
        assert [at for at, _ in hits] == pytest.approx([at for at, _ in theirs[key]], abs=0.6e-6, rel=1e-9)


TRACKS = st.lists(
    st.lists(
        st.tuples(st.integers(0, 2000), st.sampled_from(["on", "off", "tempo", "bend", "text"]), st.integers(0, 127)),
        max_size=20,
    ),
    min_size=1,
    max_size=3,
)


@settings(deadline=None)
@given(TRACKS, st.sampled_from([1, 24, 96, 480, 960, 32767]))
def test_made_up_files_read_as_mido_reads_them(tracks: list[list[tuple[int, str, int]]], division: int) -> None:
    file = mido.MidiFile(type=1, ticks_per_beat=division)
    for i, events in enumerate(tracks):
        messages = {
            "on": lambda value, i=i: mido.Message("note_on", channel=i, note=value, velocity=value),
            "off": lambda value, i=i: mido.Message("note_off", channel=i, note=value),
            "tempo": lambda value: mido.MetaMessage("set_tempo", tempo=1 + value * 5003),
            "bend": lambda value, i=i: mido.Message("pitchwheel", channel=i, pitch=value),
            "text": lambda value: mido.MetaMessage("text", text="t" * value),
        }
        file.tracks.append(mido.MidiTrack([messages[kind](value).copy(time=delta) for delta, kind, value in events]))
    file.tracks[0].insert(0, mido.MetaMessage("set_tempo", tempo=400_000))
    out = io.BytesIO()
    file.save(file=out)
    midi = parse_midi(out.getvalue())
    assert midi.warnings == ()
    assert_same(midi, mido.MidiFile(file=io.BytesIO(out.getvalue())))


@pytest.mark.skipif(not SONGS.is_dir(), reason="needs Debian's openttd-openmsx")
def test_real_songs_read_as_mido_reads_them() -> None:
    songs = sorted(SONGS.glob("*.mid"))
    assert len(songs) == 31
    for path in songs:
        midi = read_midi(path)
        assert_same(midi, mido.MidiFile(path))
        assert len(midi.beats) > 90
        assert midi.warnings in ((), ("no tempo in this file: 120 beats a minute",))


def test_a_hundred_thousand_events_take_less_than_a_second() -> None:
    tempos = TEMPO + "83 60 FF 51 03 06 1A 80 83 60 FF 51 03 07 A1 20" * 500
    hits = smf(f"{tempos} {END}", *[chunk(raw("03 99 24 21 02 24 00") * 10_000 + raw(END)) for _ in range(5)])
    started = time.process_time()
    midi = parse_midi(hits)
    assert time.process_time() - started < 1.0
    assert len(midi.notes[10, 36]) == 50_000
