"""The boards of a night: found, known by name, each with the very rolls that were baked, and found again."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable, Mapping, Sequence

from ..faults import Fault, Faults, ShowFails
from ..pipeline.playing import Baked, link

LONGEST_NAME = 150  # bytes: with its SHA-256 and its size it fits a line of LINK.md
HASH_S = 2.0  # how long a board may take over a whole file, and besides:
HASH_BYTES_PER_S = 50_000  # slower than any board of the table reads its flash
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


def check_company(
    boards: Sequence[link.Board],
    shows: Iterable[Baked],
    partly: bool,
    quiet: Mapping[str, str],
    tell: Callable[[str, float], None] = lambda what, share: None,
) -> None:
    """Every board that the shows need is there, and holds their rolls, by SHA-256. All boards are asked at once.

    `partly`: boards may be missing; `quiet`: ports that did not answer, and why. Raises `Faults` for missing boards,
    `ShowFails` for wrong or missing rolls and boards that cannot be had, by name; all of them together.
    """
    shows = list(shows)
    needed = list(dict.fromkeys(name for baked in shows for name in baked.rolls))
    names = {board.name for board in boards}
    missing = [name for name in needed if name not in names]
    if missing and not partly:
        faults = [Fault("boards", name, "does not answer: is it plugged in, and loaded?") for name in missing]
        raise Faults([*faults, *(Fault("boards", port, why) for port, why in quiet.items())])
    boards = [board for board in boards if board.name in needed]
    # `dark 0` is refused where another computer leads; `stop` would be obeyed, and end somebody's show.
    away: dict[str, str] = {}
    for line in ("dark 0", "stop"):  # a board reads no whole file while it plays by itself
        asked = [board for board in boards if board.name not in away]
        for board, answer in link.ask_all(asked, lambda board, line=line: line).items():  # type: ignore[misc]
            if isinstance(answer, link.LinkError):
                away[board.name] = _said(board, answer)
    problems = {name: [what] for name, what in away.items()}
    for number, baked in enumerate(shows):
        tell("asking the boards for their rolls", number / len(shows))
        asked = [board for board in boards if board.name in baked.rolls and board.name not in away]
        for name, what in _wrong_rolls(asked, baked).items():
            problems.setdefault(name, []).append(what)
    if problems:
        raise ShowFails("\n".join(line for name in needed for line in problems.get(name, [])))


def _wrong_rolls(boards: Sequence[link.Board], baked: Baked) -> dict[str, str]:
    """What is wrong with a show's roll on each of these boards, where anything is."""
    out = {}
    most_bytes = max((baked.rolls[board.name].roll_bytes for board in boards), default=0)
    answers = link.ask_all(
        boards, lambda board: f"hash {baked.rolls[board.name].name}", answer_s=HASH_S + most_bytes / HASH_BYTES_PER_S
    )
    for board, answer in answers.items():
        roll = baked.rolls[board.name]
        if isinstance(answer, link.LinkError):
            missing = f'{board.name}: has no "{roll.name}": load it first ({roll.path})'
            out[board.name] = missing if answer.reason == "file" else _said(board, answer)
        elif not answer or answer[0] != roll.sha256:
            out[board.name] = f'{board.name}: its "{roll.name}" is another than was baked: load it again ({roll.path})'
    return out


def _said(board: link.Board, error: link.LinkError) -> str:
    return f"{board.name}: {str(error).removeprefix(board.name).strip()}"


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
