"""What a well-formed MIDI file says: literal bytes, after the Standard MIDI File specification 1.1 ("SMF")."""

from __future__ import annotations

from fractions import Fraction

import pytest
from interchange_kit import END, smf, truth

from composer.interchange import PERCUSSION, beat_of, note_labels, parse_midi
from composer.interchange.smf import _quantity

TEMPO_120 = "00 FF 51 03 07 A1 20"

# The specification's own table of variable-length quantities.
QUANTITIES = [
    (0x00, "00"), (0x40, "40"), (0x7F, "7F"), (0x80, "81 00"), (0x2000, "C0 00"), (0x3FFF, "FF 7F"),
    (0x4000, "81 80 00"), (0x100000, "C0 80 00"), (0x1FFFFF, "FF FF 7F"), (0x200000, "81 80 80 00"),
    (0x8000000, "C0 80 80 00"), (0xFFFFFFF, "FF FF FF 7F"),
]  # fmt: skip


@pytest.mark.parametrize(("value", "written"), QUANTITIES)
def test_variable_length_quantities_are_those_of_the_specification(value: int, written: str) -> None:
    data = bytes.fromhex(written)
    assert _quantity(data, 0) == (value, len(data))


@pytest.mark.parametrize("name", ["midi_spec_type0.hex", "midi_spec_type1.hex"])
def test_the_specifications_worked_example_reads_as_it_says(name: str) -> None:
    midi = parse_midi(truth(name))
    # Its table: C3 (30) and C4 (3C) forte (60) at once on channel 3; G4 (43) mezzo-forte (40) a quarter note in, on
    # channel 2; E5 (4C) piano (20) two quarter notes in, on channel 1; all end after four. 120 a minute: 0.5 s each.
    assert midi.notes == {(1, 76): ((1.0, 32),), (2, 67): ((0.5, 64),), (3, 48): ((0.0, 96),), (3, 60): ((0.0, 96),)}
    assert midi.tempos == ((0.0, 500_000),)
    assert midi.metres == ((0.0, 4, 4),)
    assert midi.beats == (0.0, 0.5, 1.0, 1.5, 2.0)
    assert midi.bars == (0, 4)
    assert midi.seconds == 2.0
    assert midi.warnings == ()


def test_a_tempo_inside_a_note_bends_what_comes_after_it() -> None:
    # 480 a quarter note: a quarter at 0.5 s, then 0.25 s each; the note at tick 960 sounds at 0.75 s.
    midi = parse_midi(smf(f"{TEMPO_120} 83 60 FF 51 03 03 D0 90 {END}", f"00 90 3C 21 87 40 91 3D 22 {END}"))
    assert midi.tempos == ((0.0, 500_000), (0.5, 250_000))
    assert midi.notes == {(1, 60): ((0.0, 33),), (2, 61): ((0.75, 34),)}
    assert midi.beats == (0.0, 0.5, 0.75)


def test_of_two_tempos_at_one_place_the_last_counts() -> None:
    midi = parse_midi(smf(f"{TEMPO_120} 00 FF 51 03 03 D0 90 83 60 90 3C 21 {END}"))
    assert midi.notes[1, 60] == ((0.25, 33),)


def test_the_tempo_map_counts_for_all_tracks_wherever_it_stands() -> None:
    midi = parse_midi(smf(f"83 60 90 3C 21 {END}", f"00 FF 51 03 03 D0 90 {END}"))
    assert midi.notes[1, 60] == ((0.25, 33),)


@pytest.mark.parametrize(
    ("division", "seconds"),
    [
        (0xE728, 0.480),  # -25 frames a second, 40 ticks a frame: a tick is a millisecond
        (0xE850, 0.250),  # -24 x 80 = 1920 ticks a second
        (0xE204, 4.000),  # -30 x 4 = 120 ticks a second
        (0xE364, 0.160160),  # -29 is drop-frame time code, 30000/1001 frames a second, x 100
    ],
)
def test_time_code_division_counts_seconds_whatever_the_tempo(division: int, seconds: float) -> None:
    midi = parse_midi(smf(f"00 FF 51 03 0F 42 40 83 60 90 3C 21 {END}", division=division))
    assert midi.notes[1, 60] == ((seconds, 33),)


def test_time_code_files_have_beats_only_where_a_tempo_says_so() -> None:
    with_tempo = parse_midi(smf(f"00 FF 51 03 03 D0 90 87 68 90 3C 21 {END}", division=0xE728))
    assert with_tempo.beats == (0.0, 0.25, 0.5, 0.75, 1.0)
    without = parse_midi(smf(f"87 68 90 3C 21 {END}", division=0xE728))
    assert without.beats == ()
    assert without.warnings == ("timed by time code and without a tempo: there are no beats in this file",)


def test_a_file_without_a_tempo_runs_at_the_specifications_default_and_says_so() -> None:
    midi = parse_midi(smf(f"83 60 90 3C 21 {END}"))
    assert midi.notes[1, 60] == ((0.5, 33),)
    assert midi.warnings == ("no tempo in this file: 120 beats a minute",)


def test_a_note_on_of_velocity_nought_is_a_note_off() -> None:
    midi = parse_midi(smf(f"{TEMPO_120} 00 90 3C 21 83 60 3C 00 00 3C 7F {END}"))
    assert midi.notes == {(1, 60): ((0.0, 33), (0.5, 127))}


def test_every_kind_of_channel_message_is_stepped_over_by_its_length() -> None:
    events = "00 80 01 02  00 A1 03 04  00 B2 05 06  00 C3 07  00 D4 08  00 E5 09 0A  00 F0 03 11 12 F7  00 F7 02 13 14"
    midi = parse_midi(smf(f"{TEMPO_120} {events} 00 9F 7E 2A {END}"))
    assert midi.notes == {(16, 126): ((0.0, 42),)}
    assert midi.warnings == ()


@pytest.mark.parametrize(
    ("metre", "beat", "size"),
    [
        ((4, 4), Fraction(1), 4), ((3, 4), Fraction(1), 3), ((5, 4), Fraction(1), 5), ((6, 4), Fraction(1), 6),
        ((2, 2), Fraction(1), 4), ((3, 2), Fraction(1), 6), ((1, 1), Fraction(1), 4),
        ((6, 8), Fraction(3, 2), 2), ((9, 8), Fraction(3, 2), 3), ((12, 8), Fraction(3, 2), 4),
        ((3, 8), Fraction(1, 2), 3), ((7, 8), Fraction(1, 2), 7), ((4, 8), Fraction(1), 2), ((8, 16), Fraction(1), 2),
        ((10, 16), Fraction(1, 2), 5), ((6, 16), Fraction(3, 4), 2),
    ],
)  # fmt: skip
def test_the_beat_is_the_quarter_or_the_dotted_quarter(metre: tuple[int, int], beat: Fraction, size: int) -> None:
    assert beat_of(*metre) == (beat, size)
    assert beat * size == Fraction(4 * metre[0], metre[1])


def test_bars_follow_the_time_signatures() -> None:
    # 3/4, after six quarters 6/8, after one such bar (three quarters) 2/2. A quarter lasts 0.5 s.
    metres = "00 FF 58 04 03 02 18 08  96 40 FF 58 04 06 03 24 08  8B 20 FF 58 04 02 01 18 08 8F 00 90 3C 21"
    midi = parse_midi(smf(f"{TEMPO_120} {metres} {END}"))
    assert midi.metres == ((0.0, 3, 4), (3.0, 6, 8), (4.5, 2, 2))
    assert midi.beats == (0.0, 0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 3.75, 4.5, 5.0, 5.5, 6.0, 6.5)
    assert midi.bars == (0, 3, 6, 8, 12)
    assert midi.beats_per_bar == 3


def test_a_time_signature_starts_a_bar_and_a_tick_of_slop_makes_no_beat() -> None:
    # 4/4; another 4/4 two beats and one tick in (961): a short bar, and no beat one tick before the new bar.
    midi = parse_midi(smf(f"{TEMPO_120} 00 FF 58 04 04 02 18 08 87 41 FF 58 04 04 02 18 08 87 40 90 3C 21 {END}"))
    assert midi.beats == pytest.approx((0.0, 0.5, 1.001042, 1.501042, 2.001042), abs=1e-6)
    assert midi.bars == (0, 2)


def test_markers_and_cue_points_are_named_moments_in_utf_8_or_latin_1() -> None:
    utf8, latin = "00 FF 06 05 6C C3 A4 6D 70", "83 60 FF 07 03 6C E4 6D"
    midi = parse_midi(smf(f"{TEMPO_120} {utf8} {latin} 00 FF 06 01 00 00 FF 06 03 61 0A 62 {END}"))
    assert midi.markers == ((0.0, "lämp"), (0.5, "läm"), (0.5, "a b"))


def test_a_marker_named_bar_1_makes_what_comes_before_a_pickup() -> None:
    # "bar 1" two beats in: the beats before it stay, the bar line before it goes, bars count on from it.
    midi = parse_midi(smf(f"{TEMPO_120} 87 40 FF 06 05 42 61 72 20 31 96 40 90 3C 21 {END}"))
    assert midi.beats == tuple(i / 2 for i in range(9))
    assert midi.bars == (2, 6)


def test_a_marker_named_first_beat_drops_the_beats_before_it() -> None:
    midi = parse_midi(smf(f"{TEMPO_120} 87 40 FF 06 0A 66 69 72 73 74 20 62 65 61 74 96 40 90 3C 21 {END}"))
    assert midi.beats == (1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 4.0)
    assert midi.bars == (2, 6)


def test_percussion_has_the_names_of_general_midi() -> None:
    # General MIDI System Level 1, percussion key map, as two public pages reproduce it; 54, 56, 58, 69, 70 and 75 are
    # those that one of them leaves out.
    assert sorted(PERCUSSION) == list(range(35, 82))
    assert len(set(PERCUSSION.values())) == 47
    some = {
        35: "acoustic bass drum", 36: "bass drum 1", 38: "acoustic snare", 42: "closed hi-hat", 46: "open hi-hat",
        49: "crash cymbal 1", 51: "ride cymbal 1", 54: "tambourine", 56: "cowbell", 58: "vibraslap", 60: "hi bongo",
        65: "high timbale", 69: "cabasa", 70: "maracas", 75: "claves", 81: "open triangle",
    }  # fmt: skip
    assert {key: PERCUSSION[key] for key in some} == some


def test_notes_become_labels_by_channel_and_note_and_drums_by_name_too() -> None:
    midi = parse_midi(smf(f"{TEMPO_120} 00 99 24 21 00 99 24 22 83 60 99 24 23 00 98 24 24 00 99 22 25 {END}"))
    assert note_labels(midi) == {
        "midi 9/36": [0.5],
        "midi 10/34": [0.5],  # no name in General MIDI 1
        "midi 10/36": [0.0, 0.5],
        "bass drum 1": [0.0, 0.5],
    }
    assert midi.notes[10, 36] == ((0.0, 33), (0.0, 34), (0.5, 35))
