"""The search against brute force on the contact solver, its tie order, and what must not change its answer."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
import tack
from planted import planted

from shimwright.optimize import prove as proving
from shimwright.optimize import search as searching
from shimwright.optimize.assess import State, measure
from shimwright.optimize.bench import bed
from shimwright.optimize.case import Case
from shimwright.optimize.contact import solve
from shimwright.optimize.cost import (
    arch_cost,
    cost,
    hard_limits,
    left_right_mm,
    pieces,
    stack_limits_broken,
    thickness_mm,
)
from shimwright.optimize.fit import Job, arch_off_deg, choices, prepared
from shimwright.optimize.limits import limits
from shimwright.optimize.pad import Pad, StackLimits
from shimwright.optimize.saddle import Saddle
from shimwright.optimize.search import Found, runners_up, search
from shimwright.optimize.setup import Layer, Setup, height_mm
from shimwright.optimize.stock import count_fillings, side_fillings, stacks_in_stock
from shimwright.optimize.tally import Candidate, pick
from shimwright.optimize.windows import windows
from shimwright.scan.back import Back

FELT3, FELT6 = (Layer("felt", 3.0),), (Layer("felt", 6.0),)


def quiet(_: str) -> None:
    pass


def back_and_saddle(pad: Pad, arches: int = 0, ei_nm2: float = np.inf) -> tuple[Back, Saddle, Case]:
    """Planted 6 mm front left, 3 mm front right, on a pad with a front and a rear pocket on each side."""
    saddle = tack.saddle(30.0, arches=arches, ei_nm2=ei_nm2)
    plan = {"front_left": FELT6, "front_right": FELT3}
    setup = Setup(saddle.reference_arch, pad.inserts[0].name, {p.name: plan.get(p.name, ()) for p in pad.pockets})
    plant = planted(saddle, pad, setup)
    return plant.back, plant.saddle, plant.case


def run(back: Back, saddle: Saddle, pad: Pad, case: Case) -> tuple[Job, Found]:
    job = prepared(back, saddle, pad, case)
    options, rule = choices(job)
    return job, search(options, pad, saddle, rule, job.found_setup, quiet)


def by_brute_force(job: Job) -> dict[tuple[object, ...], tuple[float, tuple[str, ...]]]:
    """Every set-up on the same bench through `contact.solve` and `assess.measure`: (cost, limits broken)."""
    found = {}
    pad, inserts = job.pad, [insert.name for insert in job.pad.inserts]
    for arch, insert in itertools.product(job.arches, inserts):
        bench, load = job.arches[arch].bench, job.arches[arch].load
        cells = windows(bench.underside)
        for stacks in itertools.product(job.stacks, repeat=len(pad.pockets)):
            setup = Setup(arch, insert, {p.name: s for p, s in zip(pad.pockets, stacks, strict=True)})
            if stack_limits_broken(setup, pad, job.saddle):
                found[(arch, insert, *stacks)] = (np.inf, ("stacks",))
                continue
            program = bed(bench, pad, setup, job.laws)
            state = State(bench, program, solve(program, bench.force(load)), load)
            mounted = measure(state, cells, pad, setup, job.laws)
            broken = hard_limits(mounted, None, setup, pad, job.saddle)
            price = cost(mounted, None, setup, pad) + arch_cost(arch_off_deg(job, arch))
            found[(arch, insert, *stacks)] = (price, broken)
    return found


def key(setup: Setup, pad: Pad) -> tuple[object, ...]:
    return (setup.arch, setup.insert, *(setup.stacks[p.name] for p in pad.pockets))


@pytest.mark.parametrize(("arches", "ei_nm2"), [(2, np.inf), (0, 30.0)])
def test_equals_brute_force(arches: int, ei_nm2: float) -> None:
    """Two pockets a side, two thicknesses: every cost the search keeps, the counts and the winner after the tie
    order."""
    pad = tack.pad(2)
    back, saddle, case = back_and_saddle(pad, arches, ei_nm2)
    job, found = run(back, saddle, pad, case)
    truth = by_brute_force(job)
    assert found.exact
    assert found.setups == len(truth)
    refused = sum(bool(option.refused) for option in choices(job)[0]) * 3**4
    assert found.feasible == sum(not broken for _, broken in truth.values()) or refused
    for candidate in found.candidates:
        value, broken = truth[key(candidate.setup, pad)]
        assert candidate.cost == pytest.approx(value, abs=2e-5)
        assert not broken
    allowed = {k: v for k, (v, broken) in truth.items() if not broken and job.judged[k[0]].words != "too wide"}
    assert min(c.cost for c in found.candidates) == pytest.approx(min(allowed.values()), abs=2e-5)
    best = _first_in_tie_order(allowed, pad)
    assert found.best is not None
    assert key(found.best.setup, pad) == best


def _first_in_tie_order(costs: dict[tuple[object, ...], float], pad: Pad) -> tuple[object, ...]:
    """DESIGN §8 written out again: thinnest, fewest pieces, more symmetric, then first in order."""
    least = min(costs.values())
    tied = [k for k, v in costs.items() if v <= least + max(0.02 * least, 0.02)]

    def order(k: tuple[object, ...]) -> tuple[object, ...]:
        arch, insert, *stacks = k
        setup = Setup(arch, insert, {p.name: s for p, s in zip(pad.pockets, stacks, strict=True)})  # type: ignore[arg-type]
        return thickness_mm(setup, pad), pieces(setup), left_right_mm(setup, pad)

    return min(tied, key=order)


def test_more_stock_is_never_worse() -> None:
    back, saddle, case = back_and_saddle(tack.pad(2))
    least = np.inf
    for stock, inserts in (
        ((3.0,), (10.0,)),
        ((3.0, 6.0), (10.0,)),
        ((3.0, 4.5, 6.0), (10.0,)),
        ((3.0, 6.0), (10.0, 7.0)),
    ):
        richer = tack.pad(2, stock, inserts=inserts)
        _, found = run(back, saddle, richer, case)
        value = min(c.cost for c in found.candidates)
        if len(inserts) == 1:
            assert value <= least + 1e-6
            least = value
        else:
            assert value <= run(back, saddle, tack.pad(2, stock), case)[1].report.cost + 1e-6


def test_wider_limits_are_never_worse() -> None:
    pad = tack.pad(2)
    back, saddle, case = back_and_saddle(pad)
    tight = run(back, saddle, tack.without(pad, left_right_mm=0.0), case)[1]
    loose = run(back, saddle, tack.without(pad, left_right_mm=None, neighbour_step_mm=None), case)[1]
    assert min(c.cost for c in loose.candidates) <= min(c.cost for c in tight.candidates) + 1e-6
    assert tight.refused_by["left-right difference"] == 3**4 - 3**2
    assert all(left_right_mm(c.setup, pad) == 0 for c in tight.candidates)


@pytest.mark.parametrize("per_side", [0, 1, 2, 4])
def test_any_number_of_pockets(per_side: int) -> None:
    pad = tack.pad(per_side)
    back, saddle, case = back_and_saddle(tack.pad(2))
    _, found = run(back, saddle, pad, case)
    assert found.best is not None
    assert found.setups == 3 ** (2 * per_side)
    assert set(found.best.setup.stacks) == {pocket.name for pocket in pad.pockets}
    assert found.exact


def test_no_insert_and_no_shims() -> None:
    back, saddle, case = back_and_saddle(tack.pad(2))
    bare = replace(tack.pad(0), inserts=())
    _, found = run(back, saddle, bare, case)
    assert found.setups == 1
    assert found.best is not None
    assert found.best.setup.insert is None


@pytest.mark.parametrize(
    ("per_side", "stock", "arches", "ei_nm2"),
    [(3, (3.0, 6.0), 0, np.inf), (3, (3.0, 6.0), 2, np.inf), (2, (2.0, 3.0, 5.0, 6.0), 0, np.inf),
     (4, (4.0,), 0, np.inf), (2, (2.0, 3.0, 5.0, 6.0), 0, 300.0)],
)  # fmt: skip
def test_bounds_rule_out_nothing_that_matters(
    per_side: int, stock: tuple[float, ...], arches: int, ei_nm2: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every set-up solved is the standard: the same winner after the tie order, ties, leading set-ups, runners-up and
    most level, from a search that solved only what bounds leave over."""
    pad = tack.pad(per_side, stock)
    back, saddle, case = back_and_saddle(tack.pad(2), arches, ei_nm2)
    whole = run(back, saddle, pad, case)[1]
    proven(monkeypatch)
    part = run(back, saddle, pad, case)[1]
    assert whole.exact
    assert part.exact
    assert whole.best is not None
    assert part.best is not None
    assert part.best.order == whole.best.order
    assert part.level is not None
    assert whole.level is not None
    assert part.level.cost == pytest.approx(whole.level.cost, abs=1e-5)
    band = limits().ties.band(min(c.cost for c in whole.candidates))
    for count in (sum(c.cost <= band for c in whole.candidates), limits().search.leading):
        ours, theirs = (f.candidates[:count] for f in (part, whole))
        assert [c.cost for c in ours] == pytest.approx([c.cost for c in theirs], abs=1e-5)
    rivals = [[c.order for c in runners_up(f, whole.best.setup, pad, 3)] for f in (part, whole)]
    assert rivals[0] == rivals[1]
    assert part.setups == whole.setups
    assert 0 < part.excluded < part.setups
    assert part.feasible <= whole.feasible


def test_a_stock_too_large_even_for_bounds_is_walked_and_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    """The neighbourhood search on a stock that can be enumerated too: same best, but it does not call itself exact."""
    pad = tack.pad(3, (3.0, 6.0))
    back, saddle, case = back_and_saddle(tack.pad(2))
    whole = run(back, saddle, pad, case)[1]
    size = replace(limits().search, solve_all_up_to=10, solve_left_over_up_to=5, solve_whole_up_to=0)
    for module in (searching, proving):
        monkeypatch.setattr(module, "limits", lambda: replace(limits(), search=size))
    part = run(back, saddle, pad, case)[1]
    assert whole.exact
    assert not part.exact
    assert part.best is not None
    assert min(c.cost for c in part.candidates) == pytest.approx(min(c.cost for c in whole.candidates), abs=1e-5)


def test_ctrl_c_gives_the_best_so_far() -> None:
    pad = tack.pad(2, inserts=(10.0, 7.0))
    back, saddle, case = back_and_saddle(pad)
    job = prepared(back, saddle, pad, case)
    options, rule = choices(job)
    said: list[str] = []

    def stop(text: str) -> None:
        said.append(text)
        if len(said) == 2:
            raise KeyboardInterrupt

    found = search(options, pad, saddle, rule, job.found_setup, stop)
    assert not found.exact
    assert found.best is not None
    assert found.best.setup.insert == "insert 10"


def test_tie_order() -> None:
    """DESIGN §8: within 2 % or 0.02 of the best: thinnest, fewest pieces, more symmetric, what is on now, first in
    order."""
    pad = tack.pad(2)

    def candidate(cost: float, order: int, **stacks: tuple[Layer, ...]) -> Candidate:
        setup = Setup(None, "insert 10", {p.name: stacks.get(p.name, ()) for p in pad.pockets})
        return Candidate(setup, cost, 0.0, (order,))

    best = candidate(0.500, 0, front_left=FELT6, front_right=FELT6)
    thinner = candidate(0.515, 1, front_left=FELT3, front_right=FELT3)
    one_piece = candidate(0.516, 2, front_left=FELT6)
    too_dear = candidate(0.53, 3)
    assert pick([best, thinner, one_piece, too_dear], pad) is one_piece
    symmetric = candidate(0.518, 4, rear_left=FELT3, rear_right=FELT3)
    crossed = candidate(0.516, 2, front_left=FELT3, rear_right=FELT3)
    assert pick([best, crossed, symmetric], pad) is symmetric
    assert pick([best, thinner, symmetric], pad) is thinner
    assert pick([best, thinner, symmetric], pad, worn=symmetric.setup) is symmetric


def test_fillings_are_counted_without_listing() -> None:
    for per_side, step in itertools.product((1, 2, 3, 4), (None, 3.0, 6.0)):
        pad = tack.without(tack.pad(per_side, (3.0, 6.0, 10.0)), neighbour_step_mm=step)
        heights = np.array([height_mm(stack) for stack in stacks_in_stock(pad)])
        for side in ("left", "right"):
            listed = side_fillings(pad, side, heights, 7.0)
            assert count_fillings(pad, side, heights, 7.0) == len(listed.stacks)
            assert len(np.unique(listed.stacks, axis=0)) == len(listed.stacks)


def test_stacks_of_the_stock() -> None:
    """3, 6 and 10 mm, two layers, 12 mm: 0, 3, 6, 10, 3+3, 6+3, 6+6 and no other, thickest against the horse."""
    pad = tack.pad(2, (3.0, 6.0, 10.0), StackLimits(height_mm=12.0, layers=2))
    stacks = [tuple(layer.thickness_mm for layer in stack) for stack in stacks_in_stock(pad)]
    assert stacks == [(), (3.0,), (6.0,), (3.0, 3.0), (6.0, 3.0), (10.0,), (6.0, 6.0)]


def proven(monkeypatch: pytest.MonkeyPatch) -> None:
    """From ten set-ups on bounds are used, and all that they leave over is solved."""
    size = replace(limits().search, solve_all_up_to=10, solve_left_over_up_to=1_000_000, solve_whole_up_to=0)
    for module in (searching, proving):
        monkeypatch.setattr(module, "limits", lambda: replace(limits(), search=size))
