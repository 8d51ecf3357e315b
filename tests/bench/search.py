"""The search over set-ups: beside SCIP with exact contact, and proven by bounds beside enumeration in the same run."""

import itertools
import resource
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from row import Row, shown

sys.path.append(str(Path(__file__).parents[1]))
import tack
from search_yards import NO_LIMITS, SLOPE_DEG, TABLE, TISSUE, bending, pad_of, straight

from shimwright.optimize import screen
from shimwright.optimize.contact import Bed, Compression, solve
from shimwright.optimize.pad import StackLimits
from shimwright.optimize.search import Found, search
from shimwright.optimize.tally import Option
from shimwright.scan.raw import FloatArray

LIMIT_S = 60.0  # for SCIP
EVENNESS = np.array([1.0, 0, 0, 0, 0, 0, 0, 0])
OFF = StackLimits(None, 1, None, None, 100.0)
RULE = screen.Rules(TABLE, NO_LIMITS, 0.1)
DEPTHS, MORE = np.linspace(3.0, 8.0, 6), (0.0, 3.0, 6.0)  # six arches, three inserts


def timed(work: Callable[[], object]) -> tuple[float, float]:
    """(wall, CPU) seconds of one run."""
    wall, cpu = time.perf_counter(), time.process_time()
    work()
    return time.perf_counter() - wall, time.process_time() - cpu


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


def enumerate_all(bed: screen.OptionBed, rule: screen.Rules, heights: FloatArray, thirds: int) -> float:
    left, right = sides(heights, thirds)
    return float(screen.solve_grid(bed, rule, screen.resting_pose(bed), left, right, np.inf)[0].min())


def scip_squares(bed: screen.OptionBed, heights: FloatArray, thirds: int) -> tuple[float, str]:
    """Least Σ a p² found by SCIP in the time allowed: p/k − s = δ, p and s never both (SOS1), one height per pocket.

    It starts from the exact contact of the set-up without shims, so that it always has something.
    """
    from pyscipopt import Model, quicksum

    model = Model()
    model.hideOutput()
    model.setParam("limits/time", LIMIT_S)
    start = _without_shims(bed)
    first = model.createSol()
    chosen = [[model.addVar(vtype="B") for _ in heights] for _ in range(2 * thirds)]
    for row in chosen:
        model.addCons(quicksum(row) == 1)
        for j, z in enumerate(row):
            model.setSolVal(first, z, float(j == 0))
    q = [model.addVar(lb=-b, ub=b) for b in (40.0, 0.2, 0.2)]
    for v, value in zip(q, start.q, strict=True):
        model.setSolVal(first, v, value)
    pressure = [model.addVar(lb=0.0, ub=200.0) for _ in bed.area_mm2]
    for i, p in enumerate(pressure):
        light = model.addVar(lb=0.0, ub=60.0)
        stack = quicksum(h * z for h, z in zip(heights, chosen[bed.pocket[i]], strict=True))
        turn = quicksum(float(w) * v for w, v in zip(bed.freedom[i], q, strict=True))
        model.addCons(p / TISSUE - light == float(bed.approach_mm[i]) + stack + turn)
        model.addConsSOS1([p, light])
        model.setSolVal(first, p, start.pressure_kpa[i])
        model.setSolVal(first, light, max(0.0, -start.approach_mm[i]))
    area = 1e-3 * bed.area_mm2
    for r in range(3):
        balance = quicksum(float(a * w) * p for a, w, p in zip(area, bed.freedom[:, r], pressure, strict=True))
        model.addCons(balance == float(bed.load[r]))
    squares = model.addVar(lb=0.0)
    model.addCons(quicksum(float(a) * p * p for a, p in zip(area, pressure, strict=True)) <= squares)
    model.setSolVal(first, squares, float(area @ start.pressure_kpa**2) * (1 + 1e-9))
    model.setObjective(squares, "minimize")
    model.addSol(first)
    model.optimize()
    return (model.getObjVal() if model.getNSols() else np.inf), model.getStatus()


def _without_shims(bed: screen.OptionBed):  # type: ignore[no-untyped-def]
    none = np.zeros((bed.area_mm2.size, 1))
    table = Compression(bed.pressure_kpa, bed.series_mm, np.ascontiguousarray(bed.strain.T))
    return solve(Bed(bed.area_mm2, bed.approach_mm, bed.freedom, bed.stiffness, none, table), bed.load)


def against_scip(stacks: int, thirds: int, along: int, across: int) -> Row:
    heights, rule = np.linspace(0, 12, stacks), screen.Rules(EVENNESS, NO_LIMITS, 0.1)
    bed = straight(heights, thirds, True, along, across, 8.0)
    enumerate_all(bed, rule, heights[:1], thirds)
    start = time.perf_counter()
    uneven = enumerate_all(bed, rule, heights, thirds)
    ours = time.perf_counter() - start
    start = time.perf_counter()
    squares, status = scip_squares(bed, heights, thirds)
    scip = time.perf_counter() - start
    # all normals alike: Σ a p is the load over their cosine, so least Σ a p² is least unevenness
    mean = bed.load[0] / np.cos(np.radians(SLOPE_DEG)) / (1e-3 * bed.area_mm2.sum())
    theirs = np.sqrt(max(squares / (1e-3 * bed.area_mm2.sum()) / mean**2 - 1, 0.0))
    note = f"{bed.area_mm2.size} nodes, unevenness {uneven:.4f} against {theirs:.4f}; SCIP, from no shims: {status}"
    work = f"search: {stacks}^{2 * thirds} set-ups, linear law, all solved"
    return Row(work, ours, f"SCIP, exact contact, at most {LIMIT_S:.0f} s", scip, "1000× and never worse", note)


def options(heights: FloatArray, thirds: int, ei_nm2: float = np.inf, along: int = 43) -> tuple[Option, ...]:
    """Six arches with three inserts each, felt on foam on tissue."""
    made = []
    for arch, insert in itertools.product(range(DEPTHS.size), range(len(MORE))):
        bed = straight(heights, thirds, False, along, 7, float(DEPTHS[arch]))
        bed = replace(bed, approach_mm=bed.approach_mm + MORE[insert])
        if np.isfinite(ei_nm2):
            bed = bending(bed, ei_nm2)
        made.append(Option(f"arch {arch}", f"insert {insert}", 0.0, bed))
    return tuple(made)


def proven(some: tuple[Option, ...], heights: FloatArray, thirds: int) -> Found:
    pad = pad_of(thirds, heights, OFF, inserts=len(MORE))
    return search(some, pad, tack.saddle(), RULE, None, lambda _: None)


def said(found: Found, cpu: float) -> str:
    solved = found.setups - found.excluded
    return f"exact {found.exact}; {found.setups:,} set-ups, {solved:,} not ruled out by bounds; {cpu:.1f} s of CPU"


def row(work: str, some: tuple[Option, ...], heights: FloatArray, thirds: int, peer: float, goal: str) -> Row:
    """Proven search of `some`, beside solving every set-up of theirs under a rigid tree, `peer` seconds."""
    found: list[Found] = []
    wall, cpu = timed(lambda: found.append(proven(some, heights, thirds)))
    return Row(work, wall, "enumeration, rigid", peer, goal, said(found[0], cpu))


def rows() -> Iterator[Row]:
    yield against_scip(5, 3, 12, 3)
    yield against_scip(3, 2, 6, 2)
    heights = np.linspace(0, 10.5, 8)
    rigid = options(heights, 3)
    proven(rigid[:1], heights, 3)  # compiled code warm
    enumerate_all(rigid[0].bed, RULE, heights[:1], 3)
    one_by_one = [timed(lambda bed=o.bed: enumerate_all(bed, RULE, heights, 3))[0] for o in rigid[::9]]  # type: ignore[misc]
    whole = float(np.mean(one_by_one)) * len(rigid)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    made = row("search: 8^6 × 18, felt and foam, 602 nodes", rigid, heights, 3, whole, "under 5 s, proven")
    more = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024
    yield replace(made, note=f"{made.note}; {more:.0f} MB more; peer from 2 of the 18 in full")
    bent = options(heights, 3, 300.0)
    proven(bent[:1], heights, 3)
    yield row("search: the same under a spring tree, 7 freedoms", bent, heights, 3, whole, "0.2×")
    soft = options(heights, 3, 30.0)[7:8]
    made = row("search: 8^6 × 1 under a flexible tree, EI 30", soft, heights, 3, whole / len(rigid), "0.2×")
    yield replace(made, note=f"{made.note}; boxes do not pay in 7 freedoms so loose: all solved")
    yield eight_pockets(whole / len(rigid) / 8**6)
    yield from growth()


def eight_pockets(each_s: float) -> Row:
    heights = np.linspace(0, 10.5, 8)
    some = options(heights, 4)
    work = "search: 8^8 × 18, eight pockets, 602 nodes"
    made = row(work, some, heights, 4, each_s * len(some) * 8**8, "under 5 s, by bounding")
    return replace(made, note=f"{made.note}; peer reckoned from six pockets")


def growth() -> Iterator[Row]:
    """Time with the number of nodes and of set-ups: each beside the one before, so the ratio is the growth upside
    down."""
    heights, before = np.linspace(0, 10.5, 8), None
    for along in (43, 86, 172):
        some = options(heights, 3, along=along)[7:8]
        wall, cpu = timed(lambda some=some: proven(some, heights, 3))  # type: ignore[misc]
        nodes = some[0].bed.area_mm2.size
        yield Row(
            f"search: growth, 8^6 × 1, {nodes} nodes", wall, "half the nodes", before, "linear", f"{cpu:.2f} s CPU"
        )
        before = wall
    before = None
    for stacks in (5, 8, 12):
        heights = np.linspace(0, 10.5, stacks)
        found: list[Found] = []
        some = options(heights, 3)[6:9]
        wall, cpu = timed(lambda some=some, found=found, h=heights: found.append(proven(some, h, 3)))  # type: ignore[misc]
        each = f"{shown(wall / found[0].setups)} a set-up"
        work = f"search: growth, {stacks}^6 × 3"
        yield Row(work, wall, "the row before", before, "linear", f"{said(found[0], cpu)}; {each}")
        before = wall
