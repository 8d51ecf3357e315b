"""`sizes` on many small invented scans: two workers beside one, growth with the number, memory, a run killed midway.

SHIMWRIGHT_BENCH_SCANS names other numbers of scans, as in "2000".
"""

import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from row import Row
from start import COMMAND

from shimwright.scan.synthetic import random_shape, scan_of, write_ply

COUNTS = tuple(int(n) for n in os.environ.get("SHIMWRIGHT_BENCH_SCANS", "100 200").split())
SADDLE = Path(__file__).parents[2] / "meshes" / "saddles" / "rigid.toml"
SPACING_MM = 22.0  # some 4000 points each
RESULTS = ("sizes.json", "horses.csv", "sizes.csv", "sizes.pdf")


@dataclass(frozen=True)
class Ran:
    """seconds: of the clock. cpu_s, here_cpu_s: processor time of all processes, of the command itself. here_mb,
    worker_mb: most memory of the command and of a worker.
    """

    seconds: float
    cpu_s: float
    here_cpu_s: float
    here_mb: float
    worker_mb: float


def scans(folder: Path, count: int) -> None:
    folder.mkdir()
    for k in range(count):
        rng = np.random.default_rng([20260101, k])
        write_ply(scan_of(random_shape(rng), SPACING_MM, rng), folder / f"h{k:05d}.ply")


def command(folder: Path, out: Path, workers: int) -> list[str]:
    told = [str(COMMAND), "sizes", str(folder), "--saddle", str(SADDLE), "--unit", "mm", "--up", "+z", "--head", "+x"]
    return [*told, "--out", str(out), "--workers", str(workers)]


def ran(folder: Path, out: Path, workers: int) -> Ran:
    """Linux: memory and processor time of every process below the command are read while they live."""
    began = time.perf_counter()
    process = subprocess.Popen(command(folder, out, workers), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    seen: dict[int, tuple[float, float]] = {}
    while process.poll() is None:
        for pid in family(process.pid):
            now = figures(pid)
            old = seen.get(pid, (0.0, 0.0))
            seen[pid] = (max(old[0], now[0]), max(old[1], now[1]))
        time.sleep(0.2)
    if process.returncode:
        sys.exit(f"sizes ended with {process.returncode}")
    here = seen.pop(process.pid, (0.0, 0.0))
    cpu = here[1] + sum(one[1] for one in seen.values())
    worker_mb = max((one[0] for one in seen.values()), default=0.0)
    return Ran(time.perf_counter() - began, cpu, here[1], here[0], worker_mb)


def family(pid: int) -> list[int]:
    """The process and all below it."""
    out, at = [pid], 0
    while at < len(out):
        try:
            children = Path(f"/proc/{out[at]}/task/{out[at]}/children").read_text().split()
        except OSError:
            children = []
        out += [int(child) for child in children]
        at += 1
    return out


def figures(pid: int) -> tuple[float, float]:
    """(most memory, MB, its own share of it; seconds of processor)."""
    try:
        status = Path(f"/proc/{pid}/status").read_text()
        stat = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
        memory = int(next(line for line in status.splitlines() if line.startswith("VmHWM")).split()[1]) / 1024
    except (OSError, StopIteration, IndexError):
        return 0.0, 0.0
    return memory, (int(stat[11]) + int(stat[12])) / os.sysconf("SC_CLK_TCK")


def rows() -> Iterator[Row]:
    for count in COUNTS:
        with tempfile.TemporaryDirectory() as place:
            folder = Path(place) / "scans"
            scans(folder, count)
            two, one = (ran(folder, Path(place) / f"out{workers}", workers) for workers in (2, 1))
            same = all(
                (Path(place) / "out1" / name).read_bytes() == (Path(place) / "out2" / name).read_bytes()
                for name in RESULTS
            )
            shared = two.here_cpu_s + (two.cpu_s - two.here_cpu_s) / 2
            note = (
                f"{one.cpu_s / shared:.2f}× by processor time alone, for cores that others use too; "
                f"{1e3 * one.cpu_s / count:.0f} and {1e3 * two.cpu_s / count:.0f} ms of processor a scan by one and "
                f"two; {two.here_mb:.0f} MB, a worker {two.worker_mb:.0f} MB; {'same' if same else 'OTHER'} bytes"
            )
            yield Row(f"sizes: {count} scans, two workers", two.seconds, "one worker", one.seconds, "1.8×", note)
    yield killed(folder_count=COUNTS[0])


def killed(folder_count: int) -> Row:
    """Killed a third of the way and begun again, beside a run that nobody disturbed."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "scans"
        scans(folder, folder_count)
        whole = ran(folder, Path(place) / "whole", 2)
        process = subprocess.Popen(
            command(folder, Path(place) / "out", 2), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        time.sleep(whole.seconds / 3)
        os.kill(process.pid, signal.SIGKILL)
        process.wait()
        again = ran(folder, Path(place) / "out", 2)
        same = all(
            (Path(place) / "out" / name).read_bytes() == (Path(place) / "whole" / name).read_bytes() for name in RESULTS
        )
    note = "same bytes" if same else "OTHER BYTES"
    return Row(
        f"sizes: {folder_count} scans, the rest after kill -9", again.seconds, "all", whole.seconds, "less", note
    )
