"""Drawings of a crowd of horses: angle against width with the sizes among them, and how one measure is spread."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from shimwright.export.picture import Label, Picture, Stroke, circle, lettered, line, path
from shimwright.scan.raw import FloatArray

MOST_DOTS = 1500  # more are one grey: every so many is drawn
STEPS = (1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0)


def crowd_picture(
    own: FloatArray,
    served: NDArray[np.bool_],
    sizes: FloatArray,
    names: Sequence[str],
    width_mm: float,
    height_mm: float,
) -> Picture:
    """own (n, 2): included angle and width of every horse; a ring where no size serves it. sizes (k, 2) with names."""
    left, right, top, bottom = 12.0, width_mm - 3.0, 5.0, height_mm - 9.0
    both = np.vstack([own, sizes])
    (x0, x1), (y0, y1) = (_ends(both[:, k]) for k in (0, 1))

    def at(point: FloatArray) -> tuple[float, float]:
        x = left + (right - left) * (float(point[0]) - x0) / (x1 - x0)
        return x, bottom - (bottom - top) * (float(point[1]) - y0) / (y1 - y0)

    strokes = [Stroke(line((left, top), (left, bottom), (right, bottom)), "frame")]
    every = max(1, -(-len(own) // MOST_DOTS))
    inside = [circle(*at(own[k]), 0.35) for k in range(0, len(own), every) if served[k]]
    rings = [circle(*at(own[k]), 0.75) for k in range(0, len(own), every) if not served[k]]
    strokes += [Stroke("".join(inside), "solid"), Stroke("".join(rings), "hair ring")]
    labels = [
        Label(left, 1.6, "width 100 mm down, mm", 8, "left", ink="soft"),
        Label(right, height_mm - 1.6, "included angle, °", 8, "right", ink="soft"),
    ]
    for value in _ticks(x0, x1, 6):
        x, _ = at(np.array([value, y0]))
        strokes.append(Stroke(line((x, bottom), (x, bottom + 1.0)), "frame"))
        labels.append(Label(x, bottom + 3.0, f"{value:.0f}", 8, ink="soft"))
    for value in _ticks(y0, y1, 6):
        _, y = at(np.array([x0, value]))
        strokes.append(Stroke(line((left - 1.0, y), (left, y)), "frame"))
        labels.append(Label(left - 1.6, y, f"{value:.0f}", 8, "right", ink="soft"))
    for point, name in zip(sizes, names, strict=True):
        disc, letter = lettered(*at(point), name)
        strokes.append(disc)
        labels.append(letter)
    return Picture(
        width_mm,
        height_mm,
        "Every horse by the arch it would have for itself, and the sizes among them",
        tuple(stroke for stroke in strokes if stroke.d),
        tuple(labels),
    )


def spread_picture(
    values: FloatArray,
    weights: FloatArray,
    title: str,
    step: float,
    marks: Sequence[tuple[float, str]],
    width_mm: float,
    height_mm: float,
) -> Picture:
    """Columns of weight, each `step` wide; marks: sizes as (value, letter) above."""
    left, right, top, bottom = 1.0, width_mm - 1.0, 10.5, height_mm - 5.0
    ends = np.concatenate([values, [value for value, _ in marks]])
    first, last = np.floor(ends.min() / step) * step, np.ceil(ends.max() / step + 1e-9) * step
    edges = np.arange(first, last + step / 2, step)
    share, _ = np.histogram(values, bins=edges, weights=weights / weights.sum())

    def px(value: float) -> float:
        return left + (right - left) * float((value - first) / (edges[-1] - first))

    strokes = []
    for low, high, part in zip(edges, edges[1:], share, strict=False):
        if part > 0:
            y = bottom - (bottom - top) * part / share.max()
            corners = np.array([[px(low), bottom], [px(low), y], [px(high), y], [px(high), bottom]])
            strokes.append(Stroke(path(corners, closed=True), "horse"))
    strokes.append(Stroke(line((left, bottom), (right, bottom)), "frame"))
    labels = [Label(0.0, 1.8, title, 8, "left", strong=True)]
    for value in _ticks(float(first), float(edges[-1]), 5):
        labels.append(Label(px(value), bottom + 2.6, f"{value:.0f}".replace("-", "−"), 8, ink="soft"))
    last_x, low_row = -10.0, False
    for value in sorted({value for value, _ in marks}):
        x, letter = px(value), " ".join(letter for at, letter in marks if at == value)
        low_row = not low_row if x - last_x < 3.2 else False
        y = 8.6 if low_row else 6.2
        strokes.append(Stroke(line((x, y + 1.5), (x, bottom)), "accent dimension"))
        labels.append(Label(x, y, letter, 8, strong=True, ink="accent", plate=True))
        last_x = x
    return Picture(width_mm, height_mm, title, tuple(strokes), tuple(labels))


def _ends(values: FloatArray) -> tuple[float, float]:
    low, high = float(values.min()), float(values.max())
    room = max(0.05 * (high - low), 1.0)
    return low - room, high + room


def _ticks(low: float, high: float, most: int) -> list[float]:
    step = next((one for one in STEPS if (high - low) / one <= most), STEPS[-1])
    return [float(v) for v in np.arange(np.ceil(low / step) * step, high + 1e-9, step)]
