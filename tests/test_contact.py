"""Contact: against independent solvers, from any start, with its proof, and under changes that must not matter."""

import numpy as np
import pytest
from contact_programs import by_clarabel, by_scipy, random_bed

from shimwright.optimize.contact import Bed, compression, solve
from shimwright.optimize.materials import load_materials
from shimwright.scan.refusal import InputRefused


@pytest.mark.parametrize("seed", range(20))
def test_same_as_cvxpy_and_clarabel(seed: int) -> None:
    bed, force = random_bed(np.random.default_rng(seed), 120, modes=4 * (seed % 2))
    found, other = solve(bed, force), by_clarabel(bed, force)
    assert found.pressure_kpa == pytest.approx(other, rel=1e-3, abs=1e-3 * other.max())


@pytest.mark.parametrize("seed", range(20, 40))
def test_same_as_scipy(seed: int) -> None:
    bed, force = random_bed(np.random.default_rng(seed), 200, modes=4 * (seed % 2))
    found, other = solve(bed, force), by_scipy(bed, force)
    assert found.pressure_kpa == pytest.approx(other, rel=1e-3, abs=1e-3 * other.max())


def test_a_thousand_cold_starts() -> None:
    rng = np.random.default_rng(7)
    steps = []
    for case in range(50):
        bed, force = random_bed(rng, 150, modes=4 * (case % 2))
        home = solve(bed, force)
        for _ in range(20):
            start = np.append(
                [rng.uniform(-60, 60), *rng.uniform(-0.2, 0.2, 2)], rng.normal(0, 5, bed.ways.shape[1] - 3)
            )
            found = solve(bed, force, start)
            steps.append(found.steps)
            assert found.proof.force_n <= 1e-6 * force[0]
            assert found.proof.moment_nmm <= 1e-6 * force[0] * 200
            assert found.pressure_kpa == pytest.approx(home.pressure_kpa, rel=1e-5, abs=1e-6)
    assert max(steps) <= 40


def test_proof_is_computed_apart_and_can_fail() -> None:
    from shimwright.optimize.contact import check

    bed, force = random_bed(np.random.default_rng(3), 100)
    found = solve(bed, force)
    assert found.proof.complementarity < 1e-9
    off = check(bed, force, found.q + np.array([0.1, 0, 0]), 0)
    assert off.proof.force_n > 1e-3 * force[0]


def test_layers_in_series_add_their_compression() -> None:
    """At equal pressure the deflections of layers in series add (Johnson 4.3): a flat punch on felt, foam and
    tissue.
    """
    laws = load_materials()
    table = compression([(laws["felt"], 10.0), (laws["foam"], 12.0)], [], 5.0)
    n = 16
    x = np.linspace(-100, 100, n)
    ways = np.column_stack([np.ones(n), x, np.cos(x)])
    bed = Bed(np.full(n, 5000.0), np.zeros(n), ways, np.zeros((3, 3)), np.zeros((n, 0)), table)
    kpa = 20.0
    found = solve(bed, 5.0 * n * kpa * np.array([1.0, x.mean(), np.cos(x).mean()]))
    assert found.pressure_kpa == pytest.approx(kpa, rel=1e-6)
    expected = 10 * (1 - (1 + kpa / 70) ** (-1 / 3)) + 12 * (0.03 + 0.935 * 10 / (10 + 101.325)) + kpa / 5
    assert found.q[0] == pytest.approx(expected, rel=1e-3)


def test_contact_along_one_line_leaves_a_tilt_open() -> None:
    n = 50
    x = np.linspace(-100, 100, n)
    ways = np.column_stack([np.ones(n), x, np.zeros(n)])
    bed = Bed(np.full(n, 100.0), np.zeros(n), ways, np.zeros((3, 3)), np.zeros((n, 0)), compression([], [], 10.0))
    found = solve(bed, np.array([10.0, 0.0, 0.0]))
    assert found.determined.tolist() == [True, True, False]


def test_nothing_to_balance_is_refused() -> None:
    bed, force = random_bed(np.random.default_rng(5), 60)
    with pytest.raises(InputRefused, match="load"):
        solve(bed, 0 * force)
    with pytest.raises(InputRefused, match="unbalanced"):
        solve(bed, force[0] * np.array([1.0, 4000.0, 0.0]))


@pytest.mark.parametrize("stiffness", [0.0, -1.0, np.nan])
def test_tissue_without_stiffness_is_refused(stiffness: float) -> None:
    with pytest.raises(InputRefused, match="stiffness"):
        compression([], [], stiffness)
