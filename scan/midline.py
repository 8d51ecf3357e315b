"""The line of the spine: where each section is most nearly its own mirror image (DESIGN §3).

Where the top of a section is narrow its crest tells the same and is heard too. A section that is unlike its mirror
image even at its best says little. The trunk's spine hardly bends; in front of the withers it may follow a turned neck.
"""

from dataclasses import dataclass

import numpy as np
from numba import njit
from scipy.ndimage import gaussian_filter1d

from shimwright.scan.back import Midline
from shimwright.scan.raw import FloatArray
from shimwright.scan.section import heights, section_curves
from shimwright.scan.surface import Surface

HALF_MM = 85.0  # half-width of the section that is compared with its mirror image
STEP_MM = 10.0  # along the back
SEARCH_MM = 60.0  # to each side of the axis
TILT_SD = np.tan(np.radians(2.5))  # how far a sound section leans [J]
UNLIKE_MM = 1.0  # how far the halves of a sound section differ [J]
CREST_MM = 40.0  # half-width of the parabola through the crest
CREST_SD_MM, CREST_TILT = 5.0, np.tan(np.radians(5.0))  # a lean moves the crest by its radius times the angle [J]
FLATTEST_PER_MM = 2e-4  # bend of a top that still has a crest
# wander of the spine's direction, per mm of curvature over 10 mm: trunk, about the withers, neck [J]
BEND_SD = (5e-4, 3e-3, 1e-2)
WITHERS_DOUBT_MM = 100.0  # in front of the withers as far as known
ALIKE_SECTIONS = 8.0  # neighbouring sections repeat one another: about 8 count as one [J]
VALLEY_MM = 12.0  # half-width over which a parabola is laid through the cost about the line
MOST_MOVE_MM = 15.0
ROUNDS = 10
# the sd, checked on simulated scans of even and of very uneven horses: what the sections leave unlike (its floor, and
# the drift's part of it), times what that moves; a flat section is doubted more than in proportion
FLOOR_UNLIKE_MM, DRIFT_SHARE, DOUBT, USUAL_SD_MM = 0.25, 0.25, 0.9, 1.5
UNLIKE_OVER_CELLS = 8.0
LEAST_SD_MM, MOST_SD_MM = 0.15, 15.0


def find_midline(surface: Surface, withers_x: float = 0.0) -> Midline:
    """The spine line where the top of the section was seen, every 10 mm, x ascending.

    withers_x: about where the withers are; in front of them the line follows the neck. y is smooth along x; z is read
    on the surface at that y. An empty midline (0 points) means that no section showed both sides of the spine.
    """
    seen = _Sections.of(surface)
    ahead = seen.x[1:-1] - withers_x
    bend_sd = np.where(ahead < 0.0, BEND_SD[0], np.where(ahead < WITHERS_DOUBT_MM, BEND_SD[1], BEND_SD[2]))
    return _line(surface, seen, bend_sd, np.ones(seen.x.size))


def trunk_line(surface: Surface, withers_x: float = 0.0) -> Midline:
    """The spine line of the trunk alone, carried straight on in front of the withers: a turned neck leaves it there."""
    seen = _Sections.of(surface)
    return _line(surface, seen, np.full(max(seen.x.size - 2, 0), BEND_SD[0]), (seen.x <= withers_x).astype(float))


@dataclass(frozen=True)
class _Sections:
    """x (n,), y of the axis there (n,), offsets (m,) beside it, cost (n, m) of the spine passing there; inf unseen.

    unlike: (n, m) mean squared unlikeness of the halves, mm², the tilt taken out at its price; inf unseen.
    """

    x: FloatArray
    axis_y: FloatArray
    offsets: FloatArray
    cost: FloatArray
    unlike: FloatArray

    @classmethod
    def of(cls, surface: Surface) -> "_Sections":
        offsets = np.arange(-SEARCH_MM, SEARCH_MM + 1.0)
        first = np.ceil(surface.x_mm[0] / STEP_MM) * STEP_MM
        stations = np.arange(first, surface.x_mm[-1] + 1e-6, STEP_MM)
        reach = np.arange(-SEARCH_MM - HALF_MM, SEARCH_MM + HALF_MM + 1.0)
        centre = np.interp(stations, surface.x_mm, surface.axis_y_mm)
        curves = section_curves(surface, stations)
        z = np.array([heights(curve, reach + y) for curve, y in zip(curves, centre, strict=True)])
        z = z.reshape(stations.size, reach.size)
        unlike = _unlike(z, offsets.size)
        cost = _mirror_cost(unlike) + _crest_cost(z, reach, offsets)
        kept = np.isfinite(cost).sum(axis=1) >= 5
        return cls(stations[kept], centre[kept], offsets, cost[kept], unlike[kept])


def _unlike(z: FloatArray, count: int) -> FloatArray:
    """(n, count) mean squared unlikeness of the halves of sections z (n, count + 2 · 85) about each centre, mm².

    The best tilt is taken out at its price. inf where too little was seen.
    """
    half = int(HALF_MM)
    number, lever, moment, square = _halves(z, count, half)
    some = np.maximum(number, 1.0)
    price = UNLIKE_MM**2 / TILT_SD**2
    # the least over the tilt, its price included
    left = (square - moment**2 / (lever + price * some)) / some
    good = (number > 0.8 * half) & np.isfinite(z[:, half : half + count])
    return np.where(good, left, np.inf)


@njit(cache=True)
def _halves(z: FloatArray, count: int, half: int) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Sums over u = 1 … half of 1, (2u)², 2u d and d², each (n, count), d = z(u) − z(−u) about a centre, NaN left out.

    Compiled, because the differences of all halves would fill 10 MB.
    """
    shape = (z.shape[0], count)
    number, lever, moment, square = np.zeros(shape), np.zeros(shape), np.zeros(shape), np.zeros(shape)
    for i in range(z.shape[0]):
        for u in range(1, half + 1):
            for c in range(count):
                d = z[i, c + half + u] - z[i, c + half - u]
                if d == d:
                    number[i, c] += 1.0
                    lever[i, c] += 4.0 * u * u
                    moment[i, c] += 2.0 * u * d
                    square[i, c] += d * d
    return number, lever, moment, square


def _mirror_cost(unlike: FloatArray) -> FloatArray:
    """(n, m) price of unlike halves; what is left at a section's best centre is taken as its own noise."""
    return np.asarray(0.5 * unlike / np.maximum(UNLIKE_MM**2, _finite(unlike.min(axis=1)))[:, None])


def _finite(v: FloatArray) -> FloatArray:
    return np.where(np.isfinite(v), v, 0.0)


def _crest_cost(z: FloatArray, reach: FloatArray, offsets: FloatArray) -> FloatArray:
    """(n, m) price of lying beside the crest, the vertex of a parabola about the highest point; 0 where it is flat."""
    half = int(CREST_MM)
    u = np.arange(-half, half + 1)
    basis = np.linalg.pinv(np.column_stack([np.ones(u.size), u, u * u]))
    inner = np.arange(half, reach.size - half)
    slope, bend = _slid(z, basis[1]), 2.0 * _slid(z, basis[2])
    top = np.abs(np.where(np.isfinite(bend) & (bend < -FLATTEST_PER_MM), slope, np.inf))
    highest = np.where(np.isfinite(z[:, inner]), z[:, inner], -np.inf).argmax(axis=1)
    near = np.abs(np.arange(inner.size) - highest[:, None]) <= half
    best = np.where(near, top, np.inf).argmin(axis=1)
    rows = np.arange(len(z))
    known = np.isfinite(top[rows, best]) & near[rows, best]
    y = reach[inner][best]
    radius = 1.0 / np.where(known, -bend[rows, best], 1.0)
    sd = np.hypot(CREST_SD_MM, radius * CREST_TILT)
    return np.where(known[:, None], 0.5 * ((offsets - y[:, None]) / sd[:, None]) ** 2, 0.0)


@njit(cache=True)
def _slid(z: FloatArray, kernel: FloatArray) -> FloatArray:
    """(n, m − k + 1): every row of z (n, m) weighed by the kernel (k,) as it slides along; NaN where it meets one."""
    out = np.zeros((z.shape[0], z.shape[1] - kernel.size + 1))
    for i in range(z.shape[0]):
        row, sums = z[i], out[i]
        for d in range(kernel.size):
            for j in range(sums.size):
                sums[j] += kernel[d] * row[j + d]
    return out


def _line(surface: Surface, seen: _Sections, bend_sd: FloatArray, heard: FloatArray) -> Midline:
    """The line through the sections heard (n,) 0 to 1, its direction free to wander by bend_sd (n − 2,)."""
    if seen.x.size == 0:
        none = np.zeros(0)
        return Midline(none, none, none, none, none)
    y, sd = _smooth_path(seen, bend_sd, heard)
    sd = _doubted(seen, y, sd, surface.drift_mm)
    curves = section_curves(surface, seen.x)
    near = np.array([heights(c, b + np.array([-3.0, 0.0, 3.0])) for c, b in zip(curves, y, strict=True)])
    z, slope = near[:, 1], (near[:, 2] - near[:, 0]) / 6.0
    own = surface.sd(np.column_stack([seen.x, y, z]))
    known = np.isfinite(z) & np.isfinite(own)
    sd_z = np.hypot(own, np.nan_to_num(slope) * sd)
    return Midline(seen.x[known], y[known], z[known], sd[known], sd_z[known])


def _smooth_path(seen: _Sections, bend_sd: FloatArray, heard: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(y, sd): the cheapest continuous path, then the smooth line of least total cost, by rounds of parabolas."""
    cost = np.where(heard[:, None] > 0.0, seen.cost, 0.0)
    y = seen.offsets[_cheapest_path(np.where(np.isfinite(cost), cost, 1e6))]
    if y.size < 4:
        return seen.axis_y + y, np.full(y.size, MOST_SD_MM)
    second = np.diff(np.eye(y.size), 2, axis=0) / (bend_sd * STEP_MM**2)[:, None]
    stiff = second.T @ second
    spread = stiff
    for _ in range(ROUNDS):
        move, pull = _valleys(seen, y)
        weight = np.maximum(heard * np.minimum(pull, 4.0) / ALIKE_SECTIONS, 1e-6)
        spread = np.asarray(np.linalg.inv(np.diag(weight) + stiff), dtype=np.float64)
        before, y = y, spread @ (weight * (seen.axis_y + y + move)) - seen.axis_y
        if np.abs(y - before).max() < 0.01:
            break
    return seen.axis_y + y, np.sqrt(np.diag(spread))


def _doubted(seen: _Sections, y: FloatArray, sd: FloatArray, drift_mm: float) -> FloatArray:
    """(n,) sd of the line from that of halves unlike by 1 mm: what the sections really leave unlike, and the drift."""
    at = np.rint(y - seen.axis_y - seen.offsets[0]).astype(int)
    left = np.sqrt(seen.unlike[np.arange(y.size), np.clip(at, 0, seen.offsets.size - 1)])
    left = np.where(np.isfinite(left), np.minimum(left / UNLIKE_MM, 1.0), 1.0)  # above 1 the cost has it already
    left = gaussian_filter1d(left, UNLIKE_OVER_CELLS, mode="nearest")
    part = np.hypot(np.hypot(FLOOR_UNLIKE_MM, left), DRIFT_SHARE * drift_mm)
    return np.asarray(np.clip(DOUBT * sd**2 / USUAL_SD_MM * part, LEAST_SD_MM, MOST_SD_MM))


def _valleys(seen: _Sections, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    """(move, pull) per section: to the bottom of the parabola through the cost about y (n,), and its bend."""
    u = np.arange(-VALLEY_MM, VALLEY_MM + 1.0)
    at = np.rint(y[:, None] + u - seen.offsets[0]).astype(int)
    row = np.take_along_axis(seen.cost, np.clip(at, 0, seen.offsets.size - 1), axis=1)
    v = at + seen.offsets[0] - y[:, None]
    good = (at >= 0) & (at < seen.offsets.size) & np.isfinite(row)
    powers = v[..., None] ** np.arange(5) * good[..., None]
    moments = powers.sum(axis=1)
    right = np.einsum("nk,nkp->np", np.where(good, row, 0.0), powers[..., :3])
    enough = good.sum(axis=1) >= 6
    system = moments[:, np.arange(3)[:, None] + np.arange(3)]
    system[~enough] = np.eye(3)
    a = np.linalg.solve(system, right[..., None])[..., 0]
    pull = np.where(a[:, 2] > 0.0, np.maximum(2.0 * a[:, 2], 1e-4), 1e-3)
    move = np.where(a[:, 2] > 0.0, -a[:, 1] / pull, -np.sign(a[:, 1]) * np.minimum(np.abs(a[:, 1]) / pull, 5.0))
    return np.where(enough, np.clip(move, -MOST_MOVE_MM, MOST_MOVE_MM), 0.0), np.where(enough, pull, 0.0)


def _cheapest_path(cost: FloatArray) -> FloatArray:
    """Dynamic programming: at most 7 mm aside per station, each mm aside at a price; indices (n,)."""
    n, m = cost.shape
    best, back = cost[0].copy(), np.zeros((n, m), dtype=int)
    moves = np.arange(-7, 8)
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
