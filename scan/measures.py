"""Measures of the sections: slopes, half-widths and the difference of the sides, each with its sd (DESIGN §5)."""

from dataclasses import dataclass

import numpy as np

from shimwright.scan.back import DEPTHS_MM, STATIONS_MM, Frame, Midline, Stations
from shimwright.scan.raw import FloatArray
from shimwright.scan.section import Side, section_curves, sides
from shimwright.scan.surface import Surface

SLOPE_MM = np.arange(20.0, 101.0)  # lateral distances of the slope line
AREA_MM = np.arange(0.0, 151.0)
SECTION_STEP_MM = 5.0
SEEN_ARC_MM = 200.0
SCATTER_MM = 20.0  # over which what is left of single points' scatter goes together after smoothing
LONGER = 1.25  # waves of 40–400 mm together, against one length: simulated
SIGNS = (1.0, -1.0)  # left, right


@dataclass(frozen=True)
class _Place:
    """One section, its midline point and what is not known about it."""

    curve: FloatArray
    y: float
    z: float
    sd_y: float
    sd_z: float
    sd_roll: float


@dataclass(frozen=True)
class _Figures:
    """slope (2,) degrees, half-width (4, 2) mm, area difference cm², of one section."""

    slope: FloatArray
    half_width: FloatArray
    area: float

    def flat(self) -> FloatArray:
        return np.concatenate([self.slope, self.half_width.ravel(), [self.area]])


def measure_stations(surface: Surface, midline: Midline, frame: Frame) -> Stations:
    """The 13 sections x = 0, −50 … −600 mm. What was not seen is NaN; without gravity the area difference is."""
    curves = section_curves(surface, STATIONS_MM[::-1])[::-1]
    y, z = midline.at(STATIONS_MM)
    sd_y = np.interp(STATIONS_MM, midline.x_mm, midline.sd_y_mm) if midline.x_mm.size else np.full(13, np.nan)
    sd_z = np.interp(STATIONS_MM, midline.x_mm, midline.sd_z_mm) if midline.x_mm.size else np.full(13, np.nan)
    roll = np.radians(frame.roll_sd_deg)
    places = [_Place(curves[k], y[k], z[k], sd_y[k], sd_z[k], roll) for k in range(STATIONS_MM.size)]
    figures = [_figures(*sides(p.curve, p.y, p.z)) for p in places]
    spread = [_spread(surface, x, p) for x, p in zip(STATIONS_MM, places, strict=True)]
    area, sd_area = np.array([f.area for f in figures]), np.array([s.area for s in spread])
    known = frame.gravity
    return Stations(
        x_mm=STATIONS_MM,
        slope_deg=np.array([f.slope for f in figures]),
        slope_sd_deg=np.array([s.slope for s in spread]),
        half_width_mm=np.array([f.half_width for f in figures]),
        half_width_sd_mm=np.array([s.half_width for s in spread]),
        area_difference_cm2=area if known else np.full(13, np.nan),
        area_difference_sd_cm2=sd_area if known else np.full(13, np.nan),
        seen=np.array([_seen_share(*sides(p.curve, p.y, p.z)) for p in places]),
        sections=tuple(_even_section(*sides(p.curve, p.y, p.z)) for p in places),
    )


def slope_deg(side: Side) -> float:
    """Angle below horizontal of the least-squares line over 20–100 mm; NaN if the section does not reach 100 mm."""
    return float(np.degrees(np.arctan(_SLOPE_WEIGHT @ side.depth_at(SLOPE_MM))))


_CENTRED = SLOPE_MM - SLOPE_MM.mean()
_SLOPE_WEIGHT = _CENTRED / (_CENTRED @ _CENTRED)


def fall_cm2(side: Side) -> float:
    """Depth below the horizontal through the midline point, integrated over 0–150 mm."""
    return float(np.trapezoid(side.depth_at(AREA_MM), AREA_MM)) / 100.0


def _figures(left: Side, right: Side) -> _Figures:
    slope = np.array([slope_deg(left), slope_deg(right)])
    half = np.array([[left.crossing(d), right.crossing(d)] for d in DEPTHS_MM])
    return _Figures(slope, half, fall_cm2(left) - fall_cm2(right))


def _spread(surface: Surface, x: float, place: _Place) -> _Figures:
    """Standard deviations: surface, midline sideways and in height, and roll.

    Taken as independent, but for one thing: a slow wave that lifts flank and spine alike leaves the half-width.
    """
    if not np.isfinite([place.y, place.z]).all():
        lost = np.full(2, np.nan)
        return _Figures(lost, np.full((4, 2), np.nan), np.nan)
    both = sides(place.curve, place.y, place.z)
    surface_part = _surface_spread(surface, x, both).flat()
    lifted = place.sd_z * _change(place, dz=1.0)
    alike = np.concatenate([np.zeros(2), _alike_at_crossings(surface, both).ravel(), [0.0]])
    parts = [surface_part, place.sd_y * _change(place, dy=1.0), lifted]
    if place.sd_roll > 0.0:
        parts.append(place.sd_roll * _change(place, turn=0.01) / 0.01)
    total = np.sqrt(sum(part**2 for part in parts) - 2.0 * alike * surface_part * np.abs(lifted))
    return _Figures(total[:2], total[2:10].reshape(4, 2), float(total[10]))


def _alike_at_crossings(surface: Surface, both: tuple[Side, Side]) -> FloatArray:
    """(4, 2): how far the surface's error at each half-width's end goes together with that at the midline point."""
    lateral = np.array([[side.crossing(depth) for side in both] for depth in DEPTHS_MM])
    return drift_share(surface) * _alike(np.hypot(lateral, np.array(DEPTHS_MM)[:, None]), surface.correlation_mm)


def _change(place: _Place, dy: float = 0.0, dz: float = 0.0, turn: float = 0.0) -> FloatArray:
    """Half the difference of the figures when the midline point moves, or the section turns, both ways."""
    both = []
    for sign in (1.0, -1.0):
        y, z = place.y + sign * dy, place.z + sign * dz
        if dy:  # the midline point stays on the surface
            z += sign * _top_slope(place) * dy
        curve = place.curve if not turn else _turned(place.curve, y, z, sign * turn)
        both.append(_figures(*sides(curve, y, z)).flat())
    return 0.5 * (both[0] - both[1])


def _top_slope(place: _Place) -> float:
    left, right = sides(place.curve, place.y, place.z)
    return float(right.depth_at(np.array([3.0]))[0] - left.depth_at(np.array([3.0]))[0]) / 6.0


def _turned(curve: FloatArray, y: float, z: float, angle: float) -> FloatArray:
    d = curve - np.array([y, z])
    cos, sin = np.cos(angle), np.sin(angle)
    return np.column_stack([y + cos * d[:, 0] - sin * d[:, 1], z + sin * d[:, 0] + cos * d[:, 1]])


def _surface_spread(surface: Surface, x: float, both: tuple[Side, Side]) -> _Figures:
    """What the surface's own errors, going together over `correlation_mm`, do to each figure."""
    slope, half = np.full(2, np.nan), np.full((4, 2), np.nan)
    places, errors = [], []
    share, reach = drift_share(surface), surface.correlation_mm
    for k, side in enumerate(both):
        sd, steep = _error_along(surface, x, side)
        upright = sd / np.maximum(np.cos(steep), 0.1)
        across = side.lateral_mm[: sd.size]
        weighted = _SLOPE_WEIGHT * np.interp(SLOPE_MM, across, upright)
        depth = side.depth_at(SLOPE_MM)
        variance = together(np.column_stack([SLOPE_MM, depth]), weighted, share, reach)
        slope[k] = np.degrees(np.sqrt(variance) / (1.0 + (_SLOPE_WEIGHT @ depth) ** 2))
        for m, level in enumerate(DEPTHS_MM):
            sideways = sd / np.maximum(np.sin(np.abs(steep)), 0.1)
            half[m, k] = np.interp(side.crossing(level), across, sideways)
        places.append(np.column_stack([SIGNS[k] * AREA_MM, side.depth_at(AREA_MM)]))
        errors.append(SIGNS[k] * np.interp(AREA_MM, across, upright))
    area = np.sqrt(together(np.concatenate(places), np.concatenate(errors), share, reach)) / 100.0
    return _Figures(slope, half, float(area))


def _error_along(surface: Surface, x: float, side: Side) -> tuple[FloatArray, FloatArray]:
    """(sd along the normal, slope angle) of the samples of a side, up to where it turns back; (k,)."""
    end = max(int(np.argmax(np.maximum.accumulate(np.nan_to_num(side.lateral_mm, nan=-1.0)))) + 1, 2)
    points = side.points[:end]
    sd = surface.sd(np.column_stack([np.full(end, x), points]))
    sd = np.where(np.isfinite(sd), sd, np.nanmedian(sd) if np.isfinite(sd).any() else np.nan)
    steep = np.arctan2(np.gradient(side.depth_mm[:end]), np.gradient(side.lateral_mm[:end]))
    return sd, steep


def drift_share(surface: Surface) -> float:
    """Share of the surface's variance that goes together over `correlation_mm`."""
    total = float(np.nanmedian(surface.sd_mm)) if surface.seen.any() else 0.0
    return min(1.0, (surface.drift_mm / total) ** 2) if total > 0.0 else 0.0


def together(place: FloatArray, error: FloatArray, share: float, reach: float) -> float:
    """Variance of the sum of errors (n,) at places (n, 2): a share goes together over `reach`, the rest over 20 mm."""
    d = np.linalg.norm(place[:, None] - place[None], axis=-1)
    alike = share * _alike(d, reach) + (1.0 - share) * np.exp(-0.5 * (d / SCATTER_MM) ** 2)
    return float(error @ alike @ error)


def _alike(d: FloatArray, reach: float) -> FloatArray:
    """Correlation of the drift at a distance: waves of many lengths about `reach` (rational quadratic kernel, α = 1;
    Rasmussen and Williams 2006, Gaussian Processes for Machine Learning, eq. 4.19)."""
    return np.asarray(1.0 / (1.0 + 0.5 * (d / (LONGER * reach)) ** 2))


def _seen_share(left: Side, right: Side) -> float:
    """Share of 200 mm of arc to each side that was seen."""
    arc = np.arange(2.5, SEEN_ARC_MM, 5.0)
    return float(np.mean([np.isfinite(side.at_arc(arc)[:, 0]).mean() for side in (left, right)]))


def _even_section(left: Side, right: Side) -> FloatArray:
    """(k, 2) points (y, z) from the midline point, right to left, every 5 mm of arc; NaN rows = gap."""
    ways = [side.at_arc(np.arange(0.0, side.arc_mm[-1] + 1e-9, SECTION_STEP_MM)) for side in (left, right)]
    return np.asarray(np.vstack([ways[1][:0:-1], ways[0]]) - left.points[0])
