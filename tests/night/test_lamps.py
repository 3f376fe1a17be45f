"""Live frames for a whole rig: model boards on pseudo terminals show what was sent."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from board_model import ModelBoard
from night_kit import PtyBoard

from composer.faults import Faults
from composer.pipeline.lamps import Lamps
from composer.pipeline.playing import link
from composer.rig import Rig, load_rig


@pytest.fixture(scope="module")
def rig(baked: Path) -> Rig:
    return load_rig(baked / "rig.toml")


def board(rig: Rig, name: str, more: int = 0) -> PtyBoard:
    place = rig.controller_slices[name]
    return PtyBoard(ModelBoard(time.monotonic, name, frame_bytes=place.stop - place.start + more))


@pytest.fixture
def boards(rig: Rig) -> Iterator[dict[str, PtyBoard]]:
    made = {name: board(rig, name) for name in rig.controllers}
    yield made
    for one in made.values():
        one.unplug()


def test_every_board_shows_its_part_of_a_frame(rig: Rig, boards: dict[str, PtyBoard]) -> None:
    frame = np.arange(rig.frame_bytes, dtype=np.uint32).astype(np.uint8)
    with Lamps(rig, [one.port for one in boards.values()]) as lamps:
        assert sorted(lamps.boards) == ["deck", "quay"]
        took = lamps.send(frame)
        assert set(took) == {"deck", "quay"}
        for name, one in boards.items():
            assert one.model.frames_shown == [frame[rig.controller_slices[name]].tobytes()]
            assert one.model.state == "live"
    assert [one.model.state for one in boards.values()] == ["idle", "idle"]


def test_limits_are_those_of_the_board_rows(rig: Rig, boards: dict[str, PtyBoard]) -> None:
    # The quay's frame: 60 x 3 + 24 x 4 = 276 bytes, 2 pieces of at most 144 bytes in lines of 216; the deck's 30 x 3.
    with Lamps(rig, [one.port for one in boards.values()]) as lamps:
        assert lamps.limits() == pytest.approx({"quay": 400_000 / (2 * 216 + 16), "deck": 80_000 / (216 + 16)})


def test_a_board_that_is_pulled_out_is_told_and_the_others_go_on(rig: Rig, boards: dict[str, PtyBoard]) -> None:
    frame = np.full(rig.frame_bytes, 9, np.uint8)
    with Lamps(rig, [one.port for one in boards.values()]) as lamps:
        boards["quay"].unplug()
        with pytest.raises(link.LinkError, match="quay"):
            lamps.send(frame)
        assert lamps.boards == ["deck"]
        lamps.send(frame)
        assert len(boards["deck"].model.frames_shown) >= 1
    boards["quay"].plug()


def test_a_board_of_other_strings_or_of_no_rig_is_refused(rig: Rig) -> None:
    other, stranger = board(rig, "quay", more=3), board(rig, "deck")
    stranger.model.controller = "shed"
    with pytest.raises(Faults) as caught:
        Lamps(rig, [other.port, stranger.port])
    assert 'is controller "shed", which the rig does not have' in str(caught.value)
    assert "quay: has other strings than the rig: load it again" in str(caught.value)
    again = link.SerialWire(other.port)  # the ports were let go
    again.close()
    other.unplug()
    stranger.unplug()


def test_without_a_board_the_line_says_so(rig: Rig) -> None:
    with pytest.raises(Faults, match="no board answers"):
        Lamps(rig, [])
