"""The wheel, built and installed into an empty environment, bakes a show without the checkout."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import venv
import zipfile
from pathlib import Path

import pytest
from shows import ROOT, SCORE_BY_EAR, make_show

WINGS = ("composer", "exporters")
CACHES = shutil.ignore_patterns("__pycache__", ".*cache")


def run(*line: object, cwd: Path) -> str:
    """Run a program that sees nothing of this one's environment but where programs and pip's downloads are."""
    mine = ("PYTHONPATH", "PYTHONHOME", "VIRTUAL_ENV", "COVERAGE_", "PYTEST_")
    env = {key: value for key, value in os.environ.items() if not key.startswith(mine)}
    done = subprocess.run([*map(str, line)], cwd=cwd, env=env, capture_output=True, text=True, timeout=600)
    assert done.returncode == 0, done.stderr[-4000:]
    return done.stdout


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel, built from a copy: building leaves folders beside the sources."""
    folder = tmp_path_factory.mktemp("wheel")
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        shutil.copy(ROOT / name, folder / name)
    for wing in WINGS:
        shutil.copytree(ROOT / wing, folder / wing, ignore=CACHES)
    run(sys.executable, "-m", "build", "--wheel", "--outdir", folder / "dist", folder, cwd=folder)
    (built,) = (folder / "dist").glob("glowscore-*.whl")
    return built


def test_the_wheel_holds_every_module_and_every_table(wheel: Path) -> None:
    held = {name for name in zipfile.ZipFile(wheel).namelist() if ".dist-info/" not in name}
    kinds = {".py", ".toml", ".json", ".md", ".c", ".h", ".js", ".html", ".css"}
    wanted = {str(p.relative_to(ROOT)) for wing in WINGS for p in (ROOT / wing).rglob("*") if p.suffix in kinds}
    assert {"composer/chips.toml", "composer/boards.toml", "exporters/ROLL.md"} < wanted
    assert wanted <= held
    assert {name.split("/")[0] for name in held} == set(WINGS)


def test_installed_it_bakes_outside_the_checkout(wheel: Path, tmp_path: Path) -> None:
    home = tmp_path / "env"
    venv.create(home)
    python, glowscore = home / "bin" / "python", home / "bin" / "glowscore"
    # The pip that is here installs there. Modules are compiled when they are imported, which most of them never are.
    pip = (sys.executable, "-m", "pip", "--python", python)
    run(*pip, "install", "--quiet", "--disable-pip-version-check", "--no-compile", wheel, cwd=tmp_path)
    where = run(python, "-c", "import composer, exporters; print(composer.__file__, exporters.__file__)", cwd=tmp_path)
    assert all(path.startswith(str(home)) for path in where.split())
    assert len(where.split()) == 2

    show = make_show(tmp_path / "tide", score=SCORE_BY_EAR, mapped=False)
    said = json.loads(run(glowscore, "bake", show, "--json", cwd=tmp_path))
    assert said["ok"] is True and sorted(said["controllers"]) == ["deck", "quay"]
    seen = json.loads(
        run(glowscore, "inspect", show / "out" / "quay" / "tide.roll", "--verify", "--json", cwd=tmp_path)
    )
    assert seen["faults"] == [] and seen["frames"] > 100
    assert (show / "out" / "film.png").stat().st_size > 1000
