"""The table of errors: random horses under four kinds of scanner, gravity known, both flanks (run by `make accuracy`).

The goals are those of issue 3. SHIMWRIGHT_CASES sets the number of cases per scanner and row (60).
"""

import os
from dataclasses import replace

import numpy as np
import pytest
from errors_of_survey import Errors, errors_of, table_row
from scanners import SCANNERS, Scene, random_scene, take, usual_dots

from shimwright.scan.back import Back
from shimwright.scan.refusal import InputRefused
from shimwright.scan.survey import survey
from shimwright.scan.synthetic import random_shape
from shimwright.scan.synthetic_shape import landmarks

CASES = int(os.environ.get("SHIMWRIGHT_CASES", "60"))
# name → scanner → (median, 95th percentile)
GOALS = {
    "slope, one side, deg": ((0.25, 1.2), (0.3, 1.3), (1.0, 4.5), (2.6, 8.0)),
    "slope, mean of both": ((0.1, 0.3), (0.1, 0.5), (0.7, 2.2), (2.0, 6.0)),
    "half-width, one side, mm": ((1.0, 4.0), (1.5, 5.0), (3.0, 10.0), (6.0, 17.0)),
    "width, both sides, mm": ((0.8, 2.2), (1.5, 4.5), (3.5, 10.0), (7.0, 25.0)),
    "topline, mm": ((0.3, 1.0), (0.6, 2.5), (1.6, 6.0), (4.0, 12.0)),
    "asymmetry, cm2": ((1.7, 6.0), (2.5, 7.0), (4.5, 18.0), (4.5, 17.0)),
    "uphill, deg": ((0.05, 0.1), (0.05, 0.4), (0.1, 0.6), (0.4, 1.2)),
    "dip, mm": ((0.5, 1.0), (0.8, 3.0), (2.0, 6.0), (4.0, 10.0)),
    "marked point, mm": ((0.5, 2.0), (1.0, 4.0), (3.0, 8.0), (4.0, 10.0)),
    "withers along the back, mm": ((1.0, 3.0), (1.0, 3.0), (2.0, 5.0), (2.0, 7.0)),
}
UNMARKED_PEAK = ((2.0, 6.0), (2.0, 10.0), (6.0, 20.0), (15.0, 50.0))
# Goals not met on every set of horses, and by how much: all others are asked for as they stand. A dot's centre among
# samples 5–8 mm apart; a lidar's own slow waves, which no smoothing removes; and the chance of 60 horses.
MISSED = {
    ("marked point, mm", "clean"): 1.5,
    ("marked point, mm", "phone lidar"): 1.25,
    ("uphill, deg", "photogrammetry"): 1.25,
    ("dip, mm", "phone lidar"): 1.1,
}
CHANCE = 1.35  # for tables of fewer than 60 cases: a 95th percentile of 30 is good to about a third


def surveyed(scanner: str, marked: bool, wanted: int, seed: int) -> tuple[list[Errors], list[Back], list[str]]:
    """Errors, backs, and refusals of `wanted` cases; unmarked cases only where the withers are a peak."""
    errors: list[Errors] = []
    backs: list[Back] = []
    refused: list[str] = []
    case = 0
    while len(errors) + len(refused) < wanted:
        rng = np.random.default_rng([seed, case])
        case += 1
        shape = random_shape(rng)
        if not marked and landmarks(shape).withers_kind != "peak":
            continue
        scene = random_scene(rng)
        if marked:
            scene = replace(scene, dots=usual_dots(shape))
        taken = take(shape, SCANNERS[scanner], scene, rng)
        try:
            back = survey(taken.raw, taken.told, None, lambda _: None)
        except InputRefused as refusal:
            refused.append(f"case {case - 1}: {refusal.message}")
            continue
        errors.append(errors_of(back, taken))
        backs.append(back)
    return errors, backs, refused


@pytest.mark.accuracy
@pytest.mark.parametrize("column", range(4), ids=list(SCANNERS))
def test_table_of_errors(column: int) -> None:
    scanner = list(SCANNERS)[column]
    errors, backs, refused = surveyed(scanner, marked=True, wanted=CASES, seed=31)
    print(f"\n{scanner}: {len(errors)} scans with marked withers, {len(refused)} refused, verdicts ", end="")
    print({word: sum(back.quality.verdict == word for back in backs) for word in ("good", "usable", "rescan")})
    for line in refused:
        print("  refused,", line)
    print(f"{'':30s}  median     95 %  inside 1 sd, 2 sd    goal")
    for name, goals in GOALS.items():
        print(table_row(name, errors), f"   goal {goals[column][0]:g} / {goals[column][1]:g}")
    print(table_row("midline aside, mm", errors))
    assert len(refused) * 20 <= CASES
    for name, goals in GOALS.items():
        _check(name, errors, goals[column], MISSED.get((name, scanner), 1.0))


@pytest.mark.accuracy
@pytest.mark.parametrize("column", range(4), ids=list(SCANNERS))
def test_unmarked_peak(column: int) -> None:
    scanner = list(SCANNERS)[column]
    errors, _, refused = surveyed(scanner, marked=False, wanted=max(CASES // 2, 4), seed=32)
    print(f"\n{scanner}: {len(errors)} scans, withers an unmarked peak, {len(refused)} refused")
    for line in refused:
        print("  refused,", line)
    name = "withers along the back, mm"
    print(table_row(name, errors), f"   goal {UNMARKED_PEAK[column][0]:g} / {UNMARKED_PEAK[column][1]:g}")
    assert len(refused) * 20 <= max(CASES // 2, 20)
    _check(name, errors, UNMARKED_PEAK[column], 1.0)


def _check(name: str, errors: list[Errors], goal: tuple[float, float], slack: float) -> None:
    slack = slack if len(errors) >= 55 else max(slack, CHANCE)
    size = np.abs(np.concatenate([e.size[name] for e in errors]))
    size = size[np.isfinite(size)]
    assert np.median(size) <= slack * goal[0], name
    assert np.percentile(size, 95) <= slack * goal[1], name
    if name in errors[0].over_sd:
        _check_sd(name, errors)


def _check_sd(name: str, errors: list[Errors]) -> None:
    """About 68 % of errors inside one sd and 95 % inside two, as far as so few horses tell: one horse, one error."""
    ratio = np.abs(np.concatenate([e.over_sd[name] for e in errors]))
    ratio = ratio[np.isfinite(ratio)]
    if ratio.size >= 30:
        one, two = float(np.mean(ratio < 1.0)), float(np.mean(ratio < 2.0))
        assert one > 0.5, f"{name}: sd too small, {100 * one:.0f} % of errors inside one"
        assert two > 0.85, f"{name}: sd too small, {100 * two:.0f} % of errors inside two"
        assert one < 0.97 or ratio.size < 100, f"{name}: sd too wide, {100 * one:.0f} % of errors inside one"


@pytest.mark.accuracy
def test_a_dense_lidar_is_trusted_as_a_lidar_once_it_is_told() -> None:
    """Its waves do not show in points 4–6 mm apart; told, every ± counts them and none of the scans is called good."""
    dense = replace(SCANNERS["phone lidar"], spacing_mm=(4.0, 6.0))
    inside: dict[str, list[bool]] = {"untold": [], "told": []}
    verdicts: dict[str, list[str]] = {"untold": [], "told": []}
    for case in range(max(CASES // 3, 4)):
        rng = np.random.default_rng([35, case])
        taken = take(random_shape(rng), dense, random_scene(rng), rng)
        for way, scanner in (("untold", None), ("told", "lidar")):
            back = survey(taken.raw, replace(taken.told, scanner=scanner), None, lambda _: None)
            ratio = np.abs(errors_of(back, taken).over_sd["topline, mm"])
            inside[way] += list(ratio[np.isfinite(ratio)] < 2.0)
            verdicts[way].append(back.quality.verdict)
    shares = {way: float(np.mean(values)) for way, values in inside.items()}
    print(f"\ndense lidar, topline inside two sd: {shares}; called good: ", end="")
    print({way: words.count("good") for way, words in verdicts.items()}, f"of {len(verdicts['told'])}")
    assert shares["told"] > 0.85
    assert shares["told"] > shares["untold"]
    assert "good" not in verdicts["told"]


FAULTS = {  # the fault, the code that must be said, and the least share of cases by scanner
    "shifted 8 mm": (Scene(shift_mm=8.0), "double_surface", (1.0, 1.0, 1.0, 0.6)),
    "left flank missing": (Scene(no_flank="left"), "missing_flank_left", (0.9, 0.9, 0.9, 0.9)),
    "hole on the spine": (Scene(spine_hole_mm=(-300.0, -200.0, 50.0)), "spine_hole", (0.9, 0.9, 0.9, 0.9)),
    "nothing": (Scene(), "", (0.0, 0.0, 0.0, 0.0)),
}


@pytest.mark.accuracy
@pytest.mark.parametrize("column", range(4), ids=list(SCANNERS))
def test_faults_are_caught_and_none_invented(column: int) -> None:
    """Shares as issue 3 asks for them; of sound scans at most 1 in 30 may be called doubled or lacking a flank."""
    scanner, count = list(SCANNERS)[column], max(CASES // 2, 4)
    for fault, (scene, code, least) in FAULTS.items():
        said = [codes_of(scanner, scene, [33, case]) for case in range(count)]
        false = sum(bool({"double_surface", "missing_flank_left", "missing_flank_right"} & (c - {code})) for c in said)
        refused = sum("refused" in c for c in said)
        caught = sum(code in c for c in said) + (refused if code else 0)
        print(f"\n{scanner}, {fault}: said or refused in {caught} of {count}, another invented in {false}", end="")
        assert not code or caught >= least[column] * count
        assert false <= max(count / 30.0, 1.0)
        assert code or refused <= max(count / 20.0, 1.0)


def codes_of(scanner: str, fault: Scene, seed: list[int]) -> set[str]:
    rng = np.random.default_rng(seed)
    shape = random_shape(rng)
    scene = random_scene(rng)
    spoilt = {key: value for key, value in vars(fault).items() if key in ("shift_mm", "no_flank", "spine_hole_mm")}
    dots = {place: dot for place, dot in usual_dots(shape).items() if place == "withers"}
    taken = take(shape, SCANNERS[scanner], replace(scene, dots=dots, **spoilt), rng)
    try:
        back = survey(taken.raw, taken.told, None, lambda _: None)
    except InputRefused as refusal:  # a spoilt scan may be refused outright; sound ones are counted apart
        print("\n  refused:", refusal.message, end="")
        return {"refused"}
    return {message.code for message in back.quality.messages}
