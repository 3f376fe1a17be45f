"""How hard a writer looks for small payloads, by the amount of frames, and what it asks of each unit."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from exporters import codec
from exporters.rollfile import RollHeader, RollWriter, StringSpec
from exporters.spec import MOST_DEPTH

STRINGS = (
    StringSpec("rail", 16, None, 3, 3, "grb", "ws2812b"),
    StringSpec("lamp", 2, None, 20, 4, "grbw", "sk6812-rgbw"),
)
HEADER = RollHeader("", "quay", 0, "0" * 64, STRINGS)
FRAMES = 10
BYTES = 3 * FRAMES * HEADER.frame_bytes  # of three different groups

Asked = list[tuple[dict[str, Any], codec.Packed]]


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> Asked:
    """What the encoder is asked, by name, and its answers, in order."""
    told: Asked = []
    encode = codec.encode_unit

    def listen(frames: np.ndarray, **how: Any) -> codec.Packed:
        told.append((how, encode(frames, **how)))
        return told[-1][1]

    monkeypatch.setattr(codec, "encode_unit", listen)
    return told


def write(path: Path, seeds: list[int], **choice: Any) -> None:
    """A group of noise for each seed, each different one in a unit of its own."""
    with RollWriter(path, HEADER, groups=len(seeds), unit_bytes=1, **choice) as writer:
        for at, seed in enumerate(seeds):
            frames = np.random.default_rng(seed).integers(0, 256, (FRAMES, HEADER.frame_bytes), np.uint8)
            writer.add(at * 1_000, (at + 1) * 1_000, frames)


# The second group leans on the first, the third one stands alone. What is searched long is packed in less time as well.
CHAINS = [codec.LONG, codec.LONG, codec.FULL, codec.FULL, codec.LONG, codec.FULL]


@pytest.mark.parametrize(
    ("choice", "efforts"),
    [
        ({"effort": codec.LONG, "search_bytes": 1}, CHAINS),
        ({}, 3 * [codec.FULL]),
        ({"search_bytes": BYTES}, 3 * [codec.FULL]),
        ({"search_bytes": BYTES - 1}, 3 * [codec.FAIR]),
        ({"search_bytes": BYTES // 2}, 3 * [codec.FAIR]),
        ({"search_bytes": BYTES // 2 - 1}, 3 * [codec.QUICK]),
    ],
)
def test_the_effort_is_picked_or_follows_from_the_different_frames(
    tmp_path: Path, asked: Asked, choice: dict[str, Any], efforts: list[codec.Effort]
) -> None:
    write(tmp_path / "a.roll", [1, 2, 1, 3], **choice)
    assert [how["effort"] for how, _ in asked] == efforts
    assert {how["channels"] for how, _ in asked} == {4}  # of which most bytes are


def test_units_that_lean_are_tried_as_the_one_before_is_arranged(tmp_path: Path, asked: Asked) -> None:
    write(tmp_path / "a.roll", list(range(MOST_DEPTH + 3)))
    before = [None, *(packed.how for _, packed in asked[:-1])]
    before[MOST_DEPTH + 1] = None  # where the next chain begins
    assert [how["like"] for how, _ in asked] == before
