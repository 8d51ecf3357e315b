"""`make bench`: every row beside its peer, measured in the same run. Names on the command line pick files."""

import importlib
import sys

FILES = ("start", "survey", "contact", "search", "demo", "page", "kit", "sizes")


def main() -> None:
    for name in sys.argv[1:] or FILES:
        for row in importlib.import_module(name).rows():
            print(row.line(), flush=True)


if __name__ == "__main__":
    main()
