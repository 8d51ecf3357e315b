"""Arch, insert and pockets that the fitter has settled: the search does the rest, and nothing else changes."""

import itertools
from dataclasses import replace

import numpy as np
import pytest
import tack
from planted import planted

from shimwright.optimize import prove as proving
from shimwright.optimize import search as searching
from shimwright.optimize.as_found import keeps
from shimwright.optimize.case import Case, PartialSetup
from shimwright.optimize.fit import choices, fit, fit_chosen, prepared
from shimwright.optimize.limits import limits
from shimwright.optimize.pad import Pad
from shimwright.optimize.saddle import Saddle
from shimwright.optimize.search import search
from shimwright.optimize.setup import Layer, Setup, height_mm
from shimwright.optimize.stock import count_fillings, side_fillings, stock_of
from shimwright.scan.back import Back
from shimwright.scan.refusal import WrongUse

FELT3, FELT6 = (Layer("felt", 3.0),), (Layer("felt", 6.0),)


def quiet(_: str) -> None:
    pass


def horse(pad: Pad, arches: int = 0) -> tuple[Back, Saddle, Case]:
    saddle = tack.saddle(30.0, arches=arches)
    plan = {"front_left": FELT6, "front_right": FELT3}
    setup = Setup(saddle.reference_arch, pad.inserts[0].name, {p.name: plan.get(p.name, ()) for p in pad.pockets})
    plant = planted(saddle, pad, setup)
    return plant.back, plant.saddle, plant.case


@pytest.mark.parametrize("most", [None, 1_000_000, 1])
def test_a_settled_pocket_is_the_best_of_those_that_have_it_so(
    most: int | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The whole enumeration, looked through by hand, is the standard; solved whole, by bounds, and walked."""
    pad = tack.pad(2)
    back, saddle, case = horse(pad)
    job = prepared(back, saddle, pad, case)
    options, rule = choices(job)
    whole = search(options, pad, saddle, rule, job.found_setup, quiet)
    if most is not None:
        size = replace(limits().search, solve_all_up_to=5, solve_left_over_up_to=most, solve_whole_up_to=0)
        for module in (searching, proving):
            monkeypatch.setattr(module, "limits", lambda: replace(limits(), search=size))
    part = search(options, pad, saddle, rule, job.found_setup, quiet, {"front_left": FELT3})
    assert part.exact is (most != 1)
    assert part.setups == 3**3 * len(options)
    assert part.candidates
    assert {c.setup.stacks["front_left"] for c in part.candidates} == {FELT3}
    theirs = [c.cost for c in whole.candidates if c.setup.stacks["front_left"] == FELT3]
    assert min(c.cost for c in part.candidates) == pytest.approx(min(theirs), abs=1e-6)


def test_fillings_of_settled_pockets_are_counted_as_listed() -> None:
    for per_side, step in itertools.product((1, 2, 3, 4), (None, 3.0, 6.0)):
        pad = tack.without(tack.pad(per_side, (3.0, 6.0, 10.0)), neighbour_step_mm=step)
        stock = stock_of(pad, {pad.pockets[0].name: FELT6})
        for side in ("left", "right"):
            free = side_fillings(pad, side, stock.heights_mm, 7.0).stacks
            listed = side_fillings(pad, side, stock.heights_mm, 7.0, stock.fixed).stacks
            assert count_fillings(pad, side, stock.heights_mm, 7.0, stock.fixed) == len(listed)
            kept = free[free[:, 0] == stock.stacks.index(FELT6)] if side == "left" else free
            assert np.array_equal(listed, kept)


def test_a_settled_stack_too_thick_for_the_pad_leaves_nothing() -> None:
    pad = tack.without(tack.pad(2), total_mm=14.0)  # insert of 10 mm: 3 mm fit, 6 mm do not
    back, saddle, case = horse(pad)
    job = prepared(back, saddle, pad, case)
    options, rule = choices(job)
    found = search(options, pad, saddle, rule, None, quiet, {"rear_left": FELT6})
    assert not found.candidates
    assert found.refused_by == {"total thickness": found.setups}


def test_what_the_pad_does_not_have_is_refused() -> None:
    pad = tack.pad(2)
    with pytest.raises(WrongUse, match="pocket 'loin'"):
        stock_of(pad, {"loin": FELT3})
    with pytest.raises(WrongUse, match="4 mm felt"):
        stock_of(pad, {"front_left": (Layer("felt", 4.0),)})


def test_the_answer_keeps_arch_and_pocket() -> None:
    pad = tack.pad(2)
    back, saddle, case = horse(pad, arches=2)
    told = PartialSetup(arch=saddle.reference_arch, pockets={"rear_left": FELT3})
    answer = fit(back, saddle, pad, replace(case, fixed=told, anyway=True), quiet)
    assert answer.setup is not None
    assert keeps(answer.setup, told)


def test_a_chosen_set_up_is_judged_as_the_search_would() -> None:
    """The search's own pick, chosen by hand: the same contact, to the bit; a stack too high is named."""
    pad = tack.pad(2)
    back, saddle, case = horse(pad)
    answer = fit(back, saddle, pad, case, quiet)
    job = prepared(back, saddle, pad, case)
    assert answer.setup is not None
    assert answer.with_setup is not None
    chosen = fit_chosen(job, answer.as_found, answer.setup)
    assert chosen.verdict == answer.verdict
    assert chosen.with_setup is not None
    mine, theirs = chosen.with_setup.cases["mounted"], answer.with_setup.cases["mounted"]
    assert np.array_equal(mine.pressure_kpa, theirs.pressure_kpa, equal_nan=True)
    assert chosen.hand_checks == answer.hand_checks
    lame = fit_chosen(
        replace(job, case=replace(case, today=replace(case.today, lame=True))), answer.as_found, answer.setup
    )
    assert lame.verdict == "vet first"
    high = {name: FELT6 * 3 if name == "front_left" else () for name in answer.setup.stacks}
    assert height_mm(high["front_left"]) > (pad.limits.height_mm or 0)
    broken = fit_chosen(job, answer.as_found, replace(answer.setup, stacks=high))
    assert broken.verdict == "not with this set-up"
    assert "stack height" in broken.sentence
