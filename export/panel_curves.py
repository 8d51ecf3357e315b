"""What a maker cuts to build and to check a panel: at each station the back's profile and the panel's check template.

Seen from behind, left is left; the arch's top is the origin, so all stations of one saddle share one level. The check
template is what the two panels must lie on: laid into the upturned saddle it touches both panels and bridges the
channel. The back's profile is the horse itself at the same place, without the pad.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from shapely.geometry import LineString

from shimwright.export.drawing import CUT, MARK, Drawing, Line, Text, scale_bars, text_width_mm, together
from shimwright.export.paper import PAPERS, Heading, lay_out
from shimwright.export.write_dxf import write_dxf
from shimwright.export.write_pdf import write_pdf
from shimwright.export.write_svg import write_svg
from shimwright.optimize.panel_fit import PanelFit, Remaining, to_panels
from shimwright.scan.back import Back
from shimwright.scan.raw import FloatArray

STEP_MM = 50.0
END_MM = 10.0  # the last station stays this far in front of the panel's rear end
ACROSS = np.linspace(0.0, 1.0, 129)
SMOOTH_MM = 0.005
BAND_MM = 30.0  # stuff under the line, to hold it by
BEYOND_MM = 15.0  # the back's profile goes on past the panel's outer edge
BETWEEN_MM = 12.0
LEADING_MM = 4.2
LEVEL_MM = 6.0  # of the level line above the template's foot


@dataclass(frozen=True)
class StationCurves:
    """behind_mm: behind the arch's front edge. left, right (k, 2): on paper, x to the right (−y of the saddle), from
    the outer edge to the inner and from the inner to the outer. back (m, 2): the same, right across, or empty.
    """

    behind_mm: float
    left: FloatArray
    right: FloatArray
    back: FloatArray


def stations_mm(length_mm: float) -> FloatArray:
    """Distances behind the arch's front edge."""
    return np.asarray(np.arange(STEP_MM, length_mm - END_MM, STEP_MM), dtype=float)


def panel_sections(fit: PanelFit, back: Back) -> tuple[StationCurves, ...]:
    """One for each station; `back` is the first that the panel was fitted to."""
    return tuple(_curves(fit, back, float(x)) for x in stations_mm(fit.saddle.length_mm))


def _curves(fit: PanelFit, back: Back, behind_mm: float) -> StationCurves:
    s = np.full(ACROSS.size, behind_mm / fit.saddle.length_mm)
    left, right = (
        fit.panels[side].points(s, ACROSS, sign)[:, 1:] + np.array([0.0, fit.lift_mm])
        for side, sign in enumerate((1, -1))
    )
    paper = [np.column_stack([-part[:, 0], part[:, 1]]) for part in (left[::-1], right)]
    reach = max(float(np.abs(part[:, 0]).max()) for part in paper) + BEYOND_MM
    return StationCurves(behind_mm, paper[0], paper[1], _back_curve(fit, fit.remaining[0], back, behind_mm, reach))


def _back_curve(fit: PanelFit, rest: Remaining, back: Back, behind_mm: float, reach_mm: float) -> FloatArray:
    phi = np.radians(np.arange(-100.0, 100.01, 0.25))
    points = back.point(np.full(phi.size, rest.origin_mm[0] - behind_mm), phi)
    points = to_panels(fit, rest, points[np.isfinite(points).all(axis=1)]) + np.array([0.0, 0.0, fit.lift_mm])
    points = points[np.abs(points[:, 1]) <= reach_mm]
    if len(points) < 8:
        return np.zeros((0, 2))
    line = np.column_stack([-points[:, 1], points[:, 2]])[::-1]
    return np.asarray(LineString(line).simplify(SMOOTH_MM).coords)


def write_panel_curves(fit: PanelFit, back: Back, folder: Path, who: str, date: str | None) -> None:
    """panel-sections.dxf, -r12.dxf and .svg at full size, panel-sections-a4.pdf and -letter.pdf."""
    sections = panel_sections(fit, back)
    pieces = [piece for one in sections for piece in templates(one, who)]
    title = f"Panel sections, {who}"
    for paper in PAPERS:
        pages = lay_out(pieces, paper, Heading(title, date or "date not told"))
        write_pdf(pages, folder / f"panel-sections-{paper.name.lower()}.pdf", title)
    sheet = _apart(pieces, title)
    write_dxf(sheet, folder / "panel-sections.dxf")
    write_dxf(sheet, folder / "panel-sections-r12.dxf", "R12")
    write_svg(sheet, folder / "panel-sections.svg")


def templates(curves: StationCurves, who: str) -> tuple[Drawing, ...]:
    """(check template of the panels, profile of the back); the profile only where the back was seen."""
    place = f"{curves.behind_mm:.0f} mm behind the arch's front edge"
    check = np.vstack([curves.left, curves.right])
    made = [_template(check, f"CHECK: panels, {place}", who, "panels must touch this edge, channel free")]
    if len(curves.back):
        made.append(_template(curves.back, f"BACK: profile, {place}", who, "the horse, without pad"))
    return tuple(made)


def _template(line: FloatArray, name: str, who: str, means: str) -> Drawing:
    left, right = float(line[0, 0]), float(line[-1, 0])
    base = float(line[:, 1].min()) - BAND_MM
    outline = np.vstack([line, [[right, base], [left, base]]])
    middle = float(np.interp(0.0, line[:, 0], line[:, 1]))
    marks = (
        Line(np.array([[0.0, middle], [0.0, base]]), MARK),
        Line(np.array([[left + 4.0, base + LEVEL_MM], [right - 4.0, base + LEVEL_MM]]), MARK),
    )
    depth = f"line {abs(base + LEVEL_MM):.0f} mm under the arch's top"
    told = (name, f"{who} · {means}", f"seen from behind, {depth}")
    x = left + 6.0
    texts = [Text(words, (x, base + 20.0 - LEADING_MM * i), bold=i == 0) for i, words in enumerate(told)]
    ends = (
        Text("left (near)", (left + 3.0, base + 1.8)),
        Text("right (off)", (right - 3.0, base + 1.8), anchor="end"),
    )
    room = right - left - 12.0
    fitting = tuple(text for text in texts if text_width_mm(text.words, text.height_mm) <= 1.25 * room)
    return Drawing(name, (Line(outline, CUT, closed=True), *marks), (*fitting, *ends))


def _apart(pieces: Sequence[Drawing], name: str) -> Drawing:
    """One under the other, middle lines in one line, bars at the foot."""
    y, moved = 0.0, []
    for piece in pieces:
        _, bottom, _, top = piece.bounds_mm
        y -= top - bottom + BETWEEN_MM
        moved.append(piece.moved(0.0, y - bottom))
    left = min(piece.bounds_mm[0] for piece in pieces)
    return together(name, (*moved, scale_bars(left, y - 120.0)))
