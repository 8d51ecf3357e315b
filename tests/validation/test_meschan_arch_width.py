"""Arch width: Meschan, Peham, Schobesberger, Licka 2007, Vet J 173:578–584, and MacKechnie-Guire et al. 2019,
Animals 9:842 (abstracts; effects as DESIGN §11 reads them).

Too narrow by a step (20 mm): pressure under the rear third rises, the front tips up, the arch's outer lower edge
digs in. Too wide: pressure under the middle third rises, the front tips down, the arch's upper edge presses. Under a
load at a fixed place the centre of vertical force cannot move: equilibrium fixes it.
"""

from functools import cache

import numpy as np
import pytest
from plain_backs import back_of, fitted_height
from plain_tack import FRONT_X_MM, arch_name, pad, saddle, setup

from shimwright.optimize.answer import Contact
from shimwright.optimize.assess import assess_on
from shimwright.optimize.bench import Bench, prepare
from shimwright.optimize.case import Case
from shimwright.optimize.place import place

STIFFNESS = (np.inf, 100.0, 30.0, 2.0)
MODE_CASES = ("girthed", "mounted", "trot")


@cache
def fitted(ei_nm2: float, step: int) -> tuple[Bench, Contact]:
    """The saddle on the back that it fits with its middle arch, with another arch in."""
    tack, cloth = saddle(ei_nm2), pad()
    back = back_of(fitted_height(tack, FRONT_X_MM))
    bench = prepare(back, tack, cloth, place(back, tack), arch_name(step), 10.0)
    return bench, assess_on(bench, cloth, Case(), setup(cloth, arch=arch_name(step)), MODE_CASES)


def third(ei_nm2: float, step: int, place_: str, case: str) -> float:
    zones = fitted(ei_nm2, step)[1].cases[case].zones
    return (zones[f"{place_}_left"].mean_kpa + zones[f"{place_}_right"].mean_kpa) / 2


def arch_edge(ei_nm2: float, step: int, outer: bool) -> float:
    bench, contact = fitted(ei_nm2, step)
    nodes = bench.underside
    edge = nodes.across > 0.67 if outer else nodes.across < 0.33
    return float(np.nanmean(contact.cases["mounted"].pressure_kpa[nodes.on_arch & edge]))


@pytest.mark.parametrize("ei", STIFFNESS)
@pytest.mark.parametrize(("narrower", "wider"), [(-2, -1), (-1, 0), (0, 1), (1, 2)])
def test_pitch(ei: float, narrower: int, wider: int) -> None:
    before, after = (fitted(ei, step)[1].cases["mounted"].pitch_deg for step in (narrower, wider))
    assert after < before - 0.3


@pytest.mark.parametrize("ei", STIFFNESS)
@pytest.mark.parametrize("step", [1, 2])
@pytest.mark.parametrize("case", ["mounted", "trot"])
def test_too_wide_raises_the_middle_third(ei: float, step: int, case: str) -> None:
    assert third(ei, step, "middle", case) > third(ei, step - 1, "middle", case)
    assert third(ei, step, "rear", case) < third(ei, step - 1, "rear", case)


@pytest.mark.parametrize("ei", STIFFNESS)
@pytest.mark.parametrize("step", [1, 2])
@pytest.mark.parametrize("case", ["mounted", "trot"])
def test_too_narrow_raises_the_rear_third(ei: float, step: int, case: str) -> None:
    assert third(ei, -step, "rear", case) > third(ei, 1 - step, "rear", case)
    assert third(ei, -step, "middle", case) < third(ei, 1 - step, "middle", case)


@pytest.mark.parametrize("ei", STIFFNESS)
@pytest.mark.parametrize("step", [1, 2])
def test_edges_of_the_arch(ei: float, step: int) -> None:
    assert arch_edge(ei, step, outer=False) > arch_edge(ei, step - 1, outer=False)
    assert arch_edge(ei, -step, outer=True) > arch_edge(ei, 1 - step, outer=True)


@pytest.mark.parametrize("ei", STIFFNESS)
@pytest.mark.parametrize("step", [-2, -1, 1, 2])
def test_centre_of_force_stays(ei: float, step: int) -> None:
    """Σ a p over its lever: within 8 mm; normals that lean forward or back under the arch carry the rest."""
    centres = []
    for s in (0, step):
        bench, contact = fitted(ei, s)
        down = np.nan_to_num(contact.cases["mounted"].pressure_kpa) * bench.area_mm2 * -bench.underside.normals[:, 2]
        centres.append(float(down @ bench.underside.points[:, 0] / down.sum()))
    assert centres[1] == pytest.approx(centres[0], abs=8.0)


@pytest.mark.parametrize(
    ("step", "words"), [(-2, "too narrow"), (-1, "parallel"), (0, "parallel"), (1, "parallel"), (2, "too wide")]
)
def test_judged_by_itself(step: int, words: str) -> None:
    """Included angles 5° a step: 2.5° a leg; two steps are beyond the 3° of PRACTICE §5."""
    judged = fitted(np.inf, step)[1].arch
    assert judged is not None
    assert judged.words == words
    assert judged.difference_deg == pytest.approx((-2.5 * step, -2.5 * step), abs=0.3)
