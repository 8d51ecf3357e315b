"""saddle.toml: keys, units, signs, refusals."""

import numpy as np
import pytest
from yard_files import SADDLE

from shimwright.saddle_file import bench_stiffness_nm2, read_saddle
from shimwright.scan.refusal import WrongUse


@pytest.fixture
def read(tmp_path):
    def read_text(text):
        (tmp_path / "saddle.toml").write_text(text, encoding="utf-8")
        return read_saddle(tmp_path / "saddle.toml")

    return read_text


def test_distances_run_backwards_in_the_file_and_forwards_inside(read):
    saddle = read(SADDLE)
    assert saddle.seat_x_mm == -235
    assert saddle.straps_x_mm == (-110, -190)
    assert saddle.length_mm == 420
    np.testing.assert_array_equal(saddle.angle_deg, [48, 32, 24])


def test_units_and_the_word_for_the_tree(read):
    saddle = read(SADDLE.replace("weight_kg = 8", 'weight_kg = "18 lb"'))
    assert saddle.mass_kg == pytest.approx(8.16466266)
    assert saddle.arches[1].width_mm == pytest.approx(209.55)
    assert saddle.ei_nm2 == np.inf
    assert read(SADDLE.replace('"rigid"', '"spring"')).ei_nm2 == 300


def test_bench_test_replaces_the_word(read):
    """Simply supported beam with a load in the middle: d = F L³ / (48 EI) (textbooks of statics); two sides share F."""
    load, span, deflection = 196.133, 400.0, 2.0
    both_sides = load * span**3 / (48 * deflection)
    assert bench_stiffness_nm2(load, span, deflection) == pytest.approx(both_sides / 2 * 1e-6)
    saddle = read('bench_test = { load_n = "20 kg", deflection_mm = 2 }\n' + SADDLE)
    assert saddle.ei_nm2 == pytest.approx(both_sides / 2 * 1e-6)


def test_no_changeable_arch_is_ordinary(read):
    start = SADDLE.index("reference_arch")
    saddle = read(SADDLE[:start] + SADDLE[SADDLE.index("[filling]") :])
    assert saddle.arches == ()
    assert saddle.reference_arch is None


def test_a_law_of_ones_own(read):
    text = SADDLE.replace('"wool"', '"my wool"') + '[[material]]\nname = "my wool"\nmodulus_kpa = 60\n'
    assert [one.name for one in read(text).own_materials] == ["my wool"]


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("rocker_mm", "rocke_mm", '"rocke_mm" is not a key here; did you mean "rocker_mm"'),
        ("rocker_mm = 25", "", '"rocker_mm" is missing'),
        ('"rigid"', '"ridged"', 'did you mean "rigid"'),
        ("[70, 70, 75]", "[70, 70]", "channel_mm"),
        ("seat_x_mm = 235", "seat_x_mm = 600", "outside the panels"),
        ("seat_x_mm = 235", "seat_x_mm = -10", "cannot be a distance"),
        ("weight_kg = 8", "weight_kg = 0", "saddle's weight"),
        ('"wool"', '"woool"', 'did you mean "wool"'),
        ("depth_mm = 30", "depth_mm = -30", "thickness"),
        ('reference_arch = "medium"', 'reference_arch = "medum"', 'did you mean "medium"'),
        ('name = "wide"', 'name = "medium"', "there twice"),
        ("rocker_mm = 25", "rocker_mm = nan", "finite"),
        ("rocker_mm = 25", "rocker_mm = 25\nstiffness_nm2 = 0", "stiffness above 0"),
        ("rocker_mm = 25", "rocker_mm = 25\nstiffness_nm2 = -30", "stiffness above 0"),
        ("length_mm = 420", "length_mm = 42", "no panel length"),
        ("soft", "soft", None),
    ],
)
def test_what_is_wrong_is_said(read, old, new, words):
    if words is None:
        assert read(SADDLE.replace(old, new)).name == "test saddle"
        return
    with pytest.raises(WrongUse) as refused:
        read(SADDLE.replace(old, new, 1))
    assert words in refused.value.message
    assert "\n" not in refused.value.message
