"""Points of a mesh: its vertices, welded, and samples of triangles that are coarser than the wanted spacing."""

import numpy as np
from numba import njit
from numpy.typing import NDArray

from shimwright.scan.raw import FloatArray
from shimwright.scan.thin import bounds, thinned

SPACINGS_PER_DIAGONAL = 170.0
FILLER_EDGE = 6.0  # times the median edge: a triangle that bridges a hole shows nothing measured [J]
MOST_SAMPLES = 2_000_000
MOST_PARTS = 60  # along an edge
FARTHEST = 1e12


def mesh_points(points: FloatArray, faces: NDArray[np.int64] | None) -> FloatArray:
    """(k, 3): a cloud's points as they are; a mesh's welded vertices and even samples of its large triangles.

    Vertices that no face uses are kept out. Triangles far longer than the mesh's usual edge fill holes: no samples.
    """
    if faces is None or not len(faces):
        return points
    if not (points.min() > -FARTHEST and points.max() < FARTHEST):  # false for NaN too
        finite = np.asarray((np.abs(points) < FARTHEST).all(axis=1))
        faces = faces[finite[faces].all(axis=1)]
        if not len(faces):
            return points[finite]
    in_a_face = np.zeros(len(points), bool)
    in_a_face[faces] = True
    used = points[in_a_face]
    low, high = np.percentile(used, [1, 99], axis=0)
    diagonal = max(float(np.linalg.norm(high - low)), 1e-30)
    lowest, highest = bounds(used)
    welded = thinned(used, 1e-6 * max(diagonal, float((highest - lowest).max()) * 1e-3)).points
    samples = _samples(points, faces, diagonal / SPACINGS_PER_DIAGONAL)
    return np.concatenate([welded, samples]) if len(samples) else welded


def _samples(points: FloatArray, faces: NDArray[np.int64], spacing: float) -> FloatArray:
    """Points inside triangles with an edge longer than the spacing, about one per spacing²."""
    longest = _longest_edges(points, faces)
    sound = longest <= FILLER_EDGE * np.median(longest)
    parts = np.minimum(np.where(sound, np.ceil(longest / spacing), 1.0), MOST_PARTS).astype(np.int8)
    kinds = np.bincount(parts)
    if kinds @ (np.arange(kinds.size) ** 2.0 / 2.0) > MOST_SAMPLES:
        return np.zeros((0, 3))
    large = [int(n) for n in np.flatnonzero(kinds) if n > 1]
    return np.concatenate([np.zeros((0, 3))] + [_inside(points[faces[parts == n]], n) for n in large])


@njit(cache=True)
def _longest_edges(points: FloatArray, faces: NDArray[np.int64]) -> FloatArray:
    """(m,) of every triangle. In a loop: the corners of ten million triangles alone would fill 0.7 GB."""
    out = np.empty(len(faces))
    for k in range(len(faces)):
        longest = 0.0
        for i in range(3):
            a, b = faces[k, i], faces[k, (i + 1) % 3]
            square = 0.0
            for axis in range(3):
                square += (points[a, axis] - points[b, axis]) ** 2
            longest = max(longest, square)
        out[k] = np.sqrt(longest)
    return out


def _inside(corners: FloatArray, parts: int) -> FloatArray:
    """(m · k, 3): centres of the parts × parts small triangles' rows, barycentric, edges left to the neighbours."""
    i, j = np.meshgrid(np.arange(parts), np.arange(parts), indexing="ij")
    keep = i + j < parts
    a, b = (i[keep] + 1 / 3) / parts, (j[keep] + 1 / 3) / parts
    weights = np.stack([1 - a - b, a, b], axis=1)
    return np.asarray(np.einsum("kc,mcd->mkd", weights, corners).reshape(-1, 3))
