"""The frame over simulated scans: none flipped, mirrored or lost without being refused (goals: the project's brief).

The quick test takes a few scans; the slow one (`make accuracy`) sixty: any pose and unit, clutter, lean and coat.
"""

from dataclasses import dataclass, replace

import numpy as np
import pytest
from scanners import SCANNERS, Scene, Taken, random_scene, take, usual_dots

from shimwright.scan.clean import clean
from shimwright.scan.frame import FrameFound, find_frame
from shimwright.scan.refusal import InputRefused
from shimwright.scan.synthetic import random_shape, true_topline
from shimwright.scan.told import NOTHING_TOLD, Told

CLUTTER = ("ground", "arm", "rope", "mane", "tail", "rug", "strays", "far strays")
FLIPPED_DEG, LOST_DEG, LOST_MM = 90.0, 8.0, 150.0


@dataclass(frozen=True)
class Outcome:
    """refused: the message, or empty. Angles of the found frame against the true one, degrees; unit as a ratio."""

    refused: str = ""
    heading_deg: float = 0.0
    roll_deg: float = 0.0
    withers_off_mm: float = 0.0
    unit: float = 1.0
    handed: float = 1.0

    @property
    def lost(self) -> bool:
        """Flipped, mirrored, in a wrong unit or elsewhere on the horse, without being refused."""
        turned = abs(self.heading_deg) > LOST_DEG or abs(self.roll_deg) > LOST_DEG
        return not self.refused and (
            turned or self.handed < 0 or abs(self.unit - 1) > 0.05 or abs(self.withers_off_mm) > LOST_MM
        )


def outcome(taken: Taken, told: Told, lean_deg: float) -> Outcome:
    try:
        found = find_frame(clean(taken.raw), taken.raw.paint, taken.raw, told)
    except InputRefused as refusal:
        return Outcome(refused=refusal.message)
    return _against_truth(taken, found, lean_deg if told.up is not None else 0.0)


def _against_truth(taken: Taken, found: FrameFound, lean_deg: float) -> Outcome:
    """The truth stays in the horse's own frame: a lean belongs into the roll where gravity is known."""
    at = found.frame.to_back(taken.pose.to_scan(np.concatenate([np.zeros((1, 3)), 100.0 * np.eye(3)])))
    axes = (at[1:] - at[0]) / 100.0
    return Outcome(
        heading_deg=float(np.degrees(np.arctan2(axes[0, 1], axes[0, 0]))),
        roll_deg=float(np.degrees(np.arctan2(axes[1, 2], axes[1, 1]))) - lean_deg,
        withers_off_mm=float(at[0, 0]),
        unit=found.frame.mm_per_unit / taken.pose.mm_per_unit,
        handed=float(np.linalg.det(axes)),
    )


def scan(seed: int) -> tuple[Taken, Scene]:
    rng = np.random.default_rng([71, seed])
    shape = random_shape(rng)
    scene = replace(
        random_scene(rng),
        clutter=tuple(str(c) for c in rng.choice(CLUTTER, rng.integers(0, 4), replace=False)),
        lean_deg=float(rng.normal(0.0, 3.0)),
        coat_mm=float(rng.choice([0.0, 0.0, 10.0])),
        dots=usual_dots(shape) if rng.random() < 0.4 else {},
    )
    return take(shape, list(SCANNERS.values())[seed % 4], scene, rng), scene


def could_be_had(taken: Taken, told: Told) -> bool:
    """Marked, or a peak (project design §13)."""
    return "withers" in told.marks or true_topline(taken.shape).withers_kind == "peak"


def run(seeds: range) -> dict[str, list[tuple[Taken, Told, Outcome]]]:
    results: dict[str, list[tuple[Taken, Told, Outcome]]] = {"all told": [], "up told": [], "nothing told": []}
    for seed in seeds:
        taken, scene = scan(seed)
        for name, told in (
            ("all told", taken.told),
            ("up told", Told(up=taken.told.up)),
            ("nothing told", NOTHING_TOLD),
        ):
            results[name].append((taken, told, outcome(taken, told, scene.lean_deg)))
    return results


@pytest.mark.accuracy
def test_a_few_scans_are_none_lost() -> None:
    for name, rows in run(range(4)).items():
        assert not any(result.lost for *_, result in rows), name
        assert sum(bool(result.refused) for *_, result in rows) <= 1, name


@pytest.mark.parametrize("side", ["left", "right"])
def test_a_missing_flank_asks_for_up_unless_told(side: str) -> None:
    rng = np.random.default_rng(5)
    shape = random_shape(rng)
    taken = take(shape, SCANNERS["handheld"], replace(random_scene(rng), no_flank=side), rng)
    assert "--up" in outcome(taken, NOTHING_TOLD, 0.0).refused
    told = replace(taken.told, unit_mm=None)
    assert not outcome(taken, told, 0.0).refused
    assert not outcome(taken, told, 0.0).lost


def test_a_whole_horse_on_its_ground_needs_nothing_told() -> None:
    rng = np.random.default_rng(6)
    scene = replace(random_scene(rng), clutter=("body", "ground"))
    taken = take(random_shape(rng), SCANNERS["handheld"], scene, rng)
    result = outcome(taken, NOTHING_TOLD, 0.0)
    assert not result.refused
    assert not result.lost


@pytest.mark.accuracy
def test_sixty_scans_are_none_lost_and_few_refused() -> None:
    for name, rows in run(range(60)).items():
        results = [result for *_, result in rows]
        lost = [result for result in results if result.lost]
        refused = [result.refused for taken, told, result in rows if result.refused and could_be_had(taken, told)]
        had = sum(could_be_had(taken, told) for taken, told, _ in rows)
        kept = [result for result in results if not result.refused]
        heading = np.abs([result.heading_deg for result in kept])
        roll = np.abs([result.roll_deg for result in kept])
        print(
            f"\n{name}: {len(kept)} of {len(rows)} answered, {len(lost)} lost, {len(refused)} of {had} refused in vain"
        )
        print(f"  heading, deg: {np.median(heading):.2f} / {np.percentile(heading, 95):.2f} (median / 95 %)")
        print(f"  roll, deg:    {np.median(roll):.2f} / {np.percentile(roll, 95):.2f}")
        for message in refused:
            print("  refused:", message)
        for result in lost:
            print("  lost:", result)
        assert not lost, name
        assert len(refused) * 20 < had, name
