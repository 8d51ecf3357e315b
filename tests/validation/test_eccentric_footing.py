"""Rigid footing without tension, eccentric one and two ways: any text on footings [from memory], worked in
reference.md §5.

Equation: q = P/(BL)(1 ± 6e/B) for e ≤ B/6; beyond, contact 3(B/2 − e), q_max = 2P/[3L(B/2 − e)]; corner triangle
6P/(uv), u = 4(B/2 − e_x).
Tolerance: 2e-5 for the formula (printed digits), 0.05 % one way, 0.2 % two ways on 400 × 400 cells.
"""

import numpy as np
import pytest
from springs import grid, press

from shimwright.optimize import closed_forms

FOOTING = grid(400, 200, 800, 2)


@pytest.mark.parametrize(
    ("e", "most", "least", "contact"),
    [(40, 16.0, 4.0, 400), (100, 26.667, 0, 300), (150, 53.333, 0, 150)],
)
def test_one_way(e: float, most: float, least: float, contact: float) -> None:
    formula = closed_forms.footing_kpa(800, 400, 200, e)
    assert formula == pytest.approx((most, least, contact), rel=2e-5)
    found = press(FOOTING, np.zeros(FOOTING.x.size), 800, e)
    edge = (found.q[0] + 200 * found.q[1]) * 10
    assert edge == pytest.approx(most, rel=5e-4)
    other = max((found.q[0] - 200 * found.q[1]) * 10, 0.0)
    assert other == pytest.approx(least, abs=0.01)
    assert 400 * np.mean(found.pressure_kpa > 0) == pytest.approx(contact, abs=0.5)


@pytest.mark.parametrize("share", closed_forms.TWO_WAY)
def test_two_way(share: float) -> None:
    nodes = grid(400, 200, 400, 400)
    found = press(nodes, np.zeros(nodes.x.size), 800, share * 400, share * 200)
    corner = 10 * (found.q[0] + 200 * found.q[1] + 100 * found.q[2])
    assert corner / 10 == pytest.approx(closed_forms.TWO_WAY[share], rel=2e-3)


@pytest.mark.parametrize("share", [0.25, 0.30])
def test_corner_triangle(share: float) -> None:
    formula = closed_forms.corner_kpa(800, 400, 200, share * 400, share * 200)
    assert formula / 10 == pytest.approx(closed_forms.TWO_WAY[share], rel=1e-4)
