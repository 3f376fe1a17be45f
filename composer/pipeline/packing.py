"""What lies on a board beside its rolls, out of the rig: settings, and the figures that a roll is judged by."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from exporters.package import BoardRow, needs_of, player_room, unfit
from exporters.rollfile import Draw, RollReader
from exporters.spec import MOST_DRAWS, MOST_PRODUCT

from ..power import CurrentModel
from ..rig import Board, LedString, Rig, boards

SETTINGS_FORMAT = 1
UDP_PORT = 5005  # LINK.md section 6
HAIR_UA = 1e-6  # 20 mA are 20000 uA, whatever the last digit of the product


def row_of(board: Board) -> BoardRow:
    """A board's row, as exporters see it."""
    return BoardRow(board.name, board.fs_bytes, board.ram_bytes, board.read_bytes_per_s)


def all_rows() -> list[BoardRow]:
    """Every board of the table."""
    return [row_of(board) for board in boards().values()]


def settings_of(rig: Rig, controller: str, songs: Iterable[str]) -> dict[str, Any]:
    """settings.json of a controller, as the player's page has it. `songs`: its rolls by file name, in order."""
    board = rig.controllers[controller]
    return {
        "format": SETTINGS_FORMAT,
        "controller": controller,
        "board": board.board.name,
        "strings": [_string(string) for string in rig.strings_of(controller)],
        "outputs_at_once": board.board.outputs_at_once,
        "led_pin": "LED" if board.led_pin is None else board.led_pin,
        "button_pin": board.button_pin,
        "pulse_in_pin": board.pulse_in_pin,
        "pulse_out_pin": board.pulse_out_pin,
        "start": board.start,
        "songs": list(songs),
        "loop": False,
        "pause_s": 0,
        "brightness": 255,
        "udp_port": UDP_PORT,
        "wifi": None,
        "quiet_look": None,
    }


def _string(string: LedString) -> dict[str, Any]:
    """One string with its chip's timing: a board guesses nothing."""
    chip = string.chip
    row: dict[str, Any] = {
        "name": string.name,
        "pin": string.pin,
        "clock_pin": string.clock_pin,
        "pixels": string.pixels,
        "channels": string.channels,
        "order": string.order,
        "chip": chip.name,
        "clocked": chip.clocked,
        "reset_us": math.ceil(chip.reset_us),
    }
    if chip.clocked:
        fixed, per_pixel = chip.overhead_bits
        # APA102 datasheet: 32 zero bits, then 111 and five bits of brightness before each pixel's colours; half a clock
        # a pixel at the end (practice).
        return row | {
            "bit_ns": round(1000 * chip.bit_us),
            "start_bytes": math.ceil(fixed / 8),
            "level_byte": 0xFF,
            "end_bytes": math.ceil(string.pixels * per_pixel / 8),
        }
    return row | dict(zip(("t0h_ns", "t0l_ns", "t1h_ns", "t1l_ns"), chip.bit_ns, strict=True))


def board_row(rig: Rig, controller: str, reader: RollReader, song: str, seconds: float) -> dict[str, Any]:
    """Whether a controller's roll fits its board, as audit.json has it. `song`: the roll's file name.

    `unfit` says why not, and what would fit, a line each. `player_bytes` is the room of all else on the board.
    """
    board = rig.controllers[controller].board
    settings = settings_of(rig, controller, [song])
    needs = needs_of(reader, rig.frame_us(controller), settings)
    player_bytes = player_room(settings)
    lines = unfit(row_of(board), needs, player_bytes, all_rows())
    return {
        "board": board.name,
        "roll_bytes": needs.file_bytes,
        "player_bytes": player_bytes,
        "board_bytes": board.fs_bytes,
        "fits": not lines,
        "unfit": lines,
        "ram_bytes": needs.ram_bytes,
        "board_ram_bytes": board.ram_bytes,
        "bytes_per_s": needs.file_bytes / seconds if seconds else 0.0,
        "busiest_bytes_per_s": needs.read_bytes_per_s,
        "board_bytes_per_s": board.read_bytes_per_s,
        "raw_bytes": reader.stats.raw_bytes,
        "frame_us": needs.frame_us,
    }


def draws_of(model: CurrentModel, controller: str) -> tuple[Draw, ...]:
    """What a controller's pixels draw, by the cautious figures, for the player's own sum of every frame (ROLL.md,
    section 5). Empty where the runs are more than a roll holds: a sum of some of them would be a wrong one.
    """
    draws: list[Draw] = []
    for run in model.runs:
        string = run.string
        if string.controller != controller:
            continue
        idle_ua, channel_ua = _ua(string.chip.idle_ma[1]), _ua(string.chip.channel_ma[1])
        most = max(1, MOST_PRODUCT // max(1, idle_ua + string.channels * channel_ua))  # pixels of one draw
        first = run.pixels.start - model.rig.pixel_slices[string.name].start
        for at in range(first, first + run.count, most):
            pixels = min(most, first + run.count - at)
            supply = model.supplies[run.supply]
            draws.append(Draw(string.name, supply, at, pixels, idle_ua, channel_ua, string.chip.law))
    return tuple(draws) if len(draws) <= MOST_DRAWS else ()


def _ua(ma: float) -> int:
    """Whole microamperes, rounded up."""
    return math.ceil(1000 * ma - HAIR_UA)


def watched(
    model: CurrentModel, controller: str, most_a: NDArray[np.float64], allotments: Mapping[str, int]
) -> tuple[Draw, ...]:
    """The draws that go into a controller's roll: `draws_of`, or none where they would darken what was baked.

    `most_a` (draws,): the most amperes above idle that each (controller, supply) pair draws in the show; `allotments`
    (supply -> milliamperes): what the roll allows. Boards that share a supply and are brightest at different times have
    frames above their shares, and the limiter saw to their sum. A player that held each to its share would show another
    show than the one that was audited.
    """
    draws = draws_of(model, controller)
    for i, draw in enumerate(model.draws):
        if draw.controller == controller:
            need_ua = 1e6 * most_a[i]
            for run in model.runs:
                if run.draw == i:
                    channel_ma = run.string.chip.channel_ma[1]
                    rounded_ua = run.string.channels * (_ua(channel_ma) - 1000 * channel_ma)
                    need_ua += run.count * (_ua(run.string.chip.idle_ma[1]) + max(0.0, rounded_ua))
            if need_ua > 1000 * allotments.get(model.supplies[draw.supply], 0) + HAIR_UA:
                return ()
    return draws
