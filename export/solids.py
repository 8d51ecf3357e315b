"""Shims as solids for a slicer or a mill: flat face to the horse at z = 0, bevelled upper edge, mm.

The height is the contact model's own: t · min(1, d / 5t), d the distance to the outline (DESIGN §13).
"""

import re
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from manifold3d import CrossSection, Error, Manifold, Mesh64, OpType
from numpy.typing import NDArray
from shapely.geometry import Polygon
from shapely.geometry.polygon import orient

from shimwright.export.shim_parts import ShimPart
from shimwright.export.write_3mf import Solid, write_3mf
from shimwright.optimize.stacks import BEVEL
from shimwright.scan.raw import FloatArray

CIRCLE = 64  # corners of the cones that round a reflex corner
WELD_DIGITS = 4  # of a millimetre: files hold single precision
BETWEEN_MM = 10.0


def write_solids(parts: Sequence[ShimPart], folder: Path) -> None:
    """shims.3mf with one named object per piece, and an STL per piece. Nothing where there are no pieces."""
    if not parts:
        return
    solids = [bevelled_solid(part) for part in parts]
    for part, solid in zip(parts, solids, strict=True):
        write_stl(solid, folder / f"shim-{_file_name(part)}.stl")
    write_3mf(_side_by_side(solids), folder / "shims.3mf")


def bevelled_solid(part: ShimPart) -> Solid:
    """Closed, outward triangles. Forward is +y, left is −x, seen from above, the lower left corner at the origin.

    The straight prism less, along every edge, the hull of two cones that open upwards: what is nearer to the edge than
    5 × its height. Exact along straight edges, within 0.12 % of the radius at reflex corners.
    """
    outline = np.column_stack([-part.outline[:, 1], part.outline[:, 0]])
    outline = np.asarray(orient(Polygon(outline - outline.min(axis=0))).exterior.coords)[:-1]
    height = part.thickness_mm
    wedges = [_wedge(a, b, 2.0 * height) for a, b in zip(outline, np.roll(outline, -1, axis=0), strict=True)]
    prism = Manifold.extrude(CrossSection([outline]), height)
    mesh = Manifold.batch_boolean([prism, *wedges], OpType.Subtract).to_mesh64()
    points, triangles = _welded(np.asarray(mesh.vert_properties[:, :3]), np.asarray(mesh.tri_verts, np.int64))
    status = Manifold(Mesh64(points, triangles.astype(np.uint64))).status()
    if status != Error.NoError or len(triangles) == 0:
        raise ValueError(f"{part.name}: no closed solid ({status})")
    return Solid(part.name, points, triangles)


def _welded(points: FloatArray, triangles: NDArray[np.int64]) -> tuple[FloatArray, NDArray[np.int64]]:
    """Points that single precision cannot tell apart are one; triangles that vanish with that are left out."""
    merged, index = np.unique(points.round(WELD_DIGITS) + 0.0, axis=0, return_inverse=True)
    triangles = index.reshape(-1)[triangles]
    whole = (triangles != np.roll(triangles, 1, axis=1)).all(axis=1)
    return merged, triangles[whole]


def _wedge(a: FloatArray, b: FloatArray, height: float) -> Manifold:
    """All points nearer to the edge a–b than 5 × their height above it, up to a height."""
    along = (b - a) / np.linalg.norm(b - a)
    start = np.arctan2(along[0], -along[1])  # a corner of the circle square to the edge: its plane is exact
    angle = start + 2.0 * np.pi * np.arange(CIRCLE) / CIRCLE
    rim = BEVEL * height * np.column_stack([np.cos(angle), np.sin(angle)])
    points = [np.vstack([[*end, 0.0], np.column_stack([end + rim, np.full(CIRCLE, height)])]) for end in (a, b)]
    return Manifold.hull_points(np.vstack(points))


def write_stl(solid: Solid, path: Path) -> None:
    """Binary STL, mm (the format itself has no unit)."""
    corners = solid.points_mm[solid.triangles]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normals /= np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-30)
    facet = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])
    facets = np.zeros(len(corners), facet)
    facets["normal"], facets["corners"] = normals, corners
    header = f"shimwright {solid.name}, mm".encode("ascii", "replace")[:80].ljust(80)
    path.write_bytes(header + np.uint32(len(facets)).astype("<u4").tobytes() + facets.tobytes())


def _side_by_side(solids: Sequence[Solid]) -> tuple[Solid, ...]:
    """In a row along x, so that no two touch on the plate."""
    x, placed = 0.0, []
    for solid in solids:
        placed.append(Solid(solid.name, solid.points_mm + np.array([x, 0.0, 0.0]), solid.triangles))
        x += float(np.ptp(solid.points_mm[:, 0])) + BETWEEN_MM
    return tuple(placed)


def _file_name(part: ShimPart) -> str:
    pocket = re.sub(r"[^a-z0-9]+", "-", part.pocket.lower()).strip("-") or "pocket"
    return f"{pocket}-layer-{part.layer}"
