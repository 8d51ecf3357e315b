"""Refusals: what was found, why it matters, what to do. One base class, each kind its exit code."""

from typing import ClassVar


class Refusal(Exception):
    """One line for the person at the horse.

    `message` says what was found (with numbers), why it matters and what to do. `details` holds up to
    five more lines, one per wrong key.
    """

    exit_code: ClassVar[int] = 2

    def __init__(self, message: str, details: tuple[str, ...] = ()) -> None:
        super().__init__(message)
        self.message = message
        self.details = details[:5]


class WrongUse(Refusal):
    """Command line, missing path, TOML keys or values."""

    exit_code = 2


class InputRefused(Refusal):
    """Content of a scan, or physics."""

    exit_code = 3


class CannotWrite(Refusal):
    """The results cannot be written."""

    exit_code = 4
