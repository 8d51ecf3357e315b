"""The back from its left side with the seat line: how level the saddle sits, before and after."""

import numpy as np

from shimwright.export.picture import Label, Picture, Stroke, View, line, path
from shimwright.optimize.answer import CaseResult, Fit
from shimwright.scan.back import Back
from shimwright.scan.raw import FloatArray

TILT_DRAWN = 5.0  # tilts are drawn this many times larger: 1° over a saddle's length is 8 mm
FRONT_MM, REAR_MM, BELOW_MM, ABOVE_MM = 130.0, -700.0, 60.0, 140.0


def side_view(fit: Fit, width_mm: float, height_mm: float) -> Picture:
    """Topline, panels' length and two seat lines (thin dashed as found, thick with the set-up), head to the left."""
    back = fit.back
    top = float(np.nanmax(_topline(back)[:, 1]))
    view = _view(width_mm, top)
    strokes, labels = topline_strokes(back, view)
    x = fit.as_found.nodes_mm[:, 0]
    front, rear = float(x.max()), float(x.min())
    seat_z = top + 75.0
    strokes.append(Stroke(path(view(np.array([front, rear]), np.full(2, seat_z))), "hair"))
    after = fit.with_setup
    strokes.append(_seat(view, fit.as_found.cases["mounted"], front, rear, seat_z, "accent dashed"))
    if after is not None:
        strokes.append(_seat(view, after.cases["mounted"], front, rear, seat_z, "accent line"))
    for edge in (front, rear):
        low = float(np.interp(edge, *_topline(back).T))
        strokes.append(Stroke(line(tuple(view(edge, seat_z)), tuple(view(edge, low))), "hair"))
    labels.append(Label(1.0, 2.0, "head", 8, "left", ink="soft"))
    labels.append(Label(width_mm - 1.0, 2.0, f"tilt drawn {TILT_DRAWN:.0f} × larger", 8, "right", ink="soft"))
    return Picture(width_mm, height_mm, "The back from its left side with the seat line", tuple(strokes), tuple(labels))


def back_from_side(back: Back, width_mm: float, height_mm: float) -> Picture:
    """The topline alone, with withers, low and croup named."""
    top = float(np.nanmax(_topline(back)[:, 1]))
    view = _view(width_mm, top)
    strokes, labels = topline_strokes(back, view)
    for name in ("withers", "low", "croup"):
        mark = back.landmark(name)
        if mark is not None and REAR_MM < mark.position_mm[0] < FRONT_MM:
            at = view(mark.position_mm[0], mark.position_mm[2])
            strokes.append(Stroke(line((at[0], at[1] - 6), (at[0], at[1])), "contour"))
            labels.append(Label(at[0], at[1] - 8, name, 8))
    return Picture(width_mm, height_mm, "The back from its left side", tuple(strokes), tuple(labels))


def topline_strokes(back: Back, view: View) -> tuple[list[Stroke], list[Label]]:
    points = _topline(back)
    low = np.nanmin(points[:, 1]) - BELOW_MM
    body = np.vstack([points, [points[-1, 0], low], [points[0, 0], low]])
    ground = Stroke(path(view(body[:, 0], body[:, 1]), closed=True), "ground")
    return [ground, Stroke(path(view(points[:, 0], points[:, 1])), "horse line")], []


def seat_words(result: CaseResult) -> str:
    """How the saddle sits, as a person says it; tilt under 0.3° is level."""
    pitch, roll = result.pitch_deg, result.roll_deg
    if not np.isfinite(pitch):
        return "how it sits is not known"
    words = [f"tips {'back' if pitch > 0 else 'forward'} {abs(pitch):.1f}°"] if abs(pitch) >= 0.3 else []
    if np.isfinite(roll) and abs(roll) >= 0.3:
        words.append(f"sits to the {'right' if roll > 0 else 'left'} {abs(roll):.1f}°")
    return ", ".join(words) if words else "sits level"


def _seat(view: View, result: CaseResult, front: float, rear: float, z: float, role: str) -> Stroke:
    pitch = np.radians(TILT_DRAWN * (result.pitch_deg if np.isfinite(result.pitch_deg) else 0.0))
    x = np.array([front, rear])
    return Stroke(path(view(x, z + np.tan(pitch) * (x - (front + rear) / 2))), role)


def _topline(back: Back) -> FloatArray:
    """(n, 2) x, z of the spine line, front to rear."""
    points = np.column_stack([back.midline.x_mm, back.midline.z_mm])
    points = points[np.isfinite(points).all(axis=1)]
    return points[(points[:, 0] <= FRONT_MM) & (points[:, 0] >= REAR_MM)]


def _view(width_mm: float, top: float) -> View:
    scale = width_mm / (FRONT_MM - REAR_MM)
    return View((scale * FRONT_MM, scale * (top + ABOVE_MM)), scale, flip_a=True)
