"""The saddle resting on the back in cross-section, seen from behind: back, pad, shims, daylight and panel to scale."""

import numpy as np
from numpy.typing import NDArray

from shimwright.export.picture import Label, Picture, Stroke, View, path
from shimwright.export.words import length, with_error
from shimwright.optimize.answer import Contact, Fit
from shimwright.optimize.setup import Setup
from shimwright.optimize.stacks import layer_thickness
from shimwright.scan.back import Back
from shimwright.scan.raw import FloatArray

HALF_MM, BELOW_MM, ABOVE_MM = 245.0, 150.0, 55.0
PANEL_DRAWN_MM = 22.0
DAYLIGHT_SAID_MM = 1.0
BARE_WIDE, BARE_HIGH = 580.0, 206.0


def cross_section(fit: Fit, contact: Contact, case: str, x_mm: float, size_mm: tuple[float, float]) -> Picture:
    """Section at x: layers drawn unpressed on the back's own line, then the gap that is left, then the panel.

    Figures: the back's angle on each side (nearest station), daylight from 1 mm on over the panel.
    """
    width, height = size_mm
    strokes, labels, view = section_of_back(fit.back, x_mm, width, height)
    for side in (1, -1):
        row = _row(contact, side, x_mm)
        if row.size < 2:
            continue
        feet, normals = _feet(fit.back, contact.nodes_mm[row])
        pad = _pad_mm(fit, contact.setup)
        shims = shim_height_mm(fit, contact.setup, contact.flat_mm[row], side)
        gap = np.clip(np.nan_to_num(contact.cases[case].gap_mm[row]), 0.0, None)
        if pad > 0:
            strokes.append(_band(view, feet, normals, np.zeros(row.size), np.full(row.size, pad), "pad"))
        if shims.max(initial=0.0) > 0.05:
            strokes.append(_band(view, feet, normals, np.full(row.size, pad), pad + shims, "shim"))
        under = feet + normals * (pad + shims + gap)[:, None]
        above = under + np.array([0.0, PANEL_DRAWN_MM])
        strokes.append(Stroke(path(view_yz(view, np.vstack([under, above[::-1]])), closed=True), "panel"))
        if gap.max() >= DAYLIGHT_SAID_MM:
            outer = view_yz(view, above)[-1]  # beside the panel's outer edge, clear of the angles above
            labels += _daylight(float(gap.max()), fit.case.print_units, outer, side, width)
    labels += _angles(fit.back, x_mm, width)
    return Picture(width, height, "The saddle on the back in cross-section, from behind", tuple(strokes), tuple(labels))


def _daylight(gap_mm: float, units: str, outer: FloatArray, side: int, width: float) -> list[Label]:
    """The largest daylight beside the panel's outer edge; inches on a line of their own, for they are long."""
    room = 14.0 if units == "in" else 9.0
    at = float(np.clip(outer[0] - side * 1.5, room, width - room))
    anchor = "right" if side > 0 else "left"
    lines = length(gap_mm, units).removesuffix(")").split(" (")
    top = max(float(outer[1]), 11.0)  # clear of the angles
    return [Label(at, top + 3.6 * k, line, 8, anchor, strong=k == 0) for k, line in enumerate(lines)]


def bare_section(back: Back, x_mm: float, width: float) -> Picture:
    """Section of the back alone, with the depths at which widths are read."""
    height = width * BARE_HIGH / BARE_WIDE
    strokes, labels, view = section_of_back(back, x_mm, width, height, BARE_WIDE / 2)
    station = int(np.argmin(np.abs(back.stations.x_mm - x_mm)))
    mid_y, mid_z = (float(value) for value in back.midline.at(x_mm))
    for depth, half in zip((30.0, 50.0, 100.0, 150.0), back.stations.half_width_mm[station], strict=True):
        ends = np.array([[mid_y + half[0], mid_z - depth], [mid_y - half[1], mid_z - depth]])
        if np.isfinite(ends).all():
            strokes.append(Stroke(path(view_yz(view, ends)), "hair"))
    return Picture(width, height, f"Section at x = {x_mm:.0f} mm", tuple(strokes), tuple(labels))


def section_of_back(
    back: Back, x_mm: float, width: float, height: float, half_mm: float = HALF_MM
) -> tuple[list[Stroke], list[Label], View]:
    """The back's own line at x, its ground and the spine's place."""
    section = back.section(x_mm)
    mid_y, mid_z = (float(value) for value in back.midline.at(x_mm))
    scale = min(width / (2 * half_mm), height / (BELOW_MM + ABOVE_MM))
    view = View((width / 2 + scale * mid_y, scale * (mid_z + ABOVE_MM)), scale, flip_a=True)
    keep = (np.abs(section[:, 0] - mid_y) < half_mm) & (section[:, 1] > mid_z - BELOW_MM)
    section = np.where(keep[:, None], section, np.nan)
    seen = section[np.isfinite(section).all(axis=1)]
    strokes = []
    if len(seen) > 2:
        low = seen[:, 1].min()
        body = np.vstack([seen, [seen[-1, 0], low], [seen[0, 0], low]])
        strokes.append(Stroke(path(view_yz(view, body), closed=True), "ground"))
        strokes.append(Stroke(path(view_yz(view, section)), "horse line"))
    spine = np.array([[mid_y, mid_z + 12.0], [mid_y, mid_z - 40.0]])
    strokes.append(Stroke(path(view_yz(view, spine)), "spine"))
    return strokes, [], view


def shim_height_mm(fit: Fit, setup: Setup, flat: FloatArray, side: int) -> FloatArray:
    """(n,) height of the stacks under flat points, bevels as cut."""
    total = np.zeros(len(flat))
    for pocket in fit.pad.pockets:
        stack = setup.stacks.get(pocket.name, ())
        if stack and (pocket.side == "left") == (side > 0):
            total = total + layer_thickness(fit.pad, pocket, stack, flat).sum(axis=0)
    return total


def _angles(back: Back, x_mm: float, width: float) -> list[Label]:
    station = int(np.argmin(np.abs(back.stations.x_mm - x_mm)))
    slopes = back.stations.slope_deg[station]
    sd = back.stations.slope_sd_deg[station]
    left, right = (with_error(value, error, "°", 0.1) for value, error in zip(slopes, sd, strict=True))
    return [
        Label(1.0, 2.4, "left (near)", 8, "left", ink="soft"),
        Label(1.0, 6.4, left, 9, "left", strong=True),
        Label(width - 1.0, 2.4, "right (off)", 8, "right", ink="soft"),
        Label(width - 1.0, 6.4, right, 9, "right", strong=True),
    ]


def view_yz(view: View, yz: FloatArray) -> FloatArray:
    """(n, 2) back frame (y left, z up) → paper, seen from behind: left is left."""
    return view(yz[:, 0], yz[:, 1])


def _row(contact: Contact, side: int, x_mm: float) -> NDArray[np.int64]:
    """Indices of the row of nodes nearest to x on one side, from the spine outward; empty past the panel's ends."""
    here = np.flatnonzero(contact.side == side)
    x = contact.nodes_mm[here, 0]
    if not x.min() - 15 <= x_mm <= x.max() + 15:
        return np.empty(0, dtype=np.int64)
    along = contact.along[here[np.argmin(np.abs(x - x_mm))]]
    row = here[np.abs(contact.along[here] - along) < 1e-3]
    return np.asarray(row[np.argsort(np.abs(contact.nodes_mm[row, 1]), kind="stable")])


def _feet(back: Back, points: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Feet on the back (n, 2) and outward normals (n, 2) in the section, of nodes (n, 3)."""
    x, phi, _ = back.surface.polar(points)
    feet, normals = back.point(x, phi)[:, 1:], back.normal(x, phi)[:, 1:]
    return feet, normals / np.linalg.norm(normals, axis=1, keepdims=True)


def _pad_mm(fit: Fit, setup: Setup) -> float:
    inserts = [insert.thickness_mm for insert in fit.pad.inserts if insert.name == setup.insert]
    return float(fit.pad.shell_mm + sum(inserts))


def _band(view: View, feet: FloatArray, normals: FloatArray, low: FloatArray, high: FloatArray, role: str) -> Stroke:
    lower, upper = feet + normals * low[:, None], feet + normals * high[:, None]
    return Stroke(path(view_yz(view, np.vstack([lower, upper[::-1]])), closed=True), role)
