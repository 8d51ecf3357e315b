"""What was worked out so far, in one SQLite file beside the results: a run that was stopped, or killed, goes on there.

A row is found by the content of its scan, by what was asked and by the code that made it, never by a name or a date.
The file only saves work: deleted, all is worked out again; unreadable or of another program, it is put aside.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path

from shimwright.scan.refusal import CannotWrite

FILE = "rows.sqlite"
APPLICATION_ID = 0x53485257
SCHEMA = """
create table if not exists row (key text primary key, made text not null) without rowid;
create table if not exists seen (path text primary key, size integer, changed_ns integer, sha256 text) without rowid;
"""
WAIT_S = 60.0
CODE_FOLDERS = ("scan", "optimize")  # whatever decides a row
OWN_FILES = ("size_row.py", "measure.py", "told_options.py")


@dataclass(frozen=True)
class Ledger:
    """An open ledger. Every `keep` is on disk when it returns."""

    connection: sqlite3.Connection

    def row(self, key: str) -> dict[str, object] | None:
        found = self.connection.execute("select made from row where key = ?", (key,)).fetchone()
        return None if found is None else json.loads(found[0])

    def has(self, key: str) -> bool:
        return self.connection.execute("select 1 from row where key = ?", (key,)).fetchone() is not None

    def keep(self, key: str, made: dict[str, object]) -> None:
        text = json.dumps(made, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
        self.connection.execute("insert or replace into row values (?, ?)", (key, text))

    def hash_of(self, path: Path) -> str | None:
        """SHA-256 of the file if it was seen and has neither grown nor been changed since."""
        now = path.stat()
        found = self.connection.execute(
            "select sha256 from seen where path = ? and size = ? and changed_ns = ?",
            (str(path.absolute()), now.st_size, now.st_mtime_ns),
        ).fetchone()
        return None if found is None else str(found[0])

    def note_hash(self, path: Path, sha256: str, size: int, changed_ns: int) -> None:
        told = (str(path.absolute()), size, changed_ns, sha256)
        self.connection.execute("insert or replace into seen values (?, ?, ?, ?)", told)


@contextmanager
def opened(folder: Path) -> Iterator[Ledger]:
    """The ledger of a folder of results, made where there is none. Raises CannotWrite."""
    path = folder / FILE
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if not _ours(path):
            for one in (path, path.with_name(FILE + "-wal"), path.with_name(FILE + "-shm")):
                if one.exists():
                    one.replace(one.with_name(one.name + ".aside"))
        connection = _connected(path)
    except (OSError, sqlite3.Error) as error:
        raise CannotWrite(f"{path}: cannot be written ({_reason(error)}); give another folder with --out") from None
    with closing(connection):
        try:
            yield Ledger(connection)
        except sqlite3.Error as error:
            raise CannotWrite(
                f"{path}: cannot be written ({_reason(error)}); what was worked out is kept: make room and start again"
            ) from None


def _connected(path: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(path, timeout=WAIT_S, isolation_level=None)
    connection.execute("pragma journal_mode = wal")
    connection.execute("pragma synchronous = normal")
    connection.execute(f"pragma application_id = {APPLICATION_ID}")
    connection.executescript(SCHEMA)
    return connection


def _ours(path: Path) -> bool:
    """Not there yet, or a whole ledger."""
    if not path.exists() or path.stat().st_size == 0:
        return True
    try:
        with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as connection:
            mine = connection.execute("pragma application_id").fetchone()[0] in (APPLICATION_ID, 0)
            sound = connection.execute("pragma quick_check(1)").fetchone()[0] == "ok"
            tables = {name for (name,) in connection.execute("select name from sqlite_master where type = 'table'")}
    except sqlite3.DatabaseError:
        return False
    return bool(mine and sound and tables <= {"row", "seen"})


def _reason(error: Exception) -> str:
    return error.strerror or str(error) if isinstance(error, OSError) else str(error)


@cache
def code_sha() -> str:
    """Of all code and data that decide a row."""
    whole = hashlib.sha256()
    package = files("shimwright")
    paths = [package / name for name in OWN_FILES]
    for folder in CODE_FOLDERS:
        found = sorted(files(f"shimwright.{folder}").iterdir(), key=lambda path: path.name)
        paths += [path for path in found if path.name.endswith((".py", ".toml", ".csv"))]
    for path in paths:
        whole.update(path.name.encode())
        whole.update(path.read_bytes())
    return whole.hexdigest()
