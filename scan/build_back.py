"""From a surface in its frame to a `Back`: the definitions that a measured back and an invented one share."""

from dataclasses import replace

import numpy as np

from shimwright.scan.back import Back, Frame, Midline, Source
from shimwright.scan.build import measure_build
from shimwright.scan.landmarks import Places, find_landmarks
from shimwright.scan.measures import measure_stations
from shimwright.scan.quality import ScanSample, scan_quality
from shimwright.scan.raw import FloatArray
from shimwright.scan.surface import Surface

NOBODY = Source(file="", sha256="", date=None, horse=None, told={})


def build_back(
    surface: Surface, midline: Midline, frame: Frame, places: Places, sample: ScanSample, source: Source | None = None
) -> Back:
    """Landmarks, measures, build and scan check of a surface. Back frame: withers at x = 0, midline there at (0, 0)."""
    landmarks = find_landmarks(surface, midline, places)
    stations = measure_stations(surface, midline, frame)
    return Back(
        source=source or NOBODY,
        frame=frame,
        surface=surface,
        midline=midline,
        landmarks=landmarks,
        stations=stations,
        build=measure_build(surface, midline, frame, landmarks, stations),
        quality=scan_quality(surface, midline, frame, stations, sample, places.topline.croup_x),
    )


def moved_frame(frame: Frame, origin_mm: FloatArray, forward_mm: FloatArray | None = None) -> Frame:
    """The frame with its origin at `origin_mm` and x along `forward_mm`, both (3,) in the old frame, mm.

    With gravity known only the horizontal part of `forward_mm` counts; without, it becomes level.
    """
    axes = np.stack([frame.forward_scan, frame.left_scan, frame.up_scan])
    turn = np.eye(3) if forward_mm is None else _turn(forward_mm * np.array([1.0, 1.0, 0.0 if frame.gravity else 1.0]))
    new = turn @ axes
    return replace(
        frame,
        origin_scan=frame.origin_scan + origin_mm @ axes / frame.mm_per_unit,
        forward_scan=new[0],
        left_scan=new[1],
        up_scan=new[2],
    )


def _turn(forward: FloatArray) -> FloatArray:
    forward = forward / np.linalg.norm(forward)
    left = np.cross([0.0, 0.0, 1.0], forward)
    left /= np.linalg.norm(left)
    return np.stack([forward, left, np.cross(forward, left)])


def shifted_surface(surface: Surface, by: FloatArray) -> Surface:
    """Moved by (3,), mm. The stations move with it and need not be multiples of 5 mm."""
    return replace(
        surface,
        x_mm=surface.x_mm + by[0],
        axis_y_mm=surface.axis_y_mm + by[1],
        axis_z_mm=surface.axis_z_mm + by[2],
    )


def shifted_midline(midline: Midline, by: FloatArray) -> Midline:
    """Moved by (3,), mm."""
    return replace(midline, x_mm=midline.x_mm + by[0], y_mm=midline.y_mm + by[1], z_mm=midline.z_mm + by[2])
