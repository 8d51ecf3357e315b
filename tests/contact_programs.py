"""The same contact energy given to independent solvers: the complementary form in cvxpy, the primal in scipy."""

import cvxpy as cp
import numpy as np
from scipy.optimize import minimize

from shimwright.optimize.contact import Bed, compression, pressures
from shimwright.optimize.materials import load_materials
from shimwright.scan.raw import FloatArray

LAWS = ("felt", "felt-soft", "foam", "spacer-mesh", "open-cell-foam", "neoprene")


def work(compression_mm: FloatArray, pressure_kpa: FloatArray) -> FloatArray:
    """∫₀ᵖ D dp at the knots, along the last axis: the complementary energy per area, kPa·mm."""
    steps = 0.5 * np.diff(pressure_kpa) * (compression_mm[..., 1:] + compression_mm[..., :-1])
    start = np.zeros((*compression_mm.shape[:-1], 1))
    return np.concatenate([start, np.cumsum(steps, axis=-1)], axis=-1)


def random_bed(rng: np.random.Generator, nodes: int, modes: int = 0) -> tuple[Bed, FloatArray]:
    """A saddle-like bed with felt and foam shims of random heights on an uneven back, and a load inside it."""
    laws = load_materials()
    picked = rng.permutation(LAWS)
    table = compression(
        [(laws[picked[0]], rng.uniform(4, 14)), (laws["wool"], rng.uniform(10, 30))],
        [laws[picked[1]], laws[picked[2]]],
        float(np.exp(rng.uniform(np.log(2), np.log(20)))),
    )
    side = np.where(np.arange(nodes) % 2 == 0, 1.0, -1.0)
    x, y = rng.uniform(-210, 210, nodes), side * rng.uniform(40, 130, nodes)
    gap = rng.uniform(-1, 1) * x**2 / 5000 + rng.uniform(0, 6) * np.sin(x / 60 + side) + rng.uniform(0, 0.01) * x
    stack = np.abs(rng.normal(0, 3, (nodes, 2))) * (rng.random((nodes, 2)) < 0.5)
    lean = np.radians(rng.uniform(20, 45, nodes))
    ways = np.column_stack([np.cos(lean), -np.cos(lean) * x, -np.cos(lean) * y])
    bent = [np.cos(np.pi * (k // 2 + 2) * (x / 420 + 0.5)) * side ** (k % 2) for k in range(modes)]
    ways = np.column_stack([ways, *bent])
    stiffness = np.diag(np.append(np.zeros(3), np.exp(rng.uniform(0, 6, modes))))
    bed = Bed(np.full(nodes, 1e5 / nodes), 10 + stack.sum(axis=1) - gap, ways, stiffness, stack, table)
    load = rng.uniform(80, 2000)
    force = load * np.array([1.0, -rng.uniform(-70, 70), -rng.uniform(-40, 40)])
    return bed, np.append(force, load * rng.uniform(-0.3, 0.3, modes))


def by_clarabel(bed: Bed, force: FloatArray) -> FloatArray:
    """Pressures (n,) from the complementary energy: min Σ a(Ψ(p) − lift·p) + ½ mᵀK⁻¹m over p ≥ 0 in balance.

    Ψ is convex and piecewise quadratic: p is cut at the knots into pieces that fill in order by themselves.
    """
    n, m = bed.ways.shape
    table = bed.compression
    knots = table.pressure_kpa
    d = table.base_mm + bed.stack_mm @ table.strain
    most = int(np.searchsorted(knots, 150.0)) + 1
    width = np.diff(knots)[:most]
    flat = np.diff(d, axis=1)[:, :most] / width
    piece = cp.Variable((n, most), nonneg=True)
    moments = cp.Variable(m)
    area = 1e-3 * bed.area_mm2
    energy = cp.sum(cp.multiply(area[:, None] * (d[:, :most] - bed.lift_mm[:, None]), piece)) + 0.5 * cp.sum(
        cp.multiply(area[:, None] * flat, cp.square(piece))
    )
    limits = [piece[:, k] <= width[k] for k in range(most)]
    held = np.diag(bed.stiffness) <= 0
    soft = np.flatnonzero(~held)
    balance = (bed.ways * area[:, None]).T @ cp.sum(piece, axis=1) + moments == force
    limits += [balance, moments[np.flatnonzero(held)] == 0]
    if soft.size:
        energy = energy + 0.5 * cp.sum(cp.multiply(1 / np.diag(bed.stiffness)[soft], cp.square(moments[soft])))
    problem = cp.Problem(cp.Minimize(energy), limits)
    problem.solve(solver=cp.CLARABEL, tol_gap_abs=1e-11, tol_gap_rel=1e-11, tol_feas=1e-11)
    return np.asarray(piece.value).sum(axis=1)


def by_scipy(bed: Bed, force: FloatArray) -> FloatArray:
    """Pressures (n,) by BFGS then a root of the balance, on the primal energy, with its own numpy evaluation."""
    scale = np.abs(bed.ways).max(axis=0)
    area = 1e-3 * bed.area_mm2
    table = bed.compression
    d = table.base_mm + bed.stack_mm @ table.strain
    done = work(d, table.pressure_kpa)

    def energy(z: FloatArray) -> tuple[float, FloatArray]:
        q = z / scale
        approach = bed.lift_mm + bed.ways @ q
        p, _ = pressures(bed, approach)
        k = np.clip(np.searchsorted(table.pressure_kpa, p, side="right") - 1, 0, table.pressure_kpa.size - 2)
        rows = np.arange(len(p))
        inner = done[rows, k] + (p - table.pressure_kpa[k]) * (d[rows, k] + np.where(p > 0, approach, 0)) / 2
        value = area @ np.where(p > 0, p * approach - inner, 0.0) + 0.5 * q @ bed.stiffness @ q - force @ q
        slope = bed.ways.T @ (area * p) + bed.stiffness @ q - force
        return float(value), slope / scale

    start = np.zeros(bed.ways.shape[1])
    found = minimize(energy, start, jac=True, method="BFGS", options={"gtol": 1e-9 * force[0], "maxiter": 5000})
    return pressures(bed, bed.lift_mm + bed.ways @ (found.x / scale))[0]
