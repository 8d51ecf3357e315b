"""`make bench`: every row beside its peer, measured in the same run. Names on the command line pick files."""

import importlib
import os
import sys

FILES = ("start", "survey", "contact", "search", "demo", "page", "kit", "sizes")


def main() -> None:
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command does
    for name in sys.argv[1:] or FILES:
        for row in importlib.import_module(name).rows():
            print(row.line(), flush=True)


if __name__ == "__main__":
    main()
