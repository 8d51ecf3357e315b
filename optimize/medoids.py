"""Which k arches and m panels serve a crowd best: two-sided k-medoids on a table of costs.

Every horse takes the cheapest pair of a chosen arch and a chosen panel. With one panel this is the plain k-medoids
(p-median) problem. A start by greedy choice is improved by exchanges; the Lagrangian relaxation of "every horse takes
one pair" (Cornuejols, Fisher, Nemhauser 1977, Management Science 23:789–810, for one side) gives the proof: sets whose
bound lies above what was found fall, the rest is branched on. Where that would take too long, the gap is stated.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from heapq import heappop, heappush
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from shimwright.scan.raw import FloatArray

ASCENTS = 250  # steps of the multipliers
SMOOTH, SMALLEST_STEP = 0.7, 1e-4
SMALLEST = 1e-9  # relative: closer than this counts as equal
IntArray = NDArray[np.intp]
Pair = tuple[tuple[int, ...], tuple[int, ...]]
ONLY = np.zeros((1, 1), dtype=int)


@dataclass(frozen=True)
class Crowd:
    """cost (n, arches, panels) of a pair on a horse, weights (n,). held_*: must be among the chosen."""

    cost: FloatArray
    weights: FloatArray
    held_arches: tuple[int, ...] = ()
    held_panels: tuple[int, ...] = ()

    def of(self, arches: Sequence[int], panels: Sequence[int]) -> FloatArray:
        """(n,) cost of the best pair for every horse."""
        return np.asarray(self.cost[:, list(arches)][:, :, list(panels)].min(axis=(1, 2)))

    def total(self, arches: Sequence[int], panels: Sequence[int]) -> float:
        return float(self.weights @ self.of(arches, panels))


@dataclass(frozen=True)
class Chosen:
    """arches, panels: ascending. total: Σ weight · cost. bound: no choice lies below; exact: total is the least."""

    arches: tuple[int, ...]
    panels: tuple[int, ...]
    total: float
    bound: float

    @property
    def exact(self) -> bool:
        return self.total <= self.bound * (1 + SMALLEST) + SMALLEST

    @property
    def gap_share(self) -> float:
        """How far below the least could lie, of the total."""
        return 0.0 if self.exact or self.total <= 0 else (self.total - self.bound) / self.total


def choose(crowd: Crowd, arches: int, panels: int, nodes: int) -> Chosen:
    """The best sets of these numbers, with the proof. nodes: of the branch and bound, at most; then the gap is told."""
    return _proven(crowd, improved(crowd, *greedy(crowd, arches, panels)), arches, panels, nodes)


def improved(crowd: Crowd, arches: tuple[int, ...], panels: tuple[int, ...]) -> Pair:
    """Exchanges of one arch or one panel, the best first, until none helps."""
    while True:
        before = arches, panels
        arches = _exchanged(crowd.cost[:, :, list(panels)].min(axis=2), crowd.weights, arches, crowd.held_arches)
        panels = _exchanged(crowd.cost[:, list(arches)].min(axis=1), crowd.weights, panels, crowd.held_panels)
        if (arches, panels) == before:
            return before


def _exchanged(
    cost: FloatArray, weights: FloatArray, chosen: tuple[int, ...], held: tuple[int, ...]
) -> tuple[int, ...]:
    """Plain k-medoids on cost (n, c): the best single exchange again and again."""
    chosen_now = sorted(chosen)
    total = float(weights @ cost[:, chosen_now].min(axis=1))
    while True:
        best = (total * (1 - SMALLEST), -1, -1)
        for place, old in enumerate(chosen_now):
            if old in held:
                continue
            others = chosen_now[:place] + chosen_now[place + 1 :]
            rest = cost[:, others].min(axis=1) if others else np.full(len(cost), np.inf)
            totals = weights @ np.minimum(cost, rest[:, None])
            new = int(np.argmin(totals))
            if totals[new] < best[0]:
                best = (float(totals[new]), place, new)
        if best[1] < 0:
            return tuple(chosen_now)
        chosen_now[best[1]] = best[2]
        chosen_now.sort()
        total = best[0]


def greedy(crowd: Crowd, arches: int, panels: int) -> Pair:
    """One at a time, the held ones first; the panel before the arches, as it serves all of them."""
    chosen_panels = list(crowd.held_panels)
    by_panel = np.quantile(crowd.cost, 0.25, axis=1)  # a horse will find an arch that is among its better ones
    while len(chosen_panels) < panels:
        chosen_panels.append(_next(by_panel, crowd.weights, chosen_panels))
    by_arch = crowd.cost[:, :, chosen_panels].min(axis=2)
    chosen_arches = list(crowd.held_arches)
    while len(chosen_arches) < arches:
        chosen_arches.append(_next(by_arch, crowd.weights, chosen_arches))
    return tuple(sorted(chosen_arches)), tuple(sorted(chosen_panels))


def _next(cost: FloatArray, weights: FloatArray, chosen: list[int]) -> int:
    now = cost[:, chosen].min(axis=1) if chosen else np.full(len(cost), np.inf)
    totals = weights @ np.minimum(cost, now[:, None])
    totals[chosen] = np.inf
    return int(np.argmin(totals))


@dataclass(frozen=True)
class _Relaxed:
    """bound: no allowed sets lie below. price (n,): the multipliers that gave it; gain (arches, panels) ≤ 0 at them."""

    bound: float
    price: FloatArray
    gain: FloatArray


def _relaxed(crowd: Crowd, sets: IntArray, arches: int, known: float, price: FloatArray | None = None) -> _Relaxed:
    """Ascent in the multipliers towards `known`: the bound is their sum and the most that any allowed sets gain."""
    weighted = crowd.cost * crowd.weights[:, None, None]
    if price is None:
        flat = weighted.reshape(len(weighted), -1)
        price = np.partition(flat, min(1, flat.shape[1] - 1), axis=1)[:, min(1, flat.shape[1] - 1)]
    best = _Relaxed(-np.inf, price, np.zeros(crowd.cost.shape[1:]))
    share, since, way = 1.0, 0, np.zeros(len(weighted))
    for _ in range(ASCENTS):
        under = np.minimum(weighted - price[:, None, None], 0.0)
        gain = under.sum(axis=0)
        value, rows, columns = _most(gain, sets, arches, crowd.held_arches)
        bound = float(price.sum()) + value
        since = 0 if bound > best.bound + 1e-6 * abs(best.bound) else since + 1
        if bound > best.bound:
            best = _Relaxed(bound, price, gain)
        if since > 8:
            share, since = share / 2, 0
        slope = 1.0 - (under[:, rows][:, :, columns] < 0).sum(axis=(1, 2))  # whole numbers
        if not slope.any() or share < SMALLEST_STEP or known - best.bound <= SMALLEST * max(abs(known), 1.0):
            break
        way = slope + SMOOTH * way
        if way @ way < 0.5 * (slope @ slope):  # the past cancels it: a step along it would be wild
            way = slope
        price = price + share * max(known - bound, 0.0) / float(way @ way) * way
    return best


def _panel_sets(crowd: Crowd, panels: int) -> IntArray:
    """(sets, panels): every set of panels that holds the held ones."""
    free = [p for p in range(crowd.cost.shape[2]) if p not in crowd.held_panels]
    return np.array(
        [sorted((*crowd.held_panels, *more)) for more in combinations(free, panels - len(crowd.held_panels))], dtype=int
    )


def _most(gain: FloatArray, sets: IntArray, arches: int, held: tuple[int, ...]) -> tuple[float, IntArray, IntArray]:
    """The sets that gain most (gain ≤ 0): (value, arches, panels)."""
    by_set = gain[:, sets].sum(axis=2)  # (arches, sets)
    values = _least_sums(by_set, arches, held)
    at = int(np.argmin(values))
    column = by_set[:, at].copy()
    column[list(held)] = -np.inf
    rows = np.argsort(column, kind="stable")[:arches]
    return float(values[at]), rows, sets[at]


def _least_sums(gain: FloatArray, count: int, held: tuple[int, ...]) -> FloatArray:
    """(sets,) sum of the held rows and of the least others, `count` in all."""
    free = [a for a in range(len(gain)) if a not in held]
    rest = count - len(held)
    total = gain[list(held)].sum(axis=0)
    if rest:
        total = total + np.partition(gain[free], rest - 1, axis=0)[:rest].sum(axis=0)
    return np.asarray(total)


def _proven(crowd: Crowd, found: Pair, arches: int, panels: int, nodes: int) -> Chosen:
    known = crowd.total(*found)
    sets = _panel_sets(crowd, panels)
    whole = _relaxed(crowd, sets, arches, known)
    values = float(whole.price.sum()) + _least_sums(whole.gain[:, sets].sum(axis=2), arches, crowd.held_arches)
    lowest, left = np.inf, nodes
    for at in np.argsort(values, kind="stable"):
        if values[at] >= known * (1 - SMALLEST):
            break
        if left <= 0:
            lowest = min(lowest, float(values[at]))
            break
        one = tuple(int(p) for p in sets[at])
        table = crowd.cost[:, :, list(one)].min(axis=2)[:, :, None]
        side = _one_side(Crowd(table, crowd.weights, crowd.held_arches), arches, known, left)
        left -= side.nodes
        if side.total < known:
            found, known = (side.arches, one), side.total
        lowest = min(lowest, max(side.bound, float(values[at])))
    return Chosen(*found, known, min(known, max(lowest, whole.bound)))


@dataclass(frozen=True)
class _Side:
    """Best arches for fixed panels, if below what was known, else (); bound of all sets of arches; nodes looked at."""

    arches: tuple[int, ...]
    total: float
    bound: float
    nodes: int


def _one_side(crowd: Crowd, arches: int, known: float, nodes: int) -> _Side:
    """Branch and bound over the arches for one set of panels; crowd.cost (n, arches, 1)."""
    table = crowd.cost[:, :, 0]
    start = _exchanged(table, crowd.weights, _first(crowd, arches), crowd.held_arches)
    best, total = ((), known) if crowd.total(start, (0,)) >= known else (start, crowd.total(start, (0,)))
    heap: list[tuple[float, int, _Node]] = [(-np.inf, 0, _Node(crowd.held_arches, tuple(range(table.shape[1])), None))]
    made = looked = 0
    while heap and heap[0][0] < total * (1 - SMALLEST):
        if looked >= nodes:
            return _Side(best, total, min(heap[0][0], total), looked)
        _, _, node = heappop(heap)
        looked += 1
        bound, node, rows = _narrowed(crowd, node, arches, total)
        here = crowd.total(rows, (0,))
        if here < total:
            best, total = rows, here
        if bound >= total * (1 - SMALLEST) or len(node.held) == arches or len(node.open) == arches:
            if len(node.open) == arches and crowd.total(node.open, (0,)) < total:
                best, total = node.open, crowd.total(node.open, (0,))
            continue
        for branch in _branches(node, rows):
            made += 1
            heappush(heap, (bound, made, branch))
    return _Side(best, total, total, looked)


@dataclass(frozen=True)
class _Node:
    """held: arches that are in; open: those and all that may still be. price: multipliers to begin with."""

    held: tuple[int, ...]
    open: tuple[int, ...]
    price: FloatArray | None


def _narrowed(crowd: Crowd, node: _Node, arches: int, total: float) -> tuple[float, _Node, tuple[int, ...]]:
    """(bound, the node without arches that its bound rules out and with those it needs, arches that gain most)."""
    place = {arch: k for k, arch in enumerate(node.open)}
    part = Crowd(crowd.cost[:, list(node.open)], crowd.weights, tuple(place[arch] for arch in node.held))
    found = _relaxed(part, ONLY, arches, total, node.price)
    gain = {arch: float(found.gain[k, 0]) for arch, k in place.items()}
    order = [*node.held, *sorted((a for a in node.open if a not in node.held), key=lambda a: (gain[a], a))]
    inside, outside = order[:arches], order[arches:]
    free = inside[len(node.held) :]
    here = found.bound
    limit = total * (1 - SMALLEST)
    worst = gain[free[-1]] if free else -np.inf
    kept = [a for a in outside if free and here + gain[a] - worst < limit]
    following = gain[outside[0]] if outside else np.inf
    sure = [a for a in free if here - gain[a] + following >= limit]
    narrow = _Node(tuple(sorted((*node.held, *sure))), tuple(sorted((*inside, *kept))), found.price)
    return here, narrow, tuple(sorted(inside))


def _branches(node: _Node, rows: tuple[int, ...]) -> tuple[_Node, _Node]:
    """With and without the first arch that is neither sure nor out, of those that gain most."""
    arch = next(a for a in rows if a not in node.held)
    with_it = _Node(tuple(sorted((*node.held, arch))), node.open, node.price)
    return with_it, _Node(node.held, tuple(a for a in node.open if a != arch), node.price)


def _first(crowd: Crowd, arches: int) -> tuple[int, ...]:
    chosen = list(crowd.held_arches)
    while len(chosen) < arches:
        chosen.append(_next(crowd.cost[:, :, 0], crowd.weights, chosen))
    return tuple(sorted(chosen))
