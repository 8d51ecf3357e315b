"""The pad from above, head up, with every shim of the kit in its pocket."""

from collections.abc import Sequence

import numpy as np

from shimwright.export.picture import Label, Picture, Stroke, path
from shimwright.optimize.kit_pieces import SHIM, Piece
from shimwright.optimize.pad import Pad

TOP_MM, BOTTOM_MM, ASIDE_MM = 6.0, 10.0, 2.0
LARGE_PT, SMALL_PT = 13.0, 9.0


def kit_plan(pad: Pad, pieces: Sequence[Piece], width_mm: float, height_mm: float) -> Picture:
    """Pockets as they lie in the pad; in each the thicknesses that are carried, + for what lies over another layer."""
    corners = np.vstack([pocket.outline for pocket in pad.pockets])
    reach = 2 * float(np.abs(corners[:, 1]).max())
    long = float(np.ptp(corners[:, 0]))
    scale = min((width_mm - 2 * ASIDE_MM) / reach, (height_mm - TOP_MM - BOTTOM_MM) / long)
    front = float(corners[:, 0].max())
    strokes, labels = [], [Label(width_mm / 2, 2.6, "head", 8, ink="soft")]
    for pocket in pad.pockets:
        held = _thicknesses(pieces, pocket.name)
        x = width_mm / 2 - scale * pocket.outline[:, 1]
        y = TOP_MM + scale * (front - pocket.outline[:, 0])
        strokes.append(Stroke(path(np.column_stack([x, y]), closed=True), "pocket filled" if held else "pocket"))
        middle = float(x.min() + x.max()) / 2
        for row, text in enumerate(held or ["–"]):
            step = 5.0 * (row - (len(held or ["–"]) - 1) / 2)
            size = LARGE_PT if len(held) < 2 else SMALL_PT
            labels.append(Label(middle, float(y.min() + y.max()) / 2 + step, text, size, strong=bool(held)))
    bottom = TOP_MM + scale * long + 4.0
    labels.append(Label(width_mm / 2 - scale * reach / 4, bottom, "left (near)", 8, ink="soft"))
    labels.append(Label(width_mm / 2 + scale * reach / 4, bottom, "right (off)", 8, ink="soft"))
    return Picture(width_mm, bottom + 4.0, "The kit's shims from above, mm", tuple(strokes), tuple(labels))


def _thicknesses(pieces: Sequence[Piece], pocket: str) -> list[str]:
    """`6`, `+3`: what lies next to the horse first."""
    mine = [piece for piece in pieces if piece.kind == SHIM and piece.pocket == pocket]
    mine.sort(key=lambda piece: (piece.step_in_mm, piece.thickness_mm, piece.copy))
    return [f"{'+' if piece.step_in_mm else ''}{piece.thickness_mm:g}" for piece in mine]
