"""Coupled layers against plane-strain finite elements (quadratic quadrilaterals, computed independently:
reference.md §5).

Foam 20 mm, E 0.15 MPa, ν 0, on tissue 40 mm, E 0.06 MPa, bonded to a rigid base; a rigid frictionless profile over
|x| ≤ 200 mm carries 2 N/mm.
Equation: surface compliance of the layers per wavenumber by transfer matrices, contact p ≥ 0 by an active set
(DESIGN §7).
Tolerance: peak and sink within 3 %, share in contact within 0.025, on a grid ≤ 2 mm (DESIGN §13); springs of M/h and
E/h beside them within 0.06 kPa of the same table.
"""

from collections.abc import Callable

import numpy as np
import pytest
from springs import grid

from shimwright.optimize.contact import Bed, compression, solve
from shimwright.optimize.layers import Layer, Plate, compliance, settle_coupled
from shimwright.scan.raw import FloatArray

Profile = Callable[[FloatArray], FloatArray]


def hump(x: FloatArray) -> FloatArray:
    return x**2 / 4000


def wave(x: FloatArray) -> FloatArray:
    return 3 * (1 - np.cos(3 * np.pi * x / 200))


TABLE = [
    (hump, 0.30, 9.6, 6.07, 0.72, 9.6, 8.9),
    (hump, 0.45, 11.3, 4.01, 0.63, 12.2, 8.9),
    (wave, 0.30, 11.7, 6.10, 0.64, 9.8, 8.7),
    (wave, 0.45, 12.2, 4.53, 0.63, 13.1, 8.7),
]


def layers(nu: float) -> tuple[Layer, Layer]:
    return Layer(20.0, 150.0, 0.0), Layer(40.0, 60.0, nu)


@pytest.mark.parametrize("step", [2.0, 1.0])
@pytest.mark.parametrize(("profile", "nu", "peak", "sink", "share"), [row[:5] for row in TABLE])
def test_coupled_layers(profile: Profile, nu: float, peak: float, sink: float, share: float, step: float) -> None:
    x = (np.arange(round(400 / step)) + 0.5)[:, None] * step - 200
    shape = (x.size, 1)
    plate = Plate(step, np.full(shape, step), -profile(x), np.ones((*shape, 1)), np.zeros(shape))
    found = settle_coupled([plate], layers(nu), np.zeros((1, 1)), np.array([2.0]))
    assert found.q[0] == pytest.approx(sink, rel=0.03)
    assert found.pressure_kpa[0].max() == pytest.approx(peak, rel=0.03)
    assert float((found.pressure_kpa[0] > 0).mean()) == pytest.approx(share, abs=0.025)
    assert 1e-3 * step * found.pressure_kpa[0].sum() == pytest.approx(2.0, rel=1e-5)


@pytest.mark.parametrize(("profile", "nu", "confined_peak", "young_peak"), [(r[0], r[1], r[5], r[6]) for r in TABLE])
def test_springs_of_the_table(profile: Profile, nu: float, confined_peak: float, young_peak: float) -> None:
    """The same two columns of springs: each layer's M/h, and E/h."""
    nodes = grid(400, 1, 400, 1)
    for modulus, peak in ((layers(nu)[1].confined_kpa, confined_peak), (60.0, young_peak)):
        k = 1 / (20 / 150 + 40 / modulus)
        ways = np.column_stack([np.ones(400), nodes.x, np.zeros(400)])
        bed = Bed(np.ones(400), -profile(nodes.x), ways, np.zeros((3, 3)), np.zeros((400, 0)), compression([], [], k))
        assert solve(bed, np.array([2.0, 0.0, 0.0])).pressure_kpa.max() == pytest.approx(peak, abs=0.06)


def test_compliance_limits() -> None:
    """Long waves feel Σ h/M, short ones a half-space of the top layer: C → 2(1 − ν²)/(E k) (Johnson §2, from
    memory).
    """
    foam, tissue = layers(0.45)
    c = compliance([foam, tissue], np.array([0.0, 1e-4, 2.0, 4.0]))
    long_wave = 20 / 150 + 40 / tissue.confined_kpa
    assert c[:2] == pytest.approx(long_wave, rel=1e-3)
    assert c[2:] == pytest.approx(2 / (150 * np.array([2.0, 4.0])), rel=1e-6)
