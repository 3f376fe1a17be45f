"""Rendering on a Dask cluster, where a venue outgrows one machine. As `parallel`, on workers that may be elsewhere.

The workers need Glowscore of the same version; they are asked before anything is rendered. The bytes are those of one
machine where its kind is the same (light is worked out in IEEE 754 operations that round alike everywhere, but
libraries may differ).
"""

from __future__ import annotations

import logging
import uuid
from collections.abc import Iterator, Sequence
from typing import Any

from .. import __version__
from ..clock import Group
from ..faults import Faults, ShowFails
from ..render import Renderer
from ..wire import Wiring
from .parallel import AHEAD, built, bytes_of, fixed, in_order, plan_of
from .rolls import Frames

ANSWER_S = 5  # a scheduler that does not answer within this is not there
WHERE = "--dask"

_workers: dict[str, tuple[Renderer, Wiring]] = {}


def rendered(renderer: Renderer, groups: Sequence[Group], address: str) -> Iterator[Frames]:
    """The bytes of groups, in order, by the workers of the scheduler at `address`, such as "tcp://192.168.1.7:8786".

    Raises `Faults` where no scheduler or no worker answers, or a worker has another version; `ShowFails` where the
    cluster fails on the way.
    """
    try:
        import distributed
        from distributed.client import FutureCancelledError
        from distributed.comm.addressing import resolve_address
        from distributed.comm.core import CommClosedError
        from distributed.scheduler import KilledWorker
    except ImportError:
        raise Faults.one("bake", WHERE, 'needs the extra "dask": pip install -e ".[dask]" in its folder') from None
    logging.getLogger("distributed").setLevel(logging.CRITICAL)  # what it has to say comes as an error of ours
    try:
        resolve_address(address)  # a client made with what is no address complains as it goes
        client = _client(distributed, address)
    except (OSError, ValueError, TypeError):
        raise Faults.one("bake", WHERE, f'no Dask scheduler answers at "{address}"') from None
    with client:
        ahead = AHEAD * _threads(client)
        plan, name = client.scatter(plan_of(renderer), broadcast=True, hash=False), uuid.uuid4().hex

        def submit(group: Group) -> Any:
            return client.submit(_render, name, plan, group, pure=False)

        try:
            for future in in_order(groups, submit, ahead):
                yield fixed(future.result().copy())
        except (KilledWorker, FutureCancelledError, CommClosedError, TimeoutError) as error:
            raise ShowFails(f"the Dask cluster at {address} failed: {error}") from None


def _client(distributed: Any, address: str) -> Any:
    return distributed.Client(address, timeout=ANSWER_S, set_as_default=False)


def _threads(client: Any) -> int:
    """Groups that the workers can render at once. Raises `Faults` without any, or where one cannot."""
    threads: int = sum(client.nthreads().values())
    if not threads:
        raise Faults.one("bake", WHERE, "the Dask scheduler has no workers")
    try:
        versions: dict[str, str] = client.run(_version)
    except Exception as error:  # whatever a worker that lacks us answers
        raise Faults.one("bake", WHERE, f"a Dask worker cannot render: {type(error).__name__}: {error}") from None
    for worker, version in versions.items():
        if version != __version__:
            raise Faults.one("bake", WHERE, f"the worker {worker} has Glowscore {version}, here is {__version__}")
    return threads


def _version() -> str:
    return __version__


def _render(name: str, plan: tuple[Any, ...], group: Group) -> Frames:
    """On a worker: one group's bytes. The renderer of a plan is built once; those of earlier bakes are forgotten."""
    worker = _workers.get(name)
    if worker is None:
        _workers.clear()
        worker = _workers[name] = built(plan)
    return bytes_of(worker, group)
