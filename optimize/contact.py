"""Rigid or flexible panels on springs that carry no tension: the pose of least energy, with its proof (DESIGN §7).

At node i the approach is δ_i = lift_i + W_i·q, and the pressure is the p ≥ 0 with D_i(p) = δ_i, D_i the sum of all
layers' compression and the tissue's. Every D_i is piecewise linear and rises, so p(δ) is found exactly, and the energy
E(q) = Σ a_i ∫ p_i dδ + ½ qᵀKq − f·q is convex with a continuous gradient. Newton with a line search on its slope finds
the minimum from any start.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from shimwright.optimize.answer import Proof
from shimwright.optimize.materials import Material
from shimwright.scan.raw import FloatArray
from shimwright.scan.refusal import InputRefused

IMBALANCE = 1e-10  # of the load: where Newton stops
IMBALANCE_ALLOWED = 1e-6  # of the load: beyond it the solver raises
LONGEST_STEP_MM = 40.0  # of any node, per Newton step: keeps a cold start near the horse
STEPS = 200


@dataclass(frozen=True)
class Compression:
    """Layers in series as tables over common pressures: D(p) = base(p) + Σ_m thickness_m · strain_m(p).

    pressure_kpa (k,) from 0, ascending. base_mm (k,): everything that is alike at all nodes, the tissue included.
    strain (m, k): of the shim materials, whose thickness differs from node to node.
    """

    pressure_kpa: FloatArray
    base_mm: FloatArray
    strain: FloatArray

    def __post_init__(self) -> None:
        for array in (self.pressure_kpa, self.base_mm, self.strain):
            array.setflags(write=False)


def compression(
    layers: Sequence[tuple[Material, float]], shims: Sequence[Material], tissue_kpa_per_mm: float
) -> Compression:
    """Tables of `layers` (material, thickness mm) and of the tissue in series, and of the shim materials beside them.

    The pressures are all knots of all laws, so nothing is lost. Raises InputRefused for a stiffness of 0 or less.
    """
    if not tissue_kpa_per_mm > 0 or not np.isfinite(tissue_kpa_per_mm):
        raise InputRefused(f"tissue stiffness {tissue_kpa_per_mm:g} kPa/mm: a back without stiffness carries nothing")
    laws = [law for law, _ in layers] + list(shims)
    knots = np.unique(np.concatenate([[0.0, 100.0], *(law.pressure_kpa for law in laws)]))
    base = knots / tissue_kpa_per_mm + sum((h * law.strain_at(knots) for law, h in layers), np.zeros(knots.size))
    strain = np.stack([law.strain_at(knots) for law in shims]) if shims else np.zeros((0, knots.size))
    return Compression(knots, base, strain)


@dataclass(frozen=True)
class Bed:
    """One program: nodes, layers and ways to move.

    area_mm2, lift_mm (n,): approach at q = 0, that is pad and shims less the bare gap. ways (n, m): approach per
    unit of q (heave mm, pitch rad, roll rad, modes). stiffness (m, m): of the tree's modes, N/mm; zero for heave,
    pitch, roll. stack_mm (n, shim materials). Areas of 0 mark nodes that carry nothing (not seen).
    """

    area_mm2: FloatArray
    lift_mm: FloatArray
    ways: FloatArray
    stiffness: FloatArray
    stack_mm: FloatArray
    compression: Compression

    def __post_init__(self) -> None:
        n, m = self.ways.shape
        if self.area_mm2.shape != (n,) or self.lift_mm.shape != (n,) or self.stiffness.shape != (m, m):
            raise ValueError(
                f"areas {self.area_mm2.shape}, lift {self.lift_mm.shape}, stiffness {self.stiffness.shape}"
            )
        if self.stack_mm.shape != (n, len(self.compression.strain)):
            raise ValueError(f"stacks {self.stack_mm.shape} for {n} nodes, {len(self.compression.strain)} materials")
        for array in (self.area_mm2, self.lift_mm, self.ways, self.stiffness, self.stack_mm):
            if not np.isfinite(array).all():
                raise ValueError("a bed must be finite")


@dataclass(frozen=True)
class Equilibrium:
    """q (m,): pose. determined (m,): False where contact leaves that part of the pose open (along one line).

    pressure_kpa, approach_mm (n,); steps: Newton steps taken.
    """

    q: FloatArray
    determined: NDArray[np.bool_]
    pressure_kpa: FloatArray
    approach_mm: FloatArray
    steps: int
    proof: Proof


def solve(bed: Bed, force: FloatArray, start: FloatArray | None = None) -> Equilibrium:
    """Equilibrium under the generalised force (m,): N down, N·mm of pitch, of roll, and on each mode.

    Raises InputRefused when no equilibrium is reached within 1e-6 of the load.
    """
    table = bed.compression
    q0 = np.zeros(bed.ways.shape[1]) if start is None else np.asarray(start, float).copy()
    if not force[0] > 0 or not np.isfinite(force).all():
        raise InputRefused(f"load of {force[0]:g} N: nothing presses the saddle on the back; check the weights")
    q, steps = newton(
        q0,
        bed.lift_mm,
        np.ascontiguousarray(bed.ways),
        1e-3 * bed.area_mm2,
        table.pressure_kpa,
        table.base_mm,
        np.ascontiguousarray(bed.stack_mm),
        table.strain,
        bed.stiffness,
        np.asarray(force, float),
    )
    found = check(bed, force, q, steps)
    scale = np.abs(bed.ways).max(axis=0)
    worst = max(found.proof.force_n / force[0], found.proof.moment_nmm / (force[0] * scale[1:3].max(initial=1e-9)))
    if not worst <= IMBALANCE_ALLOWED:
        raise InputRefused(
            f"no equilibrium: {worst:.1e} of the load of {force[0]:.0f} N stays unbalanced after {steps} steps, so the "
            "pressures mean nothing; check that the load acts between the panels"
        )
    return found


def check(bed: Bed, force: FloatArray, q: FloatArray, steps: int) -> Equilibrium:
    """The state at pose q with its proof, computed apart from the solver.

    complementarity: the largest of p·|D(p) − δ|, and of δ (deepest penetration) where p is 0.
    """
    approach = bed.lift_mm + bed.ways @ q
    pressure, slope = pressures(bed, approach)
    balance = bed.ways.T @ (1e-3 * bed.area_mm2 * pressure) + bed.stiffness @ q - force
    miss = pressure * np.abs(squeezed(bed, pressure) - approach)
    open_penetration = np.where((pressure <= 0) & (bed.area_mm2 > 0), np.maximum(approach, 0.0), 0.0)
    moment = float(np.abs(balance[1:3]).max(initial=0.0))
    proof = Proof(float(abs(balance[0])), moment, float(max(miss.max(), open_penetration.max())))
    return Equilibrium(q, _determined(bed, slope), pressure, approach, steps, proof)


def squeezed(bed: Bed, pressure_kpa: FloatArray) -> FloatArray:
    """D_i(p_i): compression of all layers and tissue at each node (n,), mm, by interpolation in the tables."""
    table = bed.compression
    rows = np.vstack([table.base_mm, table.strain])
    k = np.clip(np.searchsorted(table.pressure_kpa, pressure_kpa, side="right") - 1, 0, table.pressure_kpa.size - 2)
    low, high = table.pressure_kpa[k], table.pressure_kpa[k + 1]
    at = rows[:, k] + (rows[:, k + 1] - rows[:, k]) * (pressure_kpa - low) / (high - low)
    return np.asarray(at[0] + np.einsum("nm,mn->n", bed.stack_mm, at[1:]))


def pressures(bed: Bed, approach_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
    """p(δ) and dp/dδ at each node (n,), exact for the tables."""
    table = bed.compression
    d = table.base_mm + bed.stack_mm @ table.strain
    k = np.clip((d <= approach_mm[:, None]).sum(axis=1) - 1, 0, table.pressure_kpa.size - 2)
    rows = np.arange(len(d))
    slope = np.diff(table.pressure_kpa)[k] / (d[rows, k + 1] - d[rows, k])
    pressure = table.pressure_kpa[k] + slope * (approach_mm - d[rows, k])
    touching = approach_mm > 0
    return np.where(touching, pressure, 0.0), np.where(touching, slope, 0.0)


def _determined(bed: Bed, slope: FloatArray) -> NDArray[np.bool_]:
    scale = np.maximum(np.abs(bed.ways).max(axis=0), 1e-12)
    ways = bed.ways / scale
    hessian = ways.T @ ((1e-3 * bed.area_mm2 * slope)[:, None] * ways) + bed.stiffness / np.outer(scale, scale)
    values, vectors = np.linalg.eigh(hessian)
    loose = vectors[:, values < 1e-9 * max(values[-1], 1e-300)]
    return np.asarray(~(np.abs(loose) > 1e-3).any(axis=1))


FAST = {"reassoc", "contract", "arcp", "nsz"}  # sums may be re-ordered; NaN and infinity keep their meaning


@njit(cache=True, inline="always", error_model="numpy", fastmath=FAST)
def _depth(k, i, base, stack, strain):  # type: ignore[no-untyped-def]
    """Compression of node i at knot k."""
    depth = base[k]
    for s in range(strain.shape[0]):
        depth += stack[i, s] * strain[s, k]
    return depth


@njit(cache=True, inline="always", error_model="numpy", fastmath=FAST)
def _press(delta, k, i, knots, base, stack, strain):  # type: ignore[no-untyped-def]
    """Pressure at approach delta, its slope, and the knot below it, looked for from knot k."""
    last = knots.size - 2
    low, high = _depth(k, i, base, stack, strain), _depth(k + 1, i, base, stack, strain)
    while delta > high and k < last:
        k += 1
        low, high = high, _depth(k + 1, i, base, stack, strain)
    while delta < low and k > 0:
        k -= 1
        low, high = _depth(k, i, base, stack, strain), low
    slope = (knots[k + 1] - knots[k]) / (high - low)
    return knots[k] + slope * (delta - low), slope, k


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _balance_rigid(q, lift, ways, area, knots, base, stack, strain, at, push, rate):  # type: ignore[no-untyped-def]
    f0 = f1 = f2 = h00 = h01 = h02 = h11 = h12 = h22 = 0.0
    q0, q1, q2 = q[0], q[1], q[2]
    k = knots.size // 4
    for i in range(lift.size):
        a, b, c = ways[i, 0], ways[i, 1], ways[i, 2]
        delta = lift[i] + a * q0 + b * q1 + c * q2
        if delta <= 0.0:
            continue
        if at[i] >= 0:
            k = at[i]
        p, slope, k = _press(delta, k, i, knots, base, stack, strain)
        at[i] = k
        ap, ak = area[i] * p, area[i] * slope
        f0 += ap * a
        f1 += ap * b
        f2 += ap * c
        ka, kb = ak * a, ak * b
        h00 += ka * a
        h01 += ka * b
        h02 += ka * c
        h11 += kb * b
        h12 += kb * c
        h22 += ak * c * c
    push[0], push[1], push[2] = f0, f1, f2
    rate[0, 0], rate[1, 0], rate[1, 1] = h00, h01, h11
    rate[2, 0], rate[2, 1], rate[2, 2] = h02, h12, h22


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _balance_bending(q, lift, ways, area, knots, base, stack, strain, at, push, rate):  # type: ignore[no-untyped-def]
    n, m = ways.shape
    push[:] = 0.0
    rate[:, :] = 0.0
    k = knots.size // 4
    for i in range(n):
        delta = lift[i]
        for j in range(m):
            delta += ways[i, j] * q[j]
        if delta <= 0.0:
            continue
        if at[i] >= 0:
            k = at[i]
        p, slope, k = _press(delta, k, i, knots, base, stack, strain)
        at[i] = k
        ap, ak = area[i] * p, area[i] * slope
        for j in range(m):
            push[j] += ap * ways[i, j]
            part = ak * ways[i, j]
            for other in range(j + 1):
                rate[j, other] += part * ways[i, other]


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _gradient(q, bed, stiffness, force, at, gradient, rate):  # type: ignore[no-untyped-def]
    """Fill the energy's gradient (m,) and the springs' part of its second derivative (m, m, lower half)."""
    lift, ways, area, knots, base, stack, strain = bed
    if q.size == 3:
        _balance_rigid(q, lift, ways, area, knots, base, stack, strain, at, gradient, rate)
    else:
        _balance_bending(q, lift, ways, area, knots, base, stack, strain, at, gradient, rate)
    for j in range(q.size):
        gradient[j] -= force[j]
        for other in range(q.size):
            gradient[j] += stiffness[j, other] * q[other]


@njit(cache=True, error_model="numpy")
def _newton_step(h, stiffness, gradient, ridge, step):  # type: ignore[no-untyped-def]
    """Fill step (m,) with −H⁻¹ gradient by Cholesky in h; ridge (m,) keeps H definite where nothing touches."""
    m = step.size
    for j in range(m):
        for other in range(j):
            h[j, other] += stiffness[j, other]
            for k in range(other):
                h[j, other] -= h[j, k] * h[other, k]
            h[j, other] /= h[other, other]
        h[j, j] += stiffness[j, j] + ridge[j]
        for k in range(j):
            h[j, j] -= h[j, k] * h[j, k]
        h[j, j] = np.sqrt(max(h[j, j], ridge[j] * 1e-3))
    for j in range(m):
        total = -gradient[j]
        for k in range(j):
            total -= h[j, k] * step[k]
        step[j] = total / h[j, j]
    for j in range(m - 1, -1, -1):
        total = step[j]
        for k in range(j + 1, m):
            total -= h[k, j] * step[k]
        step[j] = total / h[j, j]


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _scales(ways, area):  # type: ignore[no-untyped-def]
    """Largest approach per unit of each way, and a millionth of the stiffness of 0.1 kPa/mm everywhere."""
    n, m = ways.shape
    scale, ridge = np.full(m, 1e-12), np.full(m, 1e-12)
    for i in range(n):
        for j in range(m):
            scale[j] = max(scale[j], abs(ways[i, j]))
            ridge[j] += 1e-7 * area[i] * ways[i, j] * ways[i, j]
    return scale, ridge


@njit(cache=True, error_model="numpy")
def newton(q, lift, ways, area, knots, base, stack, strain, stiffness, force):  # type: ignore[no-untyped-def]
    """Pose of least energy from q, and the steps taken. area in 10⁻³ mm², so that area · kPa is N.

    The line search looks at the slope of the energy along the step only: it ends where that has fallen to between −½
    and +⅒ of what it was, or at the whole step while still falling.
    """
    m = ways.shape[1]
    bed = (lift, ways, area, knots, base, stack, strain)
    at = np.full(lift.size, -1, np.int64)  # the knot below each node's pressure; −1: look from the node before
    gradient, step, trial, rate = np.zeros(m), np.zeros(m), np.zeros(m), np.zeros((m, m))
    scale, ridge = _scales(ways, area)
    _gradient(q, bed, stiffness, force, at, gradient, rate)
    for steps in range(STEPS):
        worst = 0.0
        for j in range(m):
            worst = max(worst, abs(gradient[j]) / (force[0] * scale[j]))
        if worst <= IMBALANCE:
            return q, steps
        _newton_step(rate, stiffness, gradient, ridge, step)
        longest, start = 0.0, 0.0
        for j in range(m):
            longest += abs(step[j]) * scale[j]
        for j in range(m):
            step[j] *= min(1.0, LONGEST_STEP_MM / longest)
            start += gradient[j] * step[j]
        low, low_slope, high, high_slope, alpha = 0.0, start, -1.0, 0.0, 1.0
        for tried in range(60):
            for j in range(m):
                trial[j] = q[j] + alpha * step[j]
            _gradient(trial, bed, stiffness, force, at, gradient, rate)
            along = 0.0
            for j in range(m):
                along += gradient[j] * step[j]
            if along <= -0.1 * start and (along >= 0.5 * start or alpha >= 1.0):
                break
            if along <= 0.0:
                low, low_slope = alpha, along
            else:
                high, high_slope = alpha, along
            share = low_slope / (low_slope - high_slope) if tried < 12 else 0.5
            alpha = low + (high - low) * min(max(share, 0.1), 0.9)
        for j in range(m):
            q[j] = trial[j]
    return q, STEPS


def strains(
    bed: Bed, pressure_kpa: FloatArray, layers: Sequence[tuple[Material, float]], shims: Sequence[Material]
) -> Mapping[str, float]:
    """Largest strain of each material that is in use."""
    top: dict[str, float] = {}
    for law, thickness in layers:
        if thickness > 0:
            top[law.name] = max(top.get(law.name, 0.0), float(law.strain_at(pressure_kpa.max())))
    for m, law in enumerate(shims):
        used = bed.stack_mm[:, m] > 0
        if used.any():
            top[law.name] = max(top.get(law.name, 0.0), float(law.strain_at(pressure_kpa[used].max())))
    return top
