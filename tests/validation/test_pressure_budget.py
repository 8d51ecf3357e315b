"""The pressure budget (arithmetic, worked in reference.md §1): rider 75 kg and saddle 9 kg on 1200 cm² give 6.9 kPa
standing, 13.0 at trot (2×), 16.1 at canter (2.5×).

Equation: p = (F·rider + saddle)·g/A, g 9.80665. Tolerance: 0.05 kPa, the last printed digit.
Beside it the multiples of body weight that were measured: de Cocq et al. 2010, J Biomech 43:627–631 (trot 1.95 to
3.03); Fruehwirth et al. 2004, Equine Vet J 36:754–757 [from memory]: walk 12.1, trot 24.3, canter 27.2 N per kg.
"""

import numpy as np
import pytest
from plain_tack import changed, saddle
from springs import grid, press

from shimwright.optimize.case import Rider
from shimwright.optimize.loads import RIDER_FACTOR, STRAP_N, load_cases
from shimwright.optimize.underside import underside

GRAVITY = 9.80665
BUDGET = {"mounted": 6.9, "trot": 13.0, "canter": 16.1}
AREA_M2 = 0.12


@pytest.mark.parametrize(("factor", "kpa"), [(1.0, 6.9), (2.0, 13.0), (2.5, 16.1)])
def test_budget(factor: float, kpa: float) -> None:
    nodes = grid(400, 300, 40, 30)
    found = press(nodes, np.zeros(nodes.x.size), (75 * factor + 9) * GRAVITY)
    assert found.pressure_kpa.mean() == pytest.approx(kpa, abs=0.05)


@pytest.mark.parametrize("name", BUDGET)
def test_the_load_cases_follow_it(name: str) -> None:
    """Less the two straps, which the budget leaves out."""
    tack = changed(saddle(), mass_kg=9.0)
    load = load_cases(tack, underside(tack, None, 20.0), Rider(weight_kg=75.0), (name,))[name]
    assert (load.total_n - 2 * STRAP_N) / AREA_M2 / 1000 == pytest.approx(BUDGET[name], abs=0.05)


def test_multiples_lie_among_those_measured() -> None:
    assert 1.95 <= RIDER_FACTOR["trot"] <= 3.03
    for gait, n_per_kg in {"walk": 12.1, "trot": 24.3, "canter": 27.2}.items():
        assert RIDER_FACTOR[gait] * GRAVITY == pytest.approx(n_per_kg, rel=0.2)
