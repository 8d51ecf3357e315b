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

from shimwright.crew import Done, Work, attempt, one_thread
from shimwright.ledger import code_sha
from shimwright.scan.refusal import WrongUse

AHEAD = 4  # pieces under way for each thread of the cluster: enough to keep it busy, few enough to hold


@dataclass(frozen=True)
class DaskCrew:
    """address: of the scheduler, as in tcp://10.0.0.5:8786. connect_s: how long to wait for its answer."""

    address: str
    connect_s: int = 15

    def each(self, work: Work, pieces: Iterable[Any]) -> Iterator[Done]:
        """As `LocalCrew.each`."""
        distributed = _distributed()
        try:
            client = distributed.Client(self.address, timeout=self.connect_s)
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
            client.submit(on_cluster, code_sha(), work, index, piece, pure=False, retries=1): index
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
        if said is None:
            raise WrongUse(
                "the cluster runs another state of shimwright than this command; install the same one on all of it"
            )
        for more in begin(1):
            under_way.add(more)
        yield said


def on_cluster(code: str, work: Work, index: int, piece: Any) -> Done | None:
    """On the cluster's side, None where its code is another: rows of two programs do not go together."""
    if code != code_sha():
        return None
    one_thread()
    multiprocessing.current_process()._config["daemon"] = False  # type: ignore[attr-defined]  # readers have children
    return attempt(work, index, piece)
