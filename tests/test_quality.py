"""The scan check: what must be caught and what must not be said. Frequencies are in tests/test_accuracy.py."""

from dataclasses import replace

import numpy as np
import pytest
from scanners import SCANNERS, Scene, take

from shimwright.scan.back import Back
from shimwright.scan.quality import ORDER
from shimwright.scan.survey import spread_of_repeats, survey
from shimwright.scan.synthetic import BUILDS


def surveyed(scanner: str, scene: Scene, seed: int, build: str = "level") -> Back:
    taken = take(BUILDS[build], SCANNERS[scanner], scene, np.random.default_rng(seed))
    return survey(taken.raw, taken.told, None, lambda _: None)


def codes(back: Back) -> set[str]:
    return {message.code for message in back.quality.messages}


@pytest.mark.parametrize("scanner", ["handheld", "photogrammetry"])
def test_a_shift_of_8_mm_is_caught(scanner: str) -> None:
    back = surveyed(scanner, Scene(mesh=False, shift_mm=8.0), 1)
    assert back.quality.verdict == "rescan"
    assert "double_surface" in codes(back)
    assert 5.0 < back.quality.double_surface_mm < 11.0
    message = next(m for m in back.quality.messages if m.code == "double_surface")
    assert "mm apart" in message.text
    assert message.place_mm is not None


@pytest.mark.parametrize("scanner", list(SCANNERS))
def test_a_still_horse_has_one_surface(scanner: str) -> None:
    back = surveyed(scanner, Scene(mesh=False), 2)
    assert "double_surface" not in codes(back)
    assert np.isnan(back.quality.double_surface_mm)
    assert back.quality.seen_under_saddle > 0.98


def test_a_missing_flank_is_said_and_not_measured() -> None:
    back = surveyed("handheld", Scene(mesh=False, no_flank="left"), 3)
    assert back.quality.verdict == "rescan"
    assert "missing_flank_left" in codes(back)
    assert "missing_flank_right" not in codes(back)
    assert np.isnan(back.stations.half_width_mm[1:9, 3, 0]).all()
    assert np.isnan(back.stations.area_difference_cm2[1:9]).all()


def test_a_hole_on_the_spine_is_ringed() -> None:
    back = surveyed("handheld", Scene(mesh=False, spine_hole_mm=(-320.0, -220.0, 60.0)), 4)
    assert "spine_hole" in codes(back)
    assert back.quality.verdict == "rescan"
    message = next(m for m in back.quality.messages if m.code == "spine_hole")
    assert message.place_mm is not None
    assert message.place_mm[0] == pytest.approx(-270.0, abs=40.0)


def test_a_leaning_horse_is_told_first() -> None:
    back = surveyed("handheld", Scene(mesh=False, lean_deg=10.0, no_flank=None), 5)
    assert back.quality.messages[0].code == "lean"
    assert back.quality.verdict == "rescan"
    assert ORDER[0] == "stance"


def test_repeats_spread_as_their_numbers_do() -> None:
    """Three backs whose slopes are s, s + 1, s + 2 have a standard deviation of 1 (closed form)."""
    back = surveyed("clean", Scene(mesh=False), 6)
    more = [
        replace(back, stations=replace(back.stations, slope_deg=back.stations.slope_deg + step))
        for step in (0.0, 1.0, 2.0)
    ]
    spread = spread_of_repeats(more)
    assert spread["slope_deg"] == pytest.approx(np.ones((13, 2)))
    assert float(spread["uphill_deg"]) == pytest.approx(0.0)


def test_a_phone_lidar_is_not_told_to_scan_slower() -> None:
    taken = take(BUILDS["level"], SCANNERS["handheld"], Scene(mesh=False), np.random.default_rng(5))
    back = survey(taken.raw, replace(taken.told, scanner="lidar"), None, lambda _: None)
    message = next(m for m in back.quality.messages if m.code == "uncertain")
    assert "photos or a handheld scanner" in message.text
    assert "slower" not in message.text
