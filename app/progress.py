"""What is going on, on stderr: one living line in a terminal, plain lines where it is piped."""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

Say = Callable[[str], None]


def silent(_: str) -> None:
    """Say nothing."""


@contextmanager
def progress(name: str) -> Iterator[Say]:
    """`say(text)` shows what is being done about `name`."""
    if not sys.stderr.isatty():
        yield lambda text: print(f"{name}: {text}", file=sys.stderr, flush=True)
        return
    from rich.console import Console
    from rich.markup import escape

    with Console(stderr=True).status(escape(name)) as status:
        yield lambda text: status.update(escape(f"{name}: {text}"))
