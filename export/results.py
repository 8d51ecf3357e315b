"""Results appear whole or not at all.

Files are written into a hidden folder first and moved in at the end, one rename each. What was there before is kept
until every new file is in place; any failure, full disk or interruption puts it back. A run that was killed in the
middle of moving is undone by the next one.
"""

import errno
import shutil
import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from shimwright.scan.refusal import CannotWrite

HIDDEN = ".shimwright-unfinished"
NEW, OLD, PLAN = "new", "old", "plan.txt"
STOPS = [getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]  # wishes to stop
REASONS = {
    errno.ENOSPC: "the disk is full",
    errno.EDQUOT: "the disk quota is used up",
    errno.EROFS: "it is on a read-only disk",
    errno.EACCES: "it is not yours to write in",
    errno.EPERM: "it is not yours to write in",
    errno.ENAMETOOLONG: "the name is too long",
    errno.EFBIG: "a file grew too large",
    errno.EEXIST: "there is something else of that name",
    errno.ENOTDIR: "a part of that name is a file, not a folder",
    errno.ENOENT: "there is no such place",
}


@contextmanager
def whole_results(folder: Path) -> Iterator[Path]:
    """A folder to write into; on leaving, its files (subfolders too) are moved to `folder`.

    Raises CannotWrite (exit 4) where that fails; then `folder` is as it was before.
    """
    try:
        made = _make_folder(folder)
    except OSError as error:
        raise _cannot_write(folder, error) from error
    hidden = folder / HIDDEN
    try:
        _undo(hidden, folder)
        (hidden / NEW).mkdir(parents=True)
        yield hidden / NEW
        with _undisturbed():
            _move_in(hidden, folder)
            made = ()
    except OSError as error:
        raise _cannot_write(folder, error) from error
    finally:
        try:
            with _undisturbed():
                _tidy(hidden, made)
        except KeyboardInterrupt:  # heard before it began
            _tidy(hidden, made)
            raise


@contextmanager
def _undisturbed() -> Iterator[None]:
    """A wish to stop is heard a moment later: moving takes milliseconds, and half of it must not be left."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    heard: list[int] = []
    before = {one: signal.signal(one, lambda number, _: heard.append(number)) for one in STOPS}
    try:
        yield
    finally:
        for one, handler in before.items():
            signal.signal(one, signal.SIG_DFL if handler is None else handler)
        for number in heard[:1]:
            signal.raise_signal(number)


def _cannot_write(folder: Path, error: OSError) -> CannotWrite:
    reason = REASONS.get(error.errno or 0, (error.strerror or str(error)).lower())
    room = "free some space or " if error.errno in (errno.ENOSPC, errno.EDQUOT) else ""
    return CannotWrite(
        f"cannot write results to {folder}: {reason}; nothing was changed there; {room}give another folder with --out"
    )


def _make_folder(folder: Path) -> tuple[Path, ...]:
    """The folders that had to be made, innermost first."""
    missing = [place for place in (folder, *folder.parents) if not place.exists()]
    for i, place in enumerate(reversed(missing)):
        try:
            place.mkdir()
        except OSError:
            for made in missing[len(missing) - i :]:
                made.rmdir()
            raise
    if not folder.is_dir():
        raise NotADirectoryError(errno.ENOTDIR, "there is a file of that name")
    return tuple(missing)


def _files_in(folder: Path) -> list[Path]:
    """Relative paths of all files, sorted."""
    return sorted(path.relative_to(folder) for path in folder.rglob("*") if path.is_file())


def _move_in(hidden: Path, folder: Path) -> None:
    """Keep the old file, then put the new one in its place, for each; all are undone if one fails."""
    new, old = hidden / NEW, hidden / OLD
    names = _files_in(new)
    for name in names:
        if (folder / name).is_dir():
            raise IsADirectoryError(errno.EISDIR, f"there is a folder called {name}")
    (hidden / PLAN).write_text("\n".join(name.as_posix() for name in names), encoding="utf-8")
    try:
        for name in names:
            if (folder / name).exists():
                (old / name).parent.mkdir(parents=True, exist_ok=True)
                (folder / name).replace(old / name)
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            (new / name).replace(folder / name)
    except BaseException:
        _undo(hidden, folder)
        raise
    (hidden / PLAN).unlink()


def _undo(hidden: Path, folder: Path) -> None:
    """Back to what was there before a move that did not finish; nothing to do where none was begun."""
    plan = hidden / PLAN
    if plan.exists():
        for line in plan.read_text(encoding="utf-8").splitlines():
            name = Path(line)
            if (hidden / OLD / name).exists():
                (hidden / OLD / name).replace(folder / name)
            elif not (hidden / NEW / name).exists():
                (folder / name).unlink(missing_ok=True)
        plan.unlink()
    if hidden.exists():
        shutil.rmtree(hidden)


def _tidy(hidden: Path, made: tuple[Path, ...]) -> None:
    """No trace of the work; folders that were made for nothing go too."""
    shutil.rmtree(hidden, ignore_errors=True)
    for place in made:
        if place.exists() and not any(place.iterdir()):
            place.rmdir()
