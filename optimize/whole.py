"""Every set-up of one arch with one insert, solved block by block: the fillings of one side by those of the other."""

from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shimwright.optimize import screen
from shimwright.optimize.cost import total_limit_mm
from shimwright.optimize.pad import Pad
from shimwright.optimize.saddle import Saddle
from shimwright.optimize.setup import Stack, height_mm
from shimwright.optimize.stock import SideFillings, Stock, pairs, side_fillings
from shimwright.optimize.tally import Option, Solved, Tally, count_cut, note, over_stances, patterns_of
from shimwright.scan.raw import FloatArray

BLOCK = 200_000  # set-ups between two looks at Ctrl-C


def solve_whole(
    number: int, option: Option, pad: Pad, saddle: Saddle, stock: Stock, rule: screen.Rules, tally: Tally
) -> None:
    """Solve all of one option into the tally, counting what thickness and step cut."""
    sides = _sides(option, pad, saddle, stock, tally.refused_by)
    if sides is not None:
        _solve_option(number, option, pad, stock.stacks, sides, rule, tally)


def _sides(
    option: Option, pad: Pad, saddle: Saddle, stock: Stock, refused_by: Counter[str]
) -> tuple[SideFillings, SideFillings] | None:
    """Fillings of left and right, counting what thickness and step cut; None if the empty pad is too thick already."""
    room = total_limit_mm(saddle, pad) - pad.shell_mm - option.insert_mm
    per_option = stock.per_option(pad)
    within = stock.within(pad, room) if room >= 0 else 0
    if per_option > within:
        refused_by["total thickness"] += per_option - within
    if not within:
        return None
    left, right = (side_fillings(pad, side, stock.heights_mm, room, stock.fixed) for side in ("left", "right"))
    count = len(left.stacks) * len(right.stacks)
    if within > count:
        refused_by["step to the neighbour"] += within - count
    return (left, right) if count else None


def _walking_order(side: SideFillings) -> SideFillings:
    """The same rows so that few stacks change from one to the next (reflected), for the warm start."""
    rows = side.stacks
    if rows.shape[1] == 0:
        return side
    before = np.cumsum(rows, axis=1) - rows
    keys = rows * np.where(before % 2 == 0, 1, -1)
    return SideFillings(side.pockets, rows[np.lexsort(keys.T[::-1])])


@dataclass(frozen=True)
class _Side:
    """One side as the kernel reads it. paired_mm (r, pairs), alone_mm (r,): heights with or without mate."""

    columns: NDArray[np.int64]
    rows: NDArray[np.int64]
    paired_mm: FloatArray
    alone_mm: FloatArray
    pieces: FloatArray


def _as_side(side: SideFillings, which: int, pad: Pad, heights: FloatArray, layers: FloatArray) -> _Side:
    ordered = _walking_order(side)
    mates = [pair[which] for pair in pairs(pad)]
    where = {column: c for c, column in enumerate(side.pockets)}
    rows = ordered.stacks
    paired = heights[rows[:, [where[c] for c in mates]]] if mates else np.zeros((len(rows), 0))
    lonely = [where[c] for c in side.pockets if c not in mates]
    alone = heights[rows[:, lonely]].sum(axis=1) if lonely else np.zeros(len(rows))
    return _Side(np.array(side.pockets, np.int64), rows, paired, alone, layers[rows].sum(axis=1))


def _solve_option(
    number: int,
    option: Option,
    pad: Pad,
    stacks: tuple[Stack, ...],
    sides: tuple[SideFillings, SideFillings],
    rule: screen.Rules,
    tally: Tally,
) -> None:
    heights = np.array([height_mm(stack) for stack in stacks])
    layers = np.array([float(len(stack)) for stack in stacks])
    left, right = (_as_side(side, i, pad, heights, layers) for i, side in enumerate(sides))
    start = screen.resting_pose(option.bed)
    limit = np.inf if pad.limits.left_right_mm is None else pad.limits.left_right_mm + 1e-9
    for part in _blocks(len(left.rows), len(right.rows)):
        some = _Side(left.columns, left.rows[part], left.paired_mm[part], left.alone_mm[part], left.pieces[part])
        costs, tilts, masks = screen.solve_grid(option.bed, rule, start, some, right, limit)
        others = [
            screen.solve_grid(bed, rule, screen.resting_pose(bed), some, right, limit) for bed, _ in option.stances
        ]
        costs, masks = over_stances(option, costs, masks, others)
        count_cut(masks, tally)
        value = np.where(masks == 0, costs + option.arch_cost, np.inf)
        row = _row_of(some, right, len(pad.pockets))
        note(
            Solved(number, option, pad, stacks, value.ravel(), tilts.ravel(), row), _leaders(value, some, right), tally
        )


def _row_of(left: _Side, right: _Side, pockets: int) -> Callable[[int], NDArray[np.int64]]:
    def row(flat: int) -> NDArray[np.int64]:
        a, b = divmod(flat, len(right.rows))
        made = np.zeros(pockets, np.int64)
        made[left.columns], made[right.columns] = left.rows[a], right.rows[b]
        return made

    return row


def _blocks(left: int, right: int) -> Iterator[slice]:
    step = max(1, BLOCK // max(right, 1))
    return (slice(a, min(a + step, left)) for a in range(0, left, step))


def _leaders(grid: FloatArray, left: _Side, right: _Side) -> list[int]:
    """The cheapest of every pattern of filled pockets, as places in the flattened grid."""
    filled_left, filled_right = (patterns_of(side.rows) for side in (left, right))
    found = []
    for a in np.unique(filled_left):
        rows = np.flatnonzero(filled_left == a)
        for b in np.unique(filled_right):
            columns = np.flatnonzero(filled_right == b)
            inner = grid[np.ix_(rows, columns)]
            i, j = np.unravel_index(int(inner.argmin()), inner.shape)
            found.append(int(rows[i]) * len(right.rows) + int(columns[j]))
    return found
