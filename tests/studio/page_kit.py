"""The studio's page in a real browser: Debian's Chromium, headless, driven by Playwright, against the real server.

A plug-in of the tests of the page, with their fixtures.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

import pytest
from page_hands import open_page
from shows import ROOT

CHROMIUM = next((path for path in map(shutil.which, ("chromium", "chromium-browser", "google-chrome")) if path), None)


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """The browser; a test that wants it is skipped where there is none."""
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed: the page is not tested")
    if CHROMIUM is None:
        pytest.skip("no Chromium: the page is not tested")
    with sync_api.sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield chromium
        chromium.close()


@pytest.fixture
def complaints() -> list[str]:
    """What the browser complained of: errors of scripts, of the content security policy, refused requests."""
    return []


@pytest.fixture
def opened(
    browser: Any, studio: Callable[..., AbstractContextManager[Any]], show_folder: Path, complaints: list[str]
) -> Iterator[Any]:
    """The page of the small show, ready to be worked on."""
    with studio(show_folder) as running:
        context = browser.new_context(viewport={"width": 1280, "height": 720}, reduced_motion="reduce")
        page = open_page(context, running.url, complaints)
        yield page
        context.close()
    assert complaints == []


@pytest.fixture(scope="session")
def axe(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The source of axe-core, which reads a page as assistive software does."""
    for folder in (os.environ.get("GLOWSCORE_NODE_MODULES"), ROOT / ".node" / "node_modules"):
        if folder and (found := Path(folder) / "axe-core" / "axe.min.js").exists():
            return found.read_text()
    npm = shutil.which("npm")
    if npm is None:
        pytest.skip("neither axe-core nor npm is here")
    into = tmp_path_factory.mktemp("npm")
    command = [npm, "install", "--prefix", str(into), "--silent", "--no-fund", "--no-audit", "axe-core"]
    if subprocess.run(command, capture_output=True, timeout=300).returncode:
        pytest.skip("axe-core cannot be fetched")
    return (into / "node_modules" / "axe-core" / "axe.min.js").read_text()
