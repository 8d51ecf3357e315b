"""Numbers for JSON: rounded below their error, null where nothing is known, the same bytes every time."""

import json
import math
from collections.abc import Mapping
from importlib.metadata import version
from pathlib import Path

import numpy as np

MADE_BY = f"shimwright {version('shimwright')}"


def number(value: float | None, digits: int = 2) -> float | None:
    """Rounded; None for NaN, infinity and None; no negative zero.

    >>> number(1.23456), number(float("nan")), number(None), number(-0.001)
    (1.23, None, None, 0.0)
    """
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), digits) + 0.0


def figures(value: float, count: int = 3) -> float | None:
    """Rounded to significant figures, for what may be tiny.

    >>> figures(1.23456e-9), figures(0.0)
    (1.23e-09, 0.0)
    """
    return float(f"{value:.{count - 1}e}") if math.isfinite(value) else None


def plain(value: object, digits: int = 2) -> object:
    """Any mapping, sequence or array of words and numbers as JSON takes it.

    >>> plain({"a": (1.0, float("nan")), "b": np.array([[0.123, 2.0]])})
    {'a': [1.0, None], 'b': [[0.12, 2.0]]}
    """
    if value is None or isinstance(value, str | bool | int):
        return value
    if isinstance(value, np.bool_ | np.integer):
        return value.item()
    if isinstance(value, float | np.floating):
        return number(float(value), digits)
    if isinstance(value, Mapping):
        return {str(key): plain(item, digits) for key, item in value.items()}
    if isinstance(value, np.ndarray):
        if value.dtype.kind != "f":
            return plain(value.tolist(), digits)
        rounded = (np.round(value, digits) + 0.0).astype(object)
        rounded[~np.isfinite(value)] = None
        return rounded.tolist()
    if isinstance(value, list | tuple | set | frozenset):
        items = sorted(value, key=str) if isinstance(value, set | frozenset) else value
        return [plain(item, digits) for item in items]
    return str(value)


def json_line(document: Mapping[str, object]) -> str:
    """The document on one line, without a line end."""
    return json.dumps(document, ensure_ascii=False, allow_nan=False, separators=(", ", ": "))


def json_text(document: Mapping[str, object]) -> str:
    """One line per top key: readable, and small although it holds a surface."""
    rows = [
        f"{json.dumps(key)}: {json.dumps(value, ensure_ascii=False, allow_nan=False)}"
        for key, value in document.items()
    ]
    return "{\n" + ",\n".join(rows) + "\n}\n"


def write_json(document: Mapping[str, object], path: Path) -> None:
    path.write_text(json_text(document), encoding="utf-8", newline="\n")
