"""The gap problem: the pose and the continuous heights that leave the least gap, as a convex program (DESIGN §8).

Build and solve are apart: `GapProgram` is data. Gaps alone do not choose a set-up — what leaves the least gap tips
the saddle
once it is loaded — but they are a preview, the maker's thickness map, and millimetres of flocking to add or take.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib import import_module
from typing import Any

import numpy as np
from scipy.optimize import least_squares

from shimwright.optimize.bench import Bench
from shimwright.optimize.case import ZONES
from shimwright.optimize.cost import neighbours
from shimwright.optimize.pad import Pad
from shimwright.optimize.stock import pairs
from shimwright.scan.raw import FloatArray

BEVEL_MM = 30.0  # of a middling stack of 6 mm: five times its height
HUBER_MM = 1.0  # gaps beyond this count by their size, not their square [J]
FLOCK_MM = (-6.0, 12.0)  # what a re-flocking can take and add [J]


@dataclass(frozen=True)
class GapProgram:
    """gap = bare_mm − shape·h − ways·q at n nodes; z heights, d freedoms of the pose.

    bare_mm, area_mm2 (n,), shape (n, z), ways (n, d). low_mm, high_mm (z,). steps: pairs of heights that may differ by
    step_mm. mates: left and right; their differences together at most left_right_mm. None: no such limit.
    """

    bare_mm: FloatArray
    area_mm2: FloatArray
    shape: FloatArray
    ways: FloatArray
    low_mm: FloatArray
    high_mm: FloatArray
    steps: tuple[tuple[int, int], ...]
    step_mm: float | None
    mates: tuple[tuple[int, int], ...]
    left_right_mm: float | None


@dataclass(frozen=True)
class GapSolution:
    """heights_mm (z,), pose (d,), gap_mm (n,): positive = daylight. value: area mean of the measure, or the worst
    gap."""

    heights_mm: FloatArray
    pose: FloatArray
    gap_mm: FloatArray
    value: float


def pocket_program(bench: Bench, pad: Pad, shape: FloatArray | None = None) -> GapProgram:
    """Heights of the pad's pockets under its own stack limits. shape (n, pockets): bevels; by default full height."""
    names = [pocket.name for pocket in pad.pockets]
    inside = bench.pocket[:, None] == np.arange(len(names))
    highest = pad.limits.height_mm if pad.limits.height_mm is not None else 50.0
    beside = tuple((names.index(a), names.index(b)) for a, b in neighbours(pad))
    return GapProgram(
        -bench.lift_mm,
        bench.area_mm2,
        inside.astype(float) if shape is None else shape,
        bench.ways[:, :3],
        np.zeros(len(names)),
        np.full(len(names), highest),
        beside,
        pad.limits.neighbour_step_mm,
        pairs(pad),
        pad.limits.left_right_mm,
    )


def flocking_program(bench: Bench) -> GapProgram:
    """Six zones of the panels, heights to add or to take; the zones join smoothly (hats along the panel)."""
    panels = bench.underside
    centres = np.array([1 / 6, 1 / 2, 5 / 6])
    hats = np.stack([np.interp(panels.along, centres, row) for row in np.eye(3)], axis=1)
    sided = [np.where(panels.side == sign, hats[:, third], 0.0) for third in range(3) for sign in (1.0, -1.0)]
    low, high = FLOCK_MM
    return GapProgram(
        -bench.lift_mm, bench.area_mm2, np.stack(sided, axis=1), bench.ways[:, :3],
        np.full(6, low), np.full(6, high), (), None, (), None,
    )  # fmt: skip


def solve_gaps(program: GapProgram, measure: str = "huber") -> GapSolution:
    """measure: huber (area mean of the Huber function of the gap) or worst (largest gap or pressing-in, mm)."""
    cp: Any = import_module("cvxpy")  # a second to load, and only some answers need it; not typed

    seen = program.area_mm2 > 0
    heights, pose = cp.Variable(program.shape.shape[1]), cp.Variable(program.ways.shape[1])
    scale = np.maximum(np.abs(program.ways).max(axis=0), 1e-9)  # mm and radians alike
    gap = program.bare_mm[seen] - program.shape[seen] @ heights - (program.ways[seen] / scale) @ pose
    weight = program.area_mm2[seen] / program.area_mm2[seen].sum()
    if measure == "worst":
        objective = cp.norm_inf(gap)
    elif measure == "huber":
        objective = weight @ cp.huber(gap, HUBER_MM)
    else:
        raise ValueError(f"measure {measure!r} is neither huber nor worst")
    # a lift of everything is no gap: the least of it keeps the answer single
    tidy = 1e-6 * cp.sum_squares(heights)
    problem = cp.Problem(cp.Minimize(objective + tidy), _limits(program, heights))
    problem.solve(solver=cp.CLARABEL)
    found, q = np.asarray(heights.value), np.asarray(pose.value) / scale
    return GapSolution(found, q, program.bare_mm - program.shape @ found - program.ways @ q, float(objective.value))


def _limits(program: GapProgram, h: Any) -> list[Any]:
    cp: Any = import_module("cvxpy")

    rows: list[Any] = [h >= program.low_mm, h <= program.high_mm]
    if program.step_mm is not None:
        rows += [cp.abs(h[a] - h[b]) <= program.step_mm for a, b in program.steps]
    if program.left_right_mm is not None and program.mates:
        apart = sum(cp.abs(h[a] - h[b]) for a, b in program.mates)
        rows.append(apart <= program.left_right_mm)
    return rows


def flocking_mm(bench: Bench) -> Mapping[str, float]:
    """Millimetres of flocking to add (+) or to take (−) per zone, about their own mean: a lift of all is no change
    of fit."""
    heights = solve_boxed(flocking_program(bench))
    return _zoned(heights - heights.mean())


def solve_boxed(program: GapProgram) -> FloatArray:
    """(z,) heights of `solve_gaps` by Huber's measure where only low_mm and high_mm limit them. Every fit asks for it,
    so it does without the second that cvxpy takes to load.
    """
    assert not program.steps
    assert not program.mates
    seen = program.area_mm2 > 0
    scale = np.maximum(np.abs(program.ways).max(axis=0), 1e-9)
    heights, freedoms = program.shape.shape[1], program.shape.shape[1] + scale.size
    # the gaps, and a thousandth of each height: the tidiness of solve_gaps
    system = -np.hstack([program.shape[seen], program.ways[seen] / scale])
    system = np.vstack([system, 1e-3 * np.eye(heights, freedoms)])
    bare = np.concatenate([program.bare_mm[seen], np.zeros(heights)])
    weight = np.concatenate([program.area_mm2[seen] / program.area_mm2[seen].sum(), np.ones(heights)])

    def measure(square: FloatArray) -> FloatArray:
        far = square > 1.0
        size = np.sqrt(np.where(far, square, 1.0))
        rows: FloatArray = weight * np.stack(
            [np.where(far, 2 * size - 1, square), np.where(far, 1 / size, 1.0), np.where(far, -0.5 / size**3, 0.0)]
        )
        return rows

    free = np.full(scale.size, np.inf)
    found = least_squares(
        lambda x: bare + system @ x,
        np.zeros(freedoms),
        jac=lambda _: system,
        bounds=(np.concatenate([program.low_mm, -free]), np.concatenate([program.high_mm, free])),
        loss=measure,
        f_scale=HUBER_MM,
        xtol=1e-12,
        ftol=1e-12,
        gtol=1e-12,
    )
    return np.asarray(found.x[:heights])


def _zoned(values: Sequence[float] | FloatArray) -> Mapping[str, float]:
    return {name: float(value) for name, value in zip(ZONES, values, strict=True)}
