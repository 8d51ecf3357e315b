"""The record put back from a copy, and a backup of the whole folder."""

import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

from shimwright.record import store
from shimwright.record.day_copy import FOLDER, copies, keep_copy
from shimwright.record.kept_files import keep_bytes, kept_bytes, kept_path
from shimwright.scan.refusal import CannotWrite, WrongUse


def restore(folder: Path, copy: Path | None = None) -> tuple[Path, Path | None]:
    """Put a copy in the record's place. (the copy taken, where the old file went). Raises WrongUse without a copy."""
    known = copies(folder)
    taken = copy or (known[-1] if known else None)
    if taken is None or not taken.is_file():
        raise WrongUse(f"{taken or folder / FOLDER}: no copy of the record there; `log import` an export instead")
    with store.told(folder):
        check(taken)
        aside = _aside(folder)
        coming = folder / f"{store.FILE}.coming"
        shutil.copyfile(taken, coming)
        coming.chmod(0o600)
        coming.replace(folder / store.FILE)
    return taken, aside


def check(path: Path) -> None:
    """Raises InputRefused for a copy that is damaged itself."""
    try:
        with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro&immutable=1", uri=True)) as connection:
            found = connection.execute("PRAGMA quick_check(1)").fetchone()[0]
    except sqlite3.DatabaseError as error:
        found = str(error)
    if found != "ok":
        raise store.damaged(path.parent, f"the copy {path.name}: {found}")


def _aside(folder: Path) -> Path | None:
    """The file there now, and what SQLite left beside it, under a name that is free."""
    now = folder / store.FILE
    if not now.exists():
        return None
    number = next(n for n in range(1, 10_000) if not (folder / f"damaged-{n}.sqlite").exists())
    aside = folder / f"damaged-{number}.sqlite"
    for suffix in ("-wal", "-shm"):
        if (beside := folder / (store.FILE + suffix)).exists():
            beside.replace(folder / f"damaged-{number}.sqlite{suffix}")
    now.replace(aside)
    return aside


def back_up(folder: Path, goal: Path) -> int:
    """Record and kept files into the folder `goal`; how many files were new there. Say --store GOAL to look into it."""
    if goal.exists() and not goal.is_dir():
        raise CannotWrite(f"{goal}: a file of that name is there; name a folder")
    if goal.resolve() == folder.resolve():
        raise WrongUse(f"{goal}: the record itself; name another folder")
    new = 0
    with store.opened(folder) as connection, store.told(goal):
        goal.mkdir(parents=True, mode=0o700, exist_ok=True)
        for (sha256,) in connection.execute("SELECT DISTINCT sha256 FROM file ORDER BY sha256").fetchall():
            new += _carried(folder, goal, sha256)
        copy = keep_copy(connection, goal, "coming")
        copy.replace(goal / store.FILE)
        (goal / FOLDER).rmdir() if not any((goal / FOLDER).iterdir()) else None
    return new


def _carried(folder: Path, goal: Path, sha256: str) -> bool:
    if kept_path(goal, sha256).exists():
        return False
    keep_bytes(goal, kept_bytes(folder, sha256))
    return True
