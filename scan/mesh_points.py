"""Points of a mesh: its vertices, welded, and samples of triangles that are coarser than the wanted spacing."""

import numpy as np
from numpy.typing import NDArray

from shimwright.scan.raw import FloatArray
from shimwright.scan.thin import thinned

SPACINGS_PER_DIAGONAL = 170.0
FILLER_EDGE = 6.0  # times the median edge: a triangle that bridges a hole shows nothing measured [J]
MOST_SAMPLES = 2_000_000


def mesh_points(points: FloatArray, faces: NDArray[np.int64] | None) -> FloatArray:
    """(k, 3): a cloud's points as they are; a mesh's welded vertices and even samples of its large triangles.

    Vertices that no face uses are kept out. Triangles far longer than the mesh's usual edge fill holes: no samples.
    """
    if faces is None or not len(faces):
        return points
    finite = np.asarray((np.abs(points) < 1e12).all(axis=1))
    faces = faces[finite[faces].all(axis=1)]
    if not len(faces):
        return points[finite]
    used = points[np.unique(faces)]
    low, high = np.percentile(used, [1, 99], axis=0)
    diagonal = max(float(np.linalg.norm(high - low)), 1e-30)
    welded = thinned(used, 1e-6 * max(diagonal, float(np.ptp(used, axis=0).max()) * 1e-3)).points
    samples = _samples(points, faces, diagonal / SPACINGS_PER_DIAGONAL)
    return np.concatenate([welded, samples]) if len(samples) else welded


def _samples(points: FloatArray, faces: NDArray[np.int64], spacing: float) -> FloatArray:
    """Points inside triangles with an edge longer than the spacing, about one per spacing²."""
    corners = points[faces]
    longest = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
    sound = longest <= FILLER_EDGE * np.median(longest)
    parts = np.where(sound, np.ceil(longest / spacing), 1).astype(int)
    parts = np.minimum(parts, 60)
    if (parts.astype(float) ** 2 / 2).sum() > MOST_SAMPLES:
        return np.zeros((0, 3))
    return np.concatenate([np.zeros((0, 3))] + [_inside(corners[parts == n], n) for n in np.unique(parts) if n > 1])


def _inside(corners: FloatArray, parts: int) -> FloatArray:
    """(m · k, 3): centres of the parts × parts small triangles' rows, barycentric, edges left to the neighbours."""
    i, j = np.meshgrid(np.arange(parts), np.arange(parts), indexing="ij")
    keep = i + j < parts
    a, b = (i[keep] + 1 / 3) / parts, (j[keep] + 1 / 3) / parts
    weights = np.stack([1 - a - b, a, b], axis=1)
    return np.asarray(np.einsum("kc,mcd->mkd", weights, corners).reshape(-1, 3))
