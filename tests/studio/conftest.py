"""A show in the studio: its server in a thread, as a browser meets it, or its routes alone, for quick tests."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path

import pytest
from shows import make_show
from studio_kit import COMMENTED, Client, Running, running

from composer.studio.app import Studio
from composer.studio.session import Session


@pytest.fixture
def show_folder(tmp_path: Path) -> Path:
    """A show of 16 seconds, three strings, 114 pixels, its score with comments."""
    return make_show(tmp_path / "tide", score=COMMENTED)


@pytest.fixture
def studio() -> Callable[..., AbstractContextManager[Running]]:
    """`with studio(folder) as running:` serves a show on a free port."""
    return running


@pytest.fixture
def client(show_folder: Path) -> Client:
    """The routes of a studio, asked in this very thread; nothing watches or audits beside."""
    return Client(Studio(Session(show_folder)))
