"""The back obliquely, from its left and above, in lines with the pressure upon it: the still that stands for the view
that turns, on paper and where no script runs."""

from itertools import pairwise
from typing import cast

import numpy as np
from contourpy import FillType, contour_generator
from shapely import polygons, transform, unary_union
from shapely.geometry.base import BaseGeometry

from shimwright.export.picture import Label, Picture, Stroke, View, path
from shimwright.export.pressure_map import TOUCHING_KPA, band_colour, polygon_path
from shimwright.optimize.answer import Contact
from shimwright.scan.raw import FloatArray
from shimwright.scan.surface import Surface

EYE = np.array([0.42, 0.45, 0.788])  # forward, left, up, of unit length: both panels are seen
ACROSS = np.array([-EYE[1], EYE[0], 0.0]) / np.hypot(EYE[0], EYE[1])  # to the right on paper
UPWARD = np.cross(EYE, ACROSS)
STRIP_MM, TURN = 50.0, 4  # one strip of the body, and each how many-th angle of the grid
MARGIN_MM = 5.0
SNAP_MM = 0.01  # of the horse: neighbours share their corners whatever the rounding


def oblique_view(surface: Surface, contact: Contact, case: str, levels_kpa: FloatArray, width_mm: float) -> Picture:
    """Sections every 50 mm, both panels, and bands of pressure between levels_kpa in the colours of the maps."""
    strips = [_towards_the_eye(surface, rear, front) for rear, front in pairwise(_stations(surface))]
    body = unary_union(strips, grid_size=SNAP_MM)
    left, low, right, top = body.bounds
    scale = (width_mm - 2.0) / (right - left)
    view = View((1.0 - scale * left, 1.0 + scale * top), scale)
    strokes = [Stroke(_on_paper(strip, view), "strip") for strip in strips if not strip.is_empty]
    strokes.append(Stroke(_on_paper(body, view), "panel edge"))
    for side in (1, -1):
        strokes += _panel(contact, contact.cases[case].pressure_kpa, side, levels_kpa, view)
    height = scale * (top - low) + 1.0 + MARGIN_MM
    labels = (
        Label(1.0, height - 2.0, "head", 8, "left", ink="soft"),
        Label(width_mm - 1.0, height - 2.0, "seen from the left (near) side", 8, "right", ink="soft"),
    )
    return Picture(width_mm, height, "The back obliquely, from its left and above", tuple(strokes), labels)


def on_plane(points_mm: FloatArray) -> FloatArray:
    """Back frame (…, 3) → (…, 2) on the picture's plane, right and up; what is parallel stays so."""
    return np.asarray(points_mm @ np.column_stack([ACROSS, UPWARD]))


def _stations(surface: Surface) -> FloatArray:
    """From far to near: what is near covers what lies behind it."""
    first, last = float(surface.x_mm[0]), float(surface.x_mm[-1])
    return np.linspace(first, last, 1 + max(1, round((last - first) / STRIP_MM)))


def _towards_the_eye(surface: Surface, rear_mm: float, front_mm: float) -> BaseGeometry:
    """The seen part of a strip that faces the eye, on the plane."""
    points = surface.point(*np.meshgrid(np.array([rear_mm, front_mm]), surface.phi[::TURN], indexing="ij"))
    a, b, c, d = points[0, :-1], points[1, :-1], points[1, 1:], points[0, 1:]
    triangles = np.concatenate([np.stack(corners, axis=1) for corners in ((a, b, c), (a, c, d))])
    edges = np.diff(triangles, axis=1)
    facing = np.cross(edges[:, 0], edges[:, 1]) @ EYE > 0.0  # never so where a corner was not seen
    return unary_union(polygons(on_plane(triangles[facing])), grid_size=SNAP_MM)


def _panel(contact: Contact, pressure: FloatArray, side: int, levels: FloatArray, view: View) -> list[Stroke]:
    """Edge of one panel, its own grid of nodes laid on the plane with the bands between the levels."""
    here = contact.side == side
    rows = np.unique(contact.along[here]).size
    nodes = on_plane(contact.nodes_mm[here])
    xy = view(nodes[:, 0], nodes[:, 1]).reshape(rows, -1, 2)
    known = np.minimum(pressure[here], levels[-1] - 1e-9).reshape(rows, -1)
    z = np.ma.masked_invalid(known)
    generator = contour_generator(xy[..., 0], xy[..., 1], z, fill_type=FillType.OuterOffset)
    strokes = []
    for k, (low, high) in enumerate(pairwise(levels)):
        shapes = cast(tuple[list[FloatArray], list[FloatArray]], generator.filled(max(low, TOUCHING_KPA), high))
        rings = [points[a:b] for points, cuts in zip(*shapes, strict=True) for a, b in pairwise(cuts)]
        d = "".join(path(ring[:-1], closed=True) for ring in rings)
        strokes += [Stroke(d, "cell", band_colour(k, levels))] if d else []
    edge = np.concatenate([xy[0], xy[1:, -1], xy[-1, -2::-1], xy[-2:0:-1, 0]])
    return [*strokes, Stroke(path(edge, closed=True), "panel edge")]


def _on_paper(shape: BaseGeometry, view: View) -> str:
    return polygon_path(transform(shape, lambda xy: view(xy[:, 0], xy[:, 1])))
