"""Bevelled shims as solids: closed by manifold3d and trimesh, valid by lib3mf, as high as the contact model says."""

from dataclasses import replace
from pathlib import Path

import manifold3d
import numpy as np
import pytest
import trimesh
from fit_fixture import best_setup, example_pad
from test_templates import bevelled

from shimwright.export.shim_parts import ShimPart, shim_parts
from shimwright.export.solids import bevelled_solid, write_solids

PARTS = shim_parts(example_pad(), best_setup())
NOTCHED = replace(
    PARTS[0],
    outline=np.array([[-100.0, 40.0], [0.0, 40.0], [0.0, 120.0], [-45.0, 120.0], [-50.0, 80.0], [-100.0, 118.0]]),
)


def flat_grid(part: ShimPart) -> np.ndarray:
    low, high = part.outline.min(axis=0), part.outline.max(axis=0)
    axes = [np.linspace(a + 0.7, b - 0.9, 41) for a, b in zip(low, high, strict=True)]
    return np.stack(np.meshgrid(*axes), axis=-1).reshape(-1, 2)


@pytest.mark.parametrize("part", [*PARTS, NOTCHED], ids=lambda part: part.name)
def test_height_is_the_contact_models_shape(part: ShimPart) -> None:
    """Rays from above against t · min(1, d / 5t); at a reflex corner the cone has 64 sides: 0.12 % of its radius."""
    solid = bevelled_solid(part)
    mesh = trimesh.Trimesh(solid.points_mm, solid.triangles, process=False)
    flat = flat_grid(part)
    expected = bevelled(part.outline, part.thickness_mm, flat)
    inside = expected > 0.02
    corner = np.array([(-part.outline[:, 1]).min(), part.outline[:, 0].min()])
    at = np.column_stack([-flat[:, 1], flat[:, 0]]) - corner
    heights = top_of(mesh, at[inside])
    assert np.abs(heights - expected[inside]).max() < 0.01


def top_of(mesh: trimesh.Trimesh, at: np.ndarray) -> np.ndarray:
    """Highest point of the mesh above (n, 2) points: barycentric over every triangle."""
    top = np.zeros(len(at))
    for a, b, c in mesh.triangles:
        matrix = np.column_stack([b[:2] - a[:2], c[:2] - a[:2]])
        if abs(np.linalg.det(matrix)) < 1e-12:
            continue
        u, v = np.linalg.solve(matrix, (at - a[:2]).T)
        hit = (u >= -1e-9) & (v >= -1e-9) & (u + v <= 1 + 1e-9)
        top[hit] = np.maximum(top[hit], a[2] + u[hit] * (b[2] - a[2]) + v[hit] * (c[2] - a[2]))
    return top


def test_files_are_closed_and_named(tmp_path: Path) -> None:
    write_solids(PARTS, tmp_path)
    files = sorted(tmp_path.glob("*.stl"))
    assert len(files) == len(PARTS)
    for file in files:
        mesh = trimesh.load_mesh(file)
        assert mesh.is_watertight
        assert mesh.is_winding_consistent
        assert mesh.volume > 0
        again = manifold3d.Manifold(manifold3d.Mesh(mesh.vertices.astype(np.float32), mesh.faces.astype(np.uint32)))
        assert again.status() == manifold3d.Error.NoError
        assert again.volume() == pytest.approx(mesh.volume, rel=1e-4)
        assert mesh.bounds[0] == pytest.approx([0.0, 0.0, 0.0], abs=0.01)


def test_3mf_by_the_reference_library(tmp_path: Path) -> None:
    lib3mf = pytest.importorskip("lib3mf")
    write_solids(PARTS, tmp_path)
    wrapper = lib3mf.get_wrapper()
    model = wrapper.CreateModel()
    reader = model.QueryReader("3mf")
    reader.SetStrictModeActive(True)
    reader.ReadFromFile(str(tmp_path / "shims.3mf"))
    assert reader.GetWarningCount() == 0
    assert model.GetUnit() == lib3mf.ModelUnit.MilliMeter
    objects, names = model.GetMeshObjects(), []
    while objects.MoveNext():
        mesh = objects.GetCurrentMeshObject()
        names.append(mesh.GetName())
        assert mesh.IsManifoldAndOriented()
    assert names == [part.name for part in PARTS]


def test_the_same_pieces_give_the_same_bytes(tmp_path: Path) -> None:
    for folder in ("a", "b"):
        (tmp_path / folder).mkdir()
        write_solids(PARTS, tmp_path / folder)
    for file in (tmp_path / "a").iterdir():
        assert file.read_bytes() == (tmp_path / "b" / file.name).read_bytes()


def test_no_pieces_no_files(tmp_path: Path) -> None:
    write_solids((), tmp_path)
    assert list(tmp_path.iterdir()) == []
