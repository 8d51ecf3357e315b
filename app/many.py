"""One function over many scans: on a crew of processes or on a cluster, resumable, one bad scan is one row.

What comes out depends on the scans and on what was asked, not on how many work, in which order they finish, or how
often the run was stopped.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from shimwright.crew import Crew, Work
from shimwright.ledger import Ledger, code_sha
from shimwright.progress import Counting
from shimwright.scan.refusal import InputRefused, WrongUse


@dataclass(frozen=True)
class Piece:
    """One scan. name: as the report calls it. asked: all else that decides its row, as text. told: for the work."""

    name: str
    path: Path
    asked: str
    told: Any = None


@dataclass(frozen=True)
class Row:
    """What became of a piece. made: what the work gave, or None and `refused` says why. sha256: of the scan, "" where
    it could not be read.
    """

    name: str
    sha256: str
    made: Mapping[str, Any] | None
    refused: str = ""


@dataclass(frozen=True)
class Rows:
    """The rows of all pieces, in their order; read from the ledger one at a time, so that a thousand cost no memory."""

    pieces: Sequence[Piece]
    ledger: Ledger
    hashes: Mapping[int, str]
    broken: Mapping[int, Row]

    def __len__(self) -> int:
        return len(self.pieces)

    def __iter__(self) -> Iterator[Row]:
        for index, piece in enumerate(self.pieces):
            if index in self.broken:
                yield self.broken[index]
                continue
            sha = self.hashes[index]
            kept = self.ledger.row(_key(piece, sha)) or {}
            refused = str(kept.get("refused", ""))
            yield Row(piece.name, sha, None if refused else kept, refused.replace(FILE_NAME, piece.path.name))


FILE_NAME = "\x1afile\x1a"  # stands for the file's name in a kept refusal: the same scan may have another name later


def many(work: Work, pieces: Sequence[Piece], ledger: Ledger, crew: Crew, counting: Counting) -> Rows:
    """work(piece) for every piece that the ledger does not know yet. `work` must be a function of a module."""
    hashes = _known(pieces, ledger)
    left = [index for index in range(len(pieces)) if index not in hashes]
    counting.begin(len(pieces), len(pieces) - len(left))
    broken: dict[int, Row] = {}
    for done in crew.each(partial(job, work), [pieces[index] for index in left]):
        index = left[done.index]
        piece = pieces[index]
        result = done.result or {}
        refused = done.refused or str(result.get("refused", ""))
        if done.result is None:
            broken[index] = Row(piece.name, "", None, done.refused)
        else:
            sha, size, changed = (result[name] for name in ("sha256", "size", "changed_ns"))
            made = {"refused": refused} if refused else dict(result["made"])  # type: ignore[call-overload]
            ledger.keep(_key(piece, str(sha)), made)
            ledger.note_hash(piece.path, str(sha), int(str(size)), int(str(changed)))
            hashes[index] = str(sha)
        counting.step(bool(refused))
    return Rows(pieces, ledger, hashes, broken)


def job(work: Work, piece: Piece) -> dict[str, object]:
    """In the worker: the file's hash and what the work gives, or what it refuses for good."""
    try:
        before = piece.path.stat()
        with piece.path.open("rb") as stream:
            sha = hashlib.file_digest(stream, "sha256").hexdigest()
    except FileNotFoundError:
        raise WrongUse(f"{piece.path.name}: no such file; check the name in the list") from None
    seen: dict[str, object] = {"sha256": sha, "size": before.st_size, "changed_ns": before.st_mtime_ns}
    try:
        return {**seen, "made": work(piece)}
    except InputRefused as refused:
        return {**seen, "refused": refused.message.replace(piece.path.name, FILE_NAME)}


def _known(pieces: Sequence[Piece], ledger: Ledger) -> dict[int, str]:
    """Index → hash of every piece whose row is there."""
    known = {}
    for index, piece in enumerate(pieces):
        try:
            sha = ledger.hash_of(piece.path)
        except OSError:
            continue
        if sha is not None and ledger.has(_key(piece, sha)):
            known[index] = sha
    return known


def _key(piece: Piece, sha256: str) -> str:
    return hashlib.sha256("\n".join((code_sha(), piece.asked, sha256)).encode()).hexdigest()
