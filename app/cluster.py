"""The same work on a cluster that runs already (dask); the extra `cluster` brings it. Files must be seen from there
under the same names.
"""

from __future__ import annotations

import multiprocessing
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from importlib import import_module
from itertools import islice
from typing import Any

from shimwright.crew import Done, Work, attempt, one_thread_each
from shimwright.scan.refusal import WrongUse

AHEAD = 4  # pieces under way for each thread of the cluster: enough to keep it busy, few enough to hold
CONNECT_S = 15


@dataclass(frozen=True)
class DaskCrew:
    """address: of the scheduler, as in tcp://10.0.0.5:8786."""

    address: str

    def each(self, work: Work, pieces: Iterable[Any]) -> Iterator[Done]:
        """As `LocalCrew.each`."""
        distributed = _distributed()
        try:
            client = distributed.Client(self.address, timeout=CONNECT_S)
        except (OSError, ValueError) as error:
            raise WrongUse(
                f"no cluster answers at {self.address} ({str(error).splitlines()[0][:80]}); check the address, or "
                "leave --cluster out"
            ) from None
        with client:
            yield from _each(client, distributed.as_completed, work, pieces)


def _distributed() -> Any:
    try:
        return import_module("distributed")
    except ImportError:
        raise WrongUse(
            "a cluster needs 'distributed'; install the extra: pip install 'shimwright[cluster]', or leave "
            "--cluster out"
        ) from None


def _each(client: Any, as_completed: Any, work: Work, pieces: Iterable[Any]) -> Iterator[Done]:
    waiting = enumerate(pieces)
    index_of = {}

    def begin(count: int) -> list[Any]:
        begun = {
            client.submit(on_cluster, work, index, piece, pure=False, retries=1): index
            for index, piece in islice(waiting, count)
        }
        index_of.update(begun)
        return list(begun)

    under_way = as_completed(begin(AHEAD * max(sum(client.nthreads().values()), 1)))
    for future in under_way:
        index, broke = index_of.pop(future), future.exception()
        said = (
            future.result()
            if broke is None
            else Done(index, None, f"the cluster gave it up ({type(broke).__name__})", lasting=False)
        )
        if not isinstance(said, Done):
            raise WrongUse(str(said))
        for more in begin(1):
            under_way.add(more)
        yield said


def on_cluster(work: Work, index: int, piece: Any) -> Done | str:
    """On the cluster's side: a worker that may have children, for readers run in a process of their own."""
    one_thread_each()
    multiprocessing.current_process()._config["daemon"] = False  # type: ignore[attr-defined]
    return attempt(work, index, piece)
