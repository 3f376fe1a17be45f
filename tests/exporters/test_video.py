"""The film as an mp4: what ffmpeg reads back is what was drawn."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
import soundfile

from exporters.report import FilmNeeds, write_film_mp4
from exporters.report.video import HEIGHT, MARGIN, WIDTH, Night

needs_ffmpeg = pytest.mark.skipif(shutil.which("ffmpeg") is None, reason="needs ffmpeg (apt-get install ffmpeg)")
PLACES = [(0.0, 0.0), (2.0, 0.0), (2.0, 1.0)]


def seen(light: list[list[float]]) -> np.ndarray:
    """One frame, uint8 (HEIGHT, WIDTH, 3)."""
    drawn = Night(PLACES).frame(np.array(light, np.float32))
    return np.frombuffer(drawn, np.uint8).reshape(HEIGHT, WIDTH, 3).astype(int)


def test_every_pixel_glows_where_it_hangs() -> None:
    # 2 m by 1 m: 400 dots a metre is the most, so the rig is 800 by 400 dots about the middle; y points up.
    left, right, bottom, top = WIDTH // 2 - 400, WIDTH // 2 + 400, HEIGHT // 2 + 200, HEIGHT // 2 - 200
    picture = seen([[1, 0, 0], [0, 1, 0], [0, 0, 1]])
    assert picture[bottom, left].argmax() == 0
    assert picture[bottom, right].argmax() == 1
    assert picture[top, right].argmax() == 2
    assert picture[top, left].max() < 20
    assert (picture[bottom, left, 0], picture[bottom, right, 1], picture[top, right, 2]) == (255, 255, 255)


def test_more_light_is_brighter_and_dark_is_night() -> None:
    dark, dim, bright = (seen([[v, v, v]] * 3).sum() for v in (0.0, 0.05, 0.5))
    assert dark < dim < bright
    assert seen([[0, 0, 0]] * 3).max() < 20


def test_a_rig_of_one_pixel_and_a_wide_one_fit() -> None:
    assert len(Night([(3.0, 4.0)]).frame(np.ones((1, 3), np.float32))) == WIDTH * HEIGHT * 3
    wide = np.frombuffer(Night([(0, 0), (50, 0)]).frame(np.ones((2, 3), np.float32)), np.uint8)
    lit = np.flatnonzero(wide.reshape(HEIGHT, WIDTH, 3)[HEIGHT // 2].max(axis=1) > 200)
    assert MARGIN - 40 < lit.min() < MARGIN < WIDTH - MARGIN < lit.max() < WIDTH - MARGIN + 40


@needs_ffmpeg
def test_the_film_has_its_frames_and_its_sound(tmp_path: Path) -> None:
    sound = tmp_path / "tone.wav"
    soundfile.write(sound, 0.3 * np.sin(2 * np.pi * 440 * np.arange(44_100) / 44_100), 44_100)
    lights = [np.full((3, 3), float(i >= 5), np.float32) for i in range(10)]
    path = tmp_path / "film.mp4"
    write_film_mp4(path, PLACES, lights, 10, sound)
    asked = ["ffprobe", "-v", "error", "-of", "json", "-show_streams", str(path)]
    streams = json.loads(subprocess.run(asked, capture_output=True, check=True).stdout)["streams"]
    assert {s["codec_name"] for s in streams} == {"h264", "aac"}
    assert all(abs(float(s["duration"]) - 1.0) < 0.06 for s in streams)
    raw = ["ffmpeg", "-v", "error", "-i", str(path), "-f", "rawvideo", "-pix_fmt", "gray", "-"]
    film = np.frombuffer(subprocess.run(raw, capture_output=True, check=True).stdout, np.uint8)
    brightest = film.reshape(-1, HEIGHT * WIDTH).max(axis=1)
    assert len(brightest) == 10
    assert (brightest[:5] < 60).all() and (brightest[5:] > 200).all()
    assert sorted(p.name for p in tmp_path.iterdir()) == ["film.mp4", "tone.wav"]


@needs_ffmpeg
def test_names_with_a_colon_are_names_of_files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    soundfile.write("quay: ebb.wav", np.zeros(8000), 8000)
    write_film_mp4("night: ebb.mp4", [[0.0, 0.0]], [np.zeros((1, 3), np.float32)] * 5, 30, "quay: ebb.wav")
    assert sorted(path.name for path in Path().iterdir()) == ["night: ebb.mp4", "quay: ebb.wav"]


@needs_ffmpeg
def test_a_film_that_fails_leaves_nothing(tmp_path: Path) -> None:
    (tmp_path / "words.wav").write_text("no sound")
    with pytest.raises(FilmNeeds, match="ffmpeg could not make the film"):
        write_film_mp4(tmp_path / "film.mp4", PLACES, [np.ones((3, 3), np.float32)] * 3, 10, tmp_path / "words.wav")
    assert [p.name for p in tmp_path.iterdir()] == ["words.wav"]


def test_without_ffmpeg_it_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(shutil, "which", lambda name: None)
    with pytest.raises(FilmNeeds, match="needs ffmpeg"):
        write_film_mp4(tmp_path / "film.mp4", PLACES, [], 10, None)
