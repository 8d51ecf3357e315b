"""Boxes of poses: which set-ups may rest inside one and still be good enough, by branch and bound (DESIGN §8).

Over a box of poses every node's approach lies in an interval, and so does its pressure, which rises with the approach.
Summed over the nodes of a pocket for each of its stacks: intervals of the generalised force, a lower bound of
Σ a (p − p̄)² about the mean pressure p̄ that the load gives, and of the areas that surely carry nothing. A set-up whose
forces cannot balance the load in the box does not rest there; one whose least cost is above the cost to beat does not
matter if it does. What is neither in a small box is handed on to be solved. The boxes cover every pose that the limits
allow, so what is handed on by none is proven out: refused by a limit of pose, or dearer.
"""

import numpy as np
from numba import njit

from shimwright.optimize.screen import FAST, _law

TOUCH_KPA = 0.1
DEPTH = 200  # boxes waiting at once: halves, so as many as there are halvings


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _fill(low, high, stack, nodes, bed, about, chosen, piece, row):  # type: ignore[no-untyped-def]
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
            hard, _, piece[i] = _law(most, i, piece[i], levels, series, strain, chosen)
            if least > 0.0:
                light, _, _ = _law(least, i, piece[i], levels, series, strain, chosen)
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
def _cost(squares, hollow, bare, less, more, total, lines, about, weights):  # type: ignore[no-untyped-def]
    """Least cost of contact. less, more: bounds of Σ a p less what the load fixes of it (about[2])."""
    whole = 1e-3 * total
    lowest, highest = max((about[2] + less) / whole, about[3]), min((about[2] + more) / whole, about[4])
    off = max(highest - about[0], about[0] - lowest)
    uneven = np.sqrt(max(squares / whole - off * off, 0.0)) / highest if highest > 0.0 else 0.0
    contact = (lowest - TOUCH_KPA) * total / (total - bare) if bare < total else 0.0
    return weights[0] * uneven + weights[1] * hollow / total + weights[2] * max(0.0, contact / lines[0] - 1.0)


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _extremes(may, table, pieces, least):  # type: ignore[no-untyped-def]
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
def _can(sums, low_load, high_load):  # type: ignore[no-untyped-def]
    """Whether the forces between `sums` can balance the load."""
    for r in range(low_load.size):  # noqa: SIM110
        if sums[r] > high_load[r] or -sums[low_load.size + r] < low_load[r]:
            return False
    return True


@njit(cache=True, error_model="numpy", fastmath=FAST)
def _prune(may, table, rest, pieces, least, low_load, high_load, beat, tilt_cost, total, lines, about, weights, sums):  # type: ignore[no-untyped-def]
    """Drop stacks that cannot be part of a set-up that rests here and matters. False when nothing is left."""
    pockets, stacks = may.shape
    width = table.shape[2]
    d = (width - 3) // 2
    for _ in range(3):
        if not _extremes(may, table, pieces, least):
            return False
        for f in range(width + 1):
            sums[f] = rest[f]
            for j in range(pockets):
                sums[f] += least[j, f]
        if not _can(sums, low_load, high_load):
            return False
        price = _cost(
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
                    price = _cost(
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
def _list(  # type: ignore[no-untyped-def]
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
        price = _cost(
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


@njit(cache=True, nogil=True, error_model="numpy", fastmath=FAST)
def search_box(  # type: ignore[no-untyped-def]
    centre_start,
    half_start,
    bed,
    nodes,
    starts,
    allowed,
    pieces,
    heights,
    mates,
    fit,
    rule,
    beat,
    limit_lr,
    leaf,
    codes,
    prices,
):
    """From one starting box: set-ups that it cannot rule out, as numbers in base `stacks`, with bounds of their cost.

    beat (4,): cost, tilts and cost of the most level (`bounds.Beat`). leaf (2,): mm that a node moves in a box that is
    not halved, and set-ups so few that they are listed at once. Returns how many were written, whether there was room
    for all, and how many boxes it took.
    """
    load, stiffness, total, turn_rows, clear_mm, clear_row, about = fit
    weights, lines = rule
    d, n = bed[1].shape[0] - 1, bed[1].shape[1]
    stacks, materials = bed[6].shape[0], bed[5].shape[1]
    pockets = allowed.shape[0]
    width = 2 * d + 5
    farthest = np.zeros(d)
    for r in range(d):
        farthest[r] = np.abs(bed[1][r]).max()
    tolerance = 1e-5 * abs(load[0])
    centre_of, half_of = np.zeros((DEPTH, d)), np.zeros((DEPTH, d))
    may_of = np.zeros((DEPTH, pockets, stacks), np.uint8)
    chosen, piece = np.zeros((n, materials)), np.zeros(n, np.int64)
    low, high = np.zeros(n), np.zeros(n)
    table, rest, least = np.zeros((pockets, stacks, width)), np.zeros(width + 1), np.zeros((pockets, width + 1))
    sums, row0 = np.zeros(width + 1), np.zeros(width)
    low_load, high_load = np.zeros(d + 1), np.zeros(d + 1)
    low_load[d], high_load[d] = -np.inf, np.inf
    partial, suffix = np.zeros((pockets + 1, width + 2)), np.zeros((pockets + 1, width + 2))
    chosen_stack = np.zeros(pockets + 1, np.int64)
    centre_of[0], half_of[0], may_of[0] = centre_start, half_start, allowed
    made, boxes, depth = np.zeros(1, np.int64), 0, 0
    while depth >= 0:
        centre, half, may = centre_of[depth].copy(), half_of[depth].copy(), may_of[depth].copy()
        depth -= 1
        boxes += 1
        tilt_cost, tilt = 0.0, 0.0
        outside = False
        for c in range(2):
            turn, loose = 0.0, 0.0
            for r in range(d):
                turn += turn_rows[c, r] * centre[r]
                loose += abs(turn_rows[c, r]) * half[r]
            near = max(abs(turn) - loose, 0.0)
            outside = outside or near > lines[3 + c]
            tilt_cost += weights[4 + c] * near * near
            tilt += near * near
        tilt = np.sqrt(tilt)
        for c in range(clear_mm.size):
            clear = clear_mm[c]
            for r in range(d):
                clear += clear_row[c, r] * centre[r] + abs(clear_row[c, r]) * half[r]
            outside = outside or clear < lines[5]
        goal = beat[0]
        if tilt < beat[2]:
            goal = max(goal, beat[3])
        if tilt < beat[1]:
            goal = np.inf
        if outside or tilt_cost > goal:
            continue
        low[:] = bed[2]
        high[:] = bed[2]
        for r in range(d):
            for i in range(n):
                there, away = bed[1][r, i] * centre[r], abs(bed[1][r, i]) * half[r]
                low[i] += there - away
                high[i] += there + away
        for j in range(-1, pockets):
            some = nodes[starts[j + 1] : starts[j + 2]]
            if j < 0:
                _fill(low, high, -1, some, bed, about, chosen, piece, row0)
                continue
            for s in range(stacks):
                if may[j, s] > 0:
                    _fill(low, high, s, some, bed, about, chosen, piece, table[j, s])
        for f in range(width):
            rest[f] = -row0[f] if d < f < 2 * d + 2 else row0[f]
        rest[width] = 0.0
        for r in range(d):
            held, loose = 0.0, 0.0
            for s in range(d):
                held += stiffness[r, s] * centre[s]
                loose += abs(stiffness[r, s]) * half[s]
            low_load[r] = load[r] - held - loose - tolerance * farthest[r]
            high_load[r] = load[r] - held + loose + tolerance * farthest[r]
        if not _prune(
            may, table, rest, pieces, least, low_load, high_load, goal, tilt_cost, total, lines, about, weights, sums
        ):
            continue
        count = 1.0
        for j in range(pockets):
            left = 0
            for s in range(stacks):
                left += may[j, s]
            count *= left
        widest, longest = 0, 0.0
        for r in range(d):
            if half[r] * farthest[r] > longest:
                widest, longest = r, half[r] * farthest[r]
        if count <= leaf[1] or longest <= leaf[0] or depth + 3 > DEPTH:
            _extremes(may, table, pieces, least)
            if not _list(
                may, table, rest, pieces, heights, mates, least, low_load, high_load, goal, tilt_cost, total, lines,
                about, weights, limit_lr, partial, suffix, chosen_stack, codes, prices, made,
            ):  # fmt: skip
                return made[0], False, boxes
            continue
        for sign in (-1.0, 1.0):
            depth += 1
            centre_of[depth], half_of[depth], may_of[depth] = centre, half, may
            half_of[depth, widest] = 0.5 * half[widest]
            centre_of[depth, widest] = centre[widest] + sign * 0.5 * half[widest]
    return made[0], True, boxes
