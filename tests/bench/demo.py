"""The whole demo: time and largest memory of one process."""

import resource
import subprocess
import tempfile
from collections.abc import Iterator

from row import Row, median_seconds
from start import COMMAND


def rows() -> Iterator[Row]:
    with tempfile.TemporaryDirectory() as folder:
        seconds = median_seconds(
            lambda: subprocess.run([COMMAND, "demo", "--out", folder], check=True, capture_output=True), 3
        )
    peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    yield Row("demo, all outputs", seconds, "", None, "under 10 s warm, under 1 GB", f"largest process {peak:.0f} MB")
