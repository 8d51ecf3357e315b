"""Backs that a known set-up fits at uniform pressure: the matched back less the bevelled footprint of its shims
(DESIGN §11)."""

from dataclasses import dataclass, replace

import numpy as np
from plain_backs import back_of
from scipy.optimize import brentq

from shimwright.optimize.bench import common_layers, prepare
from shimwright.optimize.case import Case, Rider
from shimwright.optimize.flexible import tree_modes
from shimwright.optimize.loads import load_case
from shimwright.optimize.materials import load_materials, tissue
from shimwright.optimize.pad import Pad
from shimwright.optimize.place import place
from shimwright.optimize.saddle import Saddle
from shimwright.optimize.setup import Setup
from shimwright.optimize.stacks import layer_thickness, node_pockets
from shimwright.optimize.underside import underside
from shimwright.scan.back import Back, Landmark
from shimwright.scan.raw import FloatArray
from shimwright.scan.surface import Surface

FRONT_X_MM = -90.0
ORIGIN_Z_MM = 70.0
TRUNK = 600.0  # mm: a round trunk about the axis, beyond the panels


@dataclass(frozen=True)
class Planted:
    """The back, the saddle with its load brought to the centroid of uniform pressure, and the set-up to find."""

    back: Back
    saddle: Saddle
    case: Case
    setup: Setup
    pressure_kpa: float


def planted(saddle: Saddle, pad: Pad, setup: Setup, rider_kg: float = 75.0) -> Planted:
    """g = T(1 − ε(p̄)) + c(1 − cos α): at a heave of −c every node stands at p̄, c the pressed height of all the rest."""
    case = Case(rider=Rider(weight_kg=rider_kg, weight_told=True))
    balanced, pressure = at_centroid(saddle, case)
    rest = pressed_rest_mm(balanced, pad, setup.insert, pressure)
    back = _back(balanced, pad, setup, pressure, rest, np.zeros(0))
    if not balanced.rigid:
        back = _back(balanced, pad, setup, pressure, rest, bent(back, balanced, pad, setup, case, pressure))
    return Planted(back, balanced, case, setup, pressure)


def bent(back: Back, saddle: Saddle, pad: Pad, setup: Setup, case: Case, pressure_kpa: float) -> FloatArray:
    """Modes (m,) of the tree between its load and uniform pressure: K q = f − Σ a p̄ w."""
    bench = prepare(back, saddle, pad, place(back, saddle), setup.arch, 5.0)
    force = bench.force(load_case(saddle, bench.underside, case.rider, "mounted"))
    pushed = bench.ways.T @ (1e-3 * bench.area_mm2 * pressure_kpa)
    return (force - pushed)[3:] / np.diag(bench.stiffness)[3:]


def at_centroid(saddle: Saddle, case: Case) -> tuple[Saddle, float]:
    """The saddle with seat and straps where uniform pressure balances them, and that pressure, kPa."""
    arch = next((a for a in saddle.arches if a.name == saddle.reference_arch), None)
    panels = underside(saddle, arch, 5.0)
    lever = panels.points - panels.centroid
    down = -panels.normals[:, 2]
    moment = panels.normals[:, 2] * lever[:, 0] - panels.normals[:, 0] * lever[:, 2]
    area = 1e-3 * panels.area_mm2
    # pitch moment per kPa is −Σ a·(down x): the resultant must act where Σ F x gives the same
    where = -float(area @ moment) / float(area @ down)
    centre = float(panels.centroid[0])

    def miss(seat: float) -> float:
        there = replace(saddle, seat_x_mm=seat, straps_x_mm=(seat,))
        return load_case(there, panels, case.rider, "mounted").resultant_mm[0] - centre - where

    seat = float(brentq(miss, centre - 80.0, centre + 80.0))
    there = replace(saddle, seat_x_mm=seat, straps_x_mm=(seat,))
    return there, load_case(there, panels, case.rider, "mounted").total_n / float(area @ down)


def pressed_rest_mm(saddle: Saddle, pad: Pad, insert: str | None, pressure_kpa: float) -> float:
    """Height of shell and insert less everything that gives under p̄ but the shims."""
    laws = load_materials()
    layers = common_layers(saddle, pad, insert, laws)
    height = sum(t for law, t in layers) - (saddle.filling.depth_mm if saddle.filling else 0.0)
    given = sum(t * float(law.strain_at(pressure_kpa)) for law, t in layers)
    return height - given - pressure_kpa / tissue().stiffness_kpa_per_mm


def footprint_mm(pad: Pad, setup: Setup, flat: FloatArray, pressure_kpa: float) -> FloatArray:
    """Σ T(1 − ε(p̄)) at flat points (n, 2)."""
    laws = load_materials()
    material = {shim.name: laws[shim.material] for shim in pad.shims}
    inside, total = node_pockets(pad, flat), np.zeros(len(flat))
    for index, pocket in enumerate(pad.pockets):
        nodes = np.flatnonzero(inside == index)
        stack = setup.stacks.get(pocket.name, ())
        for layer, row in zip(stack, layer_thickness(pad, pocket, stack, flat[nodes]), strict=True):
            total[nodes] += row * (1 - float(material[layer.shim].strain_at(pressure_kpa)))
    return total


def _back(saddle: Saddle, pad: Pad, setup: Setup, pressure: float, rest: float, modes: FloatArray) -> Back:
    arch = next((a for a in saddle.arches if a.name == setup.arch), None)
    panels = underside(saddle, arch, 20.0).panels
    s, t = np.meshgrid(np.linspace(-0.05, 1.05, 221), np.linspace(-0.15, 1.15, 66), indexing="ij")
    cloud = []
    for side in (1, -1):
        points = panels.points(s, t, side).reshape(-1, 3)
        normals = panels.frame(s, t, side)[0].reshape(-1, 3)
        across = side * (panels.inner_edge_mm(s, side) + t * panels.width_mm(s)).ravel()
        flat = np.column_stack([points[:, 0], across])
        gap = footprint_mm(pad, setup, flat, pressure) + rest * (1 + normals[:, 2])
        if modes.size:
            tree = tree_modes(saddle)
            assert tree is not None
            gap -= normals[:, 2] * (tree.at(points[:, 0], np.full(len(points), float(side))) @ modes)
        cloud.append((points + [FRONT_X_MM, 0.0, ORIGIN_Z_MM] + normals * gap[:, None]).reshape(*s.shape, 3))
    plain = back_of(lambda x, y: -(y**2) / TRUNK + 0 * x)
    return with_surface(plain, _through(plain.surface, cloud), FRONT_X_MM)


def _through(surface: Surface, sheets: list[FloatArray]) -> Surface:
    """A surface on the same grid through sheets of points (along, across, 3), straight between them, level beyond."""
    angles, radii = [], []
    for sheet in sheets:
        for row in np.swapaxes(sheet, 0, 1):
            x, phi, radius = surface.polar(row)
            order = np.argsort(x)
            angles.append(np.interp(surface.x_mm, x[order], phi[order]))
            radii.append(np.interp(surface.x_mm, x[order], radius[order]))
    angle, radius = np.array(angles).T, np.array(radii).T  # (stations, rows of both sheets)
    order = np.argsort(angle, axis=1)
    rows = [np.interp(surface.phi, a[o], r[o]) for a, r, o in zip(angle, radius, order, strict=True)]
    return replace(surface, radius_mm=np.array(rows))


def with_surface(back: Back, surface: Surface, front_x_mm: float) -> Back:
    """The back with another surface, and chalk marks where the saddle's front edge settles."""
    marks = tuple(
        Landmark(f"saddle_front_{side}", np.array([front_x_mm, y, 0.0]), "marked", "mark", 3.0)
        for side, y in (("left", 90.0), ("right", -90.0))
    )
    return replace(back, surface=surface, landmarks=back.landmarks + marks)
