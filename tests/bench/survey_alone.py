"""One survey in a process of its own: its seconds and its memory, without what the bench itself has loaded."""

import multiprocessing
import time
from dataclasses import dataclass
from pathlib import Path

from shimwright.scan.read import read
from shimwright.scan.survey import survey
from shimwright.scan.told import Told

TOLD = Told(up=(0.0, 0.0, 1.0), head=(1.0, 0.0, 0.0), unit_mm=1.0)


@dataclass(frozen=True)
class Alone:
    seconds: float
    cpu_seconds: float
    peak_gb: float


def alone(path: Path, warm: Path) -> Alone:
    """A survey of `path` after one of `warm`, a small scan: compiled code loaded."""
    with multiprocessing.get_context("spawn").Pool(1) as pool:
        return pool.apply(_measured, (path, warm))


def _measured(path: Path, warm: Path) -> Alone:
    survey(read(warm), TOLD, None, lambda _: None)
    start, cpu = time.perf_counter(), time.process_time()
    survey(read(path), TOLD, None, lambda _: None)
    seconds, cpu = time.perf_counter() - start, time.process_time() - cpu
    return Alone(seconds, cpu, _peak_gb())


def _peak_gb() -> float:
    """Of this process; getrusage would tell the parent's peak too, which a child is born with. Linux."""
    status = Path("/proc/self/status").read_text(encoding="ascii")
    return int(status.split("VmHWM:")[1].split()[0]) * 1024 / 1e9
