"""Packages for boards that are not there: a player of a few lines, songs of any bytes."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from exporters.loading import Job
from exporters.package import BoardRow, Package, manifest_bytes, packed, player_id, read_package, settings_bytes

PICO_ROW = BoardRow("pico", 1_441_792, 131_072, 200_000)
STRINGS = [{"name": "rail", "pin": 16, "pixels": 60}]


def player_of(state: str = "idle", resets: bool = False) -> bytes:
    """The player of a few lines."""
    text = Path(__file__).with_name("player.py").read_text(encoding="utf-8")
    return text.replace("STATE", state).replace("RESETS", str(resets)).encode()


def make_package(
    folder: Path,
    songs: Mapping[str, bytes],
    *,
    controller: str = "quay",
    state: str = "idle",
    strings: list[Any] = STRINGS,
    resets: bool = False,
    more: Mapping[str, bytes] = {},
) -> Package:
    """A package in a new folder. `state`: what its player says it does; `resets`: Ctrl-C restarts the board; `more`:
    further files of the player."""
    player = {"main.py": player_of(state, resets), "glow/roll.py": b"x = 1\n", **more}
    settings = {"format": 1, "controller": controller, "strings": strings, "songs": list(songs), "wifi": None}
    files = {**player, **songs, "settings.json": settings_bytes(settings)}
    for name, data in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(data)
    rows = [packed(name, data) for name, data in files.items()]
    (folder / "manifest.json").write_bytes(manifest_bytes(controller, "pico", player_id(player), rows))
    return read_package(folder)


def job(*packages: Package, controller: str = "quay", wiring: bool = False) -> Job:
    """A job for a Pico."""
    songs = tuple(song for package in packages for song in package.settings["songs"])
    return Job(controller, PICO_ROW, "RP2040", packages, songs, wiring=wiring)


def contents(package: Package) -> dict[str, bytes]:
    """A package's files by name, but for the manifest."""
    return {file.name: (package.folder / file.name).read_bytes() for file in package.files}


def but_lists(files: Mapping[str, bytes]) -> dict[str, bytes]:
    """Files without the two that every load writes anew."""
    return {name: data for name, data in files.items() if name not in ("settings.json", "manifest.json")}


def songs_of(files: Mapping[str, bytes]) -> list[str]:
    """The list of songs in a board's settings."""
    return list(json.loads(files["settings.json"])["songs"])
