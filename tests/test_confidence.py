"""Confidence: correlated noise, its share, and the input that matters (DESIGN §8)."""

import numpy as np
import pytest
import tack
from planted import planted
from test_planted import drawn_setup, heights, with_noise

from shimwright.optimize.confidence import (
    INPUTS,
    correlated_field,
    costs_of,
    drawn,
    drawn_alone,
    regret,
    share_best,
    share_better,
)
from shimwright.optimize.fit import choices, drawable, prepared
from shimwright.optimize.materials import tissue
from shimwright.optimize.search import search


def test_noise_has_unit_variance_and_the_told_correlation() -> None:
    """Covariance exp(−d²/2ℓ²) by random Fourier features (Rahimi and Recht 2007, from memory): 0.607 at ℓ."""
    field = correlated_field(np.random.default_rng(1), 4000, 80.0)
    noise = field.at(np.array([[0.0, 0.0], [80.0, 0.0], [0.0, 160.0], [400.0, 0.0]]))
    assert noise.std(axis=0) == pytest.approx(np.ones(4), abs=0.05)
    correlation = np.corrcoef(noise.T)[0]
    assert correlation[1:] == pytest.approx([np.exp(-0.5), np.exp(-2.0), 0.0], abs=0.06)


def test_one_input_alone() -> None:
    rng = np.random.default_rng(2)
    for name in INPUTS:
        alone = drawn_alone(rng, name, 50)
        moved = {
            INPUTS[0]: alone.scan > 0,
            INPUTS[1]: alone.placing.any(),
            INPUTS[2]: alone.rider.any(),
            INPUTS[3]: (alone.tissue_kpa_per_mm != tissue().stiffness_kpa_per_mm).any(),
            INPUTS[4]: alone.bend.any(),
        }
        assert {key for key, value in moved.items() if value} == {name}
    steps = drawn_alone(rng, INPUTS[1], 12).placing
    assert np.mean(steps**2) == pytest.approx(1 / 3, rel=0.01)  # second moment of the uniform law on −1 … 1
    soft = drawn(rng, 5000).tissue_kpa_per_mm
    assert 2.0 <= soft.min() < 2.1
    assert 19.5 < soft.max() <= 20.0
    assert np.median(soft) == pytest.approx(np.sqrt(2.0 * 20.0), rel=0.05)  # log-uniform


def test_shares_by_hand() -> None:
    inf = np.inf
    costs = np.array([[0.50, 0.51, 0.90], [0.60, 0.50, 0.90], [inf, 0.40, 0.90], [0.30, inf, inf]])
    assert share_best(costs, 0) == 0.5  # first a tie within 0.02, last alone within limits
    assert share_best(costs, 1) == 0.75
    assert share_better(costs, 0, 2) == 0.75
    assert regret(costs, 2) == pytest.approx((0.4 + 0.4 + 0.5 + 1.0) / 4)


def shares(seed: int, sd_mm: float, thicknesses: tuple[float, ...], rider_kg: float) -> tuple[bool, float, float]:
    """Planted under correlated noise: picked rightly?, share over all draws, share over draws of the scan alone."""
    pad, saddle, rng = tack.pad(3, thicknesses), tack.saddle(30.0, arches=0), np.random.default_rng(seed)
    setup = drawn_setup(rng, pad, None, thicknesses)
    plant = planted(saddle, pad, setup, rider_kg)
    job = prepared(with_noise(plant.back, rng, sd_mm), plant.saddle, pad, plant.case)
    options, rule = choices(job)
    found = search(options, pad, plant.saddle, rule, job.found_setup, lambda _: None)
    assert found.best is not None
    field = drawable(job, options, rule, found, found.best.setup)
    setups = list(field.leading)
    if found.best.setup not in setups:
        setups.append(found.best.setup)
    both = []
    for only in (None, INPUTS[0]):
        rng = np.random.default_rng(7)
        draws = drawn(rng, 200) if only is None else drawn_alone(rng, only, 200)
        costs, kept = costs_of(setups, field.options, job.stacks, pad, rule, draws)
        both.append(share_best(np.where(kept, costs, np.inf), setups.index(found.best.setup)))
    return heights(found.best.setup) == heights(setup), both[0], both[1]


def told_and_right(seen: list[tuple[bool, float, float]], which: int) -> tuple[int, int]:
    told = [row[0] for row in seen if row[which] >= 0.8]
    return len(told), sum(told)


@pytest.mark.accuracy
@pytest.mark.parametrize(
    ("sd_mm", "thicknesses", "rider_kg", "least_by_scan", "least_by_all"),
    [(0.5, (3.0, 6.0), 45.0, 40, 0), (1.0, (3.0, 6.0), 45.0, 0, 0), (0.5, (6.0,), 75.0, 40, 40)],
)
def test_planted_under_correlated_noise(
    sd_mm: float, thicknesses: tuple[float, ...], rider_kg: float, least_by_scan: int, least_by_all: int
) -> None:
    """DESIGN §11: at 0.5 mm told apart in ≥ 80 % of 50 seeds, ≥ 95 % of those right; at 1 mm what it tells is right.

    Held for the noise of the scan, which is what the protocol adds. With placing, rider, tissue and bend drawn as well,
    which is what the tool tells, 3 mm steps are told apart less often (3° of bend move the back 2.6 mm), 6 mm are.
    """
    seen = [shares(seed, sd_mm, thicknesses, rider_kg) for seed in range(50)]
    told, right = told_and_right(seen, 1)
    told_by_scan, right_by_scan = told_and_right(seen, 2)
    print(f"noise {sd_mm} mm: told {told} of 50, right {right}; by the scan alone {told_by_scan}, {right_by_scan}")
    assert told >= least_by_all
    assert right >= 0.95 * told
    assert told_by_scan >= least_by_scan
    if sd_mm <= 0.5:
        assert right_by_scan >= 0.95 * told_by_scan
