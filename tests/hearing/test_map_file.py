"""Fear: a map that is damaged, edited or stale is believed."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from made_map import a_map

from composer import songmap
from composer.faults import Faults

CONTRACT = {
    "version", "grid", "song", "tempo", "beats", "bars", "beats_per_bar", "confidence", "onsets", "hits", "sections",
    "loudness", "labels", "heard",
}  # fmt: skip


def test_a_map_comes_back_as_it_was_written(tmp_path: Path) -> None:
    song_map = songmap.apply_fixes(a_map(), songmap.Fixes())
    path = tmp_path / "quay.map.json"
    songmap.save_map(song_map, path)
    assert songmap.load_map(path) == song_map
    assert [p.name for p in tmp_path.iterdir()] == ["quay.map.json"]


def test_the_file_has_the_promised_fields(tmp_path: Path) -> None:
    path = tmp_path / "quay.map.json"
    songmap.save_map(a_map(), path)
    content = json.loads(path.read_text())
    assert set(content) == CONTRACT
    assert content["version"] == 1
    assert set(content["song"]) == {"file", "sha256", "seconds", "sample_rate", "decoder"}
    assert set(content["loudness"]) == {"hop_s", "low", "mid", "high", "all"}
    assert set(content["onsets"]) == {"low", "mid", "high"}
    assert set(content["hits"]) == {"kick", "snare", "hat"}
    assert set(content["sections"][0]) == {"start", "end", "name"}


@pytest.mark.parametrize(
    ("where", "value", "message"),
    [
        (("version",), 99, "version: needs 1, got the number 99"),
        (("tempo",), "fast", "tempo: needs a number"),
        (("beats",), [1.0, 0.5], "beats: times must ascend"),
        (("beats",), [0.5, "x"], "beats: needs a list of times"),
        (("bars",), [0, 4, 4000], "bars: must ascend within the 33 beats"),
        (("bars",), [1, 5, 9], "grid: .* does not belong to these bars"),
        (("confidence",), 2, "confidence: 2 is out of range"),
        (("onsets", "low"), [[1.0, 7]], r"onsets.low: needs a list of \[seconds, strength 0-1\]"),
        (("loudness", "high"), [0.5], "loudness: its bands differ in length"),
        (("sections",), [{"start": 4.0, "end": 2.0, "name": "A"}], r"sections\[1\].end: comes before its start"),
        (("heard", "bars"), [99999], "heard.bars: must ascend"),
        (("song", "sha256"), 5, "song.sha256: needs text"),
    ],
)
def test_every_edit_out_of_shape_is_named(tmp_path: Path, where: tuple[str, ...], value: Any, message: str) -> None:
    content = json.loads(json.dumps(songmap.to_json(a_map())))
    inner = content
    for key in where[:-1]:
        inner = inner[key]
    inner[where[-1]] = value
    path = tmp_path / "quay.map.json"
    path.write_text(json.dumps(content))
    with pytest.raises(Faults, match=message):
        songmap.load_map(path)


@pytest.mark.parametrize("key", sorted(CONTRACT))
def test_every_missing_field_is_named(tmp_path: Path, key: str) -> None:
    content = songmap.to_json(a_map())
    del content[key]
    path = tmp_path / "quay.map.json"
    path.write_text(json.dumps(content))
    with pytest.raises(Faults, match=f"{key}|sections"):
        songmap.load_map(path)


@pytest.mark.parametrize("text", ["", "{", "[]", "null", '{"version": NaN}', "\x00\x01"])
def test_what_is_no_map_is_one_line(tmp_path: Path, text: str) -> None:
    path = tmp_path / "quay.map.json"
    path.write_text(text)
    with pytest.raises(Faults, match="listen to the song again") as caught:
        songmap.load_map(path)
    assert len(caught.value.faults) == 1


def test_a_map_is_current_only_for_its_song_its_fixes_and_this_ear(tmp_path: Path) -> None:
    song = tmp_path / "quay.wav"
    song.write_bytes(b"123456789")
    # SHA-256 of "123456789": computed with coreutils' sha256sum.
    sha = "15e2b0d3c33891ebb0f1ef609ec419420c20e320ce94c65fbc8c3312448eb225"
    before = a_map()
    song_map = songmap.apply_fixes(replace(before, song=replace(before.song, sha256=sha)), songmap.Fixes())
    assert songmap.current(song_map, song, songmap.Fixes())
    assert songmap.current(song_map, song, songmap.Fixes(file="elsewhere"))
    assert not songmap.current(song_map, song, songmap.Fixes(beats_per_bar=3))
    older = replace(song_map, heard={**song_map.heard, "hearing": songmap.HEARING - 1})
    assert not songmap.current(older, song, songmap.Fixes())
    song.write_bytes(b"another song")
    assert not songmap.current(song_map, song, songmap.Fixes())


def test_the_grid_id_follows_bars_not_milliseconds() -> None:
    assert songmap.grid_id([0, 4, 8], 4) == songmap.grid_id((0, 4, 8), 4)
    assert songmap.grid_id([0, 4, 8], 4) != songmap.grid_id([1, 5, 9], 4)
    assert songmap.grid_id([0, 4, 8], 4) != songmap.grid_id([0, 4, 8], 3)


def test_an_earlier_numbering_is_remembered() -> None:
    first = songmap.apply_fixes(a_map(), songmap.Fixes())
    second = songmap.apply_fixes(first, songmap.Fixes(beats_per_bar=3))
    assert second.grid != first.grid
    kept = second.numbering(first.grid)
    assert kept is not None
    assert (kept.beats, kept.bars, kept.beats_per_bar) == (first.beats, first.bars, 4)
    assert second.numbering("00000000") is None
