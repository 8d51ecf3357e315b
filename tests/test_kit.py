"""The kit for a yard: the program against trying every kit, the order against trying every order, lists against `fit`.

Brute force means: every subset of the pieces, every permutation of the horses, every set-up on the solver of `contact`.
"""

from itertools import combinations, permutations

import numpy as np
import pytest
from every_kit import best_of_size, every_kit
from hypothesis import given, settings
from hypothesis import strategies as st
from plain_tack import pad as plain_pad

from shimwright.optimize.kit_model import (
    SAME,
    Kit,
    Offer,
    Yard,
    curve,
    greedy_kit,
    kit_of,
    program,
    smallest_kit,
    solve,
    undominated,
)
from shimwright.optimize.kit_order import changes, order_of, total_changes
from shimwright.optimize.setup import Layer, Setup

SECONDS = 30.0


def random_yard(rng, horses=4, units=7, arches=2, setups=12, steps=None):
    """Each set-up takes one arch and some other units. steps: costs are whole multiples of it, so that many tie."""
    offers = []
    for _ in range(horses):
        count = int(rng.integers(1, setups + 1))
        needs = rng.random((count, units)) < 0.3
        needs[:, :arches] = np.eye(arches, dtype=bool)[rng.integers(0, arches, count)]
        cost = rng.random(count) if steps is None else steps * rng.integers(1, 5, count)
        offers.append(Offer(needs, cost, np.maximum(0.0, cost - cost.min() - 0.02)))
    return Yard(tuple(offers), np.arange(units) < arches)


def figures(yard, kit):
    return kit.price, int((kit.units & yard.arches).sum()), kit.cost


def leave_alone(yard, _):
    return yard


@pytest.mark.parametrize("steps", [None, 0.05])
@pytest.mark.parametrize("seed", range(8))
def test_every_size_equals_brute_force(seed, steps):
    """Smallest, then the whole trade-off; with costs in steps many kits tie."""
    yard = random_yard(np.random.default_rng(seed), steps=steps)
    kits = list(every_kit(yard))
    fewest = min(kit[0] for kit in kits)
    sizes = list(curve(yard, leave_alone, SECONDS))
    assert sizes[0].count == fewest == sizes[0].fewest
    for kit in sizes:
        assert figures(yard, kit) == pytest.approx(best_of_size(kits, kit.count), abs=1e-5)
        assert kit.proven
    shown = {kit.count for kit in sizes}
    for count in range(fewest + 1, sizes[-1].count + 1):  # a size that is not shown is no better than the one before it
        before = max(one for one in shown if one <= count)
        assert best_of_size(kits, count)[0] == pytest.approx(best_of_size(kits, before)[0], abs=1e-5)
    assert sizes[-1].price == pytest.approx(0.0, abs=1e-5)


@pytest.mark.parametrize("seed", range(6))
def test_what_is_refused_on_the_way_is_as_if_it_had_never_been_listed(seed):
    """Set-ups struck off only when a kit would use them: the same kits as without them from the beginning."""
    rng = np.random.default_rng(100 + seed)
    yard = random_yard(rng, horses=3, setups=14)
    bad = [rng.random(offer.cost.size) < 0.4 for offer in yard.offers]
    for refused, offer in zip(bad, yard.offers, strict=True):
        refused[offer.cost.argmin()] = False  # the own best stands, as in `kit`

    def struck(offers, also):
        return tuple(
            Offer(offer.needs, np.where(no, np.inf, offer.cost), offer.price)
            for offer, no in zip(offers, also, strict=True)
        )

    def check(some, kit):
        hit = [np.zeros(offer.cost.size, bool) for offer in some.offers]
        for mine, refused, number in zip(hit, bad, kit.chosen, strict=True):
            mine[number] = refused[number]
        return Yard(struck(some.offers, hit), some.arches) if any(mine.any() for mine in hit) else some

    lazily = list(curve(yard, check, SECONDS))
    without = Yard(struck(yard.offers, bad), yard.arches)
    kits = list(every_kit(without))
    assert lazily[0].count == min(kit[0] for kit in kits)
    for kit in lazily:
        assert figures(without, kit) == pytest.approx(best_of_size(kits, kit.count), abs=1e-5)
        assert not any(refused[number] for refused, number in zip(bad, kit.chosen, strict=True))


@pytest.mark.parametrize("seed", range(5))
def test_no_kit_is_smaller_than_the_program_says(seed):
    """No subset of fewer units serves every horse; the greedy peer is never smaller."""
    yard = random_yard(np.random.default_rng(50 + seed), horses=5, units=9, arches=3)
    kit = smallest_kit(yard, SECONDS)
    assert greedy_kit(yard).count >= kit.count
    for some in combinations(range(yard.arches.size), kit.count - 1):
        units = np.isin(np.arange(yard.arches.size), some)
        assert any((offer.needs & ~units).any(axis=1).all() for offer in yard.offers)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_what_domination_leaves_out_is_never_missed(seed):
    """Whatever is carried, the cheapest that it allows costs the same with and without the dominated set-ups."""
    rng = np.random.default_rng(seed)
    needs, cost = rng.random((20, 11)) < 0.3, rng.integers(1, 8, 20) / 4
    keep = undominated(needs, cost)
    for _ in range(20):
        units = rng.random(11) < 0.6
        allowed = ~(needs & ~units).any(axis=1)
        whole = cost[allowed].min() if allowed.any() else np.inf
        thin = cost[keep][allowed[keep]].min() if allowed[keep].any() else np.inf
        assert whole == thin
    for a, b in permutations(keep.tolist(), 2):
        assert (needs[a] & ~needs[b]).any() or cost[a] > cost[b]


def test_domination_tells_seventy_units_apart():
    """More units than bits in a word."""
    needs = np.zeros((3, 70), bool)
    needs[0, 69], needs[1, 3], needs[2, [3, 69]] = True, True, True
    assert sorted(undominated(needs, np.array([1.0, 1.0, 1.0]))) == [0, 1]


def test_without_time_the_gap_is_told():
    """The greedy kit serves every horse; that it is the smallest, or the best of its size, is not claimed."""
    yard = random_yard(np.random.default_rng(3), horses=8, units=16, arches=3, setups=40)
    kit = smallest_kit(yard, 0.0)
    assert isinstance(kit, Kit)
    assert not kit.proven
    assert kit.fewest < kit.count or kit.bound < kit.price
    proven = smallest_kit(yard, SECONDS)
    assert kit.fewest <= proven.count <= kit.count


def test_a_saddle_without_arches_and_a_pad_without_anything():
    """No units at all: the kit is empty, and proven."""
    offer = Offer(np.zeros((1, 0), bool), np.array([0.7]), np.zeros(1))
    (kit,) = curve(Yard((offer, offer), np.zeros(0, bool)), leave_alone, SECONDS)
    assert (kit.count, kit.fewest, kit.price, kit.chosen) == (0, 0, 0.0, (0, 0))
    assert kit.proven


def test_a_larger_kit_is_never_worse():
    yard = random_yard(np.random.default_rng(8), horses=6, units=10, arches=2, setups=30)
    kit = smallest_kit(yard, SECONDS)
    for count in range(kit.count, 11):
        larger = kit_of(yard, count, kit, SECONDS)
        assert larger.price <= kit.price + SAME
        kit = larger


def test_the_program_can_be_looked_at_without_a_solver():
    """Two horses, hand-written: rows say one set-up each, and what is used is carried."""
    first = Offer(np.array([[True, False], [False, True]]), np.array([1.0, 2.0]), np.array([0.0, 1.0]))
    second = Offer(np.array([[False, True]]), np.array([1.0]), np.array([0.0]))
    model = program(Yard((first, second), np.array([True, False])), "cost")
    dense = model.rows.toarray()
    assert dense.tolist() == [
        [0, 0, -1, -1, 0],
        [-1, 0, 1, 0, 0],
        [0, -1, 0, 1, 0],
        [0, 0, 0, 0, -1],
        [0, -1, 0, 0, 1],
    ]
    assert model.upper.tolist() == [-1, 0, 0, -1, 0]
    assert solve(model, "units", {}, SECONDS).value == pytest.approx(1.0)


def setups_at_random(rng, count, pad):
    layers = [(), (Layer("felt", 3.0),), (Layer("felt", 6.0),)]
    return [
        Setup(
            str(rng.choice(["narrow", "wide", "soft"])),
            str(rng.choice(["thin", "thick"])),
            {pocket.name: layers[rng.integers(0, 3)] for pocket in pad.pockets},
        )
        for _ in range(count)
    ]


@pytest.mark.parametrize("seed", range(4))
def test_order_equals_brute_force(seed):
    """Five horses, all 120 orders: arches first, then inserts, then shims."""
    pad, rng = plain_pad(), np.random.default_rng(seed)
    setups = setups_at_random(rng, 5, pad)
    least = min(total_changes(setups, order, pad) for order in permutations(range(5)))
    found = order_of(setups, pad)
    assert sorted(found.horses) == list(range(5))
    assert found.changes == total_changes(setups, found.horses, pad) == least


@pytest.mark.parametrize("seed", range(4))
def test_many_horses_are_ordered_with_fewest_arches_and_inserts(seed):
    """Changes of arch: their number less one. Inserts: against every order of the groups."""
    pad, rng = plain_pad(), np.random.default_rng(seed)
    setups = setups_at_random(rng, 25, pad)
    found = order_of(setups, pad)
    assert sorted(found.horses) == list(range(25))
    groups = sorted({(one.arch, one.insert) for one in setups})
    bare = [Setup(arch, insert, {pocket.name: () for pocket in pad.pockets}) for arch, insert in groups]
    least = min(total_changes(bare, order, pad)[:2] for order in permutations(range(len(bare))))
    assert found.changes[:2] == least
    assert found.changes[0] == len({one.arch for one in setups}) - 1
    assert found.fewest == (True, True, False)


def test_a_shim_moved_counts_once_for_out_and_once_for_in():
    pad = plain_pad()
    bare = {pocket.name: () for pocket in pad.pockets}
    name = pad.pockets[0].name
    thin, thick = (Setup("a", "b", {**bare, name: (Layer("felt", t),)}) for t in (3.0, 6.0))
    assert changes(thin, thick, pad) == (0, 0, 2)
    assert changes(Setup("a", "b", bare), Setup("c", "d", {**bare, name: (Layer("felt", 3.0),)}), pad) == (1, 1, 1)
