"""Binary messages for the page: a header of JSON, then plain little-endian arrays that the browser reads in place."""

import json
import struct
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

TYPES = {"f": "<f4", "i": "<u4", "u": "<u4", "b": "<f4"}


def framed(kind: str, header: Mapping[str, object], arrays: Mapping[str, NDArray[np.generic]]) -> bytes:
    """uint32 length of the header, the header padded with spaces to a multiple of 4, the arrays one after another.

    The header lists each array as [name, "f4" | "u4", count]. NaN stays NaN.
    """
    packed = {name: np.ascontiguousarray(array, dtype=TYPES[array.dtype.kind]) for name, array in arrays.items()}
    listed = [[name, array.dtype.str[1:], int(array.size)] for name, array in packed.items()]
    text = json.dumps({"t": kind, **header, "arrays": listed}, separators=(",", ":"), allow_nan=False).encode()
    text += b" " * (-len(text) % 4)
    return b"".join([struct.pack("<I", len(text)), text, *(array.tobytes() for array in packed.values())])
