"""Contact on an elastic (Winkler) bed: K. L. Johnson, Contact Mechanics, 1985, §4.3 [from memory], worked in
reference.md §5.

Equation: flat punch p = P/A; paraboloid P = πkRδ², a = √(2Rδ), p₀ = kδ; elliptic with √(R₁R₂); cylinder P′ =
2ka³/(3R).
Tolerance: force and sink 0.5 % for a/h ≥ 20, peak 0.5 %, radius within half a cell; 1e-9 for the flat punch.
"""

import numpy as np
import pytest
from springs import K, grid, press

from shimwright.optimize import closed_forms


def test_flat_punch() -> None:
    nodes = grid(400, 200, 80, 40)
    found = press(nodes, np.zeros(nodes.x.size), 800)
    assert found.pressure_kpa == pytest.approx(10.0, rel=1e-9)
    assert found.q[0] == pytest.approx(1.0, rel=1e-9)
    formula = closed_forms.flat_punch(800, 400 * 200, K)
    assert (formula.peak_kpa, formula.sink_mm) == pytest.approx((10.0, 1.0))


@pytest.mark.parametrize(
    ("r1", "r2", "sink", "a", "b"),
    [(300, 300, 4.60659, 52.5733, 52.5733), (300, 1200, 3.25735, 44.2087, 88.4174)],
)
def test_paraboloids(r1: float, r2: float, sink: float, a: float, b: float) -> None:
    formula = closed_forms.elliptic_paraboloid(200, r1, r2, K)
    assert (formula.sink_mm, formula.a_mm, formula.b_mm) == pytest.approx((sink, a, b), rel=1e-5)
    nodes = grid(160, 240, 160, 240)
    found = press(nodes, nodes.x**2 / (2 * r1) + nodes.y**2 / (2 * r2), 200)
    assert found.q[0] == pytest.approx(sink, rel=5e-3)
    assert found.pressure_kpa.max() == pytest.approx(1000 * K * sink, rel=5e-3)
    touching = found.pressure_kpa > 0
    assert nodes.x[touching].max() + 0.5 == pytest.approx(a, abs=0.5)
    assert nodes.y[touching].max() + 0.5 == pytest.approx(b, abs=0.5)


def test_cylinder() -> None:
    formula = closed_forms.cylinder(2, 150, K)
    assert (formula.a_mm, formula.sink_mm) == pytest.approx((35.5689, 4.21716), rel=1e-5)
    nodes = grid(100, 10, 400, 2)
    found = press(nodes, nodes.x**2 / 300, 20)
    assert found.q[0] == pytest.approx(4.21716, rel=5e-3)
    assert nodes.x[found.pressure_kpa > 0].max() + 0.125 == pytest.approx(35.5689, abs=0.125)


def test_scaling_k_divides_the_sink_and_leaves_flat_pressures() -> None:
    nodes = grid(400, 200, 40, 20)
    soft, stiff = (press(nodes, np.zeros(nodes.x.size), 800, 30, 10, k) for k in (K, 3 * K))
    assert stiff.q * 3 == pytest.approx(soft.q, rel=1e-9)
    assert stiff.pressure_kpa == pytest.approx(soft.pressure_kpa, rel=1e-9)


def test_radius_error_falls_with_the_grid() -> None:
    """Midpoint cells on a smooth profile: the sink converges at second order or better."""
    errors = []
    for n in (40, 80, 160):
        nodes = grid(160, 160, n, n)
        errors.append(abs(press(nodes, (nodes.x**2 + nodes.y**2) / 600, 200).q[0] - 4.6065886596))
    assert errors[0] < 0.005 * 4.6
    assert errors[2] < errors[0] / 8
