"""The trade-off as a drawing: pieces carried against how much poorer the horses go than on their own best set-ups."""

from collections.abc import Sequence

import numpy as np

from shimwright.export.kit_words import as_good, mean_poorer
from shimwright.export.picture import Label, Picture, Stroke, circle, line, path
from shimwright.optimize.kit import Size

LEFT_MM, TOP_MM, BOTTOM_MM = 13.0, 9.0, 14.0
MOST_NUMBERS = 16  # below the axis, and beside the dots
STEPS = (1, 2, 5, 10, 20, 25, 50, 100, 200, 500, 1000)


def trade_off(sizes: Sequence[Size], chosen: int, width_mm: float, height_mm: float) -> Picture:
    """A dot for every size of kit, the chosen one ringed; beside it how many horses go as on their own best."""
    counts = np.array([len(size.pieces) for size in sizes], float)
    share = 100 * np.array([mean_poorer(size) for size in sizes])
    step = next((one for one in STEPS if one * 4 >= share.max()), STEPS[-1])
    highest = step * max(1.0, np.ceil(share.max() / step + 0.05))
    right, bottom = width_mm - 12.0, height_mm - BOTTOM_MM
    span = max(counts[-1] - counts[0], 1.0)
    x = LEFT_MM + 6.0 + (right - LEFT_MM - 12.0) * (counts - counts[0]) / span
    y = bottom - (bottom - TOP_MM) * share / highest
    strokes = [Stroke(line((LEFT_MM, TOP_MM), (LEFT_MM, bottom), (right, bottom)), "frame")]
    labels = [
        Label(0.0, 2.4, "poorer than their own best, mean of the horses", 8, "left", ink="soft"),
        Label(right, height_mm - 2.2, "pieces to carry", 8, "right", ink="soft"),
    ]
    for value in np.arange(0.0, highest + 1e-9, step):
        level = float(bottom - (bottom - TOP_MM) * value / highest)
        strokes.append(Stroke(line((LEFT_MM, level), (right, level)), "grid"))
        labels.append(Label(LEFT_MM - 1.5, level, f"{value:g} %", 8, "right", ink="soft"))
    strokes.append(Stroke(path(_stairs(x, y)), "accent line"))
    every = int(np.ceil(len(sizes) / MOST_NUMBERS))
    for number, (size, px, py) in enumerate(zip(sizes, x.tolist(), y.tolist(), strict=True)):
        strokes.append(Stroke(circle(px, py, 1.1), "letter"))
        if number == chosen:
            strokes.append(Stroke(circle(px, py, 2.4), "ring"))
        if number % every == 0 or number in (chosen, len(sizes) - 1):
            labels.append(Label(px, bottom + 4.6, f"{len(size.pieces)}", 9, strong=number == chosen))
            beside = f"{as_good(size)} of {len(size.horses)}"
            if not number or beside != f"{as_good(sizes[number - 1])} of {len(size.horses)}" or number == chosen:
                labels.append(Label(px + 2.2, py - 3.8, beside, 8, "left", plate=True))
    return Picture(width_mm, height_mm, "Pieces to carry against fit", tuple(strokes), tuple(labels))


def _stairs(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Between two sizes the smaller one's fit holds."""
    return np.column_stack([np.repeat(x, 2)[1:], np.repeat(y, 2)[:-1]])
