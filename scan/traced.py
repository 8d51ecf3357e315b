"""A back from hand-traced sections and a long profile, for those without a scanner (DESIGN §13).

Sections are laid on by a flexible curve and drawn on paper; the profile is the height of the spine under a level line.
Between sections the surface is interpolated about the spine, and its sd grows with the distance to the next section.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.interpolate import PchipInterpolator

from shimwright.scan.back import Back, Frame, Midline, Source
from shimwright.scan.build_back import build_back
from shimwright.scan.double_surface import DoubleSurface
from shimwright.scan.landmarks import Places
from shimwright.scan.quality import ScanSample
from shimwright.scan.raw import FloatArray
from shimwright.scan.refusal import InputRefused
from shimwright.scan.surface import Surface, phi_grid
from shimwright.scan.topline import topline_landmarks
from shimwright.scan.trunk_cells import TrunkAxis, trunk_axis

TRACING_SD_MM = 2.0  # pencil, paper and a flexible curve [J]
BETWEEN_SD = 0.03  # more for each mm to the next section [J]
FEWEST_SECTIONS = 3
WIDEST_APART_MM = 250.0  # sections farther apart say nothing of what lies between [J]
HIGHEST_END_MM = 20.0  # a short section of a grooved back may end a little above the spine [J]
FARTHEST_MM = 400.0  # up or down from the withers, behind them [J]


@dataclass(frozen=True)
class TracedSection:
    """points_mm: (n, 2) of (y, z) from the spine, y to the left, z up, in any order along y."""

    x_mm: float
    points_mm: FloatArray
    sd_mm: float = TRACING_SD_MM


@dataclass(frozen=True)
class Tracing:
    """profile_mm: (n, 2) of (x, z) of the spine, withers at x = 0 and z = 0, x forward. level: z against gravity."""

    profile_mm: FloatArray
    sections: tuple[TracedSection, ...]
    level: bool
    told_mm: dict[str, float]


def back_from_tracing(tracing: Tracing, source: Source) -> Back:
    """The `Back` of a tracing. Raises InputRefused where it cannot be one."""
    sections = sorted(tracing.sections, key=lambda section: section.x_mm)
    _check(sections)
    profile = tracing.profile_mm[np.argsort(tracing.profile_mm[:, 0])]
    _check_profile(profile)
    topline = topline_landmarks(profile[:, 0], profile[:, 1], np.full(len(profile), TRACING_SD_MM), 0.0)
    x = np.arange(np.ceil(profile[0, 0] / 5.0) * 5.0, profile[-1, 0] + 1e-9, 5.0)
    _check_ends(sections, x[0], x[-1])
    spine = PchipInterpolator(profile[:, 0], profile[:, 1])
    axis = trunk_axis(x, np.zeros(x.size), spine(x), topline.withers_x - topline.croup_x)
    surface = _surface(sections, spine, axis)
    sd = np.full(x.size, TRACING_SD_MM)
    midline = Midline(x, np.zeros(x.size), spine(x), 1.5 * sd, sd)
    sample = ScanSample(
        points=sum(len(section.points_mm) for section in sections),
        spacing_mm=float(np.median(np.diff([section.x_mm for section in sections]))),
        noise_mm=TRACING_SD_MM,
        double=DoubleSurface(np.nan, np.nan, np.nan),
        traced=True,
    )
    return build_back(surface, midline, _frame(tracing.level), Places(topline, told_mm=tracing.told_mm), sample, source)


def _check(sections: list[TracedSection]) -> None:
    if len(sections) < FEWEST_SECTIONS:
        raise InputRefused(
            f"{len(sections)} traced sections: a back needs at least {FEWEST_SECTIONS}; trace behind the "
            "shoulder blades, under the seat and behind the rear end of the panels"
        )
    for one, following in pairwise(sections):
        apart = following.x_mm - one.x_mm
        if not 1.0 <= apart <= WIDEST_APART_MM:
            raise InputRefused(
                f"sections {-following.x_mm:.0f} and {-one.x_mm:.0f} mm behind the withers lie {apart:.0f} mm apart: "
                f"1 to {WIDEST_APART_MM:.0f} mm can be bridged; trace one more between them, or correct the distance"
            )
    for section in sections:
        y, where = section.points_mm[:, 0], f"the section {-section.x_mm:.0f} mm behind the withers"
        if len(y) < 7 or y.min() > -60 or y.max() < 60:
            raise InputRefused(
                f"{where}: {len(y)} points from {-y.min():.0f} mm right to {y.max():.0f} mm left; at least 7 points "
                "and 60 mm to each side are needed, better 150 mm"
            )
        ends = section.points_mm[[int(y.argmax()), int(y.argmin())], 1]
        if ends.max() > HIGHEST_END_MM:
            raise InputRefused(
                f"{where}: its ends lie {ends[0]:+.0f} mm (left) and {ends[1]:+.0f} mm (right) from the spine: "
                "a back falls away to both sides; heights below the spine are negative, correct them"
            )


def _check_profile(profile: FloatArray) -> None:
    twice = profile[1:][np.diff(profile[:, 0]) <= 0]
    if len(twice):
        raise InputRefused(
            f"profile_mm: two points {-twice[0, 0]:g} mm behind the withers, so its height there is not known; keep one"
        )
    back = profile[profile[:, 0] <= 0.0]
    x, z = back[int(np.abs(back[:, 1]).argmax())]
    if abs(z) > FARTHEST_MM:
        raise InputRefused(
            f"profile_mm: {z:+.0f} mm against the withers, {-x:.0f} mm behind them: no back goes beyond "
            f"{FARTHEST_MM:.0f} mm; correct that height"
        )


def _check_ends(sections: list[TracedSection], rear_mm: float, front_mm: float) -> None:
    outside = [-s.x_mm for s in sections if not rear_mm <= s.x_mm <= front_mm]
    if outside:
        raise InputRefused(
            f"the section {outside[0]:.0f} mm behind the withers lies off the profile, which runs from {-front_mm:.0f} "
            f"to {-rear_mm:.0f} mm: its height is not known; measure the profile farther"
        )


def _surface(sections: list[TracedSection], spine: PchipInterpolator, axis: TrunkAxis) -> Surface:
    phi = phi_grid()
    rows = np.array([_radius(section, spine, axis, phi) for section in sections])
    at = np.array([section.x_mm for section in sections])
    radius = np.full((axis.x_mm.size, phi.size), np.nan)
    for column in range(phi.size):
        seen = np.isfinite(rows[:, column])
        if seen.sum() >= FEWEST_SECTIONS - 1:
            inside = (axis.x_mm >= at[seen].min()) & (axis.x_mm <= at[seen].max())
            between = PchipInterpolator(at[seen], rows[seen, column])
            radius[inside, column] = between(axis.x_mm[inside])
    away = np.abs(axis.x_mm[:, None] - at[None, :]).min(axis=1)
    traced = np.interp(axis.x_mm, at, [section.sd_mm for section in sections])
    sd = np.hypot(traced, BETWEEN_SD * away)[:, None] * np.ones_like(radius)
    return Surface(axis.x_mm, phi, axis.y_mm, axis.z_mm, radius, np.where(np.isfinite(radius), sd, np.nan))


def _radius(section: TracedSection, spine: PchipInterpolator, axis: TrunkAxis, phi: FloatArray) -> FloatArray:
    """Radius of one section at phi, NaN beyond its ends."""
    y = section.points_mm[:, 0] - np.interp(section.x_mm, axis.x_mm, axis.y_mm)
    z = section.points_mm[:, 1] + float(spine(section.x_mm)) - np.interp(section.x_mm, axis.x_mm, axis.z_mm)
    angle, length = np.arctan2(y, z), np.hypot(y, z)
    order = np.argsort(angle)
    angle, first = np.unique(angle[order], return_index=True)
    radius: FloatArray = PchipInterpolator(angle, length[order][first], extrapolate=False)(phi)
    return radius


def _frame(level: bool) -> Frame:
    """The tracing's own axes are the back's: x forward, y left, z up, mm."""
    sd = 1.0 if level else 3.0  # of a spirit level held on a ruler; of the eye [J]
    axes = np.eye(3)
    return Frame(
        origin_scan=np.zeros(3),
        forward_scan=axes[0],
        left_scan=axes[1],
        up_scan=axes[2],
        mm_per_unit=1.0,
        unit_source="told",
        up_source="told" if level else "shape",
        head_source="told",
        mirrored=False,
        heading_sd_deg=1.0,
        pitch_sd_deg=sd,
        roll_sd_deg=sd,
    )
