"""Words, numbers and reasons of the lines of `LINK.md`."""

from __future__ import annotations

from dataclasses import dataclass

VERSION = 1
MOST_LINE = 240  # bytes, with the line feed
MOST_PIECE = 144  # bytes of a piece of a live frame
LONGEST_S = 4294.967
UDP_PORT = 5005
SILENCE_S = 10.0  # until a board is lost, and until another may lead
LIVE_SILENCE_S = 2.0
MOST_SESSION = 1_073_741_823

STATES = ("idle", "cued", "playing", "paused", "lost", "live", "wiring")
REASONS = {
    "verb": "its player does not know that line",
    "long": "the line was too long for it",
    "words": "it did not understand the line",
    "file": "has no such file",
    "roll": "its file is no sound roll",
    "other": "its roll is for another board or other strings",
    "memory": "has too little memory for the roll",
    "state": "is not in the state for that",
    "busy": "is led by another computer",
    "crc": "received a damaged frame",
    "end": "has no more rolls",
    "silent": "does not answer",
    "gone": "is unplugged",
    "version": "has a player of another age",
    "name": "is another controller now",
}


class LinkError(Exception):
    """A board that says no, or nothing. `reason` is a word of `REASONS`; the text is a sentence about the board."""

    def __init__(self, who: str, reason: str, verb: str = "") -> None:
        self.who, self.reason, self.verb = who, reason, verb
        super().__init__(f"{who} {REASONS.get(reason, f'says no: {reason}')}")


@dataclass(frozen=True)
class Hello:
    """How a board introduces itself. `room`: bytes that `put` may run ahead; `frame_bytes`: of all its strings."""

    version: int
    board: str
    room: int
    frame_bytes: int
    controller: str


def seconds(value: float) -> str:
    """A position as a line has it, to the millisecond, within what a line can say."""
    return f"{min(max(value, -LONGEST_S), LONGEST_S):.3f}"


def checked(line: str) -> bytes:
    """A line as bytes with its line feed. Raises ValueError where it does not fit or holds control characters."""
    data = line.encode()
    if any(byte < 0x20 or byte == 0x7F for byte in data):
        raise ValueError(f"a line holds no control characters: {line!r}")
    if len(data) + 1 > MOST_LINE:
        raise ValueError(f"a line is at most {MOST_LINE} bytes, this one has {len(data) + 1}")
    return data + b"\n"


def answer_of(line: str, verb: str) -> list[str] | None:
    """The words after `ok VERB` or `no VERB`, led by "ok" or "no"; None where the line answers something else.

    `no verb` and `no long` answer any request.
    """
    words = line.split(" ")
    if words[:2] in (["no", "verb"], ["no", "long"]):
        return words[:2]
    if len(words) >= 2 and words[0] in ("ok", "no") and words[1] == verb:
        return [words[0], *words[2:]]
    return None


def hello_of(words: list[str]) -> Hello | None:
    """The introduction in the words after `ok hello`; None where they are none."""
    if len(words) < 5 or not all(words[i].isdecimal() for i in (0, 2, 3)):
        return None
    return Hello(int(words[0]), words[1], int(words[2]), int(words[3]), " ".join(words[4:]))


def number_of(text: str) -> float | None:
    """A number of an answer; None where a board sent something else."""
    try:
        value = float(text)
    except ValueError:
        return None
    return value if -1e9 < value < 1e9 else None  # neither infinite nor NaN
