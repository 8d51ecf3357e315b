"""Flat things in a scan: the ground and walls."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shimwright.scan.raw import FloatArray

TRIALS = 300
MOST_PLANES = 6
BAND_CELLS = 1.0
LEAST_SHARE = 0.04
LEAST_BREADTH = 0.2  # of the scene's diagonal; a flank seen as flat is narrower [J]
ALIKE_COS = 0.95


@dataclass(frozen=True)
class Plane:
    """normal · p = offset, scan units; the normal points to where most of the scan lies. sd_deg: of the normal."""

    normal: FloatArray
    offset: float
    share: float
    sd_deg: float

    def height(self, points: FloatArray) -> FloatArray:
        """Signed distance of points (n, 3), positive towards the scanned things."""
        return points @ self.normal - self.offset


def take_planes(
    points: FloatArray, normals: FloatArray, cell: float, rng: np.random.Generator
) -> tuple[tuple[Plane, ...], NDArray[np.bool_]]:
    """Planes of a scene of cell means (k, 3) with unit normals; and which cells remain, (k,)."""
    left = np.ones(len(points), bool)
    diagonal = float(np.linalg.norm(np.ptp(points, axis=0)))
    planes: list[Plane] = []
    for _ in range(MOST_PLANES):
        index = np.flatnonzero(left)
        if index.size < 50:
            break
        plane = _largest(points[index], normals[index], cell, rng)
        if plane is None or not _is_flat(points[index], normals[index], plane, cell, diagonal):
            break
        if np.median(plane.height(points)) < 0:
            plane = Plane(-plane.normal, -plane.offset, plane.share, plane.sd_deg)
        planes.append(plane)
        left &= np.abs(plane.height(points)) > 1.5 * BAND_CELLS * cell
    return tuple(planes), left


def _largest(points: FloatArray, normals: FloatArray, cell: float, rng: np.random.Generator) -> Plane | None:
    """The plane through one cell and its normal that the most cells agree with, fitted to those."""
    few = rng.permutation(len(points))[:4000]
    trial = few[:TRIALS]
    offsets = np.einsum("ij,ij->i", normals[trial], points[trial])
    near = np.abs(normals[trial] @ points[few].T - offsets[:, None]) < BAND_CELLS * cell
    alike = np.abs(normals[trial] @ normals[few].T) > ALIKE_COS
    votes = (near & alike).sum(axis=1)
    best = int(votes.argmax())
    if votes[best] < max(LEAST_SHARE * few.size, 10):
        return None
    normal, offset = normals[trial[best]], float(offsets[best])
    mine = np.zeros(0, bool)
    for _ in range(3):
        mine = (np.abs(points @ normal - offset) < BAND_CELLS * cell) & (np.abs(normals @ normal) > ALIKE_COS)
        centre = points[mine].mean(axis=0)
        spread, axes = np.linalg.eigh(np.cov((points[mine] - centre).T))
        normal, offset = axes[:, 0], float(axes[:, 0] @ centre)
    sd = np.degrees(np.sqrt(max(spread[0], 0.0) / max(spread[1], 1e-30)))
    return Plane(normal, offset, float(mine.mean()), float(sd))


def _is_flat(points: FloatArray, normals: FloatArray, plane: Plane, cell: float, diagonal: float) -> bool:
    """Broad in both directions, and not the crown of a curve: widening the search adds nothing bent."""
    height = np.abs(plane.height(points))
    wide = (height < 4 * BAND_CELLS * cell) & (np.abs(normals @ plane.normal) > 0.85)
    inside = points[(height < BAND_CELLS * cell) & (np.abs(normals @ plane.normal) > ALIKE_COS)]
    along = np.linalg.svd(inside - inside.mean(axis=0), full_matrices=False)[2][:2]
    low, high = np.percentile(inside @ along.T, [5, 95], axis=0)
    return bool((high - low).min() > LEAST_BREADTH * diagonal and np.percentile(height[wide], 80) < 0.6 * cell)
