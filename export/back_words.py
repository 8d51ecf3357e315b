"""Tables of the measured back, for the sheet of `measure` and for the fitter's pages: every figure with its error."""

import math

from shimwright.export import words
from shimwright.scan.back import LEFT, RIGHT, Back, Build, BuildWord
from shimwright.scan.build import word_sd

Row = list[str]


def stations_table(back: Back, units: str = "mm") -> list[Row]:
    """Section · angle left, right · included · width at 30, 50, 100, 150 mm depth · left falls away more by, cm²."""
    s = back.stations
    rows = []
    for k, x in enumerate(s.x_mm):
        if not back.surface.x_mm[0] <= x <= back.surface.x_mm[-1]:
            continue
        left, right = s.slope_deg[k]
        sd = s.slope_sd_deg[k]
        widths = [_width(s.width_mm[k, d], math.hypot(*s.half_width_sd_mm[k, d]), units) for d in range(4)]
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
            words.mark(mark.name),
            words.length(-float(mark.position_mm[0]), units, 1.0 if mark.source == "told" else max(mark.sd_mm, 1.0)),
            mark.source,
            mark.kind,
            f"± {_error(mark.sd_mm)} mm" if math.isfinite(mark.sd_mm) else "not known",
        ]
        for mark in back.landmarks
    ]


def build_table(back: Back, units: str) -> list[Row]:
    """Measures of the back as a whole, with their errors."""
    b, usable = back.build, " / ".join(_usable(back, side, units) for side in (LEFT, RIGHT))
    dip_at = f", deepest {words.behind_withers(b.dip_x_mm)}" if math.isfinite(b.dip_x_mm) else ""
    return [
        ["Withers over croup", _uphill(back)],
        ["Dip below the line withers–croup", words.length_with_error(b.dip_mm, b.dip_sd_mm, units) + dip_at],
        ["Bearing line to the front, left / right", " / ".join(map(_rises, b.bearing_deg, b.bearing_sd_deg))],
        ["Hollow behind the shoulder, left / right", _hollow(back, units)],
        ["Usable length, shoulder to last rib, left / right", usable],
    ]


def figure_of(word: BuildWord, build: Build) -> tuple[str, str, str]:
    """Of a word for the build: what was measured, its value no finer than its error, and the limit that earned the
    word, in one unit.
    """
    for told, sign, least in (("degrees", "°", 0.1), ("cm²", "cm²", 1.0), ("mm", "mm", 1.0)):
        if f", {told}" in word.figure:
            name = word.figure.replace(f", {told}", "")
            sd = word_sd(build, word)
            fine = max(least, 10.0 ** math.floor(math.log10(sd))) if math.isfinite(sd) and sd > 0 else least
            return name, words.plain(word.value, sign, fine), words.plain(word.limit, sign, least)
    return word.figure, f"{word.value:g}", f"{word.limit:g}"


def _width(mm: float, sd_mm: float, units: str) -> str:
    """`250 ± 3 mm`, the inches on a line above where the sheet prints inches."""
    return words.length_with_error(mm, sd_mm, units).replace(" in (", " in\n").removesuffix(")")


def _decade(sd_mm: float) -> float:
    return 10.0 if math.isfinite(sd_mm) and sd_mm >= 10.0 else 1.0


def _error(sd_mm: float) -> str:
    step = _decade(sd_mm)
    return f"{max(1.0, math.ceil(sd_mm / step - 1e-9) * step):.0f}"


def _rises(value: float, sd: float) -> str:
    """`rises 1.3°`, to its error."""
    if not math.isfinite(value):
        return words.NOT_SEEN
    said = words.rounded(abs(value), sd, 0.1)
    return "level" if float(said) == 0 else f"{'rises' if value >= 0 else 'falls'} {said}°"


def _hollow(back: Back, units: str) -> str:
    depths = zip(back.build.hollow_mm, back.build.hollow_sd_mm, strict=True)
    return " / ".join(words.length_with_error(depth, sd, units) for depth, sd in depths)


def _usable(back: Back, side: int, units: str) -> str:
    return words.length_with_error(back.build.usable_mm[side], back.build.usable_sd_mm[side], units)


def _uphill(back: Back) -> str:
    value, sd = back.build.uphill_deg, back.build.uphill_sd_deg
    if not math.isfinite(value):
        return words.NOT_SEEN if back.frame.gravity else "not known: which way is up was not told"
    way = "" if abs(value) < sd else " uphill" if value >= 0 else " croup-high"  # not finer than the error
    return words.with_error(abs(value) if way else value, sd, "°", 0.1) + way
