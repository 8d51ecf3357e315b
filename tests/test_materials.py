"""Material laws: monotone tables, measured curves, the fitter's own test, and what is refused."""

import numpy as np
import pytest

from shimwright.optimize.materials import law_from, linear, load_materials, measured, plate_test, tissue
from shimwright.scan.refusal import InputRefused

LAWS = load_materials()


@pytest.mark.parametrize("name", LAWS)
def test_every_shipped_law_starts_at_nothing_rises_and_names_its_source(name: str) -> None:
    law = LAWS[name]
    assert law.pressure_kpa[0] == law.strain[0] == 0
    assert (np.diff(law.strain) > 0).all()
    assert law.strain.max() < 1
    assert "[" in law.source
    assert 0 < law.working_strain < 1


def test_straight_on_past_the_range() -> None:
    law = LAWS["foam"]
    end = law.range_kpa
    steps = np.diff(law.strain_at(np.array([end - 0.1, end, end + 10, end + 20])))
    assert steps[2] == pytest.approx(steps[1])
    assert steps[1] == pytest.approx(100 * steps[0], rel=1e-6)


@pytest.mark.parametrize(
    ("grade", "low", "high"), [("neoprene-soft", 14, 34), ("neoprene", 34, 62), ("neoprene-firm", 62, 90)]
)
def test_neoprene_grades(grade: str, low: float, high: float) -> None:
    """ASTM D1056: pressure at 25 % strain, kPa."""
    law = LAWS[grade]
    assert low < float(np.interp(0.25, law.strain, law.pressure_kpa)) < high


def test_open_cell_foam_at_forty_percent() -> None:
    """Stress at 40 % 2–8 kPa, bottomed out at 7–30 kPa (reference.md §4, from memory)."""
    for name in ("open-cell-foam", "slow-recovery-foam"):
        law = LAWS[name]
        assert 2 <= float(np.interp(0.40, law.strain, law.pressure_kpa)) <= 8


def test_measured_curve_keeps_its_points_and_starts_at_nothing() -> None:
    law = measured("mine", np.array([20.0, 5.0, 60.0]), np.array([0.2, 0.1, 0.35]))
    assert law.strain_at(np.array([0.0, 5.0, 20.0, 60.0])) == pytest.approx([0, 0.1, 0.2, 0.35])
    assert law.kind == "table"
    assert not law.notes


def test_a_little_fall_is_levelled_and_said() -> None:
    law = measured("mine", np.array([0.0, 10, 20, 30]), np.array([0.0, 0.10, 0.095, 0.2]))
    assert (np.diff(law.strain) >= 0).all()
    assert "monotone" in law.notes[0]


@pytest.mark.parametrize(
    ("pressure", "strain", "says"),
    [
        ([0, 10, 20], [0, 0.3, 0.1], "falls"),
        ([0, 10], [0, 1.2], "between 0 and 1"),
        ([0, -10], [0, 0.1], "negative"),
        ([5], [0.1], "at least 2"),
        ([0, np.nan], [0, 0.1], "usable"),
        ([0, 10], [0.1, 0.1], "never changes"),
    ],
)
def test_no_compression_curve(pressure: list[float], strain: list[float], says: str) -> None:
    with pytest.raises(InputRefused, match=says):
        measured("mine", np.array(pressure, float), np.array(strain))


@pytest.mark.parametrize("modulus", [0.0, -5.0, np.inf])
def test_no_stiffness(modulus: float) -> None:
    with pytest.raises(InputRefused, match="stiffness"):
        linear("mine", modulus)


def test_plate_and_calliper() -> None:
    """10 kg on 50 × 50 mm are 39.2 kPa; 10 mm pressed to 8.5 mm are 15 %."""
    law = plate_test("mine", 10.0, 2500.0, [(5.0, 9.0), (10.0, 8.5)])
    assert law.strain_at(39.2266) == pytest.approx(0.15, rel=1e-4)


@pytest.mark.parametrize(
    "row", [{"kind": "felt", "range_kpa": 50}, {"kind": "felt", "c_kpa": -1, "n": 3, "range_kpa": 50}, {"kind": "gel"}]
)
def test_incomplete_laws(row: dict[str, object]) -> None:
    with pytest.raises(InputRefused, match="mine"):
        law_from("mine", row, {"felt": 0.3})


def test_tissue_is_inside_its_range() -> None:
    soft = tissue()
    assert soft.range_kpa_per_mm == (2.0, 20.0)
    assert soft.stiffness_kpa_per_mm == 5.0
