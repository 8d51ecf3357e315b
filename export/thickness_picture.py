"""The thickness map over both panels from above, contours in mm: what to add (+) and to take (−)."""

import numpy as np
from contourpy import LineType, contour_generator

from shimwright.export.picture import Label, Picture, Stroke, View, path
from shimwright.optimize.panel_fit import PanelFit
from shimwright.scan.raw import FloatArray

STEP_MM = 0.5
FEW = 12  # contours at most before the step doubles


def thickness_picture(fit: PanelFit, height_mm: FloatArray, size_mm: tuple[float, float]) -> Picture:
    """height_mm (2, along, across) on the fit's nodes; head up, left at the left."""
    width, most = size_mm
    length = fit.saddle.length_mm
    s, t = np.meshgrid(fit.along, fit.across, indexing="ij")
    rim = np.concatenate([_edge(0.0, None), _edge(None, 1.0), _edge(1.0, None)[::-1], _edge(None, 0.0)[::-1]])
    outlines = [fit.panels[k].points(rim[:, 0], rim[:, 1], sign) for k, sign in enumerate((1, -1))]
    reach = max(float(np.abs(outline[:, 1]).max()) for outline in outlines)
    scale = min((width - 2) / (2 * reach), (most - 2) / length)
    view = View((width / 2, 1.0), scale, flip_a=True)
    step = STEP_MM
    while np.ptp(height_mm) / step > FEW:
        step *= 2
    strokes, labels = [], []
    for k, sign in enumerate((1, -1)):
        strokes.append(Stroke(path(view(outlines[k][:, 1], outlines[k][:, 0]), closed=True), "panel"))
        points = fit.panels[k].points(s, t, sign)
        lines, words = _contours(view(points[..., 1], points[..., 0]), height_mm[k], step)
        strokes += lines
        labels += words
    title = "Thickness to add or to take over the panels from above, head up, mm"
    return Picture(width, scale * length + 2.0, title, tuple(strokes), tuple(labels))


def _edge(s: float | None, t: float | None) -> FloatArray:
    along = np.linspace(0.0, 1.0, 41)
    fixed = np.full(41, s if s is not None else t)
    return np.column_stack([fixed, along] if s is not None else [along, fixed])


def _contours(xy: FloatArray, height: FloatArray, step: float) -> tuple[list[Stroke], list[Label]]:
    generator = contour_generator(xy[..., 0], xy[..., 1], height, line_type=LineType.Separate)
    strokes, labels = [], []
    low, high = np.floor(height.min() / step), np.ceil(height.max() / step)
    taken: list[FloatArray] = []
    for level in step * np.arange(low, high + 1):
        for line in generator.lines(level):
            role = "horse line" if abs(level) < 1e-9 else "contour"
            strokes.append(Stroke(path(np.asarray(line)), role))
            at = np.asarray(line)[len(line) // 2]
            if len(line) > 6 and all(np.linalg.norm(at - other) > 7.0 for other in taken):
                taken.append(at)
                labels.append(
                    Label(
                        float(at[0]),
                        float(at[1]),
                        f"{level:+g}".replace("-", "−") if abs(level) > 1e-9 else "0",
                        plate=True,
                    )
                )
    return strokes, labels
