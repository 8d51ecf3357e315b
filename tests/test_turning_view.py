"""The view that turns and its still picture: what they carry is held against the back and the pressures themselves."""

import json
import re
from base64 import b64decode
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from fit_fixture import example_fit
from shapely import Point
from shapely.geometry import Polygon
from sheet_variants import VARIANTS

from shimwright.export.oblique_view import ACROSS, EYE, UPWARD, body_obliquely, oblique_view, on_plane
from shimwright.export.picture import Picture
from shimwright.export.pressure_map import band_colour, levels_kpa
from shimwright.export.turning_view import turning_view
from shimwright.optimize.answer import Fit

WIDE_MM = 92.0


def carried(fit: Fit) -> dict[str, Any]:
    """What the page hands to its script."""
    (data,) = re.findall(r"id=turn-data>(.*?)</script>", turning_view(fit))
    return dict(json.loads(data))


def numbers(text: str, kind: str) -> np.ndarray:
    return np.frombuffer(b64decode(text), kind)


@pytest.mark.parametrize("name", VARIANTS)
def test_points_of_the_view_lie_on_the_back(name: str) -> None:
    fit = VARIANTS[name]()
    shape = carried(fit)["back"]
    left, up, forward = numbers(shape["points"], "<i2").reshape(-1, 3).T / 10.0
    points = np.column_stack([forward, left, up])
    x, phi, distance = fit.back.surface.polar(points)
    assert distance == pytest.approx(fit.back.surface.radius(x, phi), abs=0.15)
    seen = fit.back.surface.seen[::2, ::2]
    assert len(points) <= seen.sum()
    corners = numbers(shape["triangles"], f"<u{shape['bits'] // 8}").reshape(-1, 3)
    assert corners.max() == len(points) - 1
    a, b, c = points[corners.astype(int)].transpose(1, 0, 2)
    outward = np.cross(b - a, c - a)
    middle = (a + b + c) / 3 - np.array([0.0, 0.0, float(np.mean(fit.back.surface.axis_z_mm))])
    middle[:, 0] = 0.0
    assert (np.einsum("ij,ij->i", outward, middle) > 0).mean() > 0.99
    for colour in shape["colours"].values():
        assert numbers(colour, "u1").size == 3 * len(points)


def test_sections_are_drawn_every_50_mm() -> None:
    shape = carried(example_fit())["back"]
    forward = numbers(shape["points"], "<i2").reshape(-1, 3)[:, 2] / 10.0
    ends = forward[numbers(shape["lines"], f"<u{shape['bits'] // 8}").reshape(-1, 2).astype(int)]
    assert (ends[:, 0] == ends[:, 1]).all()
    assert np.diff(np.unique(ends)) == pytest.approx(50.0)


def test_before_and_after_are_carried_where_something_changes() -> None:
    assert set(carried(VARIANTS["whole"]())["back"]["colours"]) == {"as found", "with the set-up"}
    assert len(carried(VARIANTS["stays_as_it_is"]())["back"]["colours"]) == 1
    assert "data-show=" not in turning_view(VARIANTS["stays_as_it_is"]())


def test_the_darkest_place_of_the_view_is_under_the_highest_pressure() -> None:
    """Distance on the back from the darkest vertices to a node that presses hard: within two steps of the net."""
    fit = example_fit()
    shape = carried(fit)["back"]
    points = numbers(shape["points"], "<i2").reshape(-1, 3)[:, [2, 0, 1]] / 10.0
    tone = numbers(shape["colours"]["as found"], "u1").reshape(-1, 3).astype(float).sum(axis=1)
    pressure = fit.as_found.cases["mounted"].pressure_kpa
    darkest = points[tone == tone.min()]
    hard = fit.as_found.nodes_mm[pressure > 0.9 * pressure.max()]
    assert np.linalg.norm(darkest[:, None] - hard[None], axis=2).min(axis=1).max() < 25.0


def test_the_plane_of_the_still_is_square_to_the_eye() -> None:
    """Gauss's theorem of axonometry: with the images of the three axes as complex numbers, a² + b² + c² = 0 and
    |a|² + |b|² + |c|² = 2; the picture is not mirrored, its up is up and the head is on the left."""
    images = on_plane(np.eye(3)) @ np.array([1.0, 1.0j])
    assert abs((images**2).sum()) == pytest.approx(0.0, abs=1e-3)
    assert (np.abs(images) ** 2).sum() == pytest.approx(2.0, abs=1e-3)
    assert np.cross(ACROSS, UPWARD) == pytest.approx(EYE, abs=1e-3)
    forward, left, up = on_plane(np.eye(3))
    assert up[1] > 0
    assert abs(up[0]) < 1e-12
    assert forward[0] < 0 < left[0]


def rings_of(d: str) -> list[np.ndarray]:
    """Rings of absolute M, L, Z path data."""
    return [np.array(re.findall(r"-?\d+\.?\d*", piece), float).reshape(-1, 2) for piece in d.split("M")[1:]]


def as_drawn(picture: Picture, nodes_mm: np.ndarray, side: np.ndarray) -> np.ndarray:
    """Nodes on paper, by the bounds of the left panel's drawn edge."""
    _, left, _ = (rings_of(stroke.d)[0] for stroke in picture.strokes if stroke.role == "panel edge")
    plane = on_plane(nodes_mm) * np.array([1.0, -1.0])
    mine = plane[side == 1]
    scale = np.ptp(left, axis=0) / np.ptp(mine, axis=0)
    assert scale[0] == pytest.approx(scale[1], rel=1e-2)
    return np.asarray(left.min(axis=0) + scale * (plane - mine.min(axis=0)))


def test_bands_of_the_still_lie_where_the_pressure_is() -> None:
    """Each node lies in the band of its pressure, save within a tenth of a band of an edge."""
    fit = example_fit()
    levels = levels_kpa(fit, "mounted")
    contact, pressure = fit.as_found, fit.as_found.cases["mounted"].pressure_kpa
    picture = oblique_view(body_obliquely(fit.back.surface, WIDE_MM), contact, "mounted", levels)
    nodes = as_drawn(picture, contact.nodes_mm, contact.side)
    right = told = 0
    for k in range(len(levels) - 1):
        rings = [ring for s in picture.strokes if s.fill == band_colour(k, levels) for ring in rings_of(s.d)]
        inside = pressure > max(levels[k], 0.1) + 0.1 * levels[1]
        for node in nodes[inside & (pressure < levels[k + 1] - 0.1 * levels[1])]:
            told += 1
            right += sum(Polygon(ring).buffer(0.05).contains(Point(node)) for ring in rings) % 2
    assert told > 100
    assert right / told > 0.97


def test_the_still_shows_nothing_where_nothing_is_known() -> None:
    fit = example_fit()
    mounted = fit.as_found.cases["mounted"]
    blind = replace(mounted, pressure_kpa=np.full_like(mounted.pressure_kpa, np.nan))
    contact = replace(fit.as_found, cases={**fit.as_found.cases, "mounted": blind})
    picture = oblique_view(body_obliquely(fit.back.surface, WIDE_MM), contact, "mounted", levels_kpa(fit, "mounted"))
    assert not [stroke for stroke in picture.strokes if stroke.role == "cell"]
    assert len([stroke for stroke in picture.strokes if stroke.role == "panel edge"]) == 3


@pytest.mark.parametrize("seed", range(8))
def test_a_rough_back_with_holes_is_drawn(seed: int) -> None:
    """Folds and holes of a bad scan: strips that cross themselves on paper are joined all the same."""
    rng = np.random.default_rng(seed)
    fit = example_fit()
    surface = fit.back.surface
    radius = surface.radius_mm + rng.normal(0.0, 25.0, surface.radius_mm.shape)
    radius[rng.random(radius.shape) < 0.2] = np.nan
    rough = replace(surface, radius_mm=radius)
    picture = oblique_view(body_obliquely(rough, WIDE_MM), fit.as_found, "mounted", levels_kpa(fit, "mounted"))
    for stroke in picture.strokes:
        for ring in rings_of(stroke.d):
            assert (ring[:, 0] >= -0.01).all()
            assert (ring[:, 0] <= WIDE_MM + 0.01).all()


def test_a_western_saddle_has_bars() -> None:
    fit = example_fit()
    assert ">panels on<" in turning_view(fit)
    assert ">bars on<" in turning_view(replace(fit, saddle=replace(fit.saddle, style="western")))
