"""Start-up of the command line."""

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

from row import Row, median_seconds

COMMAND = str(Path(sys.executable).with_name("shimwright"))


def rows() -> Iterator[Row]:
    ours = median_seconds(lambda: subprocess.run([COMMAND, "--help"], check=True, capture_output=True))
    bare = median_seconds(lambda: subprocess.run([sys.executable, "-c", ""], check=True, capture_output=True))
    yield Row("shimwright --help", ours, "bare Python start", bare, "under 0.3 s")
