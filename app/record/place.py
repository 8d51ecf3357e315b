"""Where the record lies: told, else the folder of one's own data by the XDG rule."""

import os
from pathlib import Path

STORE = "SHIMWRIGHT_STORE"


def store_folder(told: Path | None = None) -> Path:
    """--store, then SHIMWRIGHT_STORE, then $XDG_DATA_HOME/shimwright, then ~/.local/share/shimwright.

    XDG Base Directory Specification 0.8: a relative XDG_DATA_HOME is to be ignored.
    """
    if told is not None:
        return told
    if named := os.environ.get(STORE):
        return Path(named).expanduser()
    home = Path(os.environ.get("XDG_DATA_HOME") or "")
    return (home if home.is_absolute() else Path.home() / ".local" / "share") / "shimwright"
