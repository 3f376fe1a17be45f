"""Shows that several test files look at: baked once a session, read by all, changed by none."""

from __future__ import annotations

import os
import signal
from pathlib import Path

import pytest
from hypothesis import settings
from shows import SCORE_BY_EAR, make_show

from composer.cli import main

# Started behind a script's &, Ctrl-C is ignored, and by everything that is started from here as well.
signal.signal(signal.SIGINT, signal.default_int_handler)

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
