"""The surface in its final frame: a first look finds midline and withers, then everything is fitted about them."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from shimwright.scan.back import Frame, Midline
from shimwright.scan.build_back import moved_frame, shifted_midline, shifted_surface
from shimwright.scan.fit_surface import fit_surface, rough_surface
from shimwright.scan.midline import find_midline, trunk_line
from shimwright.scan.quantile import quantile
from shimwright.scan.raw import FloatArray
from shimwright.scan.refusal import InputRefused
from shimwright.scan.surface import Surface
from shimwright.scan.topline import KNEE_SD_MM, ToplineFound, topline_landmarks
from shimwright.scan.trunk_cells import Cells, TrunkAxis, trunk_axis

FIRST_LOOK_POINTS = 150_000
FIRST_LOOKS = 2  # the second has its sections square to the spine; not needed
SQUARE_ENOUGH = np.cos(np.radians(0.7))  # where the first turned the frame by less than this
FRONT_MM, BEHIND_CROUP_MM = 250.0, 250.0  # how far the surface goes on past withers and croup
SLAB_MM = 20.0
SPINE_WIDTH_MM = 150.0
LEAST_SPINE = 10  # midline points: 100 mm


@dataclass(frozen=True)
class Points:
    """Points (n, 3) and the outward normals (k, 3) of their cells, scan units and axes, not yet un-mirrored.

    cell_of_point: (n,) into the normals. independent: share of the points that was measured on its own.
    scanner: what made the scan, if told.
    """

    points: FloatArray
    normals: FloatArray
    cell_of_point: NDArray[np.int32]
    independent: float = 1.0
    scanner: str | None = None

    def cells(self, frame: Frame, axis: TrunkAxis) -> Cells:
        return Cells.posed(self.points, frame.from_scan, self.normals, self.cell_of_point, axis)

    def thinned(self, most: int) -> "Points":
        step = max(len(self.points) // most, 1)
        if step == 1:
            return self
        return replace(self, points=self.points[::step].copy(), cell_of_point=self.cell_of_point[::step].copy())


@dataclass(frozen=True)
class Settled:
    """Surface, midline and topline landmarks in the frame whose origin is the midline point at the withers.

    cells: the points that the surface was fitted to, on its grid.
    """

    surface: Surface
    cells: Cells
    midline: Midline
    frame: Frame
    topline: ToplineFound


def settle(points: Points, frame: Frame, withers_scan: FloatArray | None) -> Settled:
    """Find midline and withers in a rough frame, put the frame there, and fit again.

    withers_scan: (3,) a marked withers, scan coordinates, or None. Refuses where no spine can be followed.
    """
    few = points.thinned(FIRST_LOOK_POINTS)
    axis = trunk_axis(*_rough_spine(frame.to_back(few.points)), np.nan)
    for _ in range(FIRST_LOOKS):
        before = frame.forward_scan
        surface = rough_surface(few.cells(frame, axis), axis)
        frame, axis = _about_withers(_look(surface, frame, withers_scan))
        if frame.forward_scan @ before > SQUARE_ENOUGH:
            break
    cells = points.cells(frame, axis)
    return _centred(_look(fit_surface(cells, axis, points.independent, points.scanner), frame, withers_scan), cells)


@dataclass(frozen=True)
class _Look:
    """Surface, midline and topline landmarks in one frame, wherever its origin lies."""

    frame: Frame
    surface: Surface
    midline: Midline
    topline: ToplineFound


def _look(surface: Surface, frame: Frame, withers_scan: FloatArray | None) -> _Look:
    mark_x = None if withers_scan is None else float(frame.to_back(withers_scan[None])[0, 0])
    midline = _spine(find_midline(surface, mark_x or 0.0))
    try:
        topline = topline_landmarks(
            midline.x_mm, midline.z_mm, midline.sd_z_mm, mark_x, float(np.radians(frame.pitch_sd_deg))
        )
    except InputRefused:
        if mark_x is not None:
            raise
        midline, topline = _beside_a_turned_neck(surface)
    return _Look(frame, surface, midline, topline)


def _beside_a_turned_neck(surface: Surface) -> tuple[Midline, ToplineFound]:
    """Withers where the neck leaves the trunk's own line: no better known than a knee. Refuses where there are none.

    A neck that is turned and rises at once hides the knee from a line that follows it.
    """
    midline = _spine(trunk_line(surface))
    topline = topline_landmarks(midline.x_mm, midline.z_mm, midline.sd_z_mm)
    return midline, replace(topline, withers_kind="knee", withers_sd=KNEE_SD_MM)


def _spine(midline: Midline) -> Midline:
    if midline.x_mm.size < LEAST_SPINE:
        raise InputRefused(
            f"the line of the spine can be followed over {10 * midline.x_mm.size} mm only (both sides of it must be "
            "seen, 85 mm down each): scan the back once more from above"
        )
    return midline


def _rough_spine(points: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """(x, y, z) of the ridge in slabs, smoothed: good to some centimetres, enough for the axis."""
    near = points[np.abs(points[:, 1]) < SPINE_WIDTH_MM]
    slab = np.floor(near[:, 0] / SLAB_MM).astype(int)
    order = np.argsort(slab, kind="stable")
    rows = np.split(near[order], np.flatnonzero(np.diff(slab[order])) + 1)
    rows = [row for row in rows if len(row) >= 5]
    if len(rows) < LEAST_SPINE:
        raise InputRefused(
            f"only {len(rows) * SLAB_MM:.0f} mm of the spine have points within {SPINE_WIDTH_MM:.0f} mm: scan from "
            "the base of the neck to the croup"
        )
    top = np.array([_top(row) for row in rows])
    smooth = gaussian_filter1d(top[:, 1:], 3.0, axis=0, mode="nearest")
    return top[:, 0], smooth[:, 0], smooth[:, 1]


def _top(row: FloatArray) -> tuple[float, float, float]:
    z = quantile(row[:, 2], 0.97)
    y = quantile(row[row[:, 2] > z - 40.0, 1], 0.5)
    return quantile(row[:, 0], 0.5), min(max(y, -60.0), 60.0), z


def _about_withers(look: _Look) -> tuple[Frame, TrunkAxis]:
    """Frame with its origin at the withers and x from croup to withers, and the axis below the spine in it."""
    midline, topline = look.midline, look.topline
    withers = _point(midline, topline.withers_x)
    length = np.nan
    if np.isfinite(topline.croup_x):
        way = withers - _point(midline, topline.croup_x)
        length = float(np.linalg.norm(way[:2]) if look.frame.gravity else np.linalg.norm(way))
    else:  # the direction of the seen midline
        way = np.array([1.0, np.polyfit(midline.x_mm, midline.y_mm, 1)[0], 0.0])
    frame = moved_frame(look.frame, withers, way)
    line = frame.to_back(look.frame.to_scan(np.column_stack([midline.x_mm, midline.y_mm, midline.z_mm])))
    rear = -(length if np.isfinite(length) else 1000.0) - BEHIND_CROUP_MM
    inside = (line[:, 0] >= rear) & (line[:, 0] <= FRONT_MM)
    x, y, z = line[inside].T
    return frame, trunk_axis(x, y, z, length)


def _point(midline: Midline, x: float) -> FloatArray:
    return np.array([x, *(float(np.interp(x, midline.x_mm, v)) for v in (midline.y_mm, midline.z_mm))])


def _centred(look: _Look, cells: Cells) -> Settled:
    """Origin exactly on the midline at the withers."""
    topline, x0 = look.topline, look.topline.withers_x
    withers = _point(look.midline, x0)
    return Settled(
        surface=shifted_surface(look.surface, -withers),
        cells=cells,
        midline=shifted_midline(look.midline, -withers),
        frame=moved_frame(look.frame, withers),
        topline=replace(
            topline,
            withers_x=0.0,
            withers_z=topline.withers_z - withers[2],
            croup_x=topline.croup_x - x0,
            croup_z=topline.croup_z - withers[2],
            low_x=topline.low_x - x0,
            low_z=topline.low_z - withers[2],
        ),
    )
