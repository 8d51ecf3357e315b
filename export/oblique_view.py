"""The back obliquely, from its left and above, in lines with the pressure upon it: the still that stands for the view
that turns, on paper and where no script runs."""

from dataclasses import dataclass
from itertools import pairwise
from typing import cast

import numpy as np
from contourpy import FillType, contour_generator
from shapely import MultiPolygon, Polygon, transform, unary_union
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
SLIT_MM, TEETH_MM = 8.0, 30.0  # of the horse


@dataclass(frozen=True)
class Body:
    """The bare back on paper, drawn once for every picture of it. strokes: sections and outline."""

    width_mm: float
    height_mm: float
    view: View
    strokes: tuple[Stroke, ...]


def body_obliquely(surface: Surface, width_mm: float) -> Body:
    """Sections every 50 mm and the outline, as wide as told."""
    strips = [_towards_the_eye(surface, rear, front) for rear, front in pairwise(_stations(surface))]
    body = _without_teeth(unary_union(strips))
    left, low, right, top = body.bounds
    scale = (width_mm - 2.0) / (right - left)
    view = View((1.0 - scale * left, 1.0 + scale * top), scale)
    strokes = [Stroke(_on_paper(strip.intersection(body), view), "strip") for strip in strips if not strip.is_empty]
    outline = Stroke(_on_paper(body, view), "panel edge")
    return Body(width_mm, scale * (top - low) + 1.0 + MARGIN_MM, view, (*strokes, outline))


def oblique_view(body: Body, contact: Contact, case: str, levels_kpa: FloatArray) -> Picture:
    """Both panels on the back, with bands of pressure between levels_kpa in the colours of the maps."""
    pressure = contact.cases[case].pressure_kpa
    panels = [stroke for side in (1, -1) for stroke in _panel(contact, pressure, side, levels_kpa, body.view)]
    foot = body.height_mm - 2.0
    labels = (
        Label(1.0, foot, "head", 8, "left", ink="soft"),
        Label(body.width_mm - 1.0, foot, "seen from the left (near) side", 8, "right", ink="soft"),
    )
    title = "The back obliquely, from its left and above, with its pressures"
    return Picture(body.width_mm, body.height_mm, title, (*body.strokes, *panels), labels)


def on_plane(points_mm: FloatArray) -> FloatArray:
    """Back frame (…, 3) → (…, 2) on the picture's plane, right and up; what is parallel stays so."""
    return np.asarray(points_mm @ np.column_stack([ACROSS, UPWARD]))


def _stations(surface: Surface) -> FloatArray:
    """From far to near: what is near covers what lies behind it."""
    first, last = float(surface.x_mm[0]), float(surface.x_mm[-1])
    return np.linspace(first, last, 1 + max(1, round((last - first) / STRIP_MM)))


def _towards_the_eye(surface: Surface, rear_mm: float, front_mm: float) -> BaseGeometry:
    """The seen part of a strip that faces the eye, on the plane."""
    rear, front = surface.point(*np.meshgrid(np.array([rear_mm, front_mm]), surface.phi[::TURN], indexing="ij"))
    facing = np.cross(front[1:] - rear[:-1], rear[1:] - front[:-1]) @ EYE > 0.0  # never so where one was not seen
    runs = np.flatnonzero(np.diff(np.concatenate([[0], facing.astype(int), [0]]))).reshape(-1, 2)
    pieces = [Polygon(on_plane(np.concatenate([rear[a : b + 1], front[b::-1][: b - a + 1]]))) for a, b in runs]
    return _grown(_grown(MultiPolygon(pieces), SLIT_MM), -SLIT_MM)


def _without_teeth(body: BaseGeometry) -> BaseGeometry:
    """Slits of the scan's rim closed, ragged bits left out; a body that is nothing else stays as it is."""
    whole = _grown(_grown(_grown(body, SLIT_MM), -SLIT_MM - TEETH_MM), TEETH_MM)
    return body if whole.is_empty else whole


def _grown(shape: BaseGeometry, by_mm: float) -> BaseGeometry:
    return shape.buffer(by_mm, quad_segs=2).simplify(0.5)


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
