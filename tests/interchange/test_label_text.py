"""Label text in and out: `start<TAB>end<TAB>name`, as audio editors write it (common practice, no standard)."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from interchange_kit import song_of

from composer import songmap
from composer.faults import Faults
from composer.interchange import (
    Label,
    label_fixes,
    labels_of,
    read_label_lines,
    read_labels,
    read_sections,
    section_fixes,
    write_labels,
)


def file_of(folder: Path, text: str | bytes, name: str = "quay.txt") -> Path:
    path = folder / name
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return path


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("12.500000\t12.500000\tdoor\n", [(12.5, 12.5, "door")]),
        ("1.5\t2.25\tverse one\n3\t4\tchorus", [(1.5, 2.25, "verse one"), (3.0, 4.0, "chorus")]),
        ("1,500\t2,250\tverse\n", [(1.5, 2.25, "verse")]),
        ("\ufeff1.5\t2.5\tverse\n", [(1.5, 2.5, "verse")]),
        ("1.5\t2.5\tverse\r\n\r\n3\t4\tchorus\r\n", [(1.5, 2.5, "verse"), (3.0, 4.0, "chorus")]),
        ("1.5\t2.5\tverse\r3\t4\tchorus\r", [(1.5, 2.5, "verse"), (3.0, 4.0, "chorus")]),
        ("3\t4\tb\n1\t2\ta\n", [(1.0, 2.0, "a"), (3.0, 4.0, "b")]),
        ("1.5\tdoor\n", [(1.5, 1.5, "door")]),
        ("1.5   door opens wide\n", [(1.5, 1.5, "door opens wide")]),
        ("1.5 2.5 door opens\n", [(1.5, 2.5, "door opens")]),
        ("1.5\t1.5\t\n2.5\t2.5\n3.5\n", [(1.5, 1.5, "quay"), (2.5, 2.5, "quay"), (3.5, 3.5, "quay")]),
        ("1.5\t1.5\ttwo\twords\n", [(1.5, 1.5, "two words")]),
        ("1.5\t1.5\t7\n", [(1.5, 1.5, "7")]),
        ("-0.000000\t1e-05\ttiny\n", [(0.0, 0.00001, "tiny")]),
        ("0.12345678\t0.12345678\tfine\n", [(0.123457, 0.123457, "fine")]),
        ("", []),
    ],
)
def test_labels_are_read_as_editors_and_hands_write_them(
    text: str, expected: list[tuple[float, float, str]], tmp_path: Path
) -> None:
    assert read_label_lines(file_of(tmp_path, text)) == tuple(Label(*label) for label in expected)


def test_text_in_utf_16_is_known_by_its_mark(tmp_path: Path) -> None:
    assert read_labels(file_of(tmp_path, "1\t1\tlämp\n".encode("utf-16"))) == {"lämp": [1.0]}


def test_labels_of_one_name_are_gathered(tmp_path: Path) -> None:
    text = "5\t5\tdoor\n1\t1\tdoor\n3\t4\tbell\n1\t2\tdoor\n"
    assert read_labels(file_of(tmp_path, text)) == {"door": [1.0, 5.0], "bell": [3.0]}


def test_every_fault_is_told_at_once_with_its_line(tmp_path: Path) -> None:
    text = (
        "1\t2\tgood\nintro\n\n4\t3\tback\n-0.5\t1\tearly\n1:23\t1:24\tclock\n2\tsoon\tword\nnan\tinf\tx\n9e9\t9e9\ty\n"
    )
    with pytest.raises(Faults) as caught:
        read_labels(file_of(tmp_path, text))
    assert [f"{fault.where}: {fault.what}" for fault in caught.value.faults] == [
        'line 2: needs start, end (seconds) and name with tabs between, got the text "intro"',
        "line 4: ends at 3 s, before its start at 4 s",
        "line 5: -0.5 s lies before the song",
        'line 6: needs start, end (seconds) and name with tabs between, got the text "1:23"',
        'line 7: needs start, end (seconds) and name with tabs between, got the text "soon"',
        'line 8: needs start, end (seconds) and name with tabs between, got the text "nan"',
        "line 9: 9e+09 s lies beyond any song",
    ]


def test_a_file_that_is_all_wrong_is_told_shortly(tmp_path: Path) -> None:
    with pytest.raises(Faults, match="quay.txt: and 80 more lines like these") as caught:
        read_labels(file_of(tmp_path, "".join(f"word {i}\n" for i in range(100))))
    assert len(caught.value.faults) == 21


@pytest.mark.parametrize(
    ("data", "match"),
    [
        (b"1\t1\ta\n2\t2\tl\xe4mp\n", "line 2: this is not UTF-8 text"),
        (b"1\t1\ta\n\n2\t2\tl\0\n", "line 3: this is not text"),
        (b"RIFF\xfc\x01\0\0WAVE", "line 1: this is not UTF-8 text"),
        (b"1\t2\tgood\n\\\t100.0\t200.0\n", "line 2: a line of frequencies, not a label"),
    ],
)
def test_what_is_not_label_text_is_a_fault(data: bytes, match: str, tmp_path: Path) -> None:
    with pytest.raises(Faults, match=match):
        read_labels(file_of(tmp_path, data))


def test_missing_files_and_folders_are_faults(tmp_path: Path) -> None:
    with pytest.raises(Faults, match="no such file"):
        read_labels(tmp_path / "none.txt")
    with pytest.raises(Faults, match="this is a folder, not a file"):
        read_labels(tmp_path)
    with pytest.raises(Faults, match="cannot be written"):
        write_labels(tmp_path / "none" / "quay.txt", [])


def test_moments_run_to_the_next_label_as_sections(tmp_path: Path) -> None:
    path = file_of(tmp_path, "0\t0\tintro\n8\t20\tverse\n16\t16\tchorus\n24\t26\tend\n")
    assert read_sections(path) == (
        songmap.Section(0.0, 8.0, "intro"),
        songmap.Section(8.0, 16.0, "verse"),
        songmap.Section(16.0, 24.0, "chorus"),
        songmap.Section(24.0, 26.0, "end"),
    )
    taps = file_of(tmp_path, "0\t0\tA\n8\t8\tB\n")
    assert read_sections(taps, end=12.5)[-1] == songmap.Section(8.0, 12.5, "B")
    with pytest.raises(Faults, match="B: the last section starts at 8 s and has no end"):
        read_sections(taps)


def test_labels_are_written_as_editors_do(tmp_path: Path) -> None:
    path = tmp_path / "quay.txt"
    write_labels(path, [Label(12.5, 12.5, "door\topens\n"), Label(0.0000004, 8.25, "läuft")])
    assert path.read_bytes() == "0.000000\t8.250000\tläuft\n12.500000\t12.500000\tdoor opens\n".encode()


TIMES = st.integers(0, 10_000_000_000).map(lambda us: us / 1_000_000)
NAMES = st.text(st.characters(categories=["L", "N", "P", "S", "Zs"]), max_size=12).map(str.split).map(" ".join)


@settings(deadline=None)
@given(st.lists(st.tuples(TIMES, TIMES, NAMES.filter(bool))))
def test_written_labels_read_back_whole(
    tmp_path_factory: pytest.TempPathFactory, labels: list[tuple[float, float, str]]
) -> None:
    path = tmp_path_factory.getbasetemp() / "back.txt"
    wanted = [Label(min(a, b), max(a, b), name) for a, b, name in labels]
    write_labels(path, wanted)
    assert sorted(read_label_lines(path), key=repr) == sorted(wanted, key=repr)


@settings(deadline=None)
@given(st.binary(max_size=60) | st.text("0123456789.,-+e\t\r\n\\ aé", max_size=40).map(str.encode))
def test_any_bytes_are_labels_or_faults(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    path = file_of(tmp_path_factory.getbasetemp(), data, "any.txt")
    try:
        labels = read_label_lines(path)
    except Faults as faults:
        assert faults.faults
        return
    assert all(0 <= label.start <= label.end for label in labels)


def test_a_song_maps_own_names_can_be_looked_at_in_an_editor() -> None:
    song = song_of([0, 500_000, 1_000_000, 1_500_000], [0, 2], 2, 2.0, [(0.0, 2.0, "A")])
    assert labels_of(song, bars=True) == (Label(0.0, 0.0, "bar 1"), Label(0.0, 2.0, "A"), Label(1.0, 1.0, "bar 2"))
    assert labels_of(song) == (Label(0.0, 2.0, "A"),)


def test_labels_and_sections_go_into_fixes(tmp_path: Path) -> None:
    song = song_of([500_000 * i for i in range(20)], range(0, 20, 4), seconds=10.0, sections=[(0.0, 10.0, "A")])
    names = read_labels(file_of(tmp_path, "1.25\t1.25\tdoor\n7,5\t7,5\tdoor\n"))
    parts = read_sections(file_of(tmp_path, "0\t0\tverse\n4\t10\tchorus\n", "parts.txt"))
    fixes = tmp_path / "quay.fix.toml"
    songmap.write_fixes(fixes, {**label_fixes(names), **section_fixes((part.start, part.name) for part in parts)})
    fixed = songmap.apply_fixes(song, songmap.load_fixes(fixes))
    assert fixed.labels == {"door": (1.25, 7.5)}
    assert [(section.start, section.name) for section in fixed.sections] == [(0.0, "verse"), (4.0, "chorus")]
