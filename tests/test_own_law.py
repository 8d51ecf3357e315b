"""A fitter's own test, weights on a board and a calliper, and a laboratory's curve: against laws that are known."""

from pathlib import Path

import numpy as np
import pytest
from plain_backs import back_of, fitted_height
from plain_tack import FRONT_X_MM, pad, saddle, setup
from yard_files import PAD

from shimwright.compression_csv import read_curve
from shimwright.optimize.assess import assess_on
from shimwright.optimize.bench import prepare
from shimwright.optimize.case import Case
from shimwright.optimize.layer_cautions import layer_cautions, sheets_under
from shimwright.optimize.materials import load_materials, plate_test
from shimwright.optimize.place import place
from shimwright.pad_file import read_pad
from shimwright.scan.refusal import InputRefused, WrongUse

WEIGHTS_KG = (1.0, 2.0, 4.0, 6.0, 8.0, 10.0)
BOARD_MM2, SHEET_MM, G = 2500.0, 10.0, 9.80665
C_KPA = 70.0  # felt, van Wyk's form: p = C[(1 − ε)⁻³ − 1]


def strain_of_felt(pressure_kpa: np.ndarray | float) -> np.ndarray:
    return np.asarray(1 - (1 + np.asarray(pressure_kpa) / C_KPA) ** (-1 / 3))


def readings(rng: np.random.Generator, sd_mm: float) -> tuple[float, list[tuple[float, float]]]:
    """Thickness without weight and under each: the exact law read with a calliper off by sd_mm."""
    exact = SHEET_MM * (1 - strain_of_felt(np.array(WEIGHTS_KG) * G / BOARD_MM2 * 1000))
    read = exact + rng.normal(0, sd_mm, exact.size)
    return SHEET_MM + float(rng.normal(0, sd_mm)), list(zip(WEIGHTS_KG, read, strict=True))


def test_exact_readings_give_the_law_back() -> None:
    """Straight between readings: at them exact, between them less than 0.3 % of strain below the curve."""
    thickness, rows = readings(np.random.default_rng(0), 0.0)
    law = plate_test("mine", thickness, BOARD_MM2, rows)
    p = np.array(WEIGHTS_KG) * G / BOARD_MM2 * 1000
    assert law.strain_at(p) == pytest.approx(strain_of_felt(p), abs=1e-9)
    between = np.linspace(0.1, p[-1], 200)
    assert law.strain_at(between) == pytest.approx(strain_of_felt(between), abs=3e-3)
    assert law.range_kpa == pytest.approx(39.2266)


@pytest.mark.parametrize("sd_mm", [0.05, 0.1, 0.2])
def test_the_stated_error_holds_what_it_says(sd_mm: float) -> None:
    """300 tests of the same felt: at the readings the law's error has at most the stated sd, and not half of it."""
    rng, p = np.random.default_rng(4), np.array(WEIGHTS_KG) * G / BOARD_MM2 * 1000
    errors, stated = [], 0.0
    for _ in range(300):
        thickness, rows = readings(rng, sd_mm)
        law = plate_test("mine", thickness, BOARD_MM2, rows, sd_mm)
        errors.append(law.strain_at(p) - strain_of_felt(p))
        stated = law.strain_sd
    found = float(np.sqrt(np.mean(np.square(errors))))
    assert 0.5 * stated < found < 1.1 * stated
    assert stated == pytest.approx(np.sqrt(2) * sd_mm / SHEET_MM, rel=0.1)


@pytest.mark.parametrize(
    ("rows", "says"),
    [
        ([(2, 10.8), (5, 9.2)], "10.8 mm thick under 2 kg but 10 mm without weight"),
        ([(2, 8.0), (5, 8.9)], "8.9 mm thick under 5 kg but 8 mm under 2 kg"),
        ([(0, 10.0), (5, 9.0)], "above 0"),
        ([(2, 10.0), (5, 10.0)], "never changes"),
    ],
)
def test_readings_that_cannot_be(rows: list[tuple[float, float]], says: str) -> None:
    with pytest.raises(InputRefused, match=says):
        plate_test("mine", SHEET_MM, BOARD_MM2, rows)


def test_a_calliper_that_slips_a_little_is_levelled() -> None:
    law = plate_test("mine", SHEET_MM, BOARD_MM2, [(2, 9.3), (4, 9.4), (8, 8.6)])
    assert (np.diff(law.strain) >= 0).all()
    assert law.levelled == pytest.approx(0.01, abs=1e-9)
    assert law.strain[1] == pytest.approx(0.065)  # the mean of the two: neither stiffer nor softer on the whole


OWN = """
[[material]]
name = "mine"
plate_test = { thickness_mm = 6, plate_mm = [50, 50], readings = [[1, 5.6], [2, 5.2], [3, 4.8]] }
"""


def test_told_in_the_pads_file(tmp_path: Path) -> None:
    """3 kg on 50 × 50 mm: 11.8 kPa, 20 % pressed. Area and sides are the same plate."""
    text = PAD.replace('material = "felt"\nthicknesses', 'material = "mine"\nthicknesses')
    laws = []
    for told in (OWN, OWN.replace("plate_mm = [50, 50]", "plate_mm2 = 2500")):
        (tmp_path / "pad.toml").write_text(text + told, encoding="utf-8")
        laws.append(read_pad(tmp_path / "pad.toml").own_materials[0])
    assert laws[0].strain_at(11.76798) == pytest.approx(0.2, rel=1e-5)
    assert laws[0].strain.tolist() == laws[1].strain.tolist()
    assert laws[0].strain_sd == pytest.approx(np.sqrt(2) * 0.1 / 6)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("plate_mm = [50, 50], ", "", "one of them"),
        ("plate_mm = [50, 50]", "plate_mm = [50, 50], plate_mm2 = 2500", "one of them"),
        ("[2, 5.2]", "[2, 6.9]", "does not grow"),
        ("thickness_mm = 6", "thickness_mm = 0", "0 cannot be a thickness"),
    ],
)
def test_told_wrongly(old: str, new: str, says: str, tmp_path: Path) -> None:
    (tmp_path / "pad.toml").write_text(PAD + OWN.replace(old, new), encoding="utf-8")
    with pytest.raises(WrongUse) as refused:
        read_pad(tmp_path / "pad.toml")
    assert says in " ".join((refused.value.message, *refused.value.details))


def test_the_sheet_says_how_well_the_law_is_known_and_where_it_ends() -> None:
    """Under 75 kg the hardest place presses more than the 12 kPa of the heaviest weight."""
    law = plate_test("felt", 6.0, BOARD_MM2, [(1, 5.6), (2, 5.2), (3, 4.8)])
    tack, cloth = saddle(), pad(("felt",))
    back = back_of(fitted_height(tack, FRONT_X_MM))
    bench = prepare(back, tack, cloth, place(back, tack), None, 10.0)
    laws = {**load_materials(), "felt": law}
    chosen = setup(cloth)
    contact = assess_on(bench, cloth, Case(), chosen, ("mounted", "trot"), materials=laws)
    said = layer_cautions(contact, laws, sheets_under(tack, cloth, chosen))
    beyond = [line for line in said if "felt 8" in line and "beyond what it was measured to (12 kPa)" in line]
    assert len(beyond) == 1
    assert "kPa mounted is" in beyond[0]  # the gentlest case in which it shows
    assert any("good to ± 2 % of its thickness, so a 8 mm sheet to ± 0.2 mm" in line for line in said)
    assert not any("insert" in line for line in layer_cautions(contact, laws, {}))


CURVES = {
    "bare": "pressure_kpa,strain\n0,0\n10,0.05\n20,0.12\n40,0.25\n",
    "ISO 3386-1": "Compression (%),Stress (kPa)\n0,0\n5,10\n12,20\n25,40\n",
    "semicolons": "Probe 3\nStauchung [%];Druckspannung [kPa]\n0,0;0,0\n5,0;10,0\n12,0;20,0\n25,0;40,0\n",
    "N/cm²": "stress N/cm2\tstrain percent\ttime s\n0\t0\t0\n1\t5\t1\n2\t12\t2\n4\t25\t3\n",
    "way out left off": "strain_%,stress_kPa\n0,0\n5,10\n12,20\n25,40\n12,8\n5,1\n0,0\n",
    "last of two cycles": "strain_%,stress_kPa\n0,0\n12,35\n25,60\n12,20\n0,0\n5,10\n12,20\n25,40\n",
}


@pytest.mark.parametrize("name", CURVES)
def test_a_curve_in_any_of_its_forms(name: str, tmp_path: Path) -> None:
    """The same curve each time: 10/20/40 kPa at 5/12/25 %. ISO 3386-1 reads the fourth cycle, the way in."""
    path = tmp_path / "curve.csv"
    path.write_text(CURVES[name], encoding="utf-8")
    pressure, strain = read_curve(path)
    assert pressure == pytest.approx([0, 10, 20, 40])
    assert strain == pytest.approx([0, 0.05, 0.12, 0.25])


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("a,b\n1,2\n", "are needed"),
        ("stress,strain\n1,2\n", "names no unit of pressure"),
        ("stress_kPa,strain\n1,x\n", 'row 2: "x" is no number'),
        ("", "are needed"),
    ],
)
def test_a_file_that_is_no_curve(text: str, says: str, tmp_path: Path) -> None:
    path = tmp_path / "curve.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputRefused, match=says):
        read_curve(path)
