"""EFFECTS.md and its pictures are what the table and the effects make."""

from __future__ import annotations

import io

import matplotlib.image
import numpy as np
import pytest

from composer.effects.page import EXAMPLES, PAGE, PICTURES, example, page, picture, png
from composer.effects.table import EFFECTS, defaults


def test_the_page_is_the_one_the_table_makes() -> None:
    assert PAGE.read_text(encoding="utf-8") == page(), "run: python -m composer.effects"


def test_every_effect_has_an_example_a_heading_and_a_small_picture() -> None:
    assert list(EXAMPLES) == list(EFFECTS)
    assert {file.stem for file in PICTURES.iterdir()} == set(EFFECTS)
    for name in EFFECTS:
        assert f"\n## {name}\n" in page()
        assert (PICTURES / f"{name}.png").stat().st_size < 20_000


@pytest.mark.parametrize("name", list(EFFECTS))
def test_an_example_reads_without_a_fault_and_is_not_the_default(name: str) -> None:
    assert example(EFFECTS[name]) != defaults(EFFECTS[name])


@pytest.mark.parametrize("name", list(EFFECTS))
def test_the_picture_is_the_one_the_effect_draws(name: str) -> None:
    """Read back with matplotlib, to one level in 255."""
    kept = matplotlib.image.imread(PICTURES / f"{name}.png")[:, :, :3] * 255
    np.testing.assert_allclose(kept, picture(EFFECTS[name]), atol=1.01, err_msg="run: python -m composer.effects")


def test_a_png_reads_back_with_another_reader() -> None:
    pixels = np.random.default_rng(1).integers(0, 256, (7, 5, 3)).astype(np.uint8)
    assert (np.rint(matplotlib.image.imread(io.BytesIO(png(pixels)))[:, :, :3] * 255) == pixels).all()
