"""back.json: the measured back as data (DESIGN §10). Keys are stable: add, do not rename."""

import math

import numpy as np

from shimwright.export.plain_json import MADE_BY, figures, number, plain
from shimwright.scan.back import DEPTHS_MM, LEFT, RIGHT, Back, Frame, Landmark
from shimwright.scan.raw import FloatArray

SCHEMA = "shimwright/back/1"
STEP_MM = 10.0
DIRECTION_DIGITS = 8  # of a unit vector: 1e-8 over a metre is nothing


def back_to_json(back: Back) -> dict[str, object]:
    """The document. NaN becomes null; an unseen node of the surface is null."""
    return {
        "schema": SCHEMA,
        "made_by": MADE_BY,
        "scan": {
            "file": back.source.file,
            "sha256": back.source.sha256,
            "date": back.source.date,
            "horse": back.source.horse,
            "told": plain(back.source.told, 6),
        },
        "frame": _frame(back.frame),
        "landmarks": [_landmark(mark, back.frame) for mark in back.landmarks],
        "topline": _topline(back),
        "midline": _midline(back),
        "stations": [_station(back, i) for i in range(back.stations.x_mm.size)],
        "build": _build(back),
        "quality": _quality(back),
        "surface": _surface(back),
    }


def _scan_digits(frame: Frame) -> int:
    """Digits that show a hundredth of a millimetre in the scan's own unit."""
    return max(0, 2 + math.ceil(math.log10(frame.mm_per_unit) - 1e-9))


def _frame(frame: Frame) -> dict[str, object]:
    return {
        "origin_scan": plain(frame.origin_scan, _scan_digits(frame) + 1),
        "forward_scan": plain(frame.forward_scan, DIRECTION_DIGITS),
        "left_scan": plain(frame.left_scan, DIRECTION_DIGITS),
        "up_scan": plain(frame.up_scan, DIRECTION_DIGITS),
        "mm_per_unit": figures(frame.mm_per_unit, 9),
        "unit_source": frame.unit_source,
        "up_source": frame.up_source,
        "head_source": frame.head_source,
        "mirrored": bool(frame.mirrored),
        "heading_sd_deg": number(frame.heading_sd_deg, 3),
        "pitch_sd_deg": number(frame.pitch_sd_deg, 3),
        "roll_sd_deg": number(frame.roll_sd_deg, 3),
    }


def _landmark(mark: Landmark, frame: Frame) -> dict[str, object]:
    return {
        "name": mark.name,
        "position_mm": plain(mark.position_mm),
        "position_scan": plain(frame.to_scan(mark.position_mm[None, :])[0], _scan_digits(frame)),
        "source": mark.source,
        "kind": mark.kind,
        "sd_mm": number(mark.sd_mm),
    }


def _steps(low: float, high: float) -> FloatArray:
    """Multiples of 10 mm from high down to low."""
    return np.arange(math.floor(high / STEP_MM), math.ceil(low / STEP_MM) - 1, -1, dtype=np.float64) * STEP_MM


def _topline(back: Back) -> list[object]:
    """[x, z, sd] from the withers to the croup; to the end of the midline where the croup was not seen."""
    line, croup = back.midline, back.landmark("croup")
    end = float(line.x_mm[0])
    if croup is not None and math.isfinite(croup.position_mm[0]):
        end = max(end, float(croup.position_mm[0]))
    x = _steps(end, min(0.0, float(line.x_mm[-1])))
    return _rows(x, line.at(x)[1], np.interp(x, line.x_mm, line.sd_z_mm))


def _midline(back: Back) -> list[object]:
    line = back.midline
    x = _steps(float(line.x_mm[0]), float(line.x_mm[-1]))
    return _rows(x, line.at(x)[0], np.interp(x, line.x_mm, line.sd_y_mm))


def _rows(x: FloatArray, value: FloatArray, sd: FloatArray) -> list[object]:
    return [[number(a), number(b), number(c)] for a, b, c in zip(x, value, sd, strict=True)]


def _station(back: Back, i: int) -> dict[str, object]:
    stations = back.stations
    width, width_sd = stations.half_width_mm[i], stations.half_width_sd_mm[i]
    names = [f"{depth:.0f}" for depth in DEPTHS_MM]
    return {
        "x_mm": number(stations.x_mm[i]),
        "slope_left_deg": number(stations.slope_deg[i, LEFT]),
        "slope_right_deg": number(stations.slope_deg[i, RIGHT]),
        "slope_sd_deg": _one_or_two(stations.slope_sd_deg[i]),
        "half_width_left_mm": {name: number(width[k, LEFT]) for k, name in enumerate(names)},
        "half_width_right_mm": {name: number(width[k, RIGHT]) for k, name in enumerate(names)},
        "half_width_sd_mm": {name: _one_or_two(width_sd[k]) for k, name in enumerate(names)},
        "area_difference_cm2": number(stations.area_difference_cm2[i]),
        "area_difference_sd_cm2": number(stations.area_difference_sd_cm2[i]),
        "seen": number(stations.seen[i], 3),
        "section": plain(stations.sections[i]),
    }


def _one_or_two(sides: FloatArray) -> float | None:
    """The larger sd of the two sides: the file has one figure for both."""
    known = sides[np.isfinite(sides)]
    return number(float(known.max())) if known.size else None


def _build(back: Back) -> dict[str, object]:
    build = back.build
    return {
        "uphill_deg": number(build.uphill_deg),
        "uphill_sd_deg": number(build.uphill_sd_deg),
        "dip_mm": number(build.dip_mm),
        "dip_sd_mm": number(build.dip_sd_mm),
        "dip_x_mm": number(build.dip_x_mm),
        "bearing_left_deg": number(build.bearing_deg[LEFT]),
        "bearing_right_deg": number(build.bearing_deg[RIGHT]),
        "bearing_sd_deg": _one_or_two(np.array(build.bearing_sd_deg)),
        "hollow_left_mm": number(build.hollow_mm[LEFT]),
        "hollow_right_mm": number(build.hollow_mm[RIGHT]),
        "hollow_sd_mm": _one_or_two(np.array(build.hollow_sd_mm)),
        "usable_left_mm": number(build.usable_mm[LEFT]),
        "usable_right_mm": number(build.usable_mm[RIGHT]),
        "usable_sd_mm": _one_or_two(np.array(build.usable_sd_mm)),
        "words": [
            {"word": word.word, "figure": word.figure, "value": number(word.value), "limit": number(word.limit)}
            for word in build.words
        ],
    }


def _quality(back: Back) -> dict[str, object]:
    quality = back.quality
    return {
        "verdict": quality.verdict,
        "points": int(quality.points),
        "spacing_mm": number(quality.spacing_mm),
        "noise_mm": number(quality.noise_mm),
        "seen_under_saddle": number(quality.seen_under_saddle, 3),
        "double_surface_mm": number(quality.double_surface_mm),
        "scale_check": {
            "told_mm": number(quality.scale_told_mm),
            "measured_mm": number(quality.scale_measured_mm),
        },
        "messages": [
            {"code": message.code, "place_mm": plain(message.place_mm, 1), "text": message.text}
            for message in quality.messages
        ],
    }


def _surface(back: Back) -> dict[str, object]:
    """Every second station and angle: about 10 mm both ways on the flanks."""
    surface = back.surface
    rows = np.arange(int(np.argmin(np.abs(surface.x_mm))) % 2, surface.x_mm.size, 2)  # the one nearest the withers too
    middle = int(np.argmin(np.abs(surface.phi)))
    columns = np.arange(middle % 2, surface.phi.size, 2)
    chosen = np.ix_(rows, columns)
    return {
        "x_mm": plain(surface.x_mm[rows]),
        "phi_deg": plain(np.degrees(surface.phi[columns]), 4),
        "axis_y_mm": plain(surface.axis_y_mm[rows]),
        "axis_z_mm": plain(surface.axis_z_mm[rows]),
        "radius_mm": plain(surface.radius_mm[chosen]),
        "sd_mm": plain(np.where(np.isfinite(surface.radius_mm), surface.sd_mm, np.nan)[chosen]),
        "drift_mm": number(surface.drift_mm, 3),
        "correlation_mm": number(surface.correlation_mm, 1),
    }
