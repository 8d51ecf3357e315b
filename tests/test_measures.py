"""Measures of sections against closed forms, and slicing against trimesh's own."""

import numpy as np
import pytest
import trimesh
from scipy.spatial import KDTree

from shimwright.scan.back import DEPTHS_MM, STATIONS_MM, Frame, Midline
from shimwright.scan.measures import measure_stations
from shimwright.scan.midline import find_midline
from shimwright.scan.section import section_curves
from shimwright.scan.surface import Surface, phi_grid

DEPTH = 250.0  # of the axis


def barrel(bend: float, tilt: float = 0.0, spine_y: float = 0.0, x_mm: np.ndarray | None = None) -> Surface:
    """z = −bend·d² − tilt·d, d = y − spine_y, at every x: sections with closed forms, solved exactly."""
    x = np.arange(-700.0, 101.0, 5.0) if x_mm is None else x_mm
    phi = phi_grid()
    sin, cos = np.sin(phi), np.cos(phi)
    # about the axis at (spine_y, −DEPTH): −DEPTH + r cos = −bend r² sin² − tilt r sin
    a, b = bend * sin**2, cos + tilt * sin
    r = 2.0 * DEPTH / (b + np.sqrt(b**2 + 4.0 * a * DEPTH))
    radius = np.tile(r, (x.size, 1))
    return Surface(x, phi, np.full(x.size, spine_y), np.full(x.size, -DEPTH), radius, np.full(radius.shape, 0.1))


def level_frame(roll_sd_deg: float = 0.0, up_source: str = "told") -> Frame:
    return Frame(np.zeros(3), *np.eye(3), 1.0, "told", up_source, "told", False, 0.1, 0.0, roll_sd_deg)


def spine(y: float = 0.0, sd: float = 1.0) -> Midline:
    x = np.arange(-700.0, 101.0, 10.0)
    return Midline(x, np.full(x.size, y), np.zeros(x.size), np.full(x.size, sd), np.full(x.size, 0.1))


BEND = 1.0 / 400.0


def test_half_width_of_a_parabola() -> None:
    """d² = depth / bend (closed form)."""
    stations = measure_stations(barrel(BEND), spine(), level_frame())
    expected = np.sqrt(np.array(DEPTHS_MM) / BEND)
    assert stations.half_width_mm == pytest.approx(np.tile(expected[None, :, None], (13, 1, 2)), abs=0.05)


@pytest.mark.parametrize("tilt", [0.0, 0.08])
def test_slope_of_a_parabola(tilt: float) -> None:
    """The least-squares slope of bend·u² over evenly spaced u is bend times twice the mean of u (closed form)."""
    stations = measure_stations(barrel(BEND, tilt), spine(), level_frame())
    mean = np.array([BEND * 2.0 * 60.0 + tilt, BEND * 2.0 * 60.0 - tilt])
    assert stations.slope_deg == pytest.approx(np.tile(np.degrees(np.arctan(mean)), (13, 1)), abs=0.02)


def test_area_difference_of_a_tilted_section() -> None:
    """Left minus right of ±tilt·u integrated over 0–150 mm: tilt · 150² (closed form); + = left falls away more."""
    stations = measure_stations(barrel(BEND, 0.04), spine(), level_frame())
    assert stations.area_difference_cm2 == pytest.approx(np.full(13, 0.04 * 150.0**2 / 100.0), abs=0.05)


def test_without_gravity_no_area_difference() -> None:
    stations = measure_stations(barrel(BEND), spine(), level_frame(2.0, "shape"))
    assert np.isnan(stations.area_difference_cm2).all()
    assert np.isfinite(stations.slope_deg).all()


def test_roll_and_midline_doubt_enter_one_side() -> None:
    """Roll turns a slope one to one; a midline 2 mm aside changes it by bend·2·2 mm (closed form)."""
    surface = barrel(BEND)
    rolled = measure_stations(surface, spine(sd=0.0), level_frame(2.0))
    moved = measure_stations(surface, spine(sd=2.0), level_frame())
    still = measure_stations(surface, spine(sd=0.0), level_frame())
    own = still.slope_sd_deg[3, 0]
    assert np.hypot(own, 2.0) == pytest.approx(rolled.slope_sd_deg[3, 0], rel=0.05)
    slope = np.degrees(2.0 * BEND * 2.0) / (1.0 + (BEND * 120.0) ** 2)
    assert moved.slope_sd_deg[3, 0] == pytest.approx(np.hypot(own, slope), rel=0.05)


def test_section_that_turns_down_first_has_no_slope() -> None:
    """A trunk of 80 mm radius turns under itself before 100 mm: no slope, no width beyond it."""
    x, phi = np.arange(-700.0, 101.0, 5.0), phi_grid()
    radius = np.full((x.size, phi.size), 80.0)
    surface = Surface(x, phi, np.zeros(x.size), np.full(x.size, -80.0), radius, np.full(radius.shape, 0.1))
    stations = measure_stations(surface, spine(), level_frame())
    assert np.isnan(stations.slope_deg).all()
    assert np.isnan(stations.area_difference_cm2).all()
    circle = np.sqrt(80.0**2 - 50.0**2)
    assert stations.half_width_mm[:, 0, :] == pytest.approx(np.full((13, 2), circle), abs=0.02)
    assert np.isnan(stations.half_width_mm[:, 3, :]).all()


def test_what_was_not_seen_is_not_measured() -> None:
    whole = barrel(BEND)
    hole = np.array(whole.radius_mm)
    left = (phi_grid() > np.radians(10.0)) & (phi_grid() < np.radians(16.0))
    hole[:, left] = np.nan
    surface = Surface(
        whole.x_mm, whole.phi, whole.axis_y_mm, whole.axis_z_mm, hole, np.where(np.isnan(hole), np.nan, 0.1)
    )
    stations = measure_stations(surface, spine(), level_frame())
    assert np.isnan(stations.slope_deg[:, 0]).all()
    assert np.isfinite(stations.slope_deg[:, 1]).all()
    assert np.isnan(stations.half_width_mm[:, 1:, 0]).all()
    assert np.isfinite(stations.half_width_mm[:, :, 1]).all()
    section = stations.sections[4]
    assert np.isnan(section).any()
    assert np.isfinite(section[-1]).all()  # beyond the hole it goes on
    assert (stations.seen < 1.0).all()


def test_sections_follow_the_arc() -> None:
    """Neighbouring section points are 5 mm of arc apart, so chords of a gentle curve are just under 5 mm."""
    section = measure_stations(barrel(BEND), spine(), level_frame()).sections[2]
    chord = np.hypot(*np.diff(section, axis=0).T)
    assert chord.max() <= 5.0 + 1e-6
    assert chord.min() > 4.99
    assert (np.diff(section[:, 0]) > 0).all()  # right to left


def test_midline_of_a_displaced_barrel() -> None:
    """A parabola is its own mirror image about its vertex; the axis lies 20 mm aside."""
    surface = barrel(BEND, spine_y=0.0)
    aside = Surface(
        surface.x_mm, surface.phi, surface.axis_y_mm + 20.0, surface.axis_z_mm, surface.radius_mm, surface.sd_mm
    )
    midline = find_midline(aside)
    assert midline.y_mm == pytest.approx(np.full(midline.x_mm.size, 20.0), abs=0.3)
    assert midline.z_mm == pytest.approx(np.zeros(midline.x_mm.size), abs=0.05)


def test_slicing_agrees_with_trimesh() -> None:
    """The section of the surface against trimesh's own plane cut of the same surface as triangles."""
    x = np.arange(-700.0, 101.0, 5.0)
    surface = barrel(BEND, 0.03, x_mm=x)
    swell = np.array(surface.radius_mm) * (1.0 + 0.05 * np.sin(x / 120.0))[:, None]
    surface = Surface(x, surface.phi, surface.axis_y_mm, surface.axis_z_mm, swell, surface.sd_mm)
    fine_x, fine_phi = np.linspace(-700.0, 100.0, 401), np.linspace(surface.phi[0], surface.phi[-1], 800)
    yz = surface.sections(fine_x, fine_phi)
    points = np.dstack([np.broadcast_to(fine_x[:, None], yz.shape[:2]), yz])
    mesh = trimesh.Trimesh(points.reshape(-1, 3), _grid_faces(*yz.shape[:2]), process=False)
    for station in STATIONS_MM[1:12:3]:
        cut = mesh.section(plane_origin=[station + 0.37, 0.0, 0.0], plane_normal=[1.0, 0.0, 0.0])
        assert cut is not None
        theirs = np.asarray(cut.vertices)[:, 1:]
        ours = section_curves(surface, np.array([station + 0.37]))[0]
        gap, _ = KDTree(_dense(ours)).query(theirs)
        assert gap.max() < 0.1


def _dense(curve: np.ndarray) -> np.ndarray:
    t = np.linspace(0.0, 1.0, 40, endpoint=False)[None, :, None]
    return (curve[:-1, None] * (1.0 - t) + curve[1:, None] * t).reshape(-1, 2)


def _grid_faces(rows: int, columns: int) -> np.ndarray:
    index = np.arange(rows * columns).reshape(rows, columns)
    a, b, c, d = index[:-1, :-1], index[:-1, 1:], index[1:, :-1], index[1:, 1:]
    return np.concatenate([np.stack([a, b, d], -1).reshape(-1, 3), np.stack([a, d, c], -1).reshape(-1, 3)])
