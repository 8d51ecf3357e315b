"""For stocks too large to solve whole: from a few starts, change one pocket, a pair, or any two while it gets better.

Nothing is proven here; a search that used this says `exact` False.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from shimwright.optimize import screen
from shimwright.optimize.bounds import Stacks
from shimwright.optimize.cost import neighbours
from shimwright.optimize.pad import Pad
from shimwright.optimize.screen import IntArray, OptionBed, Rules
from shimwright.optimize.stock import NOTHING_FIXED, pairs
from shimwright.scan.raw import FloatArray

SWEEPS = 30
REFUSED = 1e3  # a set-up beyond a limit costs this more: the walk may start there, and leaves it first


@dataclass(frozen=True)
class Terrain:
    """Heights (s,), layers (s,) of the stacks, what limits them, and the fixed cost of a row.

    held: column → the only stack that it may hold.
    """

    pad: Pad
    heights_mm: FloatArray
    layers: FloatArray
    room_mm: float
    rule: Rules
    held: Mapping[int, int] = field(default_factory=lambda: NOTHING_FIXED)

    def settled(self, rows: IntArray) -> IntArray:
        """The rows (r, pockets) with the held pockets as they must be."""
        made = rows.copy()
        for column, stack in self.held.items():
            made[:, column] = stack
        return made

    def left_right_mm(self, rows: IntArray) -> FloatArray:
        height = self.heights_mm[rows]
        mates = pairs(self.pad)
        alone = [c for c in range(len(self.pad.pockets)) if not any(c in pair for pair in mates)]
        apart = height[:, alone].sum(axis=1)
        for a, b in mates:
            apart = apart + np.abs(height[:, a] - height[:, b])
        return np.asarray(apart)

    def allowed(self, rows: IntArray) -> NDArray[np.bool_]:
        """Rows (r, pockets) that keep total thickness, step and left-right difference."""
        height, limit = self.heights_mm[rows], self.pad.limits
        names = [pocket.name for pocket in self.pad.pockets]
        keep = (height <= self.room_mm + 1e-9).all(axis=1)
        for column, stack in self.held.items():
            keep &= rows[:, column] == stack
        if limit.neighbour_step_mm is not None:
            for a, b in neighbours(self.pad):
                step = np.abs(height[:, names.index(a)] - height[:, names.index(b)])
                keep &= step <= limit.neighbour_step_mm + 1e-9
        if limit.left_right_mm is not None:
            keep &= self.left_right_mm(rows) <= limit.left_right_mm + 1e-9
        return np.asarray(keep)

    def stacks(self) -> Stacks:
        """What the pockets may hold, for the bounds; steps between neighbours are looked at afterwards."""
        pockets = len(self.pad.pockets)
        mates = np.full(pockets, -1)
        for a, b in pairs(self.pad):
            mates[a], mates[b] = b, a
        may = np.tile(self.heights_mm <= self.room_mm + 1e-9, (pockets, 1))
        for column, stack in self.held.items():
            may[column] &= np.arange(self.heights_mm.size) == stack
        limit = np.inf if self.pad.limits.left_right_mm is None else self.pad.limits.left_right_mm + 1e-9
        return Stacks(self.heights_mm, self.layers, may.astype(np.uint8), mates.astype(np.int64), limit)

    def fixed(self, rows: IntArray) -> FloatArray:
        weights = self.rule.weights
        return np.asarray(weights[6] * self.left_right_mm(rows) + weights[7] * self.layers[rows].sum(axis=1))


@dataclass
class Walked:
    """Everything that was solved on the way: rows (r, pockets), cost, tilt, mask."""

    rows: list[IntArray]
    costs: list[FloatArray]
    tilts: list[FloatArray]
    masks: list[NDArray[np.uint8]]
    seen: set[bytes]

    def together(self) -> tuple[IntArray, FloatArray, FloatArray, NDArray[np.uint8]]:
        return tuple(np.concatenate(part) for part in (self.rows, self.costs, self.tilts, self.masks))  # type: ignore[return-value]


def single_changes(row: IntArray, terrain: Terrain) -> IntArray:
    """Every other stack in one pocket, and in both pockets of a pair."""
    count, stacks = row.size, terrain.heights_mm.size
    groups = [(c,) for c in range(count)] + list(pairs(terrain.pad))
    made = np.tile(row, (len(groups) * stacks, 1))
    for g, group in enumerate(groups):
        for column in group:
            made[g * stacks : (g + 1) * stacks, column] = np.arange(stacks)
    return made


def double_changes(row: IntArray, terrain: Terrain) -> IntArray:
    """Every other stack in any two pockets."""
    stacks, made = terrain.heights_mm.size, []
    first, second = np.divmod(np.arange(stacks**2), stacks)
    for a in range(row.size):
        for b in range(a + 1, row.size):
            rows = np.tile(row, (stacks**2, 1))
            rows[:, a], rows[:, b] = first, second
            made.append(rows)
    return np.concatenate(made) if made else row[None]


def walk(bed: OptionBed, terrain: Terrain, starts: IntArray, walked: Walked, wide: bool) -> None:
    """Down from every start by single changes; if `wide`, on from the best end by double changes."""
    pose = screen.resting_pose(bed)
    ends = [_descend(bed, terrain, pose, row, walked, single_changes) for row in starts]
    if wide and ends:
        best = min(ends, key=lambda end: end[1])[0]
        _descend(bed, terrain, pose, best, walked, double_changes)


Changes = Callable[[IntArray, Terrain], IntArray]


def _descend(
    bed: OptionBed, terrain: Terrain, pose: FloatArray, row: IntArray, walked: Walked, changes: Changes
) -> tuple[IntArray, float]:
    here, value = row, _solve(bed, terrain, pose, row[None], walked)[0]
    for _ in range(SWEEPS):
        around = changes(here, terrain)
        around = around[terrain.allowed(around)]
        fresh = np.array([r.tobytes() not in walked.seen for r in around], bool)
        around = around[fresh]
        if not len(around):
            break
        values = _solve(bed, terrain, pose, around, walked)
        best = int(values.argmin())
        if values[best] >= value - 1e-9:
            break
        here, value = around[best], float(values[best])
    return here, float(value)


def _solve(bed: OptionBed, terrain: Terrain, pose: FloatArray, rows: IntArray, walked: Walked) -> FloatArray:
    contact, tilts, masks = screen.solve_rows(bed, terrain.rule, pose, rows)
    costs = contact + terrain.fixed(rows)
    walked.rows.append(rows)
    walked.costs.append(costs)
    walked.tilts.append(tilts)
    walked.masks.append(np.where(terrain.allowed(rows), masks, masks | screen.LEFT_RIGHT).astype(np.uint8))
    walked.seen.update(r.tobytes() for r in rows)
    return np.asarray(costs + REFUSED * (walked.masks[-1] != 0))
