"""Every set-up that the stock allows, solved; the best by cost and tie order, and what differs in kind (DESIGN §8)."""

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from shimwright.optimize import screen
from shimwright.optimize.answer import SearchReport
from shimwright.optimize.cost import total_limit_mm
from shimwright.optimize.limits import limits
from shimwright.optimize.pad import Pad
from shimwright.optimize.prove import prove
from shimwright.optimize.saddle import Saddle
from shimwright.optimize.setup import Setup, Stack, height_mm
from shimwright.optimize.stock import SideFillings, Stock, count_fillings, pairs, side_fillings, stock_of
from shimwright.optimize.tally import (
    Candidate,
    Option,
    Solved,
    Tally,
    count_cut,
    kind,
    merged,
    note,
    over_stances,
    patterns_of,
    pick,
)
from shimwright.scan.raw import FloatArray

BLOCK = 200_000  # set-ups between two looks at Ctrl-C
NOTHING_HELD: Mapping[str, Stack] = MappingProxyType({})


@dataclass(frozen=True)
class Found:
    """candidates: feasible, cheapest first; all that tie with the best, the leading ones and the best of every kind
    (where set-ups were excluded by bounds: of as many kinds as runners-up are shown).

    excluded: set-ups shown by bounds to break a limit of pose or clearance or to cost too much to matter; they are in
    neither `feasible` nor `refused_by`.
    """

    best: Candidate | None
    candidates: tuple[Candidate, ...]
    level: Candidate | None
    setups: int
    feasible: int
    refused_by: Mapping[str, int]
    exact: bool
    excluded: int = 0

    @property
    def report(self) -> SearchReport:
        cost = self.best.cost if self.best is not None else float("nan")
        return SearchReport(self.setups, self.feasible, dict(self.refused_by), cost, self.exact, self.excluded)


def rules(as_found_peak_kpa: float, saddle: Saddle) -> screen.Rules:
    """The table of limits as the kernel reads it."""
    table = limits()
    w, line, pose = table.cost, table.pressure, table.pose
    peak = max(line.peak_kpa, line.peak_over_as_found * as_found_peak_kpa)
    weights = np.array([
        w.unevenness, w.bridged, w.mean_overrun, w.peak_overrun,
        w.pitch_per_deg2, w.roll_per_deg2, w.left_right_per_mm, w.piece,
    ])  # fmt: skip
    lines = np.array([
        line.mean_kpa, line.peak_kpa, peak, pose.pitch_hard_deg, pose.roll_hard_deg,
        table.clearance.hard_mm[saddle.style],
    ])  # fmt: skip
    return screen.Rules(weights, lines, line.bridged_share_of_mean)


def search(
    options: Sequence[Option],
    pad: Pad,
    saddle: Saddle,
    rule: screen.Rules,
    worn: Setup | None,
    progress: Callable[[str], None],
    fixed: Mapping[str, Stack] = NOTHING_HELD,
) -> Found:
    """Solve every set-up of every option. Ctrl-C ends it with the best so far and `exact` False.

    fixed: pocket → the stack that it keeps. Raises WrongUse for a pocket or a stack that the pad does not have.
    """
    stock = stock_of(pad, fixed)
    per_option = stock.per_option(pad)
    setups, tally, exact = per_option * len(options), Tally(), True
    stances = max((len(option.weights) for option in options), default=1)
    try:
        if stances * _to_solve(options, pad, saddle, stock) > limits().search.solve_all_up_to:
            tally, exact = prove(options, pad, saddle, stock, rule, worn, progress)
        else:
            for number, option in enumerate(options):
                progress(f"trying arch {option.arch or 'fixed'}, insert {option.insert or 'none'}")
                if option.refused is not None:
                    tally.refused_by[option.refused] += per_option
                    continue
                sides = _sides(option, pad, saddle, stock, tally.refused_by)
                if sides is not None:
                    _solve_option(number, option, pad, stock.stacks, sides, rule, tally)
    except KeyboardInterrupt:
        exact = False
    candidates = merged(tally)
    refused = dict(tally.refused_by)
    best = pick(candidates, pad, worn)
    return Found(best, candidates, tally.level, setups, tally.feasible, refused, exact, tally.excluded)


def _to_solve(options: Sequence[Option], pad: Pad, saddle: Saddle, stock: Stock) -> int:
    """How many set-ups keep height, step and total thickness, all options together; counted, not listed."""
    total = 0
    for option in options:
        room = total_limit_mm(saddle, pad) - pad.shell_mm - option.insert_mm
        if option.refused is None and room >= 0:
            left, right = (count_fillings(pad, side, stock.heights_mm, room, stock.fixed) for side in ("left", "right"))
            total += left * right
    return total


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


def runners_up(found: Found, picked: Setup, pad: Pad, count: int) -> tuple[Candidate, ...]:
    """The cheapest set-ups whose kind is neither the pick's nor one another's."""
    seen, rivals = {kind(picked, pad)}, []
    for candidate in found.candidates:
        own = kind(candidate.setup, pad)
        if own not in seen:
            seen.add(own)
            rivals.append(candidate)
        if len(rivals) == count:
            break
    return tuple(rivals)
