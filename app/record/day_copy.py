"""One copy of the record a day, beside it: the way back from a damaged file."""

import os
import sqlite3
from contextlib import closing
from datetime import date
from pathlib import Path

FOLDER, KEPT = "copies", 7


def copies(folder: Path) -> list[Path]:
    """Copies beside the record, oldest first."""
    return sorted((folder / FOLDER).glob("record-*.sqlite"), key=lambda path: path.stat().st_mtime_ns)


def keep_copy(connection: sqlite3.Connection, folder: Path, name: str) -> Path:
    """A whole copy, named; it appears when it is complete."""
    goal = folder / FOLDER / f"record-{name}.sqlite"
    goal.parent.mkdir(mode=0o700, exist_ok=True)
    coming = goal.with_suffix(f".coming-{os.getpid()}")
    try:
        os.close(os.open(coming, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600))
        with closing(sqlite3.connect(coming)) as copy:
            connection.backup(copy)
        coming.replace(goal)
    finally:
        coming.unlink(missing_ok=True)
    return goal


def copy_of_the_day(connection: sqlite3.Connection, folder: Path) -> None:
    """Before the first change of a day; the newest seven stay."""
    name = date.today().isoformat()
    if (folder / FOLDER / f"record-{name}.sqlite").exists():
        return
    if not connection.execute("SELECT count(*) FROM visit").fetchone()[0]:
        return
    keep_copy(connection, folder, name)
    for old in copies(folder)[:-KEPT]:
        old.unlink(missing_ok=True)
