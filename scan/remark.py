"""One landmark moved to where a person points: the measures that rest on it are taken anew, the surface stays."""

from dataclasses import replace
from types import MappingProxyType

import numpy as np

from shimwright.scan.back import Back, Landmark
from shimwright.scan.build import measure_build
from shimwright.scan.landmarks import BLADE_ARC_MM, SIDE_PLACES, length_scale, side_point
from shimwright.scan.marks import POINT_SD_MM, WRONG_SIDE_MM
from shimwright.scan.raw import FloatArray
from shimwright.scan.refusal import InputRefused, WrongUse
from shimwright.scan.told import PLACES, Dot, ScanPoint, Told

NEW_FRAME = ("withers",)  # the frame begins there: such a scan is surveyed again
ON_SURFACE_MM = 15.0


def remarked(back: Back, place: str, position_mm: FloatArray) -> Back:
    """The back with `place` marked at (3,), back frame: what a survey with that point marked gives.

    Raises WrongUse for a place that needs a new survey or is not known, InputRefused for a point off the back or on
    the other side of the spine.
    """
    if place not in PLACES or place in NEW_FRAME:
        raise WrongUse(f"{place}: not a landmark that can be moved without a new survey")
    spot = on_back(back, position_mm)
    _check_side(place, spot)
    new = Landmark(place, spot, "marked", "point", POINT_SD_MM)
    kept = tuple(mark for mark in back.landmarks if mark.name != place)
    marks = (*kept, new)
    build = measure_build(back.surface, back.midline, back.frame, marks, back.stations)
    return replace(back, landmarks=marks, build=build)


def told_with(told: Told, back: Back, place: str, position_mm: FloatArray) -> Told:
    """What was told, with `place` at (3,), back frame. The other dot of a pair of one colour, told apart by its side
    only while there were two, becomes the point where it was found.
    """

    def point(at: FloatArray) -> ScanPoint:
        x, y, z = (float(v) for v in back.frame.to_scan(np.asarray(at, float)[None])[0])
        return ScanPoint((x, y, z))

    before, marks = told.marks.get(place), dict(told.marks)
    for other, mark in told.marks.items():
        found = back.landmark(other)
        if isinstance(before, Dot) and mark == before and other != place and found is not None:
            marks[other] = point(found.position_mm)
    return replace(told, marks=MappingProxyType({**marks, place: point(position_mm)}))


def on_back(back: Back, position_mm: FloatArray) -> FloatArray:
    """The point of the surface under the same angle. Raises InputRefused where the scan saw nothing near it."""
    x, phi, out = back.surface.polar(np.asarray(position_mm, float)[None])
    spot = back.point(x, phi)[0]
    if not np.isfinite(spot).all() or abs(float(np.linalg.norm(spot - position_mm))) > ON_SURFACE_MM:
        raise InputRefused(
            f"the point {-float(x[0]):.0f} mm behind the withers lies where the scan shows no back "
            f"({float(out[0]):.0f} mm from the middle of the trunk): point at the back itself"
        )
    return np.asarray(spot)


def along_back(back: Back, place: str, x_mm: float) -> FloatArray:
    """(3,) where `place` lies when it is moved to x along the back: a blade's depth down the side, or on the spine."""
    if place.rsplit("_", 1)[0] not in SIDE_PLACES:
        y, z = back.midline.at(x_mm)
        return np.array([x_mm, float(y), float(z)])
    croup = back.landmark("croup")
    scale = length_scale(-float(croup.position_mm[0]) if croup is not None else float("nan"))
    side = 0 if place.endswith("left") else 1
    return np.array([x_mm, *side_point(back.surface, back.midline, x_mm, BLADE_ARC_MM * scale, side)])


def _check_side(place: str, spot: FloatArray) -> None:
    side = 1 if place.endswith("_left") else -1 if place.endswith("_right") else 0
    if side * spot[1] < -WRONG_SIDE_MM:
        other = "right" if side > 0 else "left"
        raise InputRefused(
            f"{place.replace('_', ' ')} would lie {abs(float(spot[1])):.0f} mm to the {other} of the spine: "
            "left and right would be changed"
        )
