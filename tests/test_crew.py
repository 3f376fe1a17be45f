"""Processes that help: Ctrl-C ends them with the one that they help, at once and without a word."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from concurrent.futures.process import BrokenProcessPool
from pathlib import Path

import pytest
from shows import ROOT, listing, make_show

from composer.cli import main
from composer.pipeline.crew import Crew

# A terminal sends Ctrl-C to every process of its group: here while the helpers are still being started.
SCRIPT = """
import os, signal, time
from composer.pipeline.crew import Crew

if __name__ == "__main__":
    try:
        with Crew(2) as crew:
            sleeps = [crew.submit(time.sleep, 60) for _ in range(4)]
            time.sleep({wait})
            os.killpg(0, signal.SIGINT)
            time.sleep(60)
    except KeyboardInterrupt:
        print("stopped")
"""


@pytest.mark.skipif(os.name == "nt", reason="Windows has no process groups of this kind")
@pytest.mark.parametrize("wait", [0.0, 0.05, 1.0])
def test_ctrl_c_ends_the_helpers_at_once_and_without_a_word(wait: float, tmp_path: Path) -> None:
    script = tmp_path / "script.py"  # spawned processes look for the main module
    script.write_text(SCRIPT.format(wait=wait))
    began = time.monotonic()
    done = subprocess.run(
        [sys.executable, script], cwd=ROOT, env={**os.environ, "PYTHONPATH": str(ROOT)}, start_new_session=True,
        capture_output=True, text=True, timeout=55,
    )  # fmt: skip
    assert (done.returncode, done.stdout, done.stderr) == (0, "stopped\n", "")
    assert time.monotonic() - began < 30  # the helpers would have slept for a minute


def test_a_crew_works_and_tells_what_went_wrong() -> None:
    with Crew(1) as crew:
        assert list(crew.map(abs, [-1, -2])) == [1, 2]
        with pytest.raises(ZeroDivisionError):
            crew.submit(divmod, 1, 0).result()


def test_a_helper_that_died_between_two_groups_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise BrokenProcessPool

    show = make_show(tmp_path / "tide")
    before = listing(show)
    monkeypatch.setattr(Crew, "submit", broken)
    assert main(["bake", str(show), "--jobs", "2"]) == 1
    assert capsys.readouterr().err == "a process that rendered has died; fewer --jobs need less memory\n"
    assert listing(show) == before


@pytest.mark.parametrize("offset", ["nan", "inf", "3000", "soon"])
def test_an_offset_is_as_in_an_evening(offset: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["play", "quay", "--offset", offset]) == 2
    assert f"needs milliseconds, -2000 to 2000, got {offset}" in capsys.readouterr().err
