"""The measured surface: radius about the trunk's axis on a grid of station and angle (DESIGN §5)."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline, RectBivariateSpline
from scipy.ndimage import distance_transform_edt

from shimwright.scan.raw import FloatArray

STATION_STEP_MM = 5.0
PHI_STEP_DEG = 1.25
PHI_MAX_DEG = 112.0
AXIS_DEPTH_MM = 250.0  # times (withers–croup / 800)


def phi_grid() -> FloatArray:
    """Angles of the grid in radians, 0 = up, + = left, shape (n_phi,)."""
    half = int(PHI_MAX_DEG // PHI_STEP_DEG)
    return np.asarray(np.radians(PHI_STEP_DEG * np.arange(-half, half + 1)))


@dataclass(frozen=True)
class Surface:
    """Radius about the trunk's axis. Back frame, mm.

    x_mm: (n_x,) ascending. phi: (n_phi,) radians ascending, 0 = up, + = left. axis_y_mm, axis_z_mm:
    (n_x,). radius_mm, sd_mm: (n_x, n_phi), NaN where nothing was seen. correlation_mm: over what distance the
    errors of the surface go together (Gaussian correlation, its standard deviation). drift_mm: that part of sd_mm which
    does so; the rest is scatter that goes together over some 20 mm only.
    """

    x_mm: FloatArray
    phi: FloatArray
    axis_y_mm: FloatArray
    axis_z_mm: FloatArray
    radius_mm: FloatArray
    sd_mm: FloatArray
    correlation_mm: float = 80.0
    drift_mm: float = 0.0

    def __post_init__(self) -> None:
        shape = (self.x_mm.size, self.phi.size)
        if self.radius_mm.shape != shape or self.sd_mm.shape != shape:
            raise ValueError(f"radius {self.radius_mm.shape} and sd {self.sd_mm.shape} must be {shape}")
        for array in (self.x_mm, self.phi, self.axis_y_mm, self.axis_z_mm, self.radius_mm, self.sd_mm):
            array.setflags(write=False)

    @cached_property
    def seen(self) -> NDArray[np.bool_]:
        """(n_x, n_phi): where the scan showed the horse."""
        return np.isfinite(self.radius_mm)

    @cached_property
    def _spline(self) -> RectBivariateSpline:
        nearest = distance_transform_edt(~self.seen, return_distances=False, return_indices=True)
        return RectBivariateSpline(self.x_mm, self.phi, self.radius_mm[tuple(nearest)], kx=3, ky=3, s=0)

    @cached_property
    def _axis(self) -> CubicSpline:
        return CubicSpline(self.x_mm, np.column_stack([self.axis_y_mm, self.axis_z_mm]))

    def radius(self, x: FloatArray, phi: FloatArray) -> FloatArray:
        """Radius at (x, phi), NaN where not seen. Shapes broadcast."""
        x, phi = np.broadcast_arrays(np.asarray(x, float), np.asarray(phi, float))
        return np.where(self.is_seen(x, phi), self._spline.ev(x, phi), np.nan)

    def is_seen(self, x: FloatArray, phi: FloatArray) -> NDArray[np.bool_]:
        """True where the nearest grid node was seen and (x, phi) lies on the grid."""
        i = np.rint((x - self.x_mm[0]) / (self.x_mm[1] - self.x_mm[0]))
        j = np.rint((phi - self.phi[0]) / (self.phi[1] - self.phi[0]))
        inside = np.isfinite(i) & np.isfinite(j) & (i >= 0) & (i < self.x_mm.size) & (j >= 0) & (j < self.phi.size)
        return np.asarray(inside & self.seen[np.where(inside, i, 0).astype(int), np.where(inside, j, 0).astype(int)])

    def sd(self, points: FloatArray) -> FloatArray:
        """Standard deviation of the surface along its normal at points (n, 3), mm; NaN where not seen."""
        x, phi, _ = self.polar(points)
        i = np.rint((np.nan_to_num(x) - self.x_mm[0]) / (self.x_mm[1] - self.x_mm[0]))
        j = np.rint((np.nan_to_num(phi) - self.phi[0]) / (self.phi[1] - self.phi[0]))
        i = np.clip(i, 0, self.x_mm.size - 1).astype(int)
        j = np.clip(j, 0, self.phi.size - 1).astype(int)
        return np.where(self.is_seen(x, phi), self.sd_mm[i, j], np.nan)

    def polar(self, points: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """(x, phi, distance from the axis) of points (n, 3)."""
        axis = self._axis(points[:, 0])
        dy, dz = points[:, 1] - axis[:, 0], points[:, 2] - axis[:, 1]
        return points[:, 0], np.arctan2(dy, dz), np.hypot(dy, dz)

    def point(self, x: FloatArray, phi: FloatArray) -> FloatArray:
        """Surface points (…, 3) at (x, phi), NaN where not seen."""
        x, phi = np.broadcast_arrays(np.asarray(x, float), np.asarray(phi, float))
        r, axis = self.radius(x, phi), self._axis(x)
        return np.stack([x, axis[..., 0] + r * np.sin(phi), axis[..., 1] + r * np.cos(phi)], axis=-1)

    def normal(self, x: FloatArray, phi: FloatArray) -> FloatArray:
        """Unit normals (…, 3) at (x, phi), pointing out of the horse."""
        x, phi = np.broadcast_arrays(np.asarray(x, float), np.asarray(phi, float))
        sin, cos = np.sin(phi), np.cos(phi)
        gradient = self._gradient(x, phi, self._spline.ev(x, phi), sin, cos)
        return np.asarray(gradient / np.linalg.norm(gradient, axis=-1, keepdims=True))

    def section(self, x: float) -> FloatArray:
        """Section at x: (n_phi, 2) points (y, z) from right to left, NaN rows where not seen."""
        return self.point(np.full(self.phi.size, x), self.phi)[:, 1:]

    def sections(self, x: FloatArray, phi: FloatArray) -> FloatArray:
        """Sections (n, m, 2) of points (y, z) at the stations x (n,) and angles phi (m,), ascending; NaN unseen."""
        radius = np.asarray(self._spline(x, phi), dtype=float)
        radius[~self.is_seen(*np.broadcast_arrays(x[:, None], phi[None, :]))] = np.nan
        axis = self._axis(x)
        return np.stack([axis[:, :1] + radius * np.sin(phi), axis[:, 1:] + radius * np.cos(phi)], axis=-1)

    def gap(self, points: FloatArray, directions: FloatArray) -> FloatArray:
        """Distance from points (n, 3) along unit directions (n, 3) to the surface, mm.

        Positive = daylight, negative = inside the horse, NaN where the foot is not seen.
        """
        from shimwright.scan.bicubic import foot_along  # compiled code loads only where gaps are asked for

        rays = (np.ascontiguousarray(points, dtype=float), np.ascontiguousarray(directions, dtype=float))
        t, off = foot_along(*rays, *self._patches)
        x, phi, _ = self.polar(points + t[:, None] * directions)
        return np.where((off < 1e-3) & self.is_seen(x, phi), t, np.nan)

    @cached_property
    def _patches(self) -> "tuple[FloatArray, FloatArray, FloatArray]":
        from shimwright.scan.bicubic import patches

        return patches(self.x_mm, self.phi, self._spline, self._axis)

    def _gradient(
        self, x: FloatArray, phi: FloatArray, rho: FloatArray, sin: FloatArray, cos: FloatArray
    ) -> FloatArray:
        """∇F of F = ρ(p) − R(x, φ(p)), (…, 3)."""
        r_x, r_phi = self._spline.ev(x, phi, dx=1), self._spline.ev(x, phi, dy=1)
        axis_x = self._axis(x, 1)
        phi_y, phi_z = cos / rho, -sin / rho
        f_y, f_z = sin - r_phi * phi_y, cos - r_phi * phi_z
        return np.stack([-r_x - f_y * axis_x[..., 0] - f_z * axis_x[..., 1], f_y, f_z], axis=-1)
