"""Where the saddle sits on the back before anything presses: placing, lowering to first touch (DESIGN §13)."""

from dataclasses import dataclass

import numpy as np

from shimwright.optimize.answer import Placement
from shimwright.optimize.saddle import Arch, Saddle
from shimwright.optimize.underside import Underside, underside
from shimwright.scan.back import Back
from shimwright.scan.raw import FloatArray
from shimwright.scan.refusal import InputRefused

BEHIND_SHOULDER_MM = {"english": 48.0, "western": 15.0, "treeless": 50.0}  # PRACTICE §5 [T], middle [J]
RULE_SD_MM = 10.0  # of where a fitter sets the saddle by that rule [J]
UNSEEN_ALLOWED = 0.15  # share of the panels over what the scan did not see [J]
MISSED = 0.9  # share unseen above which the saddle lies beside the back, not over a hole in the scan [J]
FIRST_TOUCH_SPACING_MM = 8.0
LOWEST = 64  # nodes that are followed down until one touches


def place(back: Back, saddle: Saddle) -> Placement:
    """Reference pose: level as the maker meant, yaw 0, y 0, x by mark or rule, lowered to first touch without pad.

    Raises InputRefused when neither a mark nor a shoulder edge says where, or the panels reach beyond what was seen.
    """
    front_x, source, sd = front_edge(back, saddle)
    arch = next((a for a in saddle.arches if a.name == saddle.reference_arch), None)
    panels = underside(saddle, arch, FIRST_TOUCH_SPACING_MM, arch_angles_deg(back, saddle, arch, front_x))
    return Placement(front_x, lowered(back, panels, front_x), source, sd)


def front_edge(back: Back, saddle: Saddle) -> tuple[float, str, float]:
    """(x of the arch's front edge, "marked" or "rule", sd mm)."""
    found = [back.landmark(f"saddle_front_{side}") for side in ("left", "right")]
    marks = [mark for mark in found if mark is not None and mark.source != "estimated"]
    if marks:
        x = float(np.mean([mark.position_mm[0] for mark in marks]))
        return x, "marked", float(np.linalg.norm([mark.sd_mm for mark in marks])) / len(marks)
    edges = [back.landmark(f"shoulder_{side}") for side in ("left", "right")]
    known = [edge for edge in edges if edge is not None and np.isfinite(edge.position_mm[0])]
    if not known:
        raise InputRefused(
            "no shoulder edge was found or marked, so nothing says where the saddle sits: mark it with "
            "--mark shoulder_left=… and shoulder_right=…, or saddle_front_left=… where the saddle settles"
        )
    rear = min(known, key=lambda edge: float(edge.position_mm[0]))
    behind = BEHIND_SHOULDER_MM.get(saddle.style, BEHIND_SHOULDER_MM["english"])
    return float(rear.position_mm[0]) - behind, "rule", float(np.hypot(rear.sd_mm, RULE_SD_MM))


@dataclass(frozen=True)
class Resting:
    """Bare gap along the normals (n,), NaN where the scan saw nothing, and the share of area unseen."""

    gap_mm: FloatArray
    unseen_share: float


def gaps_at(back: Back, panels: Underside, origin_mm: FloatArray) -> Resting:
    gap = back.gap(panels.points + origin_mm, panels.normals)
    return Resting(gap, float(panels.area_mm2[~np.isfinite(gap)].sum() / panels.area_mm2.sum()))


def lowered(back: Back, panels: Underside, front_x_mm: float) -> FloatArray:
    """(3,) origin of the saddle frame in the back frame, y 0, at first touch.

    Raises InputRefused when more than 15 % of the panels lie over what the scan did not see.
    """
    spine = float(np.nanmax(np.append(back.midline.at(front_x_mm + panels.points[:, 0])[1], -np.inf)))
    origin = np.array([front_x_mm, 0.0, (spine if np.isfinite(spine) else 0.0) + 60.0])
    for _ in range(5):
        resting = gaps_at(back, panels, origin)
        if not resting.unseen_share <= UNSEEN_ALLOWED:
            raise InputRefused(_misses(back, panels, front_x_mm, resting.unseen_share))
        near = np.argsort(resting.gap_mm)[:LOWEST]  # NaN sorts last
        drop = _drop(back, panels.points[near], panels.normals[near], origin)
        origin = origin - drop
        if abs(drop[2]) < 1e-3:
            break
    return origin


def _drop(back: Back, points: FloatArray, normals: FloatArray, origin: FloatArray) -> FloatArray:
    """(0, 0, drop) that brings the lowest of these nodes to the surface."""
    drop = np.zeros(3)
    for _ in range(8):
        step = float(np.nanmin(back.gap(points + origin - drop, normals) / -normals[:, 2]))
        drop[2] += step
        if abs(step) < 1e-6:
            break
    return drop


def _misses(back: Back, panels: Underside, front_x_mm: float, unseen: float) -> str:
    rows, length = back.surface.x_mm[back.surface.seen.any(axis=1)], panels.panels.saddle.length_mm
    reach = " to ".join(_near_withers(float(x)) for x in (rows[-1], rows[0])) if rows.size else "nowhere"
    where = f"{-front_x_mm:.0f} to {length - front_x_mm:.0f} mm behind the withers"
    if unseen > MISSED:
        return (
            f"the saddle misses the back: its panels lie {where}, the scan reaches from {reach}; check where the "
            "saddle was placed, the marks and the unit"
        )
    if back.source.told.get("traced"):
        return (
            f"{100 * unseen:.0f} % of the panels, {where}, lie beyond the traced sections, which run from {reach}: "
            "trace one more beyond each end of the panels, and as far down as they lie"
        )
    return (
        f"{100 * unseen:.0f} % of the panels, {where}, lie over what the scan did not see (it reaches from {reach}): "
        "scan it too, or check the panel length and where the saddle was placed"
    )


def _near_withers(x_mm: float) -> str:
    return f"{abs(x_mm):.0f} mm {'in front of' if x_mm > 0 else 'behind'} the withers"


def arch_angles_deg(back: Back, saddle: Saddle, arch: Arch | None, front_x_mm: float) -> tuple[float, float] | None:
    """Angle of the back under the arch's legs (left, right), what a soft arch follows; None for any other arch."""
    if arch is None or not arch.soft:
        return None
    inner = float(saddle.channel_mm[0]) / 2
    outer = inner + float(saddle.panel_width_mm[0] * np.cos(np.radians(saddle.angle_deg[0])))
    x = front_x_mm - np.linspace(0.1, 0.9, 5) * saddle.arch_length_mm
    left, right = (float(np.nanmean(back_angle_deg(back, x, inner, outer, side))) for side in (1, -1))
    return left, right


def back_angle_deg(back: Back, x_mm: FloatArray, inner_mm: float, outer_mm: float, side: int) -> FloatArray:
    """(k,) slope below horizontal of the back's section from |y| inner to outer on a side, least squares; NaN
    unseen.
    """
    y = np.linspace(inner_mm, outer_mm, 25)
    angles = np.full(len(x_mm), np.nan)
    for i, x in enumerate(x_mm):
        z = section_height_mm(back, float(x), side * y)
        if np.isfinite(z).sum() >= 15:
            seen = np.isfinite(z)
            angles[i] = np.degrees(np.arctan(-np.polyfit(y[seen], z[seen], 1)[0]))
    return angles


def section_height_mm(back: Back, x_mm: float, y_mm: FloatArray) -> FloatArray:
    """z of the back at (x, y), from above; NaN where not seen or where the flank has turned under."""
    section = back.section(x_mm)
    outward = np.maximum.accumulate(np.where(np.isfinite(section[:, 0]), section[:, 0], -np.inf))
    keep = np.isfinite(section).all(axis=1) & (section[:, 0] >= outward - 1e-9)
    if keep.sum() < 2:
        return np.full(y_mm.shape, np.nan)
    line = section[keep]
    z = np.interp(y_mm, line[:, 0], line[:, 1], left=np.nan, right=np.nan)
    nearest = np.abs(line[:, 0][None, :] - y_mm[:, None]).min(axis=1)
    return np.where(nearest < 25.0, z, np.nan)
