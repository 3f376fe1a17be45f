"""Live frames for a whole rig: model boards on pseudo terminals show what was sent."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from board_model import ModelBoard, Turned
from night_kit import PtyBoard

from composer.faults import Faults
from composer.night.clap import clap, click_track
from composer.night.sound import Silent
from composer.night.stage import Controls
from composer.pipeline.lamps import Lamps
from composer.pipeline.playing import dim_white, link
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


def test_limits_are_those_of_the_board_rows_or_of_a_serial_converter(rig: Rig, boards: dict[str, PtyBoard]) -> None:
    # The quay's frame: 60 x 3 + 24 x 4 = 276 bytes, 2 pieces of at most 144 bytes in lines of 216; the deck's 30 x 3.
    boards["quay"].model.room = 4096
    boards["deck"].model.room = 256  # an ESP32 behind a converter: 115,200 bits a second, 10 bits a byte
    with Lamps(rig, [one.port for one in boards.values()]) as lamps:
        assert lamps.limits() == pytest.approx({"quay": 400_000 / (2 * 216 + 16), "deck": 11_520 / (216 + 16)})


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


class InMadeUpTime:
    """Lamps that light when they are told, in time that the test turns; each line takes its time."""

    latency_s = 0.003

    def __init__(self, rig: Rig, now: Turned) -> None:
        self.rig, self.boards, self._now = rig, ["quay"], now
        self._put: np.ndarray = np.zeros(0)
        self.shown: list[tuple[float, np.ndarray]] = []

    def put(self, frame: np.ndarray) -> None:
        self._now.s += 0.020
        self._put = frame.copy()

    def show(self) -> None:
        self._now.s += self.latency_s
        self.shown.append((self._now(), self._put))
        self._now.s += self.latency_s


def test_the_clap_test_flashes_as_the_loudspeaker_clicks(rig: Rig) -> None:
    now = Turned()
    controls, sound, lamps = Controls(), Silent(now), InMadeUpTime(rig, now)
    begin_s = now()
    pressed = [["later"], ["later"]]

    def turn(seconds: float) -> None:
        now.s += seconds
        if now() > begin_s + 8.0:
            controls.asked = "quit"

    found = clap(lamps, sound, controls, lambda: pressed.pop() if pressed else [], wait=turn)  # type: ignore[arg-type]
    assert found == 10
    lit = [at_s for at_s, frame in lamps.shown if frame.any()]
    dark = [at_s for at_s, frame in lamps.shown if not frame.any()]
    clicks = [begin_s + 1.0 + 2.0 * i for i in range(4)]  # after a second of silence, one in two seconds
    assert lit == pytest.approx([click + 0.010 for click in clicks], abs=0.002)
    assert all(0.09 < off - on < 0.15 for on, off in zip(lit, dark, strict=True))
    assert max(frame.max() for _, frame in lamps.shown) <= 40


def test_a_clap_test_without_boards_ends(rig: Rig) -> None:
    now = Turned()
    lamps = InMadeUpTime(rig, now)
    lamps.boards = []
    with pytest.raises(Faults, match="no board is left"):
        clap(lamps, Silent(now), Controls())  # type: ignore[arg-type]


def test_the_flash_stays_below_half_of_every_budget(rig: Rig) -> None:
    from composer.power import CurrentModel

    model = CurrentModel(rig)
    amps = model.supply_a(dim_white(rig)[None])[0]
    assert (amps <= 0.5 * model.budget_a).all()
    assert dim_white(rig).max() > 0
    assert not dim_white(rig, share=0.001).any()


def test_a_click_stands_at_every_whole_period() -> None:
    track = click_track(8000)[:, 0]
    loud = np.flatnonzero(np.abs(track.astype(int)) > 3000)
    starts = loud[np.flatnonzero(np.diff(loud, prepend=-10_000) > 1000)]
    assert len(starts) == 300
    assert np.abs(starts - np.arange(300) * 16_000).max() < 8  # 1 ms
