"""A whole `play` over real sockets on this computer: boards behind a relay that delays, loses, doubles and overtakes.

In real time, so it only holds what nobody could miss: late light is noticed at 45 ms, early light at 125 ms
(ITU-R BT.1359-1). The 10 ms are held in made-up time, in test_link_in_step.py and test_real_player.py.
"""

from __future__ import annotations

import random
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from board_model import ModelBoard
from night_kit import PtyBoard, model_of

from composer.faults import Faults
from composer.night.company import Company
from composer.night.sound import Silent
from composer.night.stage import Controls, Stage
from composer.pipeline.playing import Baked, load_baked


class Relay:
    """A model board behind a socket; every packet either way takes its time, and some never come or come twice."""

    def __init__(self, model: ModelBoard, seed: int) -> None:
        self.model = model
        self.socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self.socket.bind(("127.0.0.1", 0))
        self.address = f"127.0.0.1:{self.socket.getsockname()[1]}"
        self.chance = random.Random(seed)
        self.loss = 0.15
        self._newest = 0
        self._open = True
        self._serving = threading.Thread(target=self._serve, daemon=True)
        self._serving.start()

    def _serve(self) -> None:
        self.socket.settimeout(0.002)
        there: list[tuple[float, bytes, tuple[str, int]]] = []
        back: list[tuple[float, bytes, tuple[str, int]]] = []
        while self._open:
            try:
                data, sender = self.socket.recvfrom(2048)
                self._on_its_way(there, data, sender)
            except TimeoutError:
                pass
            now_s = time.monotonic()
            for item in [item for item in there if item[0] <= now_s]:
                there.remove(item)
                session, seq, line = item[1].decode().rstrip("\n").split(" ", 2)
                if int(seq) > self._newest:
                    self._newest = int(seq)
                    answer = f"{session} {seq} {self.model.hear(line, session)}"
                    self._on_its_way(back, answer.encode(), item[2])
            for item in [item for item in back if item[0] <= now_s]:
                back.remove(item)
                self.socket.sendto(item[1], item[2])

    def _on_its_way(self, way: list[tuple[float, bytes, tuple[str, int]]], data: bytes, who: tuple[str, int]) -> None:
        for _ in range(2 if self.chance.random() < 0.1 else 1):
            if self.chance.random() >= self.loss:
                way.append((time.monotonic() + self.chance.uniform(0.001, 0.025), data, who))

    def close(self) -> None:
        """Switch it off."""
        self._open = False
        self._serving.join()
        self.socket.close()


@pytest.fixture(scope="module")
def tide(baked: Path) -> Baked:
    return load_baked(baked)


@pytest.fixture
def relays(tide: Baked) -> Iterator[dict[str, Relay]]:
    made = {name: Relay(model_of(tide, name), i) for i, name in enumerate(tide.rolls)}
    yield made
    for relay in made.values():
        relay.close()


def test_a_show_over_a_bad_network(tide: Baked, relays: dict[str, Relay]) -> None:
    company = Company([], [relay.address for relay in relays.values()])
    assert sorted(board.name for board in company.boards) == ["deck", "quay"]
    sound = Silent()
    stage = Stage(company.boards, Controls())
    errors: dict[str, list[float]] = {name: [] for name in relays}
    lit: dict[str, list[bool]] = {name: [] for name in relays}

    def until() -> str:
        position = sound.position()
        if 1.0 < position:
            for name, relay in relays.items():
                lit[name].append(relay.model.lit)
                errors[name].append(relay.model.position_s() - position)
        return "enough" if position > 9 else ""

    assert stage.play(tide, sound, until=until) == "enough"
    assert stage.darken() == []
    company.close()
    for name, relay in relays.items():
        assert relay.model.state == "idle"
        assert all(lit[name])
        assert min(errors[name]) > -0.045 and max(errors[name]) < 0.125
        assert relay.model.jumps_ms == []


def test_a_board_that_is_switched_off_goes_silent_and_the_other_plays(tide: Baked, relays: dict[str, Relay]) -> None:
    company = Company([], [relay.address for relay in relays.values()])
    sound = Silent()
    said: list[str] = []
    stage = Stage(company.boards, Controls(), show=said.append)

    def until() -> str:
        if sound.position() > 1.0:
            relays["deck"].loss = 1.0
        if said and "deck silent" in said[-1]:
            return "silent"
        return "too late" if sound.position() > 8.0 else ""

    assert stage.play(tide, sound, until=until) == "silent"
    assert "1 board ok" in said[-1]
    assert stage.darken() == ["deck"]
    company.close()
    assert relays["quay"].model.state == "idle"


def test_a_board_on_usb_and_on_the_network_is_one_board(tide: Baked, relays: dict[str, Relay]) -> None:
    wired = PtyBoard(model_of(tide, "quay"))
    company = Company([wired.port], [relay.address for relay in relays.values()])
    assert {board.name: board.wire.name for board in company.boards} == {
        "quay": wired.port,
        "deck": relays["deck"].address,
    }
    company.close()
    wired.unplug()


def test_two_boards_of_one_name_on_the_network_are_refused(relays: dict[str, Relay]) -> None:
    relays["deck"].model.controller = "quay"
    for relay in relays.values():
        relay.loss = 0.0
    with pytest.raises(Faults, match="quay: two boards are this controller, on 127.0.0.1:"):
        Company([], [relay.address for relay in relays.values()])


@pytest.mark.parametrize("address", ["quay:door", "no.such.host.invalid"])
def test_an_address_that_leads_nowhere_is_told(address: str) -> None:
    """The top level domain `invalid` never resolves: RFC 6761, section 6.4."""
    with pytest.raises(Faults, match="network"):
        Company([], [address])


def test_a_board_that_is_plugged_in_again_is_found_and_goes_on(tide: Baked, tmp_path: Path) -> None:
    """Its port has one name, as udev gives it; what is behind the name changes."""
    wired, port = PtyBoard(model_of(tide, "quay")), tmp_path / "quay"
    port.symlink_to(wired.port)
    company = Company([str(port)])
    (board,) = company.boards
    sound = Silent()
    said: list[str] = []
    stage = Stage([board], Controls(), tell=said.append, returned=company.returned)
    replugged = False

    def until() -> str:
        nonlocal replugged
        if sound.position() > 1.0 and not replugged:
            wired.unplug()
            port.unlink()
            wired.plug()
            port.symlink_to(wired.port)
            replugged = True
        return "back" if "quay: is back" in said and wired.model.lit else "too late" if sound.position() > 14 else ""

    assert stage.play(tide, sound, until=until) == "back"
    assert abs(wired.model.position_s() - sound.position()) < 0.125
    assert stage.darken() == []
    company.close()
    wired.unplug()
