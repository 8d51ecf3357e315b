"""The same back held otherwise: every section moved up or down along a bent topline (reference.md §2)."""

from dataclasses import replace

import numpy as np

from shimwright.scan.back import Back
from shimwright.scan.build import measure_build
from shimwright.scan.measures import measure_stations
from shimwright.scan.raw import FloatArray
from shimwright.scan.refusal import InputRefused


def flatter(back: Back, share: float) -> Back:
    """The topline nearer to the line withers–croup by `share` of its depth, as a moving back is.

    Raises InputRefused where the croup was not seen.
    """
    croup = back.landmark("croup")
    if croup is None:
        raise InputRefused(
            "the croup was not seen, so how deep the back dips is not known: scan on to the croup, or leave the "
            "flatter stance out"
        )
    end_x, _, end_z = croup.position_mm
    middle = back.midline
    withers_z = float(middle.at(0.0)[1])
    x = np.clip(middle.x_mm, end_x, 0.0)
    depth = withers_z + (end_z - withers_z) * x / end_x - np.interp(x, middle.x_mm, middle.z_mm)
    return _raised(back, middle.x_mm, share * np.maximum(depth, 0.0))


def bent(back: Back, front_x_mm: float, rear_x_mm: float, angle_deg: float) -> Back:
    """Lifted (+) or hollowed (−): the ends of front–rear turned against one another by the angle, a parabola of depth
    L θ / 8 between them, carried on straight beyond.
    """
    length = front_x_mm - rear_x_mm
    depth = length * np.radians(angle_deg) / 8
    u = 2 * (back.midline.x_mm - rear_x_mm) / length - 1
    inside = depth * (1 - u**2)
    beyond = -2 * depth * (np.abs(u) - 1)
    return _raised(back, back.midline.x_mm, np.where(np.abs(u) <= 1, inside, beyond))


def _raised(back: Back, x_mm: FloatArray, by_mm: FloatArray) -> Back:
    """Each section at x moved up by what `by_mm` says there; all else of the section stays."""

    def up(x: FloatArray | float) -> FloatArray:
        return np.asarray(np.interp(x, x_mm, by_mm))

    surface = replace(back.surface, axis_z_mm=back.surface.axis_z_mm + up(back.surface.x_mm))
    midline = replace(back.midline, z_mm=back.midline.z_mm + up(back.midline.x_mm))
    landmarks = tuple(
        replace(mark, position_mm=mark.position_mm + np.array([0.0, 0.0, float(up(mark.position_mm[0]))]))
        for mark in back.landmarks
    )
    stations = measure_stations(surface, midline, back.frame)
    build = measure_build(surface, midline, back.frame, landmarks, stations)
    return replace(back, surface=surface, midline=midline, landmarks=landmarks, stations=stations, build=build)
