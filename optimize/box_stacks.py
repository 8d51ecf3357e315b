"""Which stacks, and which set-ups, may rest in a box of poses and still be good enough; from the sums of `box_sums`."""

import numpy as np
from numba import njit

from shimwright.optimize.box_sums import least_cost
from shimwright.optimize.rest import FAST


@njit(cache=True, error_model="numpy", fastmath=FAST)
def extremes(may, table, pieces, least):  # type: ignore[no-untyped-def]
    """least (pockets, width): of every pocket the least of each sum (the largest of the largest forces, negated).

    False where a pocket has no stack left.
    """
    pockets, stacks = may.shape
    width = table.shape[2]
    d = (width - 3) // 2
    for j in range(pockets):
        least[j, :] = np.inf
        any_left = False
        for s in range(stacks):
            if may[j, s] == 0:
                continue
            any_left = True
            for f in range(width):
                value = -table[j, s, f] if d <= f < 2 * d else table[j, s, f]
                least[j, f] = min(least[j, f], value)
            least[j, width] = min(least[j, width], pieces[s])
        if not any_left:
            return False
    return True


@njit(cache=True, error_model="numpy", fastmath=FAST)
def can_balance(sums, low_load, high_load):  # type: ignore[no-untyped-def]
    """Whether the forces between `sums` can balance the load."""
    for r in range(low_load.size):  # noqa: SIM110
        if sums[r] > high_load[r] or -sums[low_load.size + r] < low_load[r]:
            return False
    return True


@njit(cache=True, error_model="numpy", fastmath=FAST)
def prune(may, table, rest, pieces, least, low_load, high_load, beat, tilt_cost, total, lines, about, weights, sums):  # type: ignore[no-untyped-def]
    """Drop stacks that cannot be part of a set-up that rests here and matters. False when nothing is left."""
    pockets, stacks = may.shape
    width = table.shape[2]
    d = (width - 3) // 2
    for _ in range(3):
        if not extremes(may, table, pieces, least):
            return False
        for f in range(width + 1):
            sums[f] = rest[f]
            for j in range(pockets):
                sums[f] += least[j, f]
        if not can_balance(sums, low_load, high_load):
            return False
        price = least_cost(
            sums[2 * d], sums[2 * d + 1], sums[2 * d + 2], sums[d - 1], -sums[2 * d - 1], total, lines, about, weights
        )
        if price + tilt_cost + weights[7] * sums[width] > beat:
            return False
        dropped = False
        for j in range(pockets):
            for s in range(stacks):
                if may[j, s] == 0:
                    continue
                keep = True
                for r in range(d):
                    if sums[r] - least[j, r] + table[j, s, r] > high_load[r]:
                        keep = False
                    if -(sums[d + r] - least[j, d + r]) + table[j, s, d + r] < low_load[r]:
                        keep = False
                if keep:
                    price = least_cost(
                        sums[2 * d] - least[j, 2 * d] + table[j, s, 2 * d],
                        sums[2 * d + 1] - least[j, 2 * d + 1] + table[j, s, 2 * d + 1],
                        sums[2 * d + 2] - least[j, 2 * d + 2] + table[j, s, 2 * d + 2],
                        sums[d - 1] - least[j, d - 1] + table[j, s, d - 1],
                        -(sums[2 * d - 1] - least[j, 2 * d - 1]) + table[j, s, 2 * d - 1],
                        total, lines, about, weights,
                    )  # fmt: skip
                    count = sums[width] - least[j, width] + pieces[s]
                    keep = price + tilt_cost + weights[7] * count <= beat
                if not keep:
                    may[j, s] = 0
                    dropped = True
        if not dropped:
            break
    return True


@njit(cache=True, error_model="numpy", fastmath=FAST)
def list_setups(  # type: ignore[no-untyped-def]
    may,
    table,
    rest,
    pieces,
    heights,
    mates,
    least,
    low_load,
    high_load,
    beat,
    tilt_cost,
    total,
    lines,
    about,
    weights,
    limit_lr,
    partial,
    suffix,
    chosen_stack,
    codes,
    prices,
    made,
):
    """Every set-up of these stacks that may rest here and matter, pocket by pocket. False when room runs out."""
    pockets, stacks = may.shape
    width = table.shape[2]
    d = (width - 3) // 2
    for f in range(width + 1):
        suffix[pockets, f] = 0.0
        for j in range(pockets - 1, -1, -1):
            suffix[j, f] = suffix[j + 1, f] + least[j, f]
        partial[0, f] = rest[f]
    partial[0, width + 1] = 0.0
    if pockets == 0:
        codes[made[0]], prices[made[0]] = 0, tilt_cost
        made[0] += 1
        return True
    depth = 0
    chosen_stack[0] = -1
    while depth >= 0:
        chosen_stack[depth] += 1
        s = chosen_stack[depth]
        if s == stacks:
            depth -= 1
            continue
        if may[depth, s] == 0:
            continue
        for f in range(width):
            value = -table[depth, s, f] if d <= f < 2 * d else table[depth, s, f]
            partial[depth + 1, f] = partial[depth, f] + value
        partial[depth + 1, width] = partial[depth, width] + pieces[s]
        apart = partial[depth, width + 1]
        mate = mates[depth]
        if mate == -1:
            apart += heights[s]
        elif 0 <= mate < depth:
            apart += abs(heights[s] - heights[chosen_stack[mate]])
        partial[depth + 1, width + 1] = apart
        if apart > limit_lr:
            continue
        fits = True
        for r in range(d):
            if partial[depth + 1, r] + suffix[depth + 1, r] > high_load[r]:
                fits = False
            if -(partial[depth + 1, d + r] + suffix[depth + 1, d + r]) < low_load[r]:
                fits = False
        if not fits:
            continue
        price = least_cost(
            partial[depth + 1, 2 * d] + suffix[depth + 1, 2 * d],
            partial[depth + 1, 2 * d + 1] + suffix[depth + 1, 2 * d + 1],
            partial[depth + 1, 2 * d + 2] + suffix[depth + 1, 2 * d + 2],
            partial[depth + 1, d - 1] + suffix[depth + 1, d - 1],
            -(partial[depth + 1, 2 * d - 1] + suffix[depth + 1, 2 * d - 1]),
            total, lines, about, weights,
        )  # fmt: skip
        price += tilt_cost + weights[6] * apart
        price += weights[7] * (partial[depth + 1, width] + suffix[depth + 1, width])
        if price > beat:
            continue
        if depth + 1 < pockets:
            depth += 1
            chosen_stack[depth] = -1
            continue
        if made[0] == codes.size:
            return False
        code = 0
        for j in range(pockets):
            code = code * stacks + chosen_stack[j]
        codes[made[0]], prices[made[0]] = code, price
        made[0] += 1
    return True
