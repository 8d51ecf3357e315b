"""From a file's points to the horse's: strays, ground, walls and clutter taken away. Scan units, scan axes."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from shimwright.scan.mesh_points import mesh_points
from shimwright.scan.planes import Plane, take_planes
from shimwright.scan.raw import FloatArray, RawScan
from shimwright.scan.refusal import InputRefused
from shimwright.scan.thin import thinned

LEAST_POINTS = 300
LEAST_CELLS = 250
CELLS_PER_DIAGONAL = 150.0
FAR = 15.0  # times the median distance from the median point
REACH_CELLS = 2.0
KEPT_PIECE = 0.25  # of the largest piece: a hole along the spine parts a scan in two


@dataclass(frozen=True)
class Cloud:
    """The horse's points, scan units and axes.

    points: (n, 3). normals: (n, 3) unit, outward, of the cell each point lies in. cells, cell_normals: (k, 3),
    the same thinned to one point per cell of edge `cell`. planes: ground and walls that were taken away.
    """

    points: FloatArray
    normals: FloatArray
    cells: FloatArray
    cell_normals: FloatArray
    cell: float
    planes: tuple[Plane, ...]
    messages: tuple[str, ...] = ()


def clean(raw: RawScan) -> Cloud:
    """The horse without strays, ground, walls and clutter. Refuses what holds too few points."""
    points = _near(mesh_points(raw.points, raw.faces))
    if len(points) < LEAST_POINTS:
        raise InputRefused(
            f"no back found: {raw.format} with {len(raw.points)} points read, at least {LEAST_POINTS} distinct "
            "points near each other are needed: scan the whole back"
        )
    scene, cell = _cells(points, CELLS_PER_DIAGONAL)
    normals = cell_normals(scene.points)
    planes, left = take_planes(scene.points, normals, cell, np.random.default_rng(0))
    body = np.zeros(len(left), bool)
    body[left] = _body(scene.points[left], cell)
    mine = body[scene.cell_of_point]
    if body.sum() < 50 or mine.sum() < LEAST_POINTS:
        flat = 100 * (1 - left.mean())
        raise InputRefused(
            f"no back found: {raw.format} with {len(raw.points)} points read, {flat:.0f} % of the seen surface is "
            f"flat ({len(planes)} planes) and the rest too little: scan the bare back itself"
        )
    points = points[mine]
    fine, cell = _cells(points, CELLS_PER_DIAGONAL)
    outward = cell_normals(fine.points)
    return Cloud(
        points=points,
        normals=outward[fine.cell_of_point],
        cells=fine.points,
        cell_normals=outward,
        cell=cell,
        planes=planes,
        messages=_said(len(mine), int(mine.sum()), planes),
    )


def _said(before: int, after: int, planes: tuple[Plane, ...]) -> tuple[str, ...]:
    flat = f", {len(planes)} flat (ground or wall)" if planes else ""
    return (f"{before - after} of {before} points left out as strays or clutter{flat}",) if after < before else ()


def _near(points: FloatArray) -> FloatArray:
    """Finite points that do not lie absurdly far from the bulk."""
    points = points[np.isfinite(points).all(axis=1) & (np.abs(points) < 1e12).all(axis=1)]
    if len(points) < 3:
        return points
    few = points[:: max(len(points) // 20000, 1)]
    middle = np.median(few, axis=0)
    reach = FAR * np.median(np.linalg.norm(few - middle, axis=1))
    offset = points - middle
    near = np.einsum("ij,ij->i", offset, offset) <= reach * reach
    return points if near.all() else points[near]


def _cells(points: FloatArray, per_diagonal: float):  # type: ignore[no-untyped-def]
    """Thinned so that a cell holds a few points: sparse scans get larger cells."""
    few = points[:: max(len(points) // 20000, 1)]
    low, high = np.percentile(few, [1, 99], axis=0)
    size = max(float(np.linalg.norm(high - low)) / per_diagonal, 1e-9 * float(np.abs(points).max()), 1e-12)
    cells = thinned(points, size)
    while np.median(cells.count) < 2 and len(cells.points) > 4 * LEAST_CELLS:
        size *= 1.4
        cells = thinned(points, size)
    return cells, size


def cell_normals(cells: FloatArray) -> FloatArray:
    """Unit normals (k, 3) of cell means from their 14 nearest, pointing away from the middle of what is near.

    A back is convex across: seen from the middle of the points within a sixth of the scan's size, outward is away.
    """
    tree = cKDTree(cells)
    count = min(14, len(cells))
    near = tree.query(cells, k=count)[1]
    offset = cells[near] - cells[near].mean(axis=1, keepdims=True)
    axes = np.linalg.eigh(np.einsum("kni,knj->kij", offset, offset))[1]
    return _outward(cells, axes[:, :, 0])


def _outward(cells: FloatArray, normals: FloatArray) -> FloatArray:
    away = np.einsum("ij,ij->i", cells - _local_middle(cells), normals)
    return np.asarray(np.where(away < 0, -1.0, 1.0)[:, None] * normals)


def _local_middle(cells: FloatArray) -> FloatArray:
    """(k, 3): mean of the cells in the slab across the long direction that each cell lies in."""
    middle = cells.mean(axis=0)
    long_way = np.linalg.eigh(np.cov((cells - middle).T))[1][:, 2]
    along = (cells - middle) @ long_way
    slab = np.clip(((along - along.min()) / max(np.ptp(along), 1e-30) * 8).astype(int), 0, 7)
    count = np.maximum(np.bincount(slab, minlength=8), 1)
    means = np.stack([np.bincount(slab, cells[:, i], 8) / count for i in range(3)], axis=1)
    return np.asarray(means[slab])


def _body(cells: FloatArray, cell: float) -> NDArray[np.bool_]:
    """The largest connected piece, and pieces nearly as large close to it; threads and strays left out."""
    if not len(cells):
        return np.zeros(0, bool)
    pairs = cKDTree(cells).query_pairs(REACH_CELLS * cell, output_type="ndarray")
    beside = np.bincount(pairs.ravel(), minlength=len(cells))
    solid = beside >= 0.4 * np.median(beside)
    pairs = pairs[solid[pairs].all(axis=1)]
    graph = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(cells), len(cells)))
    piece = connected_components(graph, directed=False)[1]
    size = np.bincount(piece[solid], minlength=piece.max() + 1)
    largest = int(size.argmax())
    kept = solid & (piece == largest)
    tree, diagonal = cKDTree(cells[kept]), float(np.linalg.norm(np.ptp(cells[kept], axis=0)))
    for other in np.flatnonzero((size >= KEPT_PIECE * size[largest]) & (np.arange(size.size) != largest)):
        also = solid & (piece == other)
        if tree.query(cells[also])[0].min() < 0.08 * diagonal:
            kept |= also
    return np.asarray(kept)
