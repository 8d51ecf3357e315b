"""Several inputs one after another: each is told on stdout, refused ones on stderr, the largest exit code counts."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from shimwright.export.plain_json import json_line
from shimwright.last_resort import exit_code_of
from shimwright.scan.refusal import Refusal

REFUSED_SCHEMA = "shimwright/refusal/1"


@dataclass(frozen=True)
class Outcome:
    """What became of one input. words: for a person. document: the same as data, as in the JSON file."""

    exit_code: int
    words: tuple[str, ...]
    document: dict[str, object]


def tell_each(inputs: Iterable[Path], work: Callable[[Path], Outcome], *, as_json: bool) -> int:
    """Do `work` for each input and tell it; a refused input does not stop the others."""
    return max((_tell(path, work, as_json) for path in inputs), default=0)


def _tell(path: Path, work: Callable[[Path], Outcome], as_json: bool) -> int:
    try:
        outcome = work(path)
    except Exception as error:
        code = exit_code_of(error)
        if as_json:
            said = error.message if isinstance(error, Refusal) else str(error)
            write_line({"schema": REFUSED_SCHEMA, "input": str(path), "refused": said, "exit_code": code})
        return code
    if as_json:
        write_line(outcome.document)
    else:
        print(*outcome.words, sep="\n")
    return outcome.exit_code


def write_line(document: Mapping[str, object]) -> None:
    """One object, one line, on stdout."""
    print(json_line(document), flush=True)
