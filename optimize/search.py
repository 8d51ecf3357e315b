"""Every set-up that the stock allows, solved; the best by cost and tie order, and what differs in kind (DESIGN §8)."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType

import numpy as np

from shimwright.optimize import screen
from shimwright.optimize.answer import SearchReport
from shimwright.optimize.cost import total_limit_mm
from shimwright.optimize.limits import limits
from shimwright.optimize.pad import Pad
from shimwright.optimize.prove import prove
from shimwright.optimize.saddle import Saddle
from shimwright.optimize.setup import Setup, Stack
from shimwright.optimize.stock import Stock, count_fillings, stock_of
from shimwright.optimize.tally import Candidate, Option, Tally, kind, merged, pick
from shimwright.optimize.whole import solve_whole

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
    solved: int = 0

    @property
    def report(self) -> SearchReport:
        cost = self.best.cost if self.best is not None else float("nan")
        counts = dict(self.refused_by)
        return SearchReport(self.setups, self.feasible, counts, cost, self.exact, self.excluded, self.solved)


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
        count, size = stances * _to_solve(options, pad, saddle, stock), limits().search
        if count > size.solve_all_up_to:
            tally, exact = prove(options, pad, saddle, stock, rule, worn, progress, count <= size.solve_whole_up_to)
        else:
            for number, option in enumerate(options):
                progress(f"trying arch {option.arch or 'fixed'}, insert {option.insert or 'none'}")
                if option.refused is not None:
                    tally.refused_by[option.refused] += per_option
                    continue
                solve_whole(number, option, pad, saddle, stock, rule, tally)
    except KeyboardInterrupt:
        exact = False
    candidates = merged(tally)
    refused = dict(tally.refused_by)
    best = pick(candidates, pad, worn)
    return Found(best, candidates, tally.level, setups, tally.feasible, refused, exact, tally.excluded, tally.solved)


def _to_solve(options: Sequence[Option], pad: Pad, saddle: Saddle, stock: Stock) -> int:
    """How many set-ups keep height, step and total thickness, all options together; counted, not listed."""
    total = 0
    for option in options:
        room = total_limit_mm(saddle, pad) - pad.shell_mm - option.insert_mm
        if option.refused is None and room >= 0:
            left, right = (count_fillings(pad, side, stock.heights_mm, room, stock.fixed) for side in ("left", "right"))
            total += left * right
    return total


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
