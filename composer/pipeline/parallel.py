"""Rendering in several processes. Each has the whole plan and renders the groups it is told to; none shares state.

Processes are spawned, never forked: a forked child of a program with threads may hang.
"""

from __future__ import annotations

import multiprocessing
from collections import OrderedDict, deque
from collections.abc import Hashable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from typing import Any

import numpy as np

from ..clock import Group
from ..effects import load_added
from ..faults import ShowFails
from ..render import Renderer
from ..wire import Wiring
from .rolls import Frames

AHEAD = 8  # groups under way for each process: enough to keep all busy, few enough to stay small in memory

_worker: tuple[Renderer, Wiring] | None = None


def rendered(renderer: Renderer, jobs: int, cache_bytes: int) -> Iterator[tuple[Group, Frames]]:
    """As `frames_of`, by `jobs` processes. Raises ShowFails when one of them dies, as when memory runs out."""
    plan = (renderer.rig, renderer.clock, renderer.cues, renderer.loudness)
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(jobs, mp_context=context, initializer=_start, initargs=plan) as pool:
        waiting: deque[tuple[Group, Future[Frames]]] = deque()
        known: OrderedDict[Hashable, Future[Frames]] = OrderedDict()
        group_bytes = max(1, max((g.frames for g in renderer.clock.groups), default=1) * renderer.rig.frame_bytes)
        for group in renderer.clock.groups:
            key = renderer.key(group)
            if key not in known:
                known[key] = pool.submit(_render, group)
                while len(known) > max(AHEAD * jobs, cache_bytes // group_bytes):
                    known.popitem(last=False)
            else:
                known.move_to_end(key)
            waiting.append((group, known[key]))
            if len(waiting) > AHEAD * jobs:
                yield _taken(*waiting.popleft())
        while waiting:
            yield _taken(*waiting.popleft())


def _taken(group: Group, future: Future[Frames]) -> tuple[Group, Frames]:
    try:
        frames = future.result()
    except BrokenProcessPool:
        raise ShowFails("a process that rendered has died; fewer --jobs need less memory") from None
    frames.setflags(write=False)
    return group, frames


def _start(*plan: Any) -> None:
    global _worker
    load_added()
    renderer = Renderer(*plan)
    _worker = renderer, Wiring(renderer.rig)


def _render(group: Group) -> Frames:
    assert _worker is not None
    renderer, wiring = _worker
    return np.ascontiguousarray(wiring.bytes_of(renderer.light(group)))
