"""The rest of one set-up, compiled: the law of a node, the forces of all, and Newton with a line search on the energy.

The law of a node is C(p) = C₀(p) + Σ_m T_m ε_m(p), piecewise linear on the common pressures, so its inverse is found
exactly, starting from the piece that held last time.
"""

import numpy as np
from numba import njit

MAX_STEPS = 40
FAST = {"reassoc", "contract", "arcp", "nsz"}  # sums may be re-ordered; NaN and infinity keep their meaning


@njit(cache=True, inline="always", error_model="numpy", fastmath=FAST)
def _deflection(k, i, series, strain, chosen):  # type: ignore[no-untyped-def]
    """Deflection of node i at the k-th pressure of the law."""
    value = series[k]
    for m in range(strain.shape[1]):
        value += chosen[i, m] * strain[k, m]
    return value


@njit(cache=True, inline="always", error_model="numpy", fastmath=FAST)
def law(delta, i, k, levels, series, strain, chosen):  # type: ignore[no-untyped-def]
    """Pressure, its slope, and the piece of the law that holds at an approach > 0, searched from piece k."""
    last = levels.size - 2
    low, high = _deflection(k, i, series, strain, chosen), _deflection(k + 1, i, series, strain, chosen)
    while delta > high and k < last:
        k += 1
        low, high = high, _deflection(k + 1, i, series, strain, chosen)
    while delta < low and k > 0:
        k -= 1
        low, high = _deflection(k, i, series, strain, chosen), low
    slope = (levels[k + 1] - levels[k]) / (high - low)
    return levels[k] + (delta - low) * slope, slope, k


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _forces(q, bed_arrays, chosen, work, piece, pressure, force, hessian):  # type: ignore[no-untyped-def]
    """Generalised force of the bed and its derivative at q; pressure and the piece of the law are left in place.

    work (4, n): approach at q = 0 with the shims in, then scratch. Loops run along the nodes, so that they vectorise.
    """
    area, ways, _, levels, series, strain = bed_arrays
    d, n = ways.shape
    lift, delta, push, rate = work[0], work[1], work[2], work[3]
    delta[:] = lift
    for r in range(d):
        way, turn = ways[r], q[r]
        for i in range(n):
            delta[i] += way[i] * turn
    for i in range(n):
        if delta[i] <= 0.0:
            pressure[i] = push[i] = rate[i] = 0.0
            continue
        p, slope, piece[i] = law(delta[i], i, piece[i], levels, series, strain, chosen)
        pressure[i] = p
        push[i], rate[i] = 1e-3 * area[i] * p, 1e-3 * area[i] * slope  # kPa · mm² = 1e-3 N
    for r in range(d):
        way = ways[r]
        total = 0.0
        for i in range(n):
            total += way[i] * push[i]
            delta[i] = way[i] * rate[i]
        force[r] = total
        for s in range(r, d):
            other = ways[s]
            total = 0.0
            for i in range(n):
                total += delta[i] * other[i]
            hessian[r, s] = hessian[s, r] = total


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _cholesky_step(hessian, residual, step):  # type: ignore[no-untyped-def]
    """step = hessian⁻¹ residual for a small symmetric matrix (overwritten), with a ridge where contact is a line."""
    d = residual.size
    for r in range(d):
        hessian[r, r] = hessian[r, r] * (1.0 + 1e-10) + 1e-9
    for r in range(d):
        for s in range(r):
            hessian[r, r] -= hessian[r, s] ** 2
        hessian[r, r] = np.sqrt(max(hessian[r, r], 1e-12))
        for t in range(r + 1, d):
            for s in range(r):
                hessian[t, r] -= hessian[t, s] * hessian[r, s]
            hessian[t, r] /= hessian[r, r]
    for r in range(d):
        step[r] = residual[r]
        for s in range(r):
            step[r] -= hessian[r, s] * step[s]
        step[r] /= hessian[r, r]
    for r in range(d - 1, -1, -1):
        for s in range(r + 1, d):
            step[r] -= hessian[s, r] * step[s]
        step[r] /= hessian[r, r]


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _residual(q, load, stiffness, force, residual, scale):  # type: ignore[no-untyped-def]
    """load − K q − force, and its largest entry against the scale of each freedom."""
    worst = 0.0
    for r in range(q.size):
        value = load[r] - force[r]
        for s in range(q.size):
            value -= stiffness[r, s] * q[s]
        residual[r] = value
        worst = max(worst, abs(value) / scale[r])
    return worst


@njit(cache=True, error_model="numpy", fastmath=FAST)
def equilibrium(q, bed_arrays, stiffness, load, scale, chosen, work, piece, pressure, tolerance):  # type: ignore[no-untyped-def]
    """Newton with line search on the convex energy, from q, in place. Returns the imbalance as a share of the load."""
    d = q.size
    force, residual, step = np.zeros(d), np.zeros(d), np.zeros(d)
    hessian, trial = np.zeros((d, d)), np.zeros(d)
    _forces(q, bed_arrays, chosen, work, piece, pressure, force, hessian)
    worst = _residual(q, load, stiffness, force, residual, scale)
    for _ in range(MAX_STEPS):
        if worst < tolerance:
            break
        for r in range(d):
            for s in range(d):
                hessian[r, s] += stiffness[r, s]
        _cholesky_step(hessian, residual, step)
        longest = 0.0
        for r in range(d):
            longest = max(longest, abs(step[r]) * scale[r] / scale[0])
        cut = min(1.0, 15.0 / longest) if longest > 0.0 else 1.0  # never more than 15 mm at the panel's end
        start = 0.0
        for r in range(d):
            step[r] *= cut
            start += residual[r] * step[r]
        low, high, t = 0.0, 1.0, 1.0
        value_low, value_high = start, 0.0
        for search in range(25):
            for r in range(d):
                trial[r] = q[r] + t * step[r]
            _forces(trial, bed_arrays, chosen, work, piece, pressure, force, hessian)
            worst = _residual(trial, load, stiffness, force, residual, scale)
            along = 0.0
            for r in range(d):
                along += residual[r] * step[r]
            # −along is the slope of the energy, which rises along the step: accept when it has not risen too far
            if worst < tolerance or along >= -0.5 * start:
                if along <= 0.9 * start or t >= 1.0 or worst < tolerance or search > 8:
                    break
                low, value_low = t, along
            else:
                high, value_high = t, along
            if value_high < 0.0:
                share = value_low / (value_low - value_high)
                t = low + (high - low) * min(max(share, 0.1), 0.9)
            else:
                t = 0.5 * (low + high)
        for r in range(d):
            q[r] = trial[r]
    return worst
