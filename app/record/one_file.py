"""The record as one plain file: .json without the scans, or .zip of the same with every kept file beside it."""

import json
import os
import re
import zipfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from datetime import date
from hashlib import sha256
from pathlib import Path
from typing import Any, TypeVar

from pydantic import TypeAdapter, ValidationError

from shimwright.record.day_copy import copy_of_the_day
from shimwright.record.kept_files import keep_bytes, kept_bytes
from shimwright.record.store import Connection, whole
from shimwright.record.visits import Hand, KeptFile, Look, Note, Tool, Tried, Visit, notes, put, put_note, visits
from shimwright.scan.refusal import CannotWrite, InputRefused, WrongUse

SCHEMA = "shimwright/record/1"
RECORD, FILES = "record.json", "files"
LARGEST_BYTES = 2_000_000_000  # of one kept file
Row = TypeVar("Row", Visit, Note)


@dataclass(frozen=True)
class Brought:
    """How many were new, and how many were there already."""

    visits: int
    notes: int
    known: int


def write_file(connection: Connection, folder: Path, goal: Path) -> None:
    """Everything into one file, for its owner alone; it appears when it is whole."""
    if goal.suffix.lower() not in (".json", ".zip"):
        raise WrongUse(f"{goal}: name it .json (the record alone) or .zip (with its scans and files)")
    text = json.dumps(_document(connection), indent=1, ensure_ascii=False, allow_nan=False) + "\n"
    with _coming(goal) as coming:
        if goal.suffix.lower() == ".json":
            coming.write_text(text, encoding="utf-8")
            return
        with zipfile.ZipFile(coming, "w", zipfile.ZIP_DEFLATED) as pack:
            pack.writestr(RECORD, text)
            for (name,) in connection.execute("SELECT DISTINCT sha256 FROM file ORDER BY sha256").fetchall():
                pack.writestr(f"{FILES}/{name}", kept_bytes(folder, name))


def read_file(connection: Connection, folder: Path, path: Path) -> Brought:
    """All of a file that is not in the record yet. What is there already stays as it is."""
    document, contents = _opened(path)
    try:
        seen = [_visit(row) for row in document["visits"]]
        said = [_checked(Note(**row), Note) for row in document["notes"]]
        _check_days([*(day for visit in seen for day in days_of(visit)), *(note.day for note in said)])
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        place = ".".join(map(str, first["loc"]))
        raise _not_ours(path, f"{place}: {first['msg'][:1].lower()}{first['msg'][1:]}") from None
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise _not_ours(path, f"{type(error).__name__}: {error}") from None
    for content in contents(sorted({one.sha256 for visit in seen for one in visit.files})):
        keep_bytes(folder, content)
    copy_of_the_day(connection, folder)
    with whole(connection):
        known = {row["mark"] for row in connection.execute("SELECT mark FROM visit")}
        new = [visit for visit in seen if visit.mark not in known]
        for visit in new:
            put(connection, visit)
        fresh = sum(put_note(connection, note) for note in said)
    return Brought(len(new), fresh, len(seen) - len(new))


def _document(connection: Connection) -> dict[str, object]:
    return {
        "schema": SCHEMA,
        "visits": [asdict(visit) for visit in visits(connection)],
        "notes": [asdict(note) for note in notes(connection)],
    }


def _visit(row: Mapping[str, Any]) -> Visit:
    parts: dict[str, Any] = dict(row)
    for name, kind in (("files", KeptFile), ("tried", Tried), ("looks", Look), ("hands", Hand)):
        parts[name] = tuple(kind(**one) for one in row[name])
    for name in ("saddle", "pad"):
        parts[name] = Tool(**row[name]) if row[name] else None
    visit = _checked(Visit(**parts), Visit)
    places = [(one.role, one.path) for one in visit.files]
    if len(set(places)) < len(places):
        raise ValueError(f"two files of one place in the visit of {visit.day}")
    for one in visit.files:
        if not re.fullmatch("[0-9a-f]{64}", one.sha256) or one.size < 0:
            raise ValueError(f"{one.role}: no hash and size of a file")
    return visit


def _checked(told: Row, kind: type[Row]) -> Row:
    """The same; what was read from a file may hold anything where words or numbers belong."""
    return TypeAdapter(kind).validate_python(asdict(told))


def days_of(visit: Visit) -> list[str]:
    """Every day that is written in a visit."""
    optional = [*(one.done_on for one in visit.looks), *(one.ticked_on for one in visit.hands)]
    return [visit.day, *(one.day for one in visit.looks), *(day for day in optional if day is not None)]


def _check_days(days: Sequence[str]) -> None:
    for day in days:
        if date.fromisoformat(day).isoformat() != day:
            raise ValueError(f"{day} is no day: YYYY-MM-DD")


def _opened(path: Path) -> tuple[Mapping[str, Any], Any]:
    """(the document, hashes → contents)."""
    if not path.is_file():
        raise WrongUse(f"{path}: no such file; name one that `shimwright log export` wrote")
    packed = zipfile.is_zipfile(path)
    try:
        if packed:
            with zipfile.ZipFile(path) as pack:
                document = json.loads(pack.read(RECORD))
        else:
            document = json.loads(path.read_text(encoding="utf-8"))
        schema = document["schema"]
    except (ValueError, KeyError, TypeError, zipfile.BadZipFile, RecursionError) as error:
        raise _not_ours(path, type(error).__name__) from None
    if schema != SCHEMA:
        raise _not_ours(path, f'"{schema}" is not {SCHEMA}')

    def contents(hashes: list[str]) -> Iterator[bytes]:
        if not packed:
            return
        with zipfile.ZipFile(path) as pack:
            for name in hashes:
                yield _content(pack, name, path)

    return document, contents


def _content(pack: zipfile.ZipFile, name: str, path: Path) -> bytes:
    try:
        if pack.getinfo(f"{FILES}/{name}").file_size > LARGEST_BYTES:
            raise _not_ours(path, f"a file of more than {LARGEST_BYTES} bytes")
        content = pack.read(f"{FILES}/{name}")
    except (KeyError, zipfile.BadZipFile) as error:
        raise _not_ours(path, f"the file {name[:12]}… is missing or damaged ({type(error).__name__})") from None
    if sha256(content).hexdigest() != name:
        raise _not_ours(path, f"the file {name[:12]}… is not what it was")
    return content


def _not_ours(path: Path, reason: str) -> InputRefused:
    return InputRefused(f"{path}: not a whole export of a record ({reason}); nothing was taken: export it again")


@contextmanager
def _coming(goal: Path) -> Iterator[Path]:
    coming = goal.with_name(f".{goal.name}.coming")
    try:
        os.close(os.open(coming, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600))
        yield coming
        coming.replace(goal)
    except OSError as error:
        raise CannotWrite(f"{goal}: cannot be written ({error.strerror}); nothing was left there: make room") from error
    finally:
        coming.unlink(missing_ok=True)
