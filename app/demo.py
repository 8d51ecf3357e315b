"""`demo`: the whole job on the shipped, invented yard, horse by horse, two at a time."""

import os
import tomllib
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from importlib.resources import as_file, files
from multiprocessing import parent_process
from multiprocessing.process import BaseProcess
from pathlib import Path
from threading import Thread

from shimwright.progress import progress
from shimwright.scan.refusal import CannotWrite

WORKERS = 2


def demo(out: Path) -> int:
    """Measure and fit every horse of the yard into OUT/<horse>; 0 whatever the verdicts."""
    if out.exists() and not out.is_dir():
        raise CannotWrite(f"{out}: a file of that name is there; choose another --out")
    with as_file(files("shimwright.meshes")) as yard, progress("demo") as say:
        cases = sorted((yard / "horses").glob("*/case.toml"))
        say(f"{len(cases)} invented horses: scan, set-up, sheets and templates")
        lines = list(_each(cases, [out / case.parent.name for case in cases]))
    for line in lines:
        print(line)
    print(f"\nAll sheets are in {out}: open a client.pdf, then try: shimwright new my-horse")
    return 0


def _each(cases: list[Path], folders: list[Path]) -> Iterator[str]:
    if (os.cpu_count() or 1) < WORKERS:
        yield from (line for pair in zip(cases, folders, strict=True) for line in one_horse(*pair))
        return
    with ProcessPoolExecutor(WORKERS, initializer=_begin_worker) as pool:
        begun = {
            case: pool.submit(one_horse, case, folder)
            for case, folder in sorted(zip(cases, folders, strict=True), key=lambda pair: -_pockets(pair[0]))
        }
        try:
            for case in cases:
                yield from begun[case].result()
        except BaseException:  # stopped, or one failed: the others are not begun
            pool.shutdown(wait=False, cancel_futures=True)
            raise


def _pockets(case: Path) -> int:
    """More pockets, more set-ups to solve: the longest work begins first."""
    pad = case.parent / tomllib.loads(case.read_text(encoding="utf-8"))["pad"]
    return len(tomllib.loads(pad.read_text(encoding="utf-8"))["pocket"])


def _begin_worker() -> None:
    """Before the numerical libraries load: the processes share the cores already. None outlives a killed parent."""
    for name in ("NUMBA_NUM_THREADS", "OMP_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    parent = parent_process()
    if parent is not None:
        Thread(target=_end_after, args=(parent,), daemon=True).start()


def _end_after(parent: BaseProcess) -> None:
    parent.join()
    os._exit(1)


def one_horse(path: Path, folder: Path) -> list[str]:
    """The whole job for one horse; lines for the terminal. Runs in a process of its own."""
    from shimwright.case_file import read_case
    from shimwright.export.results import whole_results
    from shimwright.fit import back_of, fit_case, write_fit
    from shimwright.measure import write_back
    from shimwright.progress import silent
    from shimwright.summary import back_words, fit_words

    name = path.parent.name
    case = read_case(path)
    back = back_of(case, silent)
    answer = fit_case(case, back, silent)
    with whole_results(folder) as results:
        write_back(back, results, case.case.print_units)
        write_fit(answer, case, results, "van")
    return [*back_words(name, back)[:1], *fit_words(name, answer)[1:], ""]
