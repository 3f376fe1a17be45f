"""The C decoder under a fuzzer: no bytes make it crash, read or write out of bounds, or depend on its slices of work.

`c_hosts/fuzz.c` is what the fuzzer calls. It starts from the vectors, 20 s long unless GLOWSCORE_FUZZ_SECONDS says
otherwise. What was ever found, here or by reading, stays in `c_fuzz/` as hex and is tried each time, without a fuzzer.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest
from c_kit import (
    GCC,
    HERE,
    HOSTS,
    PLAYER,
    Made,
    compiled,
    every_arrangement,
    jumping_roll,
    made_roll,
    quoting_roll,
    stored,
    strings_of,
    tide,
)

from exporters import spec
from exporters.rollfile import RollHeader

SECONDS = int(os.environ.get("GLOWSCORE_FUZZ_SECONDS", "20"))
PINNED = sorted((HERE / "c_fuzz").glob("*.hex"))


def header_of(frame_bytes: int) -> RollHeader:
    return RollHeader("Tide", "quay", 1_000_000, "5a" * 32, strings_of(frame_bytes))


def from_hex(path: Path) -> bytes:
    lines = path.read_text(encoding="utf-8").splitlines()
    return bytes.fromhex("".join(line for line in lines if not line.startswith("#")))


@pytest.fixture(scope="module")
def corpus(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The vectors, with and without repair of the checksums, in slices of several lengths."""
    folder = tmp_path_factory.mktemp("corpus")
    quoted = stored(bytes([0, 3, 1, 2, 3, 0, 0, 1, 0, 3, 0]))
    rolls = [
        tide(),
        every_arrangement(header_of(7))[0],
        jumping_roll(),
        quoting_roll(1, 7, 20),
        made_roll(header_of(3), [Made(4, 0, spec.QUOTES, quoted)], [(0, 0, 2)] * 20, 13),
    ]
    for number, roll in enumerate(rolls):
        for flags in (0, 1, 3, 7):
            for how in (0x00, 0x01, 0x3B):
                (folder / f"{number}_{flags}_{how}").write_bytes(bytes([flags, how, 40]) + roll)
    return folder


@pytest.mark.skipif(GCC is None, reason="gcc is not installed: the C decoder is not compiled")
def test_what_was_ever_found_and_what_the_fuzzer_starts_from_is_no_fault(tmp_path: Path, corpus: Path) -> None:
    assert PINNED
    program = compiled(tmp_path, "fuzz", "-DALONE")
    inputs = sorted(corpus.iterdir())
    for path in PINNED:
        (tmp_path / path.stem).write_bytes(from_hex(path))
        inputs.append(tmp_path / path.stem)
    done = subprocess.run([str(program), *map(str, inputs)], capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr


def runtime() -> bool:
    """Whether clang is there, and its libFuzzer, which Debian packs apart."""
    if shutil.which("clang") is None:
        return False
    listed = subprocess.run(["clang", "-print-runtime-dir"], capture_output=True, text=True).stdout.strip()
    beside = Path(listed).parent / "linux"
    return any(folder.is_dir() and list(folder.glob("*libclang_rt.fuzzer*")) for folder in (Path(listed), beside))


@pytest.mark.skipif(not runtime(), reason="clang and its libFuzzer are not installed: nothing is fuzzed")
def test_the_fuzzer_finds_nothing(tmp_path: Path, corpus: Path) -> None:
    program = tmp_path / "fuzz"
    watch = ["-std=c99", "-g", "-O1", "-fsanitize=fuzzer,address,undefined", "-fno-sanitize-recover=all"]
    sources = [str(HOSTS / "fuzz.c"), str(PLAYER / "roll.c")]
    subprocess.run(["clang", *watch, f"-I{PLAYER}", "-o", str(program), *sources], check=True)
    grown = tmp_path / "grown"
    grown.mkdir()
    words = ["-seed=1", "-max_len=8000", f"-max_total_time={SECONDS}", f"-artifact_prefix={tmp_path}/found-"]
    done = subprocess.run(
        [str(program), *words, str(grown), str(corpus)], capture_output=True, text=True, timeout=SECONDS + 120
    )
    found = {path.name: path.read_bytes().hex() for path in tmp_path.glob("found-*")}
    assert done.returncode == 0 and not found, f"{found}\n{done.stderr[-4_000:]}"
    assert list(grown.iterdir())  # it got somewhere that the vectors had not been
