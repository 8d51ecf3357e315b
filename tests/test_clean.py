"""Cleaning against scenes whose parts are known: which points are kept, which planes are found."""

import numpy as np
import pytest

from shimwright.scan.clean import Cloud, clean
from shimwright.scan.mesh_points import mesh_points
from shimwright.scan.raw import FloatArray, RawScan
from shimwright.scan.refusal import InputRefused
from shimwright.scan.thin import thinned

from .plain_back import PlainBack, cloud


def back(n: int = 40_000, seed: int = 0) -> FloatArray:
    rng = np.random.default_rng(seed)
    return PlainBack().points(n, rng) + rng.normal(0, 1.0, (n, 3))


def kept(cleaned: Cloud, points: FloatArray) -> float:
    """Share of points that are still there (exact coordinates)."""
    there = {tuple(p) for p in cleaned.points}
    return sum(tuple(p) in there for p in points) / len(points)


def ground(rng: np.random.Generator, z: float, n: int = 15_000) -> FloatArray:
    xy = rng.uniform([-1800, -1500], [1500, 1500], (n, 2))
    return np.column_stack([xy, np.full(n, z) + rng.normal(0, 1.5, n)])


def test_a_clean_scan_is_left_alone() -> None:
    points = back()
    assert kept(clean(cloud(points)), points) > 0.99


def test_ground_and_wall_go_and_are_known() -> None:
    rng, horse = np.random.default_rng(1), back()
    floor = ground(rng, -1150.0)
    wall = ground(rng, 950.0)[:, [0, 2, 1]]
    cleaned = clean(cloud(np.concatenate([horse, floor, wall])))
    assert kept(cleaned, horse) > 0.99
    assert kept(cleaned, floor) < 0.01
    assert kept(cleaned, wall) < 0.01
    upright = [abs(plane.normal[2]) for plane in cleaned.planes]
    assert len(upright) == 2
    assert max(upright) > np.cos(np.radians(0.3))
    floor_plane = cleaned.planes[int(np.argmax(upright))]
    assert floor_plane.normal[2] > 0  # towards the horse
    assert floor_plane.offset == pytest.approx(-1150.0, abs=3.0)


def test_strays_a_far_cluster_and_absurd_coordinates_go() -> None:
    rng, horse = np.random.default_rng(2), back()
    strays, far = rng.normal(0, 1500, (500, 3)), rng.normal([9000, 0, 0], 300, (2000, 3))
    absurd = np.array([[1e30, 0, 0], [np.nan, 0, 0], [np.inf, 0, 0], [0, -1e300, 0]])
    cleaned = clean(cloud(np.concatenate([horse, strays, far, absurd])))
    assert kept(cleaned, horse) > 0.99
    assert kept(cleaned, far) == 0.0
    assert kept(cleaned, strays) < 0.1  # those inside the skin's own cells cannot be told
    assert np.isfinite(cleaned.points).all()


def test_a_rope_goes_beyond_a_hand_from_the_horse() -> None:
    rng, horse = np.random.default_rng(3), back()
    t, along = rng.uniform(0, 2 * np.pi, 1500), rng.uniform(0, 900, 1500)
    rope = np.column_stack([220 + 0.4 * along, 60 + 10 * np.cos(t) + 0.3 * along, -20 + 10 * np.sin(t) - 0.4 * along])
    cleaned = clean(cloud(np.concatenate([horse, rope])))
    assert kept(cleaned, horse) > 0.98
    assert kept(cleaned, rope[along > 300]) < 0.3


def test_two_flanks_parted_by_a_hole_along_the_spine_both_stay() -> None:
    horse = back()
    horse = horse[np.abs(horse[:, 1]) > 35]
    assert kept(clean(cloud(horse)), horse) > 0.98


def test_normals_point_out_of_the_horse() -> None:
    cleaned = clean(cloud(back()))
    outward = cleaned.cells - np.array([0.0, 0.0, -250.0]) * np.ones_like(cleaned.cells)
    outward[:, 0] = 0.0
    assert np.mean(np.einsum("ij,ij->i", outward, cleaned.cell_normals) > 0) > 0.995
    assert np.allclose(np.linalg.norm(cleaned.cell_normals, axis=1), 1.0)
    assert len(cleaned.cell_of_point) == len(cleaned.points)
    assert np.array_equal(np.unique(cleaned.cell_of_point), np.arange(len(cleaned.cells)))


@pytest.mark.parametrize(
    "points",
    [
        np.zeros((0, 3)),
        np.eye(3),
        np.ones((5000, 3)),
        np.column_stack([np.linspace(0, 1500, 5000), np.zeros((5000, 2))]),
        np.random.default_rng(0).normal(0, 300, (20_000, 3)),
        np.column_stack([np.random.default_rng(0).uniform(0, 1500, (20_000, 2)), np.zeros(20_000)]),
    ],
    ids=["empty", "three points", "one place", "a line", "a filled space", "a plane"],
)
def test_what_is_no_back_is_refused_with_numbers(points: FloatArray) -> None:
    with pytest.raises(InputRefused, match=r"no back found.*\d") as refusal:
        clean(cloud(points))
    assert "\n" not in refusal.value.message


def test_thinned_means_are_exact() -> None:
    rng = np.random.default_rng(5)
    points = rng.uniform(-500, 500, (20_000, 3))
    cells = thinned(points, 50.0)
    # numpy's own grouping of the same integer cells
    key = np.floor((points - points.min(axis=0)) / 50.0).astype(int)
    _, inverse, count = np.unique(key, axis=0, return_inverse=True, return_counts=True)
    assert len(cells.points) == len(count)
    assert cells.count.sum() == len(points)
    mean = np.stack([np.bincount(inverse.ravel(), points[:, i]) for i in range(3)], axis=1) / count[:, None]
    first = np.unique(inverse.ravel(), return_index=True)[1]
    assert np.allclose(cells.points[cells.cell_of_point[first]], mean)


def test_a_coarse_mesh_is_sampled_on_its_triangles_and_a_filler_is_not() -> None:
    corners = np.array([[0, 0, 0], [100, 0, 0], [0, 100, 0], [100, 100, 0], [50, 50, 5000]], float)
    faces = np.array([[0, 1, 2], [1, 3, 2]] * 3 + [[0, 1, 4]])
    points = mesh_points(corners, faces)
    assert len(points) > 20
    flat = points[points[:, 2] < 4000]
    assert np.abs(flat[:, 2]).max() == 0.0  # on the triangles, none on the long one


def test_seams_are_welded() -> None:
    corners = np.array([[0, 0, 0], [1, 0, 0], [0, 1, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]], float)
    assert len(mesh_points(corners * 1e-3, np.array([[0, 1, 2], [3, 4, 5]]))[:, 0]) >= 4
    assert len(np.unique(mesh_points(corners, np.array([[0, 1, 2], [3, 4, 5]])).round(9), axis=0)) == len(
        mesh_points(corners, np.array([[0, 1, 2], [3, 4, 5]]))
    )


def test_mesh_and_cloud_of_one_surface_clean_to_the_same_cells() -> None:
    x, t = np.meshgrid(np.linspace(-950, 230, 120), np.linspace(-1.7, 1.7, 90), indexing="ij")
    points = PlainBack().surface(x.ravel(), t.ravel())
    at = np.arange(points.shape[0]).reshape(x.shape)
    a, b, c, d = at[:-1, :-1].ravel(), at[1:, :-1].ravel(), at[1:, 1:].ravel(), at[:-1, 1:].ravel()
    faces = np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])])
    mesh = RawScan(points, faces, None, None, None, None, "OBJ", "m.obj", "")
    both = [clean(mesh), clean(cloud(points))]
    extents = [np.ptp(cleaned.cells, axis=0) for cleaned in both]
    assert np.allclose(extents[0], extents[1], atol=15.0)
