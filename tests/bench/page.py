"""The fitting page over loopback: a shim changed by hand to the new pressures, and the first view of a large scan."""

import statistics
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

from row import Row, median_seconds
from survey import write_cloud

sys.path.append(str(Path(__file__).parents[1]))
from page_client import Page, page, served, yard

from shimwright.case_file import read_case
from shimwright.fit import back_of
from shimwright.optimize.fit import prepared
from shimwright.optimize.setup import Layer
from shimwright.page.fitting import laid_out

CHANGES = 60
LARGE = 1_000_000
CASE = """
scan = "scan.ply"
saddle = "../../saddles/rigid.toml"
pad = "../../pads/four-pockets.toml"
[frame]
unit = "mm"
up = "+z"
head = "+x"
"""


def quiet(_: str) -> None:
    pass


def rows() -> Iterator[Row]:
    with tempfile.TemporaryDirectory() as folder:
        horses = yard(Path(folder))
        yield _slider(horses / "juniper" / "case.toml")
        yield _first_view(horses / "large")


def _slider(path: Path) -> Row:
    """Median of a change sent to its pressures received, while nobody waits in between and while somebody does."""
    with served(path) as server, page(server) as one:
        setup = one.settled()["setup"]
        took = [_change(one, setup, k, 0.3 if k % 4 == 0 else 0.0) for k in range(CHANGES)]
        nodes = one.last["now"]["pressure"].size
    case = read_case(path)
    job = prepared(back_of(case, quiet), case.saddle, case.pad, case.case)
    found = job.on(job.found_setup, None)
    tried = replace(job.found_setup, stacks={**job.found_setup.stacks, "front_left": (Layer("felt sheet", 3.0),)})
    exact = median_seconds(lambda: job.on(tried, found))
    median = statistics.median(took)
    fitting = laid_out(case, job.back, quiet)
    cpu = statistics.median(_processor_seconds(lambda: fitting.live(tried)) for _ in range(20))
    note = f"{nodes} nodes, slowest of {CHANGES}: {1e3 * max(took):.0f} ms; its solve alone {1e3 * cpu:.0f} ms of CPU"
    return Row("page: shim changed to new pressures", median, "exact grid, all cases", exact, "under 50 ms", note)


def _processor_seconds(work: Callable[[], object]) -> float:
    """What it costs on a computer that has nothing else to do: time of this process alone."""
    began = time.process_time()
    work()
    return time.process_time() - began


def _change(one: Page, setup: dict[str, object], number: int, rest_s: float) -> float:
    """One change and its answer; rest_s: how long the hand rests before, so that exact figures come in between."""
    time.sleep(rest_s)
    before = one.last["now"]["serial"]
    layers = [["felt sheet", 3.0 + 3.0 * (number % 2)]]
    began = time.perf_counter()
    one.ask(do="set", setup={**setup, "pockets": {**setup["pockets"], "front_left": layers}})  # type: ignore[dict-item]
    one.until(lambda m: m["t"] == "field" and m["which"] == "now" and m["serial"] > before)
    return time.perf_counter() - began


def _first_view(folder: Path) -> Row:
    """A page opened on a case that nobody opened yet, to the back in 3D; the same survey in this process beside it."""
    folder.mkdir()
    write_cloud(folder / "scan.ply", LARGE)
    path = folder / "case.toml"
    path.write_text(CASE, encoding="utf-8")
    took = []
    for _ in range(3):
        with served(path) as server:
            began = time.perf_counter()
            with page(server) as one:
                one.until(lambda m: m["t"] == "back")
                took.append(time.perf_counter() - began)
    alone = median_seconds(lambda: back_of(read_case(path), quiet), 3)
    cpu = _processor_seconds(lambda: back_of(read_case(path), quiet))
    note = f"survey alone {cpu:.1f} s of CPU"
    return Row("page: first view of 1 M points", statistics.median(took), "survey alone", alone, "under 5 s", note)
