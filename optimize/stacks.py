"""Shims as they are cut and as they press: one outline per layer, bevelled over five times its thickness (DESIGN
§13).
"""

from itertools import combinations

import numpy as np
import shapely
from numpy.typing import NDArray
from shapely import Polygon

from shimwright.optimize.pad import Pad, Pocket
from shimwright.optimize.setup import Stack
from shimwright.optimize.underside import Underside
from shimwright.scan.raw import FloatArray
from shimwright.scan.refusal import WrongUse

BEVEL = 5.0  # length of the bevel over the layer's thickness [T]
LARGEST_STEP = 0.25  # of the pocket's width
OVERLAP_MM2 = 1.0


def layer_outlines(pad: Pad, pocket: Pocket, stack: Stack) -> tuple[FloatArray, ...]:  # noqa: ARG001 - one call for all
    """(k, 2) counter-clockwise outlines in flat coordinates, one per layer from the horse outward, as they are cut.

    Each layer is stepped in from the pocket's outline by 5 × the thickness under it, at most a quarter of the width.
    """
    outlines, under = [], 0.0
    for layer in stack:
        outlines.append(stepped_outline(pocket, step_in_mm(pocket, under)))
        under += layer.thickness_mm
    return tuple(outlines)


def step_in_mm(pocket: Pocket, under_mm: float) -> float:
    """How far a layer with so much under it is stepped in from the pocket's outline."""
    return min(BEVEL * under_mm, LARGEST_STEP * pocket_width_mm(pocket))


def stepped_outline(pocket: Pocket, step_mm: float) -> FloatArray:
    """(k, 2) counter-clockwise outline of a pocket, stepped in."""
    return _ring(_stepped_in(Polygon(pocket.outline), step_mm))


def layer_thickness(pad: Pad, pocket: Pocket, stack: Stack, flat: FloatArray) -> FloatArray:
    """Thickness of each layer (n_layers, n) at flat points (n, 2), mm: t·min(1, d/5t), d to that layer's own
    outline.
    """
    rows = [
        np.minimum(layer.thickness_mm, inward_mm(outline, flat) / BEVEL)
        for layer, outline in zip(stack, layer_outlines(pad, pocket, stack), strict=True)
    ]
    return np.array(rows) if rows else np.zeros((0, len(flat)))


def inward_mm(outline: FloatArray, flat: FloatArray) -> FloatArray:
    """Distance (n,) of points inside the outline to it, 0 outside."""
    polygon = Polygon(outline)
    inside = shapely.contains_xy(polygon, flat[:, 0], flat[:, 1])
    return np.where(inside, shapely.distance(shapely.points(flat), polygon.exterior), 0.0)


def pocket_width_mm(pocket: Pocket) -> float:
    """Shorter side of the smallest rectangle about the pocket."""
    box = Polygon(pocket.outline).minimum_rotated_rectangle
    corners = np.asarray(box.exterior.coords)
    return float(min(np.linalg.norm(corners[1] - corners[0]), np.linalg.norm(corners[2] - corners[1])))


def node_pockets(pad: Pad, flat: FloatArray) -> NDArray[np.int64]:
    """(n,) index of the pocket that each flat point lies in, −1 outside all."""
    found = np.full(len(flat), -1, np.int64)
    for index, pocket in enumerate(pad.pockets):
        found[shapely.contains_xy(Polygon(pocket.outline), flat[:, 0], flat[:, 1])] = index
    return found


def check_pockets(pad: Pad, panels: Underside) -> None:
    """Raises WrongUse for pockets that cross themselves, overlap, lie on the wrong side or off the panels."""
    for pocket in pad.pockets:
        _check_pocket(pocket, panels)
    for one, other in combinations(pad.pockets, 2):
        shared = Polygon(one.outline).intersection(Polygon(other.outline)).area
        if shared > OVERLAP_MM2:
            raise WrongUse(
                f"pockets {one.name} and {other.name} overlap by {shared / 100:.1f} cm²: a place can lie in one pocket "
                "only; correct their outlines in the pad file"
            )


def _check_pocket(pocket: Pocket, panels: Underside) -> None:
    polygon = Polygon(pocket.outline)
    if not polygon.is_valid or polygon.area <= 0:
        raise WrongUse(f"pocket {pocket.name}: its outline crosses itself or has no area; list its corners in order")
    inside = shapely.contains_xy(polygon, panels.flat_mm[:, 0], panels.flat_mm[:, 1])
    sign = 1.0 if pocket.side == "left" else -1.0
    if np.sign(np.asarray(pocket.outline)[:, 1] * sign).min() < 0:
        raise WrongUse(f"pocket {pocket.name} is called {pocket.side} but reaches across the middle line; correct it")
    if not inside.any():
        x = -np.asarray(pocket.outline)[:, 0]
        raise WrongUse(
            f"pocket {pocket.name}, {x.min():.0f} to {x.max():.0f} mm behind the front edge, lies outside the panels "
            f"({panels.panels.saddle.length_mm:.0f} mm long): a shim there presses on nothing; measure it again"
        )


def _stepped_in(whole: Polygon, step_mm: float) -> Polygon:
    """The outline moved in by step_mm with square corners; where that would split it, by half as much."""
    for _ in range(8):
        inner = whole.buffer(-step_mm, join_style="mitre", mitre_limit=2.0)
        if inner.geom_type == "Polygon" and not inner.is_empty:
            return inner
        step_mm /= 2
    return whole


def _ring(polygon: Polygon) -> FloatArray:
    return np.asarray(shapely.geometry.polygon.orient(polygon).exterior.coords)[:-1]
