"""How often the pick stays best when what is not known exactly is drawn anew (DESIGN §8): correlated noise."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from shimwright.optimize.answer import Confidence
from shimwright.optimize.cost import fixed_cost
from shimwright.optimize.limits import limits
from shimwright.optimize.materials import tissue
from shimwright.optimize.pad import Pad
from shimwright.optimize.screen import IntArray, OptionBed, Rules, solve_draws
from shimwright.optimize.setup import Setup, Stack
from shimwright.optimize.stances import WEIGHT_SQUARE, blend
from shimwright.scan.raw import FloatArray

INPUTS = ("the scan", "where the saddle sits", "the rider's weight", "how soft the back is", "how the back is held")
WAVES = 64  # cosines that make up one correlated field
NOISE_ALONE_DRAWS = 60
STEPS_ALONE = 12  # of one number alone: even steps say more than as many random draws


@dataclass(frozen=True)
class Field:
    """Correlated noise as a sum of cosines, so that every arch sees the same error at the same place of the back."""

    wave: FloatArray  # (draws, WAVES, 2), radians per mm
    phase: FloatArray  # (draws, WAVES)

    def at(self, place_mm: FloatArray) -> FloatArray:
        """(draws, n) unit-variance noise at places (n, 2), correlation exp(−d²/2ℓ²)."""
        place = place_mm.astype(np.float32)  # phases of some radians: single precision is 1e-6 of the noise
        waves, phases = self.wave.astype(np.float32), self.phase.astype(np.float32)
        rows = [np.cos(place @ w.T + p).sum(axis=1) for w, p in zip(waves, phases, strict=True)]
        return np.asarray(np.sqrt(2 / self.wave.shape[1]) * np.array(rows, float))


def correlated_field(rng: np.random.Generator, draws: int, correlation_mm: float) -> Field:
    wave = rng.normal(size=(draws, WAVES, 2)) / correlation_mm
    return Field(wave, rng.uniform(0, 2 * np.pi, (draws, WAVES)))


@dataclass(frozen=True)
class Draws:
    """Everything drawn. placing, rider, bend: −1 … 1 (draws,); tissue_kpa_per_mm (draws,)."""

    noise: Field
    placing: FloatArray
    rider: FloatArray
    tissue_kpa_per_mm: FloatArray
    bend: FloatArray
    scan: float = 1.0  # 0: no noise

    @property
    def count(self) -> int:
        return self.placing.size


def drawn(rng: np.random.Generator, count: int) -> Draws:
    """count draws of all inputs together."""
    field = correlated_field(rng, count, limits().confidence.correlation_mm)
    placing, rider, bend = rng.uniform(-1, 1, (3, count))
    return Draws(field, placing, rider, _softness(rng.uniform(-1, 1, count)), bend)


def drawn_alone(rng: np.random.Generator, name: str, count: int) -> Draws:
    """One input alone, the others as told: the scan by random draws, a single number by even steps over its range."""
    steps = (2 * np.arange(count) + 1) / count - 1
    place, weight, soft, held = (steps if name == one else np.zeros(count) for one in INPUTS[1:])
    told = np.full(count, tissue().stiffness_kpa_per_mm)
    field = correlated_field(rng, count, limits().confidence.correlation_mm)
    return Draws(field, place, weight, _softness(soft) if name == INPUTS[3] else told, held, float(name == INPUTS[0]))


def _softness(t: FloatArray) -> FloatArray:
    """kPa/mm of tissue at t in −1 … 1, even in the logarithm over the table's range."""
    low, high = np.log(limits().confidence.tissue_kpa_per_mm)
    return np.asarray(np.exp(low + (high - low) * (t + 1) / 2))


@dataclass(frozen=True)
class Shaken:
    """What an option needs to be drawn: place_mm (n, 2) on the back, sd_mm (n,), approach at placing −1, 0, +1 (3, n),
    how much the middle moves when the back is lifted by the whole bend (n,), load without rider and of the rider (d,).
    stances: the same on the horse held otherwise, with their weights.
    """

    bed: OptionBed
    place_mm: FloatArray
    sd_mm: FloatArray
    approach_mm: FloatArray
    bend_mm: FloatArray
    load_rest: FloatArray
    load_rider: FloatArray
    arch_cost: float = 0.0
    stances: "tuple[tuple[Shaken, float], ...]" = ()

    def approach(self, draws: Draws) -> FloatArray:
        """(draws, n): the back nearer by noise and bend, the saddle moved (a parabola through three places)."""
        back, here, fore = self.approach_mm
        t = draws.placing[:, None]
        moved = here + 0.5 * t * (fore - back) + 0.5 * t**2 * (fore - 2 * here + back)
        noise = draws.scan * self.sd_mm * draws.noise.at(self.place_mm) if draws.scan else 0.0
        return np.asarray(moved + noise + draws.bend[:, None] * self.bend_mm)

    def series(self, draws: Draws) -> FloatArray:
        """(draws, k): deflection of the layers in series with the drawn tissue."""
        softer = 1 / draws.tissue_kpa_per_mm - 1 / tissue().stiffness_kpa_per_mm
        return self.bed.series_mm + softer[:, None] * self.bed.pressure_kpa

    def load(self, draws: Draws) -> FloatArray:
        rider = 1 + limits().confidence.rider_share * draws.rider
        return self.load_rest + rider[:, None] * self.load_rider


def costs_of(
    setups: Sequence[Setup], shaken: Mapping[tuple[str | None, str | None], Shaken], stacks: Sequence[Stack],
    pad: Pad, rule: Rules, draws: Draws,
) -> tuple[FloatArray, NDArray[np.bool_]]:  # fmt: skip
    """(draws, set-ups): cost, and whether all hard limits are kept. What is not in `shaken` costs +inf."""
    number = {stack: i for i, stack in enumerate(stacks)}
    costs = np.full((draws.count, len(setups)), np.inf)
    kept = np.zeros(costs.shape, bool)
    for option, one in shaken.items():
        mine = [i for i, setup in enumerate(setups) if (setup.arch, setup.insert) == option]
        if not mine:
            continue
        rows = np.array([[number[setups[i].stacks[p.name]] for p in pad.pockets] for i in mine], np.int64)
        value, mask = _solved(one, rule, rows.reshape(len(mine), -1), draws)
        if one.stances:  # the same draw in every stance
            others = [_solved(held, rule, rows.reshape(len(mine), -1), draws)[0] for held, _ in one.stances]
            weights = np.array([WEIGHT_SQUARE, *(weight for _, weight in one.stances)])
            value = blend(np.array([value, *others]), weights)
        fixed = one.arch_cost + np.array([fixed_cost(setups[i], pad) for i in mine])
        costs[:, mine], kept[:, mine] = value + fixed, mask == 0
    return costs, kept


def _solved(one: Shaken, rule: Rules, rows: IntArray, draws: Draws) -> tuple[FloatArray, NDArray[np.uint8]]:
    return solve_draws(one.bed, rule, rows, one.approach(draws), one.series(draws), one.load(draws))


def share_best(costs: FloatArray, pick: int) -> float:
    """Share of draws in which the pick is within limits and within the tie band of the best."""
    best = costs.min(axis=1)
    band = best + np.maximum(limits().ties.share * np.abs(best), limits().ties.cost)
    return float(np.mean(np.isfinite(costs[:, pick]) & (costs[:, pick] <= band)))


def share_better(costs: FloatArray, pick: int, other: int) -> float:
    """Share of draws in which the pick costs less than the other, limits left aside: both meet the same ones."""
    return float(np.mean(costs[:, pick] < costs[:, other]))


def regret(costs: FloatArray, pick: int) -> float:
    """Mean of what the pick costs more than the best of its draw; a broken limit counts as 1."""
    best = costs.min(axis=1)
    with np.errstate(invalid="ignore"):
        lost = costs[:, pick] - best
    return float(np.mean(np.where(np.isfinite(lost), np.minimum(lost, 1.0), 1.0)))


@dataclass(frozen=True)
class Shaking:
    """The answer and what it was read from. better_than_found: share of draws; NaN if as found is not in the stock."""

    confidence: Confidence
    better_than_found: float


def shake(
    setups: Sequence[Setup], pick: Setup, found: Setup, shaken: Mapping[tuple[str | None, str | None], Shaken],
    stacks: Sequence[Stack], pad: Pad, rule: Rules,
) -> Shaking:  # fmt: skip
    """Draw everything for the share, then each input alone for the one that matters most."""
    table = limits().confidence
    known = set(stacks)
    field = list(setups)
    for one in (pick, found):
        if one not in field and set(one.stacks.values()) <= known and (one.arch, one.insert) in shaken:
            field.append(one)
    place = field.index(pick)
    rng = np.random.default_rng(table.seed)
    costs, kept = costs_of(field, shaken, stacks, pad, rule, drawn(rng, table.draws))
    share = share_best(np.where(kept, costs, np.inf), place)
    lost = {}
    for name in INPUTS:
        count = NOISE_ALONE_DRAWS if name == INPUTS[0] else STEPS_ALONE
        alone, within = costs_of(field, shaken, stacks, pad, rule, drawn_alone(rng, name, count))
        lost[name] = regret(np.where(within, alone, np.inf), place)
    worst = max(lost, key=lambda name: lost[name])
    sensitive = worst if lost[worst] > 1e-3 else None
    better = share_better(costs, place, field.index(found)) if found in field and found != pick else float("nan")
    told = share >= table.told_apart_share
    return Shaking(Confidence(share, table.draws, told, sensitive), better)
