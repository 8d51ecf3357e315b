"""The arch and panel that one back would have for itself, fitted to its relief: the numbers of `panel_fit`, by the same
rules, some hundred times faster, for thousands of horses. Daylight and pressing count alike here.
"""

from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import least_squares

from shimwright.optimize.panel_fit import carried_on
from shimwright.optimize.panel_rules import PanelRules, panel_rules
from shimwright.optimize.relief import Relief
from shimwright.optimize.saddle import Arch, Saddle
from shimwright.optimize.underside import LEG_DEPTH_MM, Panels
from shimwright.scan.raw import FloatArray

ROUNDS = 10
SETTLED = 0.1  # mm, degrees, hundredths of a radian: well below what a scan shows
UNSETTLED = 2.0
NUDGE, LONGEST = 0.05, 20.0
ANGLES_DEG = (2.0, 75.0)
CREST_STATIONS = np.linspace(0.05, 0.95, 10)
KNOTS = np.array([0.0, 0.5, 1.0])
ROLL_SHARE = 1e-2  # unknowns of like size: roll in hundredths of a radian


@dataclass(frozen=True)
class OwnSize:
    """saddle: the pattern with this back's panel numbers, its arch in. mean_gap_mm: what remains, over what was seen.
    z_mm: height of the arch's top in the back frame. roll_deg: left side high.
    """

    saddle: Saddle
    mean_gap_mm: float
    z_mm: float
    roll_deg: float

    @property
    def arch(self) -> Arch:
        return self.saddle.arches[0]


def own_size(relief: Relief, pattern: Saddle, rules: PanelRules | None = None) -> OwnSize:
    """pattern gives length, widths, filling and the arch's length; everything else is this back's."""
    rules = rules or panel_rules()
    saddle = replace(pattern, arches=(), reference_arch=None, side_difference_mm=0.0)
    nodes = _nodes(saddle, rules)
    pose = np.array([np.nanmax(relief.z_mm), 0.0])
    settled = False
    for _ in range(ROUNDS):
        saddle, pose, moved = _step(saddle, relief, pose, nodes)
        if moved > UNSETTLED:  # a crest is only told from a panel that lies
            continue
        if settled and moved < SETTLED:
            break
        channel = np.clip(2 * (_crest(saddle, relief, pose, rules) + rules.channel_clear_mm), *rules.channel_range_mm)
        saddle, settled = replace(saddle, channel_mm=channel), True
    gap = _gaps(Panels(saddle, None), relief, pose, *nodes)
    top = relief.withers_z_mm + rules.arch_clear_mm
    fitted = _with_arch(saddle, top - float(pose[0]))
    return OwnSize(fitted, float(np.nanmean(np.abs(gap))), top, float(np.degrees(pose[1] * ROLL_SHARE)))


def _nodes(saddle: Saddle, rules: PanelRules) -> tuple[FloatArray, FloatArray]:
    """(s, t) inside the flare and the rounded edges, on the relief's own rows."""
    end, edge = rules.end_mm / saddle.length_mm, rules.edge_mm / float(np.min(saddle.panel_width_mm))
    s = np.linspace(end, 1 - end, max(int(saddle.length_mm / 24.0), 6))
    s, t = np.meshgrid(s, np.linspace(edge, 1 - edge, 8), indexing="ij")
    return s.ravel(), t.ravel()


def _step(
    saddle: Saddle, relief: Relief, pose: FloatArray, nodes: tuple[FloatArray, FloatArray]
) -> tuple[Saddle, FloatArray, float]:
    """One Gauss–Newton step in angles, rocker, crown, rise, height and roll; how far it went (mm, degrees)."""
    start = np.concatenate([saddle.angle_deg, [saddle.rocker_mm, saddle.panel_curve_mm, saddle.rise_mm], pose])

    def shaped(values: FloatArray) -> Saddle:
        rocker, crown, rise = (float(v) for v in values[3:6])
        angle = np.clip(values[:3], *ANGLES_DEG)
        return replace(saddle, angle_deg=angle, rocker_mm=rocker, panel_curve_mm=crown, rise_mm=rise)

    def gaps(values: FloatArray) -> FloatArray:
        return _gaps(Panels(shaped(values), None), relief, values[6:], *nodes).ravel()

    here = gaps(start)
    seen = np.isfinite(here)
    slopes = np.stack([(gaps(start + NUDGE * one) - here) / NUDGE for one in np.eye(start.size)], axis=1)
    seen &= np.isfinite(slopes).all(axis=1)
    step = np.linalg.lstsq(slopes[seen], -here[seen], rcond=None)[0]
    moved = start + np.clip(step, -LONGEST, LONGEST)
    return shaped(moved), moved[6:], float(np.abs(step).max())


def _gaps(panels: Panels, relief: Relief, pose: FloatArray, s: FloatArray, t: FloatArray) -> FloatArray:
    """(2, n): along the panel's normal, + = daylight; the roll turns about the middle line."""
    left, cos = panels.points(s, t, 1), np.cos(panels.angle_rad(s, 1))
    height = [
        (left[:, 2] + pose[0] + sign * left[:, 1] * pose[1] * ROLL_SHARE - relief.height(left[:, 0], sign * left[:, 1]))
        for sign in (1, -1)
    ]
    return np.stack(height) * cos


def _crest(saddle: Saddle, relief: Relief, pose: FloatArray, rules: PanelRules) -> FloatArray:
    """(3,) half of the spine's crest at front, middle, rear: where the back leaves the panel's surface carried on."""
    across = np.arange(0.5, -1.0, -0.02)
    s, t = (grid.ravel() for grid in np.meshgrid(CREST_STATIONS, across, indexing="ij"))
    rows = []
    for sign in (1, -1):
        points, _ = carried_on(Panels(saddle, None), s, t, sign)
        z = points[:, 2] + pose[0] + points[:, 1] * pose[1] * ROLL_SHARE
        gap = (z - relief.height(points[:, 0], points[:, 1])).reshape(len(CREST_STATIONS), -1)
        gap = gap - np.nanmedian(gap[:, (across > 0.15)], axis=1, keepdims=True)
        rows.append(_leaves(gap, (sign * points[:, 1]).reshape(gap.shape), rules.leave_mm))
    widest = np.maximum(*rows)
    found = least_squares(
        lambda three: np.interp(CREST_STATIONS, KNOTS, three) - widest,
        np.interp(KNOTS, CREST_STATIONS, widest),
        loss="soft_l1",
    )
    return np.asarray(found.x)


def _leaves(gap: FloatArray, lateral: FloatArray, leave_mm: float) -> FloatArray:
    """(stations,) the outermost place, going inward, that lies more than `leave_mm` off; 0 where none does."""
    off = (gap > leave_mm) & (lateral > 0)
    first = off.argmax(axis=1)
    return np.where(off.any(axis=1), np.take_along_axis(lateral, first[:, None], 1)[:, 0], 0.0)


def _with_arch(saddle: Saddle, top_mm: float) -> Saddle:
    """As `panel_fit`: the arch is parallel to the panel over its own length, its width read 100 mm below its top."""
    panels = Panels(saddle, None)
    under = np.linspace(0.0, 1.0, 21) * min(saddle.arch_length_mm / saddle.length_mm, 1.0)
    leg = float(np.degrees(panels.angle_rad(under, 1)).mean())
    y, z = (float(value) for value in panels._centre(np.array(0.0), 1))
    front, depth = np.radians(saddle.angle_deg[0]), saddle.filling.depth_mm if saddle.filling else 0.0
    reach = (z - top_mm + LEG_DEPTH_MM + depth * np.cos(front)) / np.sin(front)
    width = 2 * (y + reach * np.cos(front) + depth * np.sin(front))
    return replace(saddle, arches=(Arch("own", 180.0 - 2 * leg, float(width)),), reference_arch="own")
