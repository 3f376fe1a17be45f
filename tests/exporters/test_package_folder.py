"""A controller's folder: what bake leaves in it, and that it is whole or not there."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import shutil
from pathlib import Path

import pytest
from shows import RIG, make_show

from composer.cli import main
from exporters.package import (
    PackageError,
    fits_together,
    manifest_from,
    player_files,
    player_id,
    read_package,
    write_package,
)


def manifest(folder: Path) -> dict[str, object]:
    found: dict[str, object] = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
    return found


def test_the_manifest_lists_every_other_file_with_its_size_and_hash(baked: Path) -> None:
    folder = baked / "out" / "quay"
    rows = {row["name"]: row for row in manifest(folder)["files"]}  # type: ignore[attr-defined]
    there = {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}
    del there["manifest.json"]
    assert set(rows) == set(there) >= {"tide.roll", "settings.json", *player_files()}
    for name, data in there.items():
        assert rows[name] == {"name": name, "bytes": len(data), "sha256": hashlib.sha256(data).hexdigest()}
    assert manifest(folder) | {"files": 0} == {
        "format": 1, "controller": "quay", "board": "pico", "player": player_id(player_files()), "files": 0,
    }  # fmt: skip


def test_the_player_is_named_by_every_byte_of_it() -> None:
    one = {"main.py": b"a", "glow/roll.py": b"b"}
    names = {
        player_id(files)
        for files in (one, {"main.py": b"b", "glow/roll.py": b"a"}, {"main.py": b"a"}, one | {"glow/roll.py": b"c"})
    }
    assert len(names) == 4 and player_id(dict(reversed(one.items()))) == player_id(one)


def test_what_only_tests_use_is_not_packed(tmp_path: Path) -> None:
    (tmp_path / "glow").mkdir()
    for name in ("main.py", "glow/roll.py", "glow/hw_fake.py", "glow/notes.txt"):
        (tmp_path / name).write_text(name)
    assert player_files(tmp_path) == {"main.py": b"main.py", "glow/roll.py": b"glow/roll.py"}


def test_settings_say_what_the_rig_says(baked: Path) -> None:
    settings = read_package(baked / "out" / "quay").settings
    assert settings["controller"] == "quay" and settings["board"] == "pico" and settings["songs"] == ["tide.roll"]
    rail, mast = settings["strings"]
    assert [rail[key] for key in ("name", "pin", "pixels", "channels", "order")] == ["rail", 16, 60, 3, "grb"]
    # WS2812B datasheet V1.0, data transfer time: T0H 0.40, T0L 0.85, T1H 0.80, T1L 0.45 us, and at most 150 ns off.
    nominal = {"t0h_ns": 400, "t0l_ns": 850, "t1h_ns": 800, "t1l_ns": 450}
    assert {key: rail[key] for key in nominal} == pytest.approx(nominal, abs=150)
    assert rail["t0h_ns"] + rail["t0l_ns"] == rail["t1h_ns"] + rail["t1l_ns"] == 1250
    assert (mast["channels"], mast["order"], mast["reset_us"]) == (4, "grbw", 300)


def test_clocked_chips_say_what_stands_around_their_colours(tmp_path: Path) -> None:
    rig = RIG.replace(
        'pin = 16\npixels = 60\nchip = "ws2812b"', 'pin = 16\nclock_pin = 18\npixels = 60\nchip = "apa102"'
    )
    show = make_show(tmp_path / "tide", rig=rig)
    assert main(["bake", str(show)]) == 0
    rail = read_package(show / "out" / "quay").settings["strings"][0]
    # APA102 datasheet: a start frame of 32 bits; half a clock a pixel at the end (practice): 60 / 2 / 8 bytes, whole.
    assert (rail["clocked"], rail["clock_pin"], rail["start_bytes"], rail["end_bytes"]) == (True, 18, 4, 4)
    assert rail["level_byte"] == 0b111_11111 and "t0h_ns" not in rail


def test_two_shows_baked_into_one_folder_are_one_package(baked: Path, tmp_path: Path) -> None:
    other = shutil.copytree(baked, tmp_path / "ebb", ignore=shutil.ignore_patterns("out"))
    (other / "tide.wav").rename(other / "ebb.wav")
    (other / "tide.map.json").rename(other / "ebb.map.json")
    score = other / "score.toml"
    score.write_text(score.read_text(encoding="utf-8").replace("tide.wav", "ebb.wav"), encoding="utf-8")
    out = tmp_path / "evening"
    assert main(["bake", str(baked), "-o", str(out)]) == 0
    (out / "quay" / "notes.txt").write_text("mine")
    assert main(["bake", str(other), "-o", str(out)]) == 0
    package = read_package(out / "quay")
    assert [roll.name for roll in package.rolls] == ["ebb.roll", "tide.roll"] == package.settings["songs"]
    # A show that fails takes its own roll away, and leaves the other's playable.
    assert main(["bake", str(other), "-o", str(out), "--limiter", "off"]) == 1
    package = read_package(out / "quay")
    assert [roll.name for roll in package.rolls] == ["tide.roll"] == package.settings["songs"]
    assert main(["bake", str(baked), "-o", str(out), "--limiter", "off"]) == 1
    assert [path.name for path in (out / "quay").iterdir()] == ["notes.txt"]


def test_a_player_that_lost_a_module_loses_it_in_the_folder_too(
    baked: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    show = shutil.copytree(baked, tmp_path / "tide")
    folder = show / "out" / "quay"
    (folder / "glow" / "mine.py").write_text("# a person's own")
    smaller = tmp_path / "player"
    (smaller / "glow").mkdir(parents=True)
    (smaller / "main.py").write_text("pass\n")
    monkeypatch.setattr(player_files, "__defaults__", (smaller,))
    assert main(["bake", str(show)]) == 0
    there = sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file())
    assert there == ["glow/mine.py", "main.py", "manifest.json", "settings.json", "tide.roll"]


def test_a_bake_that_breaks_while_it_delivers_leaves_nothing_to_load(
    baked: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    show = shutil.copytree(baked, tmp_path / "tide")
    replace, moved = os.replace, []

    def broken_off(source: Path, place: Path) -> None:
        moved.append(place)
        if place.name == "settings.json":
            raise OSError(errno.ENOSPC, "No space left on device")
        replace(source, place)

    monkeypatch.setattr("composer.pipeline.rolls.os.replace", broken_off)
    assert main(["bake", str(show)]) == 2
    assert [place.parent.name for place in moved].count("quay") > 1
    with pytest.raises(PackageError, match="manifest.json: no such file: bake the show first"):
        read_package(show / "out" / "quay")


@pytest.mark.parametrize("name", ["glow/roll.py", "settings.json", "tide.roll"])
def test_a_package_with_one_changed_byte_is_refused(baked: Path, tmp_path: Path, name: str) -> None:
    folder = shutil.copytree(baked / "out" / "quay", tmp_path / "quay")
    path = folder / name
    path.write_bytes(bytes([path.read_bytes()[0] ^ 1]) + path.read_bytes()[1:])
    with pytest.raises(PackageError, match=f"{name}: is not the file that was baked"):
        read_package(folder)
    path.unlink()
    with pytest.raises(PackageError, match=f"{name}: cannot be read"):
        read_package(folder)


@pytest.mark.parametrize("lie", ["main.py left out", "boot.py besides", "another player"])
def test_a_manifest_that_does_not_list_the_whole_player_is_refused(baked: Path, tmp_path: Path, lie: str) -> None:
    folder = shutil.copytree(baked / "out" / "quay", tmp_path / "quay")
    (folder / "boot.py").write_bytes(b"pass\n")
    content = json.loads((folder / "manifest.json").read_text())
    if lie.startswith("main.py"):
        content["files"] = [row for row in content["files"] if row["name"] != "main.py"]
    elif lie.startswith("boot.py"):
        content["files"].append({"name": "boot.py", "bytes": 5, "sha256": hashlib.sha256(b"pass\n").hexdigest()})
    else:
        content["player"] = "0" * 12
    (folder / "manifest.json").write_text(json.dumps(content))
    with pytest.raises(PackageError, match="manifest.json: does not list the player's files as they are: bake"):
        read_package(folder)


@pytest.mark.parametrize(
    "name", ["../main.py", "/main.py", "glow/../../main.py", "", "glow\\..\\main.py", "glow//roll.py"]
)
def test_a_manifest_cannot_name_files_elsewhere(tmp_path: Path, name: str) -> None:
    row = {"name": name, "bytes": 1, "sha256": "0" * 64}
    content = {"format": 1, "controller": "quay", "board": "pico", "player": "x", "files": [row]}
    with pytest.raises(PackageError, match="is not the name of a file in this folder"):
        manifest_from(content, tmp_path)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[]", "is not a JSON object"),
        ("{", "is not JSON"),
        ('{"format": 2, "files": []}', "format 2, this version reads 1"),
        ('{"format": 1}', "is not a manifest"),
        (
            '{"format": 1, "controller": "a", "board": "b", "player": "c", "files": [{"name": "x"}]}',
            "is not a manifest",
        ),
    ],
)
def test_what_is_no_manifest_is_told(tmp_path: Path, text: str, says: str) -> None:
    (tmp_path / "manifest.json").write_text(text)
    with pytest.raises(PackageError, match=says):
        read_package(tmp_path)


def test_a_folder_without_manifest_was_never_baked(tmp_path: Path) -> None:
    with pytest.raises(PackageError, match="no such file: bake the show first"):
        read_package(tmp_path)


def test_an_evening_whose_settings_differ_does_not_fit_together(baked: Path, tmp_path: Path) -> None:
    from composer.pipeline.packing import row_of
    from composer.rig import boards

    one = read_package(baked / "out" / "quay")
    row = row_of(boards()["pico"])
    assert fits_together(row, [one, one]) == []
    folder = tmp_path / "other"
    folder.mkdir()
    roll = folder / "tide.roll"
    shutil.copy(baked / "out" / "deck" / "tide.roll", roll)
    other = write_package(folder, "deck", "esp32", one.settings | {"controller": "deck"}, [roll])
    lines = fits_together(row, [one, other])
    assert [line.split(": ", 1)[1] for line in lines] == [
        f"is for controller deck, {one.folder} for quay",
        "was baked for a esp32, this board is a pico: bake it again",
        f"has other strings or settings than {one.folder}: bake both again",
        f"{one.folder / 'tide.roll'} has the same name: rename a song",
    ]
