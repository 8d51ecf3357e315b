"""Load cases: weights, straps and where they act (DESIGN §13 Loads)."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from scipy.spatial import ConvexHull

from shimwright.optimize.case import Rider
from shimwright.optimize.saddle import Saddle
from shimwright.optimize.underside import Underside
from shimwright.scan.raw import FloatArray
from shimwright.scan.refusal import InputRefused, WrongUse

CASES = ("saddle_only", "girthed", "mounted", "walk", "trot", "canter")
RIDER_FACTOR = {"mounted": 1.0, "walk": 1.2, "trot": 2.0, "canter": 2.5}  # reference.md §1, rounded [J]
STRAP_N = 100.0  # down, per side [J]
GRAVITY_M_S2 = 9.80665
SEAT_MM = 160.0  # length of the seat over which the rider's weight is spread along a tree that bends [J]
RIDER_KG, SADDLE_KG = (15.0, 250.0), (0.5, 60.0)  # what can be meant [J]


@dataclass(frozen=True)
class Load:
    """Vertical forces down. x_mm, y_mm, force_n: (k,), saddle frame."""

    name: str
    x_mm: FloatArray
    y_mm: FloatArray
    force_n: FloatArray

    @property
    def total_n(self) -> float:
        return float(self.force_n.sum())

    @property
    def resultant_mm(self) -> tuple[float, float]:
        """(x, y) where the sum acts."""
        x, y = (float(self.force_n @ along / self.total_n) for along in (self.x_mm, self.y_mm))
        return x, y


def load_cases(saddle: Saddle, panels: Underside, rider: Rider, names: Iterable[str] = CASES) -> Mapping[str, Load]:
    """The named cases. Raises WrongUse for weights that cannot be meant, InputRefused for a load outside the panels."""
    _check_weights(saddle, rider)
    loads = {name: load_case(saddle, panels, rider, name) for name in names}
    for load in loads.values():
        check_inside(load, panels)
    return loads


def load_case(saddle: Saddle, panels: Underside, rider: Rider, name: str) -> Load:
    """Saddle at the panels' centroid, straps at the outer edges, the rider spread about the seat's lowest point, what
    is told to rest in the stirrups on their bars. Raises WrongUse where the bars' place is not told.
    """
    centre = float(panels.centroid[0])
    parts = [np.array([[centre, 0.0, saddle.mass_kg * GRAVITY_M_S2]])]
    if name != "saddle_only":
        parts.append(_straps(saddle, panels, centre))
    if name in RIDER_FACTOR:
        seat = centre if saddle.seat_x_mm is None else saddle.seat_x_mm
        force = rider.weight_kg * GRAVITY_M_S2 * RIDER_FACTOR[name]
        parts.append(_seat(seat, lean_mm(rider), force * (1 - rider.in_stirrups)))
        if rider.in_stirrups > 0:
            parts.append(_stirrups(saddle, panels, lean_mm(rider), force * rider.in_stirrups))
    x, y, force_n = np.concatenate(parts).T
    return Load(name, x, y, force_n)


def lean_mm(rider: Rider) -> float:
    """y of the rider's weight: + when leaning left."""
    return {"left": rider.lean_mm, "right": -rider.lean_mm}.get(rider.lean, 0.0)


def _straps(saddle: Saddle, panels: Underside, centre: float) -> FloatArray:
    xs = saddle.straps_x_mm or (centre,)
    return np.array([[x, panels.outer_edge_mm(x, side), STRAP_N / len(xs)] for x in xs for side in (1, -1)])


def _seat(x: float, y: float, force: float) -> FloatArray:
    points = np.linspace(-0.4, 0.4, 5) * SEAT_MM
    return np.array([[x + dx, y, force / points.size] for dx in points])


def _stirrups(saddle: Saddle, panels: Underside, lean: float, force: float) -> FloatArray:
    """On both bars, over the panels' middle lines; a rider who leans treads harder on that side, up to all of it."""
    if saddle.stirrup_bar_x_mm is None:
        raise WrongUse("rider.in_stirrups: where the stirrup bars lie is not told; add stirrup_bar_x_mm to the saddle")
    x = saddle.stirrup_bar_x_mm
    out = abs(float(panels.panels.points(np.array(-x / saddle.length_mm), np.array(0.5), 1)[1]))
    left = np.clip(0.5 + 0.5 * lean / out, 0.0, 1.0)
    return np.array([[x, out, force * left], [x, -out, force * (1 - left)]])


def check_inside(load: Load, panels: Underside) -> None:
    """Raises InputRefused when the resultant lies outside the convex hull of both panels seen from above."""
    hull = ConvexHull(panels.points[:, :2])
    x, y = load.resultant_mm
    beyond = float((hull.equations[:, :2] @ np.array([x, y]) + hull.equations[:, 2]).max())
    if beyond > 0:
        raise InputRefused(
            f"{load.name}: the load of {load.total_n:.0f} N acts {-x:.0f} mm behind the front edge and {y:+.0f} mm to "
            f"the left, {beyond:.0f} mm outside the panels: the saddle would tip over; "
            "check seat_x_mm, straps_x_mm and lean_mm"
        )


def _check_weights(saddle: Saddle, rider: Rider) -> None:
    if not RIDER_KG[0] <= rider.weight_kg <= RIDER_KG[1]:
        raise WrongUse(
            f"rider of {rider.weight_kg:g} kg: outside {RIDER_KG[0]:g} to {RIDER_KG[1]:g} kg, pressures would mean "
            "nothing; correct rider.weight"
        )
    if not SADDLE_KG[0] <= saddle.mass_kg <= SADDLE_KG[1]:
        raise WrongUse(
            f"saddle of {saddle.mass_kg:g} kg: outside {SADDLE_KG[0]:g} to {SADDLE_KG[1]:g} kg; correct its weight"
        )
