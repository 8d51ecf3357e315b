"""From points to the measured surface: robust binning, then local quadratic regression with its own bandwidth.

Every node tries four bandwidths and keeps the widest that its narrower ones do not contradict (intersection of
confidence intervals: Goldenshluger and Nemirovski 1997, Math Methods Statist 6:135–170, from memory), so a flank
is smoothed widely and a narrow withers keeps its ridge.
"""

import numba
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_closing, binary_dilation, gaussian_filter, uniform_filter

from shimwright.scan.drift import drift_mm
from shimwright.scan.raw import FloatArray
from shimwright.scan.surface import PHI_STEP_DEG, STATION_STEP_MM, Surface, phi_grid
from shimwright.scan.trunk_cells import Cells, TrunkAxis, filled, gather

BANDWIDTHS_CELLS = ((1.2, 1.2), (2.0, 1.7), (3.4, 2.6), (6.0, 4.0))  # (along x, around), in grid cells
ROUGH_CELLS = (3.0, 2.4)
CONTRADICTION = 1.0  # half-width of the confidence intervals, in sd: a sharp ridge must not be pared down
FACE_SCATTER = np.sqrt(2.0)  # vertices over samples of faces: a point in a triangle means three, variance 1/2
REJECT_SD = 4.0
FLOOR_MM = 0.05  # what no scan is better than
FIRST_FIT_POINTS = 300_000  # enough to judge single points by
NEAR_MM = 40.0  # points farther from the rough surface than this belong to something else


def fit_surface(cells: Cells, axis: TrunkAxis, share: float = 1.0, scanner: str | None = None) -> Surface:
    """The surface through points sorted into the cells about `axis`, with an honest sd.

    share: independent measurements per point (below 1 where a mesh was sampled more finely than it was measured).
    scanner: what made the scan, if told (told.SCANNERS).
    Radius and sd are NaN where nothing was seen; gaps of a grid cell or two are bridged, wider ones stay open.
    """
    few = cells.thinned(FIRST_FIT_POINTS)
    start = _first_fit(few, _median_surface(few))
    noise = _noise(few, start)
    count, centre, square = gather(*cells.parts, start, np.maximum(REJECT_SD * noise, 4.0 * FLOOR_MM))
    seen = _seen(count)
    noise = _local_noise(count, square, noise) * (FACE_SCATTER if share < 1.0 else 1.0)
    data = np.where(count > 0, start + centre, 0.0)
    fits = [_local_quadratic(count, data, width) for width in BANDWIDTHS_CELLS]
    radius, spread = _widest_agreeing(fits, noise / np.sqrt(share))
    seen &= np.isfinite(radius)
    radius = np.where(seen, radius, np.nan)
    area = _area_per_point(radius, count * share)
    drift = _drift(fits[1][0], seen, noise, area, scanner)
    facets = _facets(radius, area) if share < 1.0 else 0.0
    sd = np.hypot(_along_normal(radius, axis) * np.hypot(spread, FLOOR_MM), np.hypot(drift, facets))
    sd = np.where(seen, sd, np.nan)
    return Surface(axis.x_mm, phi_grid(), axis.y_mm, axis.z_mm, radius, sd, drift_mm=drift)


def _drift(
    radius: FloatArray, seen: NDArray[np.bool_], noise: FloatArray, area: FloatArray, scanner: str | None
) -> float:
    if not seen.any():
        return 0.0
    return drift_mm(radius, seen, float(np.median(noise[seen])), float(np.sqrt(np.median(area[seen]))), scanner)


@numba.njit(cache=True)
def _window_median(mean, count, half):  # type: ignore[no-untyped-def]
    """Median of the seen cell means within ± half cells; NaN where none is seen. Kept sorted while they are read."""
    n_x, n_phi = mean.shape
    out = np.full((n_x, n_phi), np.nan)
    held = np.empty((2 * half + 1) ** 2)
    for i in range(n_x):
        for j in range(n_phi):
            n = 0
            for p in range(max(i - half, 0), min(i + half + 1, n_x)):
                for q in range(max(j - half, 0), min(j + half + 1, n_phi)):
                    if count[p, q] > 0.0:
                        value, at = mean[p, q], n
                        while at > 0 and held[at - 1] > value:
                            held[at] = held[at - 1]
                            at -= 1
                        held[at] = value
                        n += 1
            if n > 0:
                out[i, j] = 0.5 * (held[(n - 1) // 2] + held[n // 2])
    return out


def rough_surface(cells: Cells, axis: TrunkAxis) -> Surface:
    """A quick look with one bandwidth: good to find midline and withers by, its sd only a guess."""
    start = _median_surface(cells)
    count, mean, square = gather(*cells.parts, start, np.full(cells.shape, NEAR_MM))
    value, _ = _local_quadratic(count, np.where(count > 0, start + mean, 0.0), ROUGH_CELLS)
    seen = _seen(count) & np.isfinite(value)
    guess = np.sqrt(float(np.median(square[count > 0]))) if (count > 0).any() else np.nan
    radius = np.where(seen, value, np.nan)
    return Surface(axis.x_mm, phi_grid(), axis.y_mm, axis.z_mm, radius, np.where(seen, guess, np.nan))


def _median_surface(cells: Cells) -> FloatArray:
    """A surface that stray points cannot pull, filled everywhere by the nearest value."""
    flat = np.zeros(cells.shape)
    count, mean, _ = gather(*cells.parts, flat, np.full(cells.shape, np.inf))
    if not (count > 0).any():
        return np.full(cells.shape, np.nan)
    median: FloatArray = _window_median(mean, count, 2)
    return filled(median)


def _first_fit(cells: Cells, rough: FloatArray) -> FloatArray:
    """A narrow smooth surface against which single points are judged."""
    reach = np.full(cells.shape, NEAR_MM)
    surface = rough
    for width in ((2.4, 2.4), (1.6, 1.6)):
        count, mean, square = gather(*cells.parts, surface, reach)
        value, _ = _local_quadratic(count, np.where(count > 0, surface + mean, 0.0), width)
        surface = filled(np.where(np.isfinite(value) & binary_dilation(count > 0, iterations=2), value, surface))
        spread = np.sqrt(max(float(np.median(square[count > 0])), 0.0)) if (count > 0).any() else 0.0
        reach = np.full(cells.shape, min(NEAR_MM, max(6.0 * spread, 4.0)))
    return surface


def _noise(cells: Cells, surface: FloatArray) -> FloatArray:
    """(n_x, n_phi) rough point noise about the first fit, mm."""
    count, _, square = gather(*cells.parts, surface, np.full(cells.shape, NEAR_MM))
    seen = count > 0
    if not seen.any():
        return np.full(cells.shape, FLOOR_MM)
    overall = float(np.sqrt(np.median(square[seen])))
    weight = gaussian_filter(count, 6.0)
    near = np.sqrt(
        gaussian_filter(count * np.minimum(square, (4.0 * overall) ** 2 + 1e-6), 6.0) / np.maximum(weight, 1e-9)
    )
    return np.maximum(np.where(weight > 1e-6, near, overall), FLOOR_MM)


def _local_noise(count: FloatArray, square: FloatArray, before: FloatArray) -> FloatArray:
    """Noise of single points after outliers were dropped, mm, smoothed over about 60 mm."""
    weight = gaussian_filter(count, 6.0)
    near = np.sqrt(gaussian_filter(count * square, 6.0) / np.maximum(weight, 1e-9))
    return np.maximum(np.where(weight > 1e-6, near, before), FLOOR_MM)


def _seen(count: FloatArray) -> NDArray[np.bool_]:
    """Cells with points, and the gaps between them no wider than the point spacing explains."""
    full = count > 0
    if not full.any():
        return full
    near = uniform_filter(full.astype(float), 5)
    density = float(np.median(near[full]))
    reach = 1 if density > 0.9 else 2 if density > 0.35 else 3
    pad = np.pad(full, reach)
    disk = np.hypot(*np.mgrid[-reach : reach + 1, -reach : reach + 1]) <= reach + 0.5
    closed = binary_closing(pad, disk)[reach:-reach, reach:-reach]
    return np.asarray(closed, dtype=np.bool_)


def _local_quadratic(weight: FloatArray, data: FloatArray, width: tuple[float, float]) -> tuple[FloatArray, FloatArray]:
    """(value, gain) at every node: local quadratic regression with a Gaussian kernel of `width` cells.

    gain is the factor from the sd of one point to the sd of the value; NaN where too little is in reach.
    """
    along, around = _kernels(width[0]), _kernels(width[1])
    moments, right = np.empty((len(_POWERS), *data.shape)), np.empty((len(_BASIS), *data.shape))
    beyond = around.shape[1] // 2  # zeros at both ends of a row, so that the inner loop has no special cases
    rows = np.zeros((5, data.shape[0], data.shape[1] + 2 * beyond))
    _along_x(weight, along, rows)
    _around(rows, around, np.array(list(_POWERS)), moments)
    _along_x(weight * data, along[:3], rows)
    _around(rows, around, np.array(_BASIS), right)
    squared = np.empty((1, *data.shape))
    _along_x(weight, along[:1] ** 2, rows)
    _around(rows, around**2, np.zeros((1, 2), np.int64), squared)
    value, gain = _solve_moments(moments, right, squared[0], _LOOKUP)
    return value, gain


_BASIS = ((0, 0), (1, 0), (0, 1), (2, 0), (1, 1), (0, 2))
_POWERS = {pair: k for k, pair in enumerate((a, b) for a in range(5) for b in range(5 - a))}
_LOOKUP = np.array([[_POWERS[(a + c, b + d)] for c, d in _BASIS] for a, b in _BASIS])


def _kernels(width: float) -> FloatArray:
    """(5, 2 reach + 1): d^power · exp(−d²/2), d in widths, out to 3.2 widths."""
    reach = int(3.2 * width)
    d = np.arange(-reach, reach + 1) / width
    return np.asarray(d[None, :] ** np.arange(5)[:, None] * np.exp(-0.5 * d * d))


@numba.njit(cache=True, fastmath=True)
def _along_x(data, kernels, out):  # type: ignore[no-untyped-def]
    """out[power] = correlation of data (n_x, n_phi) with kernels[power] along x, in the middle of out's longer rows."""
    n_x, n_phi = data.shape
    reach, beyond = kernels.shape[1] // 2, (out.shape[2] - n_phi) // 2
    for power in range(kernels.shape[0]):
        for i in range(n_x):
            row = out[power, i, beyond : beyond + n_phi]
            row[:] = 0.0
            for p in range(max(i - reach, 0), min(i + reach + 1, n_x)):
                k = kernels[power, p - i + reach]
                for j in range(n_phi):
                    row[j] += k * data[p, j]


@numba.njit(cache=True, fastmath=True)
def _around(rows, kernels, powers, out):  # type: ignore[no-untyped-def]
    """out[m] = correlation of rows[a], half a kernel longer at both ends, with kernels[b], (a, b) = powers[m]."""
    _, n_x, n_phi = out.shape
    for m in range(powers.shape[0]):
        a, b = powers[m]
        for i in range(n_x):
            row, sums = rows[a, i], out[m, i]
            sums[:] = 0.0
            for d in range(kernels.shape[1]):
                k = kernels[b, d]
                for j in range(n_phi):
                    sums[j] += k * row[j + d]


@numba.njit(cache=True)
def _solve_moments(moments, right, squared, lookup):  # type: ignore[no-untyped-def]
    """Cholesky of the 6 × 6 normal equations at every node."""
    n_x, n_phi = squared.shape
    value, gain = np.full((n_x, n_phi), np.nan), np.full((n_x, n_phi), np.nan)
    low, y, e = np.empty((6, 6)), np.empty(6), np.empty(6)
    for i in range(n_x):
        for j in range(n_phi):
            total = moments[0, i, j]
            if total <= 0.0 or total * total / max(squared[i, j], 1e-300) < 8.0:
                continue
            good = True
            for p in range(6):
                for q in range(p + 1):
                    s = moments[lookup[p, q], i, j] / total
                    for m in range(q):
                        s -= low[p, m] * low[q, m]
                    if p == q:
                        if s < 2e-3:
                            good = False
                            break
                        low[p, p] = np.sqrt(s)
                    else:
                        low[p, q] = s / low[q, q]
                if not good:
                    break
            if not good:
                continue
            for p in range(6):
                s, t = right[p, i, j] / total, 1.0 if p == 0 else 0.0
                for m in range(p):
                    s -= low[p, m] * y[m]
                    t -= low[p, m] * e[m]
                y[p], e[p] = s / low[p, p], t / low[p, p]
            s, t = 0.0, 0.0
            for p in range(6):
                s += y[p] * e[p]
                t += e[p] * e[p]
            value[i, j] = s
            gain[i, j] = np.sqrt(0.5 * t / total)
    return value, gain


def _widest_agreeing(fits: list[tuple[FloatArray, FloatArray]], noise: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Per node the estimate of the widest bandwidth whose interval still meets all narrower ones, and its sd."""
    low, high = np.full(noise.shape, -np.inf), np.full(noise.shape, np.inf)
    value, spread = np.full(noise.shape, np.nan), np.full(noise.shape, np.nan)
    open_ = np.ones(noise.shape, dtype=bool)
    for radius, gain in fits:
        sd = noise * gain
        known = np.isfinite(radius)
        low = np.where(known, np.maximum(low, radius - CONTRADICTION * sd), low)
        high = np.where(known, np.minimum(high, radius + CONTRADICTION * sd), high)
        open_ &= (low <= high) | ~known
        take = known & (open_ | ~np.isfinite(value))
        step = np.where(np.isfinite(value), 0.5 * np.abs(radius - value), 0.0)
        spread = np.where(take, np.hypot(sd, np.minimum(step, sd)), spread)
        value = np.where(take, radius, value)
    return value, spread


def _along_normal(radius: FloatArray, axis: TrunkAxis) -> FloatArray:
    """Share of a radial error that stands square to the surface, (n_x, n_phi)."""
    full = filled(radius) if np.isfinite(radius).any() else np.ones_like(radius)
    smooth = gaussian_filter(full, 1.0)
    along, around = np.gradient(smooth, STATION_STEP_MM, np.radians(PHI_STEP_DEG))
    sin, cos = np.sin(phi_grid()), np.cos(phi_grid())
    y_x, z_x = np.gradient(axis.y_mm, axis.x_mm), np.gradient(axis.z_mm, axis.x_mm)
    bend = along + np.outer(y_x, sin) + np.outer(z_x, cos)
    return np.asarray(1.0 / np.sqrt(1.0 + bend**2 + (around / smooth) ** 2))


def _area_per_point(radius: FloatArray, points: FloatArray) -> FloatArray:
    """(n_x, n_phi) mm² of surface to each measured point, over about 60 mm."""
    cell = STATION_STEP_MM * np.radians(PHI_STEP_DEG) * filled(radius)
    return np.asarray(cell / np.maximum(gaussian_filter(points, 6.0), 1e-3))


def _facets(radius: FloatArray, area: FloatArray) -> FloatArray:
    """How far a mesh's flat facets lie inside the surface around the trunk: bend · edge² / 12, a chord's mean sag."""
    r = gaussian_filter(filled(radius), 1.0)
    step = np.radians(PHI_STEP_DEG)
    first, second = np.gradient(r, step, axis=1), np.gradient(np.gradient(r, step, axis=1), step, axis=1)
    bend = np.abs(r**2 + 2.0 * first**2 - r * second) / (r**2 + first**2) ** 1.5
    return np.asarray(bend * area / 12.0)
