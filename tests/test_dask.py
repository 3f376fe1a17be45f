"""A bake on a Dask cluster: a real scheduler and two workers, and the very bytes of a bake without."""

from __future__ import annotations

import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from shows import ROOT, make_show

from composer.cli import main
from composer.pipeline import cluster as room

distributed = pytest.importorskip("distributed", reason="needs the extra dask")


@pytest.fixture(scope="module")
def address() -> Iterator[str]:
    """A scheduler with two workers in processes of their own, over TCP."""
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, protocol="tcp", host="127.0.0.1", dashboard_address=None
    ) as cluster:
        yield cluster.scheduler_address


def rolls(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*.roll")}


def test_a_bake_on_two_workers_gives_the_same_bytes(baked: Path, tmp_path: Path, address: str) -> None:
    show = shutil.copytree(baked, tmp_path / "tide")
    shutil.rmtree(show / "out")
    assert main(["bake", str(show), "--dask", address]) == 0
    assert rolls(show / "out") == rolls(baked / "out") and len(rolls(show / "out")) == 2
    # Again on the same workers, another show: nothing of the first is left in them.
    other = make_show(tmp_path / "other", score=(show / "score.toml").read_text("utf-8").replace("ember", "teal"))
    assert main(["bake", str(other), "-o", str(tmp_path / "here")]) == 0
    assert main(["bake", str(other), "-o", str(tmp_path / "there"), "--dask", address]) == 0
    assert rolls(tmp_path / "there") == rolls(tmp_path / "here") != rolls(show / "out")


def test_both_workers_rendered(baked: Path, address: str) -> None:
    with distributed.Client(address, set_as_default=False) as client:
        held = client.run(lambda: len(room._workers))
    assert sorted(held.values()) == [1, 1]


def test_without_a_scheduler_there_is_one_clear_line(
    baked: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(room, "ANSWER_S", 1)
    assert main(["bake", str(baked), "--dask", "tcp://127.0.0.1:9"]) == 2
    assert capsys.readouterr().err == 'bake: --dask: no Dask scheduler answers at "tcp://127.0.0.1:9"\n'
    assert len(rolls(baked / "out")) == 2  # what was baked before is still there


def test_an_address_that_is_none_is_one_clear_line(baked: Path) -> None:
    line = [sys.executable, "-m", "composer", "bake", str(baked), "--dask", "nowhere"]  # no port
    done = subprocess.run(line, cwd=ROOT, capture_output=True, text=True, timeout=120)
    assert (done.returncode, done.stderr) == (2, 'bake: --dask: no Dask scheduler answers at "nowhere"\n')


def test_workers_of_another_version_are_refused(
    baked: Path, address: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(room, "__version__", "99.0")
    assert main(["bake", str(baked), "--dask", address]) == 2
    assert "has Glowscore" in capsys.readouterr().err
