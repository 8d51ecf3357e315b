"""Invented backs with exact truth, for tests and the demo: the surface on its grid, and the `Back` that a faultless
scan of it would give.
"""

from functools import cache

import numpy as np
from scipy.interpolate import CubicSpline

from shimwright.scan.back import Back, Frame, Midline, Source
from shimwright.scan.build_back import build_back
from shimwright.scan.double_surface import DoubleSurface
from shimwright.scan.landmarks import Places
from shimwright.scan.quality import ScanSample
from shimwright.scan.raw import FloatArray
from shimwright.scan.surface import Surface, phi_grid
from shimwright.scan.synthetic_builds import BUILDS, mirrored, random_shape
from shimwright.scan.synthetic_scan import Dot, Pose, ply_bytes, scan_of, write_ply
from shimwright.scan.synthetic_shape import ARC_MM, HorseShape, landmarks, spine, surface_point, x_range_mm
from shimwright.scan.topline import ToplineFound
from shimwright.scan.trunk_cells import TrunkAxis, trunk_axis

__all__ = [
    "BUILDS",
    "Dot",
    "HorseShape",
    "Pose",
    "exact_surface",
    "mirrored",
    "ply_bytes",
    "random_shape",
    "scan_of",
    "surface_point",
    "true_back",
    "true_midline",
    "true_topline",
    "write_ply",
]

EXACT_SD_MM = 0.01
ARC_STEP_MM = 3.0  # of the samples through which a section is carried onto the grid


@cache
def exact_surface(shape: HorseShape) -> Surface:
    """The surface on the grid of every measured one; exact at the nodes to 1e-3 mm (a test), sd tiny."""
    axis = _axis(shape)
    phi = phi_grid()
    arc = np.linspace(-1.0, 1.0, 2 * round(ARC_MM / ARC_STEP_MM) + 1) * ARC_MM * shape.scale
    points = surface_point(shape, axis.x_mm[:, None], arc[None, :])
    dy, dz = points[..., 1] - axis.y_mm[:, None], points[..., 2] - axis.z_mm[:, None]
    angle, distance = np.arctan2(dy, dz), np.hypot(dy, dz)
    radius = np.stack([_radius(a, r, phi) for a, r in zip(angle, distance, strict=True)])
    sd = np.where(np.isfinite(radius), EXACT_SD_MM, np.nan)
    return Surface(axis.x_mm, phi, axis.y_mm, axis.z_mm, radius, sd)


def _axis(shape: HorseShape) -> TrunkAxis:
    rear, front = x_range_mm(shape)
    line = spine(shape, np.arange(rear, front + 1e-9, 5.0))
    x, y, z = line.T
    return trunk_axis(x, y, z, true_topline(shape).withers_x - true_topline(shape).croup_x)


def _radius(angle: FloatArray, distance: FloatArray, phi: FloatArray) -> FloatArray:
    """Distance from the axis at phi, NaN beyond the section's ends. The angle grows along the section."""
    if (np.diff(angle) <= 0).any():
        raise ValueError("the section is not seen as one line from its axis: no plausible back")
    inside = (phi >= angle[0]) & (phi <= angle[-1])
    return np.where(inside, CubicSpline(angle, distance)(phi), np.nan)


def true_topline(shape: HorseShape) -> ToplineFound:
    """Withers, low and croup in the back frame: withers at x = 0, z = 0."""
    found = landmarks(shape)
    return ToplineFound(
        withers_x=0.0,
        withers_z=0.0,
        withers_kind=found.withers_kind,
        withers_sd=found.withers_sd,
        croup_x=found.croup_x - found.withers_x,
        croup_z=found.croup_z - found.withers_z,
        croup_sd=found.croup_sd,
        low_x=found.low_x - found.withers_x,
        low_z=found.low_z - found.withers_z,
        low_sd=found.low_sd,
    )


def true_midline(shape: HorseShape) -> Midline:
    """The spine's line itself, every 5 mm."""
    rear, front = x_range_mm(shape)
    line = spine(shape, np.arange(5.0 * np.ceil(rear / 5.0), front, 5.0))
    sd = np.full(len(line), EXACT_SD_MM)
    return Midline(line[:, 0], line[:, 1], line[:, 2], sd, sd)


def true_back(shape: HorseShape, horse: str | None = None) -> Back:
    """The exact surface through the same measures as a scan, gravity known, nothing marked."""
    forward, left, up = np.eye(3)
    frame = Frame(np.zeros(3), forward, left, up, 1.0, "told", "told", "told", False, 0.0, 0.0, 0.0)
    sample = ScanSample(1_000_000, 1.0, 0.0, DoubleSurface(np.nan, np.nan, np.nan))
    source = Source("invented", "", None, horse, {})
    return build_back(exact_surface(shape), true_midline(shape), frame, Places(true_topline(shape)), sample, source)
