"""The file of the record: opened, brought up to date, written in whole transactions, refused where it is not ours."""

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.resources import files
from pathlib import Path

from shimwright.record.day_copy import copies, keep_copy
from shimwright.scan.refusal import CannotWrite, InputRefused, Refusal

FILE = "record.sqlite"
OURS = 0x53574D52  # application_id
VERSION_AT, OURS_AT, HEADER_BYTES = 60, 68, 100  # SQLite, Database File Format, 1.3
WAIT_S = 20.0  # for another writer
MAGIC = b"SQLite format 3\x00"
Connection = sqlite3.Connection


def migrations() -> list[str]:
    """The steps from an empty file to today's, in order; a file's version is how many of them it has seen."""
    folder = files("shimwright.record").joinpath("migrations")
    return [step.read_text(encoding="utf-8") for step in sorted(folder.iterdir(), key=lambda step: step.name)]


def exists(folder: Path) -> bool:
    return (folder / FILE).exists()


@contextmanager
def opened(folder: Path) -> Iterator[Connection]:
    """The record in `folder`, made where there is none, of today's version.

    Raises InputRefused where the file is newer, damaged or not ours (nothing is touched), CannotWrite where the disk
    is full or not to be written on.
    """
    path = folder / FILE
    with told(folder):
        _make(folder)
        _check_header(path)
        connection = sqlite3.connect(path, timeout=WAIT_S, isolation_level=None)
        try:
            _ready(connection, folder)
            yield connection
        finally:
            connection.close()


@contextmanager
def whole(connection: Connection) -> Iterator[None]:
    """All of it is written or nothing. One writer at a time; another waits."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


@contextmanager
def told(folder: Path) -> Iterator[None]:
    """What SQLite or the disk says, as a refusal."""
    try:
        yield
    except sqlite3.Error as error:
        raise _refusal(folder, error) from error
    except OSError as error:
        if isinstance(error.filename, str | Path) and str(folder) not in str(error.filename):
            raise
        raise CannotWrite(_unwritten(folder, error.strerror or str(error))) from error


def _make(folder: Path) -> None:
    """Folder and file for the owner alone."""
    if not folder.is_dir():
        folder.mkdir(parents=True, mode=0o700)
    if not (folder / FILE).exists():
        os.close(os.open(folder / FILE, os.O_RDWR | os.O_CREAT, 0o600))


def _check_header(path: Path) -> None:
    """Before SQLite sees it: opening would already leave files beside it."""
    with path.open("rb") as file:
        head = file.read(HEADER_BYTES)
    if not head and copies(path.parent):  # it was written before
        raise damaged(path.parent, "it is empty, 0 bytes")
    if not head:
        return
    if not head.startswith(MAGIC) or len(head) < HEADER_BYTES:
        raise damaged(path.parent, "it does not begin as a record does")
    ours, version = (int.from_bytes(head[at : at + 4], "big") for at in (OURS_AT, VERSION_AT))
    if ours not in (0, OURS) or (ours == 0 and version):
        raise InputRefused(f"{path}: a database of another program, nothing was touched: give another --store")
    _check_version(path, version)


def _check_version(path: Path, version: int) -> None:
    known = len(migrations())
    if version > known:
        raise InputRefused(
            f"{path}: written by a newer shimwright (version {version} of the record, this one knows {known}); nothing "
            "was touched: update shimwright, or give another --store"
        )


def _ready(connection: Connection, folder: Path) -> None:
    connection.row_factory = sqlite3.Row
    connection.execute("PRAGMA foreign_keys = ON")
    connection.execute("PRAGMA synchronous = FULL")
    found = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
    if found != "ok":
        raise damaged(folder, found)
    if _version(connection) < len(migrations()):
        _bring_up_to_date(connection, folder)
    _check_version(folder / FILE, _version(connection))
    connection.execute("PRAGMA journal_mode = WAL")


def _version(connection: Connection) -> int:
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def _bring_up_to_date(connection: Connection, folder: Path) -> None:
    """All steps that are missing, in one transaction; the file as it was is kept beside it."""
    if _version(connection):
        keep_copy(connection, folder, f"version-{_version(connection)}")
    with whole(connection):
        for step in migrations()[_version(connection) :]:
            for statement in step.split(";\n"):
                connection.execute(statement)
        connection.execute(f"PRAGMA application_id = {OURS}")
        connection.execute(f"PRAGMA user_version = {len(migrations())}")


def _refusal(folder: Path, error: sqlite3.Error) -> Refusal:
    code = (getattr(error, "sqlite_errorcode", 0) or 0) & 0xFF
    if code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
        return damaged(folder, str(error))
    if code == sqlite3.SQLITE_BUSY:
        return CannotWrite(f"{folder / FILE}: another shimwright has been writing for {WAIT_S:g} s; try again")
    return CannotWrite(_unwritten(folder, str(error)))


def _unwritten(folder: Path, reason: str) -> str:
    return f"the record in {folder} cannot be written ({reason}); it is as it was before: make room, or give --store"


def damaged(folder: Path, reason: str) -> InputRefused:
    """Said, with the way back."""
    kept = copies(folder)
    back = (
        f"say `shimwright log restore` to go back to its copy of {kept[-1].stem.removeprefix('record-')}"
        if kept
        else "no copy lies beside it: put back a `log backup`, or `log import` an export into another --store"
    )
    return InputRefused(
        f"the record in {folder} is damaged ({' '.join(reason.split())[:120]}); nothing was touched: {back}"
    )
