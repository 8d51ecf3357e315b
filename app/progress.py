"""What is going on, on stderr: one living line in a terminal; plain lines where it is piped, for long work only."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from rich.progress import Progress

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


class Counting(Protocol):
    """Told of work on many things."""

    def begin(self, total: int, before: int) -> None:
        """`before` of `total` were done in an earlier run."""

    def step(self, refused: bool) -> None:
        """One more is done."""


class Uncounted:
    """Says nothing."""

    def begin(self, total: int, before: int) -> None:
        pass

    def step(self, refused: bool) -> None:
        pass


@contextmanager
def counted(what: str) -> Iterator[Counting]:
    """How many of `what` are done and how long the rest will take: a bar in a terminal, else a line now and then."""
    if not sys.stderr.isatty():
        yield _CountedLines(what)
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

    columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TextColumn("{task.fields[rest]}"))
    with Progress(*columns, console=Console(stderr=True)) as bar:
        yield _CountedBar(what, bar)


class _CountedLines:
    """A line at most every `EVERY_S`."""

    EVERY_S = 30.0

    def __init__(self, what: str) -> None:
        self.what, self.total, self.before, self.done, self.refused = what, 0, 0, 0, 0
        self.began = self.said = time.monotonic()

    def begin(self, total: int, before: int) -> None:
        self.total, self.before = total, before
        self.began = self.said = time.monotonic()
        if before and before < total:
            print(f"{before} of {total} {self.what} were done before; going on", file=sys.stderr, flush=True)

    def step(self, refused: bool) -> None:
        self.done, self.refused = self.done + 1, self.refused + refused
        if time.monotonic() - self.said > self.EVERY_S:
            print(f"{self.before + self.done} of {self.total} {self.what}, {self.rest()}", file=sys.stderr, flush=True)
            self.said = time.monotonic()

    def rest(self) -> str:
        """`3 refused, about 6 min left`."""
        left = self.total - self.before - self.done
        seconds = (time.monotonic() - self.began) / max(self.done, 1) * left
        return (f"{self.refused} refused, " if self.refused else "") + time_left(seconds)


class _CountedBar(_CountedLines):
    """The same as a living bar."""

    def __init__(self, what: str, bar: Progress) -> None:
        super().__init__(what)
        self.bar = bar

    def begin(self, total: int, before: int) -> None:
        self.total, self.before, self.began = total, before, time.monotonic()
        self.task = self.bar.add_task(self.what, total=total, completed=before, rest="")

    def step(self, refused: bool) -> None:
        self.done, self.refused = self.done + 1, self.refused + refused
        self.bar.update(self.task, advance=1, rest=self.rest())


def time_left(seconds: float) -> str:
    """As a person says it.

    >>> time_left(20), time_left(400), time_left(9000)
    ('less than a minute left', 'about 7 min left', 'about 2 h 30 min left')
    """
    if seconds < 60:
        return "less than a minute left"
    hours, minutes = divmod(round(seconds / 60), 60)
    return f"about {hours} h {minutes} min left" if hours else f"about {minutes} min left"
