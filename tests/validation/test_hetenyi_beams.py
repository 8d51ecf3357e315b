"""Beams on an elastic foundation: M. Hetényi 1946; plates: Hertz 1884, Westergaard 1926 [from memory], worked in
reference.md §5; free–free modes (any text on vibration).

Equation: β = (k′/4EI)^¼, w₀ = Pβ/(2k′), M₀ = P/(4β); free beam by cosh, cos of l = βL; cos(βL)cosh(βL) = 1.
Tolerance: the printed digits (1e-6 to 1e-4) for formula and elements, 1e-5 for the modes' roots, 5 % for few modes
against all (DESIGN §7).
"""

import numpy as np
import pytest
from scipy.linalg import eigh

from shimwright.optimize import closed_forms
from shimwright.optimize.contact import Bed, compression, solve
from shimwright.optimize.flexible import beam_matrices, pair_modes

K_LINE, EI = 0.010 * 60, 5e6


def test_closed_forms_give_the_worked_numbers() -> None:
    assert closed_forms.beam_beta(K_LINE, EI) == pytest.approx(0.01316074, rel=1e-6)
    assert closed_forms.infinite_beam(200, K_LINE, EI) == pytest.approx((2.193457, 3799.178), rel=1e-6)
    assert closed_forms.free_beam(200, 300, K_LINE, EI) == pytest.approx((2.371904, -0.501626), rel=1e-5)
    assert closed_forms.free_beam(200, 900, K_LINE, EI) == pytest.approx((2.193564, 0.021991), rel=1e-4)
    d, w0, _ = closed_forms.infinite_plate(50, 5, 3, 0.3, 0.010)
    assert (d, w0) == pytest.approx((12.36264, 17.77561), rel=1e-6)
    assert closed_forms.plate_share(1.0) == pytest.approx(0.630247, rel=1e-5)


@pytest.mark.parametrize("length", [300.0, 900.0])
def test_beam_elements_on_springs(length: float) -> None:
    x = np.linspace(-length, 0, 201)
    stiffness, mass = beam_matrices(x, EI)
    force = np.zeros(len(stiffness))
    force[2 * 100] = 200.0
    w = np.linalg.solve(stiffness + K_LINE * mass, force)[::2]
    assert (w[100], w[0]) == pytest.approx(closed_forms.free_beam(200, length, K_LINE, EI), rel=1e-4)


def test_free_free_modes() -> None:
    stiffness, mass = beam_matrices(np.linspace(-1, 0, 97), 1.0)
    roots = np.abs(eigh(stiffness, mass, eigvals_only=True)[2:5]) ** 0.25
    assert roots == pytest.approx(closed_forms.FREE_FREE, rel=1e-5)


def test_symmetric_modes_of_the_pair_are_the_free_beams() -> None:
    """Without a stiff arch, one symmetric mode of the pair bends both beams like the single free–free beam."""
    modes = pair_modes(400.0, 5.0, 0.0, 4)
    first = modes.shape[:, ~modes.antisymmetric][:, 0]
    assert first[[0, -1]] == pytest.approx([first[0], first[0]])
    crossing = modes.x_mm[:-1][np.diff(np.sign(first)) != 0]
    assert -crossing[-1] / 400 == pytest.approx(0.2242, abs=0.01)  # node of the first free–free mode


@pytest.mark.parametrize(("ei_nm2", "count"), [(30.0, 4), (5.0, 8)])
def test_modes_against_the_whole_beam(ei_nm2: float, count: int) -> None:
    """A free beam on springs by rigid body and modes only: peak deflection under a point load within 5 %.

    A point load is the hardest case: at EI 5 it takes eight modes, four leave 7 %.
    """
    length = 300.0
    modes = pair_modes(length, ei_nm2, 0.0, count)
    symmetric = ~modes.antisymmetric
    x = np.linspace(-length, 0, 301)[:-1] + 0.5
    shapes = np.column_stack([np.interp(x, modes.x_mm, column) for column in modes.shape[:, symmetric].T])
    ways = np.column_stack([np.ones(x.size), x + length / 2, np.zeros(x.size), shapes])
    stiffness = np.zeros((ways.shape[1],) * 2)
    np.fill_diagonal(stiffness[3:, 3:], modes.stiffness_n_mm[symmetric] / 2)
    force = np.append([200.0, 0.0, 0.0], 200 * shapes[[149, 150]].mean(axis=0))
    lifted = 50.0  # prestress: the foundation of the formula takes tension, so press the whole beam down first
    area = np.full(x.size, 60.0)
    bed = Bed(area, np.full(x.size, lifted), ways, stiffness, np.zeros((x.size, 0)), compression([], [], 10.0))
    force = force + ways.T @ (area * 0.010 * lifted)
    found = solve(bed, force)
    down = ways @ found.q
    assert down.max() == pytest.approx(closed_forms.free_beam(200, length, K_LINE, 1e6 * ei_nm2)[0], rel=0.05)
