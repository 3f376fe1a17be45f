"""Rendering in several processes. Each has the whole plan and renders the groups it is told to; none shares state."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from typing import Any, TypeVar

import numpy as np

from ..clock import Group
from ..effects import load_added
from ..faults import ShowFails
from ..render import Renderer
from ..wire import Wiring
from .crew import Crew
from .rolls import Frames

T = TypeVar("T")

AHEAD = 8  # groups under way for each process: enough to keep all busy, few enough to stay small in memory

_worker: tuple[Renderer, Wiring] | None = None


def rendered(renderer: Renderer, groups: Sequence[Group], jobs: int) -> Iterator[Frames]:
    """The bytes of groups, in order, by `jobs` processes. Raises ShowFails when one of them dies, as when memory runs
    out."""
    with Crew(jobs, _start, plan_of(renderer)) as pool:

        def submit(group: Group) -> Future[Frames]:
            return pool.submit(_render, group)

        try:
            for future in in_order(groups, submit, AHEAD * jobs):
                yield fixed(future.result())
        except BrokenProcessPool:  # told by what was asked for, or by the next thing asked of it
            raise ShowFails("a process that rendered has died; fewer --jobs need less memory") from None


@contextmanager
def beside(work: Callable[..., T], *given: Any) -> Iterator[Callable[[], T]]:
    """`work(*given)` in a process of its own while the body runs; what is yielded waits for it and gives its result.

    `work` is a function of a module, and all of it can be pickled. What `work` raises is raised; ShowFails when the
    process dies.
    """
    with Crew(1) as pool:
        future = pool.submit(work, *given)

        def result() -> T:
            try:
                return future.result()
            except BrokenProcessPool:
                raise ShowFails("a process that counted flashes has died; --jobs 1 needs less memory") from None

        yield result


def in_order(groups: Iterable[Group], submit: Callable[[Group], T], ahead: int) -> Iterator[T]:
    """What `submit` gives for each group, in order, `ahead` groups under way."""
    waiting: deque[T] = deque()
    for group in groups:
        waiting.append(submit(group))
        if len(waiting) > ahead:
            yield waiting.popleft()
    yield from waiting


def plan_of(renderer: Renderer) -> tuple[Any, ...]:
    """What another process needs to build the same renderer."""
    return renderer.rig, renderer.clock, renderer.cues, renderer.loudness


def built(plan: tuple[Any, ...]) -> tuple[Renderer, Wiring]:
    """The renderer of a plan, and its wiring, in another process."""
    load_added()
    renderer = Renderer(*plan)
    return renderer, Wiring(renderer.rig)


def bytes_of(worker: tuple[Renderer, Wiring], group: Group) -> Frames:
    """One group's bytes."""
    renderer, wiring = worker
    return np.ascontiguousarray(wiring.bytes_of(renderer.light(group)))


def fixed(frames: Frames) -> Frames:
    """Frames that stay as they are: the very same array may stand for every group of its key."""
    frames.setflags(write=False)
    return frames


def _start(*plan: Any) -> None:
    global _worker
    _worker = built(plan)


def _render(group: Group) -> Frames:
    assert _worker is not None
    return bytes_of(_worker, group)
