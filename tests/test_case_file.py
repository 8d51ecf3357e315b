"""case.toml: what was told, in the program's units; every wrong key at once."""

import pytest
from yard_files import CASE, written

from shimwright.case_file import read_case
from shimwright.optimize.setup import Layer
from shimwright.scan.refusal import WrongUse
from shimwright.scan.told import BehindWithers, Dot, ScalePair, ScanPoint


def test_everything_told_arrives_in_the_programs_units(tmp_path):
    case = read_case(written(tmp_path))
    assert case.told.unit_mm == 1000
    assert case.told.head == (-1, 0, 0)
    assert dict(case.told.marks) == {
        "shoulder_left": Dot("red"),
        "withers": ScanPoint((0.0, 0.1, 1.6)),
        "last_rib_left": BehindWithers(420.0),
    }
    assert case.case.horse.height_mm == pytest.approx(1574.8)
    assert case.case.rider.weight_kg == pytest.approx(74.84274105)
    assert case.case.rider.weight_told
    assert case.case.today.date == "2026-03-21"


def test_a_bare_number_is_one_layer_of_the_first_shim(tmp_path):
    worn = read_case(written(tmp_path)).case.today.worn
    assert worn is not None
    assert worn.arch == "wide"
    assert worn.insert is None
    assert dict(worn.pockets) == {"front_left": (Layer("sheet", 6.0),), "rear_left": (Layer("sheet", 3.0),)}


def test_what_is_not_told_stays_untold(tmp_path):
    case = read_case(written(tmp_path, case='scan = "scan.ply"\nsaddle = "saddle.toml"\npad = "pad.toml"\n'))
    assert case.told.unit_mm is None
    assert case.told.up is None
    assert not case.case.rider.weight_told
    assert case.case.today.lame is None
    assert case.case.today.worn is None
    assert case.case.horse.name is None


@pytest.mark.parametrize("line", ['pad = "none"', ""])
def test_no_pad_at_all_is_ordinary(tmp_path, line):
    case = read_case(written(tmp_path, case=f'scan = "scan.ply"\nsaddle = "saddle.toml"\n{line}\n'))
    assert case.pad.pockets == ()
    assert case.pad.shell_mm == 0


def test_scale_pair(tmp_path):
    text = CASE.replace('head = "-x"', 'scale = { between = ["yellow", "cyan"], mm = "12 in" }')
    assert read_case(written(tmp_path, case=text)).told.scale == ScalePair("yellow", "cyan", pytest.approx(304.8))


REFUSED = [
    ('saddle = "saddle.toml"', 'sadle = "saddle.toml"', 'line 3: "sadle" is not a key here; did you mean "saddle"?'),
    ("height = ", "heigth = ", 'did you mean "height"'),
    ("[today]", "[todya]", 'did you mean "today"'),
    ('unit = "m"', 'unit = "yard"', "not a unit"),
    ('head = "-x"', "head = [0, 0, 0]", "not a direction"),
    ('head = "-x"', 'head = "left"', "not a direction"),
    ('shoulder_left = "red"', 'shoulder_left = "rad"', "did you mean red"),
    ('shoulder_left = "red"', 'sholder_left = "red"', 'did you mean "shoulder_left"'),
    ("2026-03-21", '"21.3.2026"', "not a date"),
    ('weight = "165 lb"', 'weight = "0 kg"', "cannot be a rider's weight"),
    ('weight = "165 lb"', "weight = 900", "cannot be a rider's weight"),
    ('arch = "wide"', 'arch = "wid"', 'the saddle has no "wid"; did you mean "wide"'),
    ("front_right = 3", "front_rihgt = 3", 'the pad has no "front_rihgt"'),
    ("front_right = 3", "front_right = -3", "-3 cannot be a layer's thickness"),
    ('shim = "sheet"', 'shim = "shet"', 'the pad\'s stock has no "shet"'),
    ("thickness_mm = 3 }", "thick = 3 }", "each layer is"),
    ('scan = "scan.ply"', 'scan = "other.ply"', 'no file "other.ply"'),
    ('scan = "scan.ply"', "", "both missing"),
    ("[today]", '[today]\nsore = ["midle_left"]', 'did you mean "middle_left"'),
    ("[today]", '[today]\nsaddle_moves = "sideways"', "use no | forward"),
    ("[today]", '[today]\nlame = "no"', "today.lame"),
    ("[rider]", "[rider", "not readable as TOML"),
]


@pytest.mark.parametrize(("old", "new", "words"), REFUSED)
def test_what_is_wrong_is_said_in_one_line(tmp_path, old, new, words):
    text = CASE.replace(old, new, 1)
    assert text != CASE
    with pytest.raises(WrongUse) as refused:
        read_case(written(tmp_path, case=text))
    assert words in refused.value.message
    assert refused.value.message.startswith(str(tmp_path))
    assert refused.value.details == ()
    assert refused.value.exit_code == 2


def test_many_wrong_keys_are_told_together_at_most_five(tmp_path):
    text = CASE.replace("name =", "nmae =", 1).replace("height =", "hight =", 1).replace("[rider]", "[ridr]", 1)
    with pytest.raises(WrongUse) as refused:
        read_case(written(tmp_path, case=text))
    assert "3 keys or values are wrong" in refused.value.message
    assert len(refused.value.details) == 3
    text = "".join(f"key{n} = 1\n" for n in range(9)) + text
    with pytest.raises(WrongUse) as refused:
        read_case(written(tmp_path, case=text))
    assert "12 keys or values are wrong" in refused.value.message
    assert len(refused.value.details) == 5


def test_a_line_number_points_into_the_right_table(tmp_path):
    text = CASE + "\n[[try]]\nachr = 'wide'\n"
    with pytest.raises(WrongUse) as refused:
        read_case(written(tmp_path, case=text))
    assert f"line {text.splitlines().index(chr(97) + 'chr = ' + repr('wide')) + 1}:" in refused.value.message
