"""Points sorted into the cells of the grid about the trunk (DESIGN §5)."""

from dataclasses import dataclass

import numba
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import distance_transform_edt, gaussian_filter1d

from shimwright.scan.raw import FloatArray
from shimwright.scan.surface import AXIS_DEPTH_MM, PHI_STEP_DEG, STATION_STEP_MM, phi_grid


@dataclass(frozen=True)
class TrunkAxis:
    """The line about which the surface is measured. Back frame, mm: x ascending (n_x,), y and z (n_x,)."""

    x_mm: FloatArray
    y_mm: FloatArray
    z_mm: FloatArray


def trunk_axis(x_mm: FloatArray, spine_y_mm: FloatArray, spine_z_mm: FloatArray, withers_croup_mm: float) -> TrunkAxis:
    """Axis below the smoothed spine line (DESIGN §5) on the station grid.

    x_mm, spine_y_mm, spine_z_mm: (n,) ascending; withers_croup_mm: NaN takes 800.
    """
    length = withers_croup_mm if np.isfinite(withers_croup_mm) else 800.0
    first, last = np.ceil(x_mm[0] / STATION_STEP_MM), np.floor(x_mm[-1] / STATION_STEP_MM)
    x = STATION_STEP_MM * np.arange(first, last + 1)
    smooth = 60.0 / STATION_STEP_MM
    y = gaussian_filter1d(np.interp(x, x_mm, spine_y_mm), smooth, mode="nearest")
    z = gaussian_filter1d(np.interp(x, x_mm, spine_z_mm), smooth, mode="nearest")
    return TrunkAxis(x, y, z - AXIS_DEPTH_MM * length / 800.0)


@dataclass(frozen=True)
class Cells:
    """Points in grid coordinates: u, v (n,) in cells from the first node, r (n,) mm, on a grid (n_x, n_phi)."""

    u: NDArray[np.float32]
    v: NDArray[np.float32]
    r: NDArray[np.float32]
    shape: tuple[int, int]

    @property
    def parts(self) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]:
        return self.u, self.v, self.r

    def thinned(self, most: int) -> "Cells":
        """Every so many-th point, `most` at most."""
        step = -(-len(self.u) // most)
        return self if step <= 1 else Cells(self.u[::step], self.v[::step], self.r[::step], self.shape)

    @staticmethod
    def of(points_mm: FloatArray, normals: FloatArray | None, axis: TrunkAxis) -> "Cells":
        """Of points (n, 3) in the back frame; those whose normals (n, 3) face the axis are left out."""
        return Cells.posed(
            points_mm, (np.zeros(3), np.eye(3)), normals, np.arange(len(points_mm), dtype=np.int32), axis
        )

    @staticmethod
    def posed(
        points: FloatArray,
        pose: tuple[FloatArray, FloatArray],
        normals: FloatArray | None,
        normal_of_point: NDArray[np.int32],
        axis: TrunkAxis,
    ) -> "Cells":
        """Of points (n, 3) that rows @ (point − origin) brings into the back frame, pose = (origin, rows).

        One pass without a copy of millions of points. normals: (k, 3), in the points' own coordinates;
        normal_of_point: (n,) into them.
        """
        phi, (origin, rows) = phi_grid(), pose
        facing = np.zeros((0, 3)) if normals is None else normals @ rows.T
        line = np.column_stack([axis.y_mm, axis.z_mm])
        u, v, r = _to_cells(points, origin, rows, facing, normal_of_point, axis.x_mm[0], line, phi[0], phi.size)
        return Cells(u, v, r, (axis.x_mm.size, phi.size))


@numba.njit(cache=True)
def _to_cells(points, origin, rows, normals, normal_of_point, x0, axis, phi0, n_phi):  # type: ignore[no-untyped-def]
    """(u, v, r) of the points on the grid; u, v and r end up in single precision, so the angle needs no more."""
    n, n_x = points.shape[0], axis.shape[0]
    u, v, r = np.empty(n, np.float32), np.empty(n, np.float32), np.empty(n, np.float32)
    step = np.radians(PHI_STEP_DEG)
    kept = 0
    for k in range(n):
        a, b, c = points[k, 0] - origin[0], points[k, 1] - origin[1], points[k, 2] - origin[2]
        at = (rows[0, 0] * a + rows[0, 1] * b + rows[0, 2] * c - x0) / STATION_STEP_MM
        if not -0.5 < at < n_x - 0.5:
            continue
        i = min(max(int(at), 0), n_x - 2)
        part = min(max(at - i, 0.0), 1.0)
        dy = rows[1, 0] * a + rows[1, 1] * b + rows[1, 2] * c - (axis[i, 0] + part * (axis[i + 1, 0] - axis[i, 0]))
        dz = rows[2, 0] * a + rows[2, 1] * b + rows[2, 2] * c - (axis[i, 1] + part * (axis[i + 1, 1] - axis[i, 1]))
        if normals.size:
            m = normal_of_point[k]
            if normals[m, 1] * dy + normals[m, 2] * dz < 0.0:
                continue
        angle = (np.arctan2(np.float32(dy), np.float32(dz)) - phi0) / step
        if -0.5 < angle < n_phi - 0.5:
            u[kept], v[kept], r[kept] = at, angle, np.sqrt(dy * dy + dz * dz)
            kept += 1
    return u[:kept], v[:kept], r[:kept]


@numba.njit(cache=True)
def gather(u, v, r, surface, reach):  # type: ignore[no-untyped-def]
    """Per cell: count, mean and mean square of the points' distance from `surface` (bicubic), within `reach`."""
    n_x, n_phi = surface.shape
    count = np.zeros((n_x, n_phi))
    total, square = np.zeros((n_x, n_phi)), np.zeros((n_x, n_phi))
    wu, wv = np.empty(4), np.empty(4)
    for k in range(u.size):
        i, j = int(np.floor(u[k])), int(np.floor(v[k]))
        a, b = u[k] - i, v[k] - j
        _cubic_weights(a, wu)
        _cubic_weights(b, wv)
        height = 0.0
        for p in range(4):
            row = min(max(i - 1 + p, 0), n_x - 1)
            for q in range(4):
                height += wu[p] * wv[q] * surface[row, min(max(j - 1 + q, 0), n_phi - 1)]
        ci, cj = int(np.floor(u[k] + 0.5)), int(np.floor(v[k] + 0.5))
        e = r[k] - height
        if abs(e) <= reach[ci, cj]:  # False for NaN as well
            count[ci, cj] += 1.0
            total[ci, cj] += e
            square[ci, cj] += e * e
    for i in range(n_x):
        for j in range(n_phi):
            if count[i, j] > 0.0:
                total[i, j] /= count[i, j]
                square[i, j] /= count[i, j]
    return count, total, square


@numba.njit(cache=True)
def _cubic_weights(t, out):  # type: ignore[no-untyped-def]
    """Catmull–Rom weights of the four nodes about a point at share t between the middle two."""
    out[0] = 0.5 * t * (t * (2.0 - t) - 1.0)
    out[1] = 0.5 * (t * t * (3.0 * t - 5.0) + 2.0)
    out[2] = 0.5 * t * (t * (4.0 - 3.0 * t) + 1.0)
    out[3] = 0.5 * t * t * (t - 1.0)


@numba.njit(cache=True)
def distances(u, v, r, surface):  # type: ignore[no-untyped-def]
    """(n,) radial distance of the points outside `surface` (n_x, n_phi), bicubic; NaN where it is not known."""
    n_x, n_phi = surface.shape
    wu, wv, out = np.empty(4), np.empty(4), np.empty(u.size)
    for k in range(u.size):
        i, j = int(np.floor(u[k])), int(np.floor(v[k]))
        _cubic_weights(u[k] - i, wu)
        _cubic_weights(v[k] - j, wv)
        height = 0.0
        for p in range(4):
            row = min(max(i - 1 + p, 0), n_x - 1)
            for q in range(4):
                height += wu[p] * wv[q] * surface[row, min(max(j - 1 + q, 0), n_phi - 1)]
        out[k] = r[k] - height
    return out


def filled(radius: FloatArray) -> FloatArray:
    """NaN replaced by the nearest seen value."""
    missing = ~np.isfinite(radius)
    if not missing.any():
        return radius
    nearest = distance_transform_edt(missing, return_distances=False, return_indices=True)
    out: FloatArray = radius[tuple(nearest)]
    return out
