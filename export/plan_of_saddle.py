"""The saddle and its pad seen from above, in the back frame: panel edges and pockets where they lie on the horse."""

from itertools import pairwise

import numpy as np

from shimwright.optimize.answer import Contact
from shimwright.optimize.pad import Pocket
from shimwright.scan.raw import FloatArray

NEAREST = 12  # nodes that carry a pocket's corner from the flat pad to the horse


def panel_outline(contact: Contact, side: int) -> FloatArray:
    """(k, 2) outline (x, y) of one panel, first and last node of every row. side: +1 left, −1 right."""
    here = contact.side == side
    along, xy = np.round(contact.along[here], 4), contact.nodes_mm[here, :2]
    inner, outer = [], []
    for place in np.unique(along):
        row = xy[along == place]
        if len(row) > 1:
            inner.append(row[np.argmin(np.abs(row[:, 1]))])
            outer.append(row[np.argmax(np.abs(row[:, 1]))])
    return np.array(inner + outer[::-1])


def pocket_outline(contact: Contact, pocket: Pocket) -> FloatArray:
    """(k, 2) outline (x, y) of a pocket on the horse, seen from above."""
    return on_horse(contact, _dense(pocket.outline), 1 if pocket.side == "left" else -1)[:, :2]


def on_horse(contact: Contact, flat: FloatArray, side: int) -> FloatArray:
    """Flat pad coordinates (k, 2) → back frame (k, 3), by the plane through the nearest nodes.

    Past the panel's edge the plane is followed on: a few mm off there, for pictures only.
    """
    here = contact.side == side
    nodes_flat, nodes = contact.flat_mm[here], contact.nodes_mm[here]
    placed = np.empty((len(flat), 3))
    for k, point in enumerate(flat):
        away = ((nodes_flat - point) ** 2).sum(axis=1)
        near = np.argsort(away, kind="stable")[: min(NEAREST, len(away))]
        design = np.column_stack([np.ones(near.size), nodes_flat[near] - point])
        placed[k] = np.linalg.lstsq(design, nodes[near], rcond=None)[0][0]
    return placed


def _dense(outline: FloatArray, step_mm: float = 15.0) -> FloatArray:
    closed = np.vstack([outline, outline[:1]])
    pieces = []
    for a, b in pairwise(closed):
        count = max(1, int(np.ceil(np.hypot(*(b - a)) / step_mm)))
        pieces.append(a + np.linspace(0.0, 1.0, count, endpoint=False)[:, None] * (b - a))
    return np.vstack(pieces)
