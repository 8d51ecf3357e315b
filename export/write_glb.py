"""The back and the saddle's underside with their pressures as GLB: metres, y up, +z forward (glTF 2.0 §3.4)."""

from pathlib import Path
from typing import Any

import numpy as np
import trimesh

from shimwright.export.coloured_mesh import ColouredMesh, back_mesh, underside_mesh, y_up
from shimwright.optimize.answer import Fit

VERTICES, INDICES = 34962, 34963  # glTF 2.0: ARRAY_BUFFER, ELEMENT_ARRAY_BUFFER
MM_PER_M = 1000.0


def write_pressure_glb(fit: Fit, path: Path, case: str = "mounted") -> None:
    """Two named meshes, `back` and `underside`, coloured by the pressure of the set-up (as found where there is none).

    Dark is much; the darkest colour is the case's highest pressure. Where nothing touches, a mesh keeps its own colour.
    """
    contact = fit.with_setup or fit.as_found
    most = max(float(np.nanmax(contact.cases[case].pressure_kpa)), 1.0)
    scene = trimesh.Scene()
    scene.add_geometry(_solid(back_mesh(fit.back.surface, contact, case, most)), "back", "back")
    scene.add_geometry(_solid(underside_mesh(contact, case, most)), "underside", "underside")
    path.write_bytes(scene.export(file_type="glb", tree_postprocessor=_finish))  # type: ignore[no-untyped-call]


def _finish(tree: dict[str, Any]) -> None:
    _matt(tree)
    _say_what_for(tree)


def _say_what_for(tree: dict[str, Any]) -> None:
    """glTF 2.0 §3.6.2.1: a view of vertices or of indices should say so."""
    for mesh in tree["meshes"]:
        for part in mesh["primitives"]:
            for accessor, target in (
                (part["indices"], INDICES),
                *((at, VERTICES) for at in part["attributes"].values()),
            ):
                tree["bufferViews"][tree["accessors"][accessor]["bufferView"]]["target"] = target


def _matt(tree: dict[str, Any]) -> None:
    """One material for all: without it a viewer takes the meshes for metal."""
    surface = {"baseColorFactor": [1.0, 1.0, 1.0, 1.0], "metallicFactor": 0.0, "roughnessFactor": 0.9}
    tree["materials"] = [{"name": "matt", "doubleSided": True, "pbrMetallicRoughness": surface}]
    for mesh in tree["meshes"]:
        for part in mesh["primitives"]:
            part["material"] = 0


def _solid(mesh: ColouredMesh) -> trimesh.Trimesh:
    opaque = np.full((len(mesh.colour), 1), 255, np.uint8)
    colours = np.hstack([mesh.colour, opaque])
    return trimesh.Trimesh(y_up(mesh.points_mm) / MM_PER_M, mesh.triangles, vertex_colors=colours, process=False)
