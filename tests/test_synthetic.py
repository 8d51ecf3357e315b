"""Invented backs: exact by independent integration and root finding, plausible by published gates, mirrored exactly."""

from pathlib import Path

import numpy as np
import pytest
import trimesh
from scanners import SCANNERS, Scene, exact_normal, smooth_field, take
from scipy.integrate import quad
from scipy.ndimage import gaussian_filter1d
from scipy.optimize import brentq

from shimwright.scan.synthetic import (
    BUILDS,
    Dot,
    HorseShape,
    exact_surface,
    mirrored,
    random_shape,
    scan_of,
    surface_point,
    true_back,
    true_midline,
    true_topline,
    write_ply,
)
from shimwright.scan.synthetic_scan import COLOURS, random_pose
from shimwright.scan.synthetic_shape import ARC_MM, landmarks

BARE = HorseShape(blade_mm=0.0)
RIDING_HORSES = [name for name in BUILDS if name not in ("flat", "pony", "heavy")]
WORDS = {
    "level": "level",
    "uphill": "uphill",
    "downhill": "downhill",
    "croup-high": "croup-high",
    "dipped": "dipped",
    "flat": "flat",
    "arched": "arched",
    "uneven left": "uneven",
    "uneven right": "uneven",
    "hollow": "hollow behind the right shoulder",
    "hollow left": "hollow behind the left shoulder",
    "high-withered": "high-withered",
    "pony": "short-backed",
}


@pytest.mark.parametrize("arc", [3.0, 40.0, 150.0, 430.0, 640.0])
def test_section_is_the_integral_of_its_tangent(arc: float) -> None:
    """At the middle knot, where slope, ridge and barrel are the told numbers; scipy's adaptive quadrature."""
    slope, ridge, widest, c = np.radians(BARE.angle_deg[1]), BARE.ridge_mm[1], BARE.widest_mm[1], 150.0
    turn = (np.pi / 2 - slope * widest / np.hypot(widest, ridge)) * (widest**2 + c**2) / widest**3

    def theta(s: float) -> float:
        return float(slope * s / np.hypot(s, ridge) + turn * s**3 / (s**2 + c**2))

    x = np.array(-0.36 * BARE.withers_croup_mm - landmarks(BARE).withers_x)
    got = surface_point(BARE, x, np.array(arc)) - surface_point(BARE, x, np.array(0.0))
    out = quad(lambda s: np.cos(theta(s)), 0.0, arc, epsabs=1e-10)[0]
    down = quad(lambda s: np.sin(theta(s)), 0.0, arc, epsabs=1e-10)[0]
    assert got == pytest.approx([0.0, out, -down], abs=1e-6)
    assert theta(widest) == pytest.approx(np.pi / 2)


@pytest.mark.parametrize("name", ["level", "heavy", "hollow left", "bent"])
def test_grid_lies_on_the_surface(name: str) -> None:
    """Radius at grid nodes against a root of the exact surface's angle about the axis (Brent)."""
    shape = BUILDS[name]
    surface = exact_surface(shape)
    rng = np.random.default_rng(4)
    for i, j in zip(rng.integers(0, surface.x_mm.size, 25), rng.integers(0, surface.phi.size, 25), strict=True):
        x, phi = surface.x_mm[i], surface.phi[j]
        centre = np.array([surface.axis_y_mm[i], surface.axis_z_mm[i]])

        def off(arc: float, x: float = x, phi: float = phi, centre: np.ndarray = centre) -> float:
            y, z = surface_point(shape, np.array(x), np.array(arc))[1:] - centre
            return float(np.arctan2(y, z) - phi)

        reach = ARC_MM * shape.scale
        foot = surface_point(shape, np.array(x), np.array(brentq(off, -reach, reach, xtol=1e-10)))[1:]
        assert surface.radius_mm[i, j] == pytest.approx(np.hypot(*(foot - centre)), abs=1e-3)


def test_grid_is_whole() -> None:
    for name, shape in BUILDS.items():
        surface = exact_surface(shape)
        assert surface.seen.all(), name
        assert surface.sd_mm.max() < 0.05, name


@pytest.mark.parametrize("name", RIDING_HORSES)
def test_widths_are_a_riding_horse_s(name: str) -> None:
    """Plausibility gates, wide on purpose (reference.md §2, from memory), read on the exact surface with numpy alone.

    The flat back is left out: a slope under 18° alone makes it wider than 150 mm at 30 mm depth.
    """
    shape = BUILDS[name]
    length = true_topline(shape).withers_x - true_topline(shape).croup_x
    gates = {-0.10: ((60, 110), (280, 400)), -0.36: ((90, 150), (380, 500)), -0.62: ((110, 180), (420, 560))}
    for share, (at_30, at_150) in gates.items():
        widths = [_width(shape, share * length, depth) for depth in (30.0, 150.0)]
        slack = 0.06 * np.array(widths)  # T8, T13, T18 lie where we put them by proportion
        assert at_30[0] - slack[0] <= widths[0] <= at_30[1] + slack[0], (share, widths)
        assert at_150[0] - slack[1] <= widths[1] <= at_150[1] + slack[1], (share, widths)


def _width(shape: HorseShape, x: float, depth: float) -> float:
    arc = np.linspace(0.0, ARC_MM * shape.scale, 2000)
    total = 0.0
    for side in (1.0, -1.0):
        line = surface_point(shape, np.full(arc.size, x), side * arc)
        k = int(np.argmax(line[:, 2] < line[0, 2] - depth))
        total += abs(line[k, 1] - line[0, 1])
    return total


def test_withers_stand_above_the_back() -> None:
    """Horse models: withers 37–115 mm, croup 59–124 mm above the low of the back at 1.60 m; ours from a wider range."""
    for name, shape in BUILDS.items():
        line = true_topline(shape)
        assert 18.0 < -line.low_z < 115.0, name
        assert 15.0 < line.croup_z - line.low_z < 125.0, name
        assert 450.0 < -line.croup_x < 1100.0, name


@pytest.mark.parametrize("name", ["level", "uphill", "croup-high", "dipped"])
def test_withers_are_the_top_of_the_smoothed_topline(name: str) -> None:
    """DESIGN §3: Gaussian of 25 mm sd; here by scipy on a line of 0.5 mm steps, far from its ends."""
    shape = BUILDS[name]
    step = 0.5
    x = np.arange(-400.0, 150.0, step)
    z = gaussian_filter1d(surface_point(shape, x, np.zeros_like(x))[:, 2], 25.0 / step)
    near = np.abs(x) < 60.0
    assert landmarks(shape).withers_kind == "peak"
    assert x[near][np.argmax(z[near])] == pytest.approx(0.0, abs=1.0)
    assert surface_point(shape, np.array(0.0), np.array(0.0)) == pytest.approx(np.zeros(3), abs=1e-3)


def test_a_knee_has_no_peak() -> None:
    shape = BUILDS["level knee"]
    x = np.arange(-250.0, 240.0, 5.0)
    z = surface_point(shape, x, np.zeros_like(x))[:, 2]
    assert landmarks(shape).withers_kind == "knee"
    assert (np.diff(z) > 0).all()


@pytest.mark.parametrize("name", sorted(WORDS))
def test_each_build_earns_its_word(name: str) -> None:
    assert WORDS[name] in {word.word for word in true_back(BUILDS[name]).build.words}


def test_an_even_horse_is_not_called_uneven() -> None:
    for name in ("level", "dipped", "flat", "hollow", "bent"):
        back = true_back(BUILDS[name])
        assert "uneven" not in {word.word for word in back.build.words}
        assert np.abs(back.stations.area_difference_cm2[2:10]).max() < 0.5, name


@pytest.mark.parametrize("name", ["uneven left", "hollow left", "bent"])
def test_mirrored_horse_is_the_mirror_image(name: str) -> None:
    shape = BUILDS[name]
    one, other = exact_surface(shape), exact_surface(mirrored(shape))
    assert other.radius_mm == pytest.approx(one.radius_mm[:, ::-1], abs=1e-6)
    assert other.axis_y_mm == pytest.approx(-one.axis_y_mm, abs=1e-9)
    assert mirrored(mirrored(shape)) == shape


def test_uneven_falls_away_on_the_left() -> None:
    assert true_back(BUILDS["uneven left"]).stations.area_difference_cm2[2:9].min() > 5.0


def test_bent_spine_runs_through_withers_and_croup() -> None:
    shape = BUILDS["bent"]
    line = true_midline(shape)
    at = true_topline(shape)
    assert line.at(np.array([0.0, at.croup_x]))[0] == pytest.approx([0.0, 0.0], abs=0.02)
    assert line.at(0.5 * at.croup_x)[0] == pytest.approx(15.0, abs=0.05)


def test_random_horses_are_backs() -> None:
    """Every drawn horse has one radius for each angle (else exact_surface refuses) and findable withers."""
    rng = np.random.default_rng(20)
    shapes = [random_shape(rng) for _ in range(12)]
    kinds = [landmarks(shape).withers_kind for shape in shapes]
    assert {"peak", "knee"} <= set(kinds)
    assert all(exact_surface(shape).seen.all() for shape in shapes)
    assert random_shape(np.random.default_rng(7)) == random_shape(np.random.default_rng(7))


def test_slices_of_a_clean_scan_are_the_exact_sections() -> None:
    """trimesh cuts the scan's mesh; 4 mm triangles on a radius of 22 mm miss the arc by up to 4²/(8·22) = 0.1 mm."""
    shape = BUILDS["level"]
    raw = scan_of(shape, 4.0, np.random.default_rng(1), noise_mm=0.0)
    mesh = trimesh.Trimesh(raw.points, raw.faces, process=False)
    for x in (-100.0, -300.0):
        cut = mesh.section(plane_origin=[x, 0, 0], plane_normal=[1, 0, 0])
        points = np.asarray(cut.vertices)
        _, phi, distance = exact_surface(shape).polar(points)
        inside = np.abs(phi) < np.radians(110.0)
        error = distance[inside] - exact_surface(shape).radius(points[inside, 0], phi[inside])
        assert np.abs(error).max() < 0.25


def test_scan_is_the_same_for_the_same_seed_and_lies_where_its_pose_says() -> None:
    shape = BUILDS["pony"]
    pose = random_pose(np.random.default_rng(2), 10.0)
    one = scan_of(shape, 20.0, np.random.default_rng(3), 0.0, pose)
    level = scan_of(shape, 20.0, np.random.default_rng(3), 0.0)
    again = scan_of(shape, 20.0, np.random.default_rng(3), 0.0, pose)
    assert (one.points == again.points).all()
    there = (one.points * 10.0 - pose.shift_mm) @ pose.rotation
    assert there == pytest.approx(level.points, abs=1e-8)
    assert np.linalg.det(pose.rotation) == pytest.approx(1.0)


def test_noise_is_as_told() -> None:
    shape = BUILDS["level"]
    bare = scan_of(shape, 8.0, np.random.default_rng(5), 0.0)
    noisy = scan_of(shape, 8.0, np.random.default_rng(5), 1.5)
    assert np.std(noisy.points - bare.points) == pytest.approx(1.5, rel=0.02)


def test_ply_is_read_back_by_trimesh(tmp_path: Path) -> None:
    raw = scan_of(BUILDS["level"], 12.0, np.random.default_rng(6), 0.2, dots=(Dot("red", -60.0, 140.0, 25.0),))
    write_ply(raw, tmp_path / "scan.ply")
    mesh = trimesh.load(tmp_path / "scan.ply", process=False)
    assert np.asarray(mesh.vertices) == pytest.approx(raw.points, abs=1e-3)
    assert raw.faces is not None
    assert (np.asarray(mesh.faces) == raw.faces).all()
    red = (mesh.visual.vertex_colors[:, :3] == COLOURS["red"]).all(axis=1)
    centre = surface_point(BUILDS["level"], np.array(-60.0), np.array(140.0))
    assert red.sum() >= 6
    assert np.linalg.norm(np.asarray(mesh.vertices)[red].mean(axis=0) - centre) < 6.0
    assert (mesh.face_normals[:, 2] > 0).mean() > 0.5


@pytest.mark.accuracy
def test_simulated_scanner_keeps_its_promises() -> None:
    """Of a photogrammetry scan: rms error along the normal 1–2 mm, its size off by up to 1 %, its pose known."""
    shape = BUILDS["level"]
    rng = np.random.default_rng(8)
    taken = take(shape, SCANNERS["photogrammetry"], Scene(mesh=False, unit="cm", lie="any"), rng)
    assert abs(taken.pose.mm_per_unit / 10.0 - 1.0) <= 0.01
    points = taken.to_true(taken.raw.points)
    x, phi, distance = exact_surface(shape).polar(points)
    error = distance - exact_surface(shape).radius(x, phi)
    error = error[np.isfinite(error)]
    assert 0.8 < np.sqrt(np.mean(error**2)) < 2.6  # along the radius: up to 1.3 × that along the normal


def test_correlated_field_has_unit_sd() -> None:
    rng = np.random.default_rng(9)
    points = rng.uniform(-2000.0, 2000.0, (20_000, 3))
    assert np.std(smooth_field(points, (40.0, 60.0), rng)) == pytest.approx(1.0, abs=0.1)


def test_normals_point_outward() -> None:
    shape = BUILDS["level"]
    x, arc = np.full(3, -300.0), np.array([-300.0, 0.0, 300.0])
    normal = exact_normal(shape, x, arc)
    assert normal[1, 2] > 0.9
    assert normal[2, 1] > 0.3
    assert normal[0, 1] < -0.3


@pytest.mark.parametrize("what", ["no_flank", "spine_hole", "shift", "clutter"])
def test_scene_spoils_what_it_says(what: str) -> None:
    shape = BUILDS["level"]
    scenes = {
        "no_flank": Scene(no_flank="left"),
        "spine_hole": Scene(spine_hole_mm=(-300.0, -200.0, 40.0)),
        "shift": Scene(shift_mm=8.0),
        "clutter": Scene(clutter=("ground", "arm", "mane", "tail", "rope", "rug", "strays", "body")),
    }
    scanner = SCANNERS["clean"]
    plain = take(shape, scanner, Scene(), np.random.default_rng(1))
    taken = take(shape, scanner, scenes[what], np.random.default_rng(1))
    points = taken.to_true(taken.raw.points)
    if what == "no_flank":
        assert points[:, 1].max() < 65.0
    elif what == "spine_hole":
        inside = (points[:, 0] > -290.0) & (points[:, 0] < -210.0) & (np.abs(points[:, 1]) < 25.0)
        assert not inside.any()
    elif what == "shift":
        n = len(plain.raw.points)
        assert len(points) == 2 * n
        assert np.linalg.norm(points[n:] - points[:n], axis=1).mean() == pytest.approx(8.0, abs=0.1)
    else:
        assert points[:, 2].min() < -1500.0
        assert taken.raw.faces is not None
        assert taken.raw.faces.max() < len(points)
