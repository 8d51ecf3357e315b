"""What a box of poses says of one pocket with one stack: intervals of its forces, least squares, surely bare areas.

Over the box every node's approach lies in an interval, and so does its pressure, which rises with the approach.
"""

import numpy as np
from numba import njit

from shimwright.optimize.rest import FAST, law

TOUCH_KPA = 0.1


@njit(cache=True, error_model="numpy", fastmath=FAST)
def pocket_sums(low, high, stack, nodes, bed, about, chosen, piece, row):  # type: ignore[no-untyped-def]
    """Sums over a pocket's nodes with one stack: least and largest forces (d each), Σ a(p − p̄)², bare, untouched.

    low, high (n,): approach without stack at the ends of the box. stack −1: no pocket. The last row of the ways is no
    freedom: with it the sum is Σ a p less what the load fixes of it.
    """
    area, ways, _, levels, series, strain, thickness = bed
    mean, hollow_kpa = about[0], about[1]
    d = ways.shape[0]
    row[:] = 0.0
    for i in nodes:
        if area[i] <= 0.0:
            continue
        least, most = low[i], high[i]
        for m in range(strain.shape[1]):
            chosen[i, m] = thickness[stack, i, m] if stack >= 0 else 0.0
            least += chosen[i, m]
            most += chosen[i, m]
        light = hard = 0.0
        if most > 0.0:
            hard, _, piece[i] = law(most, i, piece[i], levels, series, strain, chosen)
            if least > 0.0:
                light, _, _ = law(least, i, piece[i], levels, series, strain, chosen)
        a = 1e-3 * area[i]
        for r in range(d):
            w = a * ways[r, i]
            row[r] += min(w * light, w * hard)
            row[d + r] += max(w * light, w * hard)
        off = max(max(light - mean, mean - hard), 0.0)
        row[2 * d] += a * off * off
        if hard < hollow_kpa:
            row[2 * d + 1] += area[i]
        if hard <= TOUCH_KPA:
            row[2 * d + 2] += area[i]


@njit(cache=True, inline="always", error_model="numpy", fastmath=FAST)
def least_cost(squares, hollow, bare, less, more, total, lines, about, weights):  # type: ignore[no-untyped-def]
    """Least cost of contact. less, more: bounds of Σ a p less what the load fixes of it (about[2])."""
    whole = 1e-3 * total
    lowest, highest = max((about[2] + less) / whole, about[3]), min((about[2] + more) / whole, about[4])
    off = max(highest - about[0], about[0] - lowest)
    uneven = np.sqrt(max(squares / whole - off * off, 0.0)) / highest if highest > 0.0 else 0.0
    contact = (lowest - TOUCH_KPA) * total / (total - bare) if bare < total else 0.0
    return weights[0] * uneven + weights[1] * hollow / total + weights[2] * max(0.0, contact / lines[0] - 1.0)
