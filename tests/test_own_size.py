"""Own size and gap on a relief: closed forms of a roof, and the slower ways beside it."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import minimize
from tack import saddle

from shimwright.optimize.own_size import own_size
from shimwright.optimize.panel_fit import Ridden, fit_panel
from shimwright.optimize.relief import Relief, grid_of, relief_of
from shimwright.optimize.saddle import Arch
from shimwright.optimize.size_candidates import numbers_of, saddle_of
from shimwright.optimize.size_gaps import lay, pairs_of
from shimwright.optimize.size_rules import size_rules
from shimwright.optimize.underside import Panels
from shimwright.scan.synthetic import BUILDS, true_back

CLEAR_MM = 47.5  # arch's top over the withers, panel.toml


@pytest.fixture(scope="module")
def pattern():
    return replace(saddle(), arches=(), reference_arch=None)


def roof(pattern, angle_deg, dip_mm=0.0, tip_deg=0.0):
    """A back of two planes below a ridge; dipped in the middle as a parabola; its front tipped up."""
    x, y = grid_of(pattern)
    s = -x[:, None] / pattern.length_mm
    z = -np.abs(y) * np.tan(np.radians(angle_deg)) - 4 * dip_mm * s * (1 - s) + x[:, None] * np.tan(np.radians(tip_deg))
    return Relief(x, y, z, 0.0, 0.0)


@pytest.mark.parametrize("angle", [25.0, 35.0, 45.0])
def test_arch_and_panel_of_a_roof(pattern, angle):
    """A straight roof: every angle is its own, no rocker, and the arch's legs lie the filling's depth outside it."""
    own = own_size(roof(pattern, angle), pattern)
    turn, depth = np.radians(angle), pattern.filling.depth_mm if pattern.filling else 0.0
    width = 2 * ((100.0 - CLEAR_MM) / np.tan(turn) + depth / np.sin(turn))
    assert own.saddle.angle_deg == pytest.approx([angle] * 3, abs=0.05)
    assert own.arch.included_deg == pytest.approx(180 - 2 * angle, abs=0.1)
    assert own.arch.width_mm == pytest.approx(width, abs=0.5)
    assert own.saddle.rocker_mm == pytest.approx(0.0, abs=0.1)
    assert own.mean_gap_mm < 0.05


def test_rocker_of_a_dipped_roof(pattern):
    """A dip straight down is the rocker times the cosine, as rocker is square to the panel; x-wise a parabola both."""
    own = own_size(roof(pattern, 30.0, dip_mm=20.0), pattern)
    assert own.saddle.rocker_mm == pytest.approx(20.0 * np.cos(np.radians(30.0)), abs=0.4)


@pytest.mark.parametrize("name", ["level", "narrow", "flat"])
def test_agrees_with_the_panel_fitted_to_the_whole_back(pattern, name):
    """Two ways to the same numbers: the maker's `panel`, by rays onto the surface, and this one."""
    back = true_back(BUILDS[name])
    own = own_size(relief_of(back, pattern), pattern)
    whole = fit_panel(pattern, [Ridden(name, back, 0.0)], False)
    assert own.arch.included_deg == pytest.approx(whole.arch.included_deg, abs=3.0)
    assert own.arch.width_mm == pytest.approx(whole.arch.width_mm, abs=8.0)
    assert own.saddle.angle_deg == pytest.approx(whole.shape.angle_deg[0], abs=2.0)
    assert own.saddle.rocker_mm == pytest.approx(whole.shape.rocker_mm[0], abs=3.0)
    assert own.mean_gap_mm == pytest.approx(whole.remaining[0].mean_mm, abs=0.4)


def size(pattern, own):
    return saddle_of(numbers_of(own.saddle), pattern), own.arch


def test_a_back_is_served_by_its_own_size(pattern):
    own = own_size(relief := roof(pattern, 33.0, dip_mm=15.0), pattern)
    panel, arch = size(pattern, own)
    laid = lay(pairs_of([arch], [panel], relief), relief, arch.leg_deg, size_rules())
    assert laid.mean_gap_mm[0, 0] < 0.1
    assert laid.clearance_mm[0, 0] == pytest.approx(CLEAR_MM, abs=1.0)
    assert laid.pitch_deg[0, 0] == pytest.approx(0.0, abs=0.05)
    assert laid.serves(size_rules()).all()


def test_a_tip_beyond_the_limit_leaves_a_wedge(pattern):
    """Panel level, roof tipped 5°: it follows 3° of them; what is left is a wedge about its middle."""
    own = own_size(roof(pattern, 30.0), pattern)
    panel, arch = size(pattern, own)
    tipped = roof(pattern, 30.0, tip_deg=5.0)
    pairs = pairs_of([arch], [panel], tipped)
    laid = lay(pairs, tipped, arch.leg_deg, size_rules())
    slope = np.tan(np.radians(5.0)) - np.tan(np.radians(size_rules().pitch_deg))
    away = np.abs(pairs.x_mm - pairs.x_mm.mean()).mean()  # L / 4 for close rows
    assert away == pytest.approx(pattern.length_mm / 4, rel=0.15)
    wedge = slope * away * np.cos(np.radians(30.0))
    assert laid.pitch_deg[0, 0] == pytest.approx(size_rules().pitch_deg)
    assert laid.mean_gap_mm[0, 0] == pytest.approx(wedge, rel=0.02)


@pytest.mark.parametrize("name", ["level", "uneven left"])
def test_the_gap_equals_rays_onto_the_back(pattern, name):
    """A size of another horse, laid by minimising the true gap along the panel's normals over heave, tip and lean."""
    back = true_back(BUILDS[name])
    relief = relief_of(back, pattern)
    panel, arch = size(pattern, own_size(relief_of(true_back(BUILDS["narrow"]), pattern), pattern))
    arch = Arch("wider", arch.included_deg + 6.0, arch.width_mm + 10.0)
    laid = lay(pairs_of([arch], [panel], relief), relief, arch.leg_deg, size_rules())
    made = Panels(panel, arch)
    s, t = (v.ravel() for v in np.meshgrid(np.linspace(0.1, 0.9, 9), np.linspace(0.1, 0.9, 9), indexing="ij"))
    sides = [(made.points(s, t, side), made.frame(s, t, side)) for side in (1, -1)]
    points = np.concatenate([one for one, _ in sides])
    normals = np.concatenate([frame[0] for _, frame in sides])
    area = np.concatenate([frame[1] for _, frame in sides])
    middle = -pattern.length_mm / 2

    def gaps(pose):
        lift = pose[0] + pose[1] * (points[:, 0] - middle) + pose[2] * points[:, 1]
        moved = points + np.column_stack([np.full(len(points), relief.front_x_mm), np.zeros(len(points)), lift])
        return back.gap(moved, normals)

    start = np.array([relief.withers_z_mm + CLEAR_MM, 0.0, 0.0])
    found = minimize(
        lambda v: np.nansum(area * gaps(start + v * [1.0, 1e-2, 1e-2]) ** 2) / area.sum(),
        np.zeros(3),
        method="Nelder-Mead",
    )
    gap = gaps(start + found.x * [1.0, 1e-2, 1e-2])
    assert abs(np.degrees(found.x[1] * 1e-2)) < size_rules().pitch_deg  # else the two are not the same
    true = np.nansum(area * np.abs(gap)) / area[np.isfinite(gap)].sum()
    assert laid.mean_gap_mm[0, 0] == pytest.approx(true, rel=0.1, abs=0.15)


def test_what_was_not_seen_is_not_counted(pattern):
    own = own_size(whole := roof(pattern, 33.0), pattern)
    panel, arch = size(pattern, own)
    z = whole.z_mm.copy()
    z[5:8, :12] = np.nan
    holed = replace(whole, z_mm=z)
    again = own_size(holed, pattern)
    assert again.saddle.angle_deg == pytest.approx(own.saddle.angle_deg, abs=0.05)
    laid = [lay(pairs_of([arch], [panel], one), one, arch.leg_deg, size_rules()) for one in (whole, holed)]
    assert laid[1].mean_gap_mm[0, 0] == pytest.approx(laid[0].mean_gap_mm[0, 0], abs=0.1)
