"""From a file's points to the horse's: strays, ground, walls and clutter taken away. Scan units, scan axes."""

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from shimwright.scan.mesh_points import mesh_points
from shimwright.scan.planes import Plane, take_planes
from shimwright.scan.raw import FloatArray, RawScan
from shimwright.scan.refusal import InputRefused
from shimwright.scan.thin import IndexArray, Thinned, bounds, thinned

LEAST_POINTS = 300
LEAST_CELLS = 250
CELLS_PER_DIAGONAL = 150.0
MOST = 1e12
FAR = 15.0  # times the median distance from the median point
REACH_CELLS = 1.8
THREAD_CELLS = 4.0
THREAD_NEAR = 30
THREAD_BREADTH = 0.03  # squared breadth over squared length of the nearest 30: a rope has 0.01, a rim 0.3 [J]
ALONE_SHARE = 0.18  # of the cells that a surface has near; a rim's corner has 0.25
PASSES = 3
VOLUME = 0.45  # squared thickness over squared width of what is near; a filled space has 0.5 [J]
SAME_SIZE = 0.7  # of the scene's diagonal: a body smaller than this is looked at again, closer
RIVAL = 0.2  # of the largest body's cells: as large as this, another one beside it may be the horse [J]
KEPT_PIECE = 0.25  # of the largest piece: a hole along the spine parts a scan in two


@dataclass(frozen=True)
class Cloud:
    """The horse's points, scan units and axes.

    points: (n, 3). cells: (k, 3), the same thinned to one point per cell of edge `cell`; cell_normals: (k, 3) unit,
    outward. cell_of_point: (n,) the cell each point lies in. planes: ground and walls that were taken away.
    rivals: how many other bodies of such a size were left out (0 where `clean` was asked for one of those).
    """

    points: FloatArray
    cell_of_point: IndexArray
    cells: FloatArray
    cell_normals: FloatArray
    cell: float
    planes: tuple[Plane, ...]
    messages: tuple[str, ...] = ()
    rivals: int = 0


def clean(raw: RawScan, rival: int = 0) -> Cloud:
    """The horse without strays, ground, walls and clutter: the largest body, or its rival-th rival.

    Refuses what holds too few points.
    """
    points = _near(mesh_points(raw.points, raw.faces))
    if len(points) < LEAST_POINTS:
        raise InputRefused(
            f"no back found: {raw.format} with {len(raw.points)} points read, at least {LEAST_POINTS} distinct "
            "points near each other are needed: scan the whole back"
        )
    before = len(points)
    planes: tuple[Plane, ...] = ()
    wanted, rivals = rival, 0
    for _ in range(PASSES):
        scene, cell = _cells(points, CELLS_PER_DIAGONAL)
        if len(scene.points) < LEAST_CELLS:
            raise _nothing_left(raw, np.ones(len(scene.points), bool), planes)
        horse = _horse(scene.points, cell, wanted)
        wanted = wanted - horse.rivals if wanted > horse.rivals else 0
        rivals += horse.rivals
        planes = (*planes, *horse.planes)
        if horse.body.sum() < LEAST_CELLS or scene.count[horse.body].sum() < LEAST_POINTS:
            raise _nothing_left(raw, horse.body, planes)
        points, cell_of_point = _of_body(points, scene.cell_of_point, horse.body)
        if _diagonal(scene.points[horse.body]) > SAME_SIZE * _diagonal(scene.points):
            break
    cells = scene.points[horse.body]
    outward = _outward(cells, horse.normals[horse.body])
    return Cloud(
        points=points,
        cell_of_point=cell_of_point,
        cells=cells,
        cell_normals=outward,
        cell=cell,
        planes=planes,
        messages=_said(before, len(points), planes),
        rivals=0 if rival else rivals,
    )


@dataclass(frozen=True)
class _Horse:
    """Planes among the cells of a scene; body: (k,) cells of the body wanted; normals: (k, 3); rivals: the others."""

    planes: tuple[Plane, ...]
    body: NDArray[np.bool_]
    normals: FloatArray
    rivals: int


def _horse(cells: FloatArray, cell: float, wanted: int) -> _Horse:
    normals = cell_normals(cells)
    planes, left = take_planes(cells, normals, cell, np.random.default_rng(0))
    body = np.zeros(len(left), bool)
    bodies = _bodies(cells[left], cell)
    if bodies:
        body[left] = bodies[wanted if wanted < len(bodies) else 0]
    return _Horse(planes, body, normals, max(len(bodies) - 1, 0))


def _of_body(points: FloatArray, cell_of_point: IndexArray, body: NDArray[np.bool_]) -> tuple[FloatArray, IndexArray]:
    """The points in the body's cells, and the cell of each counted among those."""
    if body.all():
        return points, cell_of_point
    place = np.where(body, np.cumsum(body, dtype=np.int32) - np.int32(1), np.int32(-1))[cell_of_point]
    mine = place >= 0
    return points[mine], place[mine]


def _diagonal(points: FloatArray) -> float:
    return float(np.linalg.norm(np.ptp(points, axis=0)))


def _nothing_left(raw: RawScan, body: NDArray[np.bool_], planes: tuple[Plane, ...]) -> InputRefused:
    flat = f", {len(planes)} flat surfaces taken away" if planes else ""
    return InputRefused(
        f"no back found: {raw.format} with {len(raw.points)} points read, {int(body.sum())} of {body.size} cells of "
        f"surface make one body{flat}, at least {LEAST_CELLS} are needed: scan the bare back itself, closely"
    )


def _said(before: int, after: int, planes: tuple[Plane, ...]) -> tuple[str, ...]:
    flat = f", {len(planes)} flat (ground or wall)" if planes else ""
    return (f"{before - after} of {before} points left out as strays or clutter{flat}",) if after < before else ()


def _near(points: FloatArray) -> FloatArray:
    """Finite points that do not lie absurdly far from the bulk."""
    if len(points) and not (points.min() > -MOST and points.max() < MOST):  # false for NaN too
        points = points[(np.abs(points) < MOST).all(axis=1)]
    if len(points) < 3:
        return points
    few = points[:: max(len(points) // 20000, 1)]
    middle = np.median(few, axis=0)
    reach = FAR * np.median(np.linalg.norm(few - middle, axis=1))
    low, high = bounds(np.ascontiguousarray(points))
    if np.linalg.norm(np.maximum(middle - low, high - middle)) <= reach:  # the whole box lies near: nothing to look for
        return points
    offset = points - middle
    return np.asarray(points[np.einsum("ij,ij->i", offset, offset) <= reach * reach])


def _cells(points: FloatArray, per_diagonal: float) -> tuple[Thinned, float]:
    """Thinned so that a cell holds a few points: sparse scans get larger cells."""
    few = points[:: max(len(points) // 20000, 1)]
    low, high = np.percentile(few, [1, 99], axis=0)
    size = max(
        float(np.linalg.norm(high - low)) / per_diagonal, 1e-9 * max(-float(points.min()), float(points.max())), 1e-12
    )
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
    spread, axes = np.linalg.eigh(_scatter(cells, tree.query(cells, k=count)[1]))
    thickness = float(np.median(spread[:, 0] / np.maximum(spread[:, 1], 1e-300)))
    if thickness > VOLUME:
        raise InputRefused(
            f"no back found: the points fill a space instead of lying on a surface ({thickness:.2f} as thick as wide "
            f"from cell to cell, a surface has under {VOLUME}): scan the bare back"
        )
    return _outward(cells, axes[:, :, 0])


@njit(cache=True)
def _scatter(points: FloatArray, near: NDArray[np.intp]) -> FloatArray:
    """(k, 3, 3): summed products of the offsets of points[near[k]] from their own mean."""
    k, count = near.shape
    out, middle = np.zeros((k, 3, 3)), np.empty(3)
    for row in range(k):
        middle[:] = 0.0
        for other in near[row]:
            for i in range(3):
                middle[i] += points[other, i] / count
        for other in near[row]:
            for i in range(3):
                for j in range(3):
                    out[row, i, j] += (points[other, i] - middle[i]) * (points[other, j] - middle[j])
    return out


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


def _bodies(cells: FloatArray, cell: float) -> list[NDArray[np.bool_]]:
    """Bodies as masks (k,), largest first: connected pieces, with those nearly as large close to them; no threads.

    Judged on cells twice as large: there a rope is a line, with far fewer cells near it than a surface has. Pieces
    much smaller than the largest are left out.
    """
    if not len(cells):
        return []
    wide = thinned(cells, 2 * cell)
    solid = _solid(wide.points, wide.size)
    if not solid.any():
        return []
    pairs = cKDTree(wide.points).query_pairs(REACH_CELLS * wide.size, output_type="ndarray")
    pairs = pairs[solid[pairs].all(axis=1)]
    graph = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(solid), len(solid)))
    piece = connected_components(graph, directed=False)[1]
    piece = np.where(solid, piece, -1)
    size = np.bincount(piece[solid], minlength=piece.max() + 1)
    left = [int(i) for i in np.argsort(-size) if size[i] >= RIVAL * size.max()]
    bodies = []
    while left:
        mine = _joined(wide.points, piece, size, left)
        left = [i for i in left if i not in mine]
        bodies.append(np.asarray(np.isin(piece, mine)[wide.cell_of_point]))
    return bodies


def _joined(points: FloatArray, piece: IndexArray, size: NDArray[np.intp], left: list[int]) -> list[int]:
    """The first of the pieces left, and those nearly as large that lie close to it."""
    first = points[piece == left[0]]
    tree, diagonal = cKDTree(first), float(np.linalg.norm(np.ptp(first, axis=0)))
    large = [i for i in left[1:] if size[i] >= KEPT_PIECE * size[left[0]]]
    return [left[0], *(i for i in large if tree.query(points[piece == i])[0].min() < 0.08 * diagonal)]


def _solid(points: FloatArray, cell: float) -> NDArray[np.bool_]:
    """Cells that lie on something as broad as a surface: not on a thread, and not alone."""
    tree = cKDTree(points)
    near = tree.query_ball_point(points, THREAD_CELLS * cell, return_length=True)
    spread = np.linalg.eigvalsh(_scatter(points, tree.query(points, k=min(THREAD_NEAR, len(points)))[1]))
    broad = spread[:, 1] > THREAD_BREADTH * spread[:, 2]
    return np.asarray(broad & (near >= ALONE_SHARE * np.median(near)))
