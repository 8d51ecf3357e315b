"""The back and the saddle's underside with their pressures as GLB: metres, y up, +z forward (glTF 2.0 §3.4)."""

from pathlib import Path
from typing import Any

import numpy as np
import trimesh
from numpy.typing import NDArray
from scipy.spatial import Delaunay, cKDTree

from shimwright.export.palette import ON_PAPER, pressure_colour
from shimwright.optimize.answer import Contact, Fit
from shimwright.scan.raw import FloatArray
from shimwright.scan.surface import Surface

MM_PER_M = 1000.0
TOUCHING_KPA = 0.1
LONGEST_EDGE = 1.9  # of the usual distance between nodes: longer triangles would bridge pockets of the outline
COLOURS = 64


def write_pressure_glb(fit: Fit, path: Path, case: str = "mounted") -> None:
    """Two named meshes, `back` and `underside`, coloured by the pressure of the set-up (as found where there is none).

    Dark is much; the darkest colour is the case's highest pressure. Where nothing touches, a mesh keeps its own colour.
    """
    contact = fit.with_setup or fit.as_found
    most = max(float(contact.cases[case].pressure_kpa.max()), 1.0)
    scene = trimesh.Scene()
    scene.add_geometry(_back(fit.back.surface, contact, case, most), "back", "back")
    scene.add_geometry(_underside(contact, case, most), "underside", "underside")
    path.write_bytes(scene.export(file_type="glb", tree_postprocessor=_matt))  # type: ignore[no-untyped-call]


def _matt(tree: dict[str, Any]) -> None:
    """One material for all: without it a viewer takes the meshes for metal."""
    surface = {"baseColorFactor": [1.0, 1.0, 1.0, 1.0], "metallicFactor": 0.0, "roughnessFactor": 0.9}
    tree["materials"] = [{"name": "matt", "doubleSided": True, "pbrMetallicRoughness": surface}]
    for mesh in tree["meshes"]:
        for part in mesh["primitives"]:
            part["material"] = 0


def _metres_y_up(points_mm: FloatArray) -> FloatArray:
    """Back frame (forward, left, up) → glTF (left, up, forward): a turn, no mirror."""
    return points_mm[:, [1, 2, 0]] / MM_PER_M


def _coloured(points: FloatArray, triangles: NDArray[np.int64], colours: NDArray[np.uint8]) -> trimesh.Trimesh:
    return trimesh.Trimesh(_metres_y_up(points), triangles, vertex_colors=colours, process=False)


def _back(surface: Surface, contact: Contact, case: str, most: float) -> trimesh.Trimesh:
    x, phi = np.meshgrid(surface.x_mm, surface.phi, indexing="ij")
    points = surface.point(x, phi).reshape(-1, 3)
    number = np.arange(points.shape[0]).reshape(x.shape)
    a, b, c, d = number[:-1, :-1], number[1:, :-1], number[1:, 1:], number[:-1, 1:]
    triangles = np.concatenate([np.stack(t, -1).reshape(-1, 3) for t in ((a, b, c), (a, c, d))])
    seen = np.asarray(np.isfinite(points).all(axis=1))
    triangles = triangles[seen[triangles].all(axis=1)]
    used, index = np.unique(triangles, return_inverse=True)
    at = points[used]
    pressure = _pressure_at(surface, at, contact, case)
    return _coloured(at, index.reshape(-1, 3), _colours(pressure, most, ON_PAPER.ground))


def _pressure_at(surface: Surface, at: FloatArray, contact: Contact, case: str) -> FloatArray:
    """Pressure of the nearest node above each point, 0 where none is near: nodes and points by station and arc."""
    nodes = contact.nodes_mm
    tree = cKDTree(_station_and_arc(surface, nodes))
    spacing = float(np.sqrt(np.median(contact.area_mm2)))
    distance, nearest = tree.query(_station_and_arc(surface, at))
    return np.where(distance < spacing, contact.cases[case].pressure_kpa[nearest], 0.0)


def _station_and_arc(surface: Surface, points: FloatArray) -> FloatArray:
    x, phi, _ = surface.polar(points)
    radius = surface.radius(x, phi)
    return np.column_stack([x, phi * np.where(np.isfinite(radius), radius, 0.0)])


def _underside(contact: Contact, case: str, most: float) -> trimesh.Trimesh:
    triangles = np.concatenate([_net(contact, side) for side in (1.0, -1.0)])
    return _coloured(contact.nodes_mm, triangles, _colours(contact.cases[case].pressure_kpa, most, ON_PAPER.felt))


def _net(contact: Contact, side: float) -> NDArray[np.int64]:
    """Triangles over one panel's nodes, in the flat."""
    mine = np.flatnonzero(contact.side == side)
    flat = contact.flat_mm[mine]
    triangles = Delaunay(flat).simplices
    edges = np.linalg.norm(flat[triangles] - flat[np.roll(triangles, 1, axis=1)], axis=2).max(axis=1)
    short = edges < LONGEST_EDGE * float(np.sqrt(np.median(contact.area_mm2[mine])))
    return np.asarray(mine[triangles[short]], np.int64)


def _colours(pressure: FloatArray, most: float, bare: str) -> NDArray[np.uint8]:
    """(n, 4) with full opacity, linear as glTF wants vertex colours (§3.9.2)."""
    table = np.array([_rgba(pressure_colour(i / (COLOURS - 1))) for i in range(COLOURS)], np.uint8)
    step = np.clip(np.rint(pressure / most * (COLOURS - 1)), 0, COLOURS - 1).astype(int)
    return np.where((pressure > TOUCHING_KPA)[:, None], table[step], np.array(_rgba(bare), np.uint8))


def _rgba(colour: str) -> tuple[int, int, int, int]:
    """`#rrggbb` in sRGB → linear light, IEC 61966-2-1, in 255ths."""
    share = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255.0
    linear = np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)
    red, green, blue = (int(value) for value in np.rint(255.0 * linear))
    return red, green, blue, 255
