"""The fitted surface against the exact one it was sampled from: error, its sd, holes, strays, a sharp ridge."""

import numpy as np
import pytest

from shimwright.scan.fit_surface import fit_surface
from shimwright.scan.surface import Surface
from shimwright.scan.trunk_cells import Cells, TrunkAxis, trunk_axis

LENGTH = 500.0
AXIS_MM = 250.0


def ridge_height(y: np.ndarray, sharp: float) -> np.ndarray:
    """A roof rounded over `sharp` mm at the ridge, on a wide curve."""
    return -0.6 * (np.sqrt(y**2 + sharp**2) - sharp) - y**2 / 700.0


def sample(count: int, sharp: float, rng: np.random.Generator) -> np.ndarray:
    """Exact points (count, 3), even in x and in the angle about the axis."""
    x, phi = rng.uniform(-LENGTH, 0.0, count), np.radians(rng.uniform(-112.0, 112.0, count))
    r = exact_radius(phi, sharp)
    return np.column_stack([x, r * np.sin(phi), -AXIS_MM + r * np.cos(phi)])


def exact_radius(phi: np.ndarray, sharp: float) -> np.ndarray:
    low, high = np.full(phi.shape, 1.0), np.full(phi.shape, 900.0)
    for _ in range(50):
        middle = 0.5 * (low + high)
        outside = -AXIS_MM + middle * np.cos(phi) > ridge_height(middle * np.sin(phi), sharp)
        low, high = np.where(outside, low, middle), np.where(outside, middle, high)
    return 0.5 * (low + high)


def axis() -> TrunkAxis:
    x = np.arange(-LENGTH, 1.0, 5.0)
    return trunk_axis(x, np.zeros(x.size), np.zeros(x.size), 800.0)


def radial_errors(surface: Surface, sharp: float) -> np.ndarray:
    inside = slice(6, -6), slice(6, -6)
    return (surface.radius_mm - exact_radius(surface.phi, sharp)[None])[inside]


def normal_share(sharp: float, surface: Surface) -> np.ndarray:
    """Cosine between radius and normal of the exact section, (n_phi,)."""
    step = 1e-5
    slope = (exact_radius(surface.phi + step, sharp) - exact_radius(surface.phi - step, sharp)) / (2.0 * step)
    return np.asarray(1.0 / np.hypot(1.0, slope / exact_radius(surface.phi, sharp)))


@pytest.mark.parametrize(("noise", "most"), [(0.0, 0.1), (0.3, 0.15), (1.5, 0.45)])
def test_sharp_ridge_stays_sharp(noise: float, most: float) -> None:
    """A ridge rounded over 20 mm, 2.4 mm point spacing: the crest is not smoothed off."""
    rng = np.random.default_rng(1)
    points = sample(60_000, 20.0, rng)
    surface = fit_surface(Cells.of(points + rng.normal(0.0, noise, points.shape), None, axis()), axis())
    crest = np.abs(np.degrees(surface.phi)) < 3.0
    error = surface.radius_mm[10:-10, crest] - exact_radius(surface.phi[crest], 20.0)
    assert np.sqrt(np.mean(error**2)) < most


def scatter_sd(surface: Surface) -> np.ndarray:
    """What the scatter of single points leaves, without the allowance for drift."""
    return np.sqrt(surface.sd_mm**2 - surface.drift_mm**2)


@pytest.mark.parametrize("noise", [0.5, 2.0, 4.0])
def test_sd_is_honest(noise: float) -> None:
    """About 68 % of errors inside one sd, 95 % inside two; scatter on a flowing surface, no drift."""
    rng = np.random.default_rng(2)
    points = sample(40_000, 60.0, rng)
    surface = fit_surface(Cells.of(points + rng.normal(0.0, noise, points.shape), None, axis()), axis())
    inside = slice(6, -6), slice(6, -6)
    ratio = np.abs(radial_errors(surface, 60.0)) * normal_share(60.0, surface)[6:-6] / scatter_sd(surface)[inside]
    assert 0.6 < (ratio < 1.0).mean() < 0.9
    assert (ratio < 2.0).mean() > 0.9


def test_a_hole_stays_open_and_pinholes_close() -> None:
    rng = np.random.default_rng(3)
    points = sample(60_000, 60.0, rng)
    phi = np.degrees(np.arctan2(points[:, 1], points[:, 2] + AXIS_MM))
    hole = (np.abs(points[:, 0] + 250.0) < 30.0) & (np.abs(phi - 30.0) < 7.0)
    pinhole = (np.abs(points[:, 0] + 100.0) < 4.0) & (np.abs(phi + 30.0) < 1.0)
    surface = fit_surface(Cells.of(points[~(hole | pinhole)], None, axis()), axis())
    at = surface.x_mm[:, None], np.degrees(surface.phi)[None, :]
    middle = (np.abs(at[0] + 250.0) < 20.0) & (np.abs(at[1] - 30.0) < 5.0)
    assert not surface.seen[middle].any()
    assert np.isnan(surface.sd_mm[middle]).all()
    closed = (np.abs(at[0] + 100.0) < 10.0) & (np.abs(at[1] + 30.0) < 4.0)
    assert surface.seen[closed].all()


def test_strays_do_not_pull() -> None:
    """One point in fifty lies 10–35 mm outside: the surface moves by less than a tenth of that share."""
    rng = np.random.default_rng(4)
    points = sample(60_000, 60.0, rng)
    stray = rng.random(len(points)) < 0.02
    away = points - np.array([0.0, 0.0, -AXIS_MM]) * np.array([0.0, 1.0, 1.0])
    away[:, 0] = 0.0
    away /= np.linalg.norm(away, axis=1, keepdims=True)
    points = (
        points + np.where(stray, rng.uniform(10.0, 35.0, len(points)), rng.normal(0, 0.3, len(points)))[:, None] * away
    )
    surface = fit_surface(Cells.of(points, None, axis()), axis())
    assert np.sqrt(np.nanmean(radial_errors(surface, 60.0) ** 2)) < 0.1


def test_sd_grows_where_points_are_few() -> None:
    rng = np.random.default_rng(5)
    points = sample(60_000, 60.0, rng)
    thin = (points[:, 1] > 0.0) & (rng.random(len(points)) > 0.1)
    kept = points[~thin] + rng.normal(0.0, 1.5, (int((~thin).sum()), 3))
    surface = fit_surface(Cells.of(kept, None, axis()), axis())
    left, right = surface.phi > 0.2, surface.phi < -0.2
    sd = scatter_sd(surface)
    assert np.nanmedian(sd[:, left]) > 1.8 * np.nanmedian(sd[:, right])


def test_points_that_face_inward_are_left_out() -> None:
    """The far wall of a closed model, seen through: its normals point to the axis."""
    rng = np.random.default_rng(6)
    points = sample(40_000, 60.0, rng)
    outward = (points - np.array([0.0, 0.0, -AXIS_MM])) * np.array([0.0, 1.0, 1.0])
    inner = points - 12.0 * outward / np.linalg.norm(outward, axis=1, keepdims=True)
    both, normals = np.concatenate([points, inner]), np.concatenate([outward, -outward])
    surface = fit_surface(Cells.of(both, normals, axis()), axis())
    assert np.sqrt(np.nanmean(radial_errors(surface, 60.0) ** 2)) < 0.1


def test_drift_is_seen_where_there_is_some() -> None:
    """Waves of 4 mm that go together over 80 mm, unlike left and right, get an allowance of their size."""
    rng = np.random.default_rng(7)
    points = sample(40_000, 60.0, rng)
    still = fit_surface(Cells.of(points, None, axis()), axis())
    way = rng.normal(size=(60, 3)) / 80.0
    phase = rng.uniform(0.0, 2.0 * np.pi, 60)
    wave = 4.0 * np.sqrt(2.0 / 60.0) * np.cos(points @ way.T + phase).sum(axis=1)
    outward = (points - np.array([0.0, 0.0, -AXIS_MM])) * np.array([0.0, 1.0, 1.0])
    moved = fit_surface(
        Cells.of(points + wave[:, None] * outward / np.linalg.norm(outward, axis=1, keepdims=True), None, axis()),
        axis(),
    )
    assert still.drift_mm < 0.2
    assert 2.0 < moved.drift_mm < 10.0
