"""What changed between visits: a signed map with its error, places and measures, and which of them are beyond error.

One error for the whole map: the map's own field of errors is drawn many times, and the limit is what the largest place
of such a map exceeds in one of forty. Places and measures are held to Holm's rule (Holm 1979, Scand J Stat 6:65–70) at
the same level. Together an unchanged horse is called changed in one of twenty at most.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm

from shimwright.scan.back import STATIONS_MM, Back, Midline
from shimwright.scan.landmarks import BLADE_ARC_MM, length_scale, side_line
from shimwright.scan.measures import measure_stations
from shimwright.scan.raw import FloatArray
from shimwright.scan.register import (
    Nodes,
    Registration,
    carried,
    difference,
    error_covariance,
    error_sd,
    nodes_of,
    register,
)
from shimwright.scan.surface import Surface

ALPHA = 0.025  # each of map and measures
DRAWS = 4000
MAP_X_MM = np.arange(-600.0, -49.0, 25.0)
MAP_PHI = np.radians(np.arange(-80.0, 80.1, 5.0))
FINE_X_MM = np.arange(-640.0, 41.0, 10.0)
FINE_PHI = np.radians(np.arange(-80.0, 80.1, 2.5))
ARC_MM = 260.0  # of the saddle's place to each side
THIRDS_MM = (("front", -50.0, -230.0), ("middle", -230.0, -410.0), ("rear", -410.0, -600.0))
ZONE_ARC_MM = (30.0, 220.0)
SIDES = (("left", 1.0), ("right", -1.0))
SECTIONS_MM = (-100.0, -250.0, -400.0)
LEAST_SHARE = 0.5  # of a zone's nodes seen, else it is not told
STRAIGHT_EDGE_MM = 200.0
PLACING_SD_MM = 1.0  # [J] hollow: the ends of the straight-edge, beyond the surface's own error


@dataclass(frozen=True)
class Measure:
    """A figure of one visit. sd: of comparing it with other visits of the same horse, laid over one another."""

    name: str
    unit: str
    x_mm: float  # NaN: of the whole back
    side: str
    value: float
    sd: float


@dataclass(frozen=True)
class Changed:
    """Of a place or measure: what it changed by, its sd, whether that is beyond error with all others looked at too."""

    name: str
    unit: str
    x_mm: float
    side: str
    change: float
    sd: float
    beyond: bool


@dataclass(frozen=True)
class Change:
    """Later visit less earlier one, in the earlier one's frame; + = more horse.

    points_mm (n_x, n_phi, 3), change_mm and sd_mm (n_x, n_phi), NaN unseen: the map. limit: so many sd must a place of
    the map differ. beyond (n_x, n_phi): it does.
    """

    pose: Registration
    x_mm: FloatArray
    phi: FloatArray
    points_mm: FloatArray
    change_mm: FloatArray
    sd_mm: FloatArray
    limit: float
    places: tuple[Changed, ...]

    @property
    def beyond(self) -> NDArray[np.bool_]:
        with np.errstate(invalid="ignore"):
            return np.asarray(np.abs(self.change_mm) > self.limit * self.sd_mm)

    @property
    def none(self) -> bool:
        """Nothing is beyond error, neither on the map nor in places and measures."""
        return not (self.beyond.any() or any(place.beyond for place in self.places))


def change_between(earlier: Back, later: Back, pose: Registration | None = None) -> Change:
    """Raises InputRefused as `register` does."""
    pose = pose or register(earlier, later)
    nodes = _near(nodes_of(earlier, MAP_X_MM, MAP_PHI))
    gap, sd = difference(later, nodes, pose)
    seen = np.isfinite(gap) & np.isfinite(sd)
    nodes, gap, sd = _of(nodes, seen), gap[seen], sd[seen]
    covariance = error_covariance(earlier, later, nodes, (gap, sd), pose)
    limit = largest(covariance)
    fine = _fine_map(earlier, later, pose, limit)
    figures = changed_measures(measures(earlier, earlier, None), measures(earlier, later, pose))
    return replace(fine, places=held_to_holm([*_zones(nodes, gap, covariance), *figures]))


def largest(covariance: FloatArray) -> float:
    """The (1 − ALPHA) quantile of the largest |error| / sd of a field (n, n), drawn; never below one place's."""
    sd = np.sqrt(np.diag(covariance))
    alike = covariance / np.outer(sd, sd)
    alike[np.diag_indices_from(alike)] += 1e-6
    half = np.linalg.cholesky(alike)
    draws = half @ np.random.default_rng(1).standard_normal((len(sd), DRAWS))
    return float(max(np.quantile(np.abs(draws).max(axis=0), 1.0 - ALPHA), norm.isf(ALPHA / 2)))


def held_to_holm(places: Sequence[Changed]) -> tuple[Changed, ...]:
    """The same, told which are beyond error; what is not known never is."""
    known = [k for k, one in enumerate(places) if np.isfinite([one.change, one.sd]).all() and one.sd > 0]
    p = np.array([2.0 * norm.sf(abs(places[k].change) / places[k].sd) for k in known])
    beyond: set[int] = set()
    for rank, at in enumerate(np.argsort(p, kind="stable")):
        if p[at] > ALPHA / (len(known) - rank):
            break
        beyond.add(known[int(at)])
    return tuple(replace(one, beyond=k in beyond) for k, one in enumerate(places))


def measures(frame_of: Back, back: Back, pose: Registration | None) -> tuple[Measure, ...]:
    """Figures of a visit read in the frame, along the midline and at the marks of another; pose None: of itself."""
    surface, midline, roll_sd, along_sd = _in_frame(frame_of, back, pose)
    frame = replace(frame_of.frame, roll_sd_deg=roll_sd)
    stations = measure_stations(surface, midline, frame)
    rows: list[Measure] = []
    width, width_sd = stations.width_mm, np.linalg.norm(stations.half_width_sd_mm, axis=2)
    slope_sd = _moved(stations.slope_deg, stations.slope_sd_deg, along_sd)
    wide_sd = _moved(width, width_sd, along_sd)
    area_sd = _moved(stations.area_difference_cm2, stations.area_difference_sd_cm2, along_sd)
    for x in SECTIONS_MM:
        k = int(np.flatnonzero(x == STATIONS_MM)[0])
        for s, (side, _) in enumerate(SIDES):
            rows.append(Measure("angle below horizontal", "°", x, side, stations.slope_deg[k, s], slope_sd[k, s]))
        rows.append(Measure("width 100 mm down", "mm", x, "both", width[k, 2], wide_sd[k, 2]))
        rows.append(Measure("left falls away more", "cm²", x, "none", stations.area_difference_cm2[k], area_sd[k]))
    for s, (side, _) in enumerate(SIDES):
        rows.append(
            Measure("hollow under a straight-edge", "mm", np.nan, side, *_hollow(frame_of, surface, midline, s))
        )
    rows.append(Measure("dip", "mm", np.nan, "none", back.build.dip_mm, back.build.dip_sd_mm))
    rows.append(Measure("withers over croup", "°", np.nan, "none", back.build.uphill_deg, back.build.uphill_sd_deg))
    return tuple(rows)


def changed_measures(before: Sequence[Measure], after: Sequence[Measure]) -> list[Changed]:
    """After less before, row by row; not yet held to any limit."""
    return [
        Changed(a.name, a.unit, a.x_mm, a.side, float(b.value - a.value), float(np.hypot(a.sd, b.sd)), False)
        for a, b in zip(before, after, strict=True)
    ]


def _in_frame(frame_of: Back, back: Back, pose: Registration | None) -> tuple[Surface, Midline, float, float]:
    """(surface, midline, sd of roll in degrees, sd along the back in mm) of a back in another's frame."""
    line = frame_of.midline
    if pose is None:
        own = np.zeros_like(line.x_mm)
        return back.surface, Midline(line.x_mm, line.y_mm, line.z_mm, own, line.sd_z_mm), 0.0, 0.0
    surface, other = carried(back, frame_of, pose)
    z = other.at(line.x_mm)[1] + _height_aside(surface, line, other)
    aside = pose.sd[1]
    known = np.isfinite(z)
    sd_z = np.interp(line.x_mm, other.x_mm, other.sd_z_mm)
    midline = Midline(line.x_mm[known], line.y_mm[known], z[known], np.full(known.sum(), aside), sd_z[known])
    return surface, midline, float(np.degrees(pose.sd[3])), float(pose.sd[0])


def _height_aside(surface: Surface, line: Midline, other: Midline) -> FloatArray:
    """(n,) height of the surface at the shared midline above that at the back's own."""
    inside = np.clip(line.x_mm, surface.x_mm[0], surface.x_mm[-1])
    heights = np.zeros((2, line.x_mm.size))
    for k, section in enumerate(surface.sections(inside, surface.phi)):
        seen = np.isfinite(section).all(axis=1) & (np.abs(surface.phi) < 0.8)
        if seen.sum() > 3:
            order = np.argsort(section[seen, 0])
            y, z = section[seen][order].T
            heights[:, k] = np.interp([line.y_mm[k], float(other.at(line.x_mm[k])[0])], y, z)
    return np.asarray(heights[0] - heights[1])


def _moved(value: FloatArray, sd: FloatArray, along_sd: float) -> FloatArray:
    """sd with what a doubt along the back adds: the figure's slope from section to section."""
    slope = np.gradient(value, STATIONS_MM, axis=0)
    return np.asarray(np.hypot(sd, np.nan_to_num(slope) * along_sd))


def _hollow(frame_of: Back, surface: Surface, midline: Midline, side: int) -> tuple[float, float]:
    """(depth, sd) under a straight-edge of 200 mm from the first visit's shoulder edge backwards, at its middle.

    At the same three places in every visit, unlike the build's own figure, whose deepest point may jump.
    """
    shoulder, croup = frame_of.landmark(("shoulder_left", "shoulder_right")[side]), frame_of.landmark("croup")
    if shoulder is None or not np.isfinite(shoulder.position_mm[0]):
        return float("nan"), float("nan")
    scale = length_scale(float("nan") if croup is None else -float(croup.position_mm[0]))
    x = float(shoulder.position_mm[0]) - scale * STRAIGHT_EDGE_MM * np.array([1.0, 0.5, 0.0])
    line = side_line(surface, midline, x, BLADE_ARC_MM * scale)[:, side]
    height = line @ np.array([1.0 if side == 0 else -1.0, 1.0]) / np.sqrt(2.0)  # about square to the flank
    sd = np.nanmean(surface.sd(np.column_stack([x, line]))) if np.isfinite(line).all() else np.nan
    return float((height[0] + height[2]) / 2 - height[1]), float(np.hypot(np.sqrt(1.5) * sd, PLACING_SD_MM))


def _zones(nodes: Nodes, gap: FloatArray, covariance: FloatArray) -> list[Changed]:
    """Mean change over the six zones, and of left less right in each third."""
    x, y, rows = nodes.points[:, 0], nodes.points[:, 1], []
    inside = (nodes.arc > ZONE_ARC_MM[0]) & (nodes.arc < ZONE_ARC_MM[1])
    for third, front, rear in THIRDS_MM:
        here = inside & (x <= front) & (x > rear)
        means = {}
        for side, sign in SIDES:
            mine = here & (np.sign(y) == sign)
            means[side] = mine / max(mine.sum(), 1)
            rows.append(_linear(f"{third} filled", "mm", side, means[side], gap, covariance))
        both = means["left"] - means["right"]
        rows.append(_linear(f"{third}, left more than right", "mm", "none", both, gap, covariance))
    return rows


def _linear(name: str, unit: str, side: str, weight: FloatArray, gap: FloatArray, covariance: FloatArray) -> Changed:
    if not weight.any():
        return Changed(name, unit, np.nan, side, np.nan, np.nan, False)
    sd = float(np.sqrt(weight @ covariance @ weight))
    return Changed(name, unit, np.nan, side, float(weight @ gap), sd, False)


def _fine_map(earlier: Back, later: Back, pose: Registration, limit: float) -> Change:
    """The map on its picture's grid."""
    x, phi = np.meshgrid(FINE_X_MM, FINE_PHI, indexing="ij")
    points = earlier.point(x.ravel(), phi.ravel())
    normals = earlier.normal(x.ravel(), phi.ravel())
    keep = np.isfinite(points).all(axis=1)
    nodes = Nodes(points[keep], normals[keep], earlier.surface.sd(points[keep]), np.zeros(int(keep.sum())))
    gap, sd = difference(later, nodes, pose)
    total = error_sd(earlier, later, nodes, (gap, sd), pose)
    maps = np.full((2, x.size), np.nan)
    maps[:, keep] = np.where(np.isfinite(gap) & np.isfinite(total), [gap, total], np.nan)
    change, spread = maps.reshape(2, *x.shape)
    return Change(pose, FINE_X_MM, FINE_PHI, points.reshape(*x.shape, 3), change, spread, limit, ())


def _near(nodes: Nodes) -> Nodes:
    return _of(nodes, nodes.arc <= ARC_MM)


def _of(nodes: Nodes, keep: NDArray[np.bool_]) -> Nodes:
    return Nodes(nodes.points[keep], nodes.normals[keep], nodes.sd[keep], nodes.arc[keep])
