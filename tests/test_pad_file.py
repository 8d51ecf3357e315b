"""pad.toml: pockets by four numbers and by outline, stock, limits, refusals."""

import pytest
from shapely import LinearRing, Polygon
from yard_files import PAD, SADDLE

from shimwright.pad_file import pockets_off_panel, read_pad
from shimwright.saddle_file import read_saddle
from shimwright.scan.refusal import WrongUse


@pytest.fixture
def read(tmp_path):
    def read_text(text):
        (tmp_path / "pad.toml").write_text(text, encoding="utf-8")
        return read_pad(tmp_path / "pad.toml")

    return read_text


def test_pockets_stand_on_their_side_counter_clockwise(read):
    pad = read(PAD)
    assert [pocket.name for pocket in pad.pockets] == ["front_left", "front_right", "rear_left"]
    for pocket in pad.pockets:
        sign = 1 if pocket.side == "left" else -1
        assert (pocket.outline[:, 0] <= 0).all()
        assert (sign * pocket.outline[:, 1] >= 0).all()
        assert LinearRing(pocket.outline).is_ccw
    assert Polygon(pad.pocket("front_left").outline).bounds == (-140, 40, -20, 125)
    assert Polygon(pad.pocket("front_right").outline).bounds == (-140, -125, -20, -40)
    # trapezoid by hand: (100 + 90) / 2 · 200
    assert Polygon(pad.pocket("rear_left").outline).area == pytest.approx(19000)


def test_stock_is_as_measured_and_in_order(read):
    shim = read(PAD).shims[0]
    assert shim.thicknesses_mm == (3, 6)
    assert shim.sheet_mm == (1000, 500)
    assert read(PAD).inserts[0].thickness_mm == pytest.approx(6.35)


def test_limits_usual_told_and_off(read):
    usual = read(PAD).limits
    assert (usual.height_mm, usual.layers, usual.neighbour_step_mm, usual.left_right_mm) == (12, 2, 6, 12)
    told = read(PAD + '[limits]\nheight_mm = 9\noff = ["left_right_mm"]\n').limits
    assert (told.height_mm, told.left_right_mm) == (9, None)


def test_a_pad_without_pockets_is_ordinary(read):
    text = PAD[: PAD.index("[[pocket]]")]
    assert read(text).pockets == ()


def test_measured_table_beside_the_pad(read, tmp_path):
    (tmp_path / "curve.csv").write_text("pressure_kpa,strain\n10,0.05\n20,0.12\n40,0.25\n")
    text = PAD.replace('material = "felt"\nthicknesses', 'material = "mine"\nthicknesses')
    pad = read(text + '[[material]]\nname = "mine"\ntable = "curve.csv"\n')
    assert pad.own_materials[0].strain_at(30.0) == pytest.approx(0.185)  # half way between two rows, by hand


REFUSED = [
    ("thicknesses_mm = [6, 3]", "thicknesses_mm = [6, -3]", "-3 cannot be a thickness"),
    ("thicknesses_mm = [6, 3]", "thicknesses_mm = [0]", "0 cannot be a thickness"),
    ("thicknesses_mm = [6, 3]", "thicknesses_mm = []", "thicknesses_mm"),
    ("thicknesses_mm = [6, 3]", "thicknesses_mm = [nan]", "finite"),
    ("from_front_mm", "form_front_mm", 'did you mean "from_front_mm"'),
    ('material = "felt"\nthickness_mm', 'material = "velt"\nthickness_mm', 'did you mean "felt"'),
    ('material = "felt"\nthickness_mm', 'material = "gravel"\nthickness_mm', "not a known material"),
    ("outline_mm = [[200, 40], [400, 40]", "outline_mm = [[100, 40], [400, 40]", "overlap"),
    ("[400, 140], [200, 130]]", "[200, 130], [400, 140]]", "crossing itself"),
    ('name = "rear_left"', 'name = "rear_left"\nside = "right"', "keep one"),
    ('name = "rear_left"', 'name = "front_left"', "there twice"),
    ("width_mm = 85", "", "give from_front_mm"),
    ('shell_material = "felt"', "", "shell_material is missing"),
    ("sheet_mm = [1000, 500]", "sheet_mm = [1000, 500]\n[limits]\nheight_mm = 2", "less than the thinnest shim"),
    ("sheet_mm = [1000, 500]", "sheet_mm = [1000, 500]\n[limits]\nlayers = 0\nheight_mm = 9", "contradict"),
    ("sheet_mm = [1000, 500]", "sheet_mm = [1000, 500]\n[limits]\ntotal_mm = 8", "no set-up is allowed"),
    (PAD[PAD.index("[[shim]]") :], "", "no [[shim]] to put in them"),
]


@pytest.mark.parametrize(("old", "new", "words"), REFUSED)
def test_what_is_wrong_is_said(read, old, new, words):
    text = PAD.replace(old, new, 1)
    assert text != PAD
    with pytest.raises(WrongUse) as refused:
        read(text)
    assert words in " ".join((refused.value.message, *refused.value.details))


def test_a_falling_law_is_refused(read):
    law = '[[material]]\nname = "odd"\npressure_kpa = [10, 20, 40]\nstrain = [0.3, 0.2, 0.1]\n'
    with pytest.raises(WrongUse, match="strain falls"):
        read(PAD + law)


def test_a_pocket_beside_the_panel_is_found(read, tmp_path):
    (tmp_path / "saddle.toml").write_text(SADDLE, encoding="utf-8")
    saddle = read_saddle(tmp_path / "saddle.toml")
    assert pockets_off_panel(read(PAD), saddle) == []
    beside = pockets_off_panel(read(PAD.replace("from_middle_mm = 40", "from_middle_mm = 160")), saddle)
    assert len(beside) == 1  # both sides are one entry of the file
    assert beside[0].startswith('pocket "front": 0 % of it lies under the panel')
