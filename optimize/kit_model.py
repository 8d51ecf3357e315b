"""The smallest kit as a mixed-integer program over lists of set-ups, and the trade-off of its size against fit.

One kind of piece is one unit: an arch, an insert, a shim cut for its place. One saddle is on one horse at a time, so a
unit serves every horse; a second unit of a kind is needed only where one set-up holds two alike. Chosen, in this order:
fewest units; least price of all horses together (what a set-up costs beyond a tie with the horse's own best); fewest
arches, so fewest changes of them; least cost. Then for every larger number of units the same beside it, until the price
is nothing.

Every horse picks from the units alone, so only they are integers: with these chosen, the rest is "the cheapest that the
kit allows" and its linear program has that corner. Σ over a horse's set-ups that need a unit ≤ that unit, one row for
each horse and unit, is far tighter than a row for each set-up.
"""

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from time import monotonic

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.optimize import Bounds, LinearConstraint, milp

from shimwright.scan.raw import FloatArray

Bools = NDArray[np.bool_]
SAME = 1e-6  # of cost: nearer is equal
UNITS, PRICE, ARCHES, COST = "units", "price", "arches", "cost"  # goals


@dataclass(frozen=True)
class Offer:
    """One horse's set-ups within limits. needs (s, units); cost (s,), +inf: refused after all; price (s,): of cost what
    lies beyond a tie with the horse's own best."""

    needs: Bools
    cost: FloatArray
    price: FloatArray

    def __post_init__(self) -> None:
        if self.cost.shape != self.price.shape or self.needs.shape[:1] != self.cost.shape or not self.cost.size:
            raise ValueError("an offer needs at least one set-up, with a cost, a price and its units")


@dataclass(frozen=True)
class Kit:
    """units (u,): what is carried. chosen: of each horse, the number of its set-up in its offer.

    price, cost: sums over the horses. bound: what the price is proven not to fall below with so few units. fewest: of
    a smallest kit, what the number of units is proven not to fall below; else None.
    """

    units: Bools
    chosen: tuple[int, ...]
    price: float
    cost: float
    bound: float = 0.0
    fewest: int | None = None

    @property
    def count(self) -> int:
        return int(self.units.sum())

    @property
    def proven(self) -> bool:
        """False: the gaps are price − bound and, of a smallest kit, count − fewest."""
        return self.price - self.bound <= 10 * SAME and self.fewest in (None, self.count)


def undominated(needs: Bools, cost: FloatArray) -> NDArray[np.int64]:
    """Numbers of the set-ups that can be part of a best kit: none other needs no more and costs no more.

    Of equal ones the first stays. Ordered by cost.
    """
    numbers = np.flatnonzero(np.isfinite(cost))
    needs, cost = needs[numbers], cost[numbers]
    packed = np.packbits(needs, axis=1)
    pad = -packed.shape[1] % 8
    words = np.ascontiguousarray(np.pad(packed, ((0, 0), (0, pad)))).view(np.uint64)
    waiting = np.lexsort((np.arange(cost.size), needs.sum(axis=1), cost))
    kept = []
    while waiting.size:
        first = waiting[0]
        kept.append(first)
        beyond = words[first] & ~words[waiting]
        waiting = waiting[beyond.any(axis=1)]
    return numbers[kept]


def cheapest(offer: Offer, units: Bools) -> int | None:
    """Number of the cheapest set-up that the units allow, of equal ones that of fewest units; None: they allow none."""
    allowed = np.isfinite(offer.cost) & ~(offer.needs & ~units).any(axis=1)
    if not allowed.any():
        return None
    equal = np.flatnonzero(allowed & (offer.cost <= offer.cost[allowed].min() + SAME))
    return int(equal[offer.needs[equal].sum(axis=1).argmin()])


@dataclass(frozen=True)
class Yard:
    """All horses that something serves. arches (u,): which units are arches."""

    offers: tuple[Offer, ...]
    arches: Bools

    def kit(self, units: Bools) -> Kit:
        """What these units give every horse; units that then lie idle are left at home."""
        chosen = tuple(cheapest(offer, units) for offer in self.offers)
        picked = tuple(number for number in chosen if number is not None)
        if len(picked) < len(chosen):
            raise ValueError("these units do not serve every horse")
        pairs = list(zip(self.offers, picked, strict=True))
        used = np.any([offer.needs[number] for offer, number in pairs], axis=0)
        price, cost = (float(sum(values)) for values in zip(*((o.price[n], o.cost[n]) for o, n in pairs), strict=True))
        return Kit(used, picked, price, cost)


@dataclass(frozen=True)
class Program:
    """Columns: units first, then every horse's set-ups. rows · columns ≤ upper. goals: what a column adds to each."""

    rows: sparse.csr_matrix
    upper: FloatArray
    goals: Mapping[str, FloatArray]
    units: int


def program(yard: Yard, by: str) -> Program:
    """Rows: one set-up for each horse (as −Σ ≤ −1), and what it needs is carried. by: `PRICE` or `COST`, whichever
    decides between set-ups; those that another one dominates by it are left out, and for `UNITS` all but the least.
    """
    offers = [_thinned(offer, by) for offer in yard.offers]
    units = yard.arches.size
    blocks: list[list[sparse.csr_matrix | None]] = []
    upper = []
    for number, offer in enumerate(offers):
        used = np.flatnonzero(offer.needs.any(axis=0))
        carried = sparse.csr_matrix((-np.ones(used.size), (np.arange(used.size), used)), shape=(used.size, units))
        row: list[sparse.csr_matrix | None] = [None] * len(offers)
        row[number] = sparse.csr_matrix(np.vstack([-np.ones(offer.cost.size), offer.needs[:, used].T.astype(float)]))
        blocks.append([sparse.vstack([sparse.csr_matrix((1, units)), carried]), *row])
        upper += [-1.0, *np.zeros(used.size)]
    none, setups = np.zeros(units), np.zeros(sum(offer.cost.size for offer in offers))
    goals = {
        UNITS: np.concatenate([np.ones(units), setups]),
        ARCHES: np.concatenate([yard.arches.astype(float), setups]),
        PRICE: np.concatenate([none, *(offer.price for offer in offers)]),
        COST: np.concatenate([none, *(offer.cost for offer in offers)]),
    }
    return Program(sparse.csr_matrix(sparse.bmat(blocks)), np.array(upper), goals, units)


def _thinned(offer: Offer, by: str) -> Offer:
    value = {UNITS: np.zeros(offer.cost.size), PRICE: offer.price, COST: offer.cost}[by]
    keep = undominated(offer.needs, np.where(np.isfinite(offer.cost), value, np.inf))
    return Offer(offer.needs[keep], offer.cost[keep], offer.price[keep])


@dataclass(frozen=True)
class Solved:
    """units None: none was found in the time. value of the goal, and what it is proven not to fall below."""

    units: Bools | None
    value: float
    bound: float


def solve(model: Program, goal: str, caps: Mapping[str, float], seconds: float) -> Solved:
    """Least of one goal while others keep under their caps."""
    rows = sparse.vstack([model.rows, *(sparse.csr_matrix(model.goals[what]) for what in caps)])
    upper = np.concatenate([model.upper, list(caps.values())])
    integral = np.zeros(model.rows.shape[1])
    integral[: model.units] = 1
    answer = milp(
        model.goals[goal],
        integrality=integral,
        bounds=Bounds(0.0, 1.0),
        constraints=LinearConstraint(sparse.csr_matrix(rows), -np.inf, upper),
        options={"time_limit": max(seconds, 0.01), "mip_rel_gap": 0.0},
    )
    told = answer.get("mip_dual_bound")
    bound = float(told) if told is not None and np.isfinite(told) else -np.inf
    if answer.x is None:
        return Solved(None, np.inf, bound)
    return Solved(np.round(answer.x[: model.units]).astype(bool), float(answer.fun), bound)


def smallest_kit(yard: Yard, seconds: float) -> Kit:
    """Fewest units that serve every horse; of these the least price, then fewest arches, then least cost."""
    clock, known = _clock(seconds), greedy_kit(yard)
    found = solve(program(yard, UNITS), UNITS, {}, clock())
    fewest = max(0, math.ceil(found.bound - SAME)) if np.isfinite(found.bound) else 0
    if found.units is not None and found.units.sum() < known.count:
        known = yard.kit(found.units)
    return _best_of_size(yard, known.count, fewest, known, clock)


def kit_of(yard: Yard, count: int, smaller: Kit, seconds: float) -> Kit:
    """The best kit of at most `count` units. smaller: any kit of no more, where the search begins."""
    own = own_bests(yard)
    known = own if own.count <= count and own.price < smaller.price else smaller
    return _best_of_size(yard, count, None, known, _clock(seconds))


def _best_of_size(yard: Yard, count: int, fewest: int | None, known: Kit, clock: Callable[[], float]) -> Kit:
    """Price, then arches, then cost, with at most `count` units. Where time ends, the best so far and its bound."""
    model = program(yard, PRICE)
    cheap = solve(model, PRICE, {UNITS: float(count)}, clock())
    best = known if cheap.units is None else min(known, yard.kit(cheap.units), key=lambda kit: kit.price)
    caps = {UNITS: float(count), PRICE: best.price + SAME}
    few = solve(model, ARCHES, caps, clock())
    if few.units is not None:
        caps[ARCHES] = float(round(few.value))
        last = solve(program(yard, COST), COST, caps, clock())
        best = yard.kit(few.units if last.units is None else last.units)
    return replace(best, bound=min(max(0.0, cheap.bound), best.price), fewest=fewest)


Check = Callable[[Yard, Kit], Yard]  # the yard itself where every chosen set-up stands, else one without the refused


def settled(yard: Yard, find: Callable[[Yard], Kit], check: Check) -> tuple[Yard, Kit]:
    """The best kit all of whose set-ups stand. A set-up refused was in the best kit of a larger choice, so what is best
    without it is best of all that stand."""
    while True:
        kit = find(yard)
        fewer = check(yard, kit)
        if fewer is yard:
            return yard, kit
        yard = fewer


def curve(yard: Yard, check: Check, seconds: float) -> Iterator[Kit]:
    """The smallest kit, then each larger one that serves better, to the first with which every horse ties with its own
    best set-up. seconds: for each size."""
    yard, kit = settled(yard, lambda some: smallest_kit(some, seconds), check)
    yield kit
    count = kit.count
    while kit.price > SAME:
        count += 1
        yard, better = settled(yard, lambda some: kit_of(some, count, kit, seconds), check)  # noqa: B023 - called here
        if better.price < kit.price - SAME:
            kit = better
            yield kit


def own_bests(yard: Yard) -> Kit:
    """Every horse's own best set-up."""
    every = np.ones(yard.arches.size, bool)
    return yard.kit(every)


def greedy_kit(yard: Yard) -> Kit:
    """Every horse's own best; then the unit that is missed least is laid aside, again and again: not the smallest."""
    thin = Yard(tuple(_thinned(offer, COST) for offer in yard.offers), yard.arches)
    kit = own_bests(thin)
    while True:
        fewer = [one for unit in np.flatnonzero(kit.units) if (one := _without(thin, kit, int(unit))) is not None]
        if not fewer:
            return yard.kit(kit.units)
        kit = min(fewer, key=lambda one: (one.count, one.price))


def _without(yard: Yard, kit: Kit, unit: int) -> Kit | None:
    units = kit.units.copy()
    units[unit] = False
    if any(cheapest(offer, units) is None for offer in yard.offers):
        return None
    return yard.kit(units)


def _clock(seconds: float) -> Callable[[], float]:
    """Seconds that are left."""
    end = monotonic() + seconds
    return lambda: end - monotonic()
