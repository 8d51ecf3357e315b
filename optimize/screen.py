"""Compiled solver for very many set-ups on one bed: the same convex problem as `contact`, one thread per left side.

Each node lies in at most one pocket, so a set-up only chooses which row of `thickness_mm` a node reads; `rest` solves
it, and what the cost and the limits want of it is measured here.
"""

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from shimwright.optimize.rest import FAST, equilibrium
from shimwright.scan.raw import FloatArray

IntArray = NDArray[np.int64]
PITCH, ROLL, CLEARANCE, PEAK, SORE, LEFT_RIGHT, UNSOLVED = 1, 2, 4, 8, 16, 32, 64
LIMIT_NAMES = {
    PITCH: "pitch",
    ROLL: "roll",
    CLEARANCE: "withers clearance",
    PEAK: "peak pressure",
    SORE: "sore place",
    LEFT_RIGHT: "left-right difference",
    UNSOLVED: "no equilibrium",
}
CHUNK = 64  # set-ups solved one after the other, each warm from the last


@dataclass(frozen=True)
class OptionBed:
    """One arch and insert, everything that does not depend on the stacks. n nodes, d freedoms, m shim materials.

    area_mm2 (n,), freedom (n, d): δ = approach_mm + T + freedom·q; approach_mm (n,): shell + insert − gap.
    pressure_kpa (k,), series_mm (k,): deflection of everything but shims at these pressures; strain (k, m).
    thickness_mm (s, n, m): of stack number s in the node's own pocket. pocket (n,): −1 = none; sorted by pocket.
    stiffness (d, d): of modes (N, mm). load (d,): N, N·mm. pitch_row, roll_row (d,): degrees per q.
    windows, window_shares (w, v): nodes of every 25 × 25 mm window and their shares of it, 0 padded.
    sore (z, n): shares of area of every sore place, sore_kpa (z,): its highest allowed mean.
    clear_mm (c,), clear_row (c, d): withers clearances, linear in q.
    """

    area_mm2: FloatArray
    freedom: FloatArray
    approach_mm: FloatArray
    pressure_kpa: FloatArray
    series_mm: FloatArray
    strain: FloatArray
    thickness_mm: FloatArray
    pocket: IntArray
    stiffness: FloatArray
    load: FloatArray
    pitch_row: FloatArray
    roll_row: FloatArray
    windows: IntArray
    window_shares: FloatArray
    sore: FloatArray
    sore_kpa: FloatArray
    clear_mm: FloatArray
    clear_row: FloatArray

    def __post_init__(self) -> None:
        if self.thickness_mm.shape[1:] != (self.area_mm2.size, self.strain.shape[1]):
            raise ValueError("thickness_mm must be (stacks, nodes, materials)")
        if (np.diff(self.series_mm) <= 0).any():
            raise ValueError("the layers in series must have a rising deflection")


@dataclass(frozen=True)
class Rules:
    """What the kernel needs of limits.toml: weights (8,) in the table's order, lines (6,): mean, peak, peak limit,
    pitch, roll, clearance; bridged share of the mean."""

    weights: FloatArray
    lines: FloatArray
    bridged: float


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _measures(
    q,
    area,
    pressure,
    windows,
    window_shares,
    sore,
    sore_kpa,
    clear_mm,
    clear_row,
    pitch_row,
    roll_row,
    weights,
    lines,
    bridged,
):  # type: ignore[no-untyped-def]
    """Cost of contact and the limits it breaks, as a bit mask. weights and lines: see `Rules`."""
    n = area.size
    total = first = second = touching = 0.0
    for i in range(n):
        total += area[i]
        first += area[i] * pressure[i]
        second += area[i] * pressure[i] * pressure[i]
        if pressure[i] > 0.1:
            touching += area[i]
    mean = first / total
    hollow = 0.0
    in_contact = 0.0
    for i in range(n):
        if pressure[i] < bridged * mean:
            hollow += area[i]
        if pressure[i] > 0.1:
            in_contact += area[i] * pressure[i]
    peak = 0.0
    for i in range(n):
        if area[i] > 0.0:
            peak = max(peak, pressure[i])
    if peak > min(lines[1], lines[2]) and windows.shape[0] > 0:  # a window's mean is never above its hardest node
        peak = 0.0
        for w in range(windows.shape[0]):
            inside = 0.0
            for v in range(windows.shape[1]):
                inside += window_shares[w, v] * pressure[windows[w, v]]
            peak = max(peak, inside)
    pitch, roll = 0.0, 0.0
    for r in range(q.size):
        pitch += pitch_row[r] * q[r]
        roll += roll_row[r] * q[r]
    uneven = np.sqrt(max(second / total / (mean * mean) - 1.0, 0.0)) if mean > 0.0 else 1e3
    contact_mean = in_contact / touching if touching > 0.0 else 1e3
    value = (
        weights[0] * uneven
        + weights[1] * hollow / total
        + weights[2] * max(0.0, contact_mean / lines[0] - 1.0)
        + weights[3] * max(0.0, peak / lines[1] - 1.0)
        + weights[4] * pitch * pitch
        + weights[5] * roll * roll
    )
    mask = 0
    if abs(pitch) > lines[3]:
        mask |= PITCH
    if abs(roll) > lines[4]:
        mask |= ROLL
    if peak > lines[2]:
        mask |= PEAK
    for c in range(clear_mm.size):
        clear = clear_mm[c]
        for r in range(q.size):
            clear += clear_row[c, r] * q[r]
        if clear < lines[5]:
            mask |= CLEARANCE
    for z in range(sore_kpa.size):
        there = 0.0
        for i in range(n):
            there += sore[z, i] * pressure[i]
        if there > sore_kpa[z]:
            mask |= SORE
    return value, mask, uneven, hollow / total, contact_mean, peak, pitch, roll


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _choose(thickness, pocket, stacks, approach, chosen, work):  # type: ignore[no-untyped-def]
    """Thickness of the chosen stacks at every node, and the approach with them in."""
    for i in range(pocket.size):
        work[0, i] = approach[i]
        for m in range(chosen.shape[1]):
            chosen[i, m] = thickness[stacks[pocket[i]], i, m] if pocket[i] >= 0 else 0.0
            work[0, i] += chosen[i, m]


@njit(cache=True, parallel=True, error_model="numpy", fastmath=FAST)
def _solve_grid(
    start,
    left,
    right,
    left_columns,
    right_columns,
    left_pair,
    right_pair,
    left_alone,
    right_alone,
    left_pieces,
    right_pieces,
    limit_lr,
    thickness,
    pocket,
    bed_arrays,
    stiffness,
    load,
    scale,
    shown,
    tolerance,
    costs,
    tilts,
    masks,
):  # type: ignore[no-untyped-def]
    """Every left side with every right one: costs, tilts, masks (left, right). Left–right over its limit: inf."""
    windows, window_shares, sore, sore_kpa, clear_mm, clear_row, pitch_row, roll_row, weights, lines, bridged = shown
    n, materials = bed_arrays[0].size, bed_arrays[5].shape[1]
    pockets = left_columns.size + right_columns.size
    for a in prange(left.shape[0]):
        q = start.copy()
        chosen, piece, pressure = np.zeros((n, materials)), np.zeros(n, np.int64), np.zeros(n)
        work = np.zeros((4, n))
        stacks = np.zeros(max(pockets, 1), np.int64)
        for c in range(left_columns.size):
            stacks[left_columns[c]] = left[a, c]
        for b in range(right.shape[0]):
            apart = left_alone[a] + right_alone[b]
            for c in range(left_pair.shape[1]):
                apart += abs(left_pair[a, c] - right_pair[b, c])
            if apart > limit_lr:
                masks[a, b] = LEFT_RIGHT
                costs[a, b] = np.inf
                tilts[a, b] = np.inf
                continue
            for c in range(right_columns.size):
                stacks[right_columns[c]] = right[b, c]
            _choose(thickness, pocket, stacks, bed_arrays[2], chosen, work)
            worst = equilibrium(q, bed_arrays, stiffness, load, scale, chosen, work, piece, pressure, tolerance)
            out = _measures(
                q, bed_arrays[0], pressure, windows, window_shares, sore, sore_kpa, clear_mm, clear_row,
                pitch_row, roll_row, weights, lines, bridged,
            )  # fmt: skip
            costs[a, b] = out[0] + weights[6] * apart + weights[7] * (left_pieces[a] + right_pieces[b])
            tilts[a, b] = np.hypot(out[6], out[7])
            masks[a, b] = out[1]
            if worst > 1e3 * tolerance:
                masks[a, b] |= UNSOLVED
                q[:] = start


@njit(cache=True, parallel=True, error_model="numpy", fastmath=FAST)
def _solve_draws(
    start,
    stacks,
    thickness,
    pocket,
    area,
    freedom,
    approach,
    levels,
    series,
    strain,
    stiffness,
    load,
    scale,
    shown,
    tolerance,
    costs,
    tilts,
    masks,
):  # type: ignore[no-untyped-def]
    """Every draw (rows of approach, series, load) with every row of stacks: costs, tilts and masks, (draws, stacks)."""
    windows, window_shares, sore, sore_kpa, clear_mm, clear_row, pitch_row, roll_row, weights, lines, bridged = shown
    n, materials = area.size, strain.shape[1]
    chunks = (stacks.shape[0] + CHUNK - 1) // CHUNK
    for job in prange(approach.shape[0] * chunks):
        w, chunk = job // chunks, job % chunks
        q = start.copy()
        chosen, piece, pressure = np.zeros((n, materials)), np.zeros(n, np.int64), np.zeros(n)
        work = np.zeros((4, n))
        arrays = (area, freedom, approach[w], levels, series[w], strain)
        for row in range(chunk * CHUNK, min(stacks.shape[0], (chunk + 1) * CHUNK)):
            _choose(thickness, pocket, stacks[row], approach[w], chosen, work)
            worst = equilibrium(q, arrays, stiffness, load[w], scale, chosen, work, piece, pressure, tolerance)
            out = _measures(
                q, area, pressure, windows, window_shares, sore, sore_kpa, clear_mm, clear_row,
                pitch_row, roll_row, weights, lines, bridged,
            )  # fmt: skip
            costs[w, row] = out[0]
            tilts[w, row] = np.hypot(out[6], out[7])
            masks[w, row] = out[1]
            if worst > 1e3 * tolerance:
                masks[w, row] |= UNSOLVED
                q[:] = start


class SideRows(Protocol):
    """One side's fillings: columns of the set-up, stack numbers (r, c), heights with and without partner, pieces."""

    @property
    def columns(self) -> IntArray: ...
    @property
    def rows(self) -> IntArray: ...
    @property
    def paired_mm(self) -> FloatArray: ...
    @property
    def alone_mm(self) -> FloatArray: ...
    @property
    def pieces(self) -> FloatArray: ...


def bed_arrays(bed: OptionBed) -> tuple[FloatArray, ...]:
    """What the force kernel reads, contiguous, in its order; the freedoms as rows (d, n)."""
    return tuple(
        np.ascontiguousarray(a)
        for a in (
            bed.area_mm2, bed.freedom.T, bed.approach_mm, bed.pressure_kpa, bed.series_mm, bed.strain,
        )
    )  # fmt: skip


def _shown(bed: OptionBed, rule: Rules) -> tuple[object, ...]:
    return (
        bed.windows, bed.window_shares, bed.sore, bed.sore_kpa, bed.clear_mm, bed.clear_row,
        bed.pitch_row, bed.roll_row, rule.weights, rule.lines, rule.bridged,
    )  # fmt: skip


def scale_of(bed: OptionBed) -> FloatArray:
    """Imbalance that counts as the whole load, per freedom."""
    reach = np.maximum(np.abs(bed.freedom).max(axis=0), 1e-9)
    return np.asarray(bed.load[0] * reach)


def resting_pose(bed: OptionBed) -> FloatArray:
    """Equilibrium with all pockets empty: where the search starts."""
    q = np.zeros(bed.load.size)
    q[0] = -float(np.max(bed.approach_mm)) + 1.0
    n = bed.area_mm2.size
    chosen = np.zeros((n, bed.strain.shape[1]))
    work = np.zeros((4, n))
    work[0] = bed.approach_mm
    piece, pressure = np.zeros(n, np.int64), np.zeros(n)
    equilibrium(
        q, bed_arrays(bed), bed.stiffness, bed.load, scale_of(bed), chosen, work, piece, pressure, 1e-9
    )  # fmt: skip
    return q


def solve_grid(
    bed: OptionBed,
    rule: Rules,
    start: FloatArray,
    left: SideRows,
    right: SideRows,
    limit_mm: float,
    tolerance: float = 1e-6,
) -> tuple[FloatArray, FloatArray, NDArray[np.uint8]]:
    """Cost, tilt in degrees and mask of broken limits of every left side with every right side, (left, right)."""
    shape = (len(left.rows), len(right.rows))
    costs, tilts, masks = np.zeros(shape), np.zeros(shape), np.zeros(shape, np.uint8)
    _solve_grid(
        start, left.rows, right.rows, left.columns, right.columns, left.paired_mm, right.paired_mm,
        left.alone_mm, right.alone_mm, left.pieces, right.pieces, limit_mm, bed.thickness_mm, bed.pocket,
        bed_arrays(bed), bed.stiffness, bed.load, scale_of(bed), _shown(bed, rule), tolerance,
        costs, tilts, masks,
    )  # fmt: skip
    return costs, tilts, masks


def solve_rows(
    bed: OptionBed, rule: Rules, start: FloatArray, stacks: IntArray, tolerance: float = 1e-6
) -> tuple[FloatArray, FloatArray, NDArray[np.uint8]]:
    """Contact cost, tilt in degrees and mask (s,) of rows of stack numbers (s, pockets)."""
    found = _drawn(bed, rule, start, stacks, bed.approach_mm[None], bed.series_mm[None], bed.load[None], tolerance)
    return found[0][0], found[1][0], found[2][0]


def solve_draws(
    bed: OptionBed,
    rule: Rules,
    stacks: IntArray,
    approach_mm: FloatArray,
    series_mm: FloatArray,
    load: FloatArray,
    tolerance: float = 1e-5,
) -> tuple[FloatArray, NDArray[np.uint8]]:
    """Contact cost and mask (draws, stacks). approach_mm (w, n), series_mm (w, k), load (w, d) instead of the bed's."""
    found = _drawn(bed, rule, resting_pose(bed), stacks, approach_mm, series_mm, load, tolerance)
    return found[0], found[2]


def _drawn(
    bed: OptionBed,
    rule: Rules,
    start: FloatArray,
    stacks: IntArray,
    approach_mm: FloatArray,
    series_mm: FloatArray,
    load: FloatArray,
    tolerance: float,
) -> tuple[FloatArray, FloatArray, NDArray[np.uint8]]:
    shape = (len(approach_mm), len(stacks))
    costs, tilts, masks = np.zeros(shape), np.zeros(shape), np.zeros(shape, np.uint8)
    area, freedom, _, levels, _, strain = bed_arrays(bed)
    _solve_draws(
        start, np.ascontiguousarray(stacks, np.int64), bed.thickness_mm, bed.pocket, area, freedom,
        np.ascontiguousarray(approach_mm), levels, np.ascontiguousarray(series_mm), strain, bed.stiffness,
        np.ascontiguousarray(load), scale_of(bed), _shown(bed, rule), tolerance, costs, tilts, masks,
    )  # fmt: skip
    return costs, tilts, masks
