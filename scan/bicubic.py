"""The surface's cubic spline as Hermite patches, compiled: radius with its slopes, and the foot of a ray on it.

Inside a cell a bicubic spline is the one polynomial with its own values, slopes and twist at the four corners, so
nothing is approximated here; it is only quicker than three spline evaluations a step.
"""

import numpy as np
from numba import njit
from scipy.interpolate import CubicSpline, RectBivariateSpline

from shimwright.scan.raw import FloatArray

Patches = tuple[FloatArray, FloatArray, FloatArray]
STEPS = 12
LONGEST_STEP_MM = 80.0
FLATTEST = 0.05  # of the slope along the ray: a ray that grazes takes short steps


def patches(x: FloatArray, phi: FloatArray, radius: RectBivariateSpline, axis: CubicSpline) -> Patches:
    """(grid, corners, axis) as `foot_along` reads them.

    grid (4,): first and step of x and of phi. corners (n_x, n_phi, 4): r, r_x, r_phi, r_xphi.
    axis (n_x, 4): y, z, y_x, z_x.
    """
    corners = [radius(x, phi, dx=dx, dy=dy, grid=True) for dx, dy in ((0, 0), (1, 0), (0, 1), (1, 1))]
    line = np.column_stack([axis(x), axis(x, 1)])
    grid = np.array([x[0], (x[-1] - x[0]) / (x.size - 1), phi[0], (phi[-1] - phi[0]) / (phi.size - 1)])
    return grid, np.ascontiguousarray(np.stack(corners, axis=-1)), line


@njit(cache=True)
def _basis(u, step, value, slope):
    """Fill the four cubic Hermite functions of u in 0–1 (value and slope at both ends) and their derivatives."""
    value[0], value[1] = (1 + 2 * u) * (1 - u) ** 2, u * (1 - u) ** 2 * step
    value[2], value[3] = u * u * (3 - 2 * u), u * u * (u - 1) * step
    slope[0], slope[1] = 6 * u * (u - 1) / step, (1 - u) * (1 - 3 * u)
    slope[2], slope[3] = -6 * u * (u - 1) / step, u * (3 * u - 2)


@njit(cache=True)
def foot_along(points, directions, grid, corners, axis):
    """Distance t (n,) along each ray to the surface, and how far its foot stays off it (n,), mm.

    Newton on F = distance from the axis − radius, which is 0 on the surface.
    """
    n, (n_x, n_phi, _) = len(points), corners.shape
    t, off = np.zeros(n), np.full(n, np.inf)
    bx, sx, bp, sp = np.zeros(4), np.zeros(4), np.zeros(4), np.zeros(4)
    for k in range(n):
        for step_number in range(STEPS + 1):
            x = points[k, 0] + t[k] * directions[k, 0]
            y = points[k, 1] + t[k] * directions[k, 1]
            z = points[k, 2] + t[k] * directions[k, 2]
            i = min(max(int((x - grid[0]) / grid[1]), 0), n_x - 2)
            _basis((x - grid[0]) / grid[1] - i, grid[1], bx, sx)
            ay, az, ay_x, az_x = 0.0, 0.0, 0.0, 0.0
            for end in range(2):
                ay += bx[2 * end] * axis[i + end, 0] + bx[2 * end + 1] * axis[i + end, 2]
                az += bx[2 * end] * axis[i + end, 1] + bx[2 * end + 1] * axis[i + end, 3]
                ay_x += sx[2 * end] * axis[i + end, 0] + sx[2 * end + 1] * axis[i + end, 2]
                az_x += sx[2 * end] * axis[i + end, 1] + sx[2 * end + 1] * axis[i + end, 3]
            rho, phi = np.hypot(y - ay, z - az), np.arctan2(y - ay, z - az)
            # off the grid the edge's radius is carried on
            u = min(max((x - grid[0]) / grid[1], 0.0), n_x - 1.0) - i
            _basis(u, grid[1], bx, sx)
            v = min(max((phi - grid[2]) / grid[3], 0.0), n_phi - 1.0)
            j = min(int(v), n_phi - 2)
            _basis(v - j, grid[3], bp, sp)
            r, r_x, r_phi = 0.0, 0.0, 0.0
            for a in range(2):
                for b in range(2):
                    for kx in range(2):
                        for kp in range(2):
                            c = corners[i + a, j + b, kx + 2 * kp]
                            r += bx[2 * a + kx] * bp[2 * b + kp] * c
                            r_x += sx[2 * a + kx] * bp[2 * b + kp] * c
                            r_phi += bx[2 * a + kx] * sp[2 * b + kp] * c
            miss = rho - r
            off[k] = abs(miss)
            if not off[k] >= 1e-9 or step_number == STEPS:
                break
            sin, cos = (y - ay) / rho, (z - az) / rho
            f_y, f_z = sin - r_phi * cos / rho, cos + r_phi * sin / rho
            f_x = -r_x - f_y * ay_x - f_z * az_x
            slope = f_x * directions[k, 0] + f_y * directions[k, 1] + f_z * directions[k, 2]
            if abs(slope) < FLATTEST:
                slope = -FLATTEST
            t[k] -= min(max(miss / slope, -LONGEST_STEP_MM), LONGEST_STEP_MM)
    return t, off
