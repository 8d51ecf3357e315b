"""Readers for the tests of `apart`: they must be found by name in a process of their own."""

import os
import time
from pathlib import Path


def sleeps(path: Path) -> int:
    """Two seconds by the clock and no work, as on a computer that is busy with something else."""
    time.sleep(2.0)
    return path.stat().st_size


def spins(path: Path) -> int:
    """Works without end, as a native parser does in a damaged file."""
    while path:
        pass
    return 0


def chatters(path: Path) -> int:
    """Writes to both streams from below Python, as native parsers do."""
    os.write(1, b"warning: odd")
    os.write(2, b"warning: odd")
    return path.stat().st_size
