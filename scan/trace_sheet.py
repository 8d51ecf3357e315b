"""The grid sheet that a section is traced on: one geometry for printing it and for reading its photograph.

Sheet frame: origin where the centre line (the spine) meets the top line, y to the horse's left, z up, mm. The sheet is
printed as two A4 pages, glued along the centre line, and looked at from behind the horse: the horse's left lies left.
"""

from dataclasses import dataclass

import numpy as np

from shimwright.scan.raw import FloatArray

HALF_WIDTH_MM = 240.0  # of the field to draw in
HEIGHT_MM = 170.0  # with the marks 192 mm: two landscape pages of A4 or Letter keep printable edges
MARK_MM = 14.0  # side of the four black corner marks
HOLE_MM = 6.0  # white square in the mark at the left top: tells which way up the photo lies
GRID_MM = 10.0


@dataclass(frozen=True)
class CornerMark:
    """Centre (y, z) in the sheet frame; `hole`: the one with the white square."""

    y_mm: float
    z_mm: float
    hole: bool


def corner_marks() -> tuple[CornerMark, ...]:
    """Left top, right top, right bottom, left bottom."""
    y, top, low = HALF_WIDTH_MM + 2.0, 10.0, -(HEIGHT_MM - 2.0)
    return (CornerMark(y, top, True), CornerMark(-y, top, False), CornerMark(-y, low, False), CornerMark(y, low, False))


def mark_centres() -> FloatArray:
    """(4, 2) centres of the corner marks in order."""
    return np.array([(mark.y_mm, mark.z_mm) for mark in corner_marks()])
