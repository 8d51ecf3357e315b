"""The back from its left side with the seat line: how level the saddle sits, before and after."""

import numpy as np

from shimwright.export.before_after import changed
from shimwright.export.picture import Label, Picture, Stroke, View, path
from shimwright.optimize.answer import CaseResult, Fit
from shimwright.optimize.findings import tilt_words
from shimwright.scan.back import Back, Frame
from shimwright.scan.raw import FloatArray

TILT_DRAWN = 3.0  # tilts are drawn this many times larger: 5° still stays inside the picture
FRONT_MM, REAR_MM, BELOW_MM, ABOVE_MM, SEAT_MM = 130.0, -700.0, 50.0, 140.0, 75.0
WORDS_MM = 8.0  # of paper, above the topline of a bare back


def side_view(fit: Fit, width_mm: float) -> Picture:
    """Topline, panels' length and two seat lines (thin dashed as found, thick with the set-up), head to the left."""
    topline = _topline(fit.back, REAR_MM)
    top, low = float(topline[:, 1].max()), float(topline[:, 1].min())
    scale = width_mm / (FRONT_MM - REAR_MM)
    view = View((scale * FRONT_MM, scale * (top + ABOVE_MM)), scale, flip_a=True)
    strokes = _body(topline, low - BELOW_MM, view)
    x = fit.as_found.nodes_mm[:, 0]
    front, rear, seat_z = float(x.max()), float(x.min()), top + SEAT_MM
    strokes.append(Stroke(path(view(np.array([front, rear]), np.full(2, seat_z))), "hair"))
    for contact, role in ((fit.as_found, "accent dashed"), (changed(fit), "accent line")):
        if contact is not None and np.isfinite(contact.cases["mounted"].pitch_deg):
            strokes.append(_seat(view, contact.cases["mounted"], (front, rear), seat_z, role))
    for edge in (front, rear):
        foot = float(np.interp(-edge, -topline[:, 0], topline[:, 1]))
        strokes.append(Stroke(path(view(np.full(2, edge), np.array([seat_z, foot]))), "hair"))
    height = scale * (top + ABOVE_MM - low + BELOW_MM)
    labels = (
        Label(1.0, 2.0, "head", 8, "left", ink="soft"),
        Label(width_mm - 1.0, height - 2.5, f"tilt drawn {TILT_DRAWN:.0f} × larger", 8, "right", ink="soft"),
    )
    return Picture(width_mm, height, "The back from its left side with the seat line", tuple(strokes), labels)


def back_from_side(back: Back, width_mm: float) -> Picture:
    """The whole seen topline, with withers, low and croup named, head to the left."""
    topline = _topline(back, -np.inf)
    top, low = float(topline[:, 1].max()), float(topline[:, 1].min())
    front, rear = float(topline[0, 0]), float(topline[-1, 0])
    scale = min(width_mm / (front - rear), 0.2)
    view = View((scale * front, scale * top + WORDS_MM + 4.0), scale, flip_a=True)
    strokes, labels = _body(topline, low - BELOW_MM, view), []
    for name in ("withers", "low", "croup"):
        mark = back.landmark(name)
        if mark is None or not rear < mark.position_mm[0] < front:
            continue
        at = view(mark.position_mm[0], mark.position_mm[2])
        strokes.append(Stroke(path(np.array([[at[0], at[1] - 5.0], at])), "contour"))
        labels.append(Label(at[0], at[1] - 7.0, name if name != "low" else "lowest point", 8))
    height = scale * (top - low + BELOW_MM) + WORDS_MM + 4.0
    labels.append(Label(1.0, 2.0, "head", 8, "left", ink="soft"))
    return Picture(width_mm, height, "The back from its left side", tuple(strokes), tuple(labels))


def _body(topline: FloatArray, floor: float, view: View) -> list[Stroke]:
    ring = np.vstack([topline, [topline[-1, 0], floor], [topline[0, 0], floor]])
    ground = Stroke(path(view(ring[:, 0], ring[:, 1]), closed=True), "ground")
    return [ground, Stroke(path(view(topline[:, 0], topline[:, 1])), "horse line")]


def seat_words(result: CaseResult, frame: Frame) -> str:
    """How the saddle sits, as a person says it, no finer than the back's own level; tilt under 0.3° is level."""
    pitch, roll = result.pitch_deg, result.roll_deg
    if not np.isfinite(pitch):
        return "how it sits is not known"
    tips, aside = tilt_words(pitch, frame.pitch_sd_deg), tilt_words(roll, frame.roll_sd_deg)
    words = [f"tips {'back' if pitch > 0 else 'forward'} {tips}"] if abs(pitch) >= 0.3 and tips != "0°" else []
    if np.isfinite(roll) and abs(roll) >= 0.3 and aside != "0°":
        words.append(f"sits to the {'right' if roll > 0 else 'left'} {aside}")
    return ", ".join(words) if words else "sits level"


def _seat(view: View, result: CaseResult, ends: tuple[float, float], z: float, role: str) -> Stroke:
    pitch = np.radians(TILT_DRAWN * result.pitch_deg)
    x = np.array(ends)
    return Stroke(path(view(x, z + np.tan(pitch) * (x - x.mean()))), role)


def _topline(back: Back, rear_mm: float) -> FloatArray:
    """(n, 2) x, z of the spine line, front to rear."""
    points = np.column_stack([back.midline.x_mm, back.midline.z_mm])
    points = points[np.isfinite(points).all(axis=1)]
    return points[(points[:, 0] <= FRONT_MM) & (points[:, 0] >= rear_mm)][::-1]
