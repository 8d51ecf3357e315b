"""A crew of processes that work through many pieces: a piece that crashes or hangs costs that piece alone.

Each worker lives for many pieces and is renewed after `RENEWED` of them, so memory stays flat. It works on one
processor, talks by its own pipe and ends by itself when the other end is gone, however that happened.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from multiprocessing.connection import Connection, wait
from typing import Any, Protocol

from shimwright.last_resort import words_of
from shimwright.processes import METHOD
from shimwright.scan.refusal import Refusal

PRELOADED = ["shimwright.scan.survey", "shimwright.scan.read_mesh", "shimwright.optimize.own_size"]
RENEWED = 250
PROCESSOR_S = 180.0  # for one piece; a scan of 5 M points takes a tenth of it
PATIENCE_S = 900.0  # by the clock: a busy computer does not make a scan bad
FAREWELL_S = 5.0
MEMORY_BYTES = 8 << 30
Work = Callable[[Any], dict[str, object]]


@dataclass(frozen=True)
class Done:
    """What became of piece number `index`. result: what the work gave, or None and `refused` says why. lasting: the
    same piece would end the same way again; not so after a crash or a lack of time or memory.
    """

    index: int
    result: dict[str, object] | None
    refused: str = ""
    lasting: bool = True


class Crew(Protocol):
    """Whoever can do many pieces at once, in any order."""

    def each(self, work: Work, pieces: Iterable[Any]) -> Iterator[Done]: ...


@dataclass(frozen=True)
class LocalCrew:
    """Processes of this computer. processor_s: what one piece may take."""

    workers: int = 0  # 0: one for each processor
    processor_s: float = PROCESSOR_S

    def each(self, work: Work, pieces: Iterable[Any]) -> Iterator[Done]:
        """Every piece once, in the order they are done. Whatever stops the reader ends the workers."""
        if METHOD == "forkserver":
            multiprocessing.set_forkserver_preload(PRELOADED)
        pieces = list(pieces)
        crew = [_Worker(work, self.processor_s) for _ in range(min(self.workers or processors(), len(pieces)))]
        waiting = deque(enumerate(pieces))
        try:
            for worker in crew:
                worker.begin(*waiting.popleft())
            while busy := [worker for worker in crew if worker.busy]:
                ready = wait([worker.ours for worker in busy], timeout=1.0)
                for worker in busy:
                    done = worker.answer() if worker.ours in ready else worker.late()
                    if done is None:
                        continue
                    if waiting:
                        worker.begin(*waiting.popleft())
                    yield done
        finally:
            for worker in crew:
                worker.end()


def processors() -> int:
    """Processors that this process may use."""
    return len(os.sched_getaffinity(0)) if sys.platform == "linux" else os.cpu_count() or 1


def one_thread() -> None:
    """For compiled loops of this process, without touching what the rest of it was told: many processes with many
    threads each only wait.
    """
    import numba

    numba.set_num_threads(1)


@dataclass
class _Worker:
    """One process and its end of the pipe. tried: how often the present piece was begun."""

    work: Work
    processor_s: float
    busy: bool = False
    count: int = 0
    tried: int = 0
    since: float = 0.0
    task: tuple[int, Any] = (0, None)
    ours: Connection = field(init=False)
    child: Any = field(init=False, default=None)

    def __post_init__(self) -> None:
        self._start()

    def _start(self) -> None:
        context = multiprocessing.get_context(METHOD)
        self.ours, theirs = context.Pipe()
        self.child = context.Process(target=_serve, args=(self.work, self.processor_s, theirs))  # type: ignore[attr-defined]
        self.child.start()
        theirs.close()
        self.count = 0

    def begin(self, index: int, piece: Any) -> None:
        self.task, self.busy, self.tried = (index, piece), True, 0
        if self.count >= RENEWED:
            self.end()
            self._start()
        self._send()

    def _send(self) -> None:
        self.tried, self.since, self.count = self.tried + 1, time.monotonic(), self.count + 1
        with suppress(OSError):  # died while idle: seen as the end of the pipe
            self.ours.send(self.task)

    def answer(self) -> Done | None:
        """What the worker said; None where it died and the piece was begun again."""
        try:
            done: Done = self.ours.recv()
        except (EOFError, OSError):
            return self._died()
        self.busy = False
        return done

    def late(self) -> Done | None:
        """None as long as there is patience."""
        if time.monotonic() - self.since < PATIENCE_S:
            return None
        return self._given_up(f"not done within {PATIENCE_S:.0f} s, so it was ended; try a smaller scan")

    def _died(self) -> Done | None:
        self.child.join(10.0)
        code = self.child.exitcode
        if sys.platform != "win32" and code == -signal.SIGXCPU:
            return self._given_up(
                f"not done within {self.processor_s:.0f} s of a processor, so it was ended; try a smaller scan "
                "(1 million points do)"
            )
        if self.tried < 2:  # memory may have been short for a moment
            self.end()
            self._start()
            self._send()
            return None
        how = f"signal {-code}" if code is not None and code < 0 else f"exit code {code}"
        return self._given_up(f"the worker broke on it twice ({how}): damaged, or too large for the memory")

    def _given_up(self, why: str) -> Done:
        self.end()
        self._start()
        self.busy = False
        return Done(self.task[0], None, why, lasting=False)

    def end(self) -> None:
        self.ours.close()
        if not self.busy:
            self.child.join(FAREWELL_S)  # it ends by itself, and gives back what libraries took from the system
        self.child.kill()
        self.child.join()


def attempt(work: Work, index: int, piece: Any) -> Done:
    """The work with whatever it raises made a row."""
    try:
        return Done(index, work(piece))
    except Refusal as refused:
        return Done(index, None, refused.message)
    except MemoryError as error:
        return Done(index, None, words_of(error), lasting=False)
    except OSError as error:  # a disk or a net that failed now may work later
        return Done(index, None, words_of(error), lasting=False)
    except Exception as error:
        return Done(index, None, words_of(error))


def _serve(work: Work, processor_s: float, pipe: Connection) -> None:
    _limit()
    one_thread()
    while True:
        try:
            index, piece = pipe.recv()
        except (EOFError, OSError):
            return
        _from_now(processor_s)
        said = attempt(work, index, piece)
        try:
            pipe.send(said)
        except OSError:
            return


def _limit() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is heard by whoever asked, and the pipe's end is heard here
    if sys.platform != "win32":
        import resource

        os.setsid()
        resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    for stream in (1, 2):  # native parsers chatter; what matters comes back by the pipe
        os.dup2(os.open(os.devnull, os.O_WRONLY), stream)


def _from_now(processor_s: float) -> None:
    """The limit of processor time for the next piece."""
    if sys.platform != "win32":
        import resource

        spent = resource.getrusage(resource.RUSAGE_SELF)
        _, hard = resource.getrlimit(resource.RLIMIT_CPU)
        limit = int(spent.ru_utime + spent.ru_stime + processor_s) + 1
        resource.setrlimit(resource.RLIMIT_CPU, (limit if hard < 0 else min(limit, hard), hard))
