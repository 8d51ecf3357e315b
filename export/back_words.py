"""Tables of the measured back, for the sheet of `measure` and for the fitter's pages: every figure with its error."""

import math

from shimwright.export import words
from shimwright.scan.back import LEFT, RIGHT, Back

Row = list[str]


def stations_table(back: Back) -> list[Row]:
    """Section · angle left, right · included · width at 30, 50, 100, 150 mm depth · left falls away more by, cm²."""
    s = back.stations
    rows = []
    for k, x in enumerate(s.x_mm):
        if not back.surface.x_mm[0] <= x <= back.surface.x_mm[-1]:
            continue
        left, right = s.slope_deg[k]
        sd = s.slope_sd_deg[k]
        widths = [words.with_error(s.width_mm[k, d], math.hypot(*s.half_width_sd_mm[k, d]), "mm") for d in range(4)]
        rows.append(
            [
                f"{-x:.0f} mm ({-x / words.MM_PER_INCH:.0f} in)",
                words.with_error(left, sd[LEFT], "°", 0.1),
                words.with_error(right, sd[RIGHT], "°", 0.1),
                words.rounded(180.0 - left - right, math.hypot(*sd), 0.1)
                + ("°" if math.isfinite(left + right) else ""),
                *widths,
                words.with_error(s.area_difference_cm2[k], s.area_difference_sd_cm2[k], "cm²"),
            ]
        )
    return rows


def landmarks_table(back: Back, units: str) -> list[Row]:
    """Name · behind the withers · source · kind · ±."""
    return [
        [
            words.place(mark.name),
            words.length(-float(mark.position_mm[0]), units),
            mark.source,
            mark.kind,
            f"± {max(1.0, mark.sd_mm):.0f} mm" if math.isfinite(mark.sd_mm) else "not known",
        ]
        for mark in back.landmarks
    ]


def build_table(back: Back, units: str) -> list[Row]:
    """Measures of the back as a whole, with their errors."""
    b = back.build
    dip_at = f", deepest {words.behind_withers(b.dip_x_mm)}" if math.isfinite(b.dip_x_mm) else ""
    return [
        ["Withers over croup", _uphill(back)],
        ["Dip below the line withers–croup", words.with_error(b.dip_mm, b.dip_sd_mm, "mm") + dip_at],
        ["Bearing line under the saddle, left / right", " / ".join(words.plain(v, "°", 0.1) for v in b.bearing_deg)],
        ["Hollow behind the shoulder, left / right", " / ".join(words.mm(v) for v in b.hollow_mm)],
        ["Usable length, shoulder to last rib, left / right", " / ".join(words.length(v, units) for v in b.usable_mm)],
    ]


def _uphill(back: Back) -> str:
    value, sd = back.build.uphill_deg, back.build.uphill_sd_deg
    if not math.isfinite(value):
        return words.NOT_SEEN if back.frame.gravity else "not known: which way is up was not told"
    return f"{words.with_error(abs(value), sd, '°', 0.1)} {'uphill' if value >= 0 else 'croup-high'}"
