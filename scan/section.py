"""One section of the back: heights above the ground line, and the way outward along each side."""

from dataclasses import dataclass

import numpy as np

from shimwright.scan.raw import FloatArray
from shimwright.scan.surface import Surface

FINE_STEP_DEG = 0.3125


def section_curves(surface: Surface, x: FloatArray) -> FloatArray:
    """(n, m, 2) points (y, z) of the sections at x (n,) ascending, right to left, finer than the grid; NaN unseen."""
    count = round(np.degrees(surface.phi[-1] - surface.phi[0]) / FINE_STEP_DEG) + 1
    return surface.sections(np.asarray(x, float), np.linspace(surface.phi[0], surface.phi[-1], count))


def heights(curve: FloatArray, y: FloatArray) -> FloatArray:
    """z of a section (m, 2) at y, read on the part about the top that has one height at each y; NaN elsewhere."""
    top = curve.shape[0] // 2
    right = _outward(-curve[top::-1, 0])
    left = _outward(curve[top:, 0])
    rows = curve[top - right + 1 : top + left]
    rows = rows if rows.shape[0] > 1 else np.full((2, 2), np.nan)
    return np.interp(y, _without_nan(rows[:, 0]), rows[:, 1], left=np.nan, right=np.nan)


def _outward(y: FloatArray) -> int:
    """How many samples there are before y first turns back; NaN samples are passed over."""
    seen = np.where(np.isnan(y), -np.inf, y)
    back = np.flatnonzero(np.isfinite(y) & (seen < np.maximum.accumulate(seen)))
    return int(back[0]) if back.size else y.size


def _without_nan(y: FloatArray) -> FloatArray:
    """Unseen samples get a y between their neighbours, so that np.interp meets their NaN height."""
    index, good = np.arange(y.size), np.isfinite(y)
    return np.interp(index, index[good], y[good]) if good.any() else np.zeros(y.size)


@dataclass(frozen=True)
class Side:
    """One side of a section from the midline point outward.

    lateral_mm, depth_mm, arc_mm: (k,) from 0 at the midline point; NaN lateral and depth in a gap.
    points: (k, 2) (y, z) in the back frame.
    """

    lateral_mm: FloatArray
    depth_mm: FloatArray
    arc_mm: FloatArray
    points: FloatArray

    def depth_at(self, lateral: FloatArray) -> FloatArray:
        """Depth at lateral distances, before the section first turns back under itself; NaN beyond and in gaps."""
        end = _outward(self.lateral_mm)
        if end < 2:
            return np.full(lateral.shape, np.nan)
        return np.interp(lateral, _without_nan(self.lateral_mm[:end]), self.depth_mm[:end], right=np.nan)

    def crossing(self, depth: float) -> float:
        """Lateral distance where the way outward first passes `depth`; NaN if a gap or the end comes first."""
        below = np.flatnonzero(~(self.depth_mm < depth))
        if below.size == 0 or below[0] == 0 or not np.isfinite(self.depth_mm[below[0]]):
            return np.nan
        k = below[0]
        part = (depth - self.depth_mm[k - 1]) / (self.depth_mm[k] - self.depth_mm[k - 1])
        return float(self.lateral_mm[k - 1] + part * (self.lateral_mm[k] - self.lateral_mm[k - 1]))

    def at_arc(self, arc: FloatArray) -> FloatArray:
        """(n, 2) points (y, z) at distances along the surface; NaN beyond the end and in gaps."""
        return np.column_stack([np.interp(arc, self.arc_mm, self.points[:, k], right=np.nan) for k in (0, 1)])


def sides(curve: FloatArray, y: float, z: float) -> tuple[Side, Side]:
    """(left, right) of a section (m, 2) about the midline point (y, z)."""
    start = _start(curve, y)
    if start is None:
        lost = np.full(2, np.nan)
        none = Side(lost, lost, np.array([0.0, 1.0]), np.full((2, 2), np.nan))
        return none, none
    middle = np.array([[y, z]])
    return _side(np.vstack([middle, curve[start:]]), 1.0), _side(np.vstack([middle, curve[start - 1 :: -1]]), -1.0)


def _start(curve: FloatArray, y: float) -> int | None:
    """Index of the first sample to the left of y, nearest the top of the section."""
    passes = np.flatnonzero((curve[:-1, 0] <= y) & (curve[1:, 0] > y)) + 1
    return int(passes[np.nanargmax(curve[passes, 1])]) if passes.size else None


def _side(points: FloatArray, sign: float) -> Side:
    known = np.flatnonzero(np.isfinite(points[:, 0]))
    points = points[: known[-1] + 1]
    steps = np.hypot(*np.diff(points[known], axis=0).T)  # straight across a gap
    arc = np.interp(np.arange(len(points)), known, np.concatenate([[0.0], np.cumsum(steps)]))
    return Side(sign * (points[:, 0] - points[0, 0]), points[0, 1] - points[:, 1], arc, points)
