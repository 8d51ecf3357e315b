"""What a search has seen: candidates, the best of every kind, the most level, what limits cut, the order of ties."""

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from shimwright.optimize import screen
from shimwright.optimize.cost import left_right_mm, pieces, thickness_mm
from shimwright.optimize.limits import limits
from shimwright.optimize.pad import Pad
from shimwright.optimize.setup import Setup, Stack
from shimwright.optimize.stances import WEIGHT_SQUARE, blend
from shimwright.scan.raw import FloatArray

KEEP = 4000  # cheapest set-ups of a block that can still matter
Answer = tuple[FloatArray, FloatArray, NDArray[np.uint8]]  # costs, tilts, masks


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


@dataclass
class Tally:
    """What has been seen so far."""

    kept: list[Candidate] = field(default_factory=list)
    kinds: dict[tuple[object, ...], Candidate] = field(default_factory=dict)
    level: Candidate | None = None
    best: float = np.inf
    feasible: int = 0
    excluded: int = 0
    solved: int = 0
    refused_by: Counter[str] = field(default_factory=Counter)


@dataclass(frozen=True)
class Solved:
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


def count_cut(masks: NDArray[np.uint8], tally: Tally) -> None:
    tally.feasible += int((masks == 0).sum())
    tally.solved += int((masks & screen.LEFT_RIGHT == 0).sum())
    for bit, name in screen.LIMIT_NAMES.items():
        cut = int(np.count_nonzero(masks & bit))
        if cut:
            tally.refused_by[name] += cut


def over_stances(
    option: Option, costs: FloatArray, masks: NDArray[np.uint8], others: Sequence[Answer]
) -> tuple[FloatArray, NDArray[np.uint8]]:
    """Costs of all stances as one; a set-up must find rest in each of them."""
    if not others:
        return costs, masks
    unsolved = np.bitwise_or.reduce([mask & np.uint8(screen.UNSOLVED) for _, _, mask in others])
    return blend(np.array([costs, *(price for price, _, _ in others)]), option.weights), masks | unsolved


def note(solved: Solved, leaders: Sequence[int], tally: Tally) -> None:
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


def patterns_of(rows: NDArray[np.int64]) -> NDArray[np.int64]:
    """Which pockets of a side hold anything, as one number."""
    return np.asarray(((rows > 0) << np.arange(rows.shape[1])).sum(axis=1))


def _note_level(solved: Solved, tally: Tally) -> None:
    """Most level: least tilt, to a tenth of a degree; of these the cheapest."""
    rounded = np.where(np.isfinite(solved.value), np.round(solved.tilts, 1), np.inf)
    level = solved.candidate(int(np.where(rounded <= rounded.min(), solved.value, np.inf).argmin()))
    held = tally.level
    if held is None or (round(level.tilt_deg, 1), level.cost) < (round(held.tilt_deg, 1), held.cost):
        tally.level = level


def merged(tally: Tally) -> tuple[Candidate, ...]:
    """Ties of the final best, the leading, the best of every kind; each once, cheapest first."""
    band = limits().ties.band(tally.best)
    kept = sorted(tally.kept, key=lambda c: (c.cost, c.order))
    count = limits().search.leading
    chosen = {c.order: c for i, c in enumerate(kept) if c.cost <= band or i < count}
    chosen |= {c.order: c for c in tally.kinds.values()}
    return tuple(sorted(chosen.values(), key=lambda c: (c.cost, c.order)))
