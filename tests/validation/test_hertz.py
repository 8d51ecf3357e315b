"""Coupled layers in two directions: a thick layer is a half-space to a small sphere. Hertz 1882 in K. L. Johnson,
Contact Mechanics, eq. 4.22–4.24 [from memory].

Equation: a³ = 3PR/4E*, p₀ = 3P/2πa², E* = E/(1 − ν²).
Tolerance: 3 % in peak and radius, 1e-5 in force.
"""

import numpy as np
import pytest

from shimwright.optimize.layers import Layer, Plate, settle_coupled


@pytest.mark.parametrize("nu", [0.0, 0.30])
def test_sphere_on_a_thick_layer(nu: float) -> None:
    young, radius, load, step = 150.0, 300.0, 4.0, 1.5
    star = 1e-3 * young / (1 - nu**2)
    a = (0.75 * load * radius / star) ** (1 / 3)
    half = np.arange(-2 * a, 2 * a + step, step)
    x, y = np.meshgrid(half, half, indexing="ij")
    area = np.full(x.shape, step**2)
    plate = Plate(step, area, -(x**2 + y**2) / (2 * radius), np.ones((*x.shape, 1)), np.zeros(x.shape))
    found = settle_coupled([plate], [Layer(12 * a, young, nu)], np.zeros((1, 1)), np.array([load]))
    pressure = found.pressure_kpa[0]
    assert pressure.max() == pytest.approx(1000 * 1.5 * load / (np.pi * a**2), rel=0.03)
    assert np.sqrt(step**2 * (pressure > 0).sum() / np.pi) == pytest.approx(a, rel=0.03)
    assert 1e-3 * step**2 * pressure.sum() == pytest.approx(load, rel=1e-5)
