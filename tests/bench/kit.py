"""The kit for forty horses: the smallest one proven, and the whole trade-off, beside laying pieces aside greedily."""

import time
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from row import Row

from shimwright.case_file import read_case
from shimwright.meshes.yard import HORSES
from shimwright.optimize.fit import prepared
from shimwright.optimize.kit_list import Listed, listed
from shimwright.optimize.kit_model import Kit, Offer, Yard, curve, greedy_kit, smallest_kit
from shimwright.optimize.kit_pieces import all_pieces
from shimwright.optimize.limits import limits
from shimwright.scan.raw import FloatArray
from shimwright.scan.refusal import InputRefused
from shimwright.scan.synthetic import BUILDS, true_back
from shimwright.scan.synthetic_builds import random_shape
from shimwright.scan.synthetic_shape import HorseShape

COUNT, SEED, TIME_S = 40, 11, 10.0
LIKE_ONE_ANOTHER = 0.4  # of the way from a random horse to the level one: a yard that one saddle was bought for


def horse(rng: np.random.Generator) -> HorseShape:
    level, other = vars(BUILDS["level"]), vars(random_shape(rng))
    mixed = {
        name: tuple(np.add(np.multiply(value, 1 - LIKE_ONE_ANOTHER), np.multiply(level[name], LIKE_ONE_ANOTHER)))
        if isinstance(value, tuple)
        else (1 - LIKE_ONE_ANOTHER) * value + LIKE_ONE_ANOTHER * level[name]
        for name, value in other.items()
    }
    return replace(HorseShape(**mixed), front_fall=1.0)


def lists() -> tuple[list[Listed], np.ndarray]:
    """Forty horses of the generator that something serves, and which units are arches."""
    case, rng, found = read_case(HORSES / "fennel" / "case.toml"), np.random.default_rng(SEED), []
    told = replace(case.case, today=replace(case.case.today, worn=None))
    while len(found) < COUNT:
        try:
            job = prepared(true_back(horse(rng)), case.saddle, case.pad, told)
        except InputRefused:
            continue
        pieces = all_pieces(job.saddle, job.pad, job.stacks)
        one = listed(job, pieces, lambda _: None)
        found += [one] if one.cost.size else []
    return found, pieces.arches


def offer(needs: np.ndarray, cost: FloatArray) -> Offer:
    return Offer(needs, cost, np.maximum(0.0, cost - limits().ties.band(float(cost.min()))))


def shaken(one: Listed, rng: np.random.Generator) -> Offer:
    """Half the set-ups, each cost up to 15 % off: far more of them undominated than on any real list."""
    keep = rng.random(one.cost.size) < 0.5
    keep[one.cost.argmin()] = True
    return offer(one.needs[keep], one.cost[keep] * rng.uniform(0.85, 1.15, int(keep.sum())))


def row(name: str, yard: Yard) -> Row:
    start = time.perf_counter()
    greedy = greedy_kit(yard)
    peer = time.perf_counter() - start
    start = time.perf_counter()
    kit = smallest_kit(yard, TIME_S)
    ours = time.perf_counter() - start
    note = f"{kit.count} pieces, price {kit.price:.3f}, {told(kit)}; greedy: {greedy.count}, price {greedy.price:.3f}"
    return Row(
        f"kit: smallest for {COUNT} horses, {name}", ours, "pieces laid aside greedily", peer, "under 10 s", note
    )


def told(kit: Kit) -> str:
    return "proven" if kit.proven else f"gap {kit.count - kit.fewest} pieces, {kit.price - kit.bound:.3f}"


def whole_curve(yard: Yard) -> Row:
    start = time.perf_counter()
    sizes = list(curve(yard, lambda same, _: same, TIME_S))
    ours = time.perf_counter() - start
    proven = sum(kit.proven for kit in sizes)
    note = f"{sizes[0].count} to {sizes[-1].count} pieces, {proven} of {len(sizes)} sizes proven"
    return Row(f"kit: whole trade-off for {COUNT} horses", ours, "", None, "seconds", note)


def rows() -> Iterator[Row]:
    found, arches = lists()
    rng = np.random.default_rng(SEED)
    real = Yard(tuple(offer(one.needs, one.cost) for one in found), arches)
    yield row("their lists", real)
    yield whole_curve(real)
    yield row("costs shaken", Yard(tuple(shaken(one, rng) for one in found), arches))
