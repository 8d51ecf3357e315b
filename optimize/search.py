"""Every set-up that the stock allows, solved; the best by cost and tie order, and what differs in kind (DESIGN §8)."""

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from shimwright.optimize import screen
from shimwright.optimize.answer import SearchReport
from shimwright.optimize.bounds import SLACK, Beat, left_over
from shimwright.optimize.cost import left_right_mm, pieces, thickness_mm, total_limit_mm
from shimwright.optimize.limits import limits
from shimwright.optimize.neighbourhood import Terrain, Walked, walk
from shimwright.optimize.pad import Pad
from shimwright.optimize.saddle import Saddle
from shimwright.optimize.setup import Setup, Stack, height_mm
from shimwright.optimize.stances import WEIGHT_SQUARE, blend
from shimwright.optimize.stock import SideFillings, count_fillings, pairs, side_fillings, stacks_in_stock
from shimwright.scan.raw import FloatArray
from shimwright.scan.refusal import WrongUse

TOLERANCE = 1e-6  # of the load, in the search; the leading set-ups are solved again by `contact`
BLOCK = 200_000  # set-ups between two looks at the clock and at Ctrl-C
PART = 4000  # of what bounds leave over, cheapest first, between two looks at what is to beat
LEVEL_COUNTS = 100.0  # times more on the walk to the most level
KEEP = 4000  # cheapest set-ups of a block that can still matter
NOTHING_HELD: Mapping[str, Stack] = MappingProxyType({})


@dataclass(frozen=True)
class Option:
    """One arch with one insert. Whatever its stacks: the limit it breaks, or None, and the arch's cost.

    stances: beds of the same on the horse held otherwise, with their weights; limits are kept on `bed` alone.
    """

    arch: str | None
    insert: str | None
    insert_mm: float
    bed: screen.OptionBed
    refused: str | None = None
    arch_cost: float = 0.0
    stances: tuple[tuple[screen.OptionBed, float], ...] = ()

    @property
    def weights(self) -> FloatArray:
        """(1 + stances,): the horse standing square first."""
        return np.array([WEIGHT_SQUARE, *(weight for _, weight in self.stances)])


@dataclass(frozen=True)
class Candidate:
    """A set-up, its cost on the search's model, its place in the enumeration, the tilt of pitch and roll together."""

    setup: Setup
    cost: float
    tilt_deg: float
    order: tuple[int, ...]


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


@dataclass
class _Tally:
    """What has been seen so far."""

    kept: list[Candidate] = field(default_factory=list)
    kinds: dict[tuple[object, ...], Candidate] = field(default_factory=dict)
    level: Candidate | None = None
    best: float = np.inf
    feasible: int = 0
    excluded: int = 0
    refused_by: Counter[str] = field(default_factory=Counter)


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


def kind(setup: Setup, pad: Pad) -> tuple[object, ...]:
    """What makes two set-ups differ in kind: arch, insert, and which pockets hold anything."""
    return setup.arch, setup.insert, tuple(bool(setup.stacks.get(pocket.name)) for pocket in pad.pockets)


def tie_key(candidate: Candidate, pad: Pad, worn: Setup | None) -> tuple[object, ...]:
    """Thinnest, fewest pieces, more symmetric, what is on now, first in order."""
    setup = candidate.setup
    return (
        round(thickness_mm(setup, pad), 6),
        pieces(setup),
        round(left_right_mm(setup, pad), 6),
        setup != worn,
        candidate.order,
    )


def pick(candidates: Sequence[Candidate], pad: Pad, worn: Setup | None = None) -> Candidate | None:
    """The first in tie order of those that tie with the cheapest."""
    if not candidates:
        return None
    band = limits().ties.band(min(c.cost for c in candidates))
    return min((c for c in candidates if c.cost <= band), key=lambda c: tie_key(c, pad, worn))


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
    setups, tally, exact = per_option * len(options), _Tally(), True
    stances = max((len(option.weights) for option in options), default=1)
    try:
        if stances * _to_solve(options, pad, saddle, stock) > limits().search.solve_all_up_to:
            tally, exact = _prove(options, pad, saddle, stock, rule, worn, progress)
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
    candidates = _merge(tally, pad)
    refused = dict(tally.refused_by)
    best = pick(candidates, pad, worn)
    return Found(best, candidates, tally.level, setups, tally.feasible, refused, exact, tally.excluded)


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


def _to_solve(options: Sequence[Option], pad: Pad, saddle: Saddle, stock: Stock) -> int:
    """How many set-ups keep height, step and total thickness, all options together; counted, not listed."""
    total = 0
    for option in options:
        room = total_limit_mm(saddle, pad) - pad.shell_mm - option.insert_mm
        if option.refused is None and room >= 0:
            left, right = (count_fillings(pad, side, stock.heights_mm, room, stock.fixed) for side in ("left", "right"))
            total += left * right
    return total


def _prove(
    options: Sequence[Option],
    pad: Pad,
    saddle: Saddle,
    stock: Stock,
    rule: screen.Rules,
    worn: Setup | None,
    progress: Callable[[str], None],
) -> tuple[_Tally, bool]:
    """Walk for something good, rule out by bounds what cannot match it, solve the rest; whether that is proven.

    Where it is not — Ctrl-C, nothing feasible met on the walk, or too much left over — what the walk found.
    """
    walked, tally, per_option = _Tally(), _Tally(), stock.per_option(pad)
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
        if not walked.kept:
            return walked, False
        for number, option in sorted(free, key=lambda one: cheapest[one[0]]):
            progress(f"ruling out: arch {option.arch or 'fixed'}, insert {option.insert or 'none'}")
            if not _prove_option(number, option, pad, saddle, stock, rule, (walked, tally)):
                return walked, False
    except KeyboardInterrupt:
        return (tally if tally.best <= walked.best else walked), False
    return tally, True


def _to_beat(tallies: Sequence[_Tally]) -> Beat:
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
    known: tuple[_Tally, _Tally],
) -> bool:
    """Solve what bounds leave over of one option into the second of the tallies. False when that is too much."""
    tally = known[1]
    room = total_limit_mm(saddle, pad) - pad.shell_mm - option.insert_mm
    within = stock.within(pad, room) if room >= 0 else 0
    if stock.per_option(pad) > within:
        tally.refused_by["total thickness"] += stock.per_option(pad) - within
    if not within:
        return True
    terrain = _terrain(pad, stock, room, rule)
    rows, bounds = _left_over(option, terrain, _to_beat(known), rule)
    if len(rows) > limits().search.solve_left_over_up_to:
        return False
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


def _left_over(
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
    tally: _Tally,
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
    rows = np.concatenate([walked.together()[0], _level_rows(option, terrain, begun)])
    _solve_rows(number, option, pad, stock, terrain, np.unique(rows, axis=0), tally)


def _terrain(pad: Pad, stock: Stock, room_mm: float, rule: screen.Rules) -> Terrain:
    layers = np.array([float(len(stack)) for stack in stock.stacks])
    return Terrain(pad, stock.heights_mm, layers, room_mm, rule, stock.fixed)


def _level_rows(option: Option, terrain: Terrain, starts: NDArray[np.int64]) -> NDArray[np.int64]:
    """What lies about the most level set-up, found by a walk on which tilt costs far more."""
    weights = terrain.rule.weights.copy()
    weights[4:6] *= LEVEL_COUNTS
    walked = Walked([], [], [], [], set())
    walk(option.bed, replace(terrain, rule=replace(terrain.rule, weights=weights)), starts[:1], walked, wide=True)
    rows, costs, tilts, masks = walked.together()
    level = np.lexsort((costs, np.round(tilts, 1), masks != 0))
    return rows[level[:200]]


def _solve_rows(
    number: int, option: Option, pad: Pad, stock: Stock, terrain: Terrain, rows: NDArray[np.int64], tally: _Tally
) -> None:
    """Solve these rows in every stance and keep what matters."""
    rows = rows[np.lexsort(rows.T[::-1])]  # neighbours after one another: warm starts
    contact, tilts, masks = screen.solve_rows(option.bed, terrain.rule, screen.resting_pose(option.bed), rows)
    fixed = terrain.fixed(rows)
    masks = np.where(terrain.allowed(rows), masks, masks | screen.LEFT_RIGHT).astype(np.uint8)
    others = [screen.solve_rows(bed, terrain.rule, screen.resting_pose(bed), rows) for bed, _ in option.stances]
    costs, masks = _over_stances(option, contact + fixed, masks, [(p + fixed, t, m) for p, t, m in others])
    _count(masks, tally)
    value = np.where(masks == 0, costs + option.arch_cost, np.inf)
    patterns = _patterns(rows)
    leaders = [int(np.where(patterns == p, value, np.inf).argmin()) for p in np.unique(patterns)]
    _note(_Solved(number, option, pad, stock.stacks, value, tilts, rows.__getitem__), leaders, tally)


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
    tally: _Tally,
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
        costs, masks = _over_stances(option, costs, masks, others)
        _count(masks, tally)
        value = np.where(masks == 0, costs + option.arch_cost, np.inf)
        row = _row_of(some, right, len(pad.pockets))
        _note(
            _Solved(number, option, pad, stacks, value.ravel(), tilts.ravel(), row), _leaders(value, some, right), tally
        )


Solved = tuple[FloatArray, FloatArray, NDArray[np.uint8]]


def _over_stances(
    option: Option, costs: FloatArray, masks: NDArray[np.uint8], others: Sequence[Solved]
) -> tuple[FloatArray, NDArray[np.uint8]]:
    """Costs of all stances as one; a set-up must find rest in each of them."""
    if not others:
        return costs, masks
    unsolved = np.bitwise_or.reduce([mask & np.uint8(screen.UNSOLVED) for _, _, mask in others])
    return blend(np.array([costs, *(price for price, _, _ in others)]), option.weights), masks | unsolved


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


def _count(masks: NDArray[np.uint8], tally: _Tally) -> None:
    tally.feasible += int((masks == 0).sum())
    for bit, name in screen.LIMIT_NAMES.items():
        cut = int(np.count_nonzero(masks & bit))
        if cut:
            tally.refused_by[name] += cut


@dataclass(frozen=True)
class _Solved:
    """Set-ups of one option: cost (+inf beyond a limit) and tilt, flat, and the row of stack numbers of each."""

    number: int
    option: Option
    pad: Pad
    stacks: tuple[Stack, ...]
    value: FloatArray
    tilts: FloatArray
    row: Callable[[int], NDArray[np.int64]]

    def candidate(self, flat: int) -> Candidate:
        row = self.row(flat).tolist()
        held = {p.name: self.stacks[s] for p, s in zip(self.pad.pockets, row, strict=True)}
        setup = Setup(self.option.arch, self.option.insert, held)
        return Candidate(setup, float(self.value[flat]), float(self.tilts[flat]), (self.number, *row))


def _note(solved: _Solved, leaders: Sequence[int], tally: _Tally) -> None:
    """Keep what can still matter: the ties, the leading, the best of every kind (`leaders`), the most level."""
    value = solved.value
    if not np.isfinite(value).any():
        return
    tally.best = min(tally.best, float(value.min()))
    tied = np.flatnonzero(value <= limits().ties.band(tally.best))
    leading = np.argpartition(value, KEEP)[:KEEP] if value.size > KEEP else np.arange(value.size)
    leading = leading[np.argsort(value[leading], kind="stable")][: limits().search.leading]
    tally.kept += [solved.candidate(int(i)) for i in np.union1d(tied, leading) if np.isfinite(value[i])]
    for flat in leaders:
        if np.isfinite(value[flat]):
            found = solved.candidate(flat)
            key = kind(found.setup, solved.pad)
            if key not in tally.kinds or (found.cost, found.order) < (tally.kinds[key].cost, tally.kinds[key].order):
                tally.kinds[key] = found
    _note_level(solved, tally)


def _leaders(grid: FloatArray, left: _Side, right: _Side) -> list[int]:
    """The cheapest of every pattern of filled pockets, as places in the flattened grid."""
    filled_left, filled_right = (_patterns(side.rows) for side in (left, right))
    found = []
    for a in np.unique(filled_left):
        rows = np.flatnonzero(filled_left == a)
        for b in np.unique(filled_right):
            columns = np.flatnonzero(filled_right == b)
            inner = grid[np.ix_(rows, columns)]
            i, j = np.unravel_index(int(inner.argmin()), inner.shape)
            found.append(int(rows[i]) * len(right.rows) + int(columns[j]))
    return found


def _patterns(rows: NDArray[np.int64]) -> NDArray[np.int64]:
    """Which pockets of a side hold anything, as one number."""
    return np.asarray(((rows > 0) << np.arange(rows.shape[1])).sum(axis=1))


def _note_level(solved: _Solved, tally: _Tally) -> None:
    """Most level: least tilt, to a tenth of a degree; of these the cheapest."""
    rounded = np.where(np.isfinite(solved.value), np.round(solved.tilts, 1), np.inf)
    level = solved.candidate(int(np.where(rounded <= rounded.min(), solved.value, np.inf).argmin()))
    held = tally.level
    if held is None or (round(level.tilt_deg, 1), level.cost) < (round(held.tilt_deg, 1), held.cost):
        tally.level = level


def _merge(tally: _Tally, pad: Pad) -> tuple[Candidate, ...]:
    """Ties of the final best, the leading, the best of every kind; each once, cheapest first."""
    del pad
    band = limits().ties.band(tally.best)
    kept = sorted(tally.kept, key=lambda c: (c.cost, c.order))
    count = limits().search.leading
    chosen = {c.order: c for i, c in enumerate(kept) if c.cost <= band or i < count}
    chosen |= {c.order: c for c in tally.kinds.values()}
    return tuple(sorted(chosen.values(), key=lambda c: (c.cost, c.order)))


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
