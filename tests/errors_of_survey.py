"""Errors of a survey against the exact back, the truth re-read in the frame that the survey found (DESIGN §13)."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scanners import Taken

from shimwright.scan.back import Back, Midline, Stations
from shimwright.scan.measures import measure_stations
from shimwright.scan.surface import Surface
from shimwright.scan.synthetic import true_midline
from shimwright.scan.trunk_cells import filled

FloatArray = NDArray[np.float64]
STATIONS = slice(1, 10)  # −50 … −450 mm
TOPLINE_X = np.arange(-450.0, -49.0, 10.0)


@dataclass(frozen=True)
class Errors:
    """Of one scan: name → signed errors, and name → errors over their own sd where one is given."""

    size: dict[str, FloatArray]
    over_sd: dict[str, FloatArray]


@dataclass(frozen=True)
class Truth:
    """Exact surface and spine in the found frame (true size)."""

    surface: Surface
    midline: Midline
    stations: Stations


def truth_in(back: Back, taken: Taken) -> Truth:
    """The exact back cut about the frame that the survey found."""
    frame = back.frame
    axes = np.stack([frame.forward_scan, frame.left_scan, frame.up_scan]) @ taken.pose.rotation
    origin = taken.to_true(frame.origin_scan[None])[0]
    surface = _exact_surface(back.surface, taken.surface, axes, origin)
    spine = true_midline(taken.shape)
    line = (np.column_stack([spine.x_mm, spine.y_mm, spine.z_mm]) - origin) @ axes.T
    midline = Midline(*line.T, spine.sd_y_mm, spine.sd_z_mm)
    faultless = replace(frame, heading_sd_deg=0.0, pitch_sd_deg=0.0, roll_sd_deg=0.0)
    return Truth(surface, midline, measure_stations(surface, midline, faultless))


def _exact_surface(found: Surface, exact: Surface, axes: FloatArray, origin: FloatArray) -> Surface:
    """Radius of the exact surface along the rays of the found grid, by Newton from the found radius."""
    radius = filled(found.radius_mm)
    out = np.stack([np.zeros_like(found.phi), np.sin(found.phi), np.cos(found.phi)], axis=-1)
    axis = np.column_stack([found.x_mm, found.axis_y_mm, found.axis_z_mm])
    points = axis[:, None] + radius[..., None] * out[None]
    inward = np.broadcast_to(-out @ axes, points.shape).reshape(-1, 3)
    gap = exact.gap(points.reshape(-1, 3) @ axes + origin, inward).reshape(radius.shape)
    return replace(found, radius_mm=radius - gap, sd_mm=np.full(radius.shape, 0.01), drift_mm=0.0)


def errors_of(back: Back, taken: Taken) -> Errors:
    """Every row of the table of accuracy that this scan can fill."""
    truth = truth_in(back, taken)
    ours, exact = back.stations, truth.stations
    slope = (ours.slope_deg - exact.slope_deg)[STATIONS]
    half = (ours.half_width_mm - exact.half_width_mm)[STATIONS]
    area = (ours.area_difference_cm2 - exact.area_difference_cm2)[STATIONS]
    y, z = (mine - true for mine, true in zip(back.midline.at(TOPLINE_X), truth.midline.at(TOPLINE_X), strict=True))
    uphill, dip = _topline_truth(back, truth.midline)
    size = {
        "slope, one side, deg": slope,
        "slope, mean of both": slope.mean(axis=1),
        "half-width, one side, mm": half,
        "width, both sides, mm": half.sum(axis=2),
        "topline, mm": z,
        "asymmetry, cm2": area,
        "uphill, deg": np.array([back.build.uphill_deg - uphill]),
        "dip, mm": np.array([back.build.dip_mm - dip]),
        "marked point, mm": _marked(back, taken),
        "withers along the back, mm": np.array([taken.to_true(back.frame.origin_scan[None])[0, 0]]),
        "midline aside, mm": y,
    }
    sd = {
        "slope, one side, deg": ours.slope_sd_deg[STATIONS],
        "half-width, one side, mm": ours.half_width_sd_mm[STATIONS],
        "topline, mm": np.interp(TOPLINE_X, back.midline.x_mm, back.midline.sd_z_mm),
        "asymmetry, cm2": ours.area_difference_sd_cm2[STATIONS],
        "uphill, deg": np.array([back.build.uphill_sd_deg]),
        "dip, mm": np.array([back.build.dip_sd_mm]),
        "withers along the back, mm": np.array([_withers_sd(back)]),
        "midline aside, mm": np.interp(TOPLINE_X, back.midline.x_mm, back.midline.sd_y_mm),
    }
    flat = {name: np.ravel(values) for name, values in size.items()}
    return Errors(flat, {name: flat[name] / np.ravel(sd[name]) for name in sd})


def _topline_truth(back: Back, spine: Midline) -> tuple[float, float]:
    """(uphill, dip) of the exact spine between the withers and croup that were found."""
    croup = back.landmark("croup")
    if croup is None:
        return np.nan, np.nan
    x = np.arange(croup.position_mm[0], 0.0, 2.0)
    rear, front = float(spine.at(x[0])[1]), float(spine.at(0.0)[1])
    below = np.interp(x, [x[0], 0.0], [rear, front]) - spine.at(x)[1]
    return float(np.degrees(np.arctan2(front - rear, -x[0]))), max(float(np.nanmax(below)), 0.0)


def _marked(back: Back, taken: Taken) -> FloatArray:
    """Distance of each marked side point from where it was stuck."""
    found = [(back.landmark(name), place) for name, place in taken.marks_mm.items() if name.startswith("shoulder")]
    pairs = [(mark, place) for mark, place in found if mark is not None and mark.source == "marked"]
    return np.array(
        [np.linalg.norm(taken.to_true(back.frame.to_scan(mark.position_mm[None]))[0] - place) for mark, place in pairs]
    )


def _withers_sd(back: Back) -> float:
    mark = back.landmark("withers")
    return np.nan if mark is None else mark.sd_mm


def table_row(name: str, errors: list[Errors]) -> str:
    """median / 95th percentile of the size, and the shares inside one and two sd."""
    size = np.concatenate([e.size[name] for e in errors])
    size = np.abs(size[np.isfinite(size)])
    ratio = np.concatenate([e.over_sd[name] for e in errors]) if name in errors[0].over_sd else np.zeros(0)
    ratio = np.abs(ratio[np.isfinite(ratio)])
    if size.size == 0:
        return f"{name:30s}      –       –"
    inside = f"   {100 * (ratio < 1).mean():3.0f} % {100 * (ratio < 2).mean():3.0f} %" if ratio.size else ""
    return f"{name:30s} {np.median(size):7.2f} {np.percentile(size, 95):7.2f}{inside}"
