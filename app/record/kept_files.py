"""Scans and files beside the record, each once, named by the SHA-256 of its content."""

import os
from hashlib import sha256 as sha256_of
from pathlib import Path

from shimwright.scan.refusal import InputRefused

FOLDER = "files"


def kept_path(folder: Path, sha256: str) -> Path:
    return folder / FOLDER / sha256[:2] / sha256


def keep_bytes(folder: Path, content: bytes) -> str:
    """Write the content if it is not there yet, on the disk before this returns; its hash."""
    sha256 = sha256_of(content).hexdigest()
    goal = kept_path(folder, sha256)
    if goal.exists() and goal.stat().st_size == len(content):
        return sha256
    for place in (folder, folder / FOLDER, goal.parent):
        place.mkdir(mode=0o700, parents=True, exist_ok=True)
    coming = goal.with_name(f".{sha256}.{os.getpid()}")
    try:
        with os.fdopen(os.open(coming, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        coming.replace(goal)
    finally:
        coming.unlink(missing_ok=True)
    _sync_folder(goal.parent)
    return sha256


def kept_bytes(folder: Path, sha256: str) -> bytes:
    """The content. Raises InputRefused where it is gone or no longer what it was."""
    try:
        content = kept_path(folder, sha256).read_bytes()
    except FileNotFoundError:
        raise InputRefused(f"{kept_path(folder, sha256)}: this kept file is gone; put it back from a backup") from None
    if sha256_of(content).hexdigest() != sha256:
        raise InputRefused(f"{kept_path(folder, sha256)}: this kept file has changed; put it back from a backup")
    return content


def _sync_folder(folder: Path) -> None:
    """The name is on the disk too, where the system can say so."""
    if os.name != "posix":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
