"""A back that grows uneven, or stays so: a word for vet and fitter, never a cure by shims (texts in cautions.toml)."""

from collections.abc import Sequence
from datetime import date

import numpy as np

from shimwright.optimize.cautions import caution
from shimwright.scan.back import Back
from shimwright.scan.build import build_limits
from shimwright.scan.change import Change
from shimwright.scan.raw import FloatArray

UNDER_SADDLE = slice(1, 10)  # stations −50 … −450 mm
LASTING_WEEKS = 4  # [J] two visits nearer than this are one look at the horse


def one_sided_cautions(backs: Sequence[Back], last: Change) -> tuple[str, ...]:
    """backs: in order of time, two or more. last: from the first to the last of them."""
    lines = []
    grown = growing_side(last, backs[-1])
    if grown is not None:
        lines.append(caution("growing_uneven", side=grown[0], change=grown[1], sd=grown[2]))
    if side := lasting_side(backs):
        lines.append(caution("lasting_uneven", side=side, visits=len(backs)))
    return tuple(lines)


def growing_side(change: Change, now: Back) -> tuple[str, float, float] | None:
    """(side that fell away against the other, by how many mm, sd) where a third of the back did so beyond error.

    None where that made the back evener: the side that fell away is not the lesser one today.
    """
    apart = [one for one in change.places if one.name.endswith("left more than right") and one.beyond]
    if not apart:
        return None
    most = max(apart, key=lambda one: abs(one.change / one.sd))
    area, sd = mean_difference(now)
    if most.change * area >= 0 or abs(area) <= sd:
        return None
    return ("right" if most.change > 0 else "left"), abs(most.change), most.sd


def lasting_side(backs: Sequence[Back]) -> str | None:
    """The side that falls away more in every visit, each by more than the limit of the word uneven and twice its sd."""
    figures = np.array([mean_difference(back) for back in backs])
    line = build_limits()["uneven"]["area_cm2"]
    if len(backs) < 2 or not _weeks_apart(backs) >= LASTING_WEEKS:
        return None
    clear = np.abs(figures[:, 0]) > np.maximum(line, 2.0 * figures[:, 1])
    sign = np.sign(figures[:, 0])
    if not (clear.all() and (sign == sign[0]).all()):
        return None
    return "left" if sign[0] > 0 else "right"


def mean_difference(back: Back) -> FloatArray:
    """(mean area by which the left falls away more, its sd) under the saddle, cm²; errors taken as going together."""
    area = back.stations.area_difference_cm2[UNDER_SADDLE]
    sd = back.stations.area_difference_sd_cm2[UNDER_SADDLE]
    known = np.isfinite(area) & np.isfinite(sd)
    return np.array([area[known].mean(), sd[known].mean()]) if known.any() else np.full(2, np.nan)


def _weeks_apart(backs: Sequence[Back]) -> float:
    days = [date.fromisoformat(back.source.date) for back in backs if back.source.date]
    return (max(days) - min(days)).days / 7 if len(days) == len(backs) else float("nan")
