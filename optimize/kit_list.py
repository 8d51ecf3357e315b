"""What can serve one horse: every set-up within limits that gives good contact, with its cost and the pieces it takes.

Limits, cost and the lines of good contact are those of `fit`, on the model of the search. Where the stock is so large
that not all of it is solved, set-ups dearer than the horse's own best by more than a margin are left out, by bounds.
"""

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from shimwright.optimize.bounds import Beat
from shimwright.optimize.cost import total_limit_mm
from shimwright.optimize.fit import Job, choices
from shimwright.optimize.kit_measures import judge_rows
from shimwright.optimize.kit_model import Bools
from shimwright.optimize.kit_pieces import Pieces
from shimwright.optimize.limits import limits
from shimwright.optimize.neighbourhood import Terrain
from shimwright.optimize.prove import rows_left_over
from shimwright.optimize.screen import LIMIT_NAMES, UNSOLVED, IntArray, Rules
from shimwright.optimize.search import search
from shimwright.optimize.setup import Setup
from shimwright.optimize.stances import blend
from shimwright.optimize.stock import Stock, count_fillings, side_fillings, stock_of
from shimwright.optimize.tally import Option
from shimwright.scan.raw import FloatArray
from shimwright.scan.refusal import WrongUse

SIDES = ("left", "right")
NOT_GOOD = "uneven contact"  # beside the names of hard limits: bridged or uneven beyond the lines of good contact


@dataclass(frozen=True)
class Listed:
    """tools (arch, insert) of every option; options (s,): which one. rows (s, pockets): stack numbers. cost (s,).

    needs (s, units). setups: how many the stock allows. refused_by: limit → how many it cut. margin: how much dearer
    than the horse's own best is still listed; +inf: all of them.
    """

    tools: tuple[tuple[str | None, str | None], ...]
    options: IntArray
    rows: IntArray
    cost: FloatArray
    needs: Bools
    setups: int
    refused_by: dict[str, int]
    margin: float

    def setup(self, number: int, job: Job) -> Setup:
        arch, insert = self.tools[self.options[number]]
        held = {p.name: job.stacks[s] for p, s in zip(job.pad.pockets, self.rows[number].tolist(), strict=True)}
        return Setup(arch, insert, held)

    def without(self, numbers: Sequence[int]) -> "Listed":
        """The list less some that the true model refused."""
        keep = np.ones(self.cost.size, bool)
        keep[list(numbers)] = False
        return replace(
            self, options=self.options[keep], rows=self.rows[keep], cost=self.cost[keep], needs=self.needs[keep]
        )


def listed(job: Job, pieces: Pieces, progress: Callable[[str], None]) -> Listed:
    """The list of one horse; empty where nothing serves it. Ctrl-C is not caught."""
    stock, (offered, rule) = stock_of(job.pad, {}), choices(job)
    terrains = [_terrain(one, job, stock, rule) for one in offered]
    open_ = [(n, offered[n], terrain) for n, terrain in enumerate(terrains) if terrain is not None]
    size = limits().kit
    if sum(_count(terrain, stock) for _, _, terrain in open_) <= size.solve_all_up_to:
        margin, rows = np.inf, [_all_rows(job, stock, terrain) for _, _, terrain in open_]
    else:
        margin, rows = _near_best(job, offered, open_, rule, progress)
    cut: Counter[str] = Counter({one.refused: 0 for one in offered if one.refused is not None})
    for one in offered:
        if one.refused is not None:
            cut[one.refused] += stock.per_option(job.pad)
    parts = []
    for (number, one, terrain), some in zip(open_, rows, strict=True):
        progress(f"listing arch {one.arch or 'fixed'}, insert {one.insert or 'none'}")
        kept, cost = _good(one, terrain, rule, some, cut)
        parts.append((np.full(cost.size, number), kept, cost))
    none = (np.zeros(0, np.int64), np.zeros((0, len(job.pad.pockets)), np.int64), np.zeros(0))
    options, kept, cost = (np.concatenate(part) for part in zip(none, *parts, strict=False))
    tools = tuple((one.arch, one.insert) for one in offered)
    setups = stock.per_option(job.pad) * len(offered)
    whole = Listed(tools, options, kept, cost, _needs(tools, options, kept, pieces), setups, dict(cut), margin)
    return whole.without(np.flatnonzero(cost > cost.min(initial=np.inf) + margin).tolist())


def _terrain(one: Option, job: Job, stock: Stock, rule: Rules) -> Terrain | None:
    """None where the arch is refused, or the empty pad with this insert is too thick already."""
    room = total_limit_mm(job.saddle, job.pad) - job.pad.shell_mm - one.insert_mm
    if one.refused is not None or room < 0:
        return None
    layers = np.array([float(len(stack)) for stack in stock.stacks])
    return Terrain(job.pad, stock.heights_mm, layers, room, rule, stock.fixed)


def _count(terrain: Terrain, stock: Stock) -> int:
    """Set-ups that keep height, step and total thickness, counted and not listed."""
    left, right = (count_fillings(terrain.pad, side, stock.heights_mm, terrain.room_mm) for side in SIDES)
    return left * right


def _near_best(
    job: Job,
    offered: Sequence[Option],
    open_: Sequence[tuple[int, Option, Terrain]],
    rule: Rules,
    progress: Callable[[str], None],
) -> tuple[float, list[IntArray]]:
    """A margin over the horse's own best, halved as long as bounds leave too much, and what they leave of each option.

    Raises WrongUse where the least margin that means anything leaves too much.
    """
    found = search(offered, job.pad, job.saddle, rule, job.found_setup, progress)
    if not found.candidates:
        return 0.0, [np.zeros((0, len(job.pad.pockets)), np.int64) for _ in open_]
    margin, most = limits().kit.margin, limits().search.solve_left_over_up_to
    while margin >= limits().ties.cost:
        progress(f"ruling out what costs {margin:g} more than its best")
        goal = Beat(found.candidates[0].cost + margin)
        left = [rows_left_over(one, terrain, goal, rule)[0] for _, one, terrain in open_]
        if sum(len(rows) for rows in left) <= most:
            return margin, left
        margin /= 2
    raise WrongUse(
        f"pad {job.pad.name}: its stock makes {found.setups:,} set-ups, too many to list for a kit; leave shims or "
        "thicknesses out of the pad file that are not meant for this yard, or say layers = 1 under [limits]"
    )


def _all_rows(job: Job, stock: Stock, terrain: Terrain) -> IntArray:
    """Every left side with every right one that keeps the limits of stacks."""
    left, right = (side_fillings(job.pad, side, stock.heights_mm, terrain.room_mm) for side in SIDES)
    rows = np.zeros((len(left.stacks) * len(right.stacks), len(job.pad.pockets)), np.int64)
    rows[:, list(left.pockets)] = np.repeat(left.stacks, len(right.stacks), axis=0)
    rows[:, list(right.pockets)] = np.tile(right.stacks, (len(left.stacks), 1))
    return rows[terrain.allowed(rows)]


def _good(one: Option, terrain: Terrain, rule: Rules, rows: IntArray, cut: Counter[str]) -> tuple[IntArray, FloatArray]:
    """Rows within limits that give good contact as the horse stands square, and their cost over all its stances."""
    line = limits().verdict
    found, masks = judge_rows(one.bed, rule, rows)
    fixed = terrain.fixed(rows)
    price = found[:, 0] + fixed
    if one.stances:
        held = [judge_rows(bed, rule, rows) for bed, _ in one.stances]
        price = blend(np.array([price, *(other[:, 0] + fixed for other, _ in held)]), one.weights)
        masks = masks | np.bitwise_or.reduce([mask & np.uint8(UNSOLVED) for _, mask in held])
    for bit, name in LIMIT_NAMES.items():
        cut[name] += int(np.count_nonzero(masks & bit))
    within = masks == 0
    good = within & (found[:, 1] <= line.unevenness) & (found[:, 2] <= line.bridged_share)
    cut[NOT_GOOD] += int(within.sum() - good.sum())
    return rows[good], price[good] + one.arch_cost


def _needs(tools: Sequence[tuple[str | None, str | None]], options: IntArray, rows: IntArray, pieces: Pieces) -> Bools:
    needs = np.zeros((len(rows), len(pieces.pieces)), bool)
    for number, (arch, insert) in enumerate(tools):
        here = options == number
        for name, column in ((arch, pieces.arch), (insert, pieces.insert)):
            if name is not None:
                needs[here, column[name]] = True
    for pocket, stacks in enumerate(pieces.stacks):
        needs |= stacks[rows[:, pocket]]
    return needs
