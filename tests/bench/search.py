"""The search over set-ups: beside SCIP with exact contact, and beside solving one by one."""

import itertools
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from row import Row

from shimwright.optimize import screen
from shimwright.optimize.contact import Bed, Compression, solve
from shimwright.optimize.materials import load_materials
from shimwright.optimize.neighbourhood import Terrain, Walked, walk
from shimwright.optimize.pad import Pad, Pocket, StackLimits
from shimwright.scan.raw import FloatArray

LIMIT_S = 60.0  # for SCIP
LOAD_N, SLOPE_DEG, HALF_MM, TISSUE = 850.0, 25.0, 195.0, 5.0
EVENNESS = np.array([1.0, 0, 0, 0, 0, 0, 0, 0])
TABLE = np.array([1.0, 0.5, 0.5, 0.5, 0.1, 0.2, 0.01, 0.01])
NO_LIMITS = np.array([11.0, 30.0, np.inf, np.inf, np.inf, -np.inf])


def option(heights: FloatArray, thirds: int, linear: bool, along: int, across: int, deep: float) -> screen.OptionBed:
    """Two straight panels, sides alike but for a wave, over a hollow; `thirds` pockets a side, no limits."""
    x, t = np.meshgrid(np.linspace(-HALF_MM, HALF_MM, along), np.linspace(45.0, 135.0, across), indexing="ij")
    x, side = np.tile(x.ravel(), 2), np.repeat([1.0, -1.0], x.size)
    y = side * np.tile(t.ravel(), 2)
    cos, sin = np.cos(np.radians(SLOPE_DEG)), np.sin(np.radians(SLOPE_DEG))
    gap = deep * (1 - (x / HALF_MM) ** 2) + 0.8 * np.sin(x / 60 + side)
    ways = np.stack([np.full(x.size, cos), -cos * x, -cos * y + 0.0 * sin], axis=1)
    felt, foam = (load_materials()[name] for name in ("felt", "foam"))
    knots = np.array([0.0, 500.0]) if linear else np.unique(np.r_[felt.pressure_kpa, foam.pressure_kpa])
    series = knots / TISSUE + (0.0 if linear else 12.0 * foam.strain_at(knots))
    strain = np.zeros(2) if linear else felt.strain_at(knots)
    pocket = np.minimum(((x + HALF_MM) / (2 * HALF_MM) * thirds).astype(int), thirds - 1) + np.where(
        side > 0, 0, thirds
    )
    area = np.full(x.size, 2 * 90.0 * 2 * HALF_MM / x.size)
    return screen.OptionBed(
        area, ways, 12.0 - gap, knots, series, strain[:, None],
        np.repeat(heights[:, None], x.size, axis=1)[:, :, None], pocket, np.zeros((3, 3)), np.array([LOAD_N, 0.0, 0.0]),
        np.array([0, 57.3, 0]), np.array([0, 0, 57.3]), np.zeros((0, 1), np.int64), np.zeros((0, 1)),
        np.zeros((0, x.size)), np.zeros(0), np.zeros(0), np.zeros((0, 3)),
    )  # fmt: skip


@dataclass(frozen=True)
class Side:
    columns: screen.IntArray
    rows: screen.IntArray
    paired_mm: FloatArray
    alone_mm: FloatArray
    pieces: FloatArray


def sides(heights: FloatArray, thirds: int) -> tuple[Side, Side]:
    rows = np.array(list(itertools.product(range(heights.size), repeat=thirds)))
    before = np.cumsum(rows, axis=1) - rows
    rows = rows[np.lexsort((rows * np.where(before % 2 == 0, 1, -1)).T[::-1])]
    none = np.zeros(len(rows))
    pieces = (rows > 0).sum(axis=1).astype(float)
    left, right = np.arange(thirds), np.arange(thirds, 2 * thirds)
    return tuple(Side(columns, rows, heights[rows], none, pieces) for columns in (left, right))  # type: ignore[return-value]


def enumerate_all(beds: list[screen.OptionBed], rule: screen.Rules, heights: FloatArray, thirds: int) -> float:
    left, right = sides(heights, thirds)
    return min(float(screen.solve_grid(b, rule, screen.resting_pose(b), left, right, np.inf)[0].min()) for b in beds)


def scip_squares(bed: screen.OptionBed, heights: FloatArray, thirds: int) -> tuple[float, str]:
    """Least Σ a p² found by SCIP in the time allowed: p/k − s = δ, p and s never both (SOS1), one height per pocket."""
    from pyscipopt import Model, quicksum

    model = Model()
    model.hideOutput()
    model.setParam("limits/time", LIMIT_S)
    chosen = [[model.addVar(vtype="B") for _ in heights] for _ in range(2 * thirds)]
    for row in chosen:
        model.addCons(quicksum(row) == 1)
    q = [model.addVar(lb=-b, ub=b) for b in (40.0, 0.2, 0.2)]
    pressure = [model.addVar(lb=0.0, ub=200.0) for _ in bed.area_mm2]
    for i, p in enumerate(pressure):
        light = model.addVar(lb=0.0, ub=60.0)
        stack = quicksum(h * z for h, z in zip(heights, chosen[bed.pocket[i]], strict=True))
        turn = quicksum(float(w) * v for w, v in zip(bed.freedom[i], q, strict=True))
        model.addCons(p / TISSUE - light == float(bed.approach_mm[i]) + stack + turn)
        model.addConsSOS1([p, light])
    area = 1e-3 * bed.area_mm2
    for r in range(3):
        balance = quicksum(float(a * w) * p for a, w, p in zip(area, bed.freedom[:, r], pressure, strict=True))
        model.addCons(balance == float(bed.load[r]))
    squares = model.addVar(lb=0.0)
    model.addCons(quicksum(float(a) * p * p for a, p in zip(area, pressure, strict=True)) <= squares)
    model.setObjective(squares, "minimize")
    model.optimize()
    return (model.getObjVal() if model.getNSols() else np.inf), model.getStatus()


def against_scip() -> Row:
    heights, rule = np.linspace(0, 12, 5), screen.Rules(EVENNESS, NO_LIMITS, 0.1)
    bed = option(heights, 3, True, 12, 3, 8.0)
    enumerate_all([bed], rule, heights[:1], 3)
    start = time.perf_counter()
    uneven = enumerate_all([bed], rule, heights, 3)
    ours = time.perf_counter() - start
    start = time.perf_counter()
    squares, status = scip_squares(bed, heights, 3)
    scip = time.perf_counter() - start
    # all normals alike: Σ a p is the load over their cosine, so least Σ a p² is least unevenness
    mean = LOAD_N / np.cos(np.radians(SLOPE_DEG)) / (1e-3 * bed.area_mm2.sum())
    theirs = np.sqrt(max(squares / (1e-3 * bed.area_mm2.sum()) / mean**2 - 1, 0.0))
    answer = f"{theirs:.4f}" if np.isfinite(theirs) else "none found"
    note = f"{bed.area_mm2.size} nodes, unevenness {uneven:.4f} against {answer}; SCIP: {status}, limit {LIMIT_S:.0f} s"
    return Row("search: 5⁶ set-ups, linear law", ours, "SCIP with exact contact", scip, "1000× and never worse", note)


def against_one_by_one() -> Row:
    heights, rule = np.linspace(0, 10.5, 8), screen.Rules(TABLE, NO_LIMITS, 0.1)
    beds = [option(heights, 3, False, 43, 7, deep) for deep in np.linspace(3.0, 8.0, 6)]
    beds = [replace(bed, approach_mm=bed.approach_mm + more) for bed in beds for more in (0.0, 3.0, 6.0)]
    enumerate_all(beds[:1], rule, heights[:1], 3)
    start = time.perf_counter()
    enumerate_all(beds, rule, heights, 3)
    ours = time.perf_counter() - start
    rng, some = np.random.default_rng(1), 300
    table = Compression(beds[0].pressure_kpa, beds[0].series_mm, np.ascontiguousarray(beds[0].strain.T))
    start = time.perf_counter()
    for _ in range(some):
        stack = heights[rng.integers(0, 8, 6)][beds[0].pocket][:, None]
        lift = beds[0].approach_mm + stack[:, 0]
        solve(Bed(beds[0].area_mm2, lift, beds[0].freedom, beds[0].stiffness, stack, table), beds[0].load)
    single = (time.perf_counter() - start) / some * 18 * 8**6
    note = f"all {18 * 8**6} solved, none excluded by bounds; peer from {some} of them; falls short of 5 s"
    return Row("search: 8⁶ × 18, felt and foam, 602 nodes", ours, "contact.solve one by one", single, "under 5 s", note)


def eight_pockets() -> Row:
    heights, rule = np.linspace(0, 10.5, 8), screen.Rules(TABLE, NO_LIMITS, 0.1)
    bed = option(heights, 4, False, 43, 7, 8.0)
    square = np.array([[0.0, 0.0], [-1.0, 0.0], [-1.0, -1.0], [0.0, -1.0]])
    names = [f"{row}_{side}" for side in ("left", "right") for row in "abcd"]
    pockets = tuple(Pocket(n, n.rsplit("_", 1)[1], square - [10.0 * (i % 4), 0.0]) for i, n in enumerate(names))
    pad = Pad("bench", 0.0, None, (), pockets, (), StackLimits(None, None, None, None, None))
    terrain = Terrain(pad, heights, (heights > 0).astype(float), np.inf, rule)
    starts = np.zeros((1, 8), np.int64)
    walk(bed, terrain, starts, Walked([], [], [], [], set()), wide=True)
    start = time.perf_counter()
    walked = Walked([], [], [], [], set())
    walk(bed, terrain, starts, walked, wide=True)
    ours = time.perf_counter() - start
    count = len(walked.together()[1])
    note = f"neighbourhood of good set-ups, {count} of {8**8} solved: `exact` is false; no bounds yet"
    return Row("search: 8 pockets, 8 stacks, one arch and insert", ours, "", None, "the same, by bounding", note)


def rows() -> Iterator[Row]:
    yield against_scip()
    yield against_one_by_one()
    yield eight_pockets()
