"""What the proof by bounds may and may not do, on random yards, against brute force by `contact.solve`: rigid trees and
trees that bend, 4, 6 and 8 pockets, limits on and off, several stances, held pockets."""

import itertools
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import pytest
import tack
from search_yards import NO_LIMITS, TABLE, Yard, bending, random_yard, straight, weighed

from shimwright.optimize import bounds as bounding
from shimwright.optimize import prove as proving
from shimwright.optimize import screen
from shimwright.optimize import search as searching
from shimwright.optimize.bounds import Beat, left_over
from shimwright.optimize.cost import left_right_mm, pieces, stack_limits_broken, thickness_mm
from shimwright.optimize.limits import limits
from shimwright.optimize.neighbourhood import Terrain
from shimwright.optimize.search import Found, search
from shimwright.optimize.setup import Setup, height_mm
from shimwright.optimize.stances import WEIGHT_SQUARE
from shimwright.optimize.stock import NOTHING_FIXED, stacks_in_stock

NEAR = 3e-5  # of cost: what two solvers may differ by
YARDS = [
    (seed, per_side, ei, bool(seed % 2))
    for seed, (per_side, ei) in enumerate(itertools.product((2, 3, 4), (np.inf, 3000.0, 300.0, 100.0)))
]


def quiet(_: str) -> None:
    pass


def size(monkeypatch: pytest.MonkeyPatch, **changes: int) -> None:
    """Other sizes for the search: bounds are used from ten set-ups on, with boxes enough for a tree that bends."""
    told = {"solve_all_up_to": 10, "solve_left_over_up_to": 1_000_000, "solve_whole_up_to": 100_000, **changes}
    made = replace(limits().search, **told)
    for module in (searching, proving):
        monkeypatch.setattr(module, "limits", lambda: replace(limits(), search=made))
    monkeypatch.setattr(bounding, "BOXES_LEAST", 1e5)


def run(yard: Yard) -> Found:
    return search(yard.options, yard.pad, tack.saddle(), yard.rule, yard.worn, quiet, yard.fixed)


@dataclass(frozen=True)
class Known:
    setup: Setup
    order: tuple[int, ...]
    cost: float
    tilt_deg: float


def by_brute_force(yard: Yard) -> list[Known]:
    """Every set-up within its limits, each stance solved on its own by the solver of the answer."""
    return list(_all(yard))


def _all(yard: Yard) -> Iterator[Known]:
    stacks, weight = stacks_in_stock(yard.pad), yard.rule.weights
    names = [pocket.name for pocket in yard.pad.pockets]
    for number, option in enumerate(yard.options):
        for row in itertools.product(range(len(stacks)), repeat=len(names)):
            setup = Setup(option.arch, option.insert, {n: stacks[s] for n, s in zip(names, row, strict=True)})
            held = all(setup.stacks[name] == stack for name, stack in yard.fixed.items())
            if not held or stack_limits_broken(setup, yard.pad, tack.saddle()):
                continue
            square = weighed(option.bed, yard.rule, np.array(row))
            if square.broken:
                continue
            costs = [square.cost, *(weighed(bed, yard.rule, np.array(row)).cost for bed, _ in option.stances)]
            shares = np.array([WEIGHT_SQUARE, *(w for _, w in option.stances)])
            worst = limits().stances.worst_share
            cost = (1 - worst) * np.average(costs, weights=shares) + worst * max(costs)
            cost += weight[6] * left_right_mm(setup, yard.pad) + weight[7] * pieces(setup) + option.arch_cost
            yield Known(setup, (number, *row), float(cost), square.tilt_deg)


def winner(known: list[Known], yard: Yard) -> tuple[Known, bool]:
    """Thinnest, fewest pieces, more symmetric, what is on now, first in order; whether solvers' errors could decide."""
    least = min(k.cost for k in known)
    band = least + max(limits().ties.share * least, limits().ties.cost)
    tied = [k for k in known if k.cost <= band]
    unsure = any(abs(k.cost - band) < NEAR for k in known)
    return min(
        tied,
        key=lambda k: (
            round(thickness_mm(k.setup, yard.pad), 6),
            pieces(k.setup),
            round(left_right_mm(k.setup, yard.pad), 6),
            k.setup != yard.worn,
            k.order,
        ),
    ), unsure


@pytest.mark.parametrize(("seed", "per_side", "ei_nm2", "limited"), YARDS)
def test_the_winner_is_that_of_brute_force(
    seed: int, per_side: int, ei_nm2: float, limited: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Least cost, winner after the tie order and the most level, of a search that solved only what bounds left over;
    then of one that solved all."""
    yard = random_yard(np.random.default_rng(seed), per_side, ei_nm2, limited)
    known = by_brute_force(yard)
    assert known
    best, unsure = winner(known, yard)
    assert not unsure, "choose another seed: the tie band ends within the solvers' error of a set-up"
    level = min(known, key=lambda k: (round(k.tilt_deg, 1), k.cost))
    whole = run(yard)
    size(monkeypatch)
    part = run(yard)
    for found in (whole, part):
        assert found.exact
        assert found.best is not None
        assert found.best.order == best.order
        assert found.candidates[0].cost == pytest.approx(min(k.cost for k in known), abs=NEAR)
        assert found.level is not None
        assert found.level.cost == pytest.approx(level.cost, abs=NEAR)
    assert whole.feasible == len(known)
    assert whole.excluded == 0
    held = set(whole.refused_by) - {"total thickness", "step to the neighbour", "left-right difference"}
    assert whole.solved <= whole.feasible + sum(whole.refused_by[name] for name in held)
    assert part.solved <= part.setups - part.excluded
    assert part.solved < whole.solved or limited or per_side == 2
    assert part.setups == whole.setups
    assert part.excluded > 0 or limited or per_side == 2
    assert part.feasible + part.excluded <= part.setups


@pytest.mark.parametrize(("per_side", "ei_nm2", "seed"), [(2, np.inf, 1), (3, np.inf, 2), (3, 300.0, 3), (2, 100.0, 4)])
def test_bounds_never_exclude_what_reaches_the_cost(
    per_side: int, ei_nm2: float, seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever cost is to be beaten: every set-up that costs no more is handed on, with a bound not above its cost."""
    monkeypatch.setattr(bounding, "BOXES_LEAST", 1e5)
    yard = random_yard(np.random.default_rng(seed), per_side, ei_nm2, limited=seed % 2 == 0)
    bed, pad = yard.options[0].bed, yard.pad
    stacks = stacks_in_stock(pad)
    heights = np.array([height_mm(s) for s in stacks])
    terrain = Terrain(pad, heights, (heights > 0).astype(float), 100.0, yard.rule, NOTHING_FIXED)
    rows = np.array(list(itertools.product(range(len(stacks)), repeat=len(pad.pockets))))
    rows = rows[terrain.allowed(rows)]
    contact, _, masks = screen.solve_rows(bed, yard.rule, screen.resting_pose(bed), rows)
    cost = np.where(masks == 0, contact + terrain.fixed(rows), np.inf)
    for share in (0.0, 0.01, 0.1, 0.5):
        goal = float(np.quantile(cost[np.isfinite(cost)], share)) + 1e-9
        left = left_over(bed, yard.rule, terrain.stacks(), Beat(goal))
        assert left.whole
        bound = {row.tobytes(): b for row, b in zip(left.rows, left.bounds, strict=True)}
        for i in np.flatnonzero(cost <= goal):
            assert bound[rows[i].tobytes()] <= cost[i] + 1e-5
        if share < 0.1 and np.isinf(ei_nm2):
            assert terrain.allowed(left.rows).sum() < len(rows)


def test_where_bounds_leave_too_much_all_is_solved(monkeypatch: pytest.MonkeyPatch) -> None:
    """A tree so soft that boxes do not pay: the same answer as from the whole enumeration, and exact."""
    yard = random_yard(np.random.default_rng(5), 2, 10.0, limited=False)
    whole = run(yard)
    size(monkeypatch)
    monkeypatch.setattr(bounding, "BOXES_LEAST", 10.0)
    part = run(yard)
    assert part.exact
    assert part.excluded == 0
    assert part.best is not None
    assert whole.best is not None
    assert part.best.order == whole.best.order
    assert part.feasible == whole.feasible
    assert part.refused_by == whole.refused_by
    size(monkeypatch, solve_whole_up_to=0)
    monkeypatch.setattr(bounding, "BOXES_LEAST", 10.0)
    assert not run(yard).exact


@pytest.mark.parametrize("whole", [0, 100_000])
def test_ctrl_c_at_any_moment_gives_the_best_so_far(whole: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Interrupted at each thing that it says: not exact, and never better than the truth; later is never worse."""
    yard = random_yard(np.random.default_rng(0), 3, np.inf, limited=False)
    truth = run(yard)
    size(monkeypatch, solve_left_over_up_to=-1 if whole else 1_000_000, solve_whole_up_to=whole)
    said: list[str] = []
    search(yard.options, yard.pad, tack.saddle(), yard.rule, yard.worn, said.append, yard.fixed)
    costs = []
    for moment in range(1, len(said) + 1):
        heard: list[str] = []

        def stop(text: str, moment: int = moment, heard: list[str] = heard) -> None:
            heard.append(text)
            if len(heard) == moment:
                raise KeyboardInterrupt

        found = search(yard.options, yard.pad, tack.saddle(), yard.rule, yard.worn, stop, yard.fixed)
        assert not found.exact
        assert (found.best is None) is (moment == 1)
        if found.candidates:
            costs.append(found.candidates[0].cost)
    assert len(costs) >= 3
    assert min(costs) >= truth.candidates[0].cost - NEAR
    assert all(b <= a + NEAR for a, b in itertools.pairwise(costs))


def test_a_tree_that_bends_less_and_less_is_rigid_in_the_end() -> None:
    heights = np.linspace(0.0, 9.0, 3)
    bed = straight(heights, 3, False, 14, 3, 6.0)
    rule, row = screen.Rules(TABLE, NO_LIMITS, 0.1), np.array([1, 0, 2, 0, 1, 1])
    costs = [weighed(bending(bed, ei), rule, row).cost for ei in (1e3, 1e5, 1e7)]
    stiff = weighed(bed, rule, row).cost
    off = np.abs(np.array(costs) - stiff)
    assert off[2] < 1e-3
    assert off[0] > off[1] > off[2]
