"""Placing: by mark or rule, lowered to first touch, refused where the scan does not reach."""

from dataclasses import replace

import numpy as np
import pytest
from plain_backs import back_of, fitted_height
from plain_tack import FRONT_X_MM, changed, saddle

from shimwright.optimize.place import back_angle_deg, gaps_at, place, section_height_mm
from shimwright.optimize.underside import underside
from shimwright.scan.back import Back, Landmark
from shimwright.scan.refusal import InputRefused

TACK = saddle()
BACK = back_of(fitted_height(TACK, FRONT_X_MM))


def with_marks(back: Back, **x_mm: float) -> Back:
    marks = tuple(Landmark(name, np.array([x, 0.0, 0.0]), "marked", "mark", 2.0) for name, x in x_mm.items())
    return replace(back, landmarks=(*back.landmarks, *marks))


@pytest.mark.parametrize(("style", "behind"), [("english", 48.0), ("western", 15.0), ("treeless", 50.0)])
def test_behind_the_rearward_shoulder_edge(style: str, behind: float) -> None:
    """PRACTICE §5: English 35–60 mm, Western 0–30, treeless about 50."""
    left, right = BACK.landmarks
    uneven = replace(BACK, landmarks=(left, replace(right, position_mm=right.position_mm - [20.0, 0, 0])))
    placed = place(uneven, changed(TACK, style=style))
    assert placed.front_x_mm == pytest.approx(-60.0 - behind)
    assert placed.source == "rule"
    assert placed.sd_mm > 10.0


def test_a_mark_wins() -> None:
    placed = place(with_marks(BACK, saddle_front_left=-100.0, saddle_front_right=-110.0), TACK)
    assert placed.front_x_mm == pytest.approx(-105.0)
    assert placed.source == "marked"
    assert placed.sd_mm == pytest.approx(2.0 / np.sqrt(2))


def test_first_touch() -> None:
    placed = place(BACK, TACK)
    nodes = underside(TACK, TACK.arches[2], 8.0)
    gap = gaps_at(BACK, nodes, placed.origin_mm).gap_mm
    assert gap.min() == pytest.approx(0.0, abs=1e-3)
    assert placed.origin_mm[1] == 0.0


def test_no_shoulder_and_no_mark() -> None:
    with pytest.raises(InputRefused, match="--mark"):
        place(replace(BACK, landmarks=()), TACK)


def test_saddle_misses_the_back() -> None:
    short = back_of(fitted_height(TACK, FRONT_X_MM), rear_mm=-400.0)
    with pytest.raises(InputRefused, match="did not see"):
        place(short, TACK)


def test_section_height_and_angle() -> None:
    plain = back_of(lambda x, y: -0.6 * np.sqrt(y**2 + 15.0**2) + 0 * x)
    y = np.array([-100.0, 40.0, 90.0])
    assert section_height_mm(plain, -200.0, y) == pytest.approx(-0.6 * np.hypot(y, 15.0), abs=0.05)
    angle = back_angle_deg(plain, np.array([-200.0]), 60.0, 120.0, -1)[0]
    assert angle == pytest.approx(np.degrees(np.arctan(0.6)), abs=0.6)
