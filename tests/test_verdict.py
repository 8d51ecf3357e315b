"""The gate, the verdicts, findings, hand checks, plan and cautions (PRACTICE §5–8), on whole fits of planted backs."""

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
import tack
from planted import Planted, planted

from shimwright.optimize.answer import VERDICTS, ArchJudgement, Fit
from shimwright.optimize.case import Aim, Case, Horse, PartialSetup, Rider, Today
from shimwright.optimize.cautions import horse_load, standing_cautions
from shimwright.optimize.fit import fit
from shimwright.optimize.hands import feel
from shimwright.optimize.plan import recheck_on, recheck_weeks, take_out
from shimwright.optimize.setup import Layer, Setup, height_mm
from shimwright.optimize.verdict import another_arch, gate, how_sure

FELT3, FELT6 = (Layer("felt", 3.0),), (Layer("felt", 6.0),)
PAD = tack.pad(2)
SADDLE = tack.saddle(30.0, arches=0)


def setup(**stacks: tuple[Layer, ...]) -> Setup:
    return Setup(None, "insert 10", {p.name: stacks.get(p.name, ()) for p in PAD.pockets})


@cache
def plant(kind: str) -> Planted:
    plans = {"level": {}, "front": {"front_left": FELT6, "front_right": FELT6}, "left": {"front_left": FELT6}}
    return planted(SADDLE, PAD, setup(**plans[kind]))


ASKED: dict[tuple[str, str], Fit] = {}  # a fit takes a second: each is made once


def fitted(kind: str, case: Case | None = None) -> Fit:
    made = plant(kind)
    told = replace(case or Case(), rider=made.case.rider)
    if (kind, repr(told)) not in ASKED:
        ASKED[kind, repr(told)] = fit(made.back, made.saddle, PAD, told, lambda _: None)
    return ASKED[kind, repr(told)]


def test_no_shim_needed() -> None:
    answer = fitted("level")
    assert answer.verdict == "no shim needed"
    assert answer.setup == answer.as_found.setup
    assert not any(answer.setup.stacks.values())
    assert answer.take_out == ()
    assert "re-runs" in answer.sentence


def test_good_contact_with_this_setup() -> None:
    answer = fitted("front")
    assert answer.verdict == "good contact with this set-up"
    assert answer.setup == setup(front_left=FELT6, front_right=FELT6)
    assert answer.with_setup is not None
    assert answer.with_setup.cost < answer.as_found.cost
    assert answer.with_setup.refused_by == ()
    assert answer.confidence is not None
    assert answer.confidence.draws >= 200
    assert answer.search is not None
    assert answer.search.exact
    assert answer.recheck_weeks == 4
    assert {check.state for check in answer.hand_checks} == {"saddle only", "with set-up", "mounted"}


@pytest.mark.parametrize(
    "today",
    [
        Today(sore=("middle_left",)),
        Today(sore=("withers",)),
        Today(lame=True),
        Today(hot_or_open_skin=True),
        Today(saddle_moves="left"),
    ],
)
def test_vet_first(today: Today) -> None:
    answer = fitted("left", Case(today=today))
    assert answer.verdict == "vet first"
    assert answer.setup is None
    assert answer.with_setup is None
    assert answer.search is None
    assert answer.sentence.startswith("Vet first")
    anyway = fitted("left", Case(today=today, anyway=True))
    assert anyway.verdict == "vet first"
    assert anyway.sentence.startswith("Vet first")


def test_anyway_gives_a_setup_headed_so_and_no_worse_at_a_sore_place() -> None:
    answer = fitted("front", Case(today=Today(sore=("rear_left",)), anyway=True))
    assert answer.verdict == "vet first"
    assert answer.setup is not None
    assert answer.with_setup is not None
    before, after = (c.cases["mounted"].zones["rear_left"].mean_kpa for c in (answer.as_found, answer.with_setup))
    assert after <= before + 0.15


def test_no_shim_edge_at_a_sore_place() -> None:
    """PRACTICE §5. Of three stacks in four pockets 81 set-ups, 27 with the sore pocket empty: 54 are cut."""
    planned = fitted("front", Case(anyway=True))
    assert planned.setup is not None
    assert planned.setup.stacks["front_left"] == FELT6
    sore = fitted("front", Case(today=Today(sore=("front_left",)), anyway=True))
    assert sore.search is not None
    assert sore.search.setups == 81
    assert sore.search.refused_by["shim edge at a sore place"] == 54
    assert sore.setup is None or sore.setup.stacks["front_left"] == ()
    tried = Case(
        today=Today(sore=("front_left",)), anyway=True, tries=(PartialSetup(None, None, {"front_left": FELT6}),)
    )
    assert "shim edge at a sore place" in fitted("front", tried).tries[0].why


def test_saddle_first() -> None:
    """PRACTICE §5: an underside whose sides differ by more than 3 mm is mended first; 3 mm is not more."""
    assert gate(Case(), replace(SADDLE, side_difference_mm=-4.0)).verdict == "saddle first"
    assert gate(Case(), replace(SADDLE, side_difference_mm=3.0)).verdict is None
    lame = Case(today=Today(lame=True))
    assert gate(lame, replace(SADDLE, side_difference_mm=9.0)).verdict == "vet first"


def test_another_arch_says_how_much() -> None:
    def judged(*degrees: float) -> dict[str | None, ArchJudgement]:
        none = (float("nan"), float("nan"))
        return {f"{d}": ArchJudgement(f"{d}", (d, d), none, "too narrow", "left") for d in degrees}

    assert another_arch(judged(7.0, 12.0)) == ("wider", 7.0)
    assert another_arch(judged(-8.0, -14.0)) == ("narrower", 8.0)
    assert another_arch(judged(7.0, 5.9)) is None
    assert another_arch({None: ArchJudgement(None, (np.nan, np.nan), (np.nan, np.nan), "not known")}) is None


def test_padding_will_not_mend_this() -> None:
    """Every set-up is refused by a limit of its own making: the answer says so and is no error."""
    made = plant("front")
    strict = replace(PAD, limits=replace(PAD.limits, total_mm=5.0))  # the insert alone is thicker
    answer = fit(made.back, made.saddle, strict, made.case, lambda _: None)
    assert answer.verdict == "padding will not mend this"
    assert answer.setup is None
    assert answer.search is not None
    assert answer.search.feasible == 0
    assert "total thickness" in answer.sentence


def test_tries_are_judged_beside_the_best() -> None:
    case = Case(tries=(PartialSetup(pockets={"front_left": FELT3, "front_right": FELT3}),))
    (idea,) = fitted("front", case).tries
    assert idea.setup == setup(front_left=FELT3, front_right=FELT3)
    best = fitted("front", case).with_setup
    assert best is not None
    assert best.cost < idea.contact.cost < fitted("front", case).as_found.cost
    assert idea.why.startswith("your idea")


def test_what_is_on_now_stays_unless_another_is_better() -> None:
    """Worn is the best or as good as it: it stays, although an empty pad would come first in order."""
    worn = PartialSetup(insert="insert 10", pockets={"front_left": FELT6, "front_right": FELT6})
    answer = fitted("front", Case(today=Today(worn=worn)))
    assert answer.setup == answer.as_found.setup
    assert "stays" in answer.sentence


def test_runners_up_differ_in_kind() -> None:
    answer = fitted("front")
    kinds = [tuple(bool(stack) for stack in rival.setup.stacks.values()) for rival in answer.runners_up]
    assert answer.setup is not None
    kinds.append(tuple(bool(stack) for stack in answer.setup.stacks.values()))
    assert len(set(kinds)) == len(kinds) > 1


def test_verdict_words() -> None:
    for kind in ("level", "front", "left"):
        assert fitted(kind).verdict in VERDICTS
    assert how_sure(None) == ""


def test_hands() -> None:
    """Daylight before pressure; light, even and firm by the place's share of the panel's mean (our judgement)."""
    assert [feel(1.0, 0.9), feel(0.2, 0.0), feel(1.0, 0.1), feel(2.0, 0.0)] == ["daylight", "light", "even", "firm"]
    checks = [c for c in fitted("front").hand_checks if c.state == "with set-up" and c.place != "channel"]
    assert {check.feel for check in checks} == {"even"}
    alone = {(c.place, c.side): c for c in fitted("front").hand_checks if c.state == "saddle only"}
    assert alone["front", "left"].gap_mm > alone["rear", "left"].gap_mm
    assert all(check.sd_mm >= 1.0 for check in checks)


@pytest.mark.parametrize(
    ("work", "shims", "weeks"),
    [
        ("young", False, 6),
        ("growing", False, 6),
        ("rehab", False, 6),
        ("fit", False, 12),
        ("settled", False, 26),
        ("settled", True, 4),
    ],
)
def test_recheck_weeks_of_practice(work: str, shims: bool, weeks: int) -> None:
    case = Case(horse=Horse(work=work), today=Today(date="2026-03-14"))
    found = recheck_weeks(case, setup(front_left=FELT3) if shims else setup())
    assert found == weeks
    assert recheck_on(case, 4) == "2026-04-11"  # counted in a calendar
    assert recheck_on(Case(), 4) is None


def test_take_out_one_small_change_at_a_time() -> None:
    both = setup(front_left=FELT3, front_right=FELT3, rear_left=(*FELT6, *FELT3))
    steps = take_out(Case(), PAD, both)
    assert [step.weeks for step in steps] == sorted(step.weeks for step in steps)
    assert "3 mm" in steps[1].what
    assert "rear left" in steps[1].what
    grow = take_out(Case(aim=Aim("room to grow")), PAD, both)
    assert "front left and front right" in grow[1].what


def test_cautions_of_every_sheet_and_of_this_horse() -> None:
    answer = fitted("left", Case(horse=Horse(weight_kg=400.0, height_mm=1300.0)))
    assert set(standing_cautions()) <= set(answer.cautions)
    assert any("pony" in line for line in answer.cautions)
    assert any("18 %" in line or "19 %" in line for line in answer.cautions)  # 75 kg of 400 kg
    assert answer.horse_load["rider_share"] == pytest.approx(75 / 400)
    assert np.isnan(horse_load(Case(), SADDLE)["rider_share"])
    light = Case(horse=Horse(weight_kg=600.0), rider=Rider(60.0, True))
    assert horse_load(light, SADDLE)["rider_and_tack_share"] == pytest.approx(67 / 600)


def test_a_large_left_right_difference_brings_the_vet_line() -> None:
    answer = fitted("left")
    assert answer.setup is not None
    assert height_mm(answer.setup.stacks["front_left"]) == 6.0
    assert any("vet" in line and "6 mm" in line for line in answer.cautions)
