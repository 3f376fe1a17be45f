"""Processes that work for this one, and leave Ctrl-C to it. They are spawned, never forked: a forked child of a program
with threads may hang."""

from __future__ import annotations

import multiprocessing
import signal
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from contextlib import contextmanager
from typing import Any, ParamSpec, TypeVar

P = ParamSpec("P")
T = TypeVar("T")


class Crew(ProcessPoolExecutor):
    """So many processes, each beginning with `start(*given)`. As a context: what ends it early ends them at once."""

    def __init__(self, size: int, start: Callable[..., object] | None = None, given: tuple[Any, ...] = ()) -> None:
        super().__init__(size, mp_context=multiprocessing.get_context("spawn"), initializer=start, initargs=given)

    def submit(self, fn: Callable[P, T], /, *args: P.args, **kwargs: P.kwargs) -> Future[T]:
        """As the class below does, which starts processes as it needs them."""
        with deaf_to_ctrl_c():
            return super().submit(fn, *args, **kwargs)

    def __exit__(self, kind: Any, *rest: Any) -> bool | None:
        if kind is not None:
            for process in list((self._processes or {}).values()):
                process.terminate()
        return super().__exit__(kind, *rest)


@contextmanager
def deaf_to_ctrl_c() -> Iterator[None]:
    """Processes started meanwhile never hear Ctrl-C, which a terminal sends to all: each would say where it stood. This
    one hears it afterwards, when the others have what they begin with."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    from multiprocessing import resource_tracker

    resource_tracker.ensure_running()  # when it is started, it lets these signals through again
    heard: list[int] = []
    # Others inherit what is blocked. It blocks one thread alone: what another thread takes in comes to the handler.
    main = threading.current_thread() is threading.main_thread()
    handler = signal.signal(signal.SIGINT, lambda number, _: heard.append(number)) if main else None
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        if main:
            signal.signal(signal.SIGINT, handler)
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
        if heard:
            signal.raise_signal(signal.SIGINT)
