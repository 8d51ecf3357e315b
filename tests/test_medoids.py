"""The choice of arches and panels: against every set tried, against an integer program, against plain facts."""

from itertools import combinations

import numpy as np
import pytest
from scipy.optimize import Bounds, LinearConstraint, milp

from shimwright.optimize.medoids import Crowd, choose, greedy, improved


def best_of_all(crowd, arches, panels):
    """The least total over all allowed sets, one by one."""
    _, a, p = crowd.cost.shape
    return min(
        crowd.total(some, others)
        for some in combinations(range(a), arches)
        if set(crowd.held_arches) <= set(some)
        for others in combinations(range(p), panels)
        if set(crowd.held_panels) <= set(others)
    )


def random_crowd(seed, held=False):
    """Half of them without any structure, half of them distances on two lines."""
    rng = np.random.default_rng(seed)
    n, a, p = (int(v) for v in (rng.integers(5, 30), rng.integers(3, 8), rng.integers(1, 5)))
    if seed % 2:
        cost = rng.random((n, a, p))
    else:
        along = [np.abs(rng.normal(size=(n, 1)) - rng.normal(size=(1, k))) for k in (a, p)]
        cost = along[0][:, :, None] + along[1][:, None, :]
    arches, panels = int(rng.integers(1, a + 1)), int(rng.integers(1, p + 1))
    some = tuple(rng.permutation(a)[: rng.integers(0, arches + 1)].tolist()) if held else ()
    others = tuple(rng.permutation(p)[: rng.integers(0, panels + 1)].tolist()) if held else ()
    return Crowd(cost, rng.random(n), some, others), arches, panels


@pytest.mark.parametrize("held", [False, True])
@pytest.mark.parametrize("seed", range(40))
def test_equals_every_set_tried(seed, held):
    crowd, arches, panels = random_crowd(seed, held)
    found = choose(crowd, arches, panels, 300)
    assert found.exact
    assert found.total == pytest.approx(best_of_all(crowd, arches, panels), rel=1e-9)
    assert found.total == pytest.approx(crowd.total(found.arches, found.panels), rel=1e-12)
    assert (len(found.arches), len(found.panels)) == (arches, panels)
    assert set(crowd.held_arches) <= set(found.arches)
    assert set(crowd.held_panels) <= set(found.panels)


@pytest.mark.parametrize("seed", range(12))
def test_the_bound_is_true_when_nothing_is_branched_on(seed):
    crowd, arches, panels = random_crowd(seed)
    found = choose(crowd, arches, panels, 0)
    best = best_of_all(crowd, arches, panels)
    assert found.bound <= best * (1 + 1e-9)
    assert found.total >= best * (1 - 1e-9)
    assert found.gap_share == pytest.approx((found.total - found.bound) / found.total, abs=1e-9)


def p_median(cost, weights, count):
    """The textbook integer program of the p-median problem, solved by HiGHS: y opens, x serves."""
    n, c = cost.shape
    price = np.concatenate([np.zeros(c), (cost * weights[:, None]).ravel()])
    served = np.hstack([np.zeros((n, c)), np.kron(np.eye(n), np.ones(c))])
    opened = np.hstack([np.tile(-np.eye(c), (n, 1)), np.eye(n * c)])
    number = np.concatenate([np.ones(c), np.zeros(n * c)])[None]
    rules = [
        LinearConstraint(served, 1, 1),
        LinearConstraint(opened, -np.inf, 0),
        LinearConstraint(number, count, count),
    ]
    whole = np.concatenate([np.ones(c), np.zeros(n * c)])
    return milp(price, constraints=rules, integrality=whole, bounds=Bounds(0, 1)).fun


@pytest.mark.parametrize(("seed", "count"), [(0, 2), (1, 3), (2, 4), (3, 5)])
def test_equals_an_integer_program(seed, count):
    rng = np.random.default_rng(seed)
    cost = np.linalg.norm(rng.normal(size=(60, 1, 2)) - rng.normal(size=(1, 14, 2)), axis=2)
    weights = rng.uniform(0.2, 3.0, 60)
    found = choose(Crowd(cost[:, :, None], weights), count, 1, 300)
    assert found.exact
    assert found.total == pytest.approx(p_median(cost, weights, count), rel=1e-7)


def test_a_horse_of_weight_three_counts_as_three_horses():
    crowd, arches, panels = random_crowd(6)
    times = np.random.default_rng(0).integers(1, 4, len(crowd.weights))
    weighted = choose(Crowd(crowd.cost, times.astype(float)), arches, panels, 300)
    repeated = Crowd(np.repeat(crowd.cost, times, axis=0), np.ones(int(times.sum())))
    assert weighted.total == pytest.approx(choose(repeated, arches, panels, 300).total, rel=1e-12)


def test_planted_clusters_are_found_without_any_cost():
    rng = np.random.default_rng(3)
    sites = rng.normal(size=(12, 3))
    true = (1, 4, 9)
    horses = sites[rng.choice(true, 500)]
    cost = np.linalg.norm(horses[:, None] - sites[None], axis=2)
    found = choose(Crowd(cost[:, :, None], np.ones(500)), 3, 1, 50)
    assert found.arches == true
    assert found.total == 0.0


def test_more_sizes_never_cost_more():
    crowd, _, _ = random_crowd(8)
    _, most, panels = crowd.cost.shape
    for m in range(1, panels + 1):
        totals = [choose(crowd, k, m, 300).total for k in range(1, most + 1)]
        assert (np.diff(totals) <= 1e-12).all()


def test_exchange_leaves_nothing_better_within_one_exchange():
    crowd, arches, panels = random_crowd(10)
    chosen, others = improved(crowd, *greedy(crowd, arches, panels))
    total = crowd.total(chosen, others)
    for out in chosen:
        for new in set(range(crowd.cost.shape[1])) - set(chosen):
            assert crowd.total([new, *(a for a in chosen if a != out)], others) >= total * (1 - 1e-6)
