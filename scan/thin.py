"""One point per cell of an even grid: what the rough work on a large cloud is done with."""

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from shimwright.scan.raw import FloatArray

IntArray = NDArray[np.int64]


@dataclass(frozen=True)
class Thinned:
    """cell_of_point: (n,) index into points. points: (k, 3) mean of each cell. count: (k,). size: edge of a cell."""

    cell_of_point: IntArray
    points: FloatArray
    count: IntArray
    size: float


def thinned(points: FloatArray, size: float) -> Thinned:
    """Mean point of every occupied cell of edge `size`. Linear in n."""
    origin = points.min(axis=0)
    room = 1 << int(np.ceil(np.log2(2 * len(points) + 2)))
    cell, total, count = _fill(np.ascontiguousarray(points), origin, 1.0 / size, room)
    return Thinned(cell, total / count[:, None], count, size)


@njit(cache=True)
def _fill(points: FloatArray, origin: FloatArray, per_size: float, room: int) -> tuple[IntArray, FloatArray, IntArray]:
    """Open-addressed hash of the cells, filled in one pass. room: a power of two above the number of cells."""
    n = points.shape[0]
    slot_key = np.full(room, -1, np.int64)
    slot_cell = np.empty(room, np.int64)
    cell = np.empty(n, np.int64)
    total = np.empty((n, 3))
    count = np.empty(n, np.int64)
    cells = 0
    mask = room - 1
    for p in range(n):
        i = np.int64((points[p, 0] - origin[0]) * per_size)
        j = np.int64((points[p, 1] - origin[1]) * per_size)
        k = np.int64((points[p, 2] - origin[2]) * per_size)
        key = (i << 42) | (j << 21) | k
        slot = ((i * 73856093) ^ (j * 19349663) ^ (k * 83492791)) & mask
        while slot_key[slot] != -1 and slot_key[slot] != key:
            slot = (slot + 1) & mask
        if slot_key[slot] == -1:
            slot_key[slot] = key
            slot_cell[slot] = cells
            total[cells] = 0.0
            count[cells] = 0
            cells += 1
        c = slot_cell[slot]
        cell[p] = c
        count[c] += 1
        total[c, 0] += points[p, 0]
        total[c, 1] += points[p, 1]
        total[c, 2] += points[p, 2]
    return cell, total[:cells].copy(), count[:cells].copy()
