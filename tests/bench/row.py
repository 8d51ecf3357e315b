"""One line of the benchmark table: what was done, how long it took, and a peer measured in the same run."""

import statistics
import time
from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True)
class Row:
    """seconds: ours. peer_seconds: the peer's, or None where the goal is absolute. goal: in words, with its figure."""

    work: str
    seconds: float
    peer: str
    peer_seconds: float | None
    goal: str
    note: str = ""

    def line(self) -> str:
        ratio = "" if self.peer_seconds is None else f"{self.peer_seconds / self.seconds:10.3g} ×"
        peer = "" if self.peer_seconds is None else f"{self.peer} {shown(self.peer_seconds)}"
        return f"{self.work:58} {shown(self.seconds):>10}  {peer:44} {ratio:12}  goal: {self.goal}  {self.note}"


def shown(seconds: float) -> str:
    if seconds < 1e-3:
        return f"{1e6 * seconds:.1f} µs"
    return f"{1e3 * seconds:.1f} ms" if seconds < 1 else f"{seconds:.2f} s"


def median_seconds(work: Callable[[], object], times: int = 5) -> float:
    """Median of `times` runs after one that is not counted (compiled code warm, files in cache)."""
    work()
    took = []
    for _ in range(times):
        start = time.perf_counter()
        work()
        took.append(time.perf_counter() - start)
    return statistics.median(took)
