"""One section of the back: heights above the ground line, and the way outward along each side.

A survey cuts some hundreds of sections of 700 samples each; what runs along the samples is compiled, because numpy's
calls on such short arrays took a fifth of the whole survey.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numba import njit

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


@njit(cache=True)
def _outward(y: FloatArray) -> int:
    """How many samples there are before y first turns back; NaN samples are passed over."""
    farthest = -np.inf
    for k in range(y.size):
        if y[k] < farthest:
            return k
        farthest = max(farthest, y[k]) if y[k] == y[k] else farthest
    return int(y.size)


@njit(cache=True)
def _without_nan(y: FloatArray) -> FloatArray:
    """Unseen samples get a y between their neighbours, so that np.interp meets their NaN height."""
    out = y.copy()
    before = -1  # the last seen sample
    for k in range(y.size):
        if y[k] == y[k]:
            for gap in range(before + 1, k):
                share = (gap - before) / (k - before)
                out[gap] = y[k] if before < 0 else y[before] + share * (y[k] - y[before])
            before = k
    for k in range(before + 1, y.size):
        out[k] = y[before] if before >= 0 else 0.0
    return out


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

    @cached_property
    def _before_turn(self) -> FloatArray:
        """lateral_mm up to where the section first turns back under itself, without NaN."""
        return _without_nan(self.lateral_mm[: _outward(self.lateral_mm)])

    def depth_at(self, lateral: FloatArray) -> FloatArray:
        """Depth at lateral distances, before the section first turns back under itself; NaN beyond and in gaps."""
        end = self._before_turn.size
        if end < 2:
            return np.full(lateral.shape, np.nan)
        return np.interp(lateral, self._before_turn, self.depth_mm[:end], right=np.nan)

    def crossing(self, depth: float) -> float:
        """Lateral distance where the way outward first passes `depth`; NaN if a gap or the end comes first."""
        return float(_crossing(self.lateral_mm, self.depth_mm, depth))

    def at_arc(self, arc: FloatArray) -> FloatArray:
        """(n, 2) points (y, z) at distances along the surface; NaN beyond the end and in gaps."""
        return _at_arc(arc, self.arc_mm, self.points)


@njit(cache=True)
def _at_arc(wanted: FloatArray, arc: FloatArray, points: FloatArray) -> FloatArray:
    """np.interp of both columns of points at distances of 0 and more; NaN beyond the end."""
    out = np.full((wanted.size, 2), np.nan)
    for k in range(wanted.size):
        after = np.searchsorted(arc, wanted[k], side="right")
        for axis in range(2):
            if wanted[k] == arc[after - 1]:
                out[k, axis] = points[after - 1, axis]
            elif after < arc.size:
                share = (wanted[k] - arc[after - 1]) / (arc[after] - arc[after - 1])
                out[k, axis] = points[after - 1, axis] + share * (points[after, axis] - points[after - 1, axis])
    return out


@njit(cache=True)
def _crossing(lateral: FloatArray, depth: FloatArray, wanted: float) -> float:
    for k in range(depth.size):
        if not depth[k] < wanted:  # true in a gap too
            if k == 0 or not np.isfinite(depth[k]):
                return np.nan
            part = (wanted - depth[k - 1]) / (depth[k] - depth[k - 1])
            return float(lateral[k - 1] + part * (lateral[k] - lateral[k - 1]))
    return np.nan


def sides(curve: FloatArray, y: float, z: float) -> tuple[Side, Side]:
    """(left, right) of a section (m, 2) about the midline point (y, z)."""
    start = _start(curve, y)
    if start < 0:
        lost = np.full(2, np.nan)
        none = Side(lost, lost, np.array([0.0, 1.0]), np.full((2, 2), np.nan))
        return none, none
    return Side(*_side(curve, y, z, start, 1)), Side(*_side(curve, y, z, start - 1, -1))


@njit(cache=True)
def _start(curve: FloatArray, y: float) -> int:
    """Index of the first sample to the left of y, nearest the top; −1 where the curve does not pass y."""
    start, top = -1, -np.inf
    for k in range(1, curve.shape[0]):
        if curve[k - 1, 0] <= y < curve[k, 0] and curve[k, 1] > top:
            start, top = k, curve[k, 1]
    return start


@njit(cache=True)
def _side(
    curve: FloatArray, y: float, z: float, start: int, step: int
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """(lateral, depth, arc, points) from (y, z) on through curve[start], curve[start + step] … to the last seen one."""
    count = 1 + (curve.shape[0] - start if step > 0 else start + 1)
    points, arc, lateral, depth = np.empty((count, 2)), np.zeros(count), np.zeros(count), np.zeros(count)
    points[0, 0], points[0, 1] = y, z
    before = 0  # the last seen sample; the arc goes straight across a gap
    for k in range(1, count):
        points[k, 0], points[k, 1] = curve[start + step * (k - 1), 0], curve[start + step * (k - 1), 1]
        lateral[k], depth[k] = step * (points[k, 0] - y), z - points[k, 1]
        if points[k, 0] == points[k, 0]:
            way = np.hypot(points[k, 0] - points[before, 0], points[k, 1] - points[before, 1])
            for gap in range(before + 1, k + 1):
                arc[gap] = arc[before] + way * (gap - before) / (k - before)
            before = k
    end = before + 1
    return lateral[:end], depth[:end], arc[:end], points[:end]
