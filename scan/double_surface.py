"""Two surfaces where there should be one: the horse shifted while it was scanned (DESIGN §5).

Two layers d apart, mixed evenly into noise, leave a fourth cumulant of −d⁴/8 whatever the noise; noise alone, and
hair, leave none or a positive one. It is pooled over blocks of 30 mm.
"""

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter

from shimwright.scan.raw import FloatArray
from shimwright.scan.surface import Surface
from shimwright.scan.trunk_cells import Cells

BLOCK_CELLS = 6  # 30 mm
POOL_BLOCKS = 5  # a shift shows over more than a hand's breadth
LEAST_POINTS = 40  # in a pool
CERTAIN = 6.0  # sd of the pooled cumulant under noise alone
LEAST_MM = 3.0  # closer layers change no shim
NEAR_MM = 30.0
WITHIN_MM = (-550.0, -80.0)  # about the saddle: farther on a mane, farther back a rug or a tail are two layers too


@dataclass(frozen=True)
class DoubleSurface:
    """apart_mm: distance of the layers where they show wide (nine tenths), NaN where there is one only.

    x_mm, phi: where it is plainest.
    """

    apart_mm: float
    x_mm: float
    phi: float


def find_double_surface(cells: Cells, off: FloatArray, surface: Surface, independent: float = 1.0) -> DoubleSurface:
    """The plainest double surface among the points of `cells`, which lie `off` (n,) mm outside `surface`.

    independent: share of the points that was measured on its own (samples of a mesh are not).
    """
    none = DoubleSurface(np.nan, np.nan, np.nan)
    if not surface.seen.any():
        return none
    count, second, fourth = _moments(cells, off, surface.seen)
    n = _pooled(count)
    alone = n * independent
    with np.errstate(invalid="ignore", divide="ignore"):
        variance = _pooled(count * second) / n
        cumulant = _pooled(count * (fourth - 3.0 * second**2)) / n
        doubt = np.sqrt(24.0 / alone) * variance**2
        apart = 2.0 * np.maximum(-0.5 * cumulant, 0.0) ** 0.25
        plain = (alone >= LEAST_POINTS) & (-cumulant > CERTAIN * doubt) & (apart >= LEAST_MM)
    plain &= _about_the_saddle(surface.x_mm, plain.shape[0])[:, None]
    if not plain.any():
        return none
    p, q = np.unravel_index(int(np.where(plain, -cumulant / doubt, -np.inf).argmax()), plain.shape)
    middle = BLOCK_CELLS * (np.array([p, q]) + 0.5)
    at = np.minimum(middle.astype(int), np.array(plain.shape) * BLOCK_CELLS - 1)
    x = surface.x_mm[min(at[0], surface.x_mm.size - 1)]
    return DoubleSurface(
        float(np.percentile(apart[plain], 90.0)), float(x), float(surface.phi[min(at[1], surface.phi.size - 1)])
    )


def _about_the_saddle(x_mm: FloatArray, rows: int) -> NDArray[np.bool_]:
    """(rows,) which rows of blocks lie there."""
    x = x_mm[np.minimum(BLOCK_CELLS * np.arange(rows) + BLOCK_CELLS // 2, x_mm.size - 1)]
    return np.asarray((x >= WITHIN_MM[0]) & (x <= WITHIN_MM[1]))


def _moments(cells: Cells, off: FloatArray, seen: NDArray[np.bool_]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """(count, second, fourth) central moment, per block, of the distances of points near the seen surface."""
    sums = np.zeros((5, seen.shape[0] // BLOCK_CELLS + 1, seen.shape[1] // BLOCK_CELLS + 1))
    _sum_powers(cells.u, cells.v, off, seen, sums)
    count = sums[0]
    _, m1, m2, m3, m4 = sums / np.maximum(count, 1.0)
    return count, m2 - m1**2, m4 - 4.0 * m1 * m3 + 6.0 * m1**2 * m2 - 3.0 * m1**4


@njit(cache=True)
def _sum_powers(u, v, off, seen, sums):  # type: ignore[no-untyped-def]
    """Add off⁰ … off⁴ of every point to its block of sums (5, n, m)."""
    for k in range(off.size):
        i, j = int(np.rint(u[k])), int(np.rint(v[k]))
        if abs(off[k]) < NEAR_MM and seen[i, j]:  # no NaN is near
            power = 1.0
            for m in range(5):
                sums[m, i // BLOCK_CELLS, j // BLOCK_CELLS] += power
                power *= off[k]


def _pooled(block: FloatArray) -> FloatArray:
    """Sum over POOL_BLOCKS × POOL_BLOCKS blocks."""
    return np.asarray(uniform_filter(block, POOL_BLOCKS, mode="constant") * POOL_BLOCKS**2)
