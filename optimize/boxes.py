"""Boxes of poses: which set-ups may rest inside one and still be good enough, by branch and bound (DESIGN §8).

Over a box of poses every node's approach lies in an interval, and so does its pressure, which rises with the approach.
Summed over the nodes of a pocket for each of its stacks: intervals of the generalised force, a lower bound of
Σ a (p − p̄)² about the mean pressure p̄ that the load gives, and of the areas that surely carry nothing. A set-up whose
forces cannot balance the load in the box does not rest there; one whose least cost is above the cost to beat does not
matter if it does. What is neither in a small box is handed on to be solved. The boxes cover every pose that the limits
allow, so what is handed on by none is proven out: refused by a limit of pose, or dearer.

A tree that bends has more freedoms than boxes can halve. But a mode is held by its own stiffness: it stands where that
balances the forces on it, and those are known within the box; so boxes are narrowed along the modes before they are
halved.
"""

import numpy as np
from numba import njit

from shimwright.optimize.box_stacks import extremes, list_setups, prune
from shimwright.optimize.box_sums import pocket_sums
from shimwright.optimize.rest import FAST

DEPTH = 200  # boxes waiting at once: halves, so as many as there are halvings
WORTH = 0.7  # a box narrowed to this share of its modes is looked at again before it is halved


@njit(cache=True, inline="always", error_model="numpy", fastmath=FAST)
def _narrow_modes(centre, half, load, stiffness, sums, slack_n, farthest):  # type: ignore[no-untyped-def]
    """Shrink the box to where every mode's stiffness can balance the forces in `sums`. Returns what is left of the
    widths of the modes, mm at the node that moves most, as a share: 1 where nothing shrank, −1 where nothing is left.
    """
    d = centre.size
    before = after = 0.0
    for r in range(3, d):
        over, loose = load[r] - stiffness[r, r] * centre[r], slack_n * farthest[r]
        for s in range(d):
            if s != r:
                over -= stiffness[r, s] * centre[s]
                loose += abs(stiffness[r, s]) * half[s]
        low = max(centre[r] - half[r], centre[r] + (over - loose + sums[d + 1 + r]) / stiffness[r, r])
        high = min(centre[r] + half[r], centre[r] + (over + loose - sums[r]) / stiffness[r, r])
        if low > high:
            return -1.0
        before += half[r] * farthest[r]
        centre[r], half[r] = 0.5 * (low + high), 0.5 * (high - low)
        after += half[r] * farthest[r]
    return after / before if before > 0.0 else 1.0


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

    beat (4,): cost, tilts and cost of the most level (`bounds.Beat`). leaf (3,): mm that a node moves in a box that is
    not halved, set-ups so few that they are listed at once, and the most boxes. Returns how many were written, whether
    that is all that there is, and how many boxes it took.
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
        if boxes > leaf[2]:
            return made[0], False, boxes
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
                pocket_sums(low, high, -1, some, bed, about, chosen, piece, row0)
                continue
            for s in range(stacks):
                if may[j, s] > 0:
                    pocket_sums(low, high, s, some, bed, about, chosen, piece, table[j, s])
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
        if not prune(
            may, table, rest, pieces, least, low_load, high_load, goal, tilt_cost, total, lines, about, weights, sums
        ):
            continue
        kept = _narrow_modes(centre, half, load, stiffness, sums, tolerance, farthest)
        if kept < 0.0:
            continue
        if kept < WORTH:
            depth += 1
            centre_of[depth], half_of[depth], may_of[depth] = centre, half, may
            continue
        count = 1.0
        for j in range(pockets):
            left = 0
            for s in range(stacks):
                left += may[j, s]
            count *= left
        widest, longest, reach = 0, 0.0, 0.0
        for r in range(d):
            reach += half[r] * farthest[r]
            if half[r] * farthest[r] > longest:
                widest, longest = r, half[r] * farthest[r]
        if count <= leaf[1] or reach <= leaf[0] or depth + 3 > DEPTH:
            extremes(may, table, pieces, least)
            if not list_setups(
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
