"""The plane about which a body is most nearly its own mirror image."""

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from shimwright.scan.raw import FloatArray

STEPS = 25
MOST_PAIRS = 2500
ALIKE_COS = 0.6
REACH_CELLS = 4.0


@dataclass(frozen=True)
class MirrorPlane:
    """normal · p = offset. rms: of the distance of mirrored points from the surface. overlap: share that met it."""

    normal: FloatArray
    offset: float
    rms: float
    overlap: float


def mirror_plane(
    points: FloatArray, normals: FloatArray, cell: float, start: FloatArray, through: FloatArray
) -> MirrorPlane:
    """The mirror plane near the one through a point (3,) with normal `start` (3,).

    points, normals: (k, 3), about one per cell. Mirrored points are drawn to the tangent planes of their nearest
    neighbours (point-to-plane registration of the body with its own mirror image), the far tenth left out.
    """
    tree = cKDTree(points)
    some = np.random.default_rng(0).permutation(len(points))[:MOST_PAIRS]
    p, n = points[some] - through, normals[some]
    m, d = start / np.linalg.norm(start), 0.0
    rms, overlap = np.inf, 0.0
    for step in range(STEPS):
        image = p - 2 * (p @ m - d)[:, None] * m
        image_n = n - 2 * (n @ m)[:, None] * m
        far, nearest = tree.query(image + through)
        q_n = normals[nearest]
        apart = np.einsum("ij,ij->i", image + through - points[nearest], q_n)
        reach = cell * (REACH_CELLS if step > 10 else 4 * REACH_CELLS)
        met = (far < reach) & (np.einsum("ij,ij->i", image_n, q_n) > ALIKE_COS)
        overlap = float(met.mean())
        if met.sum() < 50:
            break
        kept = met & (np.abs(apart) <= np.quantile(np.abs(apart[met]), 0.9))
        rms = float(np.sqrt(np.mean(apart[kept] ** 2)))
        turn, shift = _better(p[kept], q_n[kept], apart[kept], m, d)
        m = m + turn
        m, d = m / np.linalg.norm(m), d + shift
        if np.linalg.norm(turn) < 1e-5 and abs(shift) < 1e-3 * cell and step > 11:
            break
    return MirrorPlane(m, float(d + m @ through), rms, overlap)


def _better(p: FloatArray, q_n: FloatArray, apart: FloatArray, m: FloatArray, d: float) -> tuple[FloatArray, float]:
    """Gauss–Newton step of the plane (turn of its normal, shift) that brings the mirrored points nearer."""
    across = np.linalg.svd(m[None])[2][1:]
    out = p @ m - d
    columns = [-2 * ((p @ e) * (q_n @ m) + out * (q_n @ e)) for e in across]
    jacobian = np.column_stack([*columns, 2 * (q_n @ m)])
    scale = np.linalg.norm(jacobian, axis=0) + 1e-30
    step = np.linalg.lstsq(jacobian / scale, -apart, rcond=1e-6)[0] / scale
    return step[0] * across[0] + step[1] * across[1], float(step[2])
