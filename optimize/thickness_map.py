"""A smooth map of thickness over the panels: what a maker adds or takes so that what remains of the gap closes, under
limits of height and of curvature (DESIGN §8). A convex program; building and solving are apart.

The map lives on a grid of knots over each panel. Curvature is the second difference along and across, and the mixed
one, per square millimetre.
"""

from dataclasses import dataclass
from importlib import import_module
from typing import Any

import numpy as np

from shimwright.optimize.gaps import HUBER_MM
from shimwright.scan.raw import FloatArray


@dataclass(frozen=True)
class MapProgram:
    """gap_mm (2, n, m): left and right, along × across, positive = daylight, NaN not seen. step_mm: (along, across)
    between knots. pose: (2, n, m, d) what each freedom of the pose adds to the gap, d may be 0. low_mm, high_mm: what
    may be taken and added. bend_per_mm: largest curvature; 0.001 is a bow of 1.25 mm over 100 mm.
    """

    gap_mm: FloatArray
    step_mm: tuple[float, float]
    pose: FloatArray
    low_mm: float
    high_mm: float
    bend_per_mm: float


@dataclass(frozen=True)
class MapSolution:
    """height_mm, left_mm (2, n, m): the map and the gap that it leaves. pose (d,). value: mean Huber measure, or the
    worst gap.
    """

    height_mm: FloatArray
    left_mm: FloatArray
    pose: FloatArray
    value: float


def solve_map(program: MapProgram, measure: str = "huber") -> MapSolution:
    """measure: huber | worst. Raises ValueError where the limits contradict one another or nothing was seen."""
    cp: Any = import_module("cvxpy")  # a second to load, and only makers need it; not typed

    seen = np.isfinite(program.gap_mm)
    if not seen.any() or program.low_mm > program.high_mm or program.bend_per_mm < 0:
        raise ValueError("a map needs a gap that was seen, and limits that agree")
    gap, freedoms = np.nan_to_num(program.gap_mm), program.pose.shape[3]
    sides = [cp.Variable(program.gap_mm.shape[1:]) for _ in range(2)]
    pose = cp.Variable(max(freedoms, 1))
    left = []
    for side, height in enumerate(sides):
        moved = sum(pose[k] * program.pose[side, :, :, k] for k in range(freedoms)) if freedoms else 0.0
        left.append(cp.multiply(seen[side].astype(float), gap[side] - height - moved))
    if measure == "worst":
        objective = cp.maximum(*(cp.max(cp.abs(part)) for part in left))
    elif measure == "huber":
        objective = sum(cp.sum(cp.huber(part, HUBER_MM)) for part in left) / int(seen.sum())
    else:
        raise ValueError(f"measure {measure!r} is neither huber nor worst")
    # of maps that do alike the flattest
    tidy = 1e-7 * sum(cp.sum_squares(height) for height in sides) + 1e-7 * cp.sum_squares(pose)
    rows = [row for height in sides for row in _limits(program, height)]
    cp.Problem(cp.Minimize(objective + tidy), rows).solve(solver=cp.CLARABEL)
    heights = np.stack([np.asarray(height.value) for height in sides])
    found = np.asarray(pose.value)[:freedoms]
    remains = program.gap_mm - heights - program.pose @ found
    return MapSolution(heights, remains, found, float(objective.value))


def _limits(program: MapProgram, height: Any) -> list[Any]:
    cp: Any = import_module("cvxpy")

    along, across = program.step_mm
    most = program.bend_per_mm
    rows = [height >= program.low_mm, height <= program.high_mm]
    n, m = program.gap_mm.shape[1:]
    if n > 2:
        rows.append(cp.abs(height[2:, :] - 2 * height[1:-1, :] + height[:-2, :]) <= most * along**2)
    if m > 2:
        rows.append(cp.abs(height[:, 2:] - 2 * height[:, 1:-1] + height[:, :-2]) <= most * across**2)
    if n > 1 and m > 1:
        mixed = height[1:, 1:] - height[1:, :-1] - height[:-1, 1:] + height[:-1, :-1]
        rows.append(cp.abs(mixed) <= most * along * across)
    return rows


def thirds_mm(height_mm: FloatArray) -> FloatArray:
    """(2, 3): mean of the map, left and right, front, middle, rear."""
    return np.stack([third.mean(axis=(1, 2)) for third in np.array_split(height_mm, 3, axis=1)], axis=1)
