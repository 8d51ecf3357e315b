"""USD and USDZ (extra `formats`): every mesh at its own pose, unit and up axis as the stage declares them."""

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from shimwright.scan.raw import FloatArray, Paint, RawScan
from shimwright.scan.read_apart import apart
from shimwright.scan.refusal import InputRefused

Mesh = tuple[FloatArray, NDArray[np.int64], FloatArray | None]
Stage = tuple[list[Mesh], float, str]


def read_usd(path: Path) -> RawScan:
    from pxr import Usd  # noqa: F401  a missing extra is told before a process is started

    meshes, metres_per_unit, up = apart(stage_meshes, path)
    if not meshes:
        raise InputRefused(f"{path.name}: read as USD, 0 meshes: nothing to measure; export the scan again")
    offsets = np.cumsum([0, *(len(points) for points, _, _ in meshes)])
    points = np.concatenate([points for points, _, _ in meshes])
    faces = np.concatenate([face + start for (_, face, _), start in zip(meshes, offsets, strict=False)])
    painted = [(p, rgb) for p, _, rgb in meshes if rgb is not None]
    return RawScan(
        points=points,
        faces=faces if len(faces) else None,
        normals=None,
        paint=Paint(
            np.concatenate([p for p, _ in painted]),
            np.rint(255 * np.concatenate([rgb for _, rgb in painted])).astype(np.uint8),
        )
        if painted
        else None,
        unit_mm=1000.0 * metres_per_unit,
        up=np.array([0.0, 0.0, 1.0]) if up == "Z" else np.array([0.0, 1.0, 0.0]),
        format="USD",
        file=path.name,
        sha256="",
    )


def stage_meshes(path: Path) -> Stage:
    """All meshes of the stage in world coordinates, triangulated as fans."""
    from pxr import Usd, UsdGeom

    stage = Usd.Stage.Open(str(path))
    cache = UsdGeom.XformCache(Usd.TimeCode.EarliestTime())
    meshes: list[Mesh] = []
    for prim in stage.Traverse():
        if not prim.IsA(UsdGeom.Mesh):
            continue
        mesh = UsdGeom.Mesh(prim)
        local = np.asarray(mesh.GetPointsAttr().Get(Usd.TimeCode.EarliestTime()), dtype=np.float64).reshape(-1, 3)
        world = np.asarray(cache.GetLocalToWorldTransform(prim), dtype=np.float64)
        points = local @ world[:3, :3] + world[3, :3]
        counts = np.asarray(mesh.GetFaceVertexCountsAttr().Get() or [], dtype=np.int64)
        corners = np.asarray(mesh.GetFaceVertexIndicesAttr().Get() or [], dtype=np.int64)
        meshes.append((points, _fans(counts, corners), _vertex_colours(mesh, len(points))))
    return meshes, UsdGeom.GetStageMetersPerUnit(stage), UsdGeom.GetStageUpAxis(stage)


def _fans(counts: NDArray[np.int64], corners: NDArray[np.int64]) -> NDArray[np.int64]:
    starts = np.concatenate([[0], np.cumsum(counts)[:-1]]) if len(counts) else counts
    triangles = [
        np.column_stack([corners[s], corners[s + k], corners[s + k + 1]])
        for k in range(1, int(counts.max(initial=2)) - 1)
        for s in [starts[counts > k + 1]]
    ]
    return np.concatenate(triangles) if triangles else np.empty((0, 3), dtype=np.int64)


def _vertex_colours(mesh: object, n: int) -> FloatArray | None:
    colours = mesh.GetDisplayColorAttr().Get()  # type: ignore[attr-defined]
    if colours is None or len(colours) != n:
        return None
    return np.asarray(colours, dtype=np.float64)
