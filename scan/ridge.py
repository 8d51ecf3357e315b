"""The rough line of the spine over a posed cloud: where it runs, how high, how wide the body is below it.

Good to about 5 mm sideways: enough to find landmarks and heading. The precise midline is fitted afterwards.
"""

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter1d

from shimwright.scan.quantile import quantile
from shimwright.scan.raw import FloatArray

STEP_MM = 15.0
HALF_SLAB_MM = 20.0
REACH_MM = 85.0
SEARCHED_MM = 60.0
GRID_MM = 5.0
CREST_MM = 30.0
TILT_COST = 0.15  # of a tilt's own height, against unlike halves [J]
BEND_COST = 0.5
WIDTH_BELOW_MM = 40.0
WIDTH_REACH_MM = 320.0
ASIDE_MM = 90.0  # from the straight line along the crests: farther is a turned neck or an arm [J]
LEAST_IN_SLAB = 15
LONGEST_GAP_MM = 350.0


@dataclass(frozen=True)
class Ridge:
    """x ascending (n,), y, z of the spine's line, sd of z, width 40 mm below it (NaN where not seen), mm."""

    x: FloatArray
    y: FloatArray
    z: FloatArray
    sd_z: FloatArray
    width: FloatArray


NO_RIDGE = Ridge(*(5 * [np.zeros(0)]))


def ridge(points: FloatArray) -> Ridge:
    """The spine's line over points (k, 3), mm: x along the back, z up.

    Slab by slab a smooth section is fitted; its middle is where the halves are most alike, continuous along x.
    """
    points = points[np.argsort(points[:, 0], kind="stable")]
    stations = np.arange(points[0, 0] + 10, points[-1, 0] - 10, STEP_MM)
    first = _crests(points, stations)
    if len(first) < 5:
        return NO_RIDGE
    straight = _robust_line(first[:, 0], first[:, 1])
    points = points[np.abs(points[:, 1] - straight(points[:, 0])) < WIDTH_REACH_MM + ASIDE_MM]
    near = [_Slab.of(points, float(x), float(straight(x))) for x in stations]
    slabs = _unbroken([slab for slab in near if slab is not None])
    if len(slabs) < 5:
        return NO_RIDGE
    x = np.array([slab.x for slab in slabs])
    middle = gaussian_filter1d(np.array([slab.middle for slab in slabs]), 4, mode="nearest")
    shift = np.arange(-SEARCHED_MM, SEARCHED_MM + 1, GRID_MM)
    cost = np.stack([slab.unlike(y + shift) for slab, y in zip(slabs, middle, strict=True)])
    y = middle + shift[_cheapest_path(cost)]
    y = gaussian_filter1d(y, 2.5, mode="nearest")
    z = np.array([slab.crest_height(at) for slab, at in zip(slabs, y, strict=True)])
    known = np.isfinite(z)
    slabs, x, y, z = [slab for slab, k in zip(slabs, known, strict=True) if k], x[known], y[known], z[known]
    width = np.array([slab.width(at, top) for slab, at, top in zip(slabs, y, z, strict=True)])
    return Ridge(x, y, z, np.array([slab.sd for slab in slabs]), width)


def _crests(points: FloatArray, stations: FloatArray) -> FloatArray:
    """(m, 2): x and y of the crest of every slab that holds enough points; points sorted along x."""
    rows = [(x, _slab_at(points, x)) for x in stations]
    return np.array([(x, _crest(here)[0]) for x, here in rows if len(here) >= LEAST_IN_SLAB])


def _slab_at(points: FloatArray, x: float) -> FloatArray:
    """The points (m, 3) of a slab, of points sorted along x."""
    first, end = np.searchsorted(points[:, 0], [x - HALF_SLAB_MM, x + HALF_SLAB_MM])
    return points[first:end]


def _crest(here: FloatArray) -> tuple[float, float]:
    """(y, z): middle and height of the highest points."""
    top = quantile(here[:, 2], 0.98)
    return float(here[here[:, 2] > top - 15.0, 1].mean()), top


def _robust_line(x: FloatArray, y: FloatArray) -> np.poly1d:
    """Straight line of least absolute deviation: an arm or a rope at one end must not turn it."""
    weight = np.ones(x.size)
    line = np.poly1d([0.0])
    for _ in range(12):
        line = np.poly1d(np.polyfit(x, y, 1, w=np.sqrt(weight)))
        weight = 1 / np.maximum(np.abs(y - line(x)), 3.0)
    return line


def _unbroken(slabs: list["_Slab"]) -> list["_Slab"]:
    """The longest run of slabs without a gap over 350 mm: a hole along the spine may be 250 mm long."""
    if not slabs:
        return []
    breaks = np.flatnonzero(np.diff([slab.x for slab in slabs]) > LONGEST_GAP_MM) + 1
    runs = np.split(np.arange(len(slabs)), breaks)
    return [slabs[i] for i in max(runs, key=len)]


@dataclass(frozen=True)
class _Slab:
    """One section: a polynomial z(y) about `middle` through the points near the crest, and all its points."""

    x: float
    middle: float
    coefficients: FloatArray
    low: float
    high: float
    sd: float
    y_all: FloatArray
    z_all: FloatArray

    @classmethod
    def of(cls, points: FloatArray, x: float, expected_y: float) -> "_Slab | None":
        here = _slab_at(points, x)
        middle = here[np.abs(here[:, 1] - expected_y) < ASIDE_MM]
        if len(middle) < LEAST_IN_SLAB:
            return None
        crest, top = _crest(middle)
        near = here[(np.abs(here[:, 1] - crest) < REACH_MM + SEARCHED_MM) & (here[:, 2] > top - 220.0)]
        if len(near) < 12 or np.ptp(near[:, 1]) < REACH_MM:
            return None
        t = (near[:, 1] - crest) / 100.0
        coefficients, spread = _section(t, (near[:, 0] - x) / HALF_SLAB_MM, near[:, 2], top)
        sd = spread / np.sqrt(max(len(near) / 8.0, 1.0)) + 0.2
        return cls(x, crest, coefficients, float(t.min()), float(t.max()), sd, here[:, 1], here[:, 2])

    def height(self, y: FloatArray) -> FloatArray:
        """z at y; NaN beyond the points that were fitted."""
        t = (y - self.middle) / 100.0
        z = np.polynomial.polynomial.polyval(t, self.coefficients)
        return np.asarray(np.where((t >= self.low - 0.05) & (t <= self.high + 0.05), z, np.nan))

    def crest_height(self, y: float) -> float:
        """z at y from a parabola through the points within 30 mm; the wide curve where those are too few."""
        wide = float(self.height(np.array([y]))[0])
        near = (np.abs(self.y_all - y) < CREST_MM) & (self.z_all > wide - 60.0)
        return wide if near.sum() < 10 else float(_parabola_top(self.y_all[near] - y, self.z_all[near]))

    def unlike(self, y: FloatArray) -> FloatArray:
        """Mean squared unlikeness of the halves about each y, mm²; a tilt counts a part of its height."""
        t = np.arange(GRID_MM, REACH_MM + 1, GRID_MM)
        odd = 0.5 * (self.height(y[:, None] + t) - self.height(y[:, None] - t))
        seen = np.isfinite(odd)
        odd = np.where(seen, odd, 0.0)
        tilt = (odd * t).sum(axis=1) / np.maximum((seen * t * t).sum(axis=1), 1e-9)
        rest = np.where(seen, odd - tilt[:, None] * t, 0.0)
        count = np.maximum(seen.sum(axis=1), 1)
        cost = (rest**2).sum(axis=1) / count + TILT_COST * (tilt * REACH_MM) ** 2
        return np.asarray(np.where(seen.sum(axis=1) >= 5, cost, 1e4))

    def width(self, y: float, z: float) -> float:
        """Width where the section is first 40 mm below z on both sides of y; NaN where a side does not fall so far."""
        left = self._half_width(self.y_all - y, z)
        return left + self._half_width(y - self.y_all, z)

    def _half_width(self, out: FloatArray, z: float) -> float:
        """First crossing outward of the mean height of 15 mm strips with z − 40."""
        strip = (out / 15.0).astype(int)
        here = (out > 0) & (out < WIDTH_REACH_MM) & (self.z_all > z - 140.0)
        count = np.bincount(strip[here], minlength=1)
        mean = np.bincount(strip[here], self.z_all[here], minlength=1) / np.maximum(count, 1)
        seen = np.flatnonzero(count)
        below = np.flatnonzero(mean[seen] < z - WIDTH_BELOW_MM)
        if not below.size or below[0] == 0:
            return np.nan
        i, j = seen[below[0] - 1], seen[below[0]]
        part = (mean[i] - (z - WIDTH_BELOW_MM)) / max(mean[i] - mean[j], 1e-9)
        return float(15.0 * (i + 0.5 + part * (j - i)))


def _section(t: FloatArray, along: FloatArray, z: FloatArray, top: float) -> tuple[FloatArray, float]:
    """Coefficients (8,) of the robust polynomial z(t), a slope along the back taken out, and the spread about it."""
    columns = np.ones((t.size, 9))
    for power in range(1, 8):
        columns[:, power] = columns[:, power - 1] * t
    columns[:, 8] = along
    held = 1e-6 * t.size  # towards a flat top, so that the normal equations stay sound
    solution: FloatArray = np.zeros(9)
    weight, spread = np.ones(t.size), 0.0
    for _ in range(2):
        rows = columns * weight[:, None]
        right = z @ rows
        right[0] += held * top
        solution = np.asarray(np.linalg.solve(rows.T @ columns + held * np.eye(9), right), float)
        off = z - columns @ solution
        spread = 1.48 * quantile(np.abs(off), 0.5) + 1e-6
        weight = 1.0 / (1.0 + (off / (2.0 * spread)) ** 2)
    return solution[:8], spread


def _parabola_top(u: FloatArray, z: FloatArray) -> float:
    """Height at u = 0 of the least-squares parabola, u in mm, by normal equations: u does not pass CREST_MM."""
    columns = np.ones((u.size, 3))
    columns[:, 1] = u / CREST_MM
    columns[:, 2] = columns[:, 1] ** 2
    return float(np.linalg.solve(columns.T @ columns, z @ columns)[0])


def _cheapest_path(cost: FloatArray) -> np.ndarray[tuple[int, ...], np.dtype[np.int64]]:
    """Index per row of the path of least cost whose jumps are penalised (dynamic programming)."""
    steps = np.arange(cost.shape[1])
    jump = BEND_COST * (steps[:, None] - steps[None, :]) ** 2.0
    total, back = cost[0], np.zeros(cost.shape, np.int64)
    for row in range(1, len(cost)):
        choice = total[None, :] + jump
        back[row] = choice.argmin(axis=1)
        total = cost[row] + choice.min(axis=1)
    path = np.zeros(len(cost), np.int64)
    path[-1] = int(total.argmin())
    for row in range(len(cost) - 1, 0, -1):
        path[row - 1] = back[row, path[row]]
    return path
