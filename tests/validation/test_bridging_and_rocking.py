"""A straight rigid panel over a hollow and on a hump, on springs without tension: derived by integration [D].

Equation: bridging P′ = k(L − c)²(L + 2c)/(3R), p_end = k(L² − c²)/(2R), closes at kL³/(3R); rocking as a cylinder,
full at 2kL³/(3R); worked in reference.md §5 (L 200, R 2000, P′ 2).
Tolerance: 1e-4 for the formula, half a cell (0.25 mm) for the edge of contact, 0.2 % for the pressure.
"""

import numpy as np
import pytest
from springs import K, grid, press

from shimwright.optimize import closed_forms

PANEL = grid(400, 1, 1600, 1)


def test_bridging() -> None:
    c, end, closes = closed_forms.bridging(2, 200, 2000, K)
    assert (c, end, closes) == pytest.approx((151.1195, 42.9072, 13.333), rel=1e-4)
    found = press(PANEL, (200**2 - PANEL.x**2) / 4000, 2)
    assert np.abs(PANEL.x[found.pressure_kpa > 0]).min() == pytest.approx(c, abs=0.25)
    assert 1000 * K * found.q[0] == pytest.approx(end, rel=2e-3)


@pytest.mark.parametrize(("load", "open_share"), [(13.30, 0.0049), (13.36, 0.0)])
def test_the_hollow_closes_at_its_load(load: float, open_share: float) -> None:
    found = press(PANEL, (200**2 - PANEL.x**2) / 4000, load)
    assert (np.mean(found.pressure_kpa <= 0) > 0) == (open_share > 0)


def test_rocking() -> None:
    formula, full = closed_forms.rocking(2, 200, 2000, K)
    assert (formula.a_mm, formula.peak_kpa, full) == pytest.approx((84.3433, 17.7845, 26.667), rel=1e-4)
    found = press(PANEL, PANEL.x**2 / 4000, 2)
    assert np.abs(PANEL.x[found.pressure_kpa > 0]).max() == pytest.approx(84.3433, abs=0.25)
    assert 1000 * K * found.q[0] == pytest.approx(17.7845, rel=2e-3)
    for load, touching in ((26.6, False), (26.8, True)):
        assert bool((press(PANEL, PANEL.x**2 / 4000, load).pressure_kpa > 0).all()) is touching
