"""How payloads end, in all four decoders: ROLL.md section 9 wants a stored block of one byte, and not a final one.

Outside truth: RFC 1951, and truth/roll_ends.json, worked by hand from it and from the page, bit by bit.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import zlib
from pathlib import Path
from typing import Any

import pytest
from c_kit import GCC, compiled, play
from mpy_kit_runner import HandUnit, bundle, hand_roll, node_modules, shown, unix, unix_port, web

from exporters import codec
from exporters.spec import LAST_BLOCK, RollError

HERE = Path(__file__).parent
UNITS: list[dict[str, Any]] = json.loads((HERE.parent / "exporters" / "truth" / "roll_ends.json").read_text())["units"]
SOUND, BROKEN = "lit", "dark"


def wanted(unit: dict[str, Any]) -> str:
    return BROKEN if unit["shown"] == "broken" else SOUND


def frames_of(unit: dict[str, Any]) -> bytes:
    return b"" if unit["shown"] == "broken" else b"".join(map(bytes, unit["shown"]))


def rolls() -> list[bytes]:
    """Each payload between two sound units."""
    made = []
    for unit in UNITS:
        size = unit["frame_bytes"]
        one = HandUnit(
            unit["how"], unit["frames"], bytes(size * unit["frames"]), payload=bytes.fromhex(unit["payload"])
        )
        made.append(
            hand_roll(size, [HandUnit(16, 1, bytes(range(size))), one, HandUnit(16, 1, bytes(range(1, 1 + size)))])
        )
    return made


def names() -> list[str]:
    return [unit["name"] for unit in UNITS]


def test_the_payloads_are_what_they_say() -> None:
    """zlib's inflate, an RFC 1951 reader of others: it takes all sound ones, and most broken ones for whole as well."""
    for unit in UNITS:
        payload = bytes.fromhex(unit["payload"])
        if wanted(unit) == SOUND:
            inflater = zlib.decompressobj(-13)
            assert inflater.decompress(payload) == frames_of(unit) and not inflater.eof, unit["name"]
            assert payload[-5:-1] == LAST_BLOCK
    assert sum(bytes.fromhex(unit["payload"])[-5:-1] == LAST_BLOCK for unit in UNITS if wanted(unit) == BROKEN) >= 10


def test_in_python() -> None:
    got = []
    for unit in UNITS:
        try:
            size = unit["frame_bytes"]
            frames, _ = codec.decode_unit(bytes.fromhex(unit["payload"]), unit["how"], unit["frames"], size)
            assert frames.tobytes() == frames_of(unit)
            got.append(SOUND)
        except RollError:
            got.append(BROKEN)
    assert dict(zip(names(), got, strict=True)) == {unit["name"]: wanted(unit) for unit in UNITS}


@pytest.mark.skipif(GCC is None, reason="gcc is not installed: the C decoder is not compiled")
@pytest.mark.parametrize("work", [0, 1, "share"])
def test_in_c(work: int | str, tmp_path: Path) -> None:
    program, got = compiled(tmp_path, "play"), []
    for unit, data in zip(UNITS, rolls(), strict=True):
        size, path = unit["frame_bytes"], tmp_path / "a.roll"
        path.write_bytes(data)
        before, it, after = (frames for _, _, frames in play(program, path, work, size).shown.values())
        assert before is not None and before.tobytes() == bytes(range(size))
        assert after is not None and after.tobytes() == bytes(range(1, 1 + size))
        assert it is None or it.tobytes() == frames_of(unit)
        got.append(BROKEN if it is None else SOUND)
    assert dict(zip(names(), got, strict=True)) == {unit["name"]: wanted(unit) for unit in UNITS}


@pytest.mark.skipif(shutil.which("node") is None, reason="node is not installed: the JavaScript decoder is not run")
def test_in_javascript(tmp_path: Path) -> None:
    """Of whole rolls: the three groups' hashes, null where one is broken."""
    paths = []
    for number, data in enumerate(rolls()):
        paths.append(tmp_path / f"{number}.roll")
        paths[-1].write_bytes(data)
    command = ["node", str(HERE / "js_runner.mjs"), "many", *map(str, paths)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr
    groups = [json.loads(line)["groups"] for line in done.stdout.splitlines()]
    cut = [[word and word[:16] for word in words] for words in groups]
    assert cut == [[None if word == "-" else word for word in shown(path).split()] for path in paths]
    got = {name: BROKEN if it is None else SOUND for name, (_, it, _) in zip(names(), groups, strict=True)}
    assert got == {unit["name"]: wanted(unit) for unit in UNITS}


@pytest.mark.skipif(unix_port() is None, reason="MicroPython's unix port is not installed")
@pytest.mark.parametrize(
    "run",
    [unix, pytest.param(web, marks=pytest.mark.skipif(node_modules() is None, reason="MicroPython for the web"))],
)
def test_in_micropython(run: Any, tmp_path: Path) -> None:
    """What it does not refuse is told of beside the vector, and in PLAYER.md; the unit before plays whatever it is."""
    lines = run("decode.py", "rolls", bundle(tmp_path / "rolls", rolls()))
    got, path = {}, tmp_path / "a.roll"
    for unit, line, data in zip(UNITS, lines, rolls(), strict=True):
        path.write_bytes(data)
        ours, theirs = line.split(), shown(path).split()
        assert ours[0] == theirs[0], unit["name"]
        assert ours[1] == theirs[1] or theirs[1] == "-", unit["name"]
        # Where the inflater was left within a block, the next unit is found broken; none was seen to show wrong bytes.
        assert ours[2] == theirs[2] or unit.get("micropython") == "accepts" and ours[2] == "-", unit["name"]
        got[unit["name"]] = BROKEN if ours[1] == "-" else SOUND
    assert got == {unit["name"]: SOUND if "micropython" in unit else wanted(unit) for unit in UNITS}
