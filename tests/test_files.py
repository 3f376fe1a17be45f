"""Fear: a message names a file that nobody knows, or a user without a home gets a traceback."""

from __future__ import annotations

import errno
import os
import shlex
import shutil
import stat
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from shows import ROOT, make_show

from composer.cli import main
from composer.faults import Faults
from composer.files import find_caches, write_text
from exporters.report.files import whole_file

ROOT_USER = hasattr(os, "getuid") and os.getuid() == 0
UNPRIVILEGED = ["setpriv", "--bounding-set", "-dac_override"] if ROOT_USER else []
BOUND = pytest.mark.skipif(ROOT_USER and shutil.which("setpriv") is None, reason="setpriv is not installed")


# ---- messages name the file that was wanted


def test_a_folder_in_the_way_of_a_text_is_named_itself(tmp_path: Path) -> None:
    (tmp_path / "score.toml").mkdir()
    with pytest.raises(Faults, match="score.toml: cannot be written: is a folder") as caught:
        write_text(tmp_path / "score.toml", "x")
    assert ".part" not in str(caught.value)


def test_a_folder_in_the_way_of_a_picture_is_named_itself(tmp_path: Path) -> None:
    (tmp_path / "p.png").mkdir()
    with pytest.raises(OSError, match="p.png") as caught, whole_file(tmp_path / "p.png", text=False) as file:
        file.write(b"x")
    assert caught.value.filename == str(tmp_path / "p.png")
    assert caught.value.errno in (errno.EISDIR, errno.EEXIST, errno.ENOTEMPTY)
    assert [path.name for path in tmp_path.iterdir()] == ["p.png"]


def test_a_new_show_that_cannot_be_made_is_named_itself(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device", ".quay.17.new")

    monkeypatch.setattr("os.replace", full)
    assert main(["new", str(tmp_path / "quay")]) == 2
    assert capsys.readouterr().err == f"{tmp_path / 'quay'}: cannot be made: No space left on device\n"
    assert list(tmp_path.iterdir()) == []


def test_a_film_has_an_ending_that_it_is(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["film", str(tmp_path), "-o", str(tmp_path / "x.gif")]) == 2
    assert capsys.readouterr().err == f"{tmp_path / 'x.gif'}: a film is drawn as .png or .mp4\n"


@pytest.mark.parametrize("name", ["quay", "Grüße aus Köln"])
def test_the_next_command_can_be_copied(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["new", str(tmp_path / name)]) == 0
    last = capsys.readouterr().out.splitlines()[-1]
    assert shlex.split(last.partition(": ")[2].partition(", then: ")[0] or last.partition("then: ")[2])
    assert shlex.split(last.partition("then: ")[2]) == ["glowscore", "draft", str(tmp_path / name)]


# ---- where numba keeps what it compiled


@pytest.mark.parametrize("place", [ROOT, Path("/ada")])
def test_where_the_code_or_the_cache_can_be_written_numba_is_left_alone(place: Path) -> None:
    environ = {"XDG_CACHE_HOME": "/ada/.cache", "XDG_CONFIG_HOME": "/ada/.config"}
    before = dict(environ)
    find_caches(environ, lambda folder: folder == Path("/") if place != ROOT else folder.is_relative_to(ROOT))
    assert "NUMBA_CACHE_DIR" not in environ
    assert ("MPLCONFIGDIR" in environ) == (place == ROOT)
    assert environ.items() >= before.items()


def test_what_a_person_says_of_caches_stands() -> None:
    given = {"NUMBA_CACHE_DIR": "/given", "MPLCONFIGDIR": "/this"}
    find_caches(given, lambda folder: False)
    assert given == {"NUMBA_CACHE_DIR": "/given", "MPLCONFIGDIR": "/this"}


def test_where_neither_can_be_written_a_folder_of_ones_own_serves(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tempfile.gettempdir", lambda: str(tmp_path))
    environ: dict[str, str] = {}
    find_caches(environ, lambda folder: False)
    folder = Path(environ["NUMBA_CACHE_DIR"])
    assert folder.parent == tmp_path
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    again: dict[str, str] = {}
    find_caches(again, lambda folder: False)
    assert again == environ  # so it compiles once
    assert environ["MPLCONFIGDIR"] == str(folder)
    folder.chmod(0o777)  # somebody else may put code there
    find_caches(again := {}, lambda folder: False)
    assert again["NUMBA_CACHE_DIR"] != environ["NUMBA_CACHE_DIR"]
    shutil.rmtree(again["NUMBA_CACHE_DIR"])


@pytest.fixture
def sealed(tmp_path: Path) -> Iterator[Path]:
    """A copy of the code beside a home; neither may be written."""
    folder = tmp_path / "sealed"
    for wing in ("composer", "exporters"):
        shutil.copytree(ROOT / wing, folder / wing, ignore=shutil.ignore_patterns("__pycache__"))
    (folder / "home").mkdir()
    folders = [folder, *(path for path in folder.rglob("*") if path.is_dir())]
    for path in folders:
        path.chmod(0o555)
    yield folder
    for path in folders:
        path.chmod(0o755)


def sealed_command(sealed: Path, *arguments: object) -> subprocess.CompletedProcess[str]:
    """The command out of that folder, by a user whom its modes bind: root is bound without CAP_DAC_OVERRIDE
    (capabilities(7))."""
    env = {"PATH": os.environ["PATH"], "HOME": str(sealed / "home"), "TMPDIR": str(sealed.parent)}
    line = [*UNPRIVILEGED, sys.executable, "-m", "composer", *map(str, arguments)]
    return subprocess.run(line, cwd=sealed, env=env, capture_output=True, text=True, timeout=120)


@BOUND
def test_a_user_without_a_home_can_draw_a_film(sealed: Path, tmp_path: Path) -> None:
    show = make_show(tmp_path / "show")
    done = sealed_command(sealed, "film", show, "-o", show / "film.png")
    assert (done.returncode, done.stderr) == (0, "")
    assert (show / "film.png").stat().st_size > 0
    assert list(tmp_path.glob("glowscore-cache-*/*"))


@BOUND
def test_a_folder_that_may_not_be_written_is_named_itself(sealed: Path) -> None:
    done = sealed_command(sealed, "new", sealed / "quay")
    assert (done.returncode, done.stderr) == (2, f"{sealed / 'quay'}: cannot be made: Permission denied\n")


@BOUND
def test_a_folder_that_takes_no_rolls_is_named_itself(sealed: Path, tmp_path: Path) -> None:
    show = make_show(tmp_path / "show")
    done = sealed_command(sealed, "bake", show, "-o", sealed / "home")
    assert (done.returncode, done.stderr) == (2, f"{sealed / 'home'}: cannot be written: Permission denied\n")
