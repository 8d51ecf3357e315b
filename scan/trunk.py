"""The trunk in a cleaned scan: its long direction, its girth, and where neck and tail leave it. Any unit."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from shimwright.scan.raw import FloatArray
from shimwright.scan.refusal import InputRefused

LEAST_SQUARE = 0.5  # along : across, mean squared normals; a sphere has 1, a back under 0.2 [J]
NECK_SEEN = 0.15  # of the trunk's length: an end that rises so far above the back is a neck [J]
NECK_RISE = 0.045  # where the neck is cut off: the same, above the highest point behind [J]
TAIL_FALL = 0.12


@dataclass(frozen=True)
class Trunk:
    """along: unit (3,), sign open. mine: (k,) cells of the trunk's upper half. neck: +1, −1 or 0, the end that rises.

    square: how square the normals are to `along`, 0 = quite.
    """

    along: FloatArray
    mine: NDArray[np.bool_]
    neck: int
    square: float


def long_way(normals: FloatArray, up: FloatArray | None = None) -> tuple[FloatArray, float]:
    """The direction that unit normals (k, 3) are most nearly square to, horizontal where up is given.

    Returns it and the ratio of mean squared normals along it and along the next best. Caps and neck count less.
    """
    basis = np.eye(3) if up is None else np.linalg.svd(up[None])[2][1:]
    flat = normals @ basis.T
    along = flat[0]
    weight = np.ones(len(flat))
    for _ in range(6):
        axes = np.linalg.eigh((flat * weight[:, None]).T @ flat / weight.sum())[1]
        along = axes[:, 0]
        weight = 1 / (1 + ((flat @ along) / 0.2) ** 2)
    moments = np.linalg.eigvalsh(flat.T @ flat / len(flat))
    next_best = np.median(moments) if up is None else moments[-1]
    return along @ basis, float(np.mean((flat @ along) ** 2) / max(next_best, 1e-30))


def find_trunk(cells: FloatArray, normals: FloatArray, cell: float, up: FloatArray) -> Trunk:
    """The trunk of a cropped back or of a whole horse that stands upright along `up` (3,) unit."""
    starts = [long_way(normals, up)[0], _slab_direction(cells, up)]
    found = [_settled(cells, normals, cell, up, start) for start in starts]
    best = min(found, key=lambda trunk: trunk.square / max(trunk.mine.sum(), 1))
    if best.square > LEAST_SQUARE:
        raise InputRefused(
            f"no back found: the surface bends along as much as across ({best.square:.2f} : 1, a back under "
            f"{LEAST_SQUARE}): scan the bare back from neck to croup"
        )
    return best


def _slab_direction(cells: FloatArray, up: FloatArray) -> FloatArray:
    """Long direction of the middle heights: between a whole horse's legs and its head."""
    height = cells @ up
    low, high = np.percentile(height, [1, 99])
    slab = cells[(height > low + 0.5 * (high - low)) & (height < low + 0.68 * (high - low))]
    if len(slab) < 20:
        slab = cells
    basis = np.linalg.svd(up[None])[2][1:]
    flat = slab @ basis.T
    return np.asarray(np.linalg.eigh(np.cov(flat.T))[1][:, 1] @ basis)


def _settled(cells: FloatArray, normals: FloatArray, cell: float, up: FloatArray, along: FloatArray) -> Trunk:
    mine, neck, square = np.ones(len(cells), bool), 0, 1.0
    for _ in range(3):
        mine, neck = _cropped(cells, cell, up, along)
        if mine.sum() < 50:
            return Trunk(along, mine, 0, 1.0)
        new, square = long_way(normals[mine], up)
        along = new if new @ along > 0 else -new
    return Trunk(along, mine, neck, square)


def _cropped(cells: FloatArray, cell: float, up: FloatArray, along: FloatArray) -> tuple[NDArray[np.bool_], int]:
    """Cells of the trunk's upper part, and which end rises into a neck (+1, −1, 0 = none or both)."""
    x, z = cells @ along, cells @ up
    low, high = np.percentile(z, [1, 99])
    middle = (z > low + 0.5 * (high - low)) & (z < low + 0.68 * (high - low))
    start = float(np.median(x[middle])) if middle.sum() > 20 else float(np.median(x))
    length = float(np.diff(np.percentile(x[middle] if middle.sum() > 20 else x, [2, 98]))[0])
    edge = max(2 * cell, length / 80)
    bins = ((x - x.min()) / edge).astype(int)
    top = np.full(bins.max() + 1, np.nan)
    np.fmax.at(top, bins, z)
    seen = np.flatnonzero(np.isfinite(top))
    top = median_filter(np.interp(np.arange(top.size), seen, top[seen]), 3, mode="nearest")
    here = int((start - x.min()) / edge)
    front, up_front = _end(top, here, 1, edge, length)
    rear, up_rear = _end(top, here, -1, edge, length)
    ridge = top[np.clip(bins, 0, top.size - 1)]
    mine = (bins <= front) & (bins >= rear) & (ridge - z < 0.28 * length)
    return mine, int(up_front) - int(up_rear)


def _end(top: FloatArray, here: int, step: int, edge: float, length: float) -> tuple[int, bool]:
    """Bin where the trunk ends in one direction, and whether it ends in a rise."""
    behind = top[::step][max((here if step > 0 else top.size - 1 - here) - int(0.5 * length / edge), 0) :]
    path = behind[min(int(0.5 * length / edge), (here if step > 0 else top.size - 1 - here)) :]
    highest = behind[: max(len(behind) - len(path), 1)].max()
    is_neck = bool(path.max() > highest + NECK_SEEN * length)
    for i in range(len(path)):
        if is_neck and path[i] > highest + NECK_RISE * length:
            return here + step * i, True
        if path[i] < path[: i + 1].max() - TAIL_FALL * length:
            return here + step * max(i - 1, 0), False
    return here + step * (len(path) - 1), False


def girth_radius(cells: FloatArray, normals: FloatArray, along: FloatArray) -> float:
    """Radius of the circle about the long direction that points and normals agree on best, scan units."""
    basis = np.linalg.svd(along[None])[2][1:]
    p, n = cells @ basis.T, normals @ basis.T
    size = np.linalg.norm(n, axis=1)
    p, n = p[size > 0.7], n[size > 0.7] / size[size > 0.7][:, None]
    rows, reach = np.column_stack([n, np.ones(len(n))]), np.einsum("ij,ij->i", p, n)
    weight, solution = np.ones(len(n)), np.zeros(3)
    for _ in range(4):  # an arm or a rope must not count
        solution = np.linalg.lstsq(rows * weight[:, None], reach * weight, rcond=None)[0]
        off = np.abs(reach - rows @ solution)
        weight = 1 / np.sqrt(1 + (off / (1e-9 + 2 * np.median(off))) ** 2)
    return float(solution[2])
