"""The boards of a night: found, known by name, each with the very rolls that were baked, and found again."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

from ..faults import Fault, Faults, ShowFails
from ..pipeline.playing import Baked, link

LONGEST_NAME = 150  # bytes: with its SHA-256 and its size it fits a line of LINK.md
HASH_S = 30.0  # how long a board may take over a whole file
SEARCH_S = 2.0  # between searches for boards that were unplugged


class Company:
    """The boards that were found, and what is needed to find them again. Close it at the end."""

    def __init__(self, ports: Sequence[str] | None, network: Sequence[str] = ()) -> None:
        """`ports`: serial ports to look at (None: all on USB); `network`: "broadcast", or addresses with or without a
        port. Raises `Faults` where two boards are one controller, or an address is none."""
        self.hub = link.UdpHub() if network else None
        self.quiet: dict[str, str] = {}
        self._asked = ports
        self._first = set(link.serial_ports()) if ports is None else set(ports)
        self._of_port: dict[str, str] = {}
        self.boards: list[link.Board] = []
        found, self.quiet = link.find_serial(sorted(self._first))
        for port, (hello, wire) in found.items():
            self._of_port[port] = hello.controller
            self._add(link.Board(wire, hello))
        if self.hub is not None:
            on_usb = {board.name for board in self.boards}
            for address, hello in self._on_network(self.hub, network).items():
                if hello.controller not in on_usb:  # the same board by its faster way
                    self._add(link.Board(link.UdpWire(self.hub, address), hello))
        self._search: threading.Thread | None = None
        self._back: dict[str, link.Wire] = {}

    def _on_network(self, hub: link.UdpHub, network: Sequence[str]) -> dict[tuple[str, int], link.Hello]:
        try:
            return link.find_udp(hub, [address_of(text) for text in network])
        except (Faults, link.LinkError) as error:
            self.close()
            raise error if isinstance(error, Faults) else Faults.one("--network", "", str(error)) from None

    def _add(self, board: link.Board) -> None:
        same = next((other for other in self.boards if other.name == board.name), None)
        if same is not None:
            places = f"{same.wire.name} and {board.wire.name}"
            self.close()
            board.wire.close()
            raise Faults.one("boards", board.name, f"two boards are this controller, on {places}")
        self.boards.append(board)

    def returned(self, gone: Sequence[str]) -> Mapping[str, link.Wire]:
        """Boards out of `gone` that are on a serial port again: name -> wire. Never waits: a thread does the search."""
        if self._search is not None and not self._search.is_alive():
            self._search = None
            found, self._back = self._back, {}
            return found
        if gone and self._search is None:
            self._search = threading.Thread(target=self._look, args=(list(gone),), daemon=True)
            self._search.start()
        return {}

    def _look(self, gone: list[str]) -> None:
        """Only ports on which one of these boards was, and ports that are new: nobody else's device is disturbed."""
        time.sleep(SEARCH_S)
        there = set(link.serial_ports()) if self._asked is None else set(self._asked)
        ports = {port for port in there if port not in self._first or self._of_port.get(port) in gone}
        found, _ = link.find_serial(sorted(ports))
        for port, (hello, wire) in found.items():
            if hello.controller in gone:
                self._of_port[port] = hello.controller
                self._back[hello.controller] = wire
            else:
                wire.close()

    def close(self) -> None:
        """Let go of every port."""
        for board in self.boards:
            board.wire.close()
        if self.hub is not None:
            self.hub.close()


def address_of(text: str) -> tuple[str, int]:
    """ "broadcast", "192.168.4.21" or "192.168.4.21:5005" as an address. Raises `Faults`."""
    host, _, port = text.partition(":")
    if port and not (port.isdecimal() and 0 < int(port) < 65_536):
        raise Faults.one("network", text, "needs an address, or an address:port")
    return ("255.255.255.255" if host == "broadcast" else host, int(port or link.UDP_PORT))


def check_company(boards: Sequence[link.Board], shows: Iterable[Baked], partly: bool, quiet: Mapping[str, str]) -> None:
    """Every board that the shows need is there, and holds their rolls, by SHA-256.

    `partly`: boards may be missing. Raises `Faults` for missing boards, `ShowFails` for a wrong or missing roll, by
    name; all of them at once.
    """
    shows = list(shows)
    names = {board.name: board for board in boards}
    needed = {name: baked for baked in reversed(shows) for name in baked.rolls}
    missing = [name for name in needed if name not in names]
    if missing and not partly:
        faults = [Fault("boards", name, "does not answer: is it plugged in, and loaded?") for name in missing]
        raise Faults([*faults, *(Fault("boards", port, why) for port, why in quiet.items())])
    problems = []
    for board, rolls in _rolls_by_board(boards, shows):
        what = _taken(board)
        if what:
            problems.append(f"{board.name}: {what}")
            continue
        for path, name, sha256 in rolls:
            what = _held(board, name, sha256)
            if what:
                problems.append(f"{board.name}: {what} (baked: {path})")
    if problems:
        raise ShowFails("\n".join(problems))


def _rolls_by_board(
    boards: Sequence[link.Board], shows: Sequence[Baked]
) -> list[tuple[link.Board, list[tuple[Path, str, str]]]]:
    out = []
    for board in boards:
        rolls = {
            (baked.rolls[board.name].path, baked.rolls[board.name].name, baked.rolls[board.name].sha256)
            for baked in shows
            if board.name in baked.rolls
        }
        out.append((board, sorted(rolls)))
    return out


def _taken(board: link.Board) -> str:
    """Take a board over from whatever it plays by itself; why not, where another computer leads it."""
    try:
        link.ask(board, "dark 0")  # refused where another leads; `stop` would be obeyed, and end somebody's show
        link.ask(board, "stop")  # a board reads no whole file while it plays
    except link.LinkError as error:
        return str(error).removeprefix(f"{board.name} ")
    return ""


def _held(board: link.Board, name: str, sha256: str) -> str:
    """What is wrong with a roll on a board; '' for the right one."""
    try:
        words = link.ask(board, f"hash {name}", answer_s=HASH_S, tries=2)
    except link.LinkError as error:
        if error.reason == "file":
            return f'has no "{name}": load it first'
        return str(error).removeprefix(f"{board.name} ")
    if not words or words[0] != sha256:
        return f'its "{name}" is another than was baked: load it again'
    return ""


def fits_names(shows: Iterable[Baked]) -> None:
    """Shows of one evening whose rolls would lie over each other on a board, or whose names do not fit a line.

    Raises `Faults`.
    """
    seen: dict[tuple[str, str], Baked] = {}
    faults = []
    for baked in shows:
        for controller, roll in baked.rolls.items():
            if len(roll.name.encode()) > LONGEST_NAME:
                faults.append(Fault(str(roll.path), controller, f"a board's file name is at most {LONGEST_NAME} bytes"))
            other = seen.setdefault((controller, roll.name), baked)
            if other.rolls[controller].sha256 != roll.sha256:
                faults.append(
                    Fault(str(roll.path), controller, f"has the name of {other.rolls[controller].path}: rename a song")
                )
    if faults:
        raise Faults(faults)
