"""The back and the saddle's underside as meshes in the colours of their pressure; solids and pages draw the same."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import Delaunay, cKDTree

from shimwright.export.palette import ON_PAPER, pressure_colour
from shimwright.optimize.answer import Contact
from shimwright.scan.raw import FloatArray
from shimwright.scan.surface import Surface

TOUCHING_KPA = 0.1
LONGEST_EDGE = 1.9  # of the usual distance between nodes: longer triangles would bridge pockets of the outline
COLOURS = 64


@dataclass(frozen=True)
class ColouredMesh:
    """points_mm (n, 3) in the back frame, triangles (m, 3) counter-clockwise from outside, colour (n, 3) in 255ths of
    linear light.
    """

    points_mm: FloatArray
    triangles: NDArray[np.int64]
    colour: NDArray[np.uint8]


def back_mesh(surface: Surface, contact: Contact, case: str, most_kpa: float, every: int = 1) -> ColouredMesh:
    """What was seen of the back, each `every`-th station and angle; darkest at most_kpa, where nothing touches its own
    colour.
    """
    x, phi, triangles = seen_net(surface, every)
    at = surface.point(x, phi)
    colour = _colours(_pressure_at(surface, at, contact, case), most_kpa, ON_PAPER.ground)
    return ColouredMesh(at, triangles, colour)


def seen_net(surface: Surface, every: int = 1) -> tuple[FloatArray, FloatArray, NDArray[np.int64]]:
    """Nodes of what was seen, x and phi (n,), of each `every`-th station and angle, and triangles (m, 3) over them,
    counter-clockwise from outside.
    """
    x, phi = np.meshgrid(surface.x_mm[::every], surface.phi[::every], indexing="ij")
    number = np.arange(x.size).reshape(x.shape)
    a, b, c, d = number[:-1, :-1], number[1:, :-1], number[1:, 1:], number[:-1, 1:]
    triangles = np.concatenate([np.stack(t, -1).reshape(-1, 3) for t in ((a, b, c), (a, c, d))])
    triangles = triangles[surface.is_seen(x, phi).ravel()[triangles].all(axis=1)]
    used, index = np.unique(triangles, return_inverse=True)
    return x.ravel()[used], phi.ravel()[used], index.reshape(-1, 3)


def underside_mesh(contact: Contact, case: str, most_kpa: float) -> ColouredMesh:
    """Both panels at the reference pose."""
    triangles = np.concatenate([_net(contact, side) for side in (1.0, -1.0)])
    return ColouredMesh(
        contact.nodes_mm, triangles, _colours(contact.cases[case].pressure_kpa, most_kpa, ON_PAPER.felt)
    )


def y_up(points_mm: FloatArray) -> FloatArray:
    """Back frame (forward, left, up) → (left, up, forward), as glTF and its viewers have it: a turn, no mirror."""
    return points_mm[:, [1, 2, 0]]


def _pressure_at(surface: Surface, at: FloatArray, contact: Contact, case: str) -> FloatArray:
    """Pressure of the nearest node above each point, 0 where none is near: nodes and points by station and arc."""
    nodes = contact.nodes_mm
    tree = cKDTree(_station_and_arc(surface, nodes))
    spacing = float(np.sqrt(np.median(contact.area_mm2)))
    distance, nearest = tree.query(_station_and_arc(surface, at))
    return np.where(distance < spacing, contact.cases[case].pressure_kpa[nearest], 0.0)


def _station_and_arc(surface: Surface, points: FloatArray) -> FloatArray:
    x, phi, _ = surface.polar(points)
    radius = surface.radius(x, phi)
    return np.column_stack([x, phi * np.where(np.isfinite(radius), radius, 0.0)])


def _net(contact: Contact, side: float) -> NDArray[np.int64]:
    """Triangles over one panel's nodes, in the flat."""
    mine = np.flatnonzero(contact.side == side)
    flat = contact.flat_mm[mine]
    triangles = Delaunay(flat).simplices
    edges = np.linalg.norm(flat[triangles] - flat[np.roll(triangles, 1, axis=1)], axis=2).max(axis=1)
    short = edges < LONGEST_EDGE * float(np.sqrt(np.median(contact.area_mm2[mine])))
    return np.asarray(mine[triangles[short]], np.int64)


def _colours(pressure: FloatArray, most: float, bare: str) -> NDArray[np.uint8]:
    """(n, 3) in linear light, as glTF wants vertex colours (§3.9.2). Not known: bare."""
    table = np.array([linear_light(pressure_colour(i / (COLOURS - 1))) for i in range(COLOURS)], np.uint8)
    step = np.clip(np.rint(np.nan_to_num(pressure) / most * (COLOURS - 1)), 0, COLOURS - 1).astype(int)
    return np.where((pressure > TOUCHING_KPA)[:, None], table[step], np.array(linear_light(bare), np.uint8))


def linear_light(colour: str) -> tuple[int, int, int]:
    """`#rrggbb` in sRGB → linear light, IEC 61966-2-1, in 255ths."""
    share = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255.0
    linear = np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)
    red, green, blue = (int(value) for value in np.rint(255.0 * linear))
    return red, green, blue
