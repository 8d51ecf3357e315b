"""Run a fragile reader in a process of its own, with limits of time and memory."""

import math
import multiprocessing
import os
import signal
import sys
from collections.abc import Callable
from multiprocessing.connection import Connection
from pathlib import Path
from typing import TypeVar

from shimwright.scan.refusal import InputRefused

SECONDS = 60.0  # processor time for the largest honest file; a damaged small one is cut earlier
SECONDS_PER_MB = 0.5
PATIENCE_S = 120.0  # by the clock: a busy computer does not make a file damaged, a reader that only waits is left
MEMORY_BYTES = 6 << 30
Result = TypeVar("Result")


class ReaderBroke(Exception):
    """The reader threw; in words of its library, or empty."""


def apart(reader: Callable[[Path], Result], path: Path) -> Result:
    """reader(path) in a child process. Raises what it refuses, InputRefused when it hangs or dies, ReaderBroke."""
    context = multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe(duplex=False)
    seconds = min(SECONDS, 6.0 + SECONDS_PER_MB * path.stat().st_size / 1e6)
    child = context.Process(target=_run, args=(reader, path, theirs, seconds), daemon=True)
    child.start()
    theirs.close()
    try:
        if not ours.poll(PATIENCE_S):
            raise _too_slow(path, PATIENCE_S)
        kind, value = ours.recv()
    except EOFError as error:
        child.join()
        if sys.platform != "win32" and child.exitcode == -signal.SIGXCPU:
            raise _too_slow(path, seconds) from error
        raise InputRefused(f"{path.name}: damaged: the reader broke on it; export it again") from error
    finally:
        child.kill()
        child.join()
    if kind == "refused":
        raise InputRefused(value)
    if kind == "error":
        raise ReaderBroke(value)
    return value  # type: ignore[no-any-return]


def _too_slow(path: Path, seconds: float) -> InputRefused:
    return InputRefused(
        f"{path.name}: damaged: not read within {seconds:.0f} s though it has only {path.stat().st_size} bytes; "
        f"export it again"
    )


def _run(reader: Callable[[Path], Result], path: Path, pipe: Connection, seconds: float) -> None:
    if sys.platform != "win32":
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
        spent = resource.getrusage(resource.RUSAGE_SELF)
        limit = math.ceil(spent.ru_utime + spent.ru_stime + seconds)
        resource.setrlimit(resource.RLIMIT_CPU, (limit, limit + 5))
    for stream in (1, 2):  # native parsers chatter on both; what matters comes back by the pipe
        os.dup2(os.open(os.devnull, os.O_WRONLY), stream)
    try:
        answer: tuple[str, object] = ("result", reader(path))
    except InputRefused as refused:
        answer = ("refused", refused.message)
    except Exception as error:
        answer = ("error", "" if type(error).__module__ == "builtins" else str(error))
    pipe.send(answer)
