"""Beats, bars and named moments from and to other people's files: MIDI, and label text as audio editors write it.

Conventions
-----------
Times are seconds from the first sample, or from tick 0 of a MIDI file, rounded to a microsecond. Channels, tracks and
bars count from 1, bytes of a file from 0. Reading is lenient and says so: `MidiSong.warnings` names track and byte
of everything that was wrong and read all the same. What cannot be read is told as `Faults`, never as a traceback.
"""

from __future__ import annotations

from .labels import (
    Label,
    label_fixes,
    labels_of,
    read_label_lines,
    read_labels,
    read_sections,
    section_fixes,
    write_labels,
)
from .midi_in import MidiSong, beat_of, note_labels, parse_midi, read_midi, to_fixes
from .midi_out import write_midi
from .percussion import PERCUSSION, PERCUSSION_CHANNEL

__all__ = [
    "PERCUSSION", "PERCUSSION_CHANNEL", "Label", "MidiSong", "beat_of", "label_fixes", "labels_of", "note_labels",
    "parse_midi", "read_label_lines", "read_labels", "read_midi", "read_sections", "section_fixes", "to_fixes",
    "write_labels", "write_midi",
]  # fmt: skip
