"""Pressure under the two panels from above: one map, light = little, the same scale before and after."""

from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np
from contourpy import FillType, LineType, contour_generator
from scipy.ndimage import distance_transform_edt
from shapely import MultiPolygon, Polygon
from shapely.geometry import LineString
from shapely.geometry.base import BaseGeometry

from shimwright.export.palette import pressure_colour
from shimwright.export.picture import Label, Picture, Stroke, View, circle, line, path
from shimwright.export.plan_of_saddle import panel_outline
from shimwright.optimize.answer import CaseResult, Contact, Fit
from shimwright.optimize.case import ZONES
from shimwright.scan.raw import FloatArray

GRID_MM = 4.0
TOUCHING_KPA = 0.1  # DESIGN §13
PANEL_LINE_KPA, PEAK_LINE_KPA = 11.0, 30.0


def levels_kpa(fit: Fit, case: str) -> FloatArray:
    """Contour levels that hold for before and after alike: even steps from 0 to above the higher of the two."""
    return levels_over([c.cases[case].pressure_kpa for c in (fit.as_found, fit.with_setup) if c is not None])


def levels_over(fields: Sequence[FloatArray]) -> FloatArray:
    """The same over any pressures, kPa."""
    top = max((float(np.nanpercentile(field, 99.5)) for field in fields if np.isfinite(field).any()), default=1.0)
    step = next(step for step in (1.0, 2.0, 2.5, 5.0, 10.0, 20.0, 50.0, 1e9) if top / step <= 8)
    return np.asarray(step * np.arange(0, int(np.ceil(top / step)) + 1), dtype=float)


def pressure_map(
    contact: Contact, result: CaseResult, levels: FloatArray, size_mm: tuple[float, float], words: dict[str, str]
) -> Picture:
    """Filled bands of pressure with the words given for each zone laid over them; hatched where there is daylight.

    size_mm: width, and the height that it may take at most.
    """
    width, most = size_mm
    view, height = _view(contact, width, most)
    strokes: list[Stroke] = []
    for side in (1, -1):
        here = contact.side == side
        outline = Polygon(view_xy(view, panel_outline(contact, side))).buffer(0)
        if np.isfinite(result.pressure_kpa[here]).sum() < 4:
            strokes.append(Stroke(polygon_path(outline), "panel edge"))
            continue
        rows = np.unique(contact.along[here]).size
        xy, pressure = view_xy(view, contact.nodes_mm[here, :2]), result.pressure_kpa[here]
        field = _grid(xy.reshape(rows, -1, 2), pressure.reshape(rows, -1), GRID_MM * view.scale)
        strokes += _bands(field, levels, outline)
        strokes += _daylight(field, outline)
        strokes += _contours(field, levels[1:], outline)
        strokes.append(Stroke(polygon_path(outline), "panel edge"))
    strokes += _unseen(contact, result, view)
    labels = _zone_labels(contact, view, words)
    return Picture(width, height, "Pressure under the saddle from above, head up", tuple(strokes), tuple(labels))


def legend(levels: FloatArray, width_mm: float, low: str, high: str, numbers: bool) -> Picture:
    """The bar that belongs to the maps: kPa at each band, or only two words."""
    count = len(levels) - 1
    x0, x1 = 14.0, width_mm - 16.0
    edges = np.linspace(x0, x1, count + 1)
    strokes = [
        Stroke(
            path(np.array([[a, 1.0], [b, 1.0], [b, 5.0], [a, 5.0]]), closed=True),
            "cell",
            band_colour(k, levels),
        )
        for k, (a, b) in enumerate(pairwise(edges))
    ]
    strokes.append(Stroke(path(np.array([[x0, 1.0], [x1, 1.0], [x1, 5.0], [x0, 5.0]]), closed=True), "frame"))
    labels = [Label(x0 - 1.5, 3.0, low, 8, "right"), Label(x1 + 1.5, 3.0, high, 8, "left")]
    if numbers:
        labels += [Label(x, 7.6, f"{level:g}", 8) for x, level in zip(edges, levels, strict=True)]
    return Picture(width_mm, 9.5 if numbers else 6.0, "Scale of the maps", tuple(strokes), tuple(labels))


def band_colour(band: int, levels: FloatArray) -> str:
    """Of the band above levels[band]; the last one is the darkest."""
    return pressure_colour(band / max(len(levels) - 2, 1))


def view_xy(view: View, xy: FloatArray) -> FloatArray:
    return view(xy[:, 1], xy[:, 0])


def zone_middle(contact: Contact, zone: str) -> FloatArray:
    """(2,) mean (x, y) of a zone's nodes."""
    part, hand = zone.split("_")
    third = np.clip((3 * contact.along).astype(int), 0, 2) == ("front", "middle", "rear").index(part)
    here = third & (contact.side == (1 if hand == "left" else -1))
    return np.asarray(contact.nodes_mm[here, :2].mean(axis=0))


def _view(contact: Contact, width: float, most: float) -> tuple[View, float]:
    """The view and the height it takes, at most `most`."""
    x, y = contact.nodes_mm[:, 0], np.abs(contact.nodes_mm[:, 1])
    scale = float(min((width - 2) / (2 * y.max()), (most - 2) / np.ptp(x)))
    return View((width / 2, 1.0 + scale * float(x.max())), scale, flip_a=True), scale * float(np.ptp(x)) + 2.0


def _grid(points: FloatArray, values: FloatArray, step: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Values on a regular grid of paper, linear between the nodes and carried on past the rim.

    points (along, across, 2), values (along, across): one panel's own grid of nodes; NaN takes the nearest node.
    """
    low, high = points.min(axis=(0, 1)) - 2 * step, points.max(axis=(0, 1)) + 2 * step
    x, y = np.arange(low[0], high[0], step), np.arange(low[1], high[1], step)
    known = distance_transform_edt(~np.isfinite(values), return_distances=False, return_indices=True)
    values, along = values[tuple(known)], points[..., 1].mean(axis=1)
    order = np.argsort(along)
    place = np.interp(y, along[order], order)
    first = np.clip(place.astype(int), 0, len(along) - 2)
    share = (place - first)[:, None]
    lines = [(1 - share) * part[first] + share * part[first + 1] for part in (points[..., 0], values)]
    across = np.argsort(lines[0], axis=1)
    rows = zip(*(np.take_along_axis(part, across, axis=1) for part in lines), strict=True)
    return x, y, np.array([np.interp(x, at, value) for at, value in rows])


def _bands(field: tuple[FloatArray, FloatArray, FloatArray], levels: FloatArray, outline: BaseGeometry) -> list[Stroke]:
    x, y, z = field
    generator = contour_generator(x, y, np.clip(z, 0.0, levels[-1] - 1e-9), fill_type=FillType.OuterOffset)
    strokes = []
    for k, (low, high) in enumerate(pairwise(levels)):
        shape = _filled(generator.filled(low, high), outline)
        if not shape.is_empty:
            strokes.append(Stroke(polygon_path(shape), "cell", band_colour(k, levels)))
    return strokes


def _filled(filled: Any, outline: BaseGeometry) -> BaseGeometry:
    """Polygons of one band, from contourpy's outer-offset form, cut to the panel."""
    rings = []
    for points, offsets in zip(*filled, strict=True):
        parts = [points[a:b] for a, b in pairwise(offsets)]
        rings.append(Polygon(parts[0], parts[1:]).buffer(0))
    return MultiPolygon([p for ring in rings for p in _polygons(ring)]).buffer(0).intersection(outline)


def _daylight(field: tuple[FloatArray, FloatArray, FloatArray], outline: BaseGeometry) -> list[Stroke]:
    """Hatching over paper where nothing touches."""
    x, y, z = field
    shape = _filled(contour_generator(x, y, z, fill_type=FillType.OuterOffset).filled(-1.0, TOUCHING_KPA), outline)
    if shape.is_empty or shape.area < 1.0:
        return []
    left, top, right, bottom = shape.bounds
    drop = bottom - top + right - left
    hatch = [
        shape.intersection(LineString([(left, at), (right, at - (right - left))]))
        for at in np.arange(top, top + drop, 1.6)
    ]
    lines = "".join(path(np.array(part.coords)) for piece in hatch for part in _lines(piece))
    return [Stroke(polygon_path(shape), "panel"), Stroke(lines, "daylight")]


def _contours(
    field: tuple[FloatArray, FloatArray, FloatArray], levels: FloatArray, outline: BaseGeometry
) -> list[Stroke]:
    x, y, z = field
    generator = contour_generator(x, y, z, line_type=LineType.Separate)
    pieces = [LineString(part).intersection(outline) for level in levels[:-1] for part in generator.lines(level)]
    data = "".join(path(np.array(part.coords)) for piece in pieces for part in _lines(piece))
    return [Stroke(data, "contour")] if data else []


def _unseen(contact: Contact, result: CaseResult, view: View) -> list[Stroke]:
    """Small crosses on paper where the scan did not show the back, so nothing is known."""
    unseen = ~np.isfinite(result.pressure_kpa)
    points = view_xy(view, contact.nodes_mm[unseen, :2])[::4]
    patch = "".join(circle(x, y, 1.6) for x, y in points)
    crosses = "".join(
        line((x - 0.6, y - 0.6), (x + 0.6, y + 0.6)) + line((x - 0.6, y + 0.6), (x + 0.6, y - 0.6)) for x, y in points
    )
    return [Stroke(patch, "blank"), Stroke(crosses, "contour")] if len(points) else []


def _zone_labels(contact: Contact, view: View, words: dict[str, str]) -> list[Label]:
    labels = []
    for zone in ZONES:
        if words.get(zone):
            x, y = view_xy(view, zone_middle(contact, zone)[None])[0]
            lines = words[zone].split("\n")
            labels += [
                Label(x, y + 3.4 * (k - (len(lines) - 1) / 2), text, 8, strong=k == 0, plate=True)
                for k, text in enumerate(lines)
            ]
    return labels


def polygon_path(shape: BaseGeometry) -> str:
    """SVG path data of every polygon in it, holes too."""
    return "".join(
        path(np.array(ring.coords)[:-1], closed=True)
        for polygon in _polygons(shape)
        for ring in (polygon.exterior, *polygon.interiors)
    )


def _polygons(shape: BaseGeometry) -> list[Polygon]:
    parts = getattr(shape, "geoms", [shape])
    return [part for part in parts if isinstance(part, Polygon) and not part.is_empty]


def _lines(shape: BaseGeometry) -> list[LineString]:
    parts = getattr(shape, "geoms", [shape])
    return [part for part in parts if isinstance(part, LineString) and not part.is_empty]
