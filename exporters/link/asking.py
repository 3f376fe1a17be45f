"""Asking boards one thing and waiting for the answer: before a show, and between shows.

Do not `step` a board while it is asked.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Mapping

from .board import ANSWER_S, Board
from .lines import LinkError, answer_of

Answer = list[str] | LinkError


def ask(board: Board, line: str, *, answer_s: float = ANSWER_S, tries: int = 4) -> list[str]:
    """Ask a board one thing: the words after `ok VERB`. Raises `LinkError` for a no, silence, or an unplugged board."""
    answer = ask_all([board], lambda _: line, answer_s=answer_s, tries=tries)[board]
    if isinstance(answer, LinkError):
        raise answer
    return answer


def ask_all(
    boards: Iterable[Board], line_of: Callable[[Board], str], *, answer_s: float = ANSWER_S, tries: int = 4
) -> Mapping[Board, Answer]:
    """Ask several boards at once and wait for all: each one's words after `ok VERB`, or why there are none.

    `answer_s`: how long to wait before asking again, seconds; `tries`: how often to ask.
    """
    questions = {board: _Question(board, line_of(board), answer_s, tries) for board in boards}
    answers: dict[Board, Answer] = {}
    while len(answers) < len(questions):
        for board, question in questions.items():
            answer = None if board in answers else question.step()
            if answer is not None:
                answers[board] = answer
        if len(answers) < len(questions):
            next(iter(questions)).wait(0.001)
    return answers


class _Question:
    """One question to one board, asked again until it is answered."""

    def __init__(self, board: Board, line: str, answer_s: float, tries: int) -> None:
        self.board, self.line, self.answer_s, self.tries = board, line, answer_s, tries
        self.verb = line.split(" ", 1)[0]
        self.numbers: list[int] = []
        self.sent_s = -1e9

    def step(self) -> Answer | None:
        board = self.board
        try:
            for number, line in board.wire.receive():
                words = answer_of(line, self.verb)
                if words is not None and number in self.numbers:
                    board.heard(board.now() - self.sent_s if len(self.numbers) == 1 else None)
                    return words[1:] if words[0] == "ok" else _refusal(board, self.verb, words)
            if board.now() - self.sent_s > self.answer_s:
                if len(self.numbers) == self.tries:
                    return LinkError(board.name, "silent", self.verb)
                self.numbers.append(board.wire.send(self.line))
                self.sent_s = board.now()
        except OSError:
            return LinkError(board.name, "gone", self.verb)
        return None


def ask_ahead(board: Board, lines: Iterable[str], *, answer_s: float = ANSWER_S) -> None:
    """Send many lines, never more bytes than the board has room for without an answer. Raises `LinkError`, OSError.

    Nothing is asked again: a line that is lost counts as silence.
    """
    room = board.hello.room if board.hello else 0
    ahead: deque[tuple[str, int]] = deque()  # verb and bytes of the lines without an answer
    answers: deque[str] = deque()

    def await_one() -> None:
        end_s = board.now() + answer_s
        verb, _ = ahead.popleft()
        while board.now() < end_s:
            answers.extend(line for _, line in board.wire.receive())
            while answers:
                words = answer_of(answers.popleft(), verb)
                if words is not None and words[0] == "no":
                    raise _refusal(board, verb, words)
                if words is not None:
                    board.heard()
                    return
            board.wait(0.0005)
        raise LinkError(board.name, "silent", verb)

    for line in lines:
        size = len(line.encode()) + 1
        while ahead and sum(bytes_ for _, bytes_ in ahead) + size > room:
            await_one()
        board.wire.send(line)
        ahead.append((line.split(" ", 1)[0], size))
    while ahead:
        await_one()


def _refusal(board: Board, verb: str, words: list[str]) -> LinkError:
    return LinkError(board.name, words[1] if len(words) > 1 else "words", verb)
