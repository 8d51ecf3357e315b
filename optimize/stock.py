"""What the stock allows: the stacks of a pocket, the ways to fill one side, and how many set-ups that makes."""

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations_with_replacement
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from shimwright.optimize.cost import neighbours
from shimwright.optimize.pad import Pad
from shimwright.optimize.setup import Layer, Stack, height_mm
from shimwright.scan.raw import FloatArray
from shimwright.scan.refusal import WrongUse

SLACK_MM = 1e-9
NOTHING_FIXED: Mapping[int, int] = MappingProxyType({})


def stacks_in_stock(pad: Pad) -> tuple[Stack, ...]:
    """Every stack within height and layer limits, the empty one first, then by height, layers, order in the pad file.

    The same layers in another order are one stack: thickest against the horse, as the smaller outline comes on top
    of the larger one and the top layer comes out first.
    """
    order = {shim.name: i for i, shim in enumerate(pad.shims)}
    kinds = [Layer(shim.name, t) for shim in pad.shims for t in shim.thicknesses_mm]
    kinds.sort(key=lambda layer: (-layer.thickness_mm, order[layer.shim]))
    thinnest = min((layer.thickness_mm for layer in kinds), default=0.0)
    highest = pad.limits.height_mm if pad.limits.height_mm is not None else np.inf
    # without a limit on layers or height a pocket takes one layer
    fits = int(highest / thinnest + SLACK_MM) if kinds and np.isfinite(highest) else 1
    layers = min(fits, pad.limits.layers) if pad.limits.layers is not None else fits
    stacks: list[Stack] = [()]
    for count in range(1, layers + 1):
        stacks += [s for s in combinations_with_replacement(kinds, count) if height_mm(s) <= highest + SLACK_MM]
    return tuple(sorted(dict.fromkeys(stacks), key=lambda s: (height_mm(s), len(s), [order[x.shim] for x in s])))


@dataclass(frozen=True)
class SideFillings:
    """All ways to fill one side. pockets: columns of the set-up. stacks (r, c): stack numbers per pocket."""

    pockets: tuple[int, ...]
    stacks: NDArray[np.int64]


def side_fillings(
    pad: Pad, side: str, heights_mm: FloatArray, highest_mm: float, fixed: Mapping[int, int] = NOTHING_FIXED
) -> SideFillings:
    """Rows in lexicographic order that keep step and total thickness; one empty row where there is no pocket.

    fixed: pocket's column → the only stack that it may hold.
    """
    columns = tuple(i for i, pocket in enumerate(pad.pockets) if pocket.side == side)
    names = [pocket.name for pocket in pad.pockets]
    step = pad.limits.neighbour_step_mm
    beside = [(names.index(a), names.index(b)) for a, b in neighbours(pad)]
    allowed = np.flatnonzero(heights_mm <= highest_mm + SLACK_MM)
    rows = np.zeros((1, 0), np.int64)
    for count, column in enumerate(columns):
        here = allowed[allowed == fixed[column]] if column in fixed else allowed
        rows = np.column_stack([np.repeat(rows, here.size, axis=0), np.tile(here, len(rows))])
        for a, b in beside:
            other = b if a == column else a if b == column else None
            if step is None or other is None or other not in columns[:count]:
                continue
            apart = np.abs(heights_mm[rows[:, columns.index(other)]] - heights_mm[rows[:, count]])
            rows = rows[apart <= step + SLACK_MM]
    return SideFillings(columns, rows)


def pairs(pad: Pad) -> tuple[tuple[int, int], ...]:
    """Columns (left, right) of pockets that are each other's mirror image."""
    names = [pocket.name for pocket in pad.pockets]
    found = []
    for i, pocket in enumerate(pad.pockets):
        partner = pad.partner(pocket.name)
        if pocket.side == "left" and partner is not None:
            found.append((i, names.index(partner)))
    return tuple(found)


def count_fillings(
    pad: Pad, side: str, heights_mm: FloatArray, highest_mm: float, fixed: Mapping[int, int] = NOTHING_FIXED
) -> int:
    """How many rows `side_fillings` would have, from front to rear without listing them."""
    names = [pocket.name for pocket in pad.pockets]
    row = [names.index(p.name) for p in pad.pockets if p.side == side]
    row.sort(key=lambda i: -float(pad.pockets[i].outline[:, 0].mean()))
    number = np.flatnonzero(heights_mm <= highest_mm + SLACK_MM)
    allowed = heights_mm[number]
    step = pad.limits.neighbour_step_mm
    apart = np.abs(allowed[:, None] - allowed[None, :])
    may_follow = np.ones(apart.shape, bool) if step is None else apart <= step + SLACK_MM
    if not row:
        return 1
    # Python integers: eight pockets overflow 64 bits only far beyond any stock, but they can
    ways = [int(fixed.get(row[0], s) == s) for s in number]
    for pocket in row[1:]:
        ways = [
            sum(w for w, may in zip(ways, column, strict=True) if may) * int(fixed.get(pocket, s) == s)
            for s, column in zip(number, may_follow.T, strict=True)
        ]
    return sum(ways)


@dataclass(frozen=True)
class Stock:
    """stacks: all that a pocket may hold. fixed: pocket's column → the number of the only stack that it may hold."""

    stacks: tuple[Stack, ...]
    fixed: Mapping[int, int]

    @property
    def heights_mm(self) -> FloatArray:
        return np.array([height_mm(stack) for stack in self.stacks])

    def per_option(self, pad: Pad) -> int:
        """Set-ups of one arch with one insert."""
        return int(len(self.stacks) ** (len(pad.pockets) - len(self.fixed)))

    def within(self, pad: Pad, room_mm: float) -> int:
        """How many of these keep the total thickness."""
        fit = self.heights_mm <= room_mm + 1e-9
        held = all(fit[number] for number in self.fixed.values())
        return int(fit.sum()) ** (len(pad.pockets) - len(self.fixed)) if held else 0


def stock_of(pad: Pad, fixed: Mapping[str, Stack]) -> Stock:
    """The pad's stock with some pockets settled. Raises WrongUse for what the pad does not have."""
    stacks, names = stacks_in_stock(pad), [pocket.name for pocket in pad.pockets]
    held: dict[int, int] = {}
    for name, stack in fixed.items():
        if name not in names:
            raise WrongUse(f"pocket {name!r} is not one of this pad's: {', '.join(names) or 'it has none'}")
        if stack not in stacks:
            layers = " + ".join(f"{layer.thickness_mm:g} mm {layer.shim}" for layer in stack)
            raise WrongUse(f"{layers} in pocket {name} is not in the pad's stock: choose from its shims, or open it up")
        held[names.index(name)] = stacks.index(stack)
    return Stock(stacks, held)
