"""The plane about which a body is most nearly its own mirror image."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from shimwright.scan.raw import FloatArray

WIDE_STEPS, STEPS = 11, 25
FEW_PAIRS, MOST_PAIRS = 800, 2500  # to choose among the starts, and to settle
ALIKE_COS = 0.6
WIDE_CELLS, REACH_CELLS = 16.0, 4.0


@dataclass(frozen=True)
class MirrorPlane:
    """normal · p = offset. rms: of the distance of mirrored points from the surface. overlap: share that met it."""

    normal: FloatArray
    offset: float
    rms: float
    overlap: float


def mirror_plane(
    points: FloatArray, normals: FloatArray, cell: float, starts: Sequence[FloatArray], through: FloatArray
) -> MirrorPlane:
    """The best of the mirror planes near those through a point (3,) with the normals `starts`, each (3,).

    points, normals: (k, 3), about one per cell. A third of the pairs is enough to choose among the starts.
    """
    body = _Body(cKDTree(points), points, normals, cell, through)
    order = np.random.default_rng(0).permutation(len(points))
    few, many = order[:FEW_PAIRS], order[:MOST_PAIRS]
    planes = [_settled(body, few, start / np.linalg.norm(start), 0.0, WIDE_STEPS) for start in starts]
    best = min(planes, key=lambda plane: plane.rms / max(plane.overlap, 0.01) ** 2)
    return _settled(body, many, best.normal, float(best.offset - best.normal @ through), 0)


@dataclass(frozen=True)
class _Body:
    tree: cKDTree
    points: FloatArray
    normals: FloatArray
    cell: float
    through: FloatArray


def _settled(body: _Body, some: NDArray[np.int64], m: FloatArray, d: float, wide_steps: int) -> MirrorPlane:
    """The plane (m, d about `through`) moved until mirrored points lie on the body.

    Mirrored points are drawn to the tangent planes of their nearest neighbours (point-to-plane registration of the
    body with its own mirror image), the far tenth left out; from farther away in the first `wide_steps`.
    """
    p, n = body.points[some] - body.through, body.normals[some]
    rms, overlap = np.inf, 0.0
    for step in range(STEPS):
        image = p - 2 * (p @ m - d)[:, None] * m
        image_n = n - 2 * (n @ m)[:, None] * m
        far, nearest = body.tree.query(image + body.through)
        q_n = body.normals[nearest]
        apart = np.einsum("ij,ij->i", image + body.through - body.points[nearest], q_n)
        reach = body.cell * (REACH_CELLS if step >= wide_steps else WIDE_CELLS)
        met = (far < reach) & (np.einsum("ij,ij->i", image_n, q_n) > ALIKE_COS)
        overlap = float(met.mean())
        if met.sum() < 50:
            break
        kept = met & (np.abs(apart) <= np.quantile(np.abs(apart[met]), 0.9))
        rms = float(np.sqrt(np.mean(apart[kept] ** 2)))
        turn, shift = _better(p[kept], q_n[kept], apart[kept], m, d)
        m = m + turn
        m, d = m / np.linalg.norm(m), d + shift
        if np.linalg.norm(turn) < 1e-5 and abs(shift) < 1e-3 * body.cell and step > wide_steps:
            break
    return MirrorPlane(m, float(d + m @ body.through), rms, overlap)


def _better(p: FloatArray, q_n: FloatArray, apart: FloatArray, m: FloatArray, d: float) -> tuple[FloatArray, float]:
    """Gauss–Newton step of the plane (turn of its normal, shift) that brings the mirrored points nearer."""
    across = np.linalg.svd(m[None])[2][1:]
    out = p @ m - d
    columns = [-2 * ((p @ e) * (q_n @ m) + out * (q_n @ e)) for e in across]
    jacobian = np.column_stack([*columns, 2 * (q_n @ m)])
    scale = np.linalg.norm(jacobian, axis=0) + 1e-30
    step = np.linalg.lstsq(jacobian / scale, -apart, rcond=1e-6)[0] / scale
    return step[0] * across[0] + step[1] * across[1], float(step[2])
