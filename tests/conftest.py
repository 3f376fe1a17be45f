"""Shows that several test files look at: baked once a session, read by all, changed by none."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import settings
from shows import SCORE_BY_EAR, make_show

from composer.cli import main

# Property tests run every time, shortly; HYPOTHESIS_PROFILE=long looks twenty times as long where a test sets no bound.
settings.register_profile("short", max_examples=50, deadline=None)
settings.register_profile("long", max_examples=1000, deadline=None)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "short"))


@pytest.fixture(scope="session")
def baked(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The small show, its song map made, baked."""
    folder = make_show(tmp_path_factory.mktemp("baked") / "tide")
    assert main(["bake", str(folder)]) == 0
    return folder


@pytest.fixture(scope="session")
def heard(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The small show, its song really heard, baked."""
    folder = make_show(tmp_path_factory.mktemp("heard") / "tide", score=SCORE_BY_EAR, mapped=False)
    assert main(["bake", str(folder)]) == 0
    return folder
