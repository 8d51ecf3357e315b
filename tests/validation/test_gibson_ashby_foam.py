"""Closed-cell foam: Gibson, Ashby, Cellular Solids [from memory], made continuous at 0 (reference.md §4).

Equation: ε = ε_y·min(p/p_c, 1) + (1 − R − ε_y)·s/(s + p_atm), s = max(p − p_c, 0). 33 kg/m³ cross-linked
polyethylene: the law gives 41/76/112/168 kPa at 25/40/50/60 %, the data sheet 40/75/115/175.
Tolerance: 0.6 kPa to the law's worked figures, 5 % to the sheet.
"""

import numpy as np
import pytest

from shimwright.optimize.materials import load_materials, saturating_strain

FOAM = load_materials()["foam"]


@pytest.mark.parametrize(
    ("strain", "law_kpa", "sheet_kpa"), [(0.25, 41, 40), (0.40, 76, 75), (0.50, 112, 115), (0.60, 168, 175)]
)
def test_foam(strain: float, law_kpa: float, sheet_kpa: float) -> None:
    found = float(np.interp(strain, FOAM.strain, FOAM.pressure_kpa))
    assert found == pytest.approx(law_kpa, abs=0.6)
    assert found == pytest.approx(sheet_kpa, rel=0.05)


def test_continuous_at_the_start() -> None:
    assert FOAM.strain_at(1e-9) == pytest.approx(0.0, abs=1e-9)
    assert 10.0 in FOAM.pressure_kpa


def test_mesh_formula() -> None:
    """ε = ε_m p/(p + p_h), mesh 0.75 and 13 kPa: half of ε_m at p_h."""
    assert saturating_strain(np.array(13.0), 0.75, 13.0) == pytest.approx(0.375)
    assert load_materials()["spacer-mesh"].strain_at(13.0) == pytest.approx(0.375, rel=2e-3)
