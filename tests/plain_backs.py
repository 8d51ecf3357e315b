"""Backs given by a formula, for tests of contact: z(x, y) in the back frame, nothing measured but the surface and
the spine.
"""

from collections.abc import Callable

import numpy as np

from shimwright.optimize.saddle import Saddle
from shimwright.optimize.underside import Panels
from shimwright.scan.back import STATIONS_MM, Back, Build, Frame, Landmark, Midline, Quality, Source, Stations
from shimwright.scan.raw import FloatArray
from shimwright.scan.surface import STATION_STEP_MM, Surface, phi_grid

Height = Callable[[FloatArray, FloatArray], FloatArray]


def back_of(height: Height, front_mm: float = 150.0, rear_mm: float = -750.0, shoulder_mm: float = -40.0) -> Back:
    """height(x, y) must fall to the sides. The axis lies 250 mm under the spine."""
    x = np.arange(rear_mm, front_mm + 1e-9, STATION_STEP_MM)
    phi = phi_grid()
    axis_z = height(x, np.zeros_like(x)) - 250.0
    radius = _radius(height, x, phi, axis_z)
    surface = Surface(x, phi, np.zeros_like(x), axis_z, radius, np.full(radius.shape, 0.5))
    spine = Midline(x, np.zeros_like(x), height(x, np.zeros_like(x)), np.full(x.size, 1.0), np.full(x.size, 0.5))
    marks = tuple(
        Landmark(f"shoulder_{side}", np.array([shoulder_mm, y, float(height(np.array(shoulder_mm), np.array(y)))]),
                 "marked", "mark", 3.0)
        for side, y in (("left", 100.0), ("right", -100.0))
    )  # fmt: skip
    return Back(
        Source("formula", "", None, None, {}), _frame(), surface, spine, marks, _no_stations(), _no_build(), _quality()
    )


def _radius(height: Height, x: FloatArray, phi: FloatArray, axis_z: FloatArray) -> FloatArray:
    x, phi = np.meshgrid(x, phi, indexing="ij")
    low, high = np.zeros_like(x), np.full_like(x, 600.0)
    for _ in range(60):
        middle = (low + high) / 2
        below = axis_z[:, None] + middle * np.cos(phi) < height(x, middle * np.sin(phi))
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return (low + high) / 2


def _frame() -> Frame:
    return Frame(
        np.zeros(3), np.array([1.0, 0, 0]), np.array([0, 1.0, 0]), np.array([0, 0, 1.0]), 1.0,
        "told", "told", "told", False, 0.0, 0.0, 0.0,
    )  # fmt: skip


def _no_stations() -> Stations:
    nan = np.full
    return Stations(
        STATIONS_MM, nan((13, 2), np.nan), nan((13, 2), np.nan), nan((13, 4, 2), np.nan), nan((13, 4, 2), np.nan),
        nan(13, np.nan), nan(13, np.nan), np.ones(13), tuple(np.zeros((0, 2)) for _ in range(13)),
    )  # fmt: skip


def _no_build() -> Build:
    none = (np.nan, np.nan)
    return Build(np.nan, np.nan, np.nan, np.nan, np.nan, none, none, none, ())


def _quality() -> Quality:
    return Quality("good", 0, 5.0, 0.3, 1.0, np.nan, np.nan, np.nan, ())


def fitted_height(saddle: Saddle, front_x_mm: float, spine_mm: float = 32.0) -> Height:
    """The back that this saddle's panels (reference arch, no crown, no rounded edges) lie on everywhere, rounded at
    the spine.
    """
    panels = Panels(saddle, None)

    def height(x: FloatArray, y: FloatArray) -> FloatArray:
        s = np.clip((front_x_mm - np.asarray(x, float)) / saddle.length_mm, 0.0, 1.0)
        lateral, z = panels._centre(s, 1)
        out = np.abs(y)
        out = np.where(out > spine_mm, out, (out**2 + spine_mm**2) / (2 * spine_mm))
        return z - (out - lateral) * np.tan(panels.angle_rad(s, 1))

    return height
