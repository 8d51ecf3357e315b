"""A mane over the crest makes a false peak in front of the withers: said, and the sd as wide (DESIGN §3)."""

import numpy as np
import pytest
from scanners import SCANNERS, Scene, take

from shimwright.scan.back import Back
from shimwright.scan.survey import survey
from shimwright.scan.synthetic import BUILDS


def surveyed(scanner: str, clutter: tuple[str, ...]) -> tuple[Back, float]:
    """The back, and how far along it the withers were found from where they are, mm."""
    taken = take(BUILDS["level"], SCANNERS[scanner], Scene(mesh=False, clutter=clutter), np.random.default_rng(6))
    back = survey(taken.raw, taken.told, None, lambda _: None)
    return back, float(taken.to_true(back.frame.origin_scan[None])[0, 0])


@pytest.mark.parametrize("scanner", ["photogrammetry", "phone lidar"])
def test_a_mane_is_said_and_doubted_and_is_no_moved_horse(scanner: str) -> None:
    back, off = surveyed(scanner, ("mane",))
    withers = back.landmark("withers")
    assert withers is not None
    codes = {message.code for message in back.quality.messages}
    assert "mane" in codes
    assert "double_surface" not in codes
    assert abs(off) < 2.0 * withers.sd_mm
    assert back.quality.verdict != "good"


@pytest.mark.accuracy
def test_none_is_said_without_one() -> None:
    back, _ = surveyed("photogrammetry", ())
    assert "mane" not in {message.code for message in back.quality.messages}
