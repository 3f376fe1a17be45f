"""Names in letters that the drawing's font lacks: the picture is drawn, and nothing is said of it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from exporters.report import RigString, write_film_png, write_rig_picture

pytestmark = pytest.mark.filterwarnings("error")
TITLE = "潮の歌"  # DejaVu Sans has no CJK


def test_a_film_of_any_title_and_section_is_drawn_in_silence(tmp_path: Path) -> None:
    zones = [("rail", np.zeros((10, 40, 3), np.uint8))]
    write_film_png(tmp_path / "film.png", f"{TITLE} \a", zones, 8.0, [(0.0, 1)], [(0.0, 8.0, "潮")])
    assert (tmp_path / "film.png").read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize("name", ["rig.svg", "rig.png"])
def test_a_rig_of_any_name_is_drawn_in_silence(name: str, tmp_path: Path) -> None:
    string = RigString("rail", "quay", 16, "ws2812b", np.array([[0.0, 0.0], [1.0, 0.0]]))
    write_rig_picture(tmp_path / name, TITLE, [string], [])
    assert (tmp_path / name).stat().st_size > 0
