"""Felt: form of van Wyk 1946, J Text Inst 37:T285; C of reference.md §4 (weak, from memory).

Equation: p = C[(1 − ε)⁻ⁿ − 1], n = 3.
Tolerance: 26/67/134 kPa at 10/20/30 % for C 70 within 0.5 kPa (the last printed digit); the shipped tables follow
the law within 0.2 % of strain.
"""

import numpy as np
import pytest

from shimwright.optimize.materials import felt_pressure_kpa, load_materials


@pytest.mark.parametrize(("strain", "kpa"), [(0.10, 26), (0.20, 67), (0.30, 134)])
def test_felt_of_70_kpa(strain: float, kpa: float) -> None:
    assert felt_pressure_kpa(np.array(strain), 70.0) == pytest.approx(kpa, abs=0.5)
    felt = load_materials()["felt"]
    assert np.interp(strain, felt.strain, felt.pressure_kpa) == pytest.approx(kpa, abs=0.5)


@pytest.mark.parametrize(("name", "c"), [("felt-soft", 30.0), ("felt", 70.0), ("felt-firm", 150.0)])
def test_table_follows_the_law(name: str, c: float) -> None:
    law = load_materials()[name]
    p = np.linspace(0.5, law.range_kpa, 400)
    assert law.strain_at(p) == pytest.approx(1 - (1 + p / c) ** (-1 / 3), rel=2e-3)
