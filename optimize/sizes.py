"""Sizes for a population: which arches and panels serve it best, whom none serves, and how sure that is.

Costs are the gap that a pair of arch and panel leaves on a back (`size_gaps`); the choice is exact or its distance from
the best is stated (`medoids`); horses drawn again with replacement, kind by kind, tell how far the sizes would move.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from shimwright.optimize.medoids import Chosen, Crowd, Pair, choose, greedy, improved
from shimwright.optimize.relief import Relief
from shimwright.optimize.saddle import Arch, Saddle
from shimwright.optimize.size_candidates import ARCH_ALIKE, PANEL_ALIKE, arches_for, numbers_of, panels_for
from shimwright.optimize.size_gaps import lay, pairs_of
from shimwright.optimize.size_rules import SizeRules
from shimwright.scan.raw import FloatArray

SEED = 20260101
MORE_ARCHES, MORE_PANELS = 2, 1  # beyond what was asked, in the table of numbers


@dataclass(frozen=True)
class Horse:
    """One back of the crowd. own (11,): the size it would have for itself (`size_candidates`). weight: how much it
    counts. kind: the group it was told to belong to, "" for none.
    """

    name: str
    kind: str
    weight: float
    relief: Relief
    own: FloatArray


@dataclass(frozen=True)
class Made:
    """Sizes that exist already and stay."""

    arches: tuple[Arch, ...] = ()
    panels: tuple[Saddle, ...] = ()


@dataclass(frozen=True)
class Table:
    """Everything that a choice needs. crowd: the costs. mean_gap_mm, clearance_mm, pitch_deg (n, arches, panels);
    serves the same; leg_off_deg (n, arches).
    """

    arches: tuple[Arch, ...]
    panels: tuple[Saddle, ...]
    crowd: Crowd
    mean_gap_mm: NDArray[np.float32]
    clearance_mm: NDArray[np.float32]
    pitch_deg: NDArray[np.float32]
    leg_off_deg: FloatArray
    serves: NDArray[np.bool_]


@dataclass(frozen=True)
class Size:
    """One arch or one panel. moves: the sd of its numbers with other horses of the same kinds, NaN where made already.
    share: of the weight of all horses that take it.
    """

    name: str
    saddle: Saddle  # of an arch: the arch alone counts
    made: bool
    share: float
    moves: FloatArray


@dataclass(frozen=True)
class Numbers:
    """What so many arches and panels would do. served: share of the weight."""

    arches: int
    panels: int
    mean_gap_mm: float
    served: float


@dataclass(frozen=True)
class Sizes:
    """The answer. taken (n, 2): arch and panel of every horse, as numbers of `arches` and `panels`. mean_gap_mm,
    clearance_mm, pitch_deg, leg_off_deg (n,) of what it takes; served (n,). gap_share: how far below the best possible
    choice among the candidates may lie.
    """

    arches: tuple[Size, ...]
    panels: tuple[Size, ...]
    taken: NDArray[np.intp]
    mean_gap_mm: FloatArray
    clearance_mm: FloatArray
    pitch_deg: FloatArray
    leg_off_deg: FloatArray
    served: NDArray[np.bool_]
    weights: FloatArray
    gap_share: float
    compared: tuple[int, int]
    numbers: tuple[Numbers, ...]
    draws: int


def sizes_for(horses: Sequence[Horse], pattern: Saddle, made: Made, wanted: tuple[int, int], rules: SizeRules) -> Sizes:
    """wanted: how many arches and panels in all, made ones counted. At least one horse with weight."""
    table = table_of(horses, pattern, made, rules)
    wanted = min(wanted[0], len(table.arches)), min(wanted[1], len(table.panels))
    chosen = _taken_only(table, choose(table.crowd, *wanted, rules.nodes))
    moved = _moves(table, chosen, [horse.kind for horse in horses], rules.draws)
    return _told(table, chosen, made, moved, _numbers(table, chosen), rules.draws)


def table_of(horses: Sequence[Horse], pattern: Saddle, made: Made, rules: SizeRules) -> Table:
    """Candidates and what each costs on every horse."""
    own = np.stack([horse.own for horse in horses])
    weights = np.array([horse.weight for horse in horses])
    arches = _with_made(made.arches, arches_for(own, weights, rules))
    panels = (*made.panels, *panels_for(own, weights, pattern, rules))
    pairs = pairs_of(arches, panels, horses[0].relief)
    whole = (len(horses), len(arches), len(panels))
    cost = np.empty(whole)
    gap, clearance, pitch = (np.empty(whole, np.float32) for _ in range(3))  # shown, not counted with
    off, serves = np.empty(whole[:2]), np.empty(whole, bool)
    for k, horse in enumerate(horses):
        one = lay(pairs, horse.relief, 90.0 - horse.own[0] / 2, rules)
        serves[k] = one.serves(rules)
        cost[k] = one.cost_mm + rules.not_served_mm * ~serves[k]
        gap[k], clearance[k], pitch[k], off[k] = one.mean_gap_mm, one.clearance_mm, one.pitch_deg, one.leg_off_deg
    held = tuple(range(len(made.arches))), tuple(range(len(made.panels)))
    return Table(arches, panels, Crowd(cost, weights, *held), gap, clearance, pitch, off, serves)


def _with_made(made: tuple[Arch, ...], found: tuple[Arch, ...]) -> tuple[Arch, ...]:
    there = {(arch.included_deg, arch.width_mm) for arch in made}
    return (*made, *(arch for arch in found if (arch.included_deg, arch.width_mm) not in there))


def taken_of(table: Table, arches: Sequence[int], panels: Sequence[int]) -> NDArray[np.intp]:
    """(n, 2) candidates that every horse takes: the pair that costs least, of equals the first."""
    cost = table.crowd.cost[:, list(arches)][:, :, list(panels)]
    best = cost.reshape(len(cost), -1).argmin(axis=1)
    return np.column_stack([np.array(arches)[best // len(panels)], np.array(panels)[best % len(panels)]])


def _taken_only(table: Table, chosen: Chosen) -> Chosen:
    """Without sizes that nobody takes, unless they are made already: where few horses need few, more help nobody."""
    taken = taken_of(table, chosen.arches, chosen.panels)[table.crowd.weights > 0]
    arches, panels = (
        tuple(one for one in sizes if one in set(taken[:, k]) or one in held)
        for k, (sizes, held) in enumerate(
            ((chosen.arches, table.crowd.held_arches), (chosen.panels, table.crowd.held_panels))
        )
    )
    return replace(chosen, arches=arches, panels=panels)


def _numbers(table: Table, chosen: Chosen) -> tuple[Numbers, ...]:
    """Every number of arches and panels up to a little more than chosen, by exchange."""
    crowd, wanted = table.crowd, (len(chosen.arches), len(chosen.panels))
    most = min(wanted[0] + MORE_ARCHES, len(table.arches)), min(wanted[1] + MORE_PANELS, len(table.panels))
    out = []
    for panels in range(max(1, len(crowd.held_panels)), most[1] + 1):
        for arches in range(max(1, len(crowd.held_arches)), most[0] + 1):
            same = (arches, panels) == wanted
            found = _pair(chosen) if same else improved(crowd, *greedy(crowd, arches, panels))
            taken = taken_of(table, *found)
            rows = np.arange(len(taken))
            gap, serves = (values[rows, taken[:, 0], taken[:, 1]] for values in (table.mean_gap_mm, table.serves))
            out.append(Numbers(arches, panels, _mean(gap, crowd.weights), _mean(serves, crowd.weights)))
    return tuple(out)


def _mean(values: Iterable[float], weights: FloatArray) -> float:
    return float(np.average(np.asarray(values, float), weights=weights))


def draws_of(kinds: Sequence[str], weights: FloatArray, count: int) -> Iterable[FloatArray]:
    """Weights of horses drawn again with replacement within each kind, which keeps its share of the whole."""
    rng = np.random.default_rng(SEED)
    of_kind = [np.flatnonzero(np.array(kinds) == kind) for kind in sorted(set(kinds))]
    for _ in range(count):
        drawn = np.zeros(len(weights))
        for horses in of_kind:
            times = np.bincount(rng.integers(0, len(horses), len(horses)), minlength=len(horses)) * weights[horses]
            if times.sum() > 0:
                drawn[horses] = times * weights[horses].sum() / times.sum()
        yield drawn


def _moves(table: Table, chosen: Chosen, kinds: Sequence[str], draws: int) -> tuple[FloatArray, FloatArray]:
    """sd of (arch numbers (k, 2), panel numbers (m, 9)) over the draws, every draw's sizes paired with the chosen."""
    arch_of = np.array([[arch.included_deg, arch.width_mm] for arch in table.arches])
    panel_of = np.stack([numbers_of(panel)[2:] for panel in map(_one_arch, table.panels)])
    other = greedy(table.crowd, len(chosen.arches), len(chosen.panels))
    seen: tuple[list[FloatArray], list[FloatArray]] = ([], [])
    for weights in draws_of(kinds, table.crowd.weights, draws):
        crowd = replace(table.crowd, weights=weights)
        found = min((improved(crowd, *start) for start in (_pair(chosen), other)), key=lambda pair: crowd.total(*pair))
        for k, (values, alike, mine) in enumerate(
            ((arch_of, ARCH_ALIKE, chosen.arches), (panel_of, PANEL_ALIKE, chosen.panels))
        ):
            seen[k].append(_paired(values[list(mine)], values[list(found[k])], alike))
    arch_sd, panel_sd = (np.sqrt(np.mean(np.square(one), axis=0)) for one in seen)
    return arch_sd, panel_sd


def _pair(chosen: Chosen) -> Pair:
    return chosen.arches, chosen.panels


def _one_arch(panel: Saddle) -> Saddle:
    """With its reference arch alone."""
    reference = next((arch for arch in panel.arches if arch.name == panel.reference_arch), panel.arches[0])
    return replace(panel, arches=(reference,), reference_arch=reference.name)


def _paired(mine: FloatArray, theirs: FloatArray, alike: FloatArray) -> FloatArray:
    """(k, d) theirs less mine, each with the partner that makes the whole least unlike."""
    unlike = np.linalg.norm((mine[:, None] - theirs[None]) * alike, axis=2)
    rows, columns = linear_sum_assignment(unlike)
    return np.asarray(theirs[columns[np.argsort(rows)]] - mine)


def _told(
    table: Table,
    chosen: Chosen,
    made: Made,
    moved: tuple[FloatArray, FloatArray],
    numbers: tuple[Numbers, ...],
    draws: int,
) -> Sizes:
    taken, weights = taken_of(table, chosen.arches, chosen.panels), table.crowd.weights
    arch_order = sorted(chosen.arches, key=lambda a: (table.arches[a].included_deg, table.arches[a].width_mm))
    panel_order = sorted(chosen.panels, key=lambda p: (table.panels[p].rocker_mm, tuple(table.panels[p].angle_deg)))
    arches, panels = [], []
    for number, a in enumerate(arch_order, 1):
        arch, is_made = table.arches[a], a < len(made.arches)
        sd = np.full(2, np.nan) if is_made else moved[0][chosen.arches.index(a)]
        holder = replace(table.panels[0], arches=(arch,), reference_arch=arch.name)
        name = arch.name if is_made else f"arch {number}"
        arches.append(Size(name, holder, is_made, _mean(taken[:, 0] == a, weights), sd))
    for number, p in enumerate(panel_order, 1):
        is_made = p < len(made.panels)
        sd = np.full(9, np.nan) if is_made else moved[1][chosen.panels.index(p)]
        name = table.panels[p].name if is_made else f"panel {number}"
        panels.append(Size(name, table.panels[p], is_made, _mean(taken[:, 1] == p, weights), sd))
    rows = np.arange(len(taken))
    gap, clear, pitch = (
        np.asarray(values[rows, taken[:, 0], taken[:, 1]], dtype=float)
        for values in (table.mean_gap_mm, table.clearance_mm, table.pitch_deg)
    )
    own_numbers = np.column_stack(
        [[arch_order.index(a) for a in taken[:, 0]], [panel_order.index(p) for p in taken[:, 1]]]
    )
    return Sizes(
        tuple(arches),
        tuple(panels),
        own_numbers,
        gap,
        clear,
        pitch,
        table.leg_off_deg[rows, taken[:, 0]],
        table.serves[rows, taken[:, 0], taken[:, 1]],
        weights,
        chosen.gap_share,
        (len(table.arches), len(table.panels)),
        numbers,
        draws,
    )
