"""What the page draws, as arrays: the bare back, its sections, the panels, the pockets from above. Three axes as WebGL
viewers have them: left, up, forward."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from shimwright.export.coloured_mesh import seen_net, y_up
from shimwright.export.palette import pressure_colour, signed_colour
from shimwright.export.plan_of_saddle import panel_outline, pocket_outline
from shimwright.export.pressure_map import levels_over
from shimwright.export.view_from_above import FRONT_MM, REAR_MM, silhouette
from shimwright.optimize.answer import Contact
from shimwright.page.fitting import SHOWN, Fitting
from shimwright.page.frames import framed
from shimwright.scan.back import Back, Landmark
from shimwright.scan.raw import FloatArray

EVERY = 2  # stations and angles of the grid: 10 mm and 2.5° look smooth
COLOURS = 64
GAP_SHOWN_MM = 10.0  # daylight and press-in at the ends of the signed map
UNMOUNTED = "girthed"  # daylight is looked for with the horse girthed, nobody up
LINES = ("shoulder", "last_rib")


def back_frame(back: Back) -> bytes:
    """The bare back with its sections: points, normals, triangles; lines as points with where each begins."""
    points, normals, triangles = back_mesh(back)
    lines = section_lines(back)
    starts = np.cumsum([0, *(len(line) for line in lines)])
    arrays = {
        "points": y_up(points), "normals": y_up(normals), "triangles": triangles,
        "lines": y_up(np.concatenate([np.zeros((0, 3)), *lines])), "starts": starts,
    }  # fmt: skip
    return framed("back", {}, arrays)


def back_mesh(back: Back) -> tuple[FloatArray, FloatArray, NDArray[np.int64]]:
    """Points (n, 3) and outward normals (n, 3) of what was seen, triangles (m, 3)."""
    x, phi, triangles = seen_net(back.surface, EVERY)
    return back.point(x, phi), back.normal(x, phi), triangles


def section_lines(back: Back) -> list[FloatArray]:
    """The measured sections as pieces (k, 3) of line, back frame."""
    lines = []
    for x, section in zip(back.stations.x_mm, back.stations.sections, strict=True):
        y0, z0 = back.midline.at(float(x))
        points = np.column_stack([np.full(len(section), x), section + np.array([float(y0), float(z0)])])
        seen = np.isfinite(points).all(axis=1)
        edges = np.flatnonzero(np.diff(np.concatenate([[0], seen.astype(int), [0]])))
        lines += [points[a:b] for a, b in edges.reshape(-1, 2) if b - a > 1]
    return lines


def field_frame(fitting: Fitting, contact: Contact, which: str, serial: int) -> bytes:
    """Pressure and gap at the nodes of the coarse grid, where these meet the back, and the panels as they lie."""
    result = contact.cases[SHOWN]
    under = fitting.bench(contact.setup.arch)
    assert fitting.live_found is not None
    fields = [result.pressure_kpa, fitting.live_found.cases[SHOWN].pressure_kpa]
    header = {
        "which": which,
        "serial": serial,
        "grid": list(under.bench.underside.grid),
        "top_kpa": float(levels_over(fields)[-1]),
        "gap_mm": GAP_SHOWN_MM,
    }
    arrays = {
        "feet": y_up(under.feet_mm),
        "panels": y_up(fitting.panels_mm(contact)),
        "arch": y_up(fitting.arch_mm(contact).reshape(-1, 3)),
        "pressure": result.pressure_kpa,
        "gap": contact.cases[UNMOUNTED].gap_mm,
    }
    return framed("field", header, arrays)


def colours() -> dict[str, list[str]]:
    """The two maps as the sheets have them: pressure from light to dark, signed things white at zero."""
    shares = np.linspace(0.0, 1.0, COLOURS)
    return {
        "pressure": [pressure_colour(float(share)) for share in shares],
        "signed": [signed_colour(float(share)) for share in 2 * shares - 1],
    }


def landmark_rows(back: Back) -> list[dict[str, object]]:
    """Every known landmark: place, position for the view, where and how it was found."""
    return [_landmark_row(mark) for mark in back.landmarks if np.isfinite(mark.position_mm).all()]


def _landmark_row(mark: Landmark) -> dict[str, object]:
    return {
        "name": mark.name,
        "point": np.round(y_up(mark.position_mm[None])[0], 2).tolist(),
        "behind_mm": round(-float(mark.position_mm[0]), 1),
        "source": mark.source,
        "sd_mm": round(mark.sd_mm, 1) if np.isfinite(mark.sd_mm) else None,
    }


def rings(back: Back) -> list[list[float]]:
    """Where the messages of the scan check point, for the view."""
    places = [np.array(m.place_mm, float) for m in back.quality.messages if m.place_mm is not None]
    return [y_up(place[None])[0].tolist() for place in places if np.isfinite(place).all()]


def plan_of_back(back: Back) -> dict[str, object]:
    """The horse from above, back frame (x forward, y left), mm: outline, spine, shoulder edges and last ribs."""
    x, right, left = silhouette(back, REAR_MM)
    outline = np.vstack([np.column_stack([x, left]), np.column_stack([x, right])[::-1]])
    spine = np.column_stack([back.midline.x_mm, back.midline.y_mm])
    spine = spine[(spine[:, 0] < FRONT_MM) & (spine[:, 0] > x.min())]
    marks = {}
    for name in (f"{line}_{side}" for line in LINES for side in ("left", "right")):
        mark = back.landmark(name)
        if mark is not None and np.isfinite(mark.position_mm).all() and x.min() < mark.position_mm[0] < x.max():
            reach = float(np.interp(-mark.position_mm[0], -x, left if name.endswith("left") else right))
            at = float(mark.position_mm[0])
            marks[name] = _list(np.array([[at, np.sign(reach) * 60.0], [at, reach]]))
    return {"outline": _list(outline), "spine": _list(spine), "marks": marks}


def plan_of_tack(fitting: Fitting, contact: Contact) -> dict[str, object]:
    """Panels and pockets from above, back frame, mm."""
    pockets = {pocket.name: _list(pocket_outline(contact, pocket)) for pocket in fitting.job.pad.pockets}
    return {"panels": [_list(panel_outline(contact, side)) for side in (1, -1)], "pockets": pockets}


def _list(points: FloatArray) -> list[list[float]]:
    return [[float(a), float(b)] for a, b in np.round(points, 1)]
