"""The underside from ten tape measurements: re-measured as a fitter would, with straight-edge, tape and angle gauge."""

from dataclasses import replace

import numpy as np
import pytest
from plain_tack import arch_name, changed, saddle

from shimwright.optimize.saddle import Arch
from shimwright.optimize.underside import EDGE_MM, END_FALL_MM, END_MM, Panels, spacing_for_mm, underside
from shimwright.scan.refusal import InputRefused

TACK = saddle()
REFERENCE = TACK.arches[2]
PANELS = Panels(TACK, REFERENCE)
PLACES = np.array([0.0, 0.5, 1.0])


def test_panel_and_channel_width_and_angle() -> None:
    flat = Panels(replace(TACK, panel_curve_mm=0.0), REFERENCE)
    inside = EDGE_MM / flat.width_mm(PLACES)
    a, b = flat.points(PLACES, inside, 1), flat.points(PLACES, 1 - inside, 1)
    run = np.linalg.norm((b - a)[:, 1:], axis=1)
    assert run == pytest.approx(TACK.panel_width_mm - 2 * EDGE_MM)
    assert 2 * flat.inner_edge_mm(PLACES, 1) == pytest.approx(TACK.channel_mm)
    assert np.degrees(np.arctan2(a[:, 2] - b[:, 2], b[:, 1] - a[:, 1])) == pytest.approx(TACK.angle_deg)


def test_rocker_and_rise_under_a_straight_edge() -> None:
    s = np.array([0.0, 0.5, 1.0])
    plain = Panels(replace(TACK, panel_curve_mm=0.0, angle_deg=np.full(3, 30.0)), None)
    ends = plain.points(np.array([END_MM / 420, 0.5, 1 - END_MM / 420]), np.full(3, 0.5), 1)
    front, rear = plain._centre(s[:1], 1)[1][0], plain._centre(s[2:], 1)[1][0]
    assert front - rear == pytest.approx(TACK.rise_mm)
    proud = ((front + rear) / 2 - ends[1, 2]) * np.cos(np.radians(30.0))
    assert proud == pytest.approx(TACK.rocker_mm)


def test_crown_stands_proud_across() -> None:
    edge = EDGE_MM / PANELS.width_mm(np.array(0.5))
    a, m, b = (PANELS.points(np.array(0.5), np.array(t), 1) for t in (edge, 0.5, 1 - edge))
    normal = np.cross(b - a, [1.0, 0, 0])
    proud = abs((m - a) @ normal) / np.linalg.norm(normal)
    assert proud == pytest.approx(TACK.panel_curve_mm * (1 - 2 * edge) ** 2, rel=1e-6)


def test_legs_pass_half_the_width_100_mm_down() -> None:
    for arch in TACK.arches:
        profile = Panels(TACK, arch).leg_profile(1)
        assert np.interp(100.0, -profile[:, 1], profile[:, 0]) == pytest.approx(arch.width_mm / 2)
        lower = profile[-6:]
        slope = np.polyfit(lower[:, 0], lower[:, 1], 1)[0]
        assert np.degrees(np.arctan(-slope)) == pytest.approx(arch.leg_deg)


@pytest.mark.parametrize("step", [-2, -1, 1, 2])
def test_another_arch_turns_and_moves_the_front_only(step: int) -> None:
    other = Panels(TACK, next(a for a in TACK.arches if a.name == arch_name(step)))
    s = np.linspace(0.05, 0.95, 37)
    t = np.full(s.size, 0.5)
    moved = other.points(s, t, 1) - PANELS.points(s, t, 1)
    behind = s * TACK.length_mm > 2 * TACK.arch_length_mm
    assert np.abs(moved[behind]).max() < 1e-9
    turned = np.degrees(other.angle_rad(s, 1) - PANELS.angle_rad(s, 1))
    under = s * TACK.length_mm <= TACK.arch_length_mm
    assert turned[under] == pytest.approx(-2.5 * step)
    assert np.sign(moved[0, 1]) == np.sign(step)
    assert (np.abs(np.diff(turned)) < 0.8 * abs(step)).all(), "fades smoothly"


def test_panel_lies_under_the_leg_by_its_filling() -> None:
    """The distance from the panel (no crown) to the leg's line is the filling's depth, with every arch."""
    flat = replace(TACK, panel_curve_mm=0.0)
    for arch in flat.arches:
        front = Panels(flat, arch).points(np.zeros(5), np.linspace(0.2, 0.8, 5), 1)[:, 1:]
        square = np.array([np.sin(np.radians(arch.leg_deg)), np.cos(np.radians(arch.leg_deg))])
        leg = np.array([arch.width_mm / 2, -100.0])
        assert (leg - front) @ square == pytest.approx(25.0 - END_FALL_MM), "the very end is flared up"


def test_mirror() -> None:
    nodes = underside(TACK, REFERENCE, 10.0)
    left, right = nodes.points.reshape(2, -1, 3)
    assert left * [1, -1, 1] == pytest.approx(right)
    left, right = nodes.normals.reshape(2, -1, 3)
    assert left * [1, -1, 1] == pytest.approx(right)


def test_area_and_normals() -> None:
    nodes = underside(TACK, REFERENCE, 5.0)
    assert np.linalg.norm(nodes.normals, axis=1) == pytest.approx(1.0)
    assert (nodes.normals[:, 2] < 0).all(), "toward the horse"
    flat = 2 * TACK.length_mm * np.trapezoid(PANELS.width_mm(np.linspace(0, 1, 201)), dx=1 / 200)
    assert nodes.area_mm2.sum() == pytest.approx(flat, rel=0.03)
    coarse = underside(TACK, REFERENCE, 10.0)
    assert coarse.area_mm2.sum() == pytest.approx(nodes.area_mm2.sum(), rel=2e-3)


def test_search_grid_has_about_the_nodes_asked_for() -> None:
    count = len(underside(TACK, REFERENCE, spacing_for_mm(TACK, 600)).points)
    assert 550 < count < 750


def test_uneven_panels() -> None:
    nodes = underside(changed(TACK, side_difference_mm=4.0), REFERENCE, 10.0)
    left, right = nodes.points.reshape(2, -1, 3)
    apart = left - right * [1, -1, 1]
    assert np.linalg.norm(apart, axis=1) == pytest.approx(4.0)
    assert (np.einsum("ij,ij->i", apart, nodes.normals.reshape(2, -1, 3)[0]) > 3.5).all(), "left stands proud"


def test_soft_arch_follows_the_horse_on_each_side() -> None:
    soft = Arch("soft", 90.0, 220.0, soft=True)
    panels = Panels(replace(TACK, arches=(*TACK.arches, soft)), soft, (50.0, 41.0))
    for side, angle in ((1, 50.0), (-1, 41.0)):
        under = np.linspace(0.1, 0.9, 9) * TACK.arch_length_mm / TACK.length_mm
        assert np.degrees(panels.angle_rad(under, side)).mean() == pytest.approx(angle)
    assert Panels(panels.saddle, soft, (85.0, 41.0)).turn_deg(1) == pytest.approx(15.0), "within reason"


def test_no_extent_is_refused() -> None:
    with pytest.raises(InputRefused, match="extent"):
        underside(changed(TACK, length_mm=0.0), REFERENCE)
