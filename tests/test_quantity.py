"""Quantities with units. Outside values: international yard and pound agreement of 1959 (1 in = 25.4 mm, 1 lb =
0.45359237 kg), stone = 14 lb, hand = 4 in, standard gravity 9.80665 m/s² (3rd CGPM, 1901).
"""

import pytest

from shimwright.quantity import angle_deg, force_n, height_mm, length_mm, weight_kg


@pytest.mark.parametrize(
    ("told", "mm"),
    [
        (6, 6.0),
        (2.5, 2.5),
        ("6", 6.0),
        ("6 mm", 6.0),
        ("6mm", 6.0),
        ("0.3 m", 300.0),
        ("2.5 cm", 25.0),
        ("1/4 in", 6.35),
        ("3/8 in", 9.525),
        ("1 1/2 in", 38.1),
        ('3/4"', 19.05),
        ("1 ft 2 in", 355.6),
        (".5 in", 12.7),
        ("-3 mm", -3.0),
        ("−3", -3.0),
    ],
)
def test_lengths(told, mm):
    assert length_mm(told) == pytest.approx(mm, abs=1e-9)


@pytest.mark.parametrize(
    ("told", "mm"), [("15.2 hh", 62 * 25.4), ("15 hh", 60 * 25.4), ("16.3hh", 67 * 25.4), ("160 cm", 1600)]
)
def test_height_in_hands_counts_inches_behind_the_point(told, mm):
    assert height_mm(told) == pytest.approx(mm, abs=1e-6)


def test_a_fourth_inch_is_the_next_hand():
    with pytest.raises(ValueError, match="inches, 0 to 3"):
        height_mm("15.5 hh")


@pytest.mark.parametrize(
    ("told", "kg"), [("165 lb", 74.84274105), ("11 st 6 lb", 160 * 0.45359237), (500, 500), ("500 kg", 500)]
)
def test_weights(told, kg):
    assert weight_kg(told) == pytest.approx(kg, abs=1e-8)


def test_force_and_angle():
    assert force_n("20 kg") == pytest.approx(196.133, abs=1e-9)
    assert force_n(200) == 200.0
    assert angle_deg("92°") == 92.0


@pytest.mark.parametrize(
    "told",
    [
        "six",
        "",
        "mm",
        "6 furlongs",
        "1/0 in",
        "3 4 mm",
        "6 mm 2",
        float("nan"),
        float("inf"),
        True,
        None,
        [6],
        "1e999",
        "2,5 mm",
    ],
)
def test_what_is_no_length_is_refused_in_words(told):
    with pytest.raises(ValueError, match=r"length|divides|finite"):
        length_mm(told)


def test_a_wrong_unit_names_the_ones_known():
    with pytest.raises(ValueError, match="unit kg is not known here, use mm, cm, m, in"):
        length_mm("6 kg")
