"""Several stances of one horse: bent backs against closed forms, the blended search against every set-up one by one."""

import shutil
from dataclasses import replace
from itertools import product
from pathlib import Path

import numpy as np
import pytest
import tack
from test_trade_choices import LEVEL, OWN_ARCH, SADDLE

from shimwright import meshes
from shimwright.case_file import read_case
from shimwright.fit import back_of, fit_case
from shimwright.optimize import screen
from shimwright.optimize.case import Case
from shimwright.optimize.cost import fixed_cost
from shimwright.optimize.fit import Job, choices, prepared, with_stances
from shimwright.optimize.limits import limits
from shimwright.optimize.search import search
from shimwright.optimize.setup import Setup
from shimwright.optimize.stances import StanceTold, blend
from shimwright.scan.refusal import WrongUse
from shimwright.scan.stance import bent, flatter
from shimwright.scan.synthetic import true_back

BACK = true_back(LEVEL)
YARD_SADDLE = replace(SADDLE, arches=OWN_ARCH)
PAD = tack.pad(2, (3.0, 6.0), inserts=(5.0,))


def test_a_lifted_back_is_a_parabola_higher() -> None:
    """Depth L θ / 8 of a parabola whose end tangents differ by θ (elementary geometry)."""
    up = bent(BACK, -60.0, -460.0, 3.0)
    x = np.array([-60.0, -160.0, -260.0, -460.0])
    rise = up.midline.at(x)[1] - BACK.midline.at(x)[1]
    depth = 400.0 * np.radians(3.0) / 8
    assert rise == pytest.approx([0.0, 0.75 * depth, depth, 0.0], abs=0.05)
    crest = np.array([[-260.0, 0.0, 200.0]])
    fall = np.array([[0.0, 0.0, -1.0]])
    assert BACK.gap(crest, fall)[0] - up.gap(crest, fall)[0] == pytest.approx(depth, abs=0.1)
    assert bent(BACK, -60.0, -460.0, -3.0).build.dip_mm > BACK.build.dip_mm


def test_a_flatter_back_dips_less_by_its_share() -> None:
    """By definition: every depth below the line withers–croup is 0.8 of what it was."""
    assert flatter(BACK, 0.2).build.dip_mm == pytest.approx(0.8 * BACK.build.dip_mm, rel=0.02)


def test_blend_by_hand() -> None:
    share = limits().stances.worst_share
    mean = (1.0 * 0.4 + 0.5 * 0.7) / 1.5
    expected = (1 - share) * mean + share * 0.7
    assert blend(np.array([[0.4], [0.7]]), np.array([1.0, 0.5])) == pytest.approx([expected])


def in_both(told: tuple[StanceTold, ...]) -> Job:
    return with_stances(prepared(BACK, YARD_SADDLE, PAD, Case()), told)


def test_the_search_over_stances_is_brute_force() -> None:
    job = in_both((StanceTold("lifted", made="lifted"), StanceTold("hollowed", made="hollowed", weight=2.0)))
    options, rule = choices(job)
    found = search(options, PAD, job.saddle, rule, job.found_setup, lambda _: None)
    names = [pocket.name for pocket in PAD.pockets]
    best = np.inf
    for row in product(range(len(job.stacks)), repeat=len(names)):
        setup = Setup(
            OWN_ARCH[0].name, PAD.inserts[0].name, {n: job.stacks[s] for n, s in zip(names, row, strict=True)}
        )
        beds = [options[0].bed, *(bed for bed, _ in options[0].stances)]
        solved = [screen.solve_rows(bed, rule, screen.resting_pose(bed), np.array([row])) for bed in beds]
        if solved[0][2][0] == 0:
            cost = blend(np.array([one[0] for one in solved]), np.array([1.0, 0.5, 2.0]))[0]
            best = min(best, float(cost) + fixed_cost(setup, PAD) + options[0].arch_cost)
    assert found.exact
    assert min(c.cost for c in found.candidates) == pytest.approx(best, rel=1e-4)


def test_a_stance_like_the_square_one_changes_nothing() -> None:
    alone, twice = in_both(()), in_both((StanceTold("again", BACK),))
    picks = []
    for job in (alone, twice):
        options, rule = choices(job)
        picks.append(search(options, PAD, job.saddle, rule, job.found_setup, lambda _: None).best)
    assert picks[0] is not None
    assert picks[1] is not None
    assert picks[0].setup == picks[1].setup
    assert picks[0].cost == pytest.approx(picks[1].cost, rel=1e-4)


def case_of_horse(name: str, folder: Path) -> Path:
    """A copy of the yard that may be written to; its case file for one horse."""
    yard = shutil.copytree(Path(meshes.__path__[0]), folder / "yard", ignore=shutil.ignore_patterns("*.py*"))
    return Path(yard) / "horses" / name / "case.toml"


def test_a_case_with_stances(tmp_path: Path) -> None:
    path = case_of_horse("fennel", tmp_path)
    text = path.read_text(encoding="utf-8")
    path.write_text(text + '\n[[stance]]\nmade = "flatter"\n\n[[stance]]\nname = "head low"\nscan = "scan.ply"\n')
    case = read_case(path)
    answer = fit_case(case, back_of(case, lambda _: None), lambda _: None)
    assert [held.name for held in answer.stances] == ["flatter", "head low"]
    assert answer.with_setup is not None
    again = answer.stances[1].with_setup
    assert again is not None
    assert again.cases["mounted"].peak_kpa == pytest.approx(answer.with_setup.cases["mounted"].peak_kpa, rel=1e-6)


@pytest.mark.parametrize(
    "row", ['name = "nothing"', 'made = "flatter"\nscan = "scan.ply"', 'made = "twisted"', 'scan = "none.ply"']
)
def test_a_stance_that_says_nothing_is_refused(row: str, tmp_path: Path) -> None:
    path = case_of_horse("fennel", tmp_path)
    path.write_text(path.read_text(encoding="utf-8") + f"\n[[stance]]\n{row}\n")
    with pytest.raises(WrongUse, match="stance"):
        read_case(path)
