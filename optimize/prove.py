"""Stocks too large to solve whole: walk for something good, rule out by bounds what cannot match it, solve the rest."""

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from shimwright.optimize import screen
from shimwright.optimize.bounds import SLACK, Beat, left_over
from shimwright.optimize.cost import total_limit_mm
from shimwright.optimize.limits import limits
from shimwright.optimize.neighbourhood import Terrain, Walked, walk
from shimwright.optimize.pad import Pad
from shimwright.optimize.saddle import Saddle
from shimwright.optimize.setup import Setup
from shimwright.optimize.stock import Stock
from shimwright.optimize.tally import Option, Solved, Tally, count_cut, note, over_stances, patterns_of
from shimwright.optimize.whole import solve_whole
from shimwright.scan.raw import FloatArray

PART = 4000  # of what bounds leave over, cheapest first, between two looks at what is to beat
LEVEL_COUNTS = 100.0  # times more on the walk to the most level
Known = tuple[FloatArray, FloatArray, NDArray[np.uint8]]  # costs without the arch's, tilts, masks


def prove(
    options: Sequence[Option],
    pad: Pad,
    saddle: Saddle,
    stock: Stock,
    rule: screen.Rules,
    worn: Setup | None,
    progress: Callable[[str], None],
    whole: bool,
) -> tuple[Tally, bool]:
    """Walk for something good, rule out by bounds what cannot match it, solve the rest; whether that is proven.

    whole: where bounds do not pay, as for a tree that bends a lot, all of an arch and insert may be solved.
    Where nothing is proven — Ctrl-C, or too much left over — what the walk found.
    """
    walked, tally, per_option = Tally(), Tally(), stock.per_option(pad)
    free = [(number, option) for number, option in enumerate(options) if option.refused is None]
    for option in options:
        if option.refused is not None:
            walked.refused_by[option.refused] += per_option
            tally.refused_by[option.refused] += per_option
    cheapest = {}
    try:
        for number, option in free:
            progress(f"trying arch {option.arch or 'fixed'}, insert {option.insert or 'none'}")
            walked.best = np.inf
            _walk_option(number, option, pad, saddle, stock, rule, worn, walked)
            cheapest[number] = walked.best
        walked.best = min(cheapest.values(), default=np.inf)
        if not walked.kept and not whole:
            return walked, False
        for number, option in sorted(free, key=lambda one: cheapest[one[0]]):
            name = f"arch {option.arch or 'fixed'}, insert {option.insert or 'none'}"
            progress(f"ruling out: {name}")
            known = (walked, tally)
            if any(t.kept for t in known) and _prove_option(number, option, pad, saddle, stock, rule, known):
                continue
            if not whole:
                return walked, False
            progress(f"bounds leave too much, solving all: {name}")
            solve_whole(number, option, pad, saddle, stock, rule, tally)
    except KeyboardInterrupt:
        walked.best = min((c.cost for c in walked.kept), default=np.inf)
        return (tally if tally.best < walked.best else walked), False
    return tally, True


def _to_beat(tallies: Sequence[Tally]) -> Beat:
    """What a set-up must reach to be a tie of the best, one of the leading, the best of a leading kind, or level."""
    size = limits().search
    known = {c.order: c.cost for tally in tallies for c in tally.kept}
    costs = sorted(known.values())
    kinds: dict[tuple[object, ...], float] = {}
    for tally in tallies:
        for name, candidate in tally.kinds.items():
            kinds[name] = min(candidate.cost, kinds.get(name, np.inf))
    lines = [limits().ties.band(costs[0])]
    lines += [values[n - 1] if len(values) >= n else np.inf for values, n in (
        (costs, size.leading), (sorted(kinds.values()), size.runners_up + 1),
    )]  # fmt: skip
    level = min((t.level for t in tallies if t.level is not None), key=lambda c: (round(c.tilt_deg, 1), c.cost))
    tenth = round(level.tilt_deg, 1)
    return Beat(max(lines), tenth - 0.05 - 1e-9, tenth + 0.05 + 1e-9, level.cost)


def _prove_option(
    number: int,
    option: Option,
    pad: Pad,
    saddle: Saddle,
    stock: Stock,
    rule: screen.Rules,
    known: tuple[Tally, Tally],
) -> bool:
    """Solve what bounds leave over of one option into the second of the tallies. False when that is too much."""
    tally = known[1]
    room = total_limit_mm(saddle, pad) - pad.shell_mm - option.insert_mm
    within = stock.within(pad, room) if room >= 0 else 0
    terrain = _terrain(pad, stock, room, rule)
    if within:
        rows, bounds = rows_left_over(option, terrain, _to_beat(known), rule)
        if len(rows) > limits().search.solve_left_over_up_to:
            return False
    if stock.per_option(pad) > within:
        tally.refused_by["total thickness"] += stock.per_option(pad) - within
    if not within:
        return True
    solved = 0
    while solved < len(rows):
        beat = _to_beat(known)
        matter = max(beat.cost, beat.level_cost) - option.arch_cost + SLACK if beat.lower_deg <= 0 else np.inf
        part = slice(solved, solved + PART)
        if bounds[part][0] > matter:
            break
        _solve_rows(number, option, pad, stock, terrain, rows[part], tally)
        solved += len(rows[part])
    tally.excluded += within - solved
    return True


def rows_left_over(
    option: Option, terrain: Terrain, beat: Beat, rule: screen.Rules
) -> tuple[NDArray[np.int64], FloatArray]:
    """Rows that keep the limits of stacks and could not be ruled out, and bounds of their cost without the arch's."""
    share = limits().stances.worst_share
    weights = option.weights
    sure = (1 - share) * weights[0] / weights.sum() + share if len(weights) > 1 else 1.0
    goal = replace(
        beat, cost=(beat.cost - option.arch_cost) / sure, level_cost=(beat.level_cost - option.arch_cost) / sure
    )
    left = left_over(option.bed, rule, terrain.stacks(), goal)
    if not left.whole:
        return np.zeros((limits().search.solve_left_over_up_to + 1, 0), np.int64), np.zeros(0)
    keep = terrain.allowed(left.rows)
    rows, bounds = left.rows[keep], sure * left.bounds[keep]
    order = np.argsort(bounds, kind="stable")
    return rows[order], bounds[order]


def _walk_option(
    number: int,
    option: Option,
    pad: Pad,
    saddle: Saddle,
    stock: Stock,
    rule: screen.Rules,
    worn: Setup | None,
    tally: Tally,
) -> None:
    """The neighbourhood of a few starts: empty, what is on now, and the best so far."""
    stacks = stock.stacks
    room = total_limit_mm(saddle, pad) - pad.shell_mm - option.insert_mm
    if room < 0:
        return
    terrain = _terrain(pad, stock, room, rule)
    number_of = {stack: i for i, stack in enumerate(stacks)}
    known = [worn] if worn is not None else []
    known += [min(tally.kept, key=lambda c: c.cost).setup] if tally.kept else []
    starts = [[0] * len(pad.pockets)]
    starts += [
        [number_of[s.stacks[p.name]] for p in pad.pockets] for s in known if set(s.stacks.values()) <= set(stacks)
    ]
    walked = Walked([], [], [], [], set())
    begun = terrain.settled(np.array(starts, np.int64))
    walk(option.bed, terrain, np.unique(begun, axis=0), walked, wide=True)
    rows, costs, tilts, masks = walked.together()
    rows, once = np.unique(rows, axis=0, return_index=True)
    _note_rows(number, option, pad, stock, terrain, rows, (costs[once], tilts[once], masks[once]), tally)
    level = _level_rows(option, terrain, begun)
    fresh = np.array([row.tobytes() not in walked.seen for row in level], bool)
    if fresh.any():
        _solve_rows(number, option, pad, stock, terrain, level[fresh], tally)


def _terrain(pad: Pad, stock: Stock, room_mm: float, rule: screen.Rules) -> Terrain:
    layers = np.array([float(len(stack)) for stack in stock.stacks])
    return Terrain(pad, stock.heights_mm, layers, room_mm, rule, stock.fixed)


def _level_rows(option: Option, terrain: Terrain, starts: NDArray[np.int64]) -> NDArray[np.int64]:
    """What lies about the most level set-up, found by a walk on which tilt costs far more."""
    weights = terrain.rule.weights.copy()
    weights[4:6] *= LEVEL_COUNTS
    walked = Walked([], [], [], [], set())
    walk(option.bed, replace(terrain, rule=replace(terrain.rule, weights=weights)), starts[:1], walked, wide=False)
    rows, costs, tilts, masks = walked.together()
    level = np.lexsort((costs, np.round(tilts, 1), masks != 0))
    return rows[level[:200]]


def _solve_rows(
    number: int, option: Option, pad: Pad, stock: Stock, terrain: Terrain, rows: NDArray[np.int64], tally: Tally
) -> None:
    """Solve these rows and keep what matters."""
    rows = rows[np.lexsort(rows.T[::-1])]  # neighbours after one another: warm starts
    contact, tilts, masks = screen.solve_rows(option.bed, terrain.rule, screen.resting_pose(option.bed), rows)
    masks = np.where(terrain.allowed(rows), masks, masks | screen.LEFT_RIGHT).astype(np.uint8)
    known = contact + terrain.fixed(rows), tilts, masks
    _note_rows(number, option, pad, stock, terrain, rows, known, tally)


def _note_rows(
    number: int,
    option: Option,
    pad: Pad,
    stock: Stock,
    terrain: Terrain,
    rows: NDArray[np.int64],
    known: Known,
    tally: Tally,
) -> None:
    """Keep what matters of rows whose costs are known where the horse stands square; other stances are solved here."""
    costs, tilts, masks = known
    others = [screen.solve_rows(bed, terrain.rule, screen.resting_pose(bed), rows) for bed, _ in option.stances]
    fixed = terrain.fixed(rows)
    costs, masks = over_stances(option, costs, masks, [(p + fixed, t, m) for p, t, m in others])
    count_cut(masks, tally)
    value = np.where(masks == 0, costs + option.arch_cost, np.inf)
    patterns = patterns_of(rows)
    leaders = [int(np.where(patterns == p, value, np.inf).argmin()) for p in np.unique(patterns)]
    note(Solved(number, option, pad, stock.stacks, value, tilts, rows.__getitem__), leaders, tally)
