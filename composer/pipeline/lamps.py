"""A show's frames on the real lamps while it is being composed: over USB serial, as fast as that allows.

Frames must have passed the limiter before they come here: a board knows no budget of a live frame.
"""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager

import numpy as np
from numpy.typing import NDArray

from exporters import link
from exporters.link.live import least_ms, pace_of

from ..faults import Fault, Faults
from ..rig import Rig


class Lamps:
    """The boards of a rig that are plugged in, ready for frames. Use as a context: they are dark at its end.

    Not for a show: a frame lights when it arrives, and nothing waits for a beat.
    """

    def __init__(self, rig: Rig, ports: Sequence[str] | None = None) -> None:
        """Looks for the rig's boards on serial ports (None: all on USB).

        Raises `Faults` where none is found, where two are one controller, or where one has other strings than the rig.
        """
        self.rig = rig
        found, quiet = link.find_serial(link.serial_ports() if ports is None else ports)
        self._wires = [wire for _, wire in found.values()]
        faults: list[Fault] = []
        self._live: dict[str, link.LiveFrames] = {}
        for port, (hello, wire) in found.items():
            name = hello.controller
            if name not in rig.controllers:
                faults.append(Fault("boards", port, f'is controller "{name}", which the rig does not have'))
            elif name in self._live:
                faults.append(Fault("boards", port, f'is controller "{name}" too'))
            elif hello.frame_bytes != self._bytes(name):
                faults.append(Fault("boards", name, "has other strings than the rig: load it again"))
            else:
                self._live[name] = link.LiveFrames(link.Board(wire, hello))
        if not self._live and not faults:
            faults = [Fault("boards", "", "no board answers: is one plugged in, and loaded?")]
            faults += [Fault("boards", port, why) for port, why in quiet.items()]
        if faults:
            self.close()
            raise Faults(faults)

    def _bytes(self, controller: str) -> int:
        place = self.rig.controller_slices[controller]
        return int(place.stop - place.start)

    @property
    def boards(self) -> list[str]:
        """Controllers that are there."""
        return list(self._live)

    def limits(self) -> dict[str, float]:
        """Whole frames a second that each board's link can carry at most: by its row in the board table, or by the
        serial converter it is behind. Frames of which little changes go faster."""
        out = {}
        for name, live in self._live.items():
            pace = pace_of(live.room, self.rig.controllers[name].board.serial_bytes_per_s)
            out[name] = 1000 / least_ms(self._bytes(name), pace)
        return out

    def send(self, frame: NDArray[np.uint8]) -> dict[str, float]:
        """Light one frame, uint8 (rig.frame_bytes,), on all boards that are there; how long each took, milliseconds.

        Raises `link.LinkError` (its `who` is the board) where one refuses, falls silent or is unplugged; it is let go,
        and the others go on with the next frame.
        """
        took = {}
        for name, live in list(self._live.items()):
            begin_s = time.monotonic()
            with self._let_go(name):
                live.send_frame(frame[self.rig.controller_slices[name]].tobytes())
            took[name] = 1000 * (time.monotonic() - begin_s)
        return took

    def put(self, frame: NDArray[np.uint8]) -> None:
        """Bring a frame to all boards without lighting it. Raises as `send`."""
        for name, live in list(self._live.items()):
            with self._let_go(name):
                live.put(frame[self.rig.controller_slices[name]].tobytes())

    def show(self) -> None:
        """Light what was put, on all boards as nearly at once as their links allow. Raises as `send`."""
        for name, live in list(self._live.items()):
            with self._let_go(name):
                live.show()

    @property
    def latency_s(self) -> float:
        """How long a line takes to the boards at its fastest, the largest of theirs."""
        return max((live.board.latency_s for live in self._live.values()), default=0.0)

    @contextmanager
    def _let_go(self, name: str) -> Iterator[None]:
        """A board that is silent or unplugged is let go, and its error goes on."""
        try:
            yield
        except link.LinkError as error:
            if error.reason in ("silent", "gone"):
                del self._live[name]
            raise
        except OSError:
            del self._live[name]
            raise link.LinkError(name, "gone") from None

    def stop(self) -> None:
        """Dark. Boards that cannot be told are dark by themselves after 2 s."""
        for live in self._live.values():
            try:
                live.stop()
            except (link.LinkError, OSError):
                continue

    def close(self) -> None:
        """Dark, and the ports are free."""
        self.stop()
        for wire in self._wires:
            wire.close()

    def __enter__(self) -> Lamps:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
