"""What is probably not meant is told, and the show is baked all the same."""

from __future__ import annotations

from pathlib import Path

import pytest
from shows import RIG, SCORE, make_show

from composer.cli import main
from composer.pipeline import doubts, load_show
from composer.songmap import load_map, map_path


def told(folder: Path, score: str) -> list[str]:
    show = make_show(folder, score=score)
    return [str(doubt).removeprefix("score.toml: ") for doubt in doubts(load_show(show))]


def with_grid(folder: Path, score: str) -> str:
    """The score with the numbering of bars that its song has."""
    song = make_show(folder / "grid") / "tide.wav"
    return score.replace("format = 1", f'format = 1\ngrid = "{load_map(map_path(song)).grid}"')


@pytest.mark.parametrize(
    ("change", "line"),
    [
        (("", ""), ""),
        # Two bars of four beats at 120 a minute last 4 s.
        (("opacity = 0.5", 'fade_in = "5 bars"\nfade_out = "4 bars"'), "glow@1.1: its fades take 1.1 times as long"),
        (("opacity = 0.5", 'fade_in = "4 bars"\nfade_out = "4 bars"'), ""),
        (("opacity = 0.5", 'fade_out = "17 s"'), "glow@1.1: its fades take 1.1 times as long"),
        (("opacity = 0.5", 'only = "boom"'), 'glow@1.1: nothing of "mast" lies in "boom": it shows nowhere'),
        (("opacity = 0.5", 'only = "all"'), ""),
        (('bars = "4"', 'at = "4.9"\nfor = "1 beat"'), "clip[2].at: bar 4 has 4 beats, so 4.9 is 6.1"),
        (('bars = "4"', 'at = "4.1"\nto = "4.5"'), "clip[2].to: bar 4 has 4 beats, so 4.5 is 5.1"),
        (('bars = "4"', 'at = "4.4+1/2"\nfor = "1 beat"'), ""),
        (('wave = ["1", "5"]', 'wave = ["1", "4.6"]'), "order.wave[2]: bar 4 has 4 beats, so 4.6 is 5.2"),
    ],
)
def test_what_is_doubtful_is_named_once(tmp_path: Path, change: tuple[str, str], line: str) -> None:
    found = told(tmp_path / "tide", with_grid(tmp_path, SCORE.replace(*change) if change[0] else SCORE))
    assert [one[: len(line)] for one in found] == ([line] if line else [])


def test_a_clip_on_a_string_that_is_skipped_whole_is_told(tmp_path: Path) -> None:
    rig = RIG.replace('skip = ["20-23"]', 'skip = ["0-23"]')
    show = load_show(make_show(tmp_path / "tide", rig=rig, score=with_grid(tmp_path, SCORE)))
    assert [str(doubt) for doubt in doubts(show) if "skipped" in doubt.what] == [
        'score.toml: glow@1.1: every pixel of "mast" is skipped: it shows nowhere'
    ]


def test_a_score_that_does_not_say_its_bars_is_told_how(tmp_path: Path) -> None:
    (line,) = told(tmp_path / "tide", SCORE)
    grid = load_map(map_path(tmp_path / "tide" / "tide.wav")).grid
    assert line.startswith(f'grid: is missing: write grid = "{grid}"')
    by_seconds = 'format = 1\nsong = "tide.wav"\n[[clip]]\nzone = "all"\neffect = "hold"\nat = "1s"\nfor = "2 s"\n'
    assert told(tmp_path / "seconds", by_seconds) == []


def test_doubts_stand_beside_the_audit_and_in_check(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    show = make_show(tmp_path / "tide", score=SCORE.replace("opacity = 0.5", 'only = "boom"'))
    for named in (show, show / "score.toml"):
        assert main(["check", str(named)]) == 0
        line = next(line for line in capsys.readouterr().out.splitlines() if "it shows nowhere" in line)
        assert line.startswith(f"{show / 'score.toml'}: ")  # as faults name it
    assert main(["bake", str(show)]) == 0
    assert f"{show / 'score.toml'}: glow@1.1: nothing of" in capsys.readouterr().out
    assert "it shows nowhere" in (show / "out" / "audit.html").read_text(encoding="utf-8")


def test_midi_notes_without_a_midi_file_say_how_to_bring_one(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    show = make_show(tmp_path / "tide", score=SCORE.replace('on = "beats"', 'on = "midi 10/36"'))
    assert main(["check", str(show)]) == 2
    assert capsys.readouterr().err.endswith(
        f'trigger[1].on: no MIDI file was read for the song: glowscore listen "{show / "tide.wav"}" --midi FILE\n'
    )
