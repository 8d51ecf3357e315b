"""What sizes mean, in a maker's words."""

import math
from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from shimwright.export import words
from shimwright.optimize.size_candidates import ANGLES, CHANNELS, CROWN, INCLUDED, RISE, ROCKER, WIDTH
from shimwright.optimize.size_rules import SizeRules
from shimwright.optimize.sizes import Horse, Sizes
from shimwright.scan.raw import FloatArray

# what is measured of every horse: name on paper, unit, column, steps of the drawing
MEASURES = (
    ("arch, included angle", "°", INCLUDED, 4.0),
    ("arch, width 100 mm down", "mm", WIDTH, 10.0),
    ("rocker", "mm", ROCKER, 4.0),
    ("panel angle, front", "°", ANGLES.start, 3.0),
    ("panel angle, middle", "°", ANGLES.start + 1, 3.0),
    ("panel angle, rear", "°", ANGLES.start + 2, 3.0),
    ("front end above rear end", "mm", RISE, 10.0),
    ("channel, middle", "mm", CHANNELS.start + 1, 5.0),
    ("across the panel", "mm", CROWN, 1.0),
)
SHARES = (0.05, 0.25, 0.5, 0.75, 0.95)


def quantiles(values: FloatArray, weights: FloatArray) -> FloatArray:
    """(5,) at `SHARES`: the value at which the weight of all that are not above it reaches the share."""
    return np.asarray(np.quantile(values, SHARES, weights=weights, method="inverted_cdf"))


def why_not(sizes: Sizes, rules: SizeRules, horse: int) -> list[tuple[str, str]]:
    """(kind, words) of every line that the best of the sizes crosses on a horse, and by how much; [] if it serves."""
    if sizes.served[horse]:
        return []
    out = []
    off, gap, clear = (float(one[horse]) for one in (sizes.leg_off_deg, sizes.mean_gap_mm, sizes.clearance_mm))
    if abs(off) > rules.arch_deg:
        kind = "arch too narrow" if off > 0 else "arch too wide"
        out.append((kind, f"{kind}: {abs(off):.0f}° off its back, {_over(abs(off) - rules.arch_deg, '°')}"))
    if clear < rules.clearance_mm:
        out.append(("too low over the withers", f"{max(clear, 0.0):.0f} mm over the withers"))
    if gap > rules.mean_gap_mm:
        tip = abs(float(sizes.pitch_deg[horse])) > rules.pitch_deg - 1e-6
        kind = "panel gap, at the limit of tipping" if tip else "panel gap"
        out.append((kind, f"gap {gap:.1f} mm in the mean, {_over(gap - rules.mean_gap_mm)}"))
    return out


def _over(value: float, unit: str = "") -> str:
    """Never 0: it is over."""
    return f"{max(math.ceil(10 * value - 1e-9), 1) / 10:.1f}{unit} over"


def by_how_much(sizes: Sizes, rules: SizeRules, horse: int) -> float:
    """How far beyond the lines, as a share of each line, the worst; 0 for a horse that is served."""
    if sizes.served[horse]:
        return 0.0
    return max(
        abs(float(sizes.leg_off_deg[horse])) / rules.arch_deg - 1,
        float(sizes.mean_gap_mm[horse]) / rules.mean_gap_mm - 1,
        1 - float(sizes.clearance_mm[horse]) / rules.clearance_mm,
        0.0,
    )


def served_sentence(sizes: Sizes) -> str:
    """How many sizes serve how many, and what remains."""
    total = float(sizes.weights.sum())
    share = float(sizes.weights[sizes.served].sum()) / total
    gap = float(np.average(sizes.mean_gap_mm, weights=sizes.weights))
    return (
        f"{_count(len(sizes.arches), 'arch', 'arches')} and {_count(len(sizes.panels), 'panel', 'panels')} serve "
        f"{100 * share:.0f} % of the horses; mean gap {gap:.1f} mm"
    )


def _count(number: int, one: str, more: str) -> str:
    return f"{number} {one if number == 1 else more}"


def with_move(value: float, sd: float, unit: str, units: str = "mm") -> str:
    """A size's number and how far it would move with other horses of the same kinds.

    >>> with_move(92.0, 2.4, "°"), with_move(215.0, float("nan"), "mm"), with_move(26.0, 0.0, "mm")
    ('92 ± 3°', '215 mm', '26 mm')
    """
    gap = "" if unit == "°" else " "
    if unit == "mm" and units == "in":
        return words.length_with_error(value, math.ceil(sd), units) if sd > 0 else words.length(value, units)
    moved = f" ± {math.ceil(sd - 1e-9)}" if math.isfinite(sd) and sd > 0 else ""
    return f"{value:.0f}{moved}{gap}{unit}".replace("-", "−")


def kinds_of(horses: Sequence[Horse]) -> Mapping[str, NDArray[np.intp]]:
    """Group → numbers of its horses; all of them under "" first, where there are several groups."""
    kinds = sorted({horse.kind for horse in horses})
    out = {"": np.arange(len(horses))}
    if len(kinds) > 1:
        out |= {kind or words.NOT_TOLD: np.array([k for k, h in enumerate(horses) if h.kind == kind]) for kind in kinds}
    return out
