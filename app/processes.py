"""What all processes beside ours need: how they are started, and mappings that can cross a pipe."""

import copyreg
import sys
from types import MappingProxyType
from typing import Any

METHOD = "forkserver" if sys.platform == "linux" else "spawn"  # elsewhere system libraries do not bear forking


def read_only(held: dict[Any, Any]) -> MappingProxyType[Any, Any]:
    """What told things hold their mappings in, made anew on the other side of the pipe."""
    return MappingProxyType(held)


copyreg.pickle(MappingProxyType, lambda held: (read_only, (dict(held),)))
