"""One piece of work in a process of its own, with limits of time and memory: watched, stopped, and allowed to die."""

from __future__ import annotations

import asyncio
import multiprocessing
import os
import signal
import sys
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from multiprocessing import forkserver
from multiprocessing.connection import Connection
from multiprocessing.context import ForkServerContext, ForkServerProcess, SpawnContext, SpawnProcess
from typing import Any, TypeVar

from shimwright.last_resort import words_of
from shimwright.processes import METHOD
from shimwright.progress import Say
from shimwright.scan.refusal import CannotWrite, InputRefused, Refusal, WrongUse

LOOK_S = 0.05  # between two looks at the clock and at the stop button
GRACE_S = 4.0  # a stopped worker hands over the best so far within this, or is ended
MEMORY_BYTES = 6 << 30
WORKERS = 2
PRELOADED = ["shimwright.page.fitting", "shimwright.page.scans", "shimwright.scan.survey", "shimwright.scan.read_mesh"]
Child = SpawnProcess | ForkServerProcess
KINDS = {kind.__name__: kind for kind in (WrongUse, InputRefused, CannotWrite)}
Result = TypeVar("Result")
Work = Callable[..., Result]


class Stopped(Exception):
    """The work was stopped and had nothing to show yet."""


@dataclass(frozen=True)
class Bounds:
    """What one piece of work may take. seconds: of the clock, and of one processor."""

    seconds: float
    memory_bytes: int = MEMORY_BYTES


@dataclass(eq=False)
class Errand:
    """One running piece of work, to be stopped from outside. pid: 0 until it runs."""

    stop: threading.Event = field(default_factory=threading.Event)
    kill: threading.Event = field(default_factory=threading.Event)
    pid: int = 0


class Workers:
    """At most `WORKERS` processes at a time; the rest waits its turn."""

    def __init__(self) -> None:
        self._turn = asyncio.Semaphore(WORKERS)
        self._running: set[Errand] = set()

    async def do(
        self, work: Work[Result], args: tuple[object, ...], bounds: Bounds, say: Say, errand: Errand | None = None
    ) -> Result:
        """work(*args, say) elsewhere. Raises what it refuses, InputRefused when it hangs or dies, Stopped."""
        loop, mine = asyncio.get_running_loop(), errand or Errand()
        async with self._turn:
            self._running.add(mine)
            try:

                def said(text: str) -> None:
                    loop.call_soon_threadsafe(say, text)

                return await asyncio.to_thread(lambda: run_apart(work, args, bounds, said, mine))
            finally:
                self._running.discard(mine)

    @property
    def pids(self) -> tuple[int, ...]:
        """Processes that are at work now."""
        return tuple(errand.pid for errand in self._running if errand.pid)

    def close(self) -> None:
        """End whatever still runs."""
        for errand in self._running:
            errand.kill.set()


def run_apart(work: Work[Result], args: tuple[object, ...], bounds: Bounds, say: Say, errand: Errand) -> Result:
    """The same, waiting for it in this thread."""
    context = _context()
    ours, theirs = context.Pipe(duplex=False)
    child = context.Process(target=_child, args=(work, args, bounds, theirs))
    child.start()
    theirs.close()
    errand.pid = child.pid or 0
    try:
        return _watched(child, ours, bounds, say, errand)  # type: ignore[no-any-return]
    finally:
        errand.pid = 0
        _end(child)
        ours.close()


def warm_up() -> None:
    """Begin loading what workers need, so that the first one starts at once too. Where nothing can be forked, nothing.

    The server of the workers has one thread and loads no library that starts threads of its own.
    """
    if METHOD == "forkserver":
        multiprocessing.set_forkserver_preload(PRELOADED)
        forkserver.ensure_running()


def _context() -> ForkServerContext | SpawnContext:
    if METHOD == "forkserver":
        return multiprocessing.get_context("forkserver")
    return multiprocessing.get_context("spawn")


def _watched(child: Child, ours: Connection, bounds: Bounds, say: Say, errand: Errand) -> Any:
    end, stopping = time.monotonic() + bounds.seconds, False
    while True:
        if ours.poll(LOOK_S):
            try:
                kind, *rest = ours.recv()
            except EOFError:
                child.join(1.0)
                raise InputRefused(_died(child.exitcode)) from None
            if kind != "say":
                return _answered(kind, rest)
            say(rest[0])  # and on to the clock and the stop button: a worker may talk without a pause
        if errand.kill.is_set():
            raise Stopped
        if errand.stop.is_set() and not stopping:
            stopping, end = True, time.monotonic() + GRACE_S
            _interrupt(child)
        if time.monotonic() > end:
            if stopping:
                raise Stopped
            raise InputRefused(
                f"not done within {bounds.seconds:.0f} s, so it was ended; nothing is lost: try a smaller scan "
                "(1 million points do)"
            )


def _answered(kind: str, rest: list[Any]) -> Any:
    if kind == "done":
        return rest[0]
    if kind == "stopped":
        raise Stopped
    name, message, details = rest
    raise KINDS.get(name, InputRefused)(message, details)


def _died(code: int | None) -> str:
    how = f"signal {-code}" if code is not None and code < 0 else f"exit code {code}"
    return f"the worker ended in the middle ({how}): too little memory, or ended by hand; nothing is lost, try again"


def _interrupt(child: Child) -> None:
    if sys.platform == "win32" or child.pid is None:
        child.terminate()
    else:
        os.kill(child.pid, signal.SIGINT)


def _end(child: Child) -> None:
    """The child with all that it started."""
    if sys.platform != "win32" and child.pid is not None and child.is_alive():
        try:
            os.killpg(child.pid, signal.SIGKILL)
        except (ProcessLookupError, PermissionError):  # it had not yet made its own group
            child.kill()
    else:
        child.kill()
    child.join()


def _child(work: Callable[..., object], args: tuple[object, ...], bounds: Bounds, pipe: Connection) -> None:
    _limit(bounds)
    stopped = threading.Event()
    signal.signal(signal.SIGINT, lambda *_: stopped.set())  # compiled code must not be broken off: see `say`

    def say(text: str) -> None:
        pipe.send(("say", text))
        if stopped.is_set():
            raise KeyboardInterrupt

    try:
        answer: tuple[object, ...] = ("done", work(*args, say))
    except KeyboardInterrupt:
        answer = ("stopped",)
    except Refusal as refused:
        answer = ("refused", type(refused).__name__, refused.message, refused.details)
    except BaseException as error:
        answer = ("refused", "InputRefused", words_of(error), ())
    pipe.send(answer)


def _limit(bounds: Bounds) -> None:
    os.environ["OPENBLAS_NUM_THREADS"] = "1"
    if sys.platform != "win32":
        import resource

        os.setsid()  # Ctrl-C in the terminal is the server's business; its whole group can be ended at once
        resource.setrlimit(resource.RLIMIT_AS, (bounds.memory_bytes, bounds.memory_bytes))
        resource.setrlimit(resource.RLIMIT_CPU, (int(2 * bounds.seconds) + 5, int(2 * bounds.seconds) + 10))
    os.dup2(os.open(os.devnull, os.O_WRONLY), 2)  # native parsers chatter; what matters comes back by the pipe
