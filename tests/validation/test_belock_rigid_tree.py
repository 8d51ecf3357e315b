"""Belock, Kaiser, Lavagnino, Clayton 2012, Vet J (abstract): a rigid tree spreads the load over more area than no
tree, with lower mean and maximum.

Equation: two beams on springs (DESIGN §7); rigid is EI = ∞, no tree EI = 2 N·m² a side.
Tolerance: directions, the peak by more than 20 %; between them pressure under the seat must grow as the tree gets
softer, and EI 2999 must press as rigid does, within 3 % and 0.3 kPa. One back that the saddle fits; the paper's
figures are of other saddles and not claimed.
"""

import numpy as np
import pytest
from plain_backs import back_of, fitted_height
from plain_tack import FRONT_X_MM, pad, saddle, setup

from shimwright.optimize.answer import CaseResult
from shimwright.optimize.assess import assess_on
from shimwright.optimize.bench import prepare
from shimwright.optimize.case import Case
from shimwright.optimize.place import place


def mounted(ei_nm2: float) -> CaseResult:
    tack, cloth = saddle(ei_nm2), pad()
    back = back_of(fitted_height(saddle(), FRONT_X_MM))
    bench = prepare(back, tack, cloth, place(back, tack), None, 10.0)
    return assess_on(bench, cloth, Case(), setup(cloth), ("mounted",)).cases["mounted"]


def test_rigid_tree_spreads_the_load() -> None:
    rigid, without = mounted(np.inf), mounted(2.0)
    assert rigid.peak_kpa < 0.8 * without.peak_kpa
    assert rigid.mean_kpa <= without.mean_kpa
    assert rigid.unevenness < without.unevenness


def test_softer_trees_carry_the_load_where_it_is_applied() -> None:
    under_the_seat = [mounted(ei).zones["middle_left"].mean_kpa for ei in (1e5, 300.0, 100.0, 30.0, 2.0)]
    assert under_the_seat == sorted(under_the_seat)


def test_stiff_modes_reach_the_rigid_tree() -> None:
    rigid, stiff = mounted(np.inf), mounted(2999.0)
    assert stiff.pressure_kpa == pytest.approx(rigid.pressure_kpa, rel=0.03, abs=0.3)
