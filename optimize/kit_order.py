"""In which order to fit a yard's horses: fewest changes of the arch, then of the insert, then of shims.

A change of an arch is a quarter of an hour and its screws want testing; an insert is a minute; shims are seconds.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from shimwright.optimize.kit_pieces import SHIM, pieces_of
from shimwright.optimize.pad import Pad
from shimwright.optimize.setup import Setup

ALL_ORDERS_UP_TO = 10  # horses whose every order is weighed, shims too
Changes = tuple[int, int, int]  # of arch, of insert, shims put in or taken out


@dataclass(frozen=True)
class Order:
    """horses: their numbers, first to last. changes: between them. fewest: what is proven, arches always are."""

    horses: tuple[int, ...]
    changes: Changes
    fewest: tuple[bool, bool, bool] = (True, True, True)


def changes(before: Setup, after: Setup, pad: Pad) -> Changes:
    """What has to be changed from one horse to the next."""
    shims = [{piece for piece in pieces_of(one, pad) if piece.kind == SHIM} for one in (before, after)]
    return int(before.arch != after.arch), int(before.insert != after.insert), len(shims[0] ^ shims[1])


def total_changes(setups: Sequence[Setup], order: Sequence[int], pad: Pad) -> Changes:
    """Over the whole round."""
    steps = [changes(setups[a], setups[b], pad) for a, b in pairwise(order)]
    arch, insert, shims = (sum(step[i] for step in steps) for i in range(3))
    return arch, insert, shims


def order_of(setups: Sequence[Setup], pad: Pad) -> Order:
    """The order of fewest changes. Up to ten horses every order is weighed; of more, every order of the groups that
    share arch and insert (together they are in some best order), and inside a group the next is the one most alike."""
    if not setups:
        return Order((), (0, 0, 0))
    weights = _weights(setups, pad)
    if len(setups) <= ALL_ORDERS_UP_TO:
        horses = _best_path(weights)
        return Order(tuple(horses), total_changes(setups, horses, pad))
    groups: dict[tuple[str | None, str | None], list[int]] = {}
    for number, setup in enumerate(setups):
        groups.setdefault((setup.arch, setup.insert), []).append(number)
    firsts = [members[0] for members in groups.values()]
    weighed = len(firsts) <= ALL_ORDERS_UP_TO
    tools = [Setup(setups[first].arch, setups[first].insert, {p.name: () for p in pad.pockets}) for first in firsts]
    path = _best_path(_weights(tools, pad)) if weighed else _by_arch(tools)
    horses = _most_alike([list(groups.values())[k] for k in path], weights)
    return Order(tuple(horses), total_changes(setups, horses, pad), (True, weighed, False))


def _by_arch(tools: Sequence[Setup]) -> list[int]:
    arches = list(dict.fromkeys(one.arch for one in tools))
    return sorted(range(len(tools)), key=lambda k: arches.index(tools[k].arch))


def _most_alike(groups: Sequence[Sequence[int]], weights: NDArray[np.int64]) -> list[int]:
    horses: list[int] = []
    for group in groups:
        left = list(group)
        while left:
            following = min(left, key=lambda h: (int(weights[horses[-1], h]) if horses else 0, h))
            left.remove(following)
            horses.append(following)
    return horses


def _weights(setups: Sequence[Setup], pad: Pad) -> NDArray[np.int64]:
    """(n, n): a change of arch outweighs all changes of inserts together, one of these all shims."""
    n = len(setups)
    steps = np.array([[changes(a, b, pad) for b in setups] for a in setups], np.int64).reshape(n, n, 3)
    shims = int(steps[..., 2].max(initial=0)) * n + 1
    return np.asarray(steps @ np.array([shims * (n + 1), shims, 1]))


def _best_path(weights: NDArray[np.int64]) -> list[int]:
    """Shortest way through all, by Held and Karp (1962): for every set of horses done, every last one."""
    n = len(weights)
    far = np.iinfo(np.int64).max // 2
    least = np.full((1 << n, n), far)
    least[1 << np.arange(n), np.arange(n)] = 0
    sets = np.arange(1 << n)
    inside = (sets[:, None] >> np.arange(n) & 1).astype(bool)
    for size in range(2, n + 1):
        for last in range(n):
            some = sets[(inside.sum(axis=1) == size) & inside[:, last]]
            least[some, last] = (least[some ^ (1 << last)] + weights[:, last]).min(axis=1)
    done, path = (1 << n) - 1, [int(least[-1].argmin())]
    while len(path) < n:
        done ^= 1 << path[-1]
        path.append(int((least[done] + weights[:, path[-1]]).argmin()))
    return path if path[0] < path[-1] else path[::-1]
