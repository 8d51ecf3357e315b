"""A saddle on the back that it fits with its middle arch, with another arch in: steps of 20 mm and 5° (2.5° a leg)."""

from functools import cache

import numpy as np
from plain_backs import back_of, fitted_height
from plain_tack import FRONT_X_MM, arch_name, pad, saddle, setup

from shimwright.optimize.answer import Contact
from shimwright.optimize.assess import assess_on
from shimwright.optimize.bench import Bench, prepare
from shimwright.optimize.case import Case
from shimwright.optimize.place import place

STIFFNESS = (np.inf, 100.0, 30.0, 2.0)
CASES = ("girthed", "mounted", "walk", "trot")


@cache
def fitted(ei_nm2: float, step: int) -> tuple[Bench, Contact]:
    tack, cloth = saddle(ei_nm2), pad()
    back = back_of(fitted_height(tack, FRONT_X_MM))
    bench = prepare(back, tack, cloth, place(back, tack), arch_name(step), 10.0)
    return bench, assess_on(bench, cloth, Case(), setup(cloth, arch=arch_name(step)), CASES)


def third(ei_nm2: float, step: int, name: str, case: str) -> float:
    """Mean kPa of one third of the panels, left and right together."""
    zones = fitted(ei_nm2, step)[1].cases[case].zones
    return (zones[f"{name}_left"].mean_kpa + zones[f"{name}_right"].mean_kpa) / 2


def arch_edge(ei_nm2: float, step: int, outer: bool) -> float:
    """Mean kPa, mounted, on the outer (lower) or inner (upper) third under the arch's legs."""
    bench, contact = fitted(ei_nm2, step)
    nodes = bench.underside
    edge = nodes.across > 0.67 if outer else nodes.across < 0.33
    return float(np.nanmean(contact.cases["mounted"].pressure_kpa[nodes.on_arch & edge]))


def centre_of_force_mm(ei_nm2: float, step: int) -> float:
    """x where the vertical forces of the panels act together, mounted, saddle frame."""
    bench, contact = fitted(ei_nm2, step)
    kpa = np.nan_to_num(contact.cases["mounted"].pressure_kpa)
    down = kpa * bench.area_mm2 * -bench.underside.normals[:, 2]
    return float(down @ bench.underside.points[:, 0] / down.sum())
