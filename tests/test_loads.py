"""Loads (DESIGN §13): what each weight does, by the lever rule, and that every one of them is felt by the answer."""

from dataclasses import replace

import numpy as np
import pytest
from plain_backs import back_of, fitted_height
from plain_tack import FRONT_X_MM, pad, saddle, setup

from shimwright.optimize.answer import CaseResult
from shimwright.optimize.assess import assess_on
from shimwright.optimize.bench import prepare
from shimwright.optimize.case import Case, Rider
from shimwright.optimize.loads import CASES, GRAVITY_M_S2, STRAP_N, Load, load_case
from shimwright.optimize.place import place
from shimwright.optimize.saddle import Saddle
from shimwright.optimize.underside import underside
from shimwright.scan.refusal import WrongUse

TACK = saddle()  # seat at −230, straps at −110, stirrup bars at −90 mm, 8 kg
PANELS = underside(TACK, TACK.arches[2], 10.0)
RIDER_N, CENTRE = 75.0 * GRAVITY_M_S2, float(PANELS.centroid[0])


SAT = Rider()


def loaded(rider: Rider = SAT, name: str = "mounted", tack: Saddle = TACK) -> Load:
    return load_case(tack, PANELS, rider, name)


def test_the_resultant_by_the_lever_rule() -> None:
    """Seat, saddle's own weight at the centroid, straps: their moments over their sum."""
    own = 8.0 * GRAVITY_M_S2
    expected = (RIDER_N * -230.0 + own * CENTRE + 2 * STRAP_N * -110.0) / (RIDER_N + own + 2 * STRAP_N)
    assert loaded().resultant_mm == pytest.approx((expected, 0.0))


@pytest.mark.parametrize("gait", ["walk", "trot", "canter"])
def test_gaits_multiply_the_rider_alone(gait: str) -> None:
    """1.2, 2.0 and 2.5 times the rider; saddle and straps once."""
    factor = {"walk": 1.2, "trot": 2.0, "canter": 2.5}[gait]
    assert loaded(name=gait).total_n == pytest.approx(loaded().total_n + (factor - 1) * RIDER_N)


def test_a_lean_moves_the_rider_and_nothing_else() -> None:
    """20 mm to the left of the rider's share of the load."""
    load = loaded(Rider(lean="left"))
    assert load.resultant_mm[1] == pytest.approx(20.0 * RIDER_N / load.total_n)
    assert load.resultant_mm[0] == pytest.approx(loaded().resultant_mm[0])


@pytest.mark.parametrize("lean", ["no", "left", "right"])
def test_weight_in_the_stirrups_hangs_on_the_bars(lean: str) -> None:
    """A fifth of the rider at −90 mm instead of −230: the rider's own centre moves 28 mm forward; sideways it stays
    where the rider leans, for one stirrup is trodden harder."""
    plain, hung = (loaded(Rider(lean=lean, in_stirrups=share)) for share in (0.0, 0.2))
    assert hung.total_n == pytest.approx(plain.total_n)
    forward = 0.2 * (230.0 - 90.0) * RIDER_N / plain.total_n
    assert hung.resultant_mm == pytest.approx((plain.resultant_mm[0] + forward, plain.resultant_mm[1]))


def test_stirrups_of_a_saddle_whose_bars_are_not_told() -> None:
    with pytest.raises(WrongUse, match="stirrup_bar_x_mm"):
        loaded(Rider(in_stirrups=0.2), tack=replace(TACK, stirrup_bar_x_mm=None))


def answer(tack: Saddle = TACK, rider: Rider = SAT, names: tuple[str, ...] = ("mounted",)) -> dict[str, CaseResult]:
    cloth = pad()
    back = back_of(fitted_height(saddle(), FRONT_X_MM))
    bench = prepare(back, tack, cloth, place(back, tack), None, 10.0)
    return dict(assess_on(bench, cloth, Case(rider=rider), setup(cloth), names).cases)


def test_every_case_presses_harder_than_the_one_before() -> None:
    means = [found.mean_kpa * found.contact_area_cm2 for found in answer(names=CASES).values()]
    assert means == sorted(means)
    assert (np.diff(means) > 0.05 * means[0]).all()


@pytest.mark.parametrize("ei", [np.inf, 30.0])
def test_straps_further_forward_load_the_front(ei: float) -> None:
    """A forward girth place: the front third gains, the front tips down (PRACTICE §5)."""
    near, far = (answer(replace(saddle(ei), straps_x_mm=(x,)), names=("girthed",))["girthed"] for x in (-200.0, -60.0))
    front = [found.zones["front_left"].mean_kpa for found in (near, far)]
    assert front[1] > 1.15 * front[0]
    assert far.pitch_deg < near.pitch_deg - 0.1


@pytest.mark.parametrize("ei", [np.inf, 30.0])
def test_a_lean_loads_its_side(ei: float) -> None:
    left, right = (answer(saddle(ei), Rider(lean=side))["mounted"] for side in ("left", "right"))
    assert left.left_share > 0.54
    assert left.left_share == pytest.approx(1 - right.left_share, abs=1e-3)
    assert left.roll_deg == pytest.approx(-right.roll_deg, abs=1e-3)


@pytest.mark.parametrize("ei", [np.inf, 30.0])
def test_weight_in_the_stirrups_loads_the_front(ei: float) -> None:
    sat, stood = (answer(saddle(ei), Rider(in_stirrups=share))["mounted"] for share in (0.0, 0.5))
    assert stood.zones["front_left"].mean_kpa > 1.2 * sat.zones["front_left"].mean_kpa
    assert stood.pitch_deg < sat.pitch_deg - 0.2


def test_a_tree_that_bends_feels_where_the_seat_bears() -> None:
    """The rider spread over 160 mm: with all of it at one point a soft tree would press harder under it; the resultant,
    and so a rigid saddle, is the same."""
    spread = loaded()
    on_seat = np.arange(spread.x_mm.size) >= spread.x_mm.size - 5  # the rider's five points come last
    one = replace(spread, x_mm=np.where(on_seat, -230.0, spread.x_mm))
    assert one.resultant_mm == pytest.approx(spread.resultant_mm)
    soft = saddle(30.0)
    back = back_of(fitted_height(saddle(), FRONT_X_MM))
    bench = prepare(back, soft, pad(), place(back, soft), None, 10.0)
    assert bench.force(one)[:3] == pytest.approx(bench.force(spread)[:3])
    assert np.abs(bench.force(one)[3:] - bench.force(spread)[3:]).max() > 0.02 * RIDER_N
