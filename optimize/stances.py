"""One horse held otherwise: other scans of it, or what a moving back does; one set-up must serve all (limits.toml)."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from shimwright.optimize.answer import Placement
from shimwright.optimize.limits import limits
from shimwright.optimize.saddle import Saddle
from shimwright.scan.back import Back
from shimwright.scan.raw import FloatArray
from shimwright.scan.stance import bent, flatter

MADE = ("flatter", "lifted", "hollowed")
WEIGHT_SQUARE = 1.0


@dataclass(frozen=True)
class StanceTold:
    """As told: another scan's back, or how to make it from the square one (`MADE`). weight None: limits.toml."""

    name: str
    back: Back | None = None
    made: str | None = None
    weight: float | None = None


@dataclass(frozen=True)
class Stance:
    """weight: beside 1 for the horse as it stood square."""

    name: str
    back: Back
    weight: float


def stances(told: Sequence[StanceTold], square: Back, saddle: Saddle, placement: Placement) -> tuple[Stance, ...]:
    """The stances beside the square one. Raises InputRefused where one cannot be made."""
    table = limits().stances
    found = []
    for one in told:
        back = one.back if one.back is not None else _made(one.made or "", square, saddle, placement)
        found.append(Stance(one.name, back, table.weight if one.weight is None else one.weight))
    return tuple(found)


def _made(kind: str, back: Back, saddle: Saddle, placement: Placement) -> Back:
    if kind == "flatter":
        return flatter(back, limits().stances.flatter_share)
    if kind not in MADE:
        raise ValueError(f"stance {kind!r} is none of {', '.join(MADE)}")
    angle = limits().confidence.bend_deg * (1.0 if kind == "lifted" else -1.0)
    return bent(back, placement.front_x_mm, placement.front_x_mm - saddle.length_mm, angle)


def blend(costs: FloatArray, weights: FloatArray) -> FloatArray:
    """One cost from those of each stance: (stances, …) → (…). The weighted mean, and a share of the worst."""
    share = limits().stances.worst_share
    mean = np.tensordot(weights / weights.sum(), costs, axes=1)
    return np.asarray((1 - share) * mean + share * costs.max(axis=0))
