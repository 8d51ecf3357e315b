"""Limits, cost weights and rules of the trade, read from limits.toml with their marks."""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files


@dataclass(frozen=True)
class Pose:
    """Degrees from the maker's level, mounted."""

    pitch_hard_deg: float
    roll_hard_deg: float
    target_deg: float
    error_deg: float


@dataclass(frozen=True)
class Clearance:
    """Withers clearance by style, mm."""

    hard_mm: Mapping[str, float]
    target_mm: tuple[float, float]


@dataclass(frozen=True)
class ArchLimits:
    """Leg angle minus back angle."""

    good_deg: float
    hard_deg: float
    step_deg: float
    bearing_mm: float


@dataclass(frozen=True)
class Pressure:
    """Published lines and our rules about them."""

    mean_kpa: float
    peak_kpa: float
    peak_over_as_found: float
    sore_over_as_found: float
    sore_tolerance_kpa: float
    bridged_share_of_mean: float


@dataclass(frozen=True)
class StackRules:
    """What the pad's own limits do not say."""

    total_mm: Mapping[str, float]
    two_steps_above_mm: float
    left_right_vet_mm: float


@dataclass(frozen=True)
class EdgeRules:
    """Where a shim may end, mm."""

    sore_margin_mm: float
    bar_length_mm: float
    told_mm: float
    panel_end_mm: float
    swing_mm: float


@dataclass(frozen=True)
class CostWeights:
    """Weights of DESIGN §8."""

    unevenness: float
    bridged: float
    mean_overrun: float
    peak_overrun: float
    pitch_per_deg2: float
    roll_per_deg2: float
    left_right_per_mm: float
    piece: float
    arch_per_deg: float


@dataclass(frozen=True)
class Ties:
    """Nearer than the larger of `share` of the best and `cost` is a tie."""

    share: float
    cost: float

    def band(self, best: float) -> float:
        """Highest cost that still ties with `best`."""
        return best + max(self.share * abs(best), self.cost)


@dataclass(frozen=True)
class SearchSize:
    """How much is solved, and how much is handed on."""

    nodes: int
    solve_all_up_to: int
    solve_left_over_up_to: int
    solve_whole_up_to: int
    leading: int
    runners_up: int


@dataclass(frozen=True)
class StanceRules:
    """How several stances of one horse count together."""

    weight: float
    worst_share: float
    flatter_share: float


@dataclass(frozen=True)
class ConfidenceDraws:
    """Spread of the inputs (DESIGN §8)."""

    draws: int
    seed: int
    correlation_mm: float
    placement_mm: float
    rider_share: float
    tissue_kpa_per_mm: tuple[float, float]
    bend_deg: float
    told_apart_share: float


@dataclass(frozen=True)
class VerdictLines:
    """What counts as good contact, mounted."""

    bridged_share: float
    unevenness: float
    side_difference_mm: float


@dataclass(frozen=True)
class HandLines:
    """What a flat hand feels."""

    daylight_mm: float
    open_share: float
    light_under_mean: float
    firm_over_mean: float
    hand_sd_mm: float
    channel_mm: float


@dataclass(frozen=True)
class RiderLines:
    """Shares of the horse's healthy weight."""

    rider_caution: float
    tack_caution: float
    strong: float


@dataclass(frozen=True)
class AnimalLines:
    """Outside these the tables say little."""

    pony_below_mm: float
    heavy_above_kg: float
    withers_croup_mm: tuple[float, float]


@dataclass(frozen=True)
class KitSize:
    """How much of a stock is listed for a yard, and for how long a kit is looked for."""

    solve_all_up_to: int
    margin: float
    seconds: float


@dataclass(frozen=True)
class Limits:
    """The whole of limits.toml."""

    pose: Pose
    clearance: Clearance
    arch: ArchLimits
    pressure: Pressure
    stack: StackRules
    edges: EdgeRules
    cost: CostWeights
    ties: Ties
    search: SearchSize
    kit: KitSize
    stances: StanceRules
    confidence: ConfidenceDraws
    verdict: VerdictLines
    hands: HandLines
    rider: RiderLines
    recheck_weeks: Mapping[str, int]
    animal: AnimalLines


@cache
def limits() -> Limits:
    """The shipped table; raises TypeError if a key is missing or unknown."""
    table = tomllib.loads(files("shimwright.optimize").joinpath("limits.toml").read_text(encoding="utf-8"))
    return Limits(
        pose=Pose(**table["pose"]),
        clearance=Clearance(table["clearance"]["hard_mm"], tuple(table["clearance"]["target_mm"])),
        arch=ArchLimits(**table["arch"]),
        pressure=Pressure(**table["pressure"]),
        stack=StackRules(**table["stack"]),
        edges=EdgeRules(**table["edges"]),
        cost=CostWeights(**table["cost"]),
        ties=Ties(**table["ties"]),
        search=SearchSize(**table["search"]),
        kit=KitSize(**table["kit"]),
        stances=StanceRules(**table["stances"]),
        confidence=ConfidenceDraws(
            **{**table["confidence"], "tissue_kpa_per_mm": tuple(table["confidence"]["tissue_kpa_per_mm"])}
        ),
        verdict=VerdictLines(**table["verdict"]),
        hands=HandLines(**table["hands"]),
        rider=RiderLines(**table["rider"]),
        recheck_weeks=table["recheck_weeks"],
        animal=AnimalLines(**{**table["animal"], "withers_croup_mm": tuple(table["animal"]["withers_croup_mm"])}),
    )
