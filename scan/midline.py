"""The line of the spine: where each section is most nearly its own mirror image (DESIGN §3)."""

import numpy as np

from shimwright.scan.back import Midline
from shimwright.scan.raw import FloatArray
from shimwright.scan.section import heights, section_curves
from shimwright.scan.surface import Surface

HALF_MM = 85.0  # half-width of the section that is compared with its mirror image
STEP_MM = 10.0  # along the back
SEARCH_MM = 60.0  # to each side of the axis
TILT_SD = np.tan(np.radians(2.5))  # how far a sound section leans [J]
UNLIKE_MM = 1.0  # how far the halves of a sound section differ [J]
BEND_SD = 3e-4  # wander of the spine's direction, per mm of curvature over 10 mm [J]
DRIFT_SHARE = 0.4  # how a scanner's drift widens the sd: simulated
LEAST_SD_MM, MOST_SD_MM = 0.7, 15.0


def find_midline(surface: Surface) -> Midline:
    """The spine line where the top of the section was seen, every 10 mm, x ascending.

    y is smooth along x; z is read on the surface at that y. An empty midline (0 points) means that no section
    showed both sides of the spine.
    """
    x, offsets, cost = _costs(surface)
    if x.size == 0:
        none = np.zeros(0)
        return Midline(none, none, none, none, none)
    y, sd = _smooth_path(np.interp(x, surface.x_mm, surface.axis_y_mm), offsets, cost)
    sd = sd * np.hypot(1.0, DRIFT_SHARE * surface.drift_mm)
    curves = section_curves(surface, x)
    near = np.array([heights(c, b + np.array([-3.0, 0.0, 3.0])) for c, b in zip(curves, y, strict=True)])
    z, slope = near[:, 1], (near[:, 2] - near[:, 0]) / 6.0
    own = surface.sd(np.column_stack([x, y, z]))
    known = np.isfinite(z) & np.isfinite(own)
    sd_z = np.hypot(own, np.nan_to_num(slope) * sd)
    return Midline(x[known], y[known], z[known], sd[known], sd_z[known])


def _costs(surface: Surface) -> tuple[FloatArray, FloatArray, FloatArray]:
    """(x, offsets, cost): cost[i, k] of the midline at x[i] passing offsets[k] beside the axis; inf where unseen."""
    offsets = np.arange(-SEARCH_MM, SEARCH_MM + 1.0)
    first = np.ceil(surface.x_mm[0] / STEP_MM) * STEP_MM
    stations = np.arange(first, surface.x_mm[-1] + 1e-6, STEP_MM)
    reach = np.arange(-SEARCH_MM - HALF_MM, SEARCH_MM + HALF_MM + 1.0)
    centre = np.interp(stations, surface.x_mm, surface.axis_y_mm)
    curves = section_curves(surface, stations)
    z = np.array([heights(curve, reach + y) for curve, y in zip(curves, centre, strict=True)])
    cost = _mirror_cost(z.reshape(stations.size, reach.size), offsets.size)
    kept = np.isfinite(cost).sum(axis=1) >= 5
    return stations[kept], offsets, cost[kept]


def _mirror_cost(z: FloatArray, count: int) -> FloatArray:
    """(n, count) unlikeness of the halves of sections z (n, count + 2 · 85) about each centre.

    The best tilt is taken out at its price; inf where too little was seen.
    """
    half = int(HALF_MM)
    u = np.arange(1, half + 1)
    centre = np.arange(count)[:, None] + half
    d = z[:, centre + u] - z[:, centre - u]
    seen = np.isfinite(d)
    number = seen.sum(axis=2)
    d[~seen] = 0.0
    some = np.maximum(number, 1)
    lever = seen @ (4.0 * u**2) / some
    moment = d @ (2.0 * u) / some
    square = np.einsum("ijk,ijk->ij", d, d) / some
    price = UNLIKE_MM**2 / TILT_SD**2
    left = square - moment**2 / (lever + price)  # the least over the tilt, its price included
    good = (number > 0.8 * half) & np.isfinite(z[:, centre[:, 0]])
    return np.asarray(np.where(good, 0.5 * left / UNLIKE_MM**2, np.inf))


def _smooth_path(start: FloatArray, offsets: FloatArray, cost: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The cheapest continuous path, then a smooth curve through it weighted by how sharp each valley is.

    start: (n,) y from which the offsets count; the curve that is smooth is y itself.
    """
    centre = _cheapest_path(np.where(np.isfinite(cost), cost, 1e6))
    y, pull = offsets[centre], np.zeros(len(centre))
    target = y.copy()
    for k, c in enumerate(centre):
        lo, hi = max(c - 6, 0), min(c + 7, offsets.size)
        row = cost[k, lo:hi]
        good = np.isfinite(row)
        if good.sum() >= 4:
            a, b, _ = np.polyfit(offsets[lo:hi][good] - y[k], row[good], 2)
            pull[k] = max(2.0 * a, 1e-4)
            target[k] = y[k] + np.clip(-b / pull[k], -8.0, 8.0)
    return _whittaker(start + target, pull)


def _cheapest_path(cost: FloatArray) -> FloatArray:
    """Dynamic programming: at most 4 mm aside per station, each mm aside at a price; indices (n,)."""
    n, m = cost.shape
    best, back = cost[0].copy(), np.zeros((n, m), dtype=int)
    moves = np.arange(-4, 5)
    price = 0.05 * moves[:, None] ** 2
    source = np.arange(m) + moves[:, None]
    beyond = (source < 0) | (source >= m)
    source = np.clip(source, 0, m - 1)
    for k in range(1, n):
        options = np.where(beyond, np.inf, best[source] + price)
        choice = options.argmin(axis=0)
        back[k] = source[choice, np.arange(m)]
        best = options[choice, np.arange(m)] + np.minimum(cost[k], 50.0)
    path = np.zeros(n, dtype=int)
    path[-1] = int(best.argmin())
    for k in range(n - 1, 0, -1):
        path[k - 1] = back[k, path[k]]
    return path


def _whittaker(target: FloatArray, weight: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(value, sd) of the smooth curve: weighted fit with a price on second differences."""
    n = target.size
    if n < 4:
        return target, np.full(n, MOST_SD_MM)
    price = 1.0 / (BEND_SD * STEP_MM**2) ** 2
    weight = np.minimum(weight, 4.0) / 8.0  # neighbouring sections repeat one another: about 8 count as one
    system = np.diag(np.maximum(weight, 1e-6))
    second = np.diff(np.eye(n), 2, axis=0)
    system = system + price * second.T @ second
    inverse = np.linalg.inv(system)
    value = inverse @ (weight * target)
    sd = np.clip(np.sqrt(np.diag(inverse)), LEAST_SD_MM, MOST_SD_MM)
    return value, sd
