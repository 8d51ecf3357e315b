"""The midline against the exact spine of invented horses: turned necks, a bent and a leaning back."""

from dataclasses import replace

import numpy as np
import pytest

from shimwright.scan.midline import find_midline, trunk_line
from shimwright.scan.surface import Surface
from shimwright.scan.synthetic import BUILDS, HorseShape, exact_surface, true_midline
from shimwright.scan.topline import topline_landmarks

TRUNK_MM = np.arange(-600.0, -49.0, 10.0)


def _aside(shape: HorseShape, x: np.ndarray) -> np.ndarray:
    """Distance of the found line from the exact spine, mm, + = left."""
    found, exact = find_midline(exact_surface(shape)), true_midline(shape)
    return np.asarray(found.at(x)[0] - exact.at(x)[0])


@pytest.mark.parametrize("build", ["level", "level knee", "flat", "high-withered"])
@pytest.mark.parametrize("turn_deg", [0.0, 20.0, -35.0])
def test_a_turned_neck_does_not_draw_the_line_off_the_trunk(build: str, turn_deg: float) -> None:
    shape = replace(BUILDS[build], neck_turn_deg=turn_deg)
    assert np.abs(_aside(shape, TRUNK_MM)).max() < 3.0
    assert abs(_aside(shape, np.zeros(1))[0]) < 5.0
    assert np.abs(_aside(shape, np.array([150.0, 180.0]))).max() < 5.0  # and in front it follows the neck


@pytest.mark.parametrize("turn_deg", [20.0, -35.0])
@pytest.mark.parametrize("build", ["level", "level knee"])
def test_withers_of_a_turned_neck_are_those_of_a_straight_one(build: str, turn_deg: float) -> None:
    shape = BUILDS[build]
    found = [_withers(replace(shape, neck_turn_deg=turn)) for turn in (0.0, turn_deg)]
    assert found[0][1] == found[1][1]
    assert found[1][0] == pytest.approx(found[0][0], abs=3.0 if build == "level" else 25.0)


def _withers(shape: HorseShape) -> tuple[float, str]:
    line = find_midline(exact_surface(shape))
    found = topline_landmarks(line.x_mm, line.z_mm, line.sd_z_mm)
    return found.withers_x, found.withers_kind


def test_the_trunks_own_line_goes_straight_on_beside_the_neck() -> None:
    shape = replace(BUILDS["level"], neck_turn_deg=30.0)
    line = trunk_line(exact_surface(shape))
    assert np.abs(line.at(np.array([-300.0, 0.0, 150.0]))[0]).max() < 1.5
    assert true_midline(shape).at(np.array([150.0]))[0][0] > 50.0


def test_a_bent_back_is_followed() -> None:
    assert np.abs(_aside(BUILDS["bent"], TRUNK_MM)).max() < 2.0


def test_the_sd_widens_where_little_shows_the_spine() -> None:
    sd = {build: np.interp(-300.0, *_sd(exact_surface(BUILDS[build]))) for build in ("narrow", "flat")}
    assert sd["flat"] > 1.2 * sd["narrow"]


def _sd(surface: Surface) -> tuple[np.ndarray, np.ndarray]:
    line = find_midline(surface)
    return line.x_mm, line.sd_y_mm
