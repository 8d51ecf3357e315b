"""What is going on, on stderr: one living line in a terminal; plain lines where it is piped, for long work only."""

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

Say = Callable[[str], None]
LONG_S = 5.0  # a line each, at most; shorter work goes without a word, so that a refusal stays one line in a log


def silent(_: str) -> None:
    """Say nothing."""


@contextmanager
def progress(name: str) -> Iterator[Say]:
    """`say(text)` shows what is being done about `name`."""
    if not sys.stderr.isatty():
        yield _plain(name, time.monotonic())
        return
    from rich.console import Console
    from rich.markup import escape

    with Console(stderr=True).status(escape(name)) as status:
        yield lambda text: status.update(escape(f"{name}: {text}"))


def _plain(name: str, began: float) -> Say:
    last = [began]

    def say(text: str) -> None:
        if time.monotonic() - last[0] > LONG_S:
            print(f"{name}: {text}", file=sys.stderr, flush=True)
            last[0] = time.monotonic()

    return say
