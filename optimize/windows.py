"""Means over a 25 × 25 mm window, as one cell of a pressure mat sees it (reference.md §1, DESIGN §13 `peak_kpa`)."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.sparse import csr_array

from shimwright.optimize.underside import Underside
from shimwright.scan.raw import FloatArray

WINDOW_MM = 25.0


@dataclass(frozen=True)
class Windows:
    """means: (w, n) sparse, rows sum to 1: `means @ pressure` are all window means. along, side: (w,) of each
    centre.
    """

    means: csr_array
    along: FloatArray
    side: FloatArray


@lru_cache(maxsize=32)  # the same nodes are asked for with every set-up
def windows(panels: Underside, size_mm: float = WINDOW_MM) -> Windows:
    """Every window wholly on a panel, its sides along and across it, one grid spacing apart.

    Cells at a window's rim count by the share inside. A panel too small for any window has none.
    """
    n_s, n_t = panels.grid
    length = panels.panels.saddle.length_mm
    step = length / n_s
    widths = panels.panels.width_mm((np.arange(n_s) + 0.5) / n_s)
    starts = np.arange(0.0, length - size_mm + 1e-9, step)
    reach = (float(widths.max()) - size_mm) / 2
    centres = np.linspace(-reach, reach, max(int(2 * reach / step) + 1, 1)) if reach >= 0 else np.zeros(0)
    rows, columns, values, along = [], [], [], []
    count = 0
    for start in starts:
        part = _strip(start, step, widths, centres, size_mm, n_t)
        if part is None:
            continue
        row, column, value, kept = part
        rows.append(row + count)
        columns.append(column)
        values.append(value)
        along.append(np.full(kept, (start + size_mm / 2) / length))
        count += kept
    if not count:
        return Windows(csr_array((0, 2 * n_s * n_t)), np.zeros(0), np.zeros(0))
    row, column, value = (np.concatenate(parts) for parts in (rows, columns, values))
    both = csr_array(
        (np.tile(value, 2), (np.append(row, row + count), np.append(column, column + n_s * n_t))),
        shape=(2 * count, 2 * n_s * n_t),
    )
    return Windows(both, np.tile(np.concatenate(along), 2), np.repeat([1.0, -1.0], count))


def _strip(
    start: float, step: float, widths: FloatArray, centres: FloatArray, size: float, n_t: int
) -> tuple[FloatArray, FloatArray, FloatArray, int] | None:
    """Windows that begin `start` behind the front end: (window, node of one panel, weight), how many."""
    first, last = int(start / step + 1e-9), min(int(np.ceil((start + size) / step - 1e-9)), widths.size)
    narrow = float(widths[first:last].min())
    kept = centres[np.abs(centres) + size / 2 <= narrow / 2 + 1e-9]
    if not kept.size:
        return None
    row, column, value = [], [], []
    for r in range(first, last):
        deep = min(start + size, (r + 1) * step) - max(start, r * step)
        edges = (np.arange(n_t + 1) / n_t - 0.5) * widths[r]
        low, high = np.maximum(edges[:-1], kept[:, None] - size / 2), np.minimum(edges[1:], kept[:, None] + size / 2)
        wide = np.maximum(high - low, 0.0)
        w, j = np.nonzero(wide > 1e-12)
        row.append(w)
        column.append(r * n_t + j)
        value.append(deep * wide[w, j] / size**2)
    return np.concatenate(row), np.concatenate(column), np.concatenate(value), kept.size
